"""Pictures that arrive, from the bench's own page or a telephone, go to the jobs that keep and read them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from starlette.datastructures import UploadFile

from mendbay.board.sighting import PICTURE_BYTES as READ_BYTES
from mendbay.core.quantity import counted
from mendbay.faces.web.picture_reading import picture_reading
from mendbay.faces.web.uploads import take_uploads, uploaded
from mendbay.jobs import case_pictures, picture_files
from mendbay.wiring import open_bench

if TYPE_CHECKING:
    from mendbay.faces.web.desk import Desk


def take_pictures(desk: Desk, case: int, bay: str, who: str, sent: Sequence[UploadFile], of: str = "") -> str:
    """Keeps pictures of a case as a whole, or has those of a bay read in the background.

    Args:
        of: what pictures of the whole case show.

    Returns:
        A sentence of what was done.

    Raises:
        NoSuchCase: there is no such case or bay.
        UsageError: one is no picture, empty or too large; nothing is kept.
        NoRoom, DestinationError: one cannot be kept.
    """
    if bay:
        with open_bench(desk.home) as bench:
            bench.ledger.bay(case, bay)
        taken = take_uploads(desk.home, sent, READ_BYTES, _can_be_read, picture_files.NO_PICTURE)
        picture_reading(desk).put(case, bay, who, taken)
        return f"{counted(len(sent), 'picture')} of bay {bay} arrived and will be read."
    with (
        uploaded(
            desk.home, sent, case_pictures.PICTURE_BYTES, picture_files.is_picture, case_pictures.NO_PICTURE
        ) as files,
        open_bench(desk.home) as bench,
    ):
        mine = replace(bench, who=who) if who else bench
        there = {one.kept.sha256 for one in case_pictures.case_pictures(mine, case)}
        made, _ = case_pictures.keep_pictures(mine, case, files.paths, of, files.names)
    new = [one for one in made if one.kept.sha256 not in there]
    return " ".join(_kept_words(len(new), len(made) - len(new), case))


def _kept_words(new: int, again: int, case: int) -> Iterator[str]:
    if new:
        yield f"{counted(new, 'picture')} kept with case {case}."
    if again == 1:
        yield f"{'One more' if new else 'This picture'} is kept with case {case} already."
    elif again:
        yield f"{again} {'more' if new else 'pictures'} are kept with case {case} already."


def _can_be_read(beginning: bytes) -> bool:
    return picture_files.ending_of(beginning) in picture_files.ENDINGS
