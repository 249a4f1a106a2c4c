"""Judges several reads of one ROM chip: do they make a dump that can be relied on, and if not, why."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from mendbay.board.rom_dump import Dump, dump_of
from mendbay.board.rom_fault_between import Stray, explain_pair, find_scatter, find_strays
from mendbay.board.rom_fault_kinds import Fault, FaultKind, Standing
from mendbay.board.rom_fault_order import SelfChecks
from mendbay.board.rom_faults import Known, examine, gravest_first
from mendbay.board.rom_vote import MOST_READS, Vote, vote
from mendbay.board.rom_vote_words import agreement_words, vote_words
from mendbay.core.errors import DumpUnproven

HOPELESS = 0.05
"""Error rate of a read from which voting is not worth trying."""
WANTED_READS = 3
GO_ON = "The dump is kept with the case: go on with it"
ENOUGH = "Two agreeing reads are enough for a transfer, three are safer: read the chip anew, three times"
READ_MORE = "Read the chip anew, three times, so that three reads agree"

_OF_READS = {
    FaultKind.NOISE,
    FaultKind.BURST,
    FaultKind.STRAY,
    FaultKind.LENGTHS_DIFFER,
    FaultKind.TWO_STATES,
    FaultKind.UNSTABLE,
}
_DOUBTS = {FaultKind.TWO_STATES, FaultKind.UNSTABLE, FaultKind.WRONG_SIZE, FaultKind.ODD_LENGTH}


class Verdict(StrEnum):
    """What the reads are worth together."""

    AGREE = "agree"
    """All reads are the same and nothing speaks against them, though a question may be open."""
    REPAIRED = "repaired"
    """The reads differ, but the dump made of them is exact as far as voting can tell: no dispute was decided
    by one vote, which takes five reads or more, or only reads with a fault of their own were left out."""
    DOUBTFUL = "doubtful"
    """A dump is there, but some bits or a question are open; they are listed."""
    UNUSABLE = "unusable"
    """Read again: the reads do not hold the chip's content as it is."""


@dataclass(frozen=True)
class ReadsJudgement:
    """The judgement.

    Args:
        verdict: see `Verdict`.
        data: the voted dump; if the reads ran past the end of the chip, its first pass. Not to be relied
            on unless the verdict is AGREE or REPAIRED. Empty if there is none.
        vote: how the reads voted; None if no two could be compared.
        faults: all findings, the primary one first; questions last.
        set_aside: reads left out of the vote, counted from 0.
        rules_held: how many self-checks hold on `data`, of how many; None without.
        reasons: sentences, the weightiest first.
        next_step: one sentence.
    """

    verdict: Verdict
    data: bytes = field(repr=False)
    vote: Vote | None = field(repr=False)
    faults: tuple[Fault, ...]
    set_aside: tuple[int, ...]
    rules_held: tuple[int, int] | None
    reasons: tuple[str, ...]
    next_step: str

    @property
    def primary(self) -> Fault | None:
        """The fault that explains or outweighs the others; None if there is none."""
        return self.faults[0] if self.faults else None

    @property
    def settled(self) -> bool:
        """Whether the dump can be relied on as it is: nothing speaks against it and no question is open."""
        return self.verdict in (Verdict.AGREE, Verdict.REPAIRED) and not self.questions

    @property
    def carries_transfer(self) -> bool:
        """Whether a transfer may rest on these very reads; a dump that was made of reads that differ is none,
        however exact it is."""
        return self.verdict is Verdict.AGREE

    @property
    def questions(self) -> tuple[Fault, ...]:
        """What a person should answer, although it does not change the verdict."""
        return tuple(one for one in self.faults if one.standing is Standing.QUESTION)


def judge_reads(
    reads: Sequence[Dump | bytes],
    *,
    chip_size: int | None = None,
    sfdp_size: int | None = None,
    reference: bytes | None = None,
    rules: SelfChecks | None = None,
) -> ReadsJudgement:
    """Judges the reads of one chip and votes them into one dump.

    Args:
        reads: 1 to 16; two show whether they differ; in three every dispute is listed with what most of
            them say, and five can settle it. One is never more than DOUBTFUL.
        chip_size: bytes that the chip's id stands for; taken from the reads if they name one and it is None.
        sfdp_size: bytes by the chip's own table.
        reference: a sound dump of the same board family, of this or another revision.
        rules: self-checks of the family.

    Raises:
        DumpUnproven: no reads, more than 16, or one outside 1 KiB to 64 MiB.
    """
    if not 1 <= len(reads) <= MOST_READS:
        raise DumpUnproven(
            f"{len(reads)} reads were given; 1 to {MOST_READS} can be judged", "read the chip three times"
        )
    dumps = [one if isinstance(one, Dump) else dump_of(one, f"read {at}") for at, one in enumerate(reads, 1)]
    if chip_size is None:
        chip_size = next((one.chip_size for one in dumps if one.chip_size is not None), None)
    known = Known(chip_size, sfdp_size, reference, rules)
    used, faults = _of_one_length(dumps)
    strays = find_strays([dumps[at].array for at in used]) if len(used) > 1 else []
    faults += [_renamed(one, used) for one in strays]
    left = [at for place, at in enumerate(used) if not any(one.read == place for one in strays)]
    ballot = vote([dumps[at].data for at in left])
    arrays = [dumps[at].array for at in left]
    if len(left) == 2:
        slip = explain_pair(*arrays)
        faults += [slip] if slip else []
    faults += find_scatter(arrays, ballot, left)
    seen = examine(ballot.data, known, _noise_left(ballot))
    faults += seen.faults
    ordered = gravest_first(faults)
    aside = tuple(at for at in range(len(dumps)) if at not in left)
    data = _first_pass(ballot.data, ordered, chip_size)
    held = rules.hold(data) if rules is not None else None
    verdict = _verdict(ordered, ballot, len(left), chip_size)
    return ReadsJudgement(
        verdict,
        data,
        ballot if len(left) > 1 else None,
        ordered,
        aside,
        held,
        _reasons(ordered, ballot, aside, held),
        _next_step(verdict, ordered, ballot, len(left)),
    )


