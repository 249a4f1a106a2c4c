"""A form that is pressed several times is done once; what is meant anew is done anew."""

from __future__ import annotations

import io
import re
import threading
from concurrent.futures import ThreadPoolExecutor

import pytest
from starlette.datastructures import UploadFile

from mendbay.core.errors import UsageError
from mendbay.faces.web.addresses import Address
from mendbay.faces.web.answers import Go
from mendbay.faces.web.once import Once, Press, press_of
from support.web_client import Web

PRESS = Press(1, "a")


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


def test_what_is_done_of_a_case_that_is_forgotten_is_not_remembered() -> None:
    once, done = Once(), [Go("/one"), Go("/two")]
    assert once.answer(PRESS, lambda: done[0]) == done[0]
    once.forget(2)
    assert once.answer(PRESS, lambda: done[1]) == done[0]
    once.forget(1)
    assert once.answer(PRESS, lambda: done[1]) == done[1]


def test_what_was_refused_is_tried_again() -> None:
    once = Once()

    def refuse() -> Go:
        raise UsageError("No.", "Do it otherwise.")

    with pytest.raises(UsageError):
        once.answer(PRESS, refuse)
    assert once.answer(PRESS, lambda: Go("/one")) == Go("/one")


def test_presses_at_the_same_time_wait_for_the_first() -> None:
    once, begun, go_on, done = Once(), threading.Event(), threading.Event(), []

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
