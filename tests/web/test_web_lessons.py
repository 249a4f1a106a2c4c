"""What the shop's cases teach, through the browser."""

from __future__ import annotations

import os
import re
import time
from hashlib import sha256
from io import BytesIO
from pathlib import Path

import pytest
from starlette.datastructures import UploadFile

from mendbay.core.clock import SystemClock
from mendbay.faces.web.uploads import FORGOTTEN_SECONDS, take_uploads
from mendbay.jobs.know_family import known_families
from mendbay.jobs.learn_rom import families
from mendbay.jobs.lessons import lessons_csv, tell_lessons
from mendbay.jobs.work_port import WorkKind
from mendbay.outlets.work_shelf import WorkShelf
from mendbay.wiring import shop_files, works
from support.flash_bench import checked_dump
from support.web_client import Web, text_of, web_on
from support.works import order_of, until


def closed(web: Web, times: int) -> None:
    for number in range(1, times + 1):
        web.post("/cases/open", {"customer": f"Fern {number}"})
        said = {"broken": "found", "found": ["adapter"], "end": "repaired", "data": "all"}
        web.post(f"/case/{number}/closing/close", said)


def test_nothing_is_taught_by_nothing(web: Web) -> None:
    assert "Nothing is on record" in web.get("/lessons")


def test_counts_intervals_and_plots(web: Web) -> None:
    closed(web, 6)
    page = web.get("/lessons")
    assert "From 6 cases with an outcome and 0 swaps" in text_of(page)
    assert "6 of 6" in page
    assert page.count("<svg") > 2
    assert "style=" not in page
    assert 'fill="var(--' in page
    alone = web.get("/lessons?by=fault")
    assert "By what was found broken" in text_of(alone)
    assert alone.count("<figure") == 1
    for sheet in ("for-wide", "for-narrow"):
        assert alone.count(f'<div class="{sheet}"><svg') == 1
    assert 'data-head="likely"' in alone
    assert "Good is a case whose customer has all or most of the data" in text_of(alone)
    assert "Nothing is on record since 2999-01-01" in text_of(web.get("/lessons?since=2999-01-01"))
    web.get("/lessons?since=yesterday", status=422)
    web.get("/lessons?by=colour", status=422)


def test_the_rows_and_the_paper_are_attachments(web: Web) -> None:
    closed(web, 1)
    rows = web.client.get("/lessons/rows.csv")
    with web.bench() as bench:
        assert rows.content == lessons_csv(tell_lessons(bench, shop_files(web.home)))
    paper = web.client.get("/lessons/paper")
    assert paper.content.startswith(b"%PDF")
    assert "attachment" in paper.headers["content-disposition"]


def test_numbers_of_triage_tell_their_origin(web: Web) -> None:
    page = text_of(web.get("/lessons/triage?topic=faults"))
    assert "common practice, no source" in page
    assert "the mains adapter its share of what brought cases in 0.10" in page
    page = text_of(web.get("/lessons/triage?topic=smell"))
    assert "Numbers of triage: Does the box or its adapter smell burnt?" in page
    assert "the supply part of the drive's board (suppressor, link, regulator) (of any drive)" in page
    assert "any:" not in page
    assert "in all other cases it smells burnt" in page
    web.get("/lessons/triage?topic=colours", status=422)
    assert "No closed case has moved a number yet." in web.get("/lessons/triage")


def test_families_are_noted_and_taken_back(web: Web) -> None:
    said = {"family": "AL<b>20", "need": "not", "seat": "controller", "basis": "two swaps"}
    page = web.done("/lessons/families/note", said)
    assert "AL&lt;b&gt;20" in page
    assert "AL<b>20" not in page
    with web.bench() as bench:
        (known,) = known_families(bench)
        assert (known.note.family, known.who) == ("AL<b>20", "Kim")
    web.post("/lessons/families/note", {**said, "basis": ""}, status=422)
    web.post("/lessons/families/forget", {"family": "AL<b>20"}, status=422)
    web.post("/lessons/families/forget", {"family": "AL<b>20", "reason": "a slip"})
    with web.bench() as bench:
        assert known_families(bench) == ()
    web.post("/lessons/families/forget", {"family": "AL<b>20", "reason": "a slip"}, status=422)


