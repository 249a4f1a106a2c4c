"""The pages of pictures: of a case as a whole, and of a bay with what is read in them."""

from __future__ import annotations

import fcntl
import os
import re
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from starlette.datastructures import UploadFile

from mendbay.board.number_form import Kind
from mendbay.board.sighting import PictureReading as Reading
from mendbay.case.records import Bay
from mendbay.faces.web import picture_reading, uploads
from mendbay.faces.web.picture_reading import PictureReading
from mendbay.faces.web.reading_orders import TRIES, ReadingOrder, left_behind
from mendbay.faces.web.sent_for_works import needed_and_left
from mendbay.faces.web.views import pictures
from mendbay.jobs.case_pictures import case_pictures
from mendbay.jobs.preview_port import MadePicture, NoPreview
from mendbay.jobs.read_pictures import correct_identifier, identifiers_of
from mendbay.jobs.take_in import take_in
from mendbay.jobs.work_port import WorkKind, WorkOrder
from mendbay.wiring import works
from support.board_bench import SERIAL, ToldPictures, bench_with_case
from support.web_client import Web, text_of, web_on

JPEG = b"\xff\xd8\xff\xe0 a picture "
ADD = "/case/1/pictures/add"
OF_BAY = "/case/1/pictures?bay=1"


@pytest.fixture
def told() -> ToldPictures:
    return ToldPictures({JPEG + b"1": (f"S/N {SERIAL}",), JPEG + b"2": ("<script>x</script>",)})


@pytest.fixture
def one(tmp_path: Any, monkeypatch: pytest.MonkeyPatch, told: ToldPictures) -> Iterator[Web]:
    """Case 1 with two bays, and a reader that sees what it is told."""
    monkeypatch.setenv("MENDBAY_WHO", "Kim")
    monkeypatch.setattr(picture_reading, "read_pictures_with", lambda: told)
    with bench_with_case(tmp_path / "home"):
        pass
    with web_on(tmp_path / "home") as web:
        yield web


def sent(*data: bytes, name: str = "shot.jpg") -> list[tuple[str, tuple[str, bytes, str]]]:
    return [("pictures", (name, one, "image/jpeg")) for one in data]


def read(web: Web) -> str:
    """The page of the bay once nothing is left to be read."""
    until = time.monotonic() + 60
    while "Being read" in (page := web.get(OF_BAY)):
        assert time.monotonic() < until
        time.sleep(0.05)
    return page


def test_pictures_of_the_whole_case(one: Web) -> None:
    page = one.done(ADD, {"of": "as it came"}, files=sent(JPEG, JPEG + b"other", name="../../Ada.jpg"))
    assert "as it came" in page
    with one.bench() as bench:
        found = case_pictures(bench, 1)
        assert len(found) == 2
        assert all("Ada" not in each.kept.path and each.who == "Kim" for each in found)
        assert {each.named for each in found} == {"Ada.jpg"}
    assert "Ada.jpg" in text_of(page)
    assert "Pictures kept: 2 (Ada.jpg, Ada.jpg)." in text_of(one.get("/case/1/record"))
    assert not list((one.home / "uploads").iterdir())
    back = {"picture": found[0].kept.path, "reason": "not of this case"}
    gone = one.post("/case/1/pictures/take-back", back)
    assert gone.headers["clear-site-data"] == '"cache"'  # or the browser shows it for another day
    with one.bench() as bench:
        assert len(case_pictures(bench, 1)) == 1
    one.post("/case/1/pictures/take-back", back, status=404)


