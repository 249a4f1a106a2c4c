"""The files of a case: a tree of any number of them, with verdicts, and what is wanted first."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from mendbay.core.errors import MendbayError, NoSuchCase, UsageError
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Page
from mendbay.faces.web.card import card_of
from mendbay.faces.web.case_works import ask_to_stop, order_work, readings_now, shown_works
from mendbay.faces.web.fields import line, number, several
from mendbay.faces.web.files_shown import (
    ASKED,
    MOST_ROWS,
    PLAIN_ROWS,
    VERDICTS,
    Shown,
    is_folder_row,
    rows_of,
    shown_of,
    usable,
    window_of,
)
from mendbay.faces.web.hand_back_shown import Cut
from mendbay.faces.web.open_catalogues import catalogue_for, require_catalogue
from mendbay.faces.web.visit import Visit
from mendbay.files.wanted import pattern_of
from mendbay.jobs.authority import concern
from mendbay.jobs.catalogue_files import read_since
from mendbay.jobs.pick_wanted import add_wishes, drop_wish
from mendbay.jobs.work_port import WorkKind

if TYPE_CHECKING:
    from mendbay.case.records import Case
    from mendbay.jobs.bench import Bench
    from mendbay.jobs.catalogue_port import KeptCatalogue

BOOK = Book()
HIDDEN_SHOWN = 10
WISHES_SHOWN = 20
"""Wishes on the page of the files, the newest; all of them have a page of their own."""
WISHES_OF_A_PAGE = 200
WISH_LIMIT = 4096
COUNT = number("count", "Rows", least=1, most=MOST_ROWS, default=PLAIN_ROWS)


@BOOK.page("/case/{case:int}/files", "files", "The files of a case as a tree, with verdicts.", ASKED)
def files(visit: Visit) -> Answer:
    with visit.bench() as bench:
        card = card_of(visit, bench, visit.path["case"])
        kept = catalogue_for(visit, bench)
        facts: dict[str, Any] = {
            "card": card,
            "kept": kept,
            **_wishes(card.case, 0, WISHES_SHOWN),
            "concern": concern(bench, card.case.number),
            "images": _has_images(bench, card.case),
            "since": None if kept is None else _since(bench, card.case, kept),
        }
    facts |= {
        "listing": next(iter(shown_works(visit, (WorkKind.CATALOGUE,), 1)), None),
        "readings": readings_now(visit),
        "verdict_words": list(VERDICTS),
        "told": [one.text for one in visit.told if hasattr(one, "text")],
        "most_hidden": HIDDEN_SHOWN,
    }
    if kept is not None:
        facts |= _tree(visit, kept, usable(card.case.wanted), PLAIN_ROWS)
    return Page("files.html", facts)


@BOOK.page(
    "/case/{case:int}/files/rows",
    "files-rows",
    "Some rows of the tree of files, as a piece of its page.",
    (*ASKED, COUNT),
)
def rows(visit: Visit) -> Answer:
    with visit.bench() as bench:
        kept = require_catalogue(visit, bench, visit.said["generation"])
        wishes = usable(bench.ledger.case(visit.path["case"]).wanted)
    return Page("files_rows.html", _tree(visit, kept, wishes, visit.said["count"]))


def _tree(visit: Visit, kept: KeptCatalogue, wishes: tuple[str, ...], count: int) -> dict[str, Any]:
    shown = shown_of(visit, kept.generation)
    window = window_of(kept.catalogue, shown, wishes, count)
    return {
        "shown": shown,
        "window": window,
        "rows": rows_of(visit, kept.catalogue, shown, window, wishes),
        "pages": _pages(visit, shown, window.first, window.total, count),
    }


def _pages(visit: Visit, shown: Shown, first: int, total: int, count: int) -> dict[str, str]:
    """Links to the rows before and behind; empty where there are none."""

    def link(at: int) -> str:
        return visit.url("files", shown.query(first=at or "", generation=shown.generation))

    return {
        "earlier": link(max(0, first - count)) if first else "",
        "later": link(first + count) if first + count < total else "",
        "last": link((total - 1) // count * count) if first + count < total else "",
    }


def _has_images(bench: Bench, case: Case) -> bool:
    return any(bench.images.exists(case, one.bay) for one in bench.ledger.bays(case.number))


def _since(bench: Bench, case: Case, kept: KeptCatalogue) -> int | None:
    """How many bytes were read since the files were listed; None where that cannot be told now."""
    try:
        return read_since(bench, case, kept.facts)
    except MendbayError:
        return None


@BOOK.change("/case/{case:int}/files/list", "files-list", "Lists the files of a case, or lists them again.")
def list_files(visit: Visit) -> Answer:
    with visit.bench() as bench:
        case = bench.ledger.case(visit.path["case"])
        if not _has_images(bench, case):
            raise NoSuchCase(
                f"Case {case.number} has no image of a drive yet.",
                "Read its drives first, on the page of the drives.",
            )
        order_work(visit, bench, WorkKind.CATALOGUE, {})
    return visit.go("files", "The files are being listed; this page shows how far that is.")


@BOOK.change(
    "/case/{case:int}/files/stop",
    "files-stop",
    "Stops a listing of files; the earlier one stays.",
    [line("work", "Work", required=True)],
)
def stop(visit: Visit) -> Answer:
    ask_to_stop(visit, visit.said["work"], WorkKind.CATALOGUE)
    return visit.go("files", "It is told to stop; what was listed before stays.")


# ---------------------------------------------------------------------- what is wanted


def _wishes(case: Case, first: int, most: int) -> dict[str, object]:
    """Some of what is wanted first, the newest first."""
    wishes = Cut(tuple(reversed(case.wanted))[first:][:most], first, len(case.wanted))
    return {"wishes": wishes, "step": most}


@BOOK.page(
    "/case/{case:int}/files/wishes",
    "files-wishes",
    "All that is wanted first in a case.",
    [number("first", "From place", default=0, most=1 << 31)],
)
def all_wishes(visit: Visit) -> Answer:
    with visit.bench() as bench:
        card = card_of(visit, bench, visit.path["case"])
    facts = _wishes(card.case, visit.said["first"], WISHES_OF_A_PAGE)
    return Page("files_wishes.html", {"card": card, **facts})


@BOOK.change(
    "/case/{case:int}/files/pick",
    "files-pick",
    "Puts files or folders among what the customer wants first.",
    [
        several("pick", "Files and folders", required=True, limit=MOST_ROWS),
        line("generation", "Listing", required=True, limit=40),
    ],
)
def pick(visit: Visit) -> Answer:
    with visit.bench() as bench:
        kept = require_catalogue(visit, bench, visit.said["generation"])
        patterns = [_pattern(kept, one) for one in visit.said["pick"]]
        added = add_wishes(bench, visit.path["case"], patterns)
    words = f"Wanted first from now on: {', '.join(added)}" if added else "All of it is wanted already."
    return visit.go("files", words if len(words) < 300 else f"{len(added)} wishes were added.")


def _pattern(kept: KeptCatalogue, said: str) -> str:
    if not (said.isascii() and said.isdigit() and len(said) < 11 and int(said) < len(kept.catalogue)):
        raise UsageError(f"There is no row {said[:20]!r}.", "Load the page of the files again.")
    row = int(said)
    return pattern_of(kept.catalogue.path(row), is_folder=is_folder_row(kept.catalogue, row))


@BOOK.change(
    "/case/{case:int}/files/wish",
    "files-wish",
    "Puts a pattern among what the customer wants first.",
    [line("pattern", "A pattern, like *.xlsx or photos/*", required=True)],
)
def wish(visit: Visit) -> Answer:
    with visit.bench() as bench:
        said = [one.strip() for one in visit.said["pattern"].split(",") if one.strip()]
        added = add_wishes(bench, visit.path["case"], said)
    return visit.go(
        "files", f"Wanted first from now on: {', '.join(added)}" if added else "It was wanted already."
    )


@BOOK.change(
    "/case/{case:int}/files/unwish",
    "files-unwish",
    "Takes one wish back.",
    [line("pattern", "Wish", required=True, limit=WISH_LIMIT)],
)
def unwish(visit: Visit) -> Answer:
    with visit.bench() as bench:
        drop_wish(bench, visit.path["case"], visit.said["pattern"])
        left = len(bench.ledger.case(visit.path["case"]).wanted)
    page = "files" if left < WISHES_SHOWN else "files-wishes"
    return visit.go(page, f"No longer wanted first: {visit.said['pattern']}")
