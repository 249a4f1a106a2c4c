"""The pages of drives: a whole reading begun by a form and followed to its end, and what is asked of it."""

from __future__ import annotations

import json
import os
import re
import signal
from collections.abc import Iterator
from html import unescape
from pathlib import Path

import pytest

from mendbay.case.consents import Word
from mendbay.case.records import Bay
from mendbay.core.clock import SystemClock
from mendbay.faces.web.views.drives import AtHand
from mendbay.imaging.hazard import Condition
from mendbay.inlets.bench_drives import BenchDrives
from mendbay.jobs.consents import give_word
from mendbay.jobs.drive_condition import said_condition
from mendbay.jobs.measure_board import enter
from mendbay.jobs.ports import DriveAtHand
from mendbay.jobs.read_drive import DriveAt, read_drive
from mendbay.jobs.take_in import add_bay, take_in
from mendbay.jobs.work_port import JSON, Outcome, Standing, WorkKind, WorkState
from mendbay.outlets.work_shelf import WorkShelf
from mendbay.wiring import works
from support.web_client import Web, text_of
from support.works import WorkShop, order_of, until

DRIVES = "/case/1/drives"
SLOW = ("real_time = true", "seconds_per_sector = 0.0004")


@pytest.fixture
def shop(web: Web) -> Iterator[WorkShop]:
    """A case with two drives at hand."""
    with web.bench() as bench:
        take_in(bench, "Quillmere Pottery")
    found = WorkShop(web.home)
    yield found
    for one in works(web.home).orders(1):
        if works(web.home).is_alive(one.id):
            os.kill(found.process(one.id), signal.SIGKILL)


def hidden(page: str, action: str) -> dict[str, str]:
    """The hidden fields of the form of a page that is sent there, but for the mark of its press."""
    form = next(one for one in re.findall(r"<form.*?</form>", page, re.DOTALL) if f'action="{action}"' in one)
    found = dict(re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)"', form))
    assert found.pop("once")
    return found


def newest(web: Web) -> str:
    order = works(web.home).newest(1)
    assert order is not None
    return order.id


def state(web: Web) -> WorkState:
    return works(web.home).state(newest(web))


def begin(web: Web, **form: str) -> str:
    """Looks, then begins with what the page gives along; returns the work."""
    page = web.post(f"{DRIVES}/look", form, status=200).text
    assert "No sector was read by this look" in page
    web.done(f"{DRIVES}/begin", hidden(page, f"{DRIVES}/begin"))
    return newest(web)


def ask(web: Web, what: str, **more: str) -> str:
    return web.done(f"{DRIVES}/ask", {"work": newest(web), "ask": what, **more})


def test_without_a_drive(web: Web, shop: WorkShop) -> None:
    page = web.get(DRIVES)
    assert "Begin a reading" in page
    assert "Not read yet" not in page  # there is no bay yet
    assert 'name="source_2"' in page
    assert page.count("<code>unsteady:</code>") == 1  # how a drive to practise on is named, said once


def test_whole_reading_of_two_drives(web: Web, shop: WorkShop) -> None:
    one = shop.drive("refused = [[2000, 3]]", 'model = "AL20"', name="d1", bytes_=1 << 20)
    two = shop.drive('model = "AL20"', name="d2", bytes_=1 << 20)
    form = {"bay_1": "1", "source_1": one, "bay_2": "2", "source_2": two, "adapter_1": "dock", "tries": "1"}
    looked = web.post(f"{DRIVES}/look", form, status=200).text
    said = text_of(looked)
    assert "serial d1" in said
    assert "serial d2" in said
    assert "not asked yet" in said  # of power
    assert "A simulated drive" in said
    assert works(web.home).orders() == ()  # looking begins nothing
    web.done(f"{DRIVES}/begin", hidden(looked, f"{DRIVES}/begin"))
    until(lambda: state(web).is_over)
    order = works(web.home).order(newest(web))
    assert order.who == "Kim"
    assert order.options["adapters"] == {"1": "dock"}
    page = text_of(web.get(DRIVES))
    assert "Reading the drives together, bay 1 and bay 2" in page


