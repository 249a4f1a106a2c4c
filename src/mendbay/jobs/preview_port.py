"""What makes previews of pictures, as a protocol. Wiring hands in what fulfils it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType
from typing import Protocol, Self

from mendbay.jobs.ports import never

PICTURE_BYTES = 64 << 20
"""The largest file of which a preview is made."""
PDF_BYTES = 8 << 20
"""The largest PDF of which pages are shown."""
THUMBNAIL_SIDE = 320
LARGE_SIDE = 1600


@dataclass(frozen=True, slots=True)
class MadePicture:
    """A picture made anew from what a file shows: nothing of the file's own bytes is in it.

    Args:
        data: a JPEG or PNG file, as `mime` says.
        width, height: in pixels.
        of_width, of_height: of the picture in the file, as it is shown.
        is_partial: whether the file broke off or was damaged, so that a part of it may be grey or wrong.
            That it is not does not prove the file whole.
        pictures: how many the file holds, where it says so; the first is shown.
    """

    data: bytes
    mime: str
    width: int
    height: int
    of_width: int
    of_height: int
    is_partial: bool = False
    pictures: int = 1


@dataclass(frozen=True, slots=True)
class NoPreview:
    """Why there is no preview, and what to do; each a sentence.

    `again` says that another try may give one: nothing is known against the file itself. `beyond` says that
    there is no such page, while the first can be drawn.
    """

    what: str
    next_step: str = ""
    again: bool = False
    beyond: bool = False


class Previews(Protocol):
    """Makes small pictures of pictures; may be asked from several threads at once."""

    def picture(
        self, data: bytes, *, large: bool = False, stop: Callable[[], bool] = never
    ) -> MadePicture | NoPreview:
        """A picture of at most `LARGE_SIDE` or `THUMBNAIL_SIDE` pixels on its longer side, upright, from the
        bytes of a picture's file, or why there is none. Nothing a file holds makes this raise.

        Args:
            stop: whether nobody waits for it any more.

        Raises:
            ToolMissing: the libraries for pictures are not installed, or their process does not start.
        """
        ...

    def page(self, pdf: bytes, number: int, *, stop: Callable[[], bool] = never) -> MadePicture | NoPreview:
        """A page of a PDF (the first is 1) as a picture of at most `LARGE_SIDE` pixels, or why there is none.
        `pictures` of it is above the number where more pages come.

        Raises:
            ToolMissing: as `picture`.
        """
        ...

    def close(self) -> None: ...

    def __enter__(self) -> Self: ...

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...
