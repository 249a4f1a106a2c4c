"""The options of works of the office: giving a case away, erasing its copies, learning from dumps."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from mendbay.handback.erasure import Sort

SENT = "uploads"
"""The folder in the shop's home that holds what browsers send, for as long as something needs it."""


@dataclass(frozen=True, slots=True)
class ExportCase:
    """As `case export` takes them."""

    folder: Path
    with_images: bool
    for_customer: bool


@dataclass(frozen=True, slots=True)
class PlanErasure:
    """As `case erase-plan` takes them; no sorts: the usual ones. `hand_back` None: one on record."""

    sorts: tuple[Sort, ...]
    reason: str
    hand_back: Path | None
    unproven: str


@dataclass(frozen=True, slots=True)
class EraseCopies:
    """As `case erase` takes them.

    Args:
        plan: its name.
        digest: of the plan that the person saw and confirmed.
    """

    plan: str
    digest: str


@dataclass(frozen=True, slots=True)
class LearnFamily:
    """As `rom learn` takes them.

    Args:
        name: of the family.
        places: files of the dumps below the folder of what was sent; they are removed once it has ended.
        names: what the dumps are called, in the same order.
        also_withdrawn, also_doubtful, in_its_place: as `learn_family` takes them.
    """

    name: str
    places: tuple[Path, ...]
    names: tuple[str, ...]
    also_withdrawn: bool
    also_doubtful: bool = False
    in_its_place: bool = False
