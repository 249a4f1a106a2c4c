"""What the customer of a case is told. Nothing is sent from here."""

from __future__ import annotations

from urllib.parse import quote

from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Page
from mendbay.faces.web.card import card_of
from mendbay.faces.web.fields import choice
from mendbay.faces.web.lately import Lately
from mendbay.faces.web.visit import Visit
from mendbay.jobs.case_papers import papers_made
from mendbay.jobs.letters import (
    LETTER,
    TITLES,
    Mail,
    Message,
    letter_mail,
    letter_pdf,
    letter_words,
    message_mail,
)

BOOK = Book()
WHICH = {LETTER: "Where your job stands (the letter)", **{str(one): words for one, words in TITLES.items()}}
"""Texts that can be made, by what is sent for them."""
KEPT = "letters made"
MOST_KEPT = 50
"""Texts that the server holds so that a page can be loaded again without making them anew."""
FOLDED_AT = 76
"""Columns at which the text of a letter is folded."""
MOST_IN_LINK = 1800
"""Characters of a text that a link can hand to a mail program (own choice: some take no more than 2 000)."""


@BOOK.page(
    "/case/{case:int}/letters",
    "letters",
    "Where the job stands in plain words, and texts to send.",
    [choice("made", "Text that was made", WHICH)],
)
def letters(visit: Visit) -> Answer:
    number, which = visit.path["case"], visit.said["made"]
    with visit.bench() as bench:
        card = card_of(visit, bench, number)
        text = letter_words(bench, number)
        papers = [one for one in papers_made(bench, number) if one.name.startswith("letter-")]
    mail = _kept(visit).get((number, which))
    link = ""
    if mail is not None and len(mail.body) <= MOST_IN_LINK:
        link = f"mailto:?subject={quote(mail.subject)}&body={quote(mail.body)}"
    facts = {
        "card": card,
        "text": flowing("\n".join(one for one in text.splitlines() if not one or one.strip("=-"))),
        "papers": papers,
        "which": WHICH,
        "made": which if mail is not None else "",
        "mail": mail,
        "link": link,
    }
    return Page("letters.html", facts)


def flowing(text: str) -> str:
    """A text in which lines that were only folded are one again, so that every screen folds them at its own
    width: a line goes on where the next word had no room in it."""
    made, room = list[str](), FOLDED_AT
    for line in text.splitlines():
        first = line.split(maxsplit=1)[:1]
        if made and made[-1] and first and first != ["-"] and len(first[0]) >= room:
            made[-1] += f" {line.strip()}"
        else:
            made.append(line)
        room = FOLDED_AT - len(line)
    return "\n".join(made)


@BOOK.change(
    "/case/{case:int}/letters/message",
    "make-message",
    "Makes the text of a message; that it was made is noted, and nothing is sent.",
    [choice("which", "Message", WHICH, required=True)],
)
def message(visit: Visit) -> Answer:
    number, which = visit.path["case"], visit.said["which"]
    with visit.bench() as bench:
        mail = letter_mail(bench, number) if which == LETTER else message_mail(bench, number, Message(which))
    _kept(visit).put((number, which), mail)
    return visit.go("letters", "The text is made. Nothing was sent.", {"made": which})


@BOOK.change(
    "/case/{case:int}/letters/paper",
    "make-letter",
    "Makes the letter as PDF; a copy is kept with the case.",
)
def letter(visit: Visit) -> Answer:
    with visit.bench() as bench:
        made = letter_pdf(bench, visit.path["case"])
    return visit.go("letters", f"The letter is made and kept with the case: {made.path}. Nothing was sent.")


def _kept(visit: Visit) -> Lately[tuple[int, str], Mail]:
    found: Lately[tuple[int, str], Mail] = visit.desk.keep(KEPT, lambda: Lately(MOST_KEPT, _case_of))
    return found


def _case_of(key: tuple[int, str]) -> int:
    return key[0]
