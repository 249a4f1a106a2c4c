"""A form that is pressed several times is done once; what is meant anew is done anew."""

from __future__ import annotations

import io
import re
import shutil
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from starlette.datastructures import UploadFile

from mendbay.core.errors import UsageError
from mendbay.core.note import NoteKind
from mendbay.faces.web.addresses import Address
from mendbay.faces.web.answers import Go
from mendbay.faces.web.once import DONE_BEFORE, Once, Press, press_of
from mendbay.jobs.presses_port import KEPT_SECONDS
from mendbay.outlets.press_files import PressFiles
from support.web_client import Web, web_on

PRESS, ADD = Press(1, "a" * 64), "/case/1/things/add"


class Standing:
    """A ledger that is never replaced."""

    def mark(self) -> str:
        return ""

    def went_through(self, mark: str) -> bool:
        return True


def mark_of(page: str, action: str) -> str:
    found = re.search(rf'action="{action}".*?name="once" value="(\w+)"', page, re.DOTALL)
    assert found
    return found[1]


def cases_of(web: Web) -> int:
    with web.bench() as bench:
        return len(bench.ledger.cases())


def test_the_same_press_twice_is_one_change_and_the_same_answer(web: Web) -> None:
    form = {"customer": "A pottery studio", "once": mark_of(web.get("/cases"), "/cases/open")}
    first, second = (web.post("/cases/open", form) for _ in range(2))
    assert first.headers["location"] == second.headers["location"]
    assert first.headers["set-cookie"] == second.headers["set-cookie"]
    assert cases_of(web) == 1


def test_other_words_and_another_form_are_changes_of_their_own(web: Web) -> None:
    form = {"customer": "A pottery studio", "once": mark_of(web.get("/cases"), "/cases/open")}
    web.post("/cases/open", form)
    web.post("/cases/open", {**form, "customer": "A weaver"})
    web.post("/cases/open", {**form, "once": mark_of(web.get("/cases"), "/cases/open")})
    web.post("/cases/open", {"customer": "A pottery studio"})
    web.post("/cases/open", {"customer": "A pottery studio"})
    assert cases_of(web) == 5


def test_files_sent_once_more_are_kept_once(web: Web) -> None:
    web.done("/cases/open", {"customer": "A pottery studio"})
    web.done("/case/1/things/add", {"what": "other", "words": "a lead"})
    web.done("/case/1/things/receive", {"item": "0001-01", "person": "Kim"})
    form = {"number": "1", "once": mark_of(web.get("/case/1/things"), "/case/1/things/signed")}
    for _ in range(2):
        web.post(
            "/case/1/things/signed", form, files={"scan": ("a.pdf", b"%PDF-1.4 a scan", "application/pdf")}
        )
    assert web.get("/case/1/things").count('action="/case/1/things/signed/take-back"') == 1


def test_another_file_of_the_same_name_and_size_is_another() -> None:
    form = {"number": "1", "once": "0123456789abcdef"}
    address = Address("POST", "/x", "x", "", lambda visit: Go("/"))

    def press(data: bytes) -> Press | None:
        sent = UploadFile(io.BytesIO(data), filename="read.bin", size=len(data))
        return press_of(address, "/x", [*form.items(), ("dump", sent)], 1)

    assert press(b"abcd") == press(b"abcd")
    assert press(b"abcd") != press(b"abce")


def test_what_is_done_of_a_case_that_is_forgotten_is_not_remembered(tmp_path: Path) -> None:
    once, done = Once(PressFiles(tmp_path / "presses", Standing())), [Go("/one"), Go("/two")]
    assert once.answer(PRESS, lambda: done[0]) == done[0]
    once.forget(2)
    assert once.answer(PRESS, lambda: done[1]) == done[0]
    once.forget(1)
    assert once.answer(PRESS, lambda: done[1]) == done[1]


def test_who_presses_much_later_means_it_however_the_time_passed(tmp_path: Path) -> None:
    now, done = [1000.0], iter(range(9))
    once = Once(PressFiles(tmp_path / "presses", Standing(), lambda: time.time() + now[0]), lambda: now[0])
    now[0] = 0.0
    assert once.answer(PRESS, lambda: Go(f"/{next(done)}")) == Go("/0")
    now[0] = KEPT_SECONDS - 1
    assert once.answer(PRESS, lambda: Go(f"/{next(done)}")) == Go("/0")
    now[0] = KEPT_SECONDS + 1
    assert once.answer(PRESS, lambda: Go(f"/{next(done)}")) == Go("/1")