def test_one_drive_to_its_end_and_its_record(web: Web, shop: WorkShop) -> None:
    where = shop.drive("refused = [[2000, 3]]", name="d1", bytes_=1 << 20)
    begin(web, bay_1="1", source_1=where, tries="1", adapter_1="dock")
    until(lambda: state(web).is_over)
    assert state(web).outcome is Outcome.INCOMPLETE
    page = web.get(DRIVES)
    said = text_of(page)
    assert "not everything could be had" in said
    assert "refused: 3 sectors" in said
    assert "Bay 1: everything was tried. 1.54 kB were refused" in said
    assert "more tries or another adapter may" in said
    assert "Look, then ask again for what was refused" in said
    assert "go on with the same options" not in said
    again = hidden(page, f"{DRIVES}/look")
    assert again["source_1"] == where
    assert f'name="source_1" value="{where}"' in page  # the form begins with it, not with its content's file
    assert "tries" not in again  # to be said anew
    assert re.search(r'id="again-tries-1" name="tries" value="2"', page)
    assert shop.read_bytes("1") == (1 << 20) - 3 * 512
    sheet = web.get(f"{DRIVES}/1/not-read.csv")
    assert "refused,1024000" in sheet
    zoomed = text_of(web.get(f"{DRIVES}?bay=1&from=1024000&to=1025024"))
    assert "sector 2 000: 100 % refused" in zoomed.replace("\u2009", " ")
    assert "dock" in zoomed


ZOOMS = (
    ("bay=1&from=1048575&to=1048576", 200),  # the last byte: its sector
    ("bay=1&from=1048576", 422),
    ("bay=1&from=9007199254740991", 422),
    ("bay=1&from=512&to=512", 422),
    ("bay=1&from=1024&to=512", 422),
    ("bay=1&from=0&to=9007199254740991", 200),
    ("bay=1&from=1&to=2", 200),
    ("bay=1&to=512", 200),
    ("bay=2", 404),
    ("bay=%3Cb%3E", 404),
    ("bay=1&from=-1", 422),
)


def test_zoom_at_the_edges(web: Web, shop: WorkShop) -> None:
    begin(web, bay_1="1", source_1=shop.drive(name="d1", bytes_=1 << 20))
    until(lambda: state(web).is_over)
    for query, status in ZOOMS:
        page = web.get(f"{DRIVES}?{query}", status=status)
        assert "no bay <b>" not in page


def test_rest_go_on_and_stop(web: Web, shop: WorkShop) -> None:
    where = shop.drive(*SLOW, name="d1", bytes_=16 << 20)
    begin(web, bay_1="1", source_1=where)
    until(lambda: bool(state(web).progress))
    page = text_of(web.get(DRIVES))
    assert "under way" in page
    assert "time left" in page
    ask(web, "rest")
    until(lambda: state(web).standing is Standing.RESTS)
    assert "Go on" in text_of(web.get(f"{DRIVES}/now?part=asked"))
    ask(web, "go-on")
    until(lambda: state(web).standing is Standing.RUNS)
    assert "Asked for now" in text_of(web.get(f"{DRIVES}/now?part=reading"))
    busy = web.post(f"{DRIVES}/begin", {"bay_1": "1", "source_1": where}, status=409)
    assert "is in use by" in text_of(busy.text)
    ask(web, "stop")
    until(lambda: state(web).is_over)
    assert "Stopped; everything read so far is kept" in text_of(web.get(DRIVES))
    ended = web.post(f"{DRIVES}/ask", {"work": newest(web), "ask": "stop"}, status=422)
    assert "has ended" in text_of(ended.text)


def test_question_answered(web: Web, shop: WorkShop) -> None:
    where = shop.drive(
        "vanish_at = [[1000, 1]]", "vanish_times = 1", "comes_back = true", name="d1", bytes_=1 << 20
    )
    begin(web, bay_1="1", source_1=where)
    until(lambda: state(web).question is not None)
    page = web.get(DRIVES)
    said = text_of(page)
    assert "It waits for you" in said
    assert "Cut the power of the drive in bay 1" in said
    assert "loses data every second it turns" in said
    form = hidden(page, f"{DRIVES}/ask")
    web.done(f"{DRIVES}/ask", {**form, "answer": "yes"})
    until(lambda: state(web).is_over)
    assert state(web).outcome in (Outcome.DONE, Outcome.INCOMPLETE)


