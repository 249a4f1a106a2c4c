"""Learn the rules of a board family from known-good dumps, and hold a patient's dump against them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from mendbay.board.rules.family import Family
from mendbay.board.rules.judge import Comparison, DumpJudgement, compare, judge
from mendbay.board.rules.search import learn
from mendbay.board.transfer_plan import Role
from mendbay.core.errors import BadFormFile, DumpUnproven, UsageError
from mendbay.jobs.bench import Bench
from mendbay.jobs.board_ports import ShopFiles
from mendbay.jobs.judge_rom import judged_reads
from mendbay.jobs.rom_reads import DUMP_LIMIT_BYTES, RomRead, contents, newest_sitting

FAMILIES = "families"
DUMPS_LIMIT = 32
"""More dumps of one revision teach nothing further."""


@dataclass(frozen=True, slots=True)
class CheckedRom:
    """A dump held against a family.

    Args:
        family: its name.
        dumps: known-good dumps the family's rules rest on.
        reads: what was checked: the newest sitting, voted on if its reads differ.
        judgement: which rules hold, and how likely the dump is sound.
        donor: how it compares with the donor's newest read; None if that was not read.
    """

    family: str
    dumps: int
    reads: tuple[RomRead, ...]
    judgement: DumpJudgement
    donor: Comparison | None


def learn_family(bench: Bench, shop: ShopFiles, name: str, files: Sequence[Path]) -> tuple[Family, Path]:
    """Learns a family from known-good dumps and keeps it with the shop, over an older one of that name.

    Raises:
        UsageError: a file cannot be read, there are too many, or the name cannot be a file's.
        DumpUnproven: dumps of different sizes, or no dumps of a ROM.
        DestinationError: the family cannot be kept.
    """
    if len(files) > DUMPS_LIMIT:
        raise UsageError(f"{len(files)} dumps are too many.", f"Give at most {DUMPS_LIMIT} of one family.")
    family = learn([bench.files.fetch(path, DUMP_LIMIT_BYTES) for path in files])
    return family, shop.keep(FAMILIES, name, family.to_json())


def families(shop: ShopFiles) -> dict[str, Family]:
    """Every family the shop has learned, by name.

    Raises:
        BadFormFile: a family's file cannot be used.
    """
    return {name: _read(name, text) for name, text in shop.texts(FAMILIES)}


def family_named(shop: ShopFiles, name: str) -> Family:
    """One family.

    Raises:
        UsageError: the shop has none of that name.
        BadFormFile: its file cannot be used.
    """
    texts = dict(shop.texts(FAMILIES))
    if name not in texts:
        known = ", ".join(sorted(texts)) or "none yet"
        raise UsageError(
            f"The shop has learned no family {name[:60]!r}.",
            f"It has: {known}. mendbay rom learn NAME DUMPS learns one.",
        )
    return _read(name, texts[name])


def check_rom(bench: Bench, shop: ShopFiles, case: int, bay: str, role: Role, name: str) -> CheckedRom:
    """Holds the newest reads of a chip against a family, and a patient's against the donor's.

    Raises:
        NoSuchCase: there is no such case or bay.
        UsageError, BadFormFile: the family is not there, or cannot be used.
        DumpUnproven: the chip was never read.
    """
    family = family_named(shop, name)
    reads = newest_sitting(bench, case, bay, role)
    if not reads:
        raise DumpUnproven(
            f"The {role.value}'s ROM of bay {bay} was never read.",
            f"mendbay rom read {case} {bay} {role.value} reads it.",
        )
    dump = judged_reads(contents(bench, case, reads), reads).data
    found = judge(family, dump)
    donors = newest_sitting(bench, case, bay, Role.DONOR) if role is Role.PATIENT else ()
    other = compare(family, dump, contents(bench, case, donors[:1])[0]) if donors else None
    bench.note(
        case,
        "rom",
        f"Bay {bay}: the {role.value}'s ROM held against family {name}: {len(found.held)} rules hold, "
        f"{len(found.failed)} fail.",
        {"family": name, "held": len(found.held), "failed": len(found.failed)},
    )
    return CheckedRom(name, family.dumps, reads, found, other)


def failed_sentences(judgement: DumpJudgement) -> tuple[str, ...]:
    """What of a family's rules a dump fails, as sentences a plan carries."""
    if not judgement.held and not judgement.failed and judgement.reasons:
        return () if judgement.sound > 0 else judgement.reasons[:1]
    return tuple(f"fails: {one.rule.name}" for one in judgement.failed)


def _read(name: str, text: str) -> Family:
    try:
        return Family.from_json(text)
    except BadFormFile as trouble:
        raise BadFormFile(f"The family {name} cannot be used. {trouble.what}", trouble.next_step) from trouble
