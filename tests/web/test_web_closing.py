"""Closing, keeping, erasing, exporting and forgetting a case, through the browser."""

from __future__ import annotations

import json
import re
import threading
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from mendbay.case.hand_over import Role
from mendbay.case.items import What
from mendbay.case.records import Bay, CaseState
from mendbay.core.errors import ToolMissing
from mendbay.core.note import Note, NoteKind
from mendbay.faces.web.app import application
from mendbay.faces.web.case_works import ShownWork
from mendbay.faces.web.desk import Desk
from mendbay.faces.web.guard import Rules
from mendbay.faces.web.live import Pulse
from mendbay.faces.web.phone import phone_door
from mendbay.faces.web.reading_form import FormsLookedAt
from mendbay.faces.web.views import erasing, letters, take_in_file
from mendbay.jobs.erase_copies import plan_of
from mendbay.jobs.forget_case import forget
from mendbay.jobs.hand_over_items import release
from mendbay.jobs.keep_copies import HAND_BACK
from mendbay.jobs.keep_items import add_item
from mendbay.jobs.learn_triage import outcomes
from mendbay.jobs.plan_erasure import plan_item
from mendbay.jobs.reached_customer import COPY_CHECKED
from mendbay.jobs.take_in import take_in
from mendbay.jobs.work_port import Outcome, Standing, WorkKind, WorkOrder, WorkState
from mendbay.outlets.mediums import Mounted
from mendbay.wiring import changes_of, export_folder, shop_copies, works
from support.web_client import HOST, ORIGIN, Web, text_of
from support.works import order_of, until

CLOSED = {"broken": "nothing", "end": "given back", "data": "none"}


@pytest.fixture
def case(web: Web) -> str:
    web.post("/cases/open", {"customer": "Fern <i>& Fire"})
    return "/case/1/closing"


def seen_of(page: str, action: str) -> str:
    found = re.search(rf'action="{re.escape(action)}".*?name="seen" value="(\w+)"', page, re.DOTALL)
    assert found, action
    return found[1]


def ended(web: Web, page: str, case: int = 1) -> str:
    """The page once no work of the case lives any more."""
    shelf = works(web.home)
    until(lambda: not any(shelf.is_alive(one.id) for one in shelf.orders(case)))
    return web.get(page)


def test_what_was_broken_is_asked_part_by_part(web: Web, case: str) -> None:
    with web.bench() as bench:
        bench.ledger.add_bay(Bay(1, "1"))
        bench.ledger.add_bay(Bay(1, "2"))
    form = web.get(case).partition(f'action="{case}/close"')[2].partition("</form>")[0]
    legends = re.findall(r"<legend>(.*?)</legend>", form)
    names = ["The box", "The data and the way to it", "Bay 1", "Bay 2"]
    assert legends == ["Tick what was broken", *names]
    for one in form.split("<legend>")[2:]:
        bays = set(re.findall(r'name="found" value="[\w-]+:?([^"]*)"', one))
        assert len(bays) == 1, "what stands under a part is of that part"
    assert " checked" not in form


def test_a_case_is_closed_with_what_was_found(web: Web, case: str) -> None:
    page = web.get(case)
    assert "Nothing yet." in page
    said = {
        "broken": "found",
        "found": ["adapter", "fan"],
        "likely": "yes",
        "end": "repaired",
        "data": "all",
        "seen": seen_of(page, f"{case}/close"),
    }
    closed = web.done(f"{case}/close", said)
    assert "Case 1 is closed: repaired; data: all; broken: adapter, fan, likely." in text_of(closed)
    with web.bench() as bench:
        found = outcomes(bench)[1]
        assert [one.text for one in found.found] == ["adapter", "fan"]
        assert bench.ledger.case(1).state is CaseState.CLOSED
    again = web.post(f"{case}/close", {**CLOSED, "seen": said["seen"]}, status=409)
    assert "changed by somebody else" in again.text


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"broken": "found", "end": "repaired", "data": "all"}, "A case is closed with what was broken"),
        ({**CLOSED, "found": ["adapter"]}, "are ticked"),
        ({**CLOSED, "end": "handed back"}, "No hand-back of case 1 is on record"),
        ({"broken": "found", "found": ["<b>"], "end": "repaired", "data": "all"}, "cannot be a fault"),
        ({**CLOSED, "remark": "It was Fern who dropped it"}, "Fern"),
    ],
)
def test_what_cannot_be_the_end_closes_nothing(
    web: Web, case: str, said: dict[str, object], words: str
) -> None:
    refused = web.post(f"{case}/close", said, status=422)
    assert words in text_of(refused.text)
    with web.bench() as bench:
        assert bench.ledger.case(1).state is not CaseState.CLOSED