def test_the_worker_was_killed(web: Web, shop: WorkShop) -> None:
    where = shop.drive(*SLOW, name="d1", bytes_=16 << 20)
    work = begin(web, bay_1="1", source_1=where)
    until(lambda: bool(state(web).progress))
    os.kill(shop.process(work), signal.SIGKILL)
    until(lambda: state(web).is_over)
    page = web.get(DRIVES)
    assert "Lost: its process is gone" in text_of(page)
    assert "Look, then order the same again" in text_of(page)
    looked = web.post(f"{DRIVES}/look", hidden(page, f"{DRIVES}/look"), status=200).text
    assert "Nothing was read" not in looked, "much of it may have been, before"
    web.done(f"{DRIVES}/begin", hidden(looked, f"{DRIVES}/begin"))
    assert newest(web) != work
    ask(web, "stop")
    until(lambda: state(web).is_over)


def test_who_wants_to_be_asked_each_time_is_asked_before_reading(web: Web, shop: WorkShop) -> None:
    where = shop.drive(name="d1", bytes_=1 << 20)
    with web.bench() as bench:
        add_bay(bench, Bay(1, "1"))
        give_word(bench, 1, "power-on", Word.ASK)
    form = {"bay_1": "1", "source_1": where}
    page = web.post(f"{DRIVES}/look", form, status=200).text
    assert "Ask the customer first" in text_of(page)
    assert 'name="customer_asked"' in page
    refused = web.post(f"{DRIVES}/begin", form, status=409).text
    assert "wants to be asked each time before giving power" in text_of(refused)
    assert 'id="facts-asked"' in web.get(f"{DRIVES}?bay=1")
    assert works(web.home).orders() == ()
    web.done(f"{DRIVES}/begin", {**form, "customer_asked": "yes"})
    until(lambda: state(web).is_over)
    with web.bench() as bench:
        told = [(one.what, one.item) for one in bench.ledger.custody(1)]
    asked = "the customer was asked this time, and said yes"
    assert (asked, "drive of bay 1; giving power to a failing drive") in told


def test_a_short_on_the_board_is_told_before_its_drive_gets_power(web: Web, shop: WorkShop) -> None:
    where = shop.drive(name="d1", bytes_=1 << 20)
    with web.bench() as bench:
        add_bay(bench, Bay(1, "1"))
        enter(bench, 1, "1", "suppressor-12v", "0.4")
    form = {"bay_1": "1", "source_1": where}
    page = web.post(f"{DRIVES}/look", form, status=200).text
    assert "12 V is barred by the electrical sheet" in text_of(page)
    assert 'name="although_harmful"' in page
    assert "/case/1/board" in page
    web.post(f"{DRIVES}/begin", form, status=409)
    assert works(web.home).orders() == ()
    web.done(f"{DRIVES}/begin", {**form, "although_harmful": "another board is on it"})
    until(lambda: state(web).is_over)
    with web.bench() as bench:
        assert any("another board is on it" in one.item for one in bench.ledger.custody(1))


def test_a_reason_given_against_one_danger_is_none_against_the_next(web: Web, shop: WorkShop) -> None:
    form = {"bay_1": "1", "source_1": shop.drive(name="d1", bytes_=1 << 20)}
    with web.bench() as bench:
        add_bay(bench, Bay(1, "1"))
        enter(bench, 1, "1", "suppressor-12v", "0.4")
    shown = hidden(web.post(f"{DRIVES}/look", form, status=200).text, f"{DRIVES}/begin")
    with web.bench() as bench:
        enter(bench, 1, "1", "suppressor-5v", "0.4")
    reason = {"although_harmful": "the 12 V suppressor was cut out"}
    late = web.post(f"{DRIVES}/begin", {**shown, **reason}, status=409)
    assert "what speaks against it was changed" in text_of(late.text)
    assert works(web.home).orders() == ()
    again = web.post(f"{DRIVES}/look", form, status=200).text
    assert "5 V" in text_of(again).replace("12 V", "")
    web.done(f"{DRIVES}/begin", {**hidden(again, f"{DRIVES}/begin"), **reason})
    until(lambda: state(web).is_over)


