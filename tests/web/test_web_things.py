"""The page of the things of a case, their labels and hand-overs."""

from __future__ import annotations

import errno
import json
import re
import tempfile
from pathlib import Path

import pytest
from httpx2 import Response

from mendbay.case.consents import Word
from mendbay.case.hand_over import Direction, Role
from mendbay.case.items import What, Where
from mendbay.case.records import Bay, CaseState
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.consents import give_word
from mendbay.jobs.hand_over_items import NEEDED, hand_overs_of
from mendbay.jobs.keep_items import add_item, change_item, items_of, move_item
from mendbay.jobs.take_in import take_in
from support.web_client import ORIGIN, Web, text_of

PDF = b"%PDF-1.7\nsigned"
ADD = "/case/1/things/add"


@pytest.fixture
def one(web: Web) -> Web:
    """Case 1 with a drive (item 1) and an adapter (item 2)."""
    with web.bench() as bench:
        take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1", "AL-1", "S1")])
        items_of(bench, 1)
        add_item(bench, 1, What.ADAPTER, "12 V")
    return web


def test_what_is_to_be_fetched_is_told_and_the_day_is_kept(one: Web) -> None:
    assert "To be fetched" not in one.get("/case/1/things")
    with one.bench() as bench:
        bench.ledger.amend_case(1, state=CaseState.CLOSED)
    page = one.get("/case/1/things")
    assert "No day is set by which they were asked" in text_of(page)
    assert "without their word on record" in text_of(page)
    seen = re.search(r'/things/fetch".*?name="seen" value="(\w+)"', page, re.DOTALL)
    assert seen
    told = text_of(one.done("/case/1/things/fetch", {"by": "2999-01-01", "seen": seen[1]}))
    assert "They were asked to fetch it by 2999-01-01." in told
    one.post("/case/1/things/fetch", {"by": "2998-01-01", "seen": seen[1]}, status=409)
    one.post("/case/1/things/fetch", {"by": "2020-01-01"}, status=422)
    assert "to fetch 0001-01 (drive of bay 1)" in text_of(one.get("/"))
    assert re.search(
        r'<a href="/case/1/things">The case waits for the customer: to fetch', one.get("/case/1")
    )
    with one.bench() as bench:
        assert [each.subject for each in bench.notes.of(NoteKind.WAITING, 1)] == ["fetching"]
        body = json.dumps({"until": "2026-01-01"})
        bench.notes.add(Note(1, "", NoteKind.WAITING, "fetching", bench.now(), bench.who, body))
    late = text_of(one.get("/case/1/things"))
    assert "by 2026-01-01, which is past." in late
    assert "Nothing is charged by itself: the page of quotes and bills puts it into a quote" in late
    assert "No day is set any more." in text_of(one.done("/case/1/things/fetch", {"by": ""}))


def test_the_things_are_listed(one: Web) -> None:
    page = text_of(one.get("/case/1/things"))
    assert "0001-01 drive of bay 1 here AL-1 S1" in page
    assert "0001-02 mains adapter: 12 V" in page


def test_a_thing_is_taken_in(one: Web) -> None:
    one.done(ADD, {"what": "cable", "words": "blue", "place": "B4", "owner": "shop"})
    with one.bench() as bench:
        made = items_of(bench, 1)[-1]
        assert (made.what, made.words, made.place) == (What.CABLE, "blue", "B4")
    one.post(ADD, {"what": "drive", "bay": "1"}, status=422)
    one.post(ADD, {"what": "a ship"}, status=422)
    told = one.post(ADD, {"what": "cable", "words": "of Quillmere Pottery"}, status=422).text
    assert "Next" in told


def test_what_a_bay_tells_of_its_drive_stays_with_the_bay(one: Web) -> None:
    form = {
        "item": "0001-01",
        "what": "drive",
        "owner": "customer",
        "bay": "1",
        "marks": "AL-1 S1",
    }
    one.done("/case/1/things/change", {**form, "words": "", "condition": "a dent"})
    with one.bench() as bench:
        bench.ledger.amend_bay(Bay(1, "1", "AL-1", "S2"))
        drive = items_of(bench, 1)[0]
        assert (drive.condition, drive.marks) == ("a dent", "AL-1 S2")


def test_anothers_change_is_not_overwritten(one: Web) -> None:
    page = one.get("/case/1/things")
    form = next(
        each
        for each in re.findall(r"<form.*?</form>", page, re.DOTALL)
        if "things/change" in each and 'value="0001-02"' in each
    )
    found = re.search(r'name="seen" value="([0-9a-f]+)"', form)
    assert found
    with one.bench() as bench:
        change_item(bench, 1, "2", words="19 V")
    sent = {"item": "0001-02", "what": "mains adapter", "owner": "customer", "words": "5 V", "seen": found[1]}
    one.post("/case/1/things/change", sent, status=409)
    with one.bench() as bench:
        assert items_of(bench, 1)[1].words == "19 V"


