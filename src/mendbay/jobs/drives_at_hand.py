"""Which drives are plugged into this machine, which of them may be read, and whose they seem to be."""

from __future__ import annotations

from dataclasses import dataclass

from mendbay.case.records import Bay
from mendbay.core.serials import same_serial
from mendbay.jobs.bench import Bench
from mendbay.jobs.ports import DriveAtHand
from mendbay.jobs.remembered import remembered


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


def drives_at_hand(bench: Bench, case: int | None = None) -> tuple[Offered, ...]:
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
    return tuple(
        Offered(
            one,
            _against(one),
            next((bay.bay for bay in bays if same_serial(bay.serial, one.serial)), ""),
        )
        for one in bench.drives.at_hand()
    )


def _against(drive: DriveAtHand) -> str:
    if drive.uses:
        return f"It is in use: {'; '.join(drive.uses)}."
    if not drive.size_bytes:
        return "It says that it holds nothing: no medium is in it, or its power wants to be cut and restored."
    return ""
