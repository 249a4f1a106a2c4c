"""Invented families of board ROMs with hidden self-checks, to test what is learned from dumps.

`families(seed)` gives one family of each of `KINDS`; another seed gives other layouts, formulas and places of
the same kinds. `FRESH_KINDS` were drawn apart from any learner and are kept for judging one: it must not be
tuned to them. `family_of` gives a family of either. Whoever is tested gets `dump(drive_seed, revision)` only;
the judge looks at `checks` and regions.

    family = families(7)[0]
    dumps = [family.dump(drive) for drive in range(12)]
    wanted = [one for one in family.checks if one.findable and family.learnable(one, dumps)]
    spoilt = flip_bit_inside(wanted[0], dumps[0], random.Random(1))
"""

from __future__ import annotations

from support import rom_family_fresh_lists as fresh_lists
from support import rom_family_fresh_pages as fresh_pages
from support import rom_family_fresh_tables as fresh_tables
from support import rom_family_fresh_texts as fresh_texts
from support import rom_family_kinds_blocks as blocks
from support import rom_family_kinds_chips as chips
from support import rom_family_kinds_secret as secret
from support import rom_family_kinds_tables as tables
from support.rom_family_checks import (
    HiddenCheck,
    LengthField,
    OwnField,
    Region,
    Varies,
    flip_bit_inside,
    learnable,
)
from support.rom_family_pen import Edition, HiddenFamily

__all__ = [
    "FRESH_KINDS",
    "KINDS",
    "Edition",
    "HiddenCheck",
    "HiddenFamily",
    "LengthField",
    "OwnField",
    "Region",
    "Varies",
    "describe",
    "families",
    "family_of",
    "flip_bit_inside",
    "learnable",
]

KINDS = {one.name: one for one in (*tables.KINDS, *blocks.KINDS, *chips.KINDS, *secret.KINDS)}
"""Kinds that a learner of checks may be tuned with, by name."""

FRESH_KINDS = {
    one.name: one for one in (*fresh_lists.KINDS, *fresh_tables.KINDS, *fresh_pages.KINDS, *fresh_texts.KINDS)
}
"""Kinds held out from that, by name."""


def families(seed: int) -> list[HiddenFamily]:
    """One family of each of `KINDS`, the same ones for the same seed."""
    return [HiddenFamily(one, seed) for one in KINDS.values()]


def family_of(kind: str, seed: int) -> HiddenFamily:
    """The family of one kind, fresh or not; of one of `KINDS` that which is in `families(seed)`.

    Raises:
        KeyError: no such kind.
    """
    return HiddenFamily(KINDS[kind] if kind in KINDS else FRESH_KINDS[kind], seed)


def describe(family: HiddenFamily, revision: int = 0) -> str:
    """Everything hidden about a family, as text for a person."""
    edition = family.edition(revision)
    lines = [
        f"{family.kind}, seed {family.seed}, revision {revision}: {edition.size // 1024} KiB",
        f"  {family.sentence}",
        f"  per drive: {_listed(edition.per_drive)}",
        f"  constant:  {_listed(edition.constant)}",
        f"  filler:    {_listed(edition.filler)}",
    ]
    lines += [f"  mirror:    {_at(region)} again at {_at(again)}" for region, again in edition.mirrors]
    if edition.pair_swapped:
        lines.append("  every two bytes are swapped; checks work on them swapped back")
    if edition.moves:
        lines.append("  places differ between revisions")
    lines.append(f"  checks: {len(edition.checks)}, findable {sum(one.findable for one in edition.checks)}")
    lines += [f"    {_said(one)}" for one in edition.checks]
    return "\n".join(lines)


def _said(check: HiddenCheck) -> str:
    covered = " + ".join(_at(one) for one in check.covered)
    notes = [f"varies {check.varies}", f"own field {check.own_field}"]
    if check.length is not None:
        notes.append(f"length at {check.length.at:05X} in units of {check.length.unit}")
    if not check.published:
        notes.append("in no published list")
    if not check.findable:
        notes.append("cannot be found")
    place = f"{8 * check.width} bits {check.order}-endian at {check.at:05X}"
    return f"{check.name}: {check.algorithm}; over {covered}; {place}; {'; '.join(notes)}"


def _at(region: Region) -> str:
    return f"{region[0]:05X}-{region[1]:05X}"


def _listed(regions: tuple[Region, ...]) -> str:
    total = sum(end - start for start, end in regions)
    shown = ", ".join(_at(one) for one in regions[:6]) + (" ..." if len(regions) > 6 else "")
    return f"{total} bytes in {len(regions)} regions{': ' + shown if regions else ''}"