def test_a_thing_is_moved_and_taken_back(one: Web) -> None:
    move = "/case/1/things/move"
    one.done(move, {"item": "0001-02", "where": "here", "place": "C1"})
    one.post(move, {"item": "0001-02", "where": "used up"}, status=422)
    one.post(move, {"item": "0001-02", "where": "with the customer"}, status=422)
    one.done(move, {"item": "0001-02", "where": "used up", "why": "its plug was needed"})
    with one.bench() as bench:
        assert items_of(bench, 1)[1].where is Where.USED
        move_item(bench, 1, "2", Where.HERE, mistake="it was another")
    one.post("/case/1/things/withdraw", {"item": "0001-02", "reason": ""}, status=422)
    one.done("/case/1/things/withdraw", {"item": "0001-02", "reason": "entered twice"})
    with one.bench() as bench:
        assert [each.number for each in items_of(bench, 1)] == [1]


def test_labels_name_no_person(one: Web) -> None:
    labels = "/case/1/things/labels.pdf"
    answer = one.post(labels, {"item": "0001-01", "paper": "Letter", "skip": "3"}, status=200)
    assert answer.content.startswith(b"%PDF")
    assert answer.headers["content-disposition"].startswith("attachment")
    one.post(labels, {"item": "0001-09"}, status=404)
    one.post(labels, {"skip": "900"}, status=422)
    one.post(labels, {"paper": "A0"}, status=422)


def test_a_drive_that_was_seen_with_a_number_keeps_it(web: Web) -> None:
    with web.bench() as bench:
        take_in(bench, "Ada", bays=[Bay(0, "2", "AL-2")])
    assert "0001-01 drive of bay 2" in text_of(web.get("/case/1/things"))
    web.post("/case/1/things/labels.pdf", status=200)
    web.post("/case/1/take-in/bays/add", {"bay": "1"})
    web.done(ADD, {"what": "cable"})
    with web.bench() as bench:
        assert [(one.code, one.bay) for one in items_of(bench, 1)] == [
            ("0001-01", "2"),
            ("0001-02", "1"),
            ("0001-03", ""),
        ]


def test_a_thing_that_was_changed_meanwhile_is_not_taken_back(one: Web) -> None:
    form = next(
        each
        for each in re.findall(r"<form.*?</form>", one.get("/case/1/things"), re.DOTALL)
        if "things/withdraw" in each and 'value="0001-02"' in each
    )
    found = re.search(r'name="seen" value="([0-9a-f]+)"', form)
    assert found
    with one.bench() as bench:
        change_item(bench, 1, "2", words="19 V")
    sent = {"item": "0001-02", "reason": "entered twice", "seen": found[1]}
    one.post("/case/1/things/withdraw", sent, status=409)
    with one.bench() as bench:
        assert len(items_of(bench, 1)) == 2


def test_a_hand_over_from_its_beginning_to_its_signature(one: Web) -> None:
    one.done("/case/1/things/receive", {"item": ["0001-01", "0001-02"], "place": "B4", "person": "Ada"})
    with one.bench() as bench:
        (over,) = hand_overs_of(bench, 1)
        assert over.direction is Direction.RECEIVED
        assert over.person == "Ada"
    paper = one.post("/case/1/things/paper.pdf", {"number": 1}, status=200)
    assert paper.content.startswith(b"%PDF")
    assert "attachment" in paper.headers["content-disposition"]
    assert "Not signed yet" in one.get("/case/1/things")
    one.done("/case/1/things/signed", {"number": 1}, files={"scan": ("Ada.pdf", PDF, "application/pdf")})
    with one.bench() as bench:
        (over,) = hand_overs_of(bench, 1)
        assert len(over.signed) == 1
        assert "Ada" not in over.signed[0].path
    assert not list((one.home / "uploads").iterdir())
    one.post("/case/1/things/call-off", {"number": 1, "reason": "never"}, status=422)
    back = {"number": 1, "paper": over.signed[0].path, "reason": "another case's"}
    one.done("/case/1/things/signed/take-back", back)
    one.done("/case/1/things/call-off", {"number": 1, "reason": "never took place"})
    with one.bench() as bench:
        (over,) = hand_overs_of(bench, 1)
        assert over.called_off
        assert not over.signed