@pytest.mark.parametrize("what", ["facts", "compare"])
def test_nor_where_a_drive_is_asked_or_compared(web: Web, shop: WorkShop, what: str) -> None:
    where = shop.drive(name="d1", bytes_=1 << 20)
    with web.bench() as bench:
        add_bay(bench, Bay(1, "1"))
        read_drive(bench, 1, DriveAt("1", where))
        enter(bench, 1, "1", "suppressor-12v", "0.4")
    shown = hidden(web.get(f"{DRIVES}?bay=1"), f"{DRIVES}/1/{what}")
    with web.bench() as bench:
        enter(bench, 1, "1", "suppressor-5v", "0.4")
    form = {**shown, "source": where, "although_harmful": "the 12 V suppressor was cut out"}
    web.post(f"{DRIVES}/1/{what}", form, status=409)
    assert works(web.home).orders() == ()
    shown = hidden(web.get(f"{DRIVES}?bay=1"), f"{DRIVES}/1/{what}")
    web.post(f"{DRIVES}/1/{what}", {**form, **shown, "source": where})
    until(lambda: state(web).is_over)


def test_held_back_until_a_reason_is_given(web: Web, shop: WorkShop) -> None:
    where = shop.drive(name="d1", bytes_=1 << 20)
    with web.bench() as bench:
        give_word(bench, 1, "power-on", Word.NO)
    form = {"bay_1": "1", "source_1": where}
    page = web.post(f"{DRIVES}/look", form, status=200).text
    assert "Held back" in text_of(page)
    assert 'name="although_refused"' in page
    assert 'name="although_harmful"' not in page  # triage says nothing against it
    assert "although the customer refused it (optional)" not in text_of(page)
    web.post(f"{DRIVES}/begin", form, status=409)
    assert works(web.home).orders() == ()
    web.done(f"{DRIVES}/begin", {**form, "although_refused": "they agreed by telephone"})
    until(lambda: state(web).is_over)
    with web.bench() as bench:
        told = [one.item for one in bench.ledger.custody(1)]
    assert any("they agreed by telephone" in one for one in told)


def test_a_form_that_was_looked_at_keeps_what_was_said(web: Web, shop: WorkShop) -> None:
    where = shop.drive(name="d1", bytes_=1 << 20)
    web.get(f"{DRIVES}/look", status=303)  # nothing was looked at yet
    form = {
        "bay_1": "1",
        "source_1": where,
        "tries": "7",
        "minutes": "2.5",
        "want": "*.txt",
        "worth": "80 EUR",
    }
    looked = web.post(f"{DRIVES}/look", form, status=200).text
    again = web.get(f"{DRIVES}/look")  # as loading it once more does
    assert hidden(again, f"{DRIVES}/begin") == hidden(looked, f"{DRIVES}/begin")
    page = web.get(DRIVES)
    assert f'name="source_1" value="{where}"' in page
    assert 'name="tries" value="7"' in page
    assert 'name="minutes" value="2.5"' in page
    assert "*.txt</textarea>" in page
    assert re.search(r'<details class="begin" open>', page)
    web.post(f"{DRIVES}/look", {"bay_1": "1", "source_1": "/no/such/drive", "tries": "9"}, status=409)
    assert 'name="tries" value="9"' in web.get(DRIVES)  # also of one that was refused
    web.done(f"{DRIVES}/begin", hidden(looked, f"{DRIVES}/begin"))
    assert 'name="tries" value="7"' not in web.get(DRIVES)  # it is begun
    until(lambda: state(web).is_over)


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ({}, "No drive is named"),
        ({"source_1": "/x"}, "Nothing says in which bay"),
        ({"bay_1": "1", "source_1": "/no/such/drive"}, "no/such/drive"),
        ({"bay_1": "../../etc", "source_1": "unsteady:D"}, "etc"),
        ({"bay_1": "1", "source_1": "unsteady:D", "bay_2": "1", "source_2": "unsteady:D"}, "one bay"),
        ({"bay_1": "1", "source_1": "unsteady:D", "sequence": "lies", "only_wanted": "yes"}, "read alone"),
        ({"bay_1": "1", "source_1": "unsteady:D", "tries": "0"}, "0 is less than 1"),
        ({"bay_1": "1", "source_1": "unsteady:D", "condition_1": "fine"}, "not to be chosen"),
        ({"bay_1": "1", "source_1": "unsteady:D", "worth": "much"}, "much"),
        ({"bay_1": "1", "source_1": "unsteady:D", "bench_hour": "3 EUR"}, "worth"),
        ({"bay_1": "1", "source_1": "unsteady:D", "sector": "7"}, "not to be chosen"),
        ({"bay_1": "1", "source_1": "unsteady:D", "evil": "1"}, "not asked for"),
    ],
)
def test_hostile_options(web: Web, shop: WorkShop, form: dict[str, str], words: str) -> None:
    where = shop.drive(name="d1", bytes_=1 << 20)
    sent = {name: where if value == "unsteady:D" else value for name, value in form.items()}
    for action in ("look", "begin"):
        answer = web.client.post(
            f"{DRIVES}/{action}",
            data=sent,
            headers={"origin": "http://127.0.0.1:8437"},
            follow_redirects=False,
        )
        assert 400 <= answer.status_code < 500
        assert words in text_of(answer.text)
    assert works(web.home).orders() == ()


