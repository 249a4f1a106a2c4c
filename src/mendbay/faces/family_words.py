"""What a board family was learned from and what it tells, in the words of the bench, for every face."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from mendbay.core.quantity import bytes_text
from mendbay.faces import wording

if TYPE_CHECKING:
    from mendbay.jobs.learn_rom import GoodDump, LearnedFamily

FEW_DUMPS = 3
"""Rules from fewer are not to be relied on alone."""
ONE = (
    "rules learned from one dump may be of that drive's own data and hold for no other: learn anew with "
    "dumps of more drives."
)
FEW = (
    "rules learned from fewer than three dumps are not to be relied on alone: learn anew when there are more."
)


def family_head(learned: LearnedFamily) -> str:
    """What it is, in a sentence."""
    family = learned.family
    return (
        f"Family {learned.name}: {wording.counted(len(family.rules), 'rule')} from "
        f"{wording.counted(family.dumps, 'known-good dump')}, "
        f"{wording.counted(len(family.revisions), 'code revision')}."
    )


def few_words(learned: LearnedFamily) -> str:
    """That it rests on too few dumps to be relied on; empty if it does not."""
    dumps = learned.family.dumps
    return "" if dumps >= FEW_DUMPS else FEW if dumps > 1 else ONE


def rules_of_family(learned: LearnedFamily) -> list[str]:
    """Its rules, each with how many dumps it holds in."""
    return [f"{one.name} (in {wording.counted(one.dumps, 'dump')})" for one in learned.family.rules]


def revisions_of_family(learned: LearnedFamily) -> Iterator[str]:
    """Of each code revision, how much is each drive's own."""
    for number, one in enumerate(learned.family.revisions, 1):
        own = sum(stop - start for start, stop in one.per_drive)
        said = (
            f"{bytes_text(own)} are each drive's own"
            if one.compared
            else "one dump: what is its own is unknown"
        )
        yield f"revision {number}: {said}"


def left_out_of_family(learned: LearnedFamily) -> list[str]:
    """Dumps that were given and left out."""
    return [f"Left out, as it was withdrawn: {one.name}. {one.withdrawn}" for one in learned.left_out]


def family_json(learned: LearnedFamily, path: str | None) -> dict[str, object]:
    """All of it, for programs.

    Args:
        path: where it is kept.
    """
    family = learned.family
    return {
        "name": learned.name,
        "path": path,
        "earlier": None if learned.earlier is None else str(learned.earlier),
        "size_bytes": family.size,
        "dumps": family.dumps,
        "learned_from": None
        if learned.dumps is None
        else [good_dump_json(one) for one in (*learned.dumps, *learned.left_out)],
        "judges": not learned.withdrawn,
        "revisions": [
            {"dumps": one.dumps, "per_drive": [list(span) for span in one.per_drive]}
            for one in family.revisions
        ],
        "rules": [
            {
                "name": one.name,
                "start": one.start,
                "stop": one.end,
                "evidence_bits": round(float(one.evidence), 2),
                "dumps": one.dumps,
            }
            for one in family.rules
        ],
        "covered_bytes": family.covered(),
    }


def good_dump_json(one: GoodDump) -> dict[str, object]:
    """A dump that a family was learned from."""
    return {"name": one.name, "sha256": one.sha256, "withdrawn": one.withdrawn or None}