def test_things_are_handed_out(one: Web) -> None:
    release = "/case/1/things/release"
    one.post(release, {"role": "customer"}, status=422)
    one.post(release, {"role": "nobody", "item": "0001-02"}, status=422)
    one.done(release, {"role": "customer", "item": "0001-02"})
    one.post(release, {"role": "customer", "item": "0001-02"}, status=422)
    with one.bench() as bench:
        assert items_of(bench, 1)[1].where is Where.CUSTOMER


@pytest.mark.parametrize(("name", "data"), [("x.pdf", b""), ("x.pdf", b"plain words"), ("x.exe", b"MZ\0")])
def test_a_scan_that_is_none_is_refused(one: Web, name: str, data: bytes) -> None:
    one.done("/case/1/things/receive", {"item": "0001-01"})
    files = {"scan": (name, data, "application/pdf")}
    told = one.post("/case/1/things/signed", {"number": 1}, status=422, files=files).text
    assert str(one.home) not in told
    with one.bench() as bench:
        assert not hand_overs_of(bench, 1)[0].signed
    one.post("/case/1/things/signed", {"number": 9}, status=404, files={"scan": ("x.pdf", PDF)})


def test_hostile_words_are_only_words(one: Web) -> None:
    one.done(ADD, {"what": "cable", "words": "<script>x</script>"})
    assert "<script>x" not in one.get("/case/1/things")


def test_from_elsewhere_nothing_is_handed_out(one: Web) -> None:
    form = {"role": "customer", "item": "0001-02"}
    answer = one.client.post(
        "/case/1/things/release", data=form, headers={"origin": ORIGIN + ".evil.example"}
    )
    assert answer.status_code == 403
    with one.bench() as bench:
        assert hand_overs_of(bench, 1) == ()


def test_a_full_disk_is_told_and_keeps_nothing(one: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    one.done("/case/1/things/receive", {"item": "0001-01"})

    def full(self: object, data: bytes) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    big = PDF + b"x" * (2 << 20)  # past what is held in memory
    monkeypatch.setattr(tempfile.SpooledTemporaryFile, "write", full)
    said = one.post("/case/1/things/signed", {"number": 1}, status=409, files={"scan": ("a.pdf", big)}).text
    assert "There is no room on this machine" in text_of(said)
    assert "Free some space" in text_of(said)


def test_a_link_in_the_place_of_the_folder_is_not_followed(one: Web, tmp_path: Path) -> None:
    one.done("/case/1/things/receive", {"item": "0001-01"})
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    folder = one.home / "uploads"
    if folder.exists():
        folder.rmdir()
    folder.symlink_to(elsewhere)
    said = one.post("/case/1/things/signed", {"number": 1}, status=409, files={"scan": ("a.pdf", PDF)}).text
    assert "Move it away" in text_of(said)
    assert not list(elsewhere.iterdir())


def test_a_hand_over_asks_for_what_the_customers_word_needs_for_that_one(one: Web) -> None:
    with one.bench() as bench:
        for risk in NEEDED[Role.LAB]:
            give_word(bench, 1, risk, Word.NO)
        for risk in NEEDED[Role.COURIER]:
            give_word(bench, 1, risk, Word.ASK)
    page, path = one.get("/case/1/things"), "/case/1/things/release"
    assert ("out-although" in page, "out-asked" in page) == (False, False)

    def sent(**more: str) -> Response:
        said = {"role": "lab", "item": "0001-02", "person": "<b>Ash", "words": "By noon", **more}
        return one.client.post(path, data=said, headers={"origin": ORIGIN}, follow_redirects=False)

    def mark(page: str) -> str:
        found = re.search(rf'action="{path}".*?name="seen" value="(\w+)"', page, re.DOTALL)
        assert found
        return found[1]

    asked = sent(seen=mark(page))
    assert asked.status_code == 200
    assert "Nothing is handed out yet." in text_of(asked.text)
    assert ("out-although" in asked.text, "out-asked" in asked.text) == (True, False)
    kept = ('value="0001-02" checked', 'value="lab" selected', "&lt;b&gt;Ash", "By noon</textarea>")
    assert [one for one in kept if one not in asked.text] == []
    other = sent(role="courier", seen=mark(asked.text))
    assert ('id="out-although"' in other.text, 'id="out-asked"' in other.text) == (False, True)
    assert sent().status_code == 409, "a program that sends no mark of a page is held back"
    with one.bench() as bench:
        assert hand_overs_of(bench, 1) == ()
    one.get(path, status=303)
    assert sent(seen=mark(other.text), although="an heir agreed").status_code == 303
    with one.bench() as bench:
        assert [each.role for each in hand_overs_of(bench, 1)] == [Role.LAB]
        give_word(bench, 1, NEEDED[Role.COURIER][0], Word.YES)
    assert sent(role="courier", item="0001-01", seen=mark(other.text)).status_code == 409
