"""What browsers sent for a work: it lies in a folder of its own below `uploads/` until nobody needs it."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from mendbay.jobs.work_options_office import SENT


def is_sent(home: Path, place: Path) -> bool:
    """Whether a file lies where what browsers sent lies."""
    return place.parent.parent.resolve() == (home / SENT).resolve() and place.name not in ("", ".", "..")


def remove_sent(home: Path, places: Iterable[Path]) -> None:
    """Removes those that were sent, and their folders; others stay."""
    there = [one for one in places if is_sent(home, one)]
    for one in there:
        with suppress(OSError):
            one.unlink()
    for folder in {one.parent for one in there}:
        with suppress(OSError):
            folder.rmdir()
