"""What forms led to is found again by whatever server asks, and by nobody once it is too old or too much."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from mendbay.core.errors import LedgerError
from mendbay.jobs.presses_port import KEPT_SECONDS, MOST, Led
from mendbay.outlets.press_files import PressFiles

ONE, OTHER = "a" * 64, "b" * 64
LED = Led("/case/1/money?bay=1")


class Standing:
    """A ledger."""

    def __init__(self, marks: tuple[str, ...] = ("now",)) -> None:
        self.marks = marks

    def mark(self) -> str:
        return self.marks[-1]

    def went_through(self, mark: str) -> bool:
        return mark in self.marks


class Away(Standing):
    """One that cannot be read."""

    def mark(self) -> str:
        raise LedgerError("It is away.", "Put it back.")


def files(home: Path, ledger: Standing | None = None, clock: Callable[[], float] = time.time) -> PressFiles:
    return PressFiles(home / "presses", ledger or Standing(), clock)


def do(presses: PressFiles, digest: str = ONE, case: int | None = 1, led: Led | None = LED) -> None:
    with presses.hold(case, digest) as held:
        assert held.led is None
        assert not held.is_doubtful
        if led is not None:
            held.keep(led)


def was_done(presses: PressFiles, digest: str = ONE, case: int | None = 1) -> bool:
    with presses.hold(case, digest) as held:
        return held.led is not None


def names(home: Path) -> list[str]:
    return sorted(one.name for one in (home / "presses").iterdir())


def test_another_server_finds_what_it_led_to(tmp_path: Path) -> None:
    do(files(tmp_path), led=Led("/cases", clears=True))
    with files(tmp_path).hold(1, ONE) as held:
        assert held.led == Led("/cases", clears=True)
    assert (tmp_path / "presses").stat().st_mode & 0o777 == 0o700
    assert (tmp_path / "presses" / names(tmp_path)[0]).stat().st_mode & 0o777 == 0o600


def test_another_press_or_one_of_another_case_was_not_done(tmp_path: Path) -> None:
    do(files(tmp_path))
    do(files(tmp_path), OTHER)
    do(files(tmp_path), ONE, 2)
    do(files(tmp_path), ONE, None)


def test_nothing_stays_of_one_that_was_refused(tmp_path: Path) -> None:
    do(files(tmp_path), led=None)
    assert names(tmp_path) == []
    with pytest.raises(OSError, match="no room"), files(tmp_path).hold(1, ONE):
        raise OSError("no room")
    do(files(tmp_path))


def killed_over_it(home: Path) -> None:
    with files(home).hold(1, ONE):
        os.kill(os.getpid(), signal.SIGKILL)


def test_one_whose_server_was_killed_is_doubtful_and_holds_up_nobody(tmp_path: Path) -> None:
    child = multiprocessing.get_context("spawn").Process(target=killed_over_it, args=(tmp_path,))
    child.start()
    child.join(60)
    assert child.exitcode == -signal.SIGKILL
    for _ in range(2):
        with files(tmp_path).hold(1, ONE) as held:
            assert held.is_doubtful
            assert held.led is None


@pytest.mark.parametrize(
    "data", [b"beg", b"begun\n{", b"begun\n{}\n", b"\x00" * 9, b"begun\n[1]\n", b'begun\n{"url": "//x"}\n']
)
def test_one_that_was_put_down_in_part_is_doubtful(tmp_path: Path, data: bytes) -> None:
    do(files(tmp_path))
    (tmp_path / "presses" / names(tmp_path)[0]).write_bytes(data)
    with files(tmp_path).hold(1, ONE) as held:
        assert held.is_doubtful


def test_one_that_another_ledger_had_is_not_done_in_this(tmp_path: Path) -> None:
    do(files(tmp_path, Standing(("first", "later"))))
    assert was_done(files(tmp_path, Standing(("first", "later", "latest"))))
    do(files(tmp_path, Standing(("first",))))


def test_one_whose_ledger_cannot_tell_where_it_stands_is_doubtful(tmp_path: Path) -> None:
    do(files(tmp_path, Away()))
    with files(tmp_path).hold(1, ONE) as held:
        assert held.is_doubtful


def test_two_servers_do_one_after_the_other(tmp_path: Path) -> None:
    begun, go_on, found = threading.Event(), threading.Event(), list[bool]()

    def first() -> None:
        with files(tmp_path).hold(1, ONE) as held:
            begun.set()
            go_on.wait(20)
            held.keep(LED)

    def second() -> None:
        found.append(was_done(files(tmp_path)))

    threads = [threading.Thread(target=one) for one in (first, second)]
    threads[0].start()
    assert begun.wait(20)
    threads[1].start()
    go_on.set()
    for one in threads:
        one.join(20)
    assert found == [True]


def test_one_who_waited_for_a_press_that_was_refused_does_it(tmp_path: Path) -> None:
    begun, go_on = threading.Event(), threading.Event()

    def refused() -> None:
        with files(tmp_path).hold(1, ONE):
            begun.set()
            go_on.wait(20)

    threads = [threading.Thread(target=refused), threading.Thread(target=do, args=(files(tmp_path),))]
    threads[0].start()
    assert begun.wait(20)
    threads[1].start()
    go_on.set()
    for one in threads:
        one.join(20)
    assert was_done(files(tmp_path))


def test_what_is_old_is_kept_no_longer(tmp_path: Path) -> None:
    do(files(tmp_path))
    later = files(tmp_path, clock=lambda: time.time() + KEPT_SECONDS + 1)
    later.tidy()
    assert names(tmp_path) == []
    do(files(tmp_path))
    do(later)


def test_a_clock_that_was_set_back_forgets_nothing(tmp_path: Path) -> None:
    do(files(tmp_path))
    assert was_done(files(tmp_path, clock=lambda: time.time() - 3600))


def test_of_too_many_the_oldest_go(tmp_path: Path) -> None:
    presses = files(tmp_path)
    do(presses)
    for number in range(MOST):
        made = tmp_path / "presses" / f"0001-{number:064x}"
        made.write_bytes(b"begun\n")
    now = time.time()
    os.utime(tmp_path / "presses" / f"0001-{ONE}", (now - 60, now - 60))
    presses.tidy()
    assert len(names(tmp_path)) == MOST
    do(presses)


def test_forgetting_a_case_takes_its_own_and_no_others(tmp_path: Path) -> None:
    presses = files(tmp_path)
    for case in (1, 11, 10001, None):
        do(presses, case=case)
    presses.forget(1)
    assert not was_done(presses)
    assert all(was_done(presses, case=case) for case in (11, 10001, None))
    presses.forget(None)
    assert names(tmp_path) == []


def test_one_that_is_under_way_is_not_taken_away(tmp_path: Path) -> None:
    presses = files(tmp_path, clock=lambda: time.time() + 2 * KEPT_SECONDS)
    with presses.hold(1, ONE):
        presses.forget(1)
        presses.forget(None)
        presses.tidy()
        assert len(names(tmp_path)) == 1


@pytest.mark.parametrize("planted", ["file", "link"])
def test_where_nothing_can_be_kept_it_is_done_all_the_same(tmp_path: Path, planted: str) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    if planted == "file":
        (tmp_path / "presses").write_bytes(b"")
    else:
        (tmp_path / "presses").symlink_to(elsewhere)
    do(files(tmp_path))
    do(files(tmp_path))
    files(tmp_path).forget(1)
    assert not list(elsewhere.iterdir())


def test_a_link_in_the_place_of_a_press_is_not_followed(tmp_path: Path) -> None:
    aim = tmp_path / "aim"
    aim.write_bytes(b"")
    (tmp_path / "presses").mkdir()
    (tmp_path / "presses" / f"0001-{ONE}").symlink_to(aim)
    do(files(tmp_path))
    assert aim.read_bytes() == b""
