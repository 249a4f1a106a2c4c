"""Sentences of jobs as somebody reads them who has a form before them."""

from __future__ import annotations

import re
from types import SimpleNamespace

import pytest

from mendbay.case.records import Bay
from mendbay.core.errors import UsageError
from mendbay.faces.web.app import book_of_all
from mendbay.faces.web.clip_form import told_for_forms
from mendbay.faces.web.commands import CASE_PAGES, SHOP_PAGES, linked, told_on
from mendbay.jobs.take_in import add_bay
from support.web_client import Web, text_of

LINK = linked(book_of_all())


@pytest.mark.parametrize(
    ("told", "shown"),
    [
        ("Leave --although-no-hand-back out.", "Leave that reason out."),
        ("Give a number, or a mark of your own (--own-id).", "Give a number, or a mark of your own."),
        ("Check the amount; --although-more REASON puts it down all the same.", "with a reason it is noted"),
        ("Put right what is named, then plan anew: mendbay case erase-plan.", "then plan anew."),
        (
            "mendbay case pay 1 199.00 --how transfer puts a payment down.",
            "The page of quotes and bills puts a payment down.",
        ),
        (
            "mendbay case release 1 ITEM --to customer gives it back; mendbay case item-move 1 ITEM "
            "destroyed --why REASON says that it is no more.",
            "The page of the things gives it back, or says that it is no more.",
        ),
        ("mendbay rom learn tb-4471 DUMPS learns it anew.", "The page of the families learns it anew."),
        ("mendbay rom learn NAME DUMPS learns one.", "The page of the families learns one."),
        ("Say what it came to: --done clean-casing=18.00.", "Say what it came to: for example 18.00."),
    ],
)
def test_options_are_called_as_forms_do(told: str, shown: str) -> None:
    found = text_of(str(LINK(told)))
    assert shown in re.sub(r" (?=[.,;])", "", found)
    assert "--" not in found
    assert "mendbay" not in found


@pytest.mark.parametrize(
    ("told", "shown"),
    [
        (
            "Read its drives first: mendbay pair read, or mendbay drive read for one alone.",
            "Read its drives first: see the page of the drives.",
        ),
        (
            "If the label was noted wrongly: mendbay case bay 1 1=AL-1/S2 --amend; if it was read there by "
            "mistake: mendbay drive set-aside 2 1 --reason REASON; look.",
            "If the label was noted wrongly: see take-in; if it was read there by mistake: see the page of "
            "the drives; look.",
        ),
        ("0001-01. mendbay case release 1 ITEM --to customer hands them over.",
         "0001-01. The page of the things hands them over."),
        ("mendbay case release 1 0001-01 --to customer, lab or courier hands it over.",
         "The page of the things hands it over."),
        ("mendbay case reopen 1 --reason REASON opens it again.", "The page of closing opens it again."),
        (
            "mendbay case quotes 1 lists them, mendbay case accept 1 NUMBER --by phone accepts one.",
            "The page of quotes and bills lists them and accepts one.",
        ),
        ("mendbay case erase-plan 1 makes one.", "The page of the copies makes one."),
        (
            "mendbay case consent 1 shipping yes, once they agree; or --although-refused REASON, which "
            "custody keeps",
            "Put that down on take-in, once they agree; or give a reason at “Why, although the customer "
            "refused it”, which custody keeps",
        ),
        (
            "mendbay rom write 1 2 goes on with it; rom restore puts its backup back; if its chip is dead, "
            "rom abandon 1 2 REASON gives it up.",
            "The page of the transfer goes on with it or puts its backup back; if its chip is dead, it gives "
            "it up.",
        ),
        ("mendbay case tell 1 customer NAME", "See take-in"),
        ("Give a day to come: mendbay case due 1 DAY", "to come: see “Set the day” on the page of the case"),
    ],
)  # fmt: skip
def test_a_sentence_with_a_command_is_one_with_its_page(told: str, shown: str) -> None:
    on_a_page = {"visit": SimpleNamespace(path={"case": 1}, address=None)}
    assert shown in re.sub(r" (?=[.,;])", "", text_of(str(told_on(book_of_all())(on_a_page, told))))


def test_every_page_is_one_thing_so_that_a_sentence_goes_on_behind_it() -> None:
    pages = {words for verbs in CASE_PAGES.values() for _, words in verbs.values()}
    pages |= {words for _, words in SHOP_PAGES.values()}
    for words in pages:
        assert words in {"take-in", "triage"} or words.startswith(("the ", "“"))
        assert not words.startswith("the ") or not words.partition(" of ")[0].endswith("s"), words


def test_a_bench_without_any_case_says_so_and_not_where_its_ledger_lies(web: Web) -> None:
    page = web.get("/case/7", status=404)
    told = text_of(page)
    assert "There is no case 7: no case is kept here yet." in told
    assert "start the bench with that; the page of the cases begins a first one here." in told
    assert str(web.home) not in page
    assert "ledger" not in told
    web.post("/cases/open", {"customer": "Fern"})
    assert "There is no case 7. Next: The page of the cases shows the cases that there are." in text_of(
        web.get("/case/7", status=404)
    )


def test_a_closed_case_tells_what_was_broken_in_words(web: Web) -> None:
    web.post("/cases/open", {"customer": "Fern"})
    with web.bench() as bench:
        add_bay(bench, Bay(1, "1", "AL4000", "A1"))
    page = web.get("/case/1/closing")
    typed = re.search(r'name="found" value="(media-wear:\w+)"', page)
    assert typed, "a worn surface of the drive can be ticked"
    said = {"broken": "found", "found": [typed[1]], "end": "given back", "data": "none"}
    closed = text_of(web.done("/case/1/closing/close", said))
    assert "broken: bay 1: worn places on the platters" in closed
    assert "media-wear" not in closed


def test_a_line_of_a_quote_is_called_by_its_words(web: Web) -> None:
    web.post("/cases/open", {"customer": "Fern"})
    money = "/case/1/money"
    web.post(f"{money}/quote", {"line_1": "clean-casing", "no_odds": "yes"})
    web.post(f"{money}/quote/1/word", {"word": "yes", "by": "phone"})
    refused = text_of(web.post(f"{money}/bill", {"amount_2": "999", "done_2": "done"}, status=422).text)
    assert "“Casing and contacts cleaned” was quoted with at most" in refused


class OfAnotherShape(UsageError):
    """A trouble that is not made of two sentences."""

    def __init__(self, number: int) -> None:
        super().__init__(
            f"Read {number} failed.", "look, or say so: the same command with --fill or --in-spite REASON"
        )
        self.number = number


def test_a_trouble_keeps_what_it_is_while_its_words_change() -> None:
    with pytest.raises(OfAnotherShape) as found, told_for_forms():
        raise OfAnotherShape(7)
    assert found.value.number == 7
    assert "the form again, with the tick that fills the rest or a reason" in found.value.next_step
    assert "--" not in found.value.next_step
