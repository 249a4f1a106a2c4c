"""`mendbay bench serve`, as its user starts and ends it."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import urllib.error
import urllib.request
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

import pytest

from mendbay.core.clock import SystemClock
from mendbay.faces.web import app
from mendbay.jobs.work_port import WorkKind
from mendbay.outlets.work_shelf import WorkShelf
from support.web_client import web_on
from support.web_server import WORDS, served
from support.works import order_of, until


def run(home: Path, *more: str) -> subprocess.CompletedProcess[str]:
    words: Sequence[str] = [*WORDS, "--home", str(home), "bench", "serve", *more]
    return subprocess.run(words, capture_output=True, text=True, timeout=60, check=False)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_it_serves_until_it_is_told_to_end_and_says_one_sentence_whatever_is_open(
    tmp_path: Path, number: signal.Signals
) -> None:
    words = [*WORDS, "--home", str(tmp_path / "home"), "bench", "serve", "--port", "0"]
    pipe = subprocess.PIPE
    with subprocess.Popen(words, stdout=pipe, stderr=pipe, text=True) as process, ExitStack() as open_pages:
        try:
            assert process.stdout is not None
            url = process.stdout.readline().removeprefix("The bench is at ").strip()
            with urllib.request.urlopen(f"{url}cases", timeout=30) as page:
                assert b"Cases" in page.read()
            streams = [
                open_pages.enter_context(urllib.request.urlopen(f"{url}live", timeout=30)) for _ in range(4)
            ]
            for one in streams:
                assert one.readline() == b"event: now\r\n"
            process.send_signal(number)
            said, complained = process.communicate(timeout=20)
            for one in streams:
                one.read()  # raises where the answer was cut off
        finally:
            process.kill()
    assert process.returncode == 0
    assert complained == ""
    assert said.splitlines()[-1] == "The bench no longer answers. What is being read goes on."


def test_loopback_of_another_number_asks_no_key_and_any_other_address_does(tmp_path: Path) -> None:
    with served(tmp_path / "one", "--address", "127.0.0.2") as found:
        assert found.needs_key is False
    with served(tmp_path / "two", "--address", "0.0.0.0") as found:
        assert found.needs_key is True
        url, _, key = found.url.partition("#")
        assert len(key) >= 32
        with pytest.raises(urllib.error.HTTPError) as refused:
            urllib.request.urlopen(url.replace("enter", "cases"), timeout=30)
        assert refused.value.code == 401
        assert (tmp_path / "two" / "bench.key").read_text() == key


def test_a_port_that_is_taken_is_told(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        done = run(tmp_path, "--port", str(taken.getsockname()[1]))
    assert done.returncode == 53
    assert "cannot be served" in done.stderr
    assert "Next: " in done.stderr


def test_a_home_that_cannot_be_used_is_told_before_anything_is_served() -> None:
    done = run(Path("/proc/none"), "--port", "0")
    assert done.returncode == 40
    assert "cannot be made" in done.stderr


def test_an_address_that_is_none_is_told(tmp_path: Path) -> None:
    done = run(tmp_path, "--address", "bench")
    assert done.returncode == 2
    assert "no address" in done.stderr


def test_a_home_that_is_new_is_readable_for_its_owner_alone_where_the_key_is(tmp_path: Path) -> None:
    with served(tmp_path / "home", "--with-key") as found:
        assert found.needs_key is True
        assert os.stat(tmp_path / "home" / "bench.key").st_mode & 0o077 == 0


def test_a_server_that_runs_for_long_removes_what_nobody_needs_any_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(app, "TIDY_SECONDS", 0.05)
    monkeypatch.setattr(app, "WORKS_KEPT", 1)
    home = tmp_path / "home"
    with web_on(home):
        shelf = WorkShelf(home, SystemClock())
        for _ in range(3):
            order = order_of(shelf, WorkKind.CATALOGUE, {})
            shelf.begin(order)
            shelf.let_go(order.id)  # its process is gone
        left = home / "uploads" / "0123456789abcdef01234567"
        left.mkdir(parents=True)
        (left / "picture.jpg").write_bytes(b"of a customer")
        os.utime(left, (0, 0))
        until(lambda: not left.exists() and len(shelf.orders()) == 1)