def test_what_a_picture_shows_is_said_afterwards(one: Web) -> None:
    one.done(ADD, {}, files=sent(JPEG + b"1", name="phone.jpg"))
    page = one.get("/case/1/pictures")
    assert "Not said what it shows" in page
    form = next(each for each in re.findall(r"<form.*?</form>", page, re.DOTALL) if "pictures/say" in each)
    mark = re.search(r'name="seen" value="([0-9a-f]+)"', form)
    assert mark
    with one.bench() as bench:
        (kept,) = case_pictures(bench, 1)
    said = {"picture": kept.kept.path, "of": "the <b>back</b> of the box", "seen": mark[1]}
    page = one.done("/case/1/pictures/say", said)
    assert "&lt;b&gt;back" in page
    assert "Not said what it shows" not in page
    one.post("/case/1/pictures/say", said, status=409)
    one.post("/case/1/pictures/say", {"picture": "nothing.jpg", "of": "x"}, status=404)
    with one.bench() as bench:
        entries = bench.ledger.custody(1)
    assert entries[-1].what == "put down what a picture shows"
    assert "back" not in entries[-1].item, "custody keeps no words that may name somebody"
    one.done(ADD, {}, files=sent(JPEG + b"1", name="phone.jpg"))
    with one.bench() as bench:
        assert [each.of for each in case_pictures(bench, 1)] == ["the <b>back</b> of the box"]


def test_a_picture_of_the_whole_case_is_read_as_one_of_a_bay(one: Web) -> None:
    one.done(ADD, {}, files=sent(JPEG + b"1", name="phone.jpg"))
    with one.bench() as bench:
        (kept,) = case_pictures(bench, 1)
    told = one.done("/case/1/pictures/of-bay", {"picture": kept.kept.path, "bay": "1"})
    assert "1 picture of bay 1 arrived and will be read." in text_of(told)
    assert SERIAL in text_of(read(one))
    with one.bench() as bench:
        assert len(case_pictures(bench, 1)) == 1, "it stays with the case"
    one.post("/case/1/pictures/of-bay", {"picture": kept.kept.path, "bay": "9"}, status=404)


def test_a_picture_is_listed_by_the_name_it_came_with_and_that_is_only_words(one: Web) -> None:
    hostile = "..\\<img src=x>\u202egpj.jpg"
    page = one.done(ADD, {}, files=sent(JPEG, name=hostile))
    one.done(ADD, {"bay": "1"}, files=sent(JPEG + b"1", name=hostile))
    for each in (page, read(one), one.get("/case/1/record")):
        assert "<img src=x" not in each
        assert "\u202e" not in each
        assert "<img src=x>_gpj.jpg" in text_of(each)


@pytest.mark.parametrize("bay", ["", "1"])
@pytest.mark.parametrize("data", [b"", b"plain words", b"%PDF-1.7", b"\x89PN", b"MZ" * 300])
def test_what_is_no_picture_is_not_kept(one: Web, bay: str, data: bytes) -> None:
    told = one.post(ADD, {"bay": bay}, status=422, files=sent(JPEG, data, name="notes<b>.txt")).text
    assert "notes&lt;b&gt;.txt" in told
    assert str(one.home) not in told
    with one.bench() as bench:
        assert case_pictures(bench, 1) == ()
    assert not list((one.home / "uploads").iterdir())