def test_what_is_not_there_cannot_be_unlearned(web: Web) -> None:
    assert "Nothing was learned yet" in web.get("/lessons/reading")
    web.post("/lessons/reading/5/unlearn", {"reason": "a slip"}, status=422)
    unlearned = {"family": "none", "dump": "ab", "reason": "a slip"}
    assert web.client.post(
        "/lessons/families/unlearn", data=unlearned, headers={"origin": "http://127.0.0.1:8437"}
    ).status_code in (409, 422)


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ("what=death&hours=10&afr=5", "within 10 h"),
        ("what=whole-read&gb=2000&bits=14", "at one error in 10^14"),
        ("what=mirror&days=3&afr=5", "within 3 days"),
        ("what=go-on&hours=1&brings=10&costs=5&dies=1&at_risk=20", "Go on"),
        ("what=death&hours=10&afr=100", "Something is missing"),
        ("what=death&hours=10", "Something is missing"),
    ],
)
def test_reckoning(web: Web, asked: str, words: str) -> None:
    assert words in text_of(web.get(f"/lessons/reckon?{asked}"))


def test_a_family_is_learned_from_dumps_that_are_sent(web: Web) -> None:
    page = web.get("/lessons/families")
    assert "Learn a family from good dumps" in page
    dumps = [checked_dump(at) for at in range(1, 4)]
    sent = [("dumps", (f"<b>{at}.bin", data, "application/octet-stream")) for at, data in enumerate(dumps)]
    web.post("/lessons/families/learn", {"family": "../x"}, files=sent, status=422)
    web.post("/lessons/families/learn", {"family": "tb"}, status=422)
    assert not list(web.home.glob("uploads/*")), "what was refused is removed"
    web.post("/lessons/families/learn", {"family": "tb-4471"}, files=sent)
    shelf = works(web.home)
    until(lambda: not any(shelf.is_alive(one.id) for one in shelf.orders(0)))
    page = web.get("/lessons/families")
    assert "Learning tb-4471: done" in text_of(page)
    assert 'name="family" value="tb-4471"' not in page.split("Learn a family from good dumps")[1]
    assert "Family tb-4471:" in text_of(page)
    assert "&lt;b&gt;0.bin" in page
    assert "<b>0.bin" not in page
    assert not list(web.home.glob("uploads/*"))
    with web.bench() as bench:
        ((learned,), broken) = families(bench, shop_files(web.home))
    assert broken == ()
    assert [one.name for one in learned.dumps or ()] == ["<b>0.bin", "<b>1.bin", "<b>2.bin"]
    assert "Standing now: tb-4471 (" in text_of(page)
    other = web.post("/lessons/families/learn", {"family": "tb-4471"}, files=sent[:1], status=422).text
    assert "There is a family tb-4471 already, with" in text_of(other)
    assert len(shelf.orders(0)) == 1
    mark = seen_of(page, "/lessons/families/unlearn")
    gone = {"family": "tb-4471", "dump": sha256(dumps[1]).hexdigest(), "reason": "of a patient", "seen": mark}
    told = text_of(web.done("/lessons/families/unlearn", gone))
    assert "judges nothing now. Learn it anew from the others: <b>0.bin, <b>2.bin." in told
    other = {**gone, "dump": sha256(dumps[0]).hexdigest()}
    web.post("/lessons/families/unlearn", other, status=409)
    in_its_place = {
        "family": "tb-4471",
        "in_its_place": "yes",
        "seen": seen_of(page, "/lessons/families/learn"),
    }
    late = web.post("/lessons/families/learn", in_its_place, files=sent, status=409)
    assert "changed by somebody else" in late.text
    assert not list(web.home.glob("uploads/*"))
    assert len(shelf.orders(0)) == 1