def test_what_was_refused_is_tried_again(tmp_path: Path) -> None:
    once = Once(PressFiles(tmp_path / "presses", Standing()))

    def refuse() -> Go:
        raise UsageError("No.", "Do it otherwise.")

    with pytest.raises(UsageError):
        once.answer(PRESS, refuse)
    assert once.answer(PRESS, lambda: Go("/one")) == Go("/one")


def test_presses_at_the_same_time_wait_for_the_first(tmp_path: Path) -> None:
    once = Once(PressFiles(tmp_path / "presses", Standing()))
    begun, go_on, done = threading.Event(), threading.Event(), list[int]()

    def change() -> Go:
        begun.set()
        go_on.wait(20)
        done.append(1)
        return Go("/one")

    with ThreadPoolExecutor(4) as pool:
        first = pool.submit(once.answer, PRESS, change)
        assert begun.wait(20)
        others = [pool.submit(once.answer, PRESS, change) for _ in range(3)]
        go_on.set()
        assert {one.result(20).url for one in (first, *others)} == {"/one"}
    assert done == [1]


def a_thing(web: Web) -> dict[str, str]:
    """A form that puts down one thing more each time it is done."""
    web.done("/cases/open", {"customer": "A pottery studio"})
    return {"what": "other", "words": "a lead", "once": mark_of(web.get("/case/1/things"), ADD)}


def things_of(web: Web) -> int:
    with web.bench() as bench:
        return sum(one.kind is NoteKind.ITEM for one in bench.notes.all_of(1))


def test_a_form_sent_again_to_a_server_that_was_started_anew_is_done_once(web: Web) -> None:
    form = a_thing(web)
    first = web.post(ADD, form)
    with web_on(web.home) as anew:
        again = anew.post(ADD, form)
        assert again.headers["location"] == first.headers["location"]
        assert DONE_BEFORE in anew.get(again.headers["location"])
        assert things_of(anew) == 1
    with web_on(web.home) as other:
        other.post(ADD, {**form, "words": "another"})
        assert things_of(other) == 2


def test_a_form_whose_server_was_killed_over_it_is_left_to_the_person(web: Web) -> None:
    form = {**a_thing(web), "from_page": "/case/1/things"}
    web.post(ADD, form)
    [of_this] = (web.home / "presses").glob("0001-*")
    of_this.write_bytes(b"begun\n")
    with web_on(web.home) as anew:
        told = anew.post(ADD, form, status=409).text
        assert "so it may be done already, or not" in told
        assert 'value="a lead"' in told, "what was typed stands there again"
        assert things_of(anew) == 1
        anew.post(ADD, {**form, "once": mark_of(told, ADD)})
        assert things_of(anew) == 2


def test_what_was_done_in_a_ledger_that_was_put_away_is_done_in_this_one(web: Web, tmp_path: Path) -> None:
    form = a_thing(web)
    saved = tmp_path / "saved"
    shutil.copytree(web.home, saved)
    web.post(ADD, form)
    shutil.copytree(web.home / "presses", saved / "presses", dirs_exist_ok=True)
    with web_on(saved) as before:
        before.post(ADD, form)
        assert things_of(before) == 1


def test_a_case_that_a_command_forgets_takes_its_forms_along(web: Web) -> None:
    web.post(ADD, a_thing(web))
    assert list((web.home / "presses").glob("0001-*"))
    with web.bench() as bench:
        bench.forget_presses(1)
    assert not list((web.home / "presses").glob("0001-*"))


def test_no_words_of_a_form_are_kept_on_the_disk(web: Web) -> None:
    web.post(ADD, {**a_thing(web), "words": "a lead of Madame Zephyrine"})
    kept = "".join(one.name + one.read_text() for one in (web.home / "presses").iterdir())
    assert "things" in kept
    assert "ephyrine" not in kept


def test_a_page_that_is_shown_asks_for_no_press(web: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(PressFiles, "hold", None)
    web.get("/cases")


def test_another_ledger_in_its_place_has_done_nothing(tmp_path: Path) -> None:
    once, of_none = Once(PressFiles(tmp_path / "presses", Standing())), Press(None, "b" * 64)
    once.answer(of_none, lambda: Go("/one"))
    once.forget(None)
    assert once.answer(of_none, lambda: Go("/two")) == Go("/two")