def test_a_reason_for_no_hand_back_is_asked_only_where_it_may_be_needed(web: Web, case: str) -> None:
    assert "although_no_hand_back" in web.get(case)
    with web.bench() as bench:
        bench.note(1, HAND_BACK, "Files handed back to x: 1 whole.", {"whole": 1, "folder": "/x"})
    page = text_of(web.get(case))
    head = page.index("What is open before it is closed")
    assert (
        head
        < page.index("Nothing proves yet that the customer has the files.")
        < page.index("Close the case")
    )
    assert "no medium with it left the shop" in page
    refused = web.post(f"{case}/close", {**CLOSED, "end": "handed back"}, status=422)
    assert "Nothing proves that the customer of case 1 has the files" in text_of(refused.text)
    with web.bench() as bench:
        bench.note(1, COPY_CHECKED, "A copy was checked.")
        add_item(bench, 1, What.MEDIUM)
        release(bench, 1, ["1"], Role.CUSTOMER)
    assert "although_no_hand_back" not in web.get(case)


def test_a_closed_case_leads_to_the_things_that_are_still_here(web: Web, case: str) -> None:
    web.post("/case/1/things/add", {"what": "box"})
    web.done(f"{case}/close", CLOSED)
    page = web.get("/case/1/money")
    assert "Everything is done" not in page
    assert "Hand the customer&#39;s things over: 0001-01 (box)" in page
    assert 'href="/case/1/things">Hand' in page


def test_a_drive_that_came_alone_is_told_before_and_after_closing(web: Web, case: str) -> None:
    with web.bench() as bench:
        alone = take_in(bench, "Fern", bays=[Bay(0, "1", "AL20-HX4", "S1")]).number
    page = text_of(web.get(f"/case/{alone}/closing"))
    assert "these are not back: 0002-01 (drive of bay 1)" in page
    assert page.index("What is open before it is closed") < page.index("these are not back")
    closed = text_of(web.done(f"/case/{alone}/closing/close", {**CLOSED, "end": "declined"}))
    with web.bench() as bench:
        until = bench.ledger.case(alone).keep_until
    assert f"The copies of case {alone} are kept until {until}, that day included." in closed
    assert "Everything is done" not in closed
    assert "Hand the customer's things over: 0002-01 (drive of bay 1)" in closed
    assert "0002-01 (drive of bay 1)" in text_of(web.get("/"))


def test_it_is_opened_again_with_a_reason(web: Web, case: str) -> None:
    web.post(f"{case}/reopen", {"reason": "too early"}, status=422)
    web.post(f"{case}/close", CLOSED)
    web.post(f"{case}/reopen", {}, status=422)
    web.post(f"{case}/reopen", {"reason": "too early"})
    with web.bench() as bench:
        assert bench.ledger.case(1).state is CaseState.OPEN
        assert outcomes(bench) == {}


def test_the_day_of_keeping(web: Web, case: str) -> None:
    page = web.get(case)
    seen = seen_of(page, f"{case}/keep")
    web.post(f"{case}/keep", {"day": "2999-01-31", "seen": seen})
    with web.bench() as bench:
        assert bench.ledger.case(1).keep_until == "2999-01-31"
    web.post(f"{case}/keep", {"day": "2998-01-31", "seen": seen}, status=409)
    web.post(f"{case}/keep", {"day": "2001-01-01"}, status=422)
    web.post(f"{case}/keep", {"day": "2999-01-01", "days": "3"}, status=422)