def test_dumps_that_are_none_teach_nothing_and_are_removed(web: Web) -> None:
    sent = [("dumps", (name, bytes(size), "x/y")) for name, size in (("a.bin", 4096), ("b.bin", 8192))]
    page = text_of(web.post("/lessons/families/learn", {"family": "tb"}, files=sent, status=409).text)
    assert works(web.home).orders(0) == ()
    assert "b.bin has 8 KiB, and a.bin has 4 KiB: dumps of one family are of one size." in page
    assert str(web.home) not in page
    assert not list(web.home.glob("uploads/*"))


def test_two_who_note_families_do_not_undo_each_other(web: Web) -> None:
    said = {"family": "AL20", "need": "not", "seat": "controller", "basis": "two swaps"}
    note = seen_of(web.get("/lessons/families"), "/lessons/families/note")
    page = web.done("/lessons/families/note", said)
    web.post("/lessons/families/note", {**said, "need": "must", "seen": note}, status=409)
    forget = seen_of(page, "/lessons/families/forget")
    web.post("/lessons/families/note", {**said, "basis": "three swaps"})
    web.post("/lessons/families/forget", {"family": "AL20", "reason": "a slip", "seen": forget}, status=409)
    with web.bench() as bench:
        assert [one.note.basis for one in known_families(bench)] == ["three swaps"]


def seen_of(page: str, action: str) -> str:
    found = re.search(rf'action="{re.escape(action)}".*?name="seen" value="(\w+)"', page, re.DOTALL)
    assert found, action
    return found[1]


def test_dumps_that_a_killed_learning_left_are_removed_at_the_next_start(tmp_path: Path) -> None:
    home = tmp_path / "home"
    shelf = WorkShelf(home, SystemClock())
    sent = [UploadFile(BytesIO(bytes(4096)), filename=f"{at}.bin") for at in range(3)]
    killed, lives, unordered = (take_uploads(home, [one], 1 << 20) for one in sent)
    orders = []
    for name, one in (("killed", killed), ("lives", lives)):
        options = {"name": name, "places": [str(one.paths[0])], "names": ["a.bin"]}
        orders.append(order_of(shelf, WorkKind.LEARN_FAMILY, options, case=0))
        shelf.begin(orders[-1])
    shelf.let_go(orders[0].id)  # as a process that is killed
    late = time.time() - 10 * FORGOTTEN_SECONDS
    os.utime(lives.folder, (late, late))
    with web_on(home):
        assert {one.name for one in (home / "uploads").iterdir()} == {
            lives.folder.name,
            unordered.folder.name,  # young, and perhaps just being sent to another server
        }
    shelf.let_go(orders[1].id)


def test_learning_is_stopped_and_keeps_nothing(web: Web) -> None:
    words = bytes((at * 13 + 3) % 251 for at in range(1 << 20))
    sent = [("dumps", (f"{at}.bin", bytes([at]) + words[1:], "x/y")) for at in range(3)]
    ticked = {"also_withdrawn": "yes", "also_doubtful": "yes"}
    web.post("/lessons/families/learn", {"family": "slow", **ticked}, files=sent)
    shelf = works(web.home)
    (order,) = shelf.orders(0)
    web.post("/lessons/families/stop", {"work": "../x"}, status=422)
    web.post("/lessons/families/stop", {"work": order.id})
    until(lambda: not shelf.is_alive(order.id))
    page = web.get("/lessons/families")
    assert "Learning slow: stopped" in text_of(page)
    assert 'name="family" value="slow"' in page, "what was typed stays"
    assert "The dumps were 0.bin , 1.bin , 2.bin : choose them again." in text_of(page)
    assert re.search(r'name="also_withdrawn" value="yes" id="[^"]*" checked', page)
    assert not re.search(r'name="also_doubtful" value="yes" id="[^"]*" checked', page), "a word given anew"
    assert not (web.home / "families").exists()
    assert not list(web.home.glob("uploads/*"))
    web.post("/lessons/families/stop", {"work": order.id}, status=422)
