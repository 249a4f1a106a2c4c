"""What the tree of files shows: which part of it is asked for, and its rows."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from mendbay.core.clock import iso_from_epoch
from mendbay.core.errors import UsageError
from mendbay.faces.web.fields import Field, flag, line, number, several
from mendbay.files.catalogue import LONGEST_QUERY, Catalogue, Query, Row, View, Window
from mendbay.files.catalogue_rows import FOLDER, Flag
from mendbay.files.tree import Kind
from mendbay.files.verdict import Verdict
from mendbay.files.wanted import MOST_PATTERNS, matcher

if TYPE_CHECKING:
    from mendbay.faces.web.visit import Visit

MOST_ROWS = 200
"""Rows of one answer."""
PLAIN_ROWS = 100
"""Rows of a page without script."""
MOST_OPENED = 2000
OPENED_LIMIT = 12_000
"""Letters in which open folders are told."""
DEEPEST_SHOWN = 12
VERDICTS = {str(one): str(one) for one in Verdict}
FLAGS = (
    (Flag.PROBLEMS, "its description has problems"),
    (Flag.MAY_BE_OLDER, "may be older"),
    (Flag.IN_DOUBT, "in doubt"),
    (Flag.NAMELESS, "no folder leads to it"),
    (Flag.NOT_ASKED, "not all was asked for yet"),
)
DIGITS = "0123456789abcdefghijklmnopqrstuvwxyz"

ASKED: tuple[Field, ...] = (
    line("search", "Search names", limit=LONGEST_QUERY),
    several("verdict", "Only files that are", VERDICTS),
    flag("wanted", "Only what is wanted"),
    flag("all", "All folders open"),
    line("opened", "Open folders", limit=OPENED_LIMIT),
    line("generation", "Listing", limit=40),
    number("first", "From row", default=0, most=1 << 31),
)
"""What an address of the tree may ask; the same for the page and for its rows."""


@dataclass(frozen=True, slots=True)
class Shown:
    """Which part of a tree is seen.

    Args:
        opened: the folders that are open.
        is_search: entries are found, wherever they stand, instead of a tree being shown.
    """

    search: str
    verdicts: tuple[str, ...]
    wanted: bool
    all: bool
    opened: frozenset[int]
    generation: str
    first: int

    @property
    def is_search(self) -> bool:
        """Whether entries are found wherever they stand, instead of the tree being shown."""
        return bool(self.search or self.verdicts or self.wanted)

    def query(self, **other: object) -> dict[str, object]:
        """The same as the query of an address, with some of it otherwise."""
        said: dict[str, object] = {
            "search": self.search,
            "verdict": list(self.verdicts) or "",
            "wanted": "yes" if self.wanted else "",
            "all": "yes" if self.all else "",
            "opened": packed(self.opened),
            "generation": self.generation if self.opened or self.first else "",
            "first": self.first or "",
        }
        return {**said, **other}


def shown_of(visit: Visit, generation: str) -> Shown:
    """What the visit asks to see of a listing; folders of an earlier listing are taken as closed.

    Raises:
        UsageError: too many folders are open, or they are told in another way.
    """
    said = visit.said
    same = said["generation"] in ("", generation)
    return Shown(
        said["search"],
        tuple(sorted(set(said["verdict"]))),
        said["wanted"],
        said["all"],
        unpacked(said["opened"]) if same else frozenset(),
        generation,
        said["first"] or 0,
    )


def packed(opened: Iterable[int]) -> str:
    """Row numbers as one short word: the steps from each to the next, in base 36."""
    found, before = [], 0
    for one in sorted(opened):
        found.append(_base_36(one - before))
        before = one
    return ".".join(found)


def unpacked(text: str) -> frozenset[int]:
    """The row numbers of such a word.

    Raises:
        UsageError: it is none, or tells of too many.
    """
    if not text:
        return frozenset()
    steps = text.split(".")
    if len(steps) > MOST_OPENED:
        raise UsageError(
            f"{len(steps)} folders are open at once.", f"At most {MOST_OPENED} can be: close some of them."
        )
    found, at = [], 0
    for one in steps:
        if (
            not 0 < len(one) < 8
            or not one.isascii()
            or not one.isalnum()
            or not one.islower() | one.isdigit()
        ):
            raise UsageError("The open folders cannot be read.", "Load the page of the files again.")
        at += int(one, 36)
        found.append(at)
    return frozenset(found)


def _base_36(value: int) -> str:
    text = ""
    while value or not text:
        value, digit = divmod(value, 36)
        text = DIGITS[digit] + text
    return text


def usable(wishes: Sequence[str]) -> tuple[str, ...]:
    """The wishes that are patterns; one noted in a case that is none is for no file."""
    found = []
    for wish in wishes[:MOST_PATTERNS]:
        with suppress(UsageError):
            matcher([wish])
            found.append(wish)
    return tuple(found)


def window_of(catalogue: Catalogue, shown: Shown, wishes: Sequence[str], count: int) -> Window:
    """The rows that are asked for.

    Raises:
        UsageError: more is searched for than can be.
    """
    if shown.is_search:
        query = Query(
            shown.search,
            frozenset(Verdict(one) for one in shown.verdicts),
            wanted=tuple(wishes) if shown.wanted else None,
        )
        return catalogue.found_window(query, shown.first, count)
    view = View(everything=frozenset({0})) if shown.all else View(shown.opened)
    return catalogue.window(view, shown.first, count)


def rows_of(
    visit: Visit, catalogue: Catalogue, shown: Shown, window: Window, wishes: Sequence[str]
) -> list[dict[str, Any]]:
    """The rows of a window as facts for a template."""
    wanted = catalogue.are_wanted([one.number for one in window.rows], wishes)
    return [
        _row_facts(visit, catalogue, shown, window, at, one, wanted[at]) for at, one in enumerate(window.rows)
    ]


def _row_facts(
    visit: Visit, catalogue: Catalogue, shown: Shown, window: Window, at: int, one: Row, is_wanted: bool
) -> dict[str, Any]:
    is_folder = one.kind is Kind.FOLDER
    place, of = (window.first + at + 1, window.total) if shown.is_search else catalogue.standing(one.number)
    is_gathered = bool(one.flags & Flag.GATHERED)
    return {
        "index": window.first + at,
        "number": one.number,
        "name": one.name,
        "is_folder": is_folder,
        "kind": str(one.kind),
        "is_gathered": is_gathered,
        "level": 1 if shown.is_search else one.depth,
        "indent": 0 if shown.is_search else min(one.depth - 1, DEEPEST_SHOWN),
        "place": place,
        "of": of,
        "folder": folder_of(catalogue, one.number) if shown.is_search else b"",
        "size": one.sums.total_bytes if one.sums is not None else one.size_bytes,
        "changed": (iso_from_epoch(one.changed_at) or "")[:10] if one.changed_at else "",
        "verdict": "" if one.verdict is None else str(one.verdict),
        "missing": one.sums.missing_bytes if one.sums is not None else one.missing_bytes,
        "sums": {} if one.sums is None else {str(word): n for word, n in one.sums.files.items() if n},
        "flags": [words for each, words in FLAGS if one.flags & each and not is_gathered],
        "is_open": one.is_open and not shown.is_search,
        "children": one.children,
        "is_wanted": is_wanted,
        "url": _row_url(visit, catalogue, shown, one, is_folder),
    }


def folder_of(catalogue: Catalogue, number_: int) -> bytes:
    """The raw path of the folder that a row stands in."""
    return catalogue.path(number_).rpartition(b"/")[0]


def _row_url(visit: Visit, catalogue: Catalogue, shown: Shown, one: Row, is_folder: bool) -> str:
    """Where its name leads: a file to its own page, a folder to the tree with it open or closed."""
    if not is_folder:
        return visit.url("file", {"number": one.number, "generation": shown.generation})
    if shown.is_search:  # where it stands in the tree
        opened = frozenset(catalogue.above(one.number)[1:]) | {one.number}
        return visit.url("files", {"opened": packed(opened), "generation": shown.generation})
    opened = shown.opened - {one.number} if one.is_open else shown.opened | {one.number}
    query = shown.query(opened=packed(opened), generation=shown.generation, all="")
    return visit.url("files", query)


def is_folder_row(catalogue: Catalogue, number_: int) -> bool:
    """Whether a row is a folder."""
    return int(catalogue.columns.kind[number_]) == FOLDER