def _of_one_length(dumps: Sequence[Dump]) -> tuple[list[int], list[Fault]]:
    """The reads of the commonest length (the longer of two), and what the others are."""
    lengths = Counter(len(one.data) for one in dumps)
    if len(lengths) == 1:
        return list(range(len(dumps))), []
    length = max(lengths, key=lambda one: (lengths[one], one))
    used = [at for at, one in enumerate(dumps) if len(one.data) == length]
    others = [at for at in range(len(dumps)) if at not in used]
    said = ", ".join(f"read {at + 1} has {len(dumps[at].data)}" for at in others)
    whole = np.frombuffer(dumps[used[0]].data, np.uint8)
    begins = all(
        len(dumps[at].data) < length
        and float((dumps[at].array == whole[: len(dumps[at].data)]).mean()) > 0.99
        for at in others
    )
    why = ": shorter ones break off, what they have is the same" if begins else ""
    fault = Fault(
        FaultKind.TRUNCATED if begins else FaultKind.LENGTHS_DIFFER,
        Standing.PROVEN,
        f"The reads have different lengths, most {length} bytes, {said}{why}",
        "Read again with the same setting each time",
        {"length": float(length)} | {f"read {at + 1}": float(len(dumps[at].data)) for at in others},
        (),
        tuple(others),
    )
    return used, [fault]


def _renamed(stray: Stray, used: Sequence[int]) -> Fault:
    """The fault of a read with its number among all reads."""
    fault = stray.fault
    what = fault.what.replace(f"Read {stray.read + 1}", f"Read {used[stray.read] + 1}", 1)
    return Fault(
        fault.kind,
        fault.standing,
        what,
        fault.next_step,
        fault.figures,
        fault.where,
        (used[stray.read],),
    )


def _noise_left(ballot: Vote) -> float:
    """Share of bits of the voted dump that may be wrong."""
    return min(0.5, ballot.expected_wrong / (8 * len(ballot.data)))


def _first_pass(data: bytes, faults: Sequence[Fault], chip_size: int | None) -> bytes:
    if chip_size is not None and _ran_past(faults, chip_size):
        return data[:chip_size]
    return data


def _ran_past(faults: Sequence[Fault], chip_size: int | None) -> bool:
    return any(one.kind is FaultKind.WRAPPED and one.where[0][0] == chip_size for one in faults)


def _verdict(faults: Sequence[Fault], ballot: Vote, reads: int, chip_size: int | None) -> Verdict:
    past = _ran_past(faults, chip_size)
    counted = [
        one
        for one in faults
        if one.standing is not Standing.QUESTION
        and not (past and one.kind in (FaultKind.WRAPPED, FaultKind.WRONG_SIZE))
    ]
    of_all = [one for one in counted if one.kind not in _OF_READS and not one.reads]
    if max(ballot.rise, ballot.fall) > HOPELESS or any(
        one.standing is Standing.PROVEN and one.kind not in _DOUBTS for one in of_all
    ):
        return Verdict.UNUSABLE
    doubts = of_all or any(one.kind in _DOUBTS for one in counted)
    if doubts or reads < 2 or (ballot.disagreeing and not ballot.restored):
        return Verdict.DOUBTFUL
    return Verdict.REPAIRED if counted or past else Verdict.AGREE


def _reasons(
    faults: Sequence[Fault], ballot: Vote, aside: Sequence[int], held: tuple[int, int] | None
) -> tuple[str, ...]:
    said = [one.what for one in faults]
    said += vote_words(ballot) if ballot.disagreeing else agreement_words(ballot)
    if aside:
        names = " and ".join(str(at + 1) for at in aside)
        said.append(f"{'Read' if len(aside) == 1 else 'Reads'} {names} did not vote")
    if held is not None and held[1]:
        said.append(f"{held[0]} of {held[1]} self-checks of the family hold on the dump")
    return tuple(said)


def _next_step(verdict: Verdict, faults: Sequence[Fault], ballot: Vote, reads: int) -> str:
    counted = [one for one in faults if one.standing is not Standing.QUESTION]
    if verdict is Verdict.AGREE:
        if faults:
            return faults[0].next_step
        more = reads < WANTED_READS
        return (ENOUGH if reads > 1 else READ_MORE) if more else GO_ON
    if verdict is Verdict.REPAIRED and not ballot.disagreeing:
        return counted[0].next_step if counted else faults[0].next_step
    if verdict is Verdict.REPAIRED:
        return (
            "Put the clip right and read the chip anew until whole reads agree: a transfer rests on those, "
            "the repaired dump only shows what they should hold"
        )
    if not counted:
        return "Read the chip twice more, so that the reads can be compared"
    if counted[0].kind in (FaultKind.NOISE, FaultKind.BURST):
        needed = ballot.reads_needed()
        if needed is not None and needed > reads:
            return (
                f"{counted[0].next_step}. At this error rate about {needed} reads in all restore it by "
                "voting; a transfer takes whole reads that agree"
            )
    return counted[0].next_step
