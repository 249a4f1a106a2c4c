"""Judge the reads of a chip: what they are worth, what went wrong, and the dump they make together."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

from mendbay.board.rom_dump import dump_of
from mendbay.board.rom_fault_order import SelfChecks
from mendbay.board.rom_map import RomMap, map_rom
from mendbay.board.rom_reads import ReadsJudgement, Verdict, judge_reads
from mendbay.board.transfer_plan import Role
from mendbay.core.errors import DumpUnproven
from mendbay.jobs.bench import Bench
from mendbay.jobs.ports import KeptFile
from mendbay.jobs.remembered import remembered
from mendbay.jobs.rom_reads import DUMP_LIMIT_BYTES, RomRead, contents, newest_sitting, read_under_both, whose

KEPT, KEPT_BYTES = 4, 32 << 20
"""Judgements that are kept for a while, each of reads of at most so many bytes together: one takes about a
second for each MiB."""


@dataclass(frozen=True, slots=True)
class JudgedRom:
    """The newest sitting of a chip, judged.

    Args:
        reads: what was judged, in the order of the judgement's numbers.
        judgement: what they are worth.
        map: of the voted dump; None if there is none.
        voted: where the voted dump is kept, if the reads differ and it is restored.
    """

    reads: tuple[RomRead, ...]
    judgement: ReadsJudgement
    map: RomMap | None
    voted: KeptFile | None


@dataclass(frozen=True, slots=True)
class LookedAtRom:
    """The same before anything of it is kept.

    Args:
        failed: how many rules of a family the dump fails.
        differs: whether the voted dump is restored and no read holds it.
    """

    reads: tuple[RomRead, ...]
    judgement: ReadsJudgement
    map: RomMap | None
    failed: int
    differs: bool


def judge_rom(
    bench: Bench,
    case: int,
    bay: str,
    role: Role,
    reference: Path | None = None,
    rules: SelfChecks | None = None,
    fails: Callable[[bytes], tuple[str, ...]] | None = None,
) -> JudgedRom:
    """Judges the reads of the newest sitting of a role.

    A voted dump is kept beside the reads; it is no read, and a transfer never rests on it.

    Args:
        reference: a sound dump of the same board family.
        rules: self-checks of the family.
        fails: says in sentences which of all the family's rules a dump fails; one that fails is doubtful.

    Raises:
        NoSuchCase: there is no such case or bay.
        DumpUnproven: the chip was never read.
        UsageError: the reference cannot be read.
    """
    looked = look_at_reads(bench, case, bay, role, reference, rules, fails)
    reads, judgement = looked.reads, looked.judgement
    voted = None
    if looked.differs:
        folder = reads[0].file.path.rpartition("/")[0]
        voted = bench.files.keep(remembered(bench, case), f"{folder}/voted.bin", judgement.data)
    bench.note(
        case,
        "rom",
        f"Bay {bay}: reads of the {role}'s ROM judged: {judgement.verdict}. "
        f"{judgement.reasons[0].rstrip('.') if judgement.reasons else ''}.",
        {
            "bay": bay,
            "role": str(role),
            "verdict": str(judgement.verdict),
            "reads": len(reads),
            "first_read": reads[0].file.path,
            "by_family": fails is not None,
            "failed": looked.failed,
        },
    )
    return JudgedRom(reads, judgement, looked.map, voted)


def look_at_reads(
    bench: Bench,
    case: int,
    bay: str,
    role: Role,
    reference: Path | None = None,
    rules: SelfChecks | None = None,
    fails: Callable[[bytes], tuple[str, ...]] | None = None,
) -> LookedAtRom:
    """As `judge_rom`, but nothing is kept or written down. Raises as it does."""
    reads = newest_sitting(bench, case, bay, role)
    if not reads:
        raise DumpUnproven(
            f"{whose(role)} ROM (bay {bay}) was never read.",
            f"mendbay rom read {case} {bay} {role.value} reads it; rom keep takes dumps made elsewhere.",
        )
    data = contents(bench, case, reads)
    judgement = judged_reads(
        data, reads, None if reference is None else bench.files.fetch(reference, DUMP_LIMIT_BYTES), rules
    )
    failed = 0
    if fails is not None:
        against = fails(judgement.data)
        failed = len(against)
        judgement = _held_against(judgement, against)
    if twice := read_under_both(bench, case, bay, role):
        judgement = _of_one_chip(judgement, twice)
    differs = judgement.verdict is Verdict.REPAIRED and judgement.data not in data
    rom_map = map_rom(judgement.data) if judgement.data else None
    return LookedAtRom(reads, judgement, rom_map, failed, differs)


def _held_against(judgement: ReadsJudgement, failed: tuple[str, ...]) -> ReadsJudgement:
    """The judgement with what a dump fails of its family's rules."""
    if not failed:
        return judgement
    sound = judgement.verdict in (Verdict.AGREE, Verdict.REPAIRED)
    return replace(
        judgement,
        verdict=Verdict.DOUBTFUL if sound else judgement.verdict,
        reasons=(*(f"The dump, held against its family, {one}" for one in failed), *judgement.reasons),
        next_step="Put the clip right and read the chip anew; if the same rules fail in every sitting, the "
        "content itself is damaged"
        if sound
        else judgement.next_step,
    )


def _of_one_chip(judgement: ReadsJudgement, twice: str) -> ReadsJudgement:
    """The judgement of reads that were kept of another chip too: however well they agree, nobody knows whose
    they are."""
    sound = judgement.verdict in (Verdict.AGREE, Verdict.REPAIRED)
    return replace(
        judgement,
        verdict=Verdict.DOUBTFUL if sound else judgement.verdict,
        reasons=(twice, *judgement.reasons),
        next_step="Find out whose chip was read, take back the sitting that is not its own, and read the "
        "other chip",
    )


def judged_reads(
    data: Sequence[bytes],
    reads: Sequence[RomRead],
    reference: bytes | None = None,
    rules: SelfChecks | None = None,
) -> ReadsJudgement:
    """What reads are worth, with what their chip says of its size.

    Raises:
        DumpUnproven: one is too small or too large to be a ROM.
    """
    if reference is not None or rules is not None or sum(map(len, data)) > KEPT_BYTES:
        return _judged(tuple(data), tuple(reads), reference, rules)
    return _judged_alone(tuple(bytes(one) for one in data), tuple(reads))


@lru_cache(maxsize=KEPT)
def _judged_alone(data: tuple[bytes, ...], reads: tuple[RomRead, ...]) -> ReadsJudgement:
    """Kept: a plan, its steps and whatever doubts it all ask anew."""
    return _judged(data, reads, None, None)


def forget_judged() -> None:
    """Lets go of what was judged before, and of the reads with it."""
    _judged_alone.cache_clear()


def _judged(
    data: Sequence[bytes], reads: Sequence[RomRead], reference: bytes | None, rules: SelfChecks | None
) -> ReadsJudgement:
    chip = reads[0].chip()
    dumps = [
        dump_of(one, read.file.path.rpartition("/")[2], read.chip_id)
        for one, read in zip(data, reads, strict=True)
    ]
    return judge_reads(
        dumps,
        chip_size=chip.id.size_bytes if chip else None,
        sfdp_size=chip.sfdp.size_bytes if chip else None,
        reference=reference,
        rules=rules,
    )
