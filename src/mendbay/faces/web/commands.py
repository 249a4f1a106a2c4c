"""Where in the browser a command of the command line is found, so that what a message tells to type becomes
a link."""

from __future__ import annotations

import re
import shlex
from collections.abc import Callable

from jinja2 import pass_context
from jinja2.runtime import Context
from markupsafe import Markup, escape

from mendbay.case.authority import Authority, Whose, concern_about
from mendbay.faces.plain_text import without_controls
from mendbay.faces.web.addresses import Address, Book
from mendbay.faces.web.option_phrases import for_a_form
from mendbay.faces.web.option_words import in_words_of_the_page

NEVER = "0001-01-01T00:00:00Z"
CASE_PAGES = {
    "case": {
        "show": ("record", "the case's story"),
        "bay": ("take-in", "take-in"),
        "take-in": ("take-in", "take-in"),
        "form": ("take-in", "take-in"),
        "tell": ("take-in", "take-in"),
        "untell": ("take-in", "take-in"),
        "consent": ("take-in", "take-in"),
        "authority": ("take-in", "take-in"),
        "picture": ("pictures", "the page of the pictures"),
        "items": ("things", "the page of the things"),
        "item-add": ("things", "the page of the things"),
        "item-change": ("things", "the page of the things"),
        "item-move": ("things", "the page of the things"),
        "item-withdraw": ("things", "the page of the things"),
        "labels": ("things", "the page of the things"),
        "receive": ("things", "the page of the things"),
        "release": ("things", "the page of the things"),
        "hand-over": ("things", "the page of the things"),
        "hand-overs": ("things", "the page of the things"),
        "signed": ("things", "the page of the things"),
        "call-off": ("things", "the page of the things"),
        "receipt": ("hand-back", "the page of the hand-back"),
        "quote": ("money", "the page of quotes and bills"),
        "quotes": ("money", "the page of quotes and bills"),
        "accept": ("money", "the page of quotes and bills"),
        "bill": ("money", "the page of quotes and bills"),
        "pay": ("money", "the page of quotes and bills"),
        "unpay": ("money", "the page of quotes and bills"),
        "payments": ("money", "the page of quotes and bills"),
        "wait": ("case", "the page of the case"),
        "go-on": ("case", "the page of the case"),
        "in-hand": ("case", "the page of the case"),
        "due": ("case", "“Set the day” on the page of the case"),
        "fetch": ("things", "the page of the things"),
        "letter": ("letters", "the page of the letters"),
        "message": ("letters", "the page of the letters"),
        "custody": ("record", "the case's story"),
        "close": ("closing", "the page of closing"),
        "reopen": ("closing", "the page of closing"),
        "keep": ("closing", "the page of closing"),
        "erase-plan": ("erasing", "the page of the copies"),
        "erase": ("erasing", "the page of the copies"),
        "erasure": ("closing", "the page of closing"),
        "export": ("closing", "the page of closing"),
        "forget": ("forgetting", "the page of forgetting"),
    },
    "triage": dict.fromkeys(
        ("show", "signs", "tell", "untell", "tried", "about", "why", "what-if", "step"), ("triage", "triage")
    ),
    "board": {
        **dict.fromkeys(
            ("pictures", "show", "correct", "uncorrect", "withdraw"), ("pictures", "the page of the pictures")
        ),
        **dict.fromkeys(("sheet", "measure", "skip", "override", "step"), ("board", "the board")),
    },
    "donor": {
        "find": ("board-donors", "the page of the donors"),
        "used": ("board-donors", "the page of the donors"),
    },
    "rom": {
        **dict.fromkeys(
            ("check", "judge", "keep", "read", "show", "withdraw"), ("board-rom", "the page of the ROM")
        ),
        **dict.fromkeys(
            ("abandon", "certificate", "plan", "restore", "steps", "write"),
            ("board-transfer", "the page of the transfer"),
        ),
    },
    "drive": dict.fromkeys(
        ("blend", "compare", "facts", "read", "refused", "set-aside", "show", "verify"),
        ("drives", "the page of the drives"),
    ),
    "pair": {"look": ("pair", "the page of the pair"), "read": ("drives", "the page of the drives")},
    "files": {"list": ("files", "the page of the files"), "show": ("files", "the page of the files")},
    "handback": {
        "make": ("hand-back", "the page of the hand-back"),
        "check": ("hand-back", "the check of a copy"),
    },
}
"""By noun and verb of a command that names a case: the page, and what links call it: words for one thing, so
that a sentence reads on behind them as it does behind a command."""
BY_BAY = ("board", "rom", "donor")
"""Nouns whose commands name a bay behind the case."""
SHOP_PAGES = {
    ("case", "today"): ("today", "the page of today"),
    ("case", "waiting"): ("today", "the page of today"),
    ("case", "list"): ("cases", "the page of the cases"),
    ("case", "open"): ("cases", "the page of the cases"),
    ("case", "find"): ("cases", "the page of the cases"),
    ("case", "keeping"): ("kept-copies", "the list of the copies that are kept"),
    ("bench", "lessons"): ("lessons", "the page of the lessons"),
    ("bench", "reckon"): ("reckon", "the page of reckoning"),
    ("bench", "prices"): ("settings", "the page of the settings"),
    ("bench", "papers"): ("settings", "the page of the settings"),
    ("board", "lessons"): ("misread", "the page of misread characters"),
    ("board", "families"): ("families", "the page of the families"),
    ("board", "family"): ("families", "the page of the families"),
    ("triage", "tables"): ("triage-numbers", "the page of triage's numbers"),
    ("rom", "families"): ("families", "the page of the families"),
    ("rom", "learn"): ("families", "the page of the families"),
    ("rom", "unlearn"): ("families", "the page of the families"),
    **{
        ("donor", verb): ("stock", "the stock")
        for verb in (
            "add",
            "list",
            "show",
            "change",
            "free",
            "import",
            "export",
            "labels",
            "remove",
            "reserve",
        )
    },
    ("donor", "withdraw"): ("stock", "the stock"),
    **{
        ("donor", verb): ("stand-ins", "the list of what can stand for what")
        for verb in ("accept", "accepted", "unaccept")
    },
}
"""The same for commands of the whole shop."""
_WORD = r"""(?:'[^'\n]*'|"[^"\n]*"|[^\s,;]+)"""
_TYPED = r"(?:patient|donor|new|customer|part|machine|here|away|used|destroyed)\b"
"""Words that are part of a command though they look like the sentence going on."""
_GOES_ON = rf"(?!{_TYPED})[a-z]+(?:[ .,;]|$)"
"""A word of the sentence behind a command rather than one of its own: `mendbay triage show 1 lists them`."""
_COMMAND = re.compile(
    r"`?\bmendbay (?P<noun>[a-z]+) (?P<verb>[a-z-]+)"
    r"(?P<rest>(?: (?:\d+(?:[-.]\d+)?\b(?!=)|--(?:to|how|by) [a-z]+\b|--bays \d+(?:,\d+)*|--[a-z][a-z0-9-]*|"
    r"""[A-Z](?:[A-Z_|=./-]*[A-Z])?(?:\.[a-z]{2,4})?(?![a-z])|"[A-Z]+"|\.\.\.(?= --)|"""
    r"(?<=[a-z] )(?:yes, no or ask|yes|no|ask)(?=[ .,;]|$)|"
    rf"(?<=[A-Z] ){_TYPED}|(?<=\d )(?!{_GOES_ON})[0-9A-Za-z_*./=-]+(?=[ .,;]|$)|(?<=--bay ){_WORD}|"
    rf"(?<=rom learn )(?!NAME){_WORD}))*)`?"
)