def test_names_of_a_drive_are_text(web: Web, shop: WorkShop) -> None:
    where = shop.drive('model = "<script>alert(1)</script>"', name="d1", bytes_=1 << 20)
    page = web.post(f"{DRIVES}/look", {"bay_1": "1", "source_1": where}, status=200).text
    assert "<script>alert" not in page
    assert "&lt;script&gt;" in page
    begin(web, bay_1="1", source_1=where)
    until(lambda: state(web).is_over)
    for url in (DRIVES, f"{DRIVES}?bay=1"):
        assert "<script>alert" not in web.get(url)


def test_wanted_is_changed_once(web: Web, shop: WorkShop) -> None:
    seen = hidden(web.get(DRIVES), f"{DRIVES}/wanted")["seen"]
    web.done(f"{DRIVES}/wanted", {"patterns": "*.xlsx\nphotos/**", "seen": seen})
    with web.bench() as bench:
        assert bench.ledger.case(1).wanted == ("*.xlsx", "photos/**")
    late = web.post(f"{DRIVES}/wanted", {"patterns": "*.doc", "seen": seen}, status=409)
    assert "changed by somebody else" in text_of(late.text)
    web.post(f"{DRIVES}/wanted", {"patterns": " \n "}, status=422)


def test_condition_and_image_and_set_aside(web: Web, shop: WorkShop) -> None:
    where = shop.drive(name="d1", bytes_=1 << 20)
    begin(web, bay_1="1", source_1=where)
    until(lambda: state(web).is_over)
    web.done(f"{DRIVES}/condition", {"bay": "1", "condition": "clicks"})
    web.post(f"{DRIVES}/condition", {"bay": "9", "condition": "clicks"}, status=422)
    with web.bench() as bench:
        assert any("clicks" in one.text for one in bench.ledger.events(1))
    web.done(f"{DRIVES}/1/verify")
    until(lambda: state(web).is_over)
    assert "Nothing differs from what the drive gave" in text_of(web.get(f"{DRIVES}?bay=1"))
    web.done(f"{DRIVES}/1/compare", {"source": where})
    until(lambda: state(web).is_over)
    assert "The drive gave the same bytes as before" in text_of(web.get(f"{DRIVES}?bay=1"))
    web.done(f"{DRIVES}/1/facts", {"source": where})
    until(lambda: state(web).is_over)
    assert "says nothing of itself" in text_of(web.get(f"{DRIVES}?bay=1"))
    web.post(f"{DRIVES}/1/set-aside", {"reason": ""}, status=422)
    web.done(f"{DRIVES}/1/set-aside", {"reason": "it is of another box"})
    assert "Set aside" in text_of(web.get(f"{DRIVES}?bay=1"))
    assert "Not read yet" in text_of(web.get(DRIVES))


def test_a_work_of_another_case_is_not_asked(web: Web, shop: WorkShop) -> None:
    where = shop.drive(name="d1", bytes_=1 << 20)
    work = begin(web, bay_1="1", source_1=where)
    until(lambda: state(web).is_over)
    with web.bench() as bench:
        take_in(bench, "Another")
    web.post("/case/2/drives/ask", {"work": work, "ask": "stop"}, status=404)
    web.post(f"{DRIVES}/ask", {"work": "../../x", "ask": "stop"}, status=422)
    web.get("/case/9/drives", status=404)
    web.get("/case/9/drives/now", status=404)


