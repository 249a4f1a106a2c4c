"""What a catalogue keeps of its answers, and how many threads share the making of one."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from mendbay.core.errors import UsageError
from mendbay.files import catalogue as catalogue_module
from mendbay.files.catalogue import Catalogue, Query
from support.catalogues import catalogue_of, entry


def rows_of(count: int) -> Catalogue:
    return catalogue_of([entry(b"pot %05d" % at) for at in range(count)])


def test_words_typed_by_the_hundred_are_not_all_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = rows_of(2000)
    monkeypatch.setattr(catalogue_module, "KEPT_BYTES", 20_000)
    for at in range(300):
        rows.search(Query(f"pot {at}"))
        rows.search(Query(f"{at}**0"))
    assert sum(one.nbytes for one in rows._results.values()) == rows._result_bytes <= 20_000
    assert len(rows._results) <= catalogue_module.KEPT_RESULTS
    assert len(rows.search(Query("pot"))) == 2000


def test_several_that_ask_the_same_wait_for_one_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = rows_of(50)
    begun, going, worked = threading.Event(), threading.Event(), []
    plain = rows._word

    def slow(word: str) -> np.ndarray:
        worked.append(word)
        begun.set()
        assert going.wait(20)
        return plain(word)

    monkeypatch.setattr(rows, "_word", slow)
    with ThreadPoolExecutor(6) as pool:
        asked = [pool.submit(rows.search, Query("p**1")) for _ in range(6)]
        assert begun.wait(20)
        going.set()
        found = [one.result(20).tolist() for one in asked]
    assert worked == ["p**1"]
    assert all(one == found[0] for one in found)
    assert len(found[0]) == 5


def test_a_refused_search_is_refused_again_and_keeps_nobody_waiting() -> None:
    rows = rows_of(3)
    for _ in range(2):
        with pytest.raises(UsageError):
            rows.search(Query("a**b**c**d**e**f"))
    assert not rows._promised
