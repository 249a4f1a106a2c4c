"""What a view may answer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Page:
    """A page to be drawn.

    Args:
        template: its file below `templates/`.
        facts: what the template is given.
        status: of the answer.
    """

    template: str
    facts: Mapping[str, Any]
    status: int = 200


@dataclass(frozen=True, slots=True)
class Go:
    """Leads to another page of the bench.

    Args:
        notice: a sentence that the page shows once.
        clears: the browser is to drop what it keeps of this server's pictures and pages: something is gone
            for good.
    """

    url: str
    notice: str = ""
    clears: bool = False


@dataclass(frozen=True, slots=True)
class Blob:
    """Bytes made by the server: a picture, a paper.

    Args:
        file_name: to be kept under, as an attachment; empty to show it, for what Mendbay made itself.
        lasting: the same address always gives the same bytes.
    """

    data: bytes
    media_type: str
    file_name: str = ""
    lasting: bool = False


@dataclass(frozen=True, slots=True)
class Unchanged:
    """Nothing is new: the part of a page that asked stays as it is, and so does what is focused in it."""


Answer = Page | Go | Blob | Unchanged