def test_a_day_that_the_customer_was_told_is_told_wherever_it_may_end(web: Web, case: str) -> None:
    later, sooner = "2999-01-31", "2998-01-31"
    web.post(f"{case}/keep", {"day": later})
    web.post("/case/1/letters/paper")
    told = f"tells the customer that copies are kept until {later}"
    for page in (case, f"{case}/erase", "/case/1/hand-back"):
        assert told in text_of(web.get(page)), page
    refused = text_of(web.post(f"{case}/keep", {"day": sooner}, status=422).text)
    assert told in refused
    assert "a reason at “Why before the day that the customer was told in writing”" in refused
    web.post("/case/1/hand-back/keep", {"until": sooner}, status=422)
    web.post(f"{case}/keep", {"day": sooner, "although_told": "they said so by telephone"})
    for page in (case, f"{case}/erase", "/case/1/hand-back"):
        assert f"{told}; now it is {sooner}. Tell them" in text_of(web.get(page)), page
    web.post(f"{case}/erase/plan", {"sorts": ["papers"], "reason": "asked for", "unproven": "none read"})
    ended(web, f"{case}/erase")
    assert told in text_of(web.get(f"{case}/erase/plan/1"))


def test_a_number_of_days_counts_from_the_hand_back_that_the_page_knew(web: Web, case: str) -> None:
    web.post(f"{case}/keep", {"day": "2999-01-31"})
    seen = seen_of(web.get(case), f"{case}/keep")
    with web.bench() as bench:
        bench.note(1, HAND_BACK, "A hand-back was made.")
    web.post(f"{case}/keep", {"days": "5", "seen": seen}, status=409)
    with web.bench() as bench:
        assert bench.ledger.case(1).keep_until == "2999-01-31"


def test_nothing_held_is_nothing_to_erase(web: Web, case: str) -> None:
    assert "It holds none." in web.get(f"{case}/erase")
    web.post(f"{case}/erase/plan", {"sorts": ["images"], "reason": "<b>asked for", "unproven": "none made"})
    page = ended(web, f"{case}/erase")
    assert "nothing of case 1" in page
    assert "<b>asked" not in page
    assert 'value="&lt;b&gt;asked for"' in page, "what was typed is there to be put right"


def test_pages_say_that_the_copies_were_erased(web: Web, case: str) -> None:
    with web.bench() as bench:
        bench.ledger.add_bay(Bay(1, "1", "AL-200", "AX1"))
        body = {"what": "certificate", "path": "c.json", "sha256": "0" * 64, "size_bytes": 1}
        told = json.dumps({**body, "sorts": ["images"], "holds": False})
        bench.notes.add(Note(1, "", NoteKind.ERASURE, "1", "2026-11-25T12:00:00Z", "Kim", told))
    for page in ("drives", "files", "hand-back"):
        shown = text_of(web.get(f"/case/1/{page}"))
        assert "were erased on 2026-11-25" in shown, page
        assert "ot read yet" not in shown, page
        assert "No drive of this case was read yet" not in shown, page
    assert "Its copy was erased." in web.get("/case/1/drives/now?part=reading")
    for page in (case, f"{case}/erase"):
        assert "were erased on 2026-11-25" in text_of(web.get(page)), page
        assert "kept until" not in text_of(web.get(f"{case}/erase"))


def test_papers_are_erased_by_a_plan_that_was_shown(web: Web, case: str) -> None:
    web.post("/case/1/letters/paper")
    said = {"sorts": ["papers"], "reason": "asked for", "unproven": "no files were read"}
    web.post(f"{case}/erase/plan", said)
    assert "Plan 1 is made" in ended(web, f"{case}/erase")
    shown = web.get(f"{case}/erase/plan/1")
    assert "Nothing is erased yet." in shown
    assert "papers/letter-" in shown
    seen = seen_of(shown, f"{case}/erase/plan/1/now")
    refused = web.post(f"{case}/erase/plan/1/now", {"typed": "2", "seen": seen}, status=422)
    assert "Nothing was erased: the case&#39;s number was not typed." in refused.text
    web.post(f"{case}/erase/plan/1/now", {"typed": "1", "seen": "0" * 24}, status=409)
    with web.bench() as bench:
        record = bench.ledger.case(1)
        assert any(one.path.startswith("papers/") for one in bench.files.held(record))
    assert "were overwritten" not in text_of(shown), "nothing is, yet"
    web.post(f"{case}/erase/plan/1/now", {"typed": "0001", "seen": seen})
    said = text_of(ended(web, f"{case}/erase"))
    assert "overwritten, read back and equal" in said
    assert "Nothing is erased yet" not in said
    with web.bench() as bench:
        assert not any(one.path.startswith("papers/") for one in bench.files.held(record))
        assert any("copies erased" in one.what and one.who == "Kim" for one in bench.ledger.custody(1))
    told = b"".join(one.read_bytes() for one in (web.home / "works").rglob("*") if one.is_file())
    assert b"letter-" not in told, "what a work told outlives the names of what it erased"
    certificate = web.client.get(f"{case}/erasure/1")
    assert certificate.content.startswith(b"%PDF")
    assert "attachment" in certificate.headers["content-disposition"]
    web.get(f"{case}/erase/plan/1", status=422)