@pytest.mark.parametrize(
    ("kind", "options"),
    [(WorkKind.CATALOGUE, {}), (WorkKind.ASK_DRIVE, {"bay": "1", "source": "/dev/nothing"})],
)
def test_a_work_is_asked_only_for_what_its_own_page_offers(
    web: Web, kind: WorkKind, options: dict[str, JSON]
) -> None:
    """A chip that is being written, say, must not be held with its power on where no page lets it go on."""
    with web.bench() as bench:
        take_in(bench, "Quillmere Pottery")
    shelf = WorkShelf(web.home, SystemClock())
    order = order_of(shelf, kind, options)
    shelf.begin(order)  # alive as long as its lock is held here
    try:
        web.post(f"{DRIVES}/ask", {"work": order.id, "ask": "rest"}, status=404 if not options else 422)
        for page in ("hand-back/stop", "hand-back/check-stop", "closing/stop"):
            web.post(f"/case/1/{page}", {"work": order.id}, status=422)
        assert not list((web.home / "works" / order.id / "asked").iterdir())
    finally:
        shelf.let_go(order.id)


def test_state_that_is_damaged_is_told(web: Web, shop: WorkShop) -> None:
    where = shop.drive(name="d1", bytes_=1 << 20)
    work = begin(web, bay_1="1", source_1=where)
    until(lambda: state(web).is_over)
    (Path(web.home) / "works" / work / "state.json").write_text(json.dumps({"format": 1}))
    assert "Lost: its process is gone" in text_of(web.get(DRIVES))


def test_cautions_stand_before_the_action_and_not_in_its_story(web: Web, shop: WorkShop) -> None:
    where = shop.drive(name="d1", bytes_=1 << 20)
    form = {"bay_1": "1", "source_1": where, "condition_1": "clicks"}
    assert "may make a drive that clicks worse" in text_of(web.post(f"{DRIVES}/look", form, status=200).text)
    work = begin(web, **form)
    until(lambda: state(web).is_over)
    told = " ".join(works(web.home).told(work))
    assert "A simulated drive" in told
    assert "CAUTION" not in told
    again = web.post(f"{DRIVES}/look", {**form, "condition_1": ""}, status=200).text  # as was said last
    assert "may make a drive that clicks worse" in text_of(again)
    assert "may make a drive that clicks worse" in text_of(web.get(f"{DRIVES}?bay=1"))


def test_condition_is_not_overwritten_unseen(web: Web, shop: WorkShop) -> None:
    begin(web, bay_1="1", source_1=shop.drive(name="d1", bytes_=1 << 20))
    until(lambda: state(web).is_over)
    form = hidden(web.get(DRIVES), f"{DRIVES}/condition")
    assert form["bay"] == "1"
    web.done(f"{DRIVES}/condition", {**form, "condition": "clicks"})
    late = web.post(f"{DRIVES}/condition", {**form, "condition": "healthy"}, status=409)
    assert "changed by somebody else" in text_of(late.text)
    with web.bench() as bench:
        assert said_condition(bench, 1, "1") is Condition.CLICKS


def test_an_image_that_somebody_exchanged_is_not_set_aside(web: Web, shop: WorkShop) -> None:
    where = shop.drive(name="d1", bytes_=1 << 20)
    begin(web, bay_1="1", source_1=where)
    until(lambda: state(web).is_over)
    form = hidden(web.get(f"{DRIVES}?bay=1"), f"{DRIVES}/1/set-aside")
    assert form["seen"]
    web.done(f"{DRIVES}/1/set-aside", {**form, "reason": "it is of another box"})
    begin(web, bay_1="1", source_1=shop.drive(name="d2", bytes_=1 << 20), although_other_serial="exchanged")
    until(lambda: state(web).is_over)
    late = web.post(f"{DRIVES}/1/set-aside", {**form, "reason": "it is of another box"}, status=409)
    assert "changed by somebody else" in text_of(late.text)
    assert shop.read_bytes("1") == 1 << 20


def test_what_can_be_asked_is_drawn_only_where_it_is_news(web: Web, shop: WorkShop) -> None:
    """A part with an alert in it, drawn anew with every news, would be read out again and again."""
    begin(web, bay_1="1", source_1=shop.drive(*SLOW, name="d1", bytes_=16 << 20))
    until(lambda: bool(state(web).progress))
    found = re.search(rf'hx-get="({DRIVES}/now\?part=asked[^"]*)"', web.get(DRIVES))
    assert found is not None
    address = unescape(found[1])
    until(lambda: state(web).standing is Standing.RUNS)
    assert web.get(address, status=204) == ""
    ask(web, "rest")
    until(lambda: state(web).standing is Standing.RESTS)
    assert "Go on" in text_of(web.get(address))
    ask(web, "stop")
    until(lambda: state(web).is_over)
    assert "Go on" not in web.get(address)


