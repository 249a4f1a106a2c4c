"""What makes previews, for all pages of this server, and how many are made at once."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from mendbay.faces.web.gate import Gate
from mendbay.jobs.ports import never
from mendbay.wiring import previews

if TYPE_CHECKING:
    from types import TracebackType
    from typing import Self

    from mendbay.core.span import SpanSet
    from mendbay.faces.web.desk import Desk
    from mendbay.jobs.preview_port import MadeDocument, MadePicture, NoPreview, Previews

KEPT, GATE = "previews", "previews-gate"
NO_PICTURE_TYPE = "image/svg+xml"
NO_PICTURE = (
    b'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 320 120" width="320" height="120">'
    b'<rect width="320" height="120" fill="#ddd3c0"/>'
    b'<text x="160" y="64" text-anchor="middle" font-family="sans-serif" font-size="15" fill="#1e2329">'
    b"no preview of this picture</text></svg>"
)
"""Stands where a preview cannot be made."""


class GatedPreviews:
    """Makes previews through the gate.

    Args:
        behind: what makes them.
    """

    def __init__(self, behind: Previews, gate: Gate) -> None:
        self._behind = behind
        self._gate = gate

    def picture(
        self, data: bytes, *, large: bool = False, stop: Callable[[], bool] = never
    ) -> MadePicture | NoPreview:
        with self._gate.through(stop):
            return self._behind.picture(data, large=large, stop=stop)

    def page(self, pdf: bytes, number: int, *, stop: Callable[[], bool] = never) -> MadePicture | NoPreview:
        with self._gate.through(stop):
            return self._behind.page(pdf, number, stop=stop)

    def document(
        self, data: bytes, holes: SpanSet, *, stop: Callable[[], bool] = never
    ) -> MadeDocument | NoPreview:
        with self._gate.through(stop):
            return self._behind.document(data, holes, stop=stop)

    def close(self) -> None:
        self._behind.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def gate_of(desk: Desk) -> Gate:
    """The gate of this server."""
    found: Gate = desk.keep(GATE, Gate)
    return found


def pool_of(desk: Desk) -> Previews:
    """What makes previews in this server, for those who are through the gate already; its processes start
    with the first picture."""
    found: Previews = desk.keep(KEPT, previews)
    return found


def previews_of(desk: Desk) -> Previews:
    """The same, which goes through the gate by itself."""
    return GatedPreviews(pool_of(desk), gate_of(desk))
