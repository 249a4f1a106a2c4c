"""What makes previews of pictures, for all pages of this server."""

from __future__ import annotations

from typing import TYPE_CHECKING

from mendbay.wiring import previews

if TYPE_CHECKING:
    from mendbay.faces.web.desk import Desk
    from mendbay.jobs.preview_port import Previews

KEPT = "previews"
NO_PICTURE_TYPE = "image/svg+xml"
NO_PICTURE = (
    b'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 320 120" width="320" height="120">'
    b'<rect width="320" height="120" fill="#ddd3c0"/>'
    b'<text x="160" y="64" text-anchor="middle" font-family="sans-serif" font-size="15" fill="#1e2329">'
    b"no preview of this picture</text></svg>"
)
"""Stands where a preview cannot be made."""


def previews_of(desk: Desk) -> Previews:
    """The one of this server; its processes start with the first picture."""
    found: Previews = desk.keep(KEPT, previews)
    return found
