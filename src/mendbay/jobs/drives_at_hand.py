"""Which drives are plugged into this machine, which of them may be read, and whose they seem to be."""

from __future__ import annotations

from dataclasses import dataclass

from mendbay.case.records import Bay
from mendbay.core.quantity import count_text
from mendbay.core.serials import same_serial
from mendbay.jobs.bench import Bench
from mendbay.jobs.ports import DriveAtHand
from mendbay.jobs.remembered import remembered

MOST_SHOWN = 64
"""Drives that are listed; a machine with many files for drives sees hundreds."""


@dataclass(frozen=True, slots=True)
class Offered:
    """A drive at hand as it is offered to be read.

    Args:
        against: why it cannot be read now, as a sentence; empty where nothing is known to speak against it.
        bay: of the case, whose serial number it says; empty for none.
    """

    drive: DriveAtHand
    against: str = ""
    bay: str = ""


@dataclass(frozen=True, slots=True)
class AtHand:
    """The drives of this machine.

    Args:
        offered: at most `MOST_SHOWN`, by their names.
        more: how many are left out: of those in use, then of those that are of no bay.
    """

    offered: tuple[Offered, ...]
    more: int = 0


def drives_at_hand(bench: Bench, case: int | None = None) -> AtHand:
    """The drives that are plugged into this machine. No device is opened, and none is asked anything.

    Args:
        case: whose bays they are held against; None for no case.

    Raises:
        NoSuchCase, CaseForgotten: there is no such case any more.
    """
    bays: tuple[Bay, ...] = ()
    if case is not None:
        remembered(bench, case)
        bays = bench.ledger.bays(case)
    found = [
        Offered(
            one,
            _against(one),
            next((bay.bay for bay in bays if same_serial(bay.serial, one.serial)), ""),
        )
        for one in bench.drives.at_hand()
    ]
    first = sorted(range(len(found)), key=lambda at: (not found[at].bay, bool(found[at].against)))
    shown = sorted(first[:MOST_SHOWN])
    return AtHand(tuple(found[at] for at in shown), len(found) - len(shown))


def more_words(more: int) -> str:
    """How many drives are left out of the list, as a sentence; empty for none."""
    if not more:
        return ""
    are = "drive is" if more == 1 else "drives are"
    return f"{count_text(more)} more {are} plugged in and not listed; any can be named by its place."


def _against(drive: DriveAtHand) -> str:
    if drive.uses:
        return f"It is in use: {'; '.join(drive.uses)}."
    if not drive.size_bytes:
        return "It says that it holds nothing: no medium is in it, or its power wants to be cut and restored."
    return ""