def test_a_picture_too_large_is_not_kept(one: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("mendbay.jobs.case_pictures.PICTURE_BYTES", 2 * uploads.PIECE_BYTES)
    big = JPEG + bytes(3 * uploads.PIECE_BYTES)
    told = one.post(ADD, {}, status=422, files=sent(JPEG, big)).text
    assert "is larger than" in told
    with one.bench() as bench:
        assert case_pictures(bench, 1) == ()
    assert not list((one.home / "uploads").iterdir())


def test_too_many_at_once(one: Web) -> None:
    one.post(ADD, {}, status=422, files=sent(*[JPEG] * 41))
    with one.bench() as bench:
        assert case_pictures(bench, 1) == ()


def test_identifiers_appear_and_are_put_right_and_back(one: Web) -> None:
    one.done(ADD, {"bay": "1"}, files=sent(JPEG + b"1"))
    page = read(one)
    assert SERIAL in page
    assert not list((one.home / "uploads").iterdir())
    wrong = one.get(f"{OF_BAY}&kind=serial+number&read={SERIAL}")
    mark = re.search(r'pictures/correct".*?name="seen" value="([0-9a-f]+)"', wrong, re.DOTALL)
    assert mark
    assert '<figure class="close-up">' in wrong
    form = {"bay": "1", "kind": "serial number", "value": "AH4K-20719D", "read": SERIAL, "seen": mark[1]}
    assert "by hand" in one.done("/case/1/pictures/correct", form)
    with one.bench() as bench:
        assert [each.value for each in identifiers_of(bench, 1, "1") if each.kind is Kind.SERIAL] == [
            "AH4K-20719D"
        ]
    one.post("/case/1/pictures/correct", {**form, "value": "AH4K-20719E"}, status=409)
    back = {"bay": "1", "kind": "serial number", "reason": "a slip"}
    one.post("/case/1/pictures/uncorrect", {**back, "seen": mark[1]}, status=409)
    one.done("/case/1/pictures/uncorrect", back)
    with one.bench() as bench:
        assert SERIAL in {each.value for each in identifiers_of(bench, 1, "1")}
    one.post("/case/1/pictures/uncorrect", back, status=422)


def test_a_number_is_struck_out_by_an_act_of_its_own_and_comes_back(one: Web) -> None:
    one.done(ADD, {"bay": "1"}, files=sent(JPEG + b"1"))
    read(one)
    form = {"bay": "1", "kind": "serial number", "read": SERIAL}
    refused = one.post("/case/1/pictures/correct", {**form, "value": ""}, status=422).text
    assert "Nothing was typed" in text_of(refused)
    with one.bench() as bench:
        assert SERIAL in {each.value for each in identifiers_of(bench, 1, "1")}
    assert "It has none" in one.get(f"{OF_BAY}&kind=serial+number&read={SERIAL}")
    page = one.done("/case/1/pictures/strike", form)
    assert f'<s class="mono">{SERIAL}</s>' in page
    typed = re.search(r"Type one that no picture shows:.*?</p>", page, re.DOTALL)
    assert typed
    assert ">serial number<" not in typed[0]
    mark = re.search(r'pictures/uncorrect".*?name="seen" value="([0-9a-f]+)"', page, re.DOTALL)
    assert mark
    back = {"bay": "1", "kind": "serial number", "reason": "a slip", "seen": mark[1]}
    page = one.done("/case/1/pictures/uncorrect", back)
    assert "Struck out by hand" not in page
    with one.bench() as bench:
        assert SERIAL in {each.value for each in identifiers_of(bench, 1, "1")}


def test_a_number_is_typed_that_no_picture_shows(one: Web) -> None:
    page = one.get(f"{OF_BAY}&kind=firmware")
    assert "The firmware says" in text_of(page)
    one.done("/case/1/pictures/correct", {"bay": "1", "kind": "firmware", "value": "CC43"})
    with one.bench() as bench:
        assert "CC43" in {each.value for each in identifiers_of(bench, 1, "1")}
    one.post("/case/1/pictures/correct", {"bay": "1", "kind": "a ship", "value": "x"}, status=422)
    one.post("/case/1/pictures/correct", {"bay": "7", "kind": "firmware", "value": "x"}, status=404)


def test_a_picture_is_withdrawn_with_a_reason(one: Web) -> None:
    one.done(ADD, {"bay": "1"}, files=sent(JPEG + b"1"))
    name = re.search(r'<option value="(shot[^"]*)"', read(one))
    assert name
    one.post("/case/1/pictures/withdraw", {"bay": "1", "picture": name[1], "reason": ""}, status=422)
    one.done("/case/1/pictures/withdraw", {"bay": "1", "picture": name[1], "reason": "another drive"})
    with one.bench() as bench:
        assert identifiers_of(bench, 1, "1") == ()
    assert "another drive" in one.get(OF_BAY)


def test_what_a_picture_says_is_only_words(one: Web) -> None:
    one.done(ADD, {"bay": "1"}, files=sent(JPEG + b"2"))
    assert "<script>x" not in read(one)


def test_a_reader_that_fails_is_told_and_the_next_is_read(one: Web, told: ToldPictures) -> None:
    one.done(ADD, {"bay": "1"}, files=sent(JPEG + b"unforeseen"))
    assert "Something unforeseen" in read(one)
    one.done(ADD, {"bay": "1"}, files=sent(JPEG + b"1"))
    assert SERIAL in read(one)


def test_pictures_that_wait_are_told_as_waiting_and_not_as_missing(
    one: Web, told: ToldPictures, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun, going_on = threading.Event(), threading.Event()
    at_once = ToldPictures.read_bytes

    def slow(self: ToldPictures, data: bytes, name: str) -> Reading:
        begun.set()
        going_on.wait(60)
        return at_once(self, data, name)

    monkeypatch.setattr(ToldPictures, "read_bytes", slow)
    try:
        one.done(ADD, {"bay": "1"}, files=sent(JPEG + b"1"))
        assert begun.wait(60)
        page = text_of(one.get("/case/1/pictures?bay=1"))
        assert "Not seen so far 1 picture waits to be read and may show it" in page
        assert "Still missing" not in page
        assert "Pictures 1 to be read" in page, "the spine knows of it too"
    finally:
        going_on.set()
    after = read(one)
    assert "Still missing" in text_of(after)
    assert "to be read" not in text_of(after)


def test_what_is_left_when_the_server_ends_is_read_by_a_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    orders: list[WorkOrder] = []
    monkeypatch.setattr(picture_reading, "start_work", lambda home, order: orders.append(order))
    begun, going_on = threading.Event(), threading.Event()

    class Slow(ToldPictures):
        def read_bytes(self, data: bytes, name: str) -> Reading:
            begun.set()
            going_on.wait(60)
            return super().read_bytes(data, name)

    home = tmp_path / "home"
    with bench_with_case(home):
        pass
    reading = PictureReading(home, lambda: Slow({JPEG: (f"S/N {SERIAL}",)}))
    for data in (JPEG, JPEG + b"1"):
        file = UploadFile(BytesIO(data), filename="shot.jpg")
        reading.put(1, "2", "Kim", uploads.take_uploads(home, [file], 1 << 20))
    assert begun.wait(60)
    reading.end()
    going_on.set()
    (order,) = orders
    assert (order.kind, order.case, order.who) == (WorkKind.READ_PICTURES, 1, "Kim")
    assert order.options["bay"] == "2"
    assert order.options["names"] == ["shot.jpg", "shot.jpg"]
    places = order.options["places"]
    assert isinstance(places, list)
    assert [Path(str(each)).read_bytes() for each in places] == [JPEG, JPEG + b"1"]


def test_what_a_killed_server_left_is_read_at_the_next_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, told: ToldPictures
) -> None:
    home = tmp_path / "home"
    with bench_with_case(home):
        pass
    script = (
        "import os, sys\n"
        "from io import BytesIO\n"
        "from pathlib import Path\n"
        "from starlette.datastructures import UploadFile\n"
        "from mendbay.faces.web import picture_reading, uploads\n"
        "home, data = Path(sys.argv[1]), bytes.fromhex(sys.argv[2])\n"
        "class Stuck:\n"
        "    def read_bytes(self, data, name): os.kill(os.getpid(), 9)\n"
        "reading = picture_reading.PictureReading(home, Stuck)\n"
        "sent = [UploadFile(BytesIO(data + bytes([n])), filename=f'{n}.jpg') for n in (49, 50)]\n"
        "reading.put(1, '1', 'Kim', uploads.take_uploads(home, sent, 1 << 20))\n"
        "reading.await_quiet(60)\n"
    )
    ended = subprocess.run([sys.executable, "-c", script, str(home), JPEG.hex()], timeout=120, check=False)
    assert ended.returncode == -9
    late = time.time() - 10 * uploads.FORGOTTEN_SECONDS
    for folder in (home / "uploads").iterdir():
        os.utime(folder, (late, late))
    monkeypatch.setattr(picture_reading, "read_pictures_with", lambda: told)
    with web_on(home) as web:
        assert SERIAL in read(web)
        with web.bench() as bench:
            filed = [one for one in bench.ledger.custody(1) if one.what == "picture filed"]
            assert len(filed) == 2
            assert {one.who for one in filed} == {"Kim"}
        assert not list((home / "uploads").iterdir())


def test_pictures_that_bring_the_server_down_are_not_taken_up_for_ever(tmp_path: Path) -> None:
    home = tmp_path / "home"
    with bench_with_case(home):
        pass
    file = UploadFile(BytesIO(JPEG), filename="shot.jpg")
    ReadingOrder(1, "1", "Kim", uploads.take_uploads(home, [file], 1 << 20)).taken().let_go()
    for _ in range(TRIES - 1):
        (order,) = left_behind(home)
        assert left_behind(home) == [], "of two servers one reads them"
        order.let_go()
    reading = PictureReading(home, lambda: ToldPictures({}))
    reading.take_up()
    assert not list((home / "uploads").iterdir()), "nobody reads them any more"
    assert "Nothing of what was sent is kept" in reading.standing(1, "1").trouble
    assert "one by one" in reading.standing(1, "1").next_step


def test_a_reading_that_broke_off_without_the_server_is_told(one: Web) -> None:
    shelf = works(one.home)
    folder = one.home / "uploads" / "0123456789ab"
    folder.mkdir(parents=True)
    (folder / "0.jpg").write_bytes(JPEG)
    now = f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}"
    options = {"bay": "1", "places": [str(folder / "0.jpg")], "names": ["0.jpg"]}
    order = WorkOrder(shelf.new_id(), WorkKind.READ_PICTURES, 1, "Kim", now, options)  # type: ignore[arg-type]
    shelf.begin(order)
    shelf.let_go(order.id)
    assert needed_and_left(one.home, shelf) == (frozenset(), {"0123456789ab"})
    page = text_of(one.get("/case/1/pictures?bay=1"))
    assert "their reading broke off" in page
    assert "send them again" in page
    assert "broke off" not in text_of(one.get("/case/1/pictures?bay=2"))


