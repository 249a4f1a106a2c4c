"""What the server keeps of the last requests."""

from __future__ import annotations

import threading
from types import SimpleNamespace
from typing import Any

import pytest

from mendbay.faces.web.addresses import Address, Book
from mendbay.faces.web.answers import Page
from mendbay.faces.web.lately import Lately
from mendbay.faces.web.open_catalogues import MOST_PICTURES, Pictures
from mendbay.faces.web.visit import TOLD_KEPT, Visit
from mendbay.jobs.events import Said, StepProgress
from mendbay.jobs.preview_port import MadePicture
from support.web_client import Web


def test_of_too_many_the_one_nobody_asked_for_goes() -> None:
    kept = Lately[int, str](2)
    kept.put(1, "a")
    kept.put(2, "b")
    assert kept.get(1) == "a"
    kept.put(3, "c")
    assert [kept.get(one) for one in (1, 2, 3)] == ["a", None, "c"]
    kept.drop(lambda key: key == 1)
    assert [kept.get(one) for one in (1, 3)] == [None, "c"]
    kept.close()
    assert kept.get(3) is None


def test_many_threads_may_put_and_drop_at_once() -> None:
    kept = Lately[int, int](8)
    troubles: list[BaseException] = []

    def work(begin: int) -> None:
        try:
            for at in range(2000):
                kept.put(begin + at, at)
                kept.drop(lambda key: key % 3 == 0)
        except BaseException as trouble:
            troubles.append(trouble)

    threads = [threading.Thread(target=work, args=(10_000 * one,)) for one in range(4)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert troubles == []
    assert sum(kept.get(one) is not None for one in range(50_000)) <= 8


def test_a_request_keeps_sentences_alone_and_not_all_of_them(web: Web) -> None:
    desk: Any = SimpleNamespace(home=web.home, look_at_ledger=lambda: None)
    visit = Visit(desk, Book(), Address("GET", "/", "x", "", lambda visit: Page("x", {})), {}, {})
    with visit.bench() as bench:
        for at in range(2 * TOLD_KEPT):
            bench.tell(StepProgress("copying", at, 10, "a file"))
            bench.tell(Said(f"sentence {at}"))
    assert len(visit.told) == TOLD_KEPT
    assert visit.told[-1] == Said(f"sentence {2 * TOLD_KEPT - 1}")
    assert all(isinstance(one, Said) for one in visit.told)


def test_a_picture_that_is_looked_at_stays_longest() -> None:
    kept, seen = Pictures(), MadePicture(b"", "image/png", 1, 1, 1, 1)
    for one in range(MOST_PICTURES):
        kept.put(one, seen)
    assert kept.of(0, pytest.fail) is seen
    kept.put("another", seen)
    assert kept.get(0) is seen
    assert kept.get(1) is None
