"""Whoever opens connections and says nothing shuts nobody out; neither does who sends a key for ever."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing, suppress
from pathlib import Path

import pytest
import uvicorn

from mendbay.faces.web import app, phone, serve
from mendbay.faces.web.connections import Connection
from mendbay.faces.web.guard import Rules
from mendbay.faces.web.live import Pulse
from mendbay.wiring import changes_of
from support.works import until

MOST = 6
Address = tuple[str, int]


class _Hasty(Connection):
    head_seconds = 0.3


def _ask(at: Address, text: str) -> bytes:
    with closing(socket.create_connection(at, 30)) as mine:
        mine.sendall(text.format(host=f"{at[0]}:{at[1]}").encode())
        return mine.recv(1 << 16)


def _rest(mine: socket.socket) -> bytes:
    """What comes until the server ends the connection."""
    with suppress(ConnectionResetError):
        return mine.recv(1 << 16)
    return b""


PAGE = "GET /enter HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n"


def _served(home: Path, kind: type[Connection], most: int) -> Iterator[Address]:
    listener = socket.create_server(("127.0.0.1", 0))
    at = listener.getsockname()
    rules = Rules(frozenset({f"{at[0]}:{at[1]}"}), "a-key-that-is-long-enough-to-be-one")
    inner = app.application(serve.Desk(home, rules, Pulse(lambda: changes_of(home))))
    server = uvicorn.Server(
        uvicorn.Config(
            inner,
            log_level="warning",
            log_config=None,
            limit_concurrency=most,
            http=kind,
            timeout_graceful_shutdown=1,
        )
    )
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    until(lambda: server.started)
    yield at
    server.should_exit = True
    thread.join(30)


@pytest.fixture
def at(tmp_path: Path) -> Iterator[Address]:
    yield from _served(tmp_path / "home", Connection, MOST)


@pytest.fixture
def hasty(tmp_path: Path) -> Iterator[Address]:
    yield from _served(tmp_path / "home", _Hasty, 100)


def test_connections_that_say_nothing_shut_nobody_out(at: Address) -> None:
    with ExitStack() as held:
        silent = [held.enter_context(closing(socket.create_connection(at, 30))) for _ in range(3 * MOST)]
        for one in silent[::2]:
            one.sendall(b"GET / HT")
        assert _ask(at, PAGE).startswith(b"HTTP/1.1 200")


@pytest.mark.parametrize("begun", [b"", b"POST /enter HTTP/1.1\r\nHost:"])
def test_a_head_that_does_not_come_is_not_waited_for(hasty: Address, begun: bytes) -> None:
    with closing(socket.create_connection(hasty, 30)) as mine:
        mine.sendall(begun)
        assert _rest(mine) == b""


def test_a_second_head_is_not_waited_for_either(hasty: Address) -> None:
    with closing(socket.create_connection(hasty, 30)) as mine:
        mine.sendall(f"GET /enter HTTP/1.1\r\nHost: {hasty[0]}:{hasty[1]}\r\n\r\n".encode())
        time.sleep(0.2)
        assert mine.recv(1 << 20).startswith(b"HTTP/1.1 200")
        mine.sendall(b"GET /enter")
        assert _rest(mine) == b""


def test_an_answer_that_takes_long_is_waited_for(hasty: Address) -> None:
    """The time is one of heads alone: the rest of a form may take longer."""
    with closing(socket.create_connection(hasty, 30)) as mine:
        host = f"{hasty[0]}:{hasty[1]}"
        head = f"POST /enter HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\nContent-Length: 9\r\n"
        mine.sendall(f"{head}Content-Type: application/x-www-form-urlencoded\r\n\r\nkey=".encode())
        time.sleep(1)
        mine.sendall(b"wrong")
        assert mine.recv(1 << 16).startswith(b"HTTP/1.1 403")


def test_what_a_page_elsewhere_asks_for_fills_no_terminal(
    at: Address, caplog: pytest.LogCaptureFixture
) -> None:
    wish = "Connection: Upgrade\r\nUpgrade: websocket\r\n\r\n"
    assert _ask(at, PAGE.replace("Connection: close\r\n\r\n", wish)).startswith(b"HTTP/1.1 200")
    assert caplog.text == ""


def test_a_key_that_never_arrives_is_not_waited_for(at: Address, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(app, "DOOR_SECONDS", 0.3)
    head = "POST /enter HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\nContent-Length: 9\r\n"
    head += "Content-Type: application/x-www-form-urlencoded\r\n\r\nkey="
    assert _ask(at, head).startswith(b"HTTP/1.1 408")


@pytest.mark.parametrize("module", [serve, phone])
def test_both_servers_hold_connections_so(module: object) -> None:
    assert getattr(module, "Connection", None) is Connection