_ENDS = re.compile(r"[.;,)]|\s*$")
"""What follows a command with which its sentence, or a part of it, ends."""


CONCERNS = frozenset(
    concern_about(one)
    for one in (
        None,
        Authority(Whose.UNCLEAR, False, "", "", NEVER, ""),
        Authority(Whose.OTHER, False, "", "", NEVER, ""),
    )
)
"""What is said of a right to the data that is not clear, wherever it is said: the form for it is one page."""
WHOSE_DATA = "whose-data"
"""The place of that form on the page of take-in."""


def page_of(book: Book, command: str, case: int | None = None) -> tuple[str, str] | None:
    """The page for a command and what it is called.

    Args:
        command: noun, verb and what follows, as it would be typed after `mendbay`.
        case: which is meant where it names none.
    """
    try:
        words = shlex.split(command)
    except ValueError:
        words = command.split()
    if len(words) < 2:
        return None
    noun, verb, rest = words[0], words[1], words[2:]
    if (noun, verb) == ("donor", "used"):
        rest = rest[1:]  # the item
    at = next((at for at, one in enumerate(rest) if one.isascii() and one.isdigit() and len(one) < 12), None)
    found = CASE_PAGES.get(noun, {}).get(verb)
    if found is not None and at is None and case is not None:
        at, rest = 0, [str(case)]
    if found is not None and at is not None and found[0] in book.addresses:
        address, after = book.addresses[found[0]], rest[at + 1 : at + 2]
        by_bay = noun in BY_BAY and any(one.name == "bay" for one in address.fields)
        named = [one for one in after if by_bay and not one.startswith("-") and one != "BAY"]
        return book.url(found[0], {"bay": named[0]} if named else {}, case=rest[at]), found[1]
    shop = SHOP_PAGES.get((noun, verb))
    if shop is not None and shop[0] in book.addresses:
        return book.url(shop[0]), shop[1]
    return None


