"""What was sent for works: whose files are still needed, and what a work that was killed has left."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from mendbay.core.errors import MendbayError
from mendbay.faces.web import upload_folder
from mendbay.jobs.work_options import ReadPictures, options_of
from mendbay.jobs.work_options_office import LearnFamily
from mendbay.jobs.work_port import WorkKind, WorkOrder, Works
from mendbay.wiring import home_folder

KINDS = (WorkKind.LEARN_FAMILY, WorkKind.READ_PICTURES)


def needed_and_left(home: Path | None, shelf: Works) -> tuple[frozenset[str], frozenset[str]]:
    """Names of folders of what was sent: those that living works need, and those of works that ended.

    A work removes what was sent for it itself, but for one that was killed. It is ordered again with dumps or
    pictures sent anew, so nobody needs the old ones.
    """
    needed: set[str] = set()
    left: set[str] = set()
    for order in shelf.orders():
        with suppress(MendbayError):  # damaged, or tidied away meanwhile
            if order.kind in KINDS:
                (needed if shelf.is_alive(order.id) else left).update(_folders(home, order))
    return frozenset(needed), frozenset(left - needed)


def _folders(home: Path | None, order: WorkOrder) -> set[str]:
    options = options_of(order)
    if not isinstance(options, LearnFamily | ReadPictures):
        return set()
    top = (home_folder(home) / upload_folder.NAME).resolve()
    return {place.parent.name for place in options.places if place.parent.parent.resolve() == top}
