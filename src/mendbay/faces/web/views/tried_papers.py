"""Papers that are tried out: drawn page by page as they would be printed, and held for a moment."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from mendbay.core.errors import MendbayError, NoSuchItem
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Blob
from mendbay.faces.web.fields import number
from mendbay.faces.web.lately import Lately
from mendbay.faces.web.preview_pool import gate_of, pool_of
from mendbay.faces.web.visit import Visit
from mendbay.jobs.preview_port import MadePicture

BOOK = Book()
MOST_PAGES = 6
"""Pages of a paper that are drawn; what is tried is seen on the first of them."""
MOST_KEPT = 24

Kept = Lately[tuple[str, int], MadePicture]


@dataclass(frozen=True, slots=True)
class Printed:
    """A paper as it would be printed.

    Args:
        of: names it in the addresses of its pictures.
        pages: number, width and height in pixels of each page that is drawn.
        more: whether there are more pages.
        trouble: why there are no pictures, as a sentence; empty where there are.
    """

    of: str
    pages: tuple[tuple[int, int, int], ...] = ()
    more: bool = False
    trouble: str = ""


def printed(visit: Visit, pdf: bytes) -> Printed:
    """The pages of a paper, drawn where all previews are."""
    of = hashlib.sha256(pdf).hexdigest()[:32]
    pages: list[tuple[int, int, int]] = []
    try:
        with gate_of(visit.desk).through(visit.gone):
            for at in range(1, MOST_PAGES + 1):
                shown = pool_of(visit.desk).page(pdf, at, stop=visit.gone)
                if not isinstance(shown, MadePicture):
                    return Printed(of, tuple(pages), trouble=f"{shown.what.rstrip('.')}. {shown.next_step}")
                _kept(visit).put((of, at), shown)
                pages.append((at, shown.width, shown.height))
                if shown.pictures <= at:
                    return Printed(of, tuple(pages))
    except MendbayError as trouble:  # what it says stands beside as text
        return Printed(of, tuple(pages), trouble=f"{trouble.what} {trouble.next_step}")
    return Printed(of, tuple(pages), more=True)


@BOOK.page(
    "/settings/tried/{of}",
    "tried-picture",
    "A page of a paper that was tried out, as it would be printed.",
    [number("page", "Page", least=1, most=MOST_PAGES, default=1)],
)
def tried_picture(visit: Visit) -> Answer:
    of: str = visit.path["of"]
    found = _kept(visit).get((of, visit.said["page"]))
    if found is None:
        raise NoSuchItem("That paper is not kept any more.", "Try it again.")
    return Blob(found.data, found.mime, lasting=True)


def _kept(visit: Visit) -> Kept:
    found: Kept = visit.desk.keep("tried papers", lambda: Kept(MOST_KEPT))
    return found
