"""A vote in sentences."""

from __future__ import annotations

from mendbay.board.rom_vote import SURE, BitList, Vote
from mendbay.core.quantity import count_text, counted

MOST_PLACES = 12
LEAST_SAID = 0.01
LONGEST_ODDS = 10**9
"""Nothing at the bench is surer than that."""


def agreement_words(vote: Vote) -> list[str]:
    """What it means that all reads are the same."""
    if vote.reads == 1:
        return ["One read alone shows nothing of its errors"]
    limit = 3e6 / (8 * len(vote.data) * vote.reads)  # rule of three: no event in n trials, at 95 %
    return [
        f"{vote.reads} reads agree in every bit: fewer than about {limit:.1g} errors in a million bits, if "
        "errors are independent",
        "An error that is the same in every read cannot be seen by comparing them; only structure, a "
        "reference or self-checks can show it",
    ]


def vote_words(vote: Vote) -> list[str]:
    """What the disagreements and their vote come to."""
    if vote.reads == 2:
        return [
            f"Two reads differ in {counted(vote.disagreeing, 'bit')}: more reads must tell which is right",
            places_words(vote.bits),
        ]
    narrow, decided = vote.bits.narrow(), vote.disagreeing - vote.undecided
    said = [
        f"Of {counted(vote.disagreeing, 'bit')} in dispute {decided} went by majority, {vote.undecided} "
        f"{'is' if vote.undecided == 1 else 'are'} undecided; {_left(vote.expected_wrong)}, and "
        f"{_sure(vote)}, if errors of different reads are independent",
    ]
    if len(narrow):
        said.append(f"Decided by one vote or not at all: {places_words(narrow)}")
    if vote.reads == 3:
        said.append(
            "A cell that reads unsteadily looks like noise in three reads, and may be wrong in two of them: "
            "five reads tell them apart"
        )
    said.append("An error that is the same in every read cannot be seen by voting")
    return said


def _left(wrong: float) -> str:
    if wrong < LEAST_SAID:
        return f"under {LEAST_SAID} wrong bits are to be expected"
    return (
        f"about {wrong:.0f} wrong bits are left" if wrong >= 10 else f"about {wrong:.2g} wrong bits are left"
    )


def _sure(vote: Vote) -> str:
    chance = vote.exact_probability
    if chance >= SURE:
        odds = min(int(1 / max(1 - chance, 1 / LONGEST_ODDS)), LONGEST_ODDS)
        return f"the chance that one is wrong is below 1 in {count_text(10 ** (len(str(odds)) - 1))}"
    return f"all are right with a chance of {100 * chance:.2g} %"


def places_words(bits: BitList) -> str:
    """The places: one by one if few, else as ranges, else their number and extent."""
    if not len(bits):
        return "none"
    more = "" if bits.listed_all else " at least"
    if len(bits) <= MOST_PLACES:
        return ", ".join(
            f"{offset:06X}h bit {lane} ({ones} of {bits.reads} say 1)"
            for offset, lane, ones in zip(
                bits.offsets.tolist(), bits.lanes.tolist(), bits.ones.tolist(), strict=True
            )
        )
    runs = bits.runs()
    if len(runs) <= MOST_PLACES:
        return ", ".join(
            f"{counted(run.bits, 'bit')} in {run.start:06X}h to {run.stop - 1:06X}h" for run in runs
        )
    first, last = int(bits.offsets[0]), int(bits.offsets[-1])
    return f"{more} {len(bits)} bits in {len(runs)} places from {first:06X}h to {last:06X}h".strip()