def test_drives_at_hand_are_offered(web: Web, shop: WorkShop, monkeypatch: pytest.MonkeyPatch) -> None:
    with web.bench() as bench:
        bench.ledger.add_bay(Bay(1, "2", model="AL20", serial="7K0042"))
    at_hand = (
        DriveAtHand("/dev/sdb", 1 << 40, "<script>alert(1)</script>", "7K0042", "USB"),
        DriveAtHand("/dev/sda", 1 << 30, uses=("/dev/sda1 is mounted at /",)),
        DriveAtHand("/dev/sdc", 0),
    )
    monkeypatch.setattr(BenchDrives, "at_hand", lambda _: at_hand)
    for url in (DRIVES, f"{DRIVES}?bay=2"):
        page = web.get(url)
        assert "<script>alert" not in page
        assert '<option value="/dev/sdb" selected>' in page  # it says the serial number of bay 2
        assert 'value="/dev/sda"' not in page
    said = text_of(web.get(DRIVES))
    assert "the drive of bay 2" in said
    assert "It is in use: /dev/sda1 is mounted at /." in said
    assert "It says that it holds nothing" in said
    assert "unsteady:/" not in web.get(DRIVES)
    assert "not listed" not in said
    many = tuple(DriveAtHand(f"/dev/sd{number}", 1 << 30) for number in range(70))
    monkeypatch.setattr(BenchDrives, "at_hand", lambda _: many)
    assert "6 more drives are plugged in and not listed" in text_of(web.get(DRIVES))
    monkeypatch.setattr(BenchDrives, "at_hand", lambda _: ())
    assert "No drive that could be read is plugged into this machine" in text_of(web.get(DRIVES))


def test_what_the_fields_of_a_place_begin_with() -> None:
    here = AtHand({"/dev/sdb": "words"}, (), {})
    assert here.filled_in("/dev/sdb") == {"device": "/dev/sdb", "source": ""}
    assert here.filled_in("/dev/sdc") == {"device": "", "source": ""}  # it would stand against what is chosen
    assert here.filled_in("/home/a.img") == {"device": "", "source": "/home/a.img"}
    none = AtHand({}, (), {})
    assert none.filled_in("/dev/sdc") == {"device": "", "source": "/dev/sdc"}
    assert none.filled_in("") == {"device": "", "source": ""}


def test_a_drive_is_chosen_from_the_list(web: Web, shop: WorkShop) -> None:
    where = shop.drive(name="d1", bytes_=1 << 20)
    twice = {"bay_1": "1", "device_1": where, "source_1": "/dev/sdx"}
    assert "Two places" in text_of(web.post(f"{DRIVES}/look", twice, status=422).text)
    begin(web, bay_1="1", device_1=where)
    until(lambda: state(web).is_over)
    assert works(web.home).order(newest(web)).options["source"] == where
    for address in (f"{DRIVES}/1/facts", f"{DRIVES}/1/compare"):
        assert "No drive is named" in text_of(web.post(address, status=422).text)
        web.done(address, {"device": where})
        until(lambda: state(web).is_over)
        assert works(web.home).order(newest(web)).options["source"] == where


def test_another_drive_was_plugged_in_meanwhile(web: Web, shop: WorkShop) -> None:
    where = shop.drive(name="d1", bytes_=1 << 20)
    page = web.post(f"{DRIVES}/look", {"bay_1": "1", "source_1": where}, status=200).text
    form = hidden(page, f"{DRIVES}/begin")
    description = Path(where.removeprefix("unsteady:"))
    description.write_text(description.read_text().replace('"d1"', '"other"'))
    late = web.post(f"{DRIVES}/begin", form, status=409)
    assert "Which drive is there or what speaks against it was changed" in text_of(late.text)
    assert works(web.home).orders() == ()