def test_a_plan_of_which_something_may_be_gone_says_so(
    web: Web, case: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    web.post("/case/1/letters/paper")
    said = {"sorts": ["papers"], "reason": "asked for", "unproven": "no files were read"}
    web.post(f"{case}/erase/plan", said)
    ended(web, f"{case}/erase")
    plan = f"{case}/erase/plan/1"
    assert "It cannot be finished" not in web.get(plan)
    with web.bench() as bench:
        item = plan_item(plan_of(bench, 1, "1"))
        bench.custody(1, "erasure of copies begun", item)
    page = text_of(web.get(plan))
    assert "was begun and is not finished" in page
    assert "Nothing is erased yet" not in page
    assert "It cannot be finished" in page
    shelf = works(web.home)
    order = order_of(shelf, WorkKind.ERASE_COPIES, {"plan": "1", "digest": "0" * 64})
    shelf.begin(order)
    page = web.get(plan)
    assert "The erasure by this plan is under way." in page
    assert f"{plan}/now" not in page
    assert f"{plan}/end" not in page
    shelf.let_go(order.id)


def test_a_folder_is_not_looked_for_that_is_no_hand_backs(web: Web, case: str, tmp_path: Path) -> None:
    there = tmp_path / "there"
    there.mkdir()
    said = {"sorts": ["papers"], "reason": "asked for"}
    told = {
        name: text_of(web.post(f"{case}/erase/plan", {**said, "other": str(name)}, status=422).text)
        for name in (there, tmp_path / "nowhere", Path("/etc/shadow"), web.home / "cases", Path("relative"))
    }
    assert len({words.replace(str(name), "") for name, words in told.items()}) == 1
    web.post(f"{case}/erase/plan", {**said, "hand_back": str(there), "other": str(there)}, status=422)
    assert works(web.home).orders(1) == ()


def test_a_copy_that_was_checked_elsewhere_is_offered_and_the_shops_own_is_not(
    web: Web, case: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "own").mkdir()
    with web.bench() as bench:
        bench.note(1, HAND_BACK, "A hand-back of 1 file.", {"whole": 1, "folder": str(tmp_path / "own")})
    assert str(tmp_path / "own") not in web.get(f"{case}/erase"), "it is refused as a proof"
    stick, shelf = tmp_path / "stick", works(web.home)
    monkeypatch.setattr(erasing, "mounted_mediums", lambda: (Mounted(str(stick), "ext4", ()),))
    for name in ("sound", "amiss"):
        (stick / name).mkdir(parents=True)

    def check(name: str, outcome: Outcome) -> ShownWork:
        order = order_of(shelf, WorkKind.CHECK_HAND_BACK, {"folder": str(stick / name)})
        return ShownWork(order, WorkState(standing=Standing.ENDED, outcome=outcome), "", False, None, "")

    checks = (check("amiss", Outcome.FAILED), check("sound", Outcome.DONE), check("amiss", Outcome.DONE))
    shown = erasing.shown_works
    monkeypatch.setattr(
        erasing,
        "shown_works",
        lambda visit, kinds, *more: (
            checks if WorkKind.CHECK_HAND_BACK in kinds else shown(visit, kinds, *more)
        ),
    )
    page = web.get(f"{case}/erase")
    assert re.findall(r'<option value="([^"]*)"', page) == [str(stick / "sound"), ""]


def test_what_was_said_for_a_plan_stays_until_it_is_made(web: Web, case: str) -> None:
    shelf = works(web.home)
    said = {"sorts": ["papers"], "reason": "asked for", "hand_back": "", "unproven": "none was made"}
    order = order_of(shelf, WorkKind.PLAN_ERASURE, said)
    shelf.begin(order)
    page = web.get(f"{case}/erase")
    shelf.let_go(order.id)
    assert 'value="asked for"' in page, "the form is not drawn anew once the plan is refused"
    assert 'value="none was made"' in page
    assert re.search(r'value="papers" checked', page)
    assert 'value="images" checked' not in page


def test_one_on_a_medium_that_is_plugged_in_is_looked_for(
    web: Web, case: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    medium = Mounted(str(tmp_path / "stick"), "ext4", ())
    monkeypatch.setattr(erasing, "mounted_mediums", lambda: (medium,))
    (tmp_path / "stick").mkdir()
    (tmp_path / "stick" / "away").symlink_to(web.home)
    said = {"sorts": ["papers"], "reason": "asked for"}
    for name in ("away/cases", "../home", "away"):
        web.post(f"{case}/erase/plan", {**said, "other": f"{tmp_path}/stick/{name}"}, status=422)
    web.post(f"{case}/erase/plan", {**said, "other": f"{tmp_path}/stick/back"})
    (order,) = works(web.home).orders(1)
    assert order.options["hand_back"] == f"{tmp_path}/stick/back"
    ended(web, f"{case}/erase")


def test_no_such_plan(web: Web, case: str) -> None:
    told = web.get(f"{case}/erase/plan/7", status=422)
    assert '<a href="/case/1/closing/erase">' in told
    web.get(f"{case}/erasure/7", status=422)


def test_export_goes_into_a_new_folder_each_time(web: Web, case: str) -> None:
    for number in (1, 2):
        begun = web.done(f"{case}/export", {"for_customer": "yes"})
        assert "The export has begun" in begun
        page = ended(web, case)
        folder = web.home / "exports" / f"case-0001-{number}"
        assert f"Case 1 is exported to {folder}" in text_of(page)
        assert (folder / "bagit.txt").is_file()
    with web.bench() as bench:
        assert [one.who for one in bench.ledger.custody(1) if one.what == "case exported"] == ["Kim", "Kim"]


def test_of_many_exports_at_once_each_has_a_folder_of_its_own(tmp_path: Path) -> None:
    (tmp_path / "exports").mkdir()
    (tmp_path / "exports" / "case-0001-2").symlink_to(tmp_path / "nowhere")
    start, found = threading.Barrier(8), list[Path]()

    def begin() -> None:
        start.wait()
        with export_folder(1, tmp_path) as folder:
            found.append(folder)

    threads = [threading.Thread(target=begin) for _ in range(8)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert sorted(one.name for one in found) == [f"case-0001-{number}" for number in (1, 3, 4, 5, 6, 7, 8, 9)]
    assert all(one.is_dir() for one in found)


def test_an_export_that_does_not_begin_leaves_no_folder(
    web: Web, case: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(home: object, order: object) -> None:
        raise ToolMissing("No process can be started.", "See whether this machine has room.")

    with monkeypatch.context() as now:
        now.setattr("mendbay.faces.web.case_works.start_work", refuse)
        web.post(f"{case}/export", {"for_customer": "yes"}, status=503)
    assert list((web.home / "exports").iterdir()) == []


def test_an_export_is_stopped_and_goes_on(web: Web, case: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("mendbay.faces.web.case_works.start_work", lambda home, order: begun.append(order))
    begun: list[WorkOrder] = []
    web.post(f"{case}/export", {"with_images": "yes"})
    shelf = works(web.home)
    shelf.begin(begun[0])
    web.post(f"{case}/export", {"for_customer": "yes"}, status=422)
    assert "Stop it; what is done is kept" in web.get(case)
    web.post(f"{case}/stop", {"work": begun[0].id})
    web.post(f"{case}/stop", {"work": "../../x"}, status=422)
    web.post(f"{case}/export/go-on", {"work": begun[0].id}, status=422)
    shelf.let_go(begun[0].id)
    assert "Go on where it stopped" in web.get(case)
    web.post(f"{case}/export/go-on", {"work": begun[0].id})
    assert begun[1].options == begun[0].options
    assert begun[1].options["with_images"] is True


def test_two_at_one_case_do_not_undo_each_other(web: Web, case: str) -> None:
    web.post(f"{case}/close", CLOSED)
    page = web.get(case)
    reopen = seen_of(page, f"{case}/reopen")
    forget = seen_of(web.get(f"{case}/forget"), f"{case}/forget/now")
    web.post(f"{case}/close", {**CLOSED, "end": "repaired"})
    web.post(f"{case}/reopen", {"reason": "too early", "seen": reopen}, status=409)
    web.post(f"{case}/forget/now", {"reason": "asked for", "typed": "1", "seen": forget}, status=409)
    with web.bench() as bench:
        assert bench.ledger.case(1).state is CaseState.CLOSED
        assert bench.ledger.forgotten(1) is None


@pytest.mark.parametrize("by_command", [False, True])
def test_nothing_of_a_forgotten_case_is_held_by_the_server(tmp_path: Path, by_command: bool) -> None:
    desk = Desk(tmp_path / "home", Rules(frozenset({HOST})), Pulse(lambda: changes_of(desk.home)))
    desk.home.mkdir()
    told = {"format": "take-in answers", "version": 1, "case": 1}
    told["answers"] = [{"question": "matters", "bay": None, "answer": "Fern's letters"}]
    files = {"answers": ("answers.json", json.dumps(told).encode(), "application/json")}
    with TestClient(application(desk), base_url=ORIGIN) as client:
        web = Web(client, desk.home)
        web.post("/cases/open", {"customer": "Fern"})
        web.post("/case/1/take-in/answers", {}, files=files)
        web.post("/case/1/letters/message", {"which": "status"})
        answers, texts = desk.keep(take_in_file.KEPT, dict), desk.keep(letters.KEPT, dict)
        assert (answers.get(1) is None, texts.get((1, "status")) is None) == (False, False)
        web.get("/case/1/drives")
        web.get("/case/1/files")
        shown = set(desk.of_cases)
        assert shown & desk.kept.keys()
        desk.keep("forms looked at", FormsLookedAt).put(1, "Kim", {"source_1": "/dev/sdx"})
        web.post("/case/1/closing/close", CLOSED)
        web.get("/")
        listed = desk.keep("day", dict)
        until(lambda: listed._kept is not None)
        phone_door(desk).keys.open(1, "1", "Kim")
        if by_command:
            with web.bench() as bench:
                forget(bench, shop_copies(desk.home), 1, "asked for")
            until(lambda: listed._kept is None and not shown & desk.kept.keys())  # without being asked
        else:
            gone = web.post("/case/1/closing/forget/now", {"reason": "asked for", "typed": "1"})
            assert gone.headers["clear-site-data"] == '"cache"'
            assert listed._kept is None
        assert not phone_door(desk).keys.of_case(1), "a phone sends no more pictures of it"
        assert (answers.get(1), texts.get((1, "status"))) == (None, None)
        assert desk.keep("forms looked at", FormsLookedAt).get(1, "Kim") is None
        assert not shown & desk.kept.keys()
        web.get("/case/1/take-in/answers", status=410)


def test_forgetting_needs_a_closed_case_and_its_number(web: Web, case: str) -> None:
    open_page = text_of(web.get(f"{case}/forget"))
    assert "Not now: Case 1 is open" in open_page
    web.post(f"{case}/forget/now", {"reason": "asked for", "typed": "1"}, status=422)
    web.post(f"{case}/close", CLOSED)
    web.post("/case/1/letters/message", {"which": "status"})
    for typed in ("0002", "01", "one"):
        web.post(f"{case}/forget/now", {"reason": "asked for", "typed": typed}, status=422)
    web.post(f"{case}/forget/now", {"reason": "asked by Fern", "typed": "1"}, status=422)
    with web.bench() as bench:
        assert bench.ledger.forgotten(1) is None
    answer = web.post(f"{case}/forget/now", {"reason": "asked for", "typed": "0001"})  # as papers print it
    assert answer.headers["location"] == "/cases"
    with web.bench() as bench:
        assert bench.ledger.forgotten(1) is not None
    assert not _holds(web.home, b"Fern")
    gone = web.get("/case/1/letters?made=status", status=410)
    assert "at a glance" not in gone, "that page is refused too"
    assert 'href="/cases"' in gone


def _holds(home: Path, word: bytes) -> bool:
    return any(word in one.read_bytes() for one in home.rglob("*") if one.is_file())
