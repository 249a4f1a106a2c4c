"""Why a read was not given: the few classes that a technician acts on differently.

Names of errors are those of Linux for block devices: `blk_errors` in block/blk-core.c, which gives every
block status one errno (from memory, kernel 6.x). `EIO` is the kernel's answer where it knows nothing closer,
so it is not taken for a bad medium. Nor is `EREMOTEIO` (BLK_STS_TARGET) taken for a fault of the drive: a
place that it cannot find ends so as well. What each can mean: `docs/decisions/0095-reading-a-dying-drive.md`.
"""

from __future__ import annotations

from enum import StrEnum
from functools import lru_cache

from mendbay.imaging.attempt import Attempt, Outcome


class Trouble(StrEnum):
    """The class of an error."""

    MEDIA = "media"
    """The drive found the place and could not read it: asking again, or another day, may help."""
    LINK = "link"
    """The way between drive and machine failed: cable, adapter, supply."""
    ADDRESS = "address"
    """The drive cannot find the place, or knows no such place."""
    DRIVE_FAULT = "drive fault"
    """The drive reports a fault of its own, whatever place is asked for."""
    HANG = "hang"
    """No answer in time."""
    GONE = "gone"
    """No drive any more."""
    UNKNOWN = "unknown"
    """Nothing says which."""


_OF_ERRNO = {
    "ENODATA": Trouble.MEDIA,  # BLK_STS_MEDIUM
    "ENOLINK": Trouble.LINK,  # BLK_STS_TRANSPORT
    "ETIMEDOUT": Trouble.HANG,  # BLK_STS_TIMEOUT
    "ETIME": Trouble.HANG,  # BLK_STS_DURATION_LIMIT
    "ENODEV": Trouble.GONE,  # BLK_STS_OFFLINE
    "ENXIO": Trouble.GONE,  # the device node without its device
    "ENOMEDIUM": Trouble.GONE,
}


_CLASSES = frozenset(Trouble)


def of_errno(name: str) -> Trouble:
    """The class that the system's name of an error (`ENODATA`) says; `UNKNOWN` if it says none."""
    return _OF_ERRNO.get(name, Trouble.UNKNOWN)


@lru_cache(maxsize=256)
def trouble_of(outcome: str, error: str, told: str = "") -> Trouble | None:
    """The class of a read's error; None for one that was given or left on purpose.

    Args:
        outcome: how the read ended, a value of `Outcome`.
        error: the system's name of the error.
        told: the class as whoever read knows it, for instance from the drive's own sense data; it counts
            before what outcome and error say.
    """
    if outcome not in (Outcome.REFUSED, Outcome.HUNG, Outcome.VANISHED):
        return None
    if told:
        return Trouble(told) if told in _CLASSES else Trouble.UNKNOWN
    if error == "vanished":
        return Trouble.GONE
    closer = of_errno(error)
    if closer is not Trouble.UNKNOWN:
        return closer
    return {Outcome.HUNG: Trouble.HANG, Outcome.VANISHED: Trouble.GONE}.get(Outcome(outcome), closer)


def trouble_in(attempt: Attempt) -> Trouble | None:
    """The class of an attempt's error; None if it was given."""
    return trouble_of(attempt.outcome, attempt.error, attempt.trouble)
