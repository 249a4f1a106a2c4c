"""The wordings of papers and letters: edited as text, beside what they may ask for, and tried out before."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from mendbay.core.errors import MendbayError, NoSuchItem
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Page
from mendbay.faces.web.fields import text
from mendbay.faces.web.views.setting_forms import earlier_words
from mendbay.faces.web.views.tried_papers import Printed, printed
from mendbay.faces.web.visit import Visit
from mendbay.jobs.paper_sample import paper_facts
from mendbay.jobs.shop_settings import PAPERS, keep_text
from mendbay.wiring import own_papers, shop_files

BOOK = Book()
LONGEST = 200_000
"""Characters of a file that is edited here."""
TEXT = text("text", "The wording", required=True, limit=LONGEST)
MESSAGE = "message-"
"""How the names of wordings begin that are sent as text and never printed."""
Made = TypeVar("Made")

PAPER_WORDS = {
    "bill": "Bill",
    "erasure": "Certificate of erasure",
    "hand-over": "Hand-over of things",
    "lessons": "What our cases teach",
    "letter": "Letter: where the job stands",
    "message-fetch": "Message: things to be fetched",
    "message-quote": "Message with a quote",
    "message-ready": "Message: it is ready",
    "message-reminder": "Message: a reminder",
    "message-status": "Message: where the job stands",
    "payment": "Receipt of a payment",
    "quote": "Quote",
    "receipt": "Receipt of what came in",
    "trial": "Sheet to try name and page with",
}
"""What papers are called, by the name of their wording."""


@BOOK.page("/settings/paper/{paper}", "wording", "The wording of a paper or letter, and what it may ask for.")
def wording(visit: Visit) -> Answer:
    return _page(visit)


@BOOK.page("/settings/paper/{paper}/try", "wording-tried", "Leads back to the wording in force.")
def wording_tried(visit: Visit) -> Answer:
    _require_known(visit)
    return visit.go("wording")


@BOOK.change(
    "/settings/paper/{paper}/try",
    "try-wording",
    "Shows what a paper or letter would say of an invented case, and how it is printed; nothing is kept.",
    [TEXT],
)
def try_wording(visit: Visit) -> Answer:
    return _page(visit, visit.said["text"])


@BOOK.change(
    "/settings/paper/{paper}/keep",
    "keep-wording",
    "Keeps a wording if it can be filled; else the old one stays.",
    [TEXT],
)
def keep_wording(visit: Visit) -> Answer:
    name = _require_known(visit)
    papers, files = own_papers(visit.desk.home), shop_files(visit.desk.home)
    with visit.desk.lock:
        visit.require_unchanged("the wording", files.text(PAPERS, name) or "")
        kept = keep_text(files, PAPERS, name, visit.said["text"], lambda said: papers.check(name, said))
    told = f"{paper_words(name)}: the wording is kept, and used from now on.{earlier_words(kept)}"
    return visit.go("settings", told)


@BOOK.change(
    "/settings/paper/{paper}/away",
    "put-wording-away",
    "Puts the shop's wording away, so that ours is used; it stays beside under a number.",
)
def put_wording_away(visit: Visit) -> Answer:
    name, files = _require_known(visit), shop_files(visit.desk.home)
    with visit.desk.lock:
        visit.require_unchanged("the wording", files.text(PAPERS, name) or "")
        earlier = files.put_away(PAPERS, name)
    return visit.go("settings", f"Ours is used. {f'Yours is now {earlier}.' if earlier else ''}".strip())


def paper_words(name: str) -> str:
    """What a paper is called, by the name of its wording."""
    return PAPER_WORDS.get(name, name)


def or_trouble(make: Callable[[], Made]) -> tuple[Made | None, MendbayError | None]:
    """What is made, or why it cannot be: a file that is not sound must not hide the page that mends it."""
    try:
        return make(), None
    except MendbayError as trouble:
        return None, trouble


def _require_known(visit: Visit) -> str:
    """The name of the wording.

    Raises:
        NoSuchItem: there is none of it.
    """
    name: str = visit.path["paper"]
    if name not in own_papers(visit.desk.home).names():
        raise NoSuchItem(f"There is no paper {name[:40]!r}.", "The settings list them.")
    return name


def _page(visit: Visit, tried: str | None = None) -> Answer:
    """
    Args:
        tried: a text to be shown in place of the wording in force, and filled; a trouble with it is raised.
    """
    name = _require_known(visit)
    papers, files = own_papers(visit.desk.home), shop_files(visit.desk.home)
    own = files.text(PAPERS, name)
    trouble = None if own is None or tried is not None else or_trouble(lambda: papers.check(name, own))[1]
    said = tried if tried is not None else papers.begin(name) if own is None else own
    facts: dict[str, Any] = {
        "head": f"Wording: {paper_words(name)}",
        "form": None,
        "prices": None,
        "text_alone": False,
        "holds_now": True,
        "does": "A template: what stands in {{ and }} is put in.",
        "ours": "Our wording is used.",
        "own": own is not None,
        "text": said,
        "now": own or "",
        "trouble": trouble,
        "place": str(files.path_of(PAPERS, name)),
        "keep": visit.url("keep-wording"),
        "keep_name": "keep-wording",
        "away": visit.url("put-wording-away"),
        "guarded": False,
        "locked": False,
        "key_place": "",
        "wording": {
            "facts": papers.facts(name),
            "tried": tried is not None,
            **_sample(visit, name, said, tried),
        },
    }
    return Page("setting.html", facts)


def _sample(visit: Visit, name: str, said: str, tried: str | None) -> dict[str, Any]:
    """What a paper says of an invented case, and one that is tried out as it would be printed; nothing for
    papers of which there is no such case, and for a wording in force that cannot be filled."""
    papers = own_papers(visit.desk.home)
    with visit.bench() as bench:
        facts, _ = or_trouble(lambda: paper_facts(bench, name))
    if tried is None:
        words = None if facts is None else or_trouble(lambda: papers.try_out(name, said, facts))[0]
        return {"sample": words, "printed": None}
    if facts is None:
        papers.check(name, tried)
        return {"sample": None, "printed": None}
    words = papers.try_out(name, tried, facts)
    return {"sample": words, "printed": _printed(visit, name, tried, facts)}


def _printed(visit: Visit, name: str, text: str, facts: dict[str, Any]) -> Printed | None:
    """A paper as it is printed; None for a message, which never is."""
    if name.startswith(MESSAGE):
        return None
    return printed(visit, own_papers(visit.desk.home).try_pdf(name, text, facts))
