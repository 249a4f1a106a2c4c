"""What a page offers or says is what a command takes or says of the same home."""

from __future__ import annotations

import re
import shutil
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from mendbay.case.items import Owner, What, Where
from mendbay.case.records import Bay
from mendbay.faces.money_words import after_no_words
from mendbay.faces.triage_words import OVER
from mendbay.jobs.bill_case import account_of
from mendbay.jobs.hand_over_items import receive
from mendbay.jobs.keep_items import add_item, items_of, move_item
from mendbay.jobs.put_down_wrongly import call_off
from mendbay.jobs.quote_case import By, decide, make_quote
from mendbay.jobs.quote_lines import Wish
from mendbay.jobs.take_in import take_in
from support.answers import Run, answer, one_line, refused
from support.commands import Commands, commands
from support.web_client import Web, text_of


@pytest.fixture(scope="module")
def program() -> Iterator[Commands]:
    with commands() as server:
        yield server


@pytest.fixture
def run(web: Web, program: Commands) -> Run:
    """Runs mendbay on the home that the pages show."""

    def runner(*words: object) -> subprocess.CompletedProcess[str]:
        return program.run(["--home", str(web.home), *map(str, words)])

    return runner


@pytest.fixture
def things(web: Web) -> Web:
    """Case 1 with a thing in every situation that a hand-over asks about."""
    with web.bench() as bench:
        take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1")])
        items_of(bench, 1)  # its drive is item 1
        for owner in (Owner.CUSTOMER, Owner.SHOP, Owner.LENT):
            add_item(bench, 1, What.CABLE, f"of {owner}", owner=owner)
        for words in ("on a paper", "called off", "sent", "with the customer", "used up", "destroyed"):
            add_item(bench, 1, What.CABLE, words)
        move_item(bench, 1, "7", Where.SENT, "the laboratory", mistake="a slip")
        move_item(bench, 1, "8", Where.CUSTOMER, mistake="a slip")
        move_item(bench, 1, "9", Where.USED, why="soldered in")
        move_item(bench, 1, "10", Where.DESTROYED, why="burnt")
        for number in (5, 6):
            receive(bench, 1, [str(number)])
        call_off(bench, 1, 2, "it never took place")
    return web


def _ticked(page: str, verb: str) -> set[str]:
    """The things that the form of an address offers."""
    form = re.search(rf'<form[^>]*action="[^"]*/things/{verb}".*?</form>', page, re.DOTALL)
    return set(re.findall(r'name="item" value="([^"]+)"', form[0])) if form else set()


@pytest.mark.parametrize(("verb", "word"), [("receive", "--from"), ("release", "--to")])
def test_a_page_offers_to_hand_over_what_the_command_hands_over(
    things: Web, run: Run, verb: str, word: str
) -> None:
    page = things.get("/case/1/things")
    with things.bench() as bench:
        codes = [one.code for one in items_of(bench, 1)]
    taken = {one for one in codes if run("case", verb, 1, one, word, "customer").returncode == 0}
    assert _ticked(page, verb) == taken
    assert 0 < len(taken) < len(codes)


def test_a_page_offers_to_take_back_what_the_command_takes_back(things: Web, run: Run) -> None:
    page = things.get("/case/1/things")
    forms = re.findall(r'<form[^>]*action="[^"]*/things/withdraw".*?</form>', page, re.DOTALL)
    offered = {re.findall(r'name="item" value="([^"]+)"', one)[0] for one in forms}
    with things.bench() as bench:
        codes = [one.code for one in items_of(bench, 1)]
    why = ("--reason", "typed twice")
    taken = {one for one in codes if run("case", "item-withdraw", 1, one, *why).returncode == 0}
    assert offered == taken
    assert 0 < len(taken) < len(codes)


ASKED: dict[str, tuple[str, ...]] = {
    "nothing": (),
    "an answer": ("case", "tell", "1", "kind", "two-bay-box"),
    "a consent": ("case", "consent", "1", "power-on", "yes", "--how", "phone"),
    "a sign": ("triage", "tell", "1", "history", "dropped"),
}
"""What a person was asked, and how that is put down."""