def test_what_was_ordered_too_late_is_looked_at_again_and_sent_by_one_press(web: Web, shop: WorkShop) -> None:
    where = shop.drive(name="d1", bytes_=1 << 20)
    said = {"bay_1": "1", "source_1": where, "want": "*.jpg\r\n*.doc", "minutes": "5"}
    form = hidden(web.post(f"{DRIVES}/look", said, status=200).text, f"{DRIVES}/begin")
    web.post(f"{DRIVES}/look", {**said, "minutes": "7"}, status=200)  # the same person, on another page
    description = Path(where.removeprefix("unsteady:"))
    description.write_text(description.read_text().replace('"d1"', '"other"'))
    sent = {**form, "want": "*.jpg\r\n*.doc", "from_page": f"{DRIVES}/look"}  # as browsers end lines
    late = web.post(f"{DRIVES}/begin", sent, status=409).text
    assert "data-again" in late
    assert "This page shows how it stands now" in text_of(late)
    again = hidden(late, f"{DRIVES}/begin")
    assert again["minutes"] == "5"
    assert again["seen"] != form["seen"]
    web.done(f"{DRIVES}/begin", again)
    until(lambda: state(web).is_over)
    assert works(web.home).order(newest(web)).options["want"] == ["*.jpg", "*.doc"]


# ---------------------------------------------------------------------- other images of the same drive


def halves_of_one_drive(web: Web, shop: WorkShop) -> str:
    """Bay 1 read on two days, each time without a place: the first image is set aside; returns its name."""
    for refused in ("[[100, 4]]", "[[500, 4]]"):
        begin(
            web, bay_1="1", source_1=shop.drive(f"refused = {refused}", name="d1", bytes_=1 << 20), tries="1"
        )
        until(lambda: state(web).is_over)
        if refused == "[[100, 4]]":
            web.done(f"{DRIVES}/1/set-aside", {"reason": "read anew through another adapter"})
    found = re.search(r'name="asides" value="([^"]+)"', web.get(f"{DRIVES}?bay=1"))
    assert found is not None
    return found[1]


def test_another_image_of_the_same_drive_is_taken_over(web: Web, shop: WorkShop) -> None:
    aside = halves_of_one_drive(web, shop)
    assert shop.read_bytes("1") == (1 << 20) - 4 * 512
    web.done(f"{DRIVES}/1/blend", {"asides": aside})
    until(lambda: state(web).is_over)
    assert state(web).outcome is Outcome.DONE
    assert shop.read_bytes("1") == 1 << 20
    page = text_of(web.get(f"{DRIVES}?bay=1")).replace("\u2009", " ")
    assert "Taking over from other images, bay 1" in page
    assert "2 048 bytes taken over from" in page
    assert "The image of bay 1 now holds 1 048 576 of 1 048 576 bytes." in page
    with web.bench() as bench:
        assert any("blended" in one.what and one.who == "Kim" for one in bench.ledger.custody(1))


def test_what_cannot_be_taken_over_is_refused_before_it_is_ordered(web: Web, shop: WorkShop) -> None:
    where = shop.drive(name="d1", bytes_=1 << 20)
    blend = f"{DRIVES}/1/blend"
    web.post(blend, {"images": "/nowhere.img"}, status=404)  # there is no bay yet
    begin(web, bay_1="1", source_1=where)
    until(lambda: state(web).is_over)
    work = newest(web)
    for form, words in (
        ({}, "No image is named"),
        ({"images": "a.img"}, "not named from the root on"),
        ({"images": "/no/such\n"}, "/no/such is not there"),
        ({"asides": "../../ledger.sqlite3"}, "no image ../../ledger.sqlite3 set aside"),
        ({"images": "/x\x00y"}, "no text"),
    ):
        answer = web.client.post(blend, data=form, headers={"origin": "http://127.0.0.1:8437"})
        assert 400 <= answer.status_code < 500
        assert words in text_of(answer.text)
    with web.bench() as bench:
        take_in(bench, "Another")
        other = bench.images.folder(bench.ledger.case(2)) / "image.img"
        other.parent.mkdir(parents=True, exist_ok=True)
        other.write_bytes(bytes(512))
    refused = web.post(blend, {"images": str(other)}, status=409)
    assert "may be another customer's" in text_of(refused.text)
    assert newest(web) == work
    web.done(blend, {"images": str(other), "although_other_case": "one drive came in twice"})
    until(lambda: state(web).is_over)
    assert state(web).outcome is Outcome.FAILED  # it has no checkpoint beside it
    assert shop.read_bytes("1") == 1 << 20