def linked(book: Book) -> Callable[[object], Markup]:
    """A sentence in which commands of the command line are links to their pages, and options are called as
    fields are."""
    return lambda text: _linked(book, text, None, None)


def told_on(book: Book) -> Callable[[Context, object], Markup]:
    """The same as a filter for templates, which knows the page: its case is meant where a command names none,
    and its own fields are meant first."""

    @pass_context
    def told(context: Context, text: object) -> Markup:
        visit = context.get("visit")
        case = visit.path.get("case") if visit is not None else None
        made = _linked(book, text, case, visit.address if visit is not None else None)
        if case is not None and text in CONCERNS:
            place = f"{book.url('take-in', case=case)}#{WHOSE_DATA}"
            made += Markup(' <a href="{}">{}</a>').format(place, "Put down whose data it is")
        return made

    return told


def _in_its_sentence(words: str, before: str, after: str) -> tuple[str, str]:
    """What stands before a link, and its words. A command that stands for itself says what to do, a page does
    not: it is to be seen."""
    begins = not before.strip() or before.rstrip().endswith((".", "?", "!"))
    alone = _ENDS.match(after) is not None and (begins or before.endswith(": "))
    if alone:
        return "See " if begins else "see ", words
    return "", words[:1].upper() + words[1:] if begins else words


def _linked(book: Book, text: object, case: int | None, address: Address | None) -> Markup:
    said, at, made = for_a_form(without_controls(str(text))), 0, Markup()
    for found in _COMMAND.finditer(said):
        page = page_of(book, f"{found['noun']} {found['verb']}{found['rest']}", case)
        made += escape(in_words_of_the_page(said[at : found.start()], book, address))
        if page:
            see, words = _in_its_sentence(page[1], said[: found.start()], said[found.end() :])
            made += Markup('{}<a href="{}">{}</a>').format(see, page[0], words)
        else:
            made += escape(found[0])
        at = found.end()
    return made + escape(in_words_of_the_page(said[at:], book, address))