def test_of_too_many_pictures_at_once_none_is_kept_and_how_many_may_come_is_told(one: Web) -> None:
    said = text_of(one.post(ADD, {}, files=sent(*[JPEG] * 41), status=422).text)
    assert "Send at most 40 at a time" in said
    with one.bench() as bench:
        assert not case_pictures(bench, 1)


def test_a_note_that_another_server_took_while_it_was_opened_is_left_to_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = tmp_path / "home"
    file = UploadFile(BytesIO(JPEG), filename="shot.jpg")
    ReadingOrder(1, "1", "Kim", uploads.take_uploads(home, [file], 1 << 20)).taken().let_go()
    lock, others = fcntl.flock, list[ReadingOrder]()

    def locks_late(fd: int, how: int) -> None:
        monkeypatch.setattr(fcntl, "flock", lock)
        others.extend(left_behind(home))
        lock(fd, how)

    monkeypatch.setattr(fcntl, "flock", locks_late)
    assert left_behind(home) == []
    assert [one.tries for one in others] == [2]
    assert left_behind(home) == [], "the other holds it still"
    others[0].drop()


def test_a_picture_in_hand_when_the_server_ends_is_not_written_down_twice(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(picture_reading, "start_work", lambda home, order: None)
    monkeypatch.setattr(picture_reading, "ENDING_SECONDS", 0.05)
    begun, going_on, ended = threading.Event(), threading.Event(), threading.Event()

    class Slow(ToldPictures):
        def read_bytes(self, data: bytes, name: str) -> Reading:
            begun.set()
            going_on.wait(60)
            return super().read_bytes(data, name)

        def close(self) -> None:
            ended.set()

    home = tmp_path / "home"
    with bench_with_case(home) as bench:
        reading = PictureReading(home, lambda: Slow({JPEG: (f"S/N {SERIAL}",)}))
        file = UploadFile(BytesIO(JPEG), filename="shot.jpg")
        reading.put(1, "2", "Kim", uploads.take_uploads(home, [file], 1 << 20))
        assert begun.wait(60)
        reading.end()
        going_on.set()
        assert ended.wait(60)
        assert not [one for one in bench.ledger.custody(1) if one.what == "picture filed"]
    assert left_behind(home) == [], "the work has them"


def test_previews_are_of_kept_pictures_alone(one: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    class Small:
        def picture(self, data: bytes, *, large: bool = False) -> MadePicture | NoPreview:
            made = MadePicture(b"made anew", "image/jpeg", 4, 3, 4, 3)
            return NoPreview("Nothing to see.") if large else made

    monkeypatch.setattr(pictures, "previews_of", lambda desk: Small())
    one.done(ADD, {}, files=sent(JPEG))
    with one.bench() as bench:
        (kept,) = case_pictures(bench, 1)
    path = kept.kept.path
    assert f"path={path.replace('/', '%2F')}" in one.get("/case/1/pictures")
    answer = one.client.get(f"/case/1/pictures/preview?path={path}&is={kept.kept.sha256}")
    assert (answer.content, answer.headers["content-type"]) == (b"made anew", "image/jpeg")
    assert "immutable" in answer.headers["cache-control"]
    answer = one.client.get(f"/case/1/pictures/preview?path={path}&large=yes")
    assert answer.headers["content-type"].startswith("image/svg+xml")
    one.get(f"/case/1/pictures/preview?path={path}&is={'0' * 64}", status=404)
    for other in ("ledger.db", "../../ledger.db", "/etc/passwd", "photos/bay-1/x.jpg", "pictures/002-x.jpg"):
        one.get(f"/case/1/pictures/preview?path={other}", status=404)


def test_what_arrives_is_asked_for_by_itself(one: Web) -> None:
    page = one.get("/case/1/pictures?bay=1")
    assert 'id="phone" hx-get="/case/1/pictures/arriving?bay=1"' in page
    piece = one.get("/case/1/pictures/arriving?bay=1")
    assert 'id="phone"' in piece
    assert 'id="reading"' in piece
    assert "<html" not in piece
    one.get("/case/7/pictures/arriving", status=404)


def test_no_such_case_or_bay(one: Web) -> None:
    one.get("/case/7/pictures", status=404)
    one.get("/case/1/pictures?bay=7", status=404)
    one.post(ADD, {"bay": "7"}, status=404, files=sent(JPEG))
    one.post("/case/7/pictures/add", {}, status=404, files=sent(JPEG))
    assert not list((one.home / "uploads").glob("*"))


def test_what_the_pictures_show_of_a_drive_is_told_where_it_came_in_and_before_it_is_read(
    one: Web, tmp_path: Path
) -> None:
    one.done(ADD, {"bay": "1"}, files=sent(JPEG + b"1"))
    read(one)
    for page in (one.get("/case/1"), one.get("/case/1/take-in")):
        assert SERIAL in text_of(page)
        assert "by its pictures" in text_of(page)
    (tmp_path / "other.img").write_bytes(bytes(1 << 16))
    (tmp_path / "other.toml").write_text('image = "other.img"\nserial = "AH4K-55120B"\n')
    form = {"bay_1": "1", "source_1": f"unsteady:{tmp_path / 'other.toml'}"}
    page = text_of(one.post("/case/1/drives/look", form, status=200).text)
    assert "AH4K-55120B" in page
    with one.bench() as bench:
        sure = next(each.confidence for each in identifiers_of(bench, 1, "1") if each.kind is Kind.SERIAL)
    warned = "This may be another drive" if sure > 0.99 else "Look at its label"
    assert warned in page, sure


def test_a_drive_that_pictures_of_another_open_case_show_is_asked_about_before_it_is_read(
    one: Web, tmp_path: Path
) -> None:
    one.done(ADD, {"bay": "1"}, files=sent(JPEG + b"1"))
    read(one)
    with one.bench() as bench:
        correct_identifier(bench, bench.shop_files, 1, "1", Kind.SERIAL, SERIAL)  # a person's word is sure
        take_in(bench, "Brindlemoor Surveyors", bays=[Bay(0, "1")])
    (tmp_path / "drive.img").write_bytes(bytes(1 << 16))
    (tmp_path / "drive.toml").write_text(f'image = "drive.img"\nserial = "{SERIAL}"\n')
    form = {"bay_1": "1", "source_1": f"unsteady:{tmp_path / 'drive.toml'}"}
    page = text_of(one.post("/case/2/drives/look", form, status=200).text)
    assert "This may be another drive" in page
    assert "That is the drive of bay 1 of case 1, which is open." in page
    assert "This may be another drive" not in text_of(one.post("/case/1/drives/look", form, status=200).text)