@pytest.mark.parametrize("asked", ASKED)
def test_both_say_the_same_of_what_to_do_first(web: Web, run: Run, asked: str) -> None:
    with web.bench() as bench:
        take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1"), Bay(0, "2")])
    if ASKED[asked]:
        assert run(*ASKED[asked]).returncode == 0
    (step,) = answer(run, "case", "today")["steps"]
    words = step["step"]["words"]
    assert words.startswith("Begin with take-in") is (asked == "nothing")
    assert words in one_line(run("case", "today").stdout)
    assert f"Next {words}" in text_of(web.get("/case/1"))
    assert words in _today(web)


def _today(web: Web) -> str:
    until = time.monotonic() + 60
    while "being gathered" in (page := text_of(web.get("/"))):
        assert time.monotonic() < until
        time.sleep(0.1)
    return page


@pytest.mark.parametrize("closed", [False, True])
def test_both_tell_steps_of_a_case_that_is_open_alone(web: Web, run: Run, closed: bool) -> None:
    with web.bench() as bench:
        take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1"), Bay(0, "2")])
    if closed:
        ended = ("--not-known", "--end", "given-back", "--data", "none")
        assert run("case", "close", 1, *ended).returncode == 0
    page, told = web.get("/case/1/triage"), run("triage", "show", 1).stdout
    assert ('href="/case/1/triage/step' not in page) is closed
    assert ("the whole job then expected to cost" not in told) is closed
    assert (OVER in text_of(page)) is (OVER in told) is closed
    assert "the whole job then expected to cost" in run("triage", "show", 1, "--all").stdout
    assert answer(run, "triage", "show", 1)["steps"]


@pytest.mark.parametrize("before", ["nothing", "accepted", "declined", "open"])
def test_both_say_the_same_once_a_quote_is_declined(
    web: Web, program: Commands, tmp_path: Path, before: str
) -> None:
    with web.bench() as bench:
        take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1"), Bay(0, "2")])
        for _ in range(1 if before == "nothing" else 2):
            make_quote(bench, 1, Wish((("hour", "2"),), odds=False))
        if before in ("accepted", "declined"):
            kept = {"although": "they kept to it"} if before == "accepted" else {}
            decide(bench, 1, 1, before == "accepted", By.PHONE, **kept)
    number = 1 if before == "nothing" else 2
    shutil.copytree(web.home, tmp_path / "twin")
    words = ("case", "accept", "1", str(number), "--decline", "--by", "phone")
    typed = program.run(["--home", str(tmp_path / "twin"), *words]).stdout
    page = web.done(f"/case/1/money/quote/{number}/word", {"word": "no", "by": "phone"})
    with web.bench() as bench:
        told = after_no_words(number, account_of(bench, 1))
    for one in (f"Quote {number} is declined.", *told):
        assert one.removesuffix(".") in one_line(typed)
        assert one in one_line(text_of(page))
    assert told


@pytest.mark.parametrize(
    ("step", "bay", "why"),
    [
        ("dance", "", "There is no step 'dance'."),
        ("read-rom", "", " is a step of a drive."),
        ("smell", "1", " is a step of the box."),
        ("look-at-room", "", " cannot be taken now"),
        ("ask-history", "", " cannot be taken now"),
        ("new-adapter", "", "it was made already"),
    ],
)
def test_both_say_why_a_step_cannot_be_taken(web: Web, run: Run, step: str, bay: str, why: str) -> None:
    with web.bench() as bench:
        take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1"), Bay(0, "2")])
    assert run("triage", "tell", 1, "history", "dropped").returncode == 0
    assert run("triage", "tried", 1, "new-adapter").returncode == 0
    typed = refused(run, 2, "triage", "step", 1, step, *(("--bay", bay) if bay else ()))
    page = text_of(web.client.get("/case/1/triage/step", params={"step": step, "bay": bay}).text)
    for told in (typed, page):
        assert why in told
        assert ("hat it would tell is known" in told) is (step == "ask-history")
