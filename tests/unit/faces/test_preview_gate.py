"""How many previews are made at once in one server."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor

import pytest

from mendbay.core.errors import Interrupted, MendbayError
from mendbay.faces.web.gate import Gate


def test_a_few_get_through_and_the_rest_wait_for_them() -> None:
    gate, going = Gate(3, 20, 30.0), threading.Event()
    lock, now, most = threading.Lock(), [0], [0]
    full = threading.Semaphore(0)

    def look(at: int) -> int:
        with gate.through():
            with lock:
                now[0] += 1
                most[0] = max(most[0], now[0])
            full.release()
            assert going.wait(30)
            with lock:
                now[0] -= 1
        return at

    with ThreadPoolExecutor(10) as pool:
        asked = [pool.submit(look, at) for at in range(10)]
        for _ in range(3):
            assert full.acquire(timeout=30)
        assert not full.acquire(timeout=0.3)
        going.set()
        assert [one.result(30) for one in asked] == list(range(10))
    assert most == [3]


def test_who_goes_away_leaves_and_takes_no_place() -> None:
    gate, gone = Gate(1, 5, 30.0), threading.Event()
    with gate.through(), ThreadPoolExecutor(1) as pool:
        waiting = pool.submit(lambda: gate.through(gone.is_set).__enter__())
        gone.set()
        with pytest.raises(Interrupted):
            waiting.result(30)
    with gate.through():
        pass


def test_too_many_are_told_at_once_and_so_is_a_wait_that_is_too_long() -> None:
    gate = Gate(1, 0, 30.0)
    with gate.through(), pytest.raises(MendbayError, match="Too many previews"), gate.through():
        pass
    gate = Gate(1, 1, 0.0)
    with gate.through(), pytest.raises(MendbayError, match="Too many previews"), gate.through():
        pass


def test_what_goes_wrong_inside_frees_the_place() -> None:
    gate = Gate(1, 0)
    for _ in range(3):
        with pytest.raises(ValueError, match="x"), gate.through():
            raise ValueError("x")
