"""Serves the bench until it is told to end."""

from __future__ import annotations

import ipaddress
import os
import secrets
import signal
import socket
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType

import uvicorn
from sse_starlette.sse import AppStatus

from mendbay.core.errors import CannotServe, UsageError
from mendbay.faces.web.app import application
from mendbay.faces.web.connections import Connection
from mendbay.faces.web.desk import Desk
from mendbay.faces.web.guard import Rules
from mendbay.faces.web.live import Pulse
from mendbay.faces.web.neighbours import OwnConnection
from mendbay.wiring import changes_of, home_folder, make_home, open_bench

PORT = 8437
KEY_FILE = "bench.key"
CONNECTIONS = 200
"""Browsers hold one for news and a few for pages; more than that is no shop of two people."""
ENDING_SECONDS = 1
"""How long a request under way may take once the server is told to end; streams end at once."""


@dataclass(frozen=True, slots=True)
class Listening:
    """Where the server listens.

    Args:
        address: of this machine, or `0.0.0.0`/`::` for all of its own.
        names: further names under which browsers ask for it.
        with_key: ask for a key also where only this machine can reach it.
        phone_port: where telephones are listened to while a key for one is open; 0 for any that is free.
    """

    address: str = "127.0.0.1"
    port: int = PORT
    names: Sequence[str] = field(default=())
    with_key: bool = False
    phone_port: int = 0

    @property
    def is_open(self) -> bool:
        """Whether other machines can reach it.

        Raises:
            UsageError: the address is none.
        """
        try:
            return not ipaddress.ip_address(self.address).is_loopback
        except ValueError:
            raise UsageError(
                f"{self.address[:60]!r} is no address of a machine.", "Give one in digits, like 192.0.2.7."
            ) from None


@dataclass(frozen=True, slots=True)
class Served:
    """Where the bench is.

    Args:
        url: to be opened; with the key behind its `#`, which browsers send to nobody.
        words: to be said at the terminal.
    """

    url: str = field(repr=False)
    needs_key: bool
    words: str = field(repr=False)


def serve(home: Path | None, where: Listening, say: Callable[[Served], None]) -> None:
    """Serves the bench; returns once it was told to end (Ctrl-C, SIGTERM).

    Args:
        home: where cases are kept; None for this machine's default.
        say: told where the bench is, once it can be reached.

    Raises:
        UsageError: the address is none.
        CannotServe: nothing can be served there.
        LedgerError: the ledger cannot be opened.
    """
    with open_bench(home):
        pass  # a home that cannot be used is told now, not by every page
    with _socket(where) as listener:
        port = listener.getsockname()[1]
        key = bench_key(home) if where.is_open or where.with_key else ""
        pulse = Pulse(lambda: changes_of(home))
        desk = Desk(home, Rules(hosts_of(where, port), key), pulse, phone_port=where.phone_port)
        app = application(desk)
        desk.weigher.get_ready()
        say(greeting(where, port, key))
        config = uvicorn.Config(
            app,
            log_config=None,
            log_level="warning",
            access_log=False,
            server_header=False,
            proxy_headers=False,
            timeout_graceful_shutdown=ENDING_SECONDS,
            ws="none",
            h11_max_incomplete_event_size=1 << 15,
            limit_concurrency=CONNECTIONS,
            http=Connection if key else OwnConnection,
        )
        AppStatus.enable_automatic_graceful_drain = False  # it would cut streams off where ours let them end
        _Server(config, pulse).run(sockets=[listener])


class _Server(uvicorn.Server):
    """A server that ends as a command does which did what it was for: not by the signal that told it to."""

    def __init__(self, config: uvicorn.Config, pulse: Pulse) -> None:
        super().__init__(config)
        self._pulse = pulse

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """The first signal has it end, another Ctrl-C at once."""
        self.force_exit = self.should_exit and sig == signal.SIGINT
        self.should_exit = True

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Lets live pages go first: a stream that is cut off is an error to the server, and told as one."""
        self._pulse.end_streams()
        await super().shutdown(sockets)


def _socket(where: Listening) -> socket.socket:
    family = socket.AF_INET6 if ":" in where.address else socket.AF_INET
    _ = where.is_open  # refuses what is no address
    # named as TCP, so that asyncio sends small answers at once (TCP_NODELAY): else each waits 40 ms for the
    # browser's acknowledgement of its head
    listener = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((where.address, where.port))
        listener.listen(128)
    except OSError as trouble:
        listener.close()
        raise CannotServe(
            f"The bench cannot be served at {where.address} port {where.port}: {trouble.strerror}.",
            "Give another with --port, or end what listens there.",
        ) from trouble
    return listener


def hosts_of(where: Listening, port: int) -> frozenset[str]:
    """The names with port under which browsers may ask for the server."""
    names = [*where.names]
    if where.is_open and not ipaddress.ip_address(where.address).is_unspecified:
        names.append(where.address)
    else:
        names += ["127.0.0.1", "localhost", "::1"]
    if ipaddress.ip_address(where.address).is_unspecified:
        names += addresses_of_this_machine()
    bracketed = [f"[{one}]" if ":" in one else one for one in names]
    found = {f"{one}:{port}".lower() for one in bracketed}
    return frozenset(found | {one.lower() for one in bracketed} if port == 80 else found)


def addresses_of_this_machine() -> list[str]:
    """The addresses under which other machines of the network reach this one, as far as can be told without
    asking anybody."""
    found = []
    for family, far in (
        (socket.AF_INET, "192.0.2.1"),
        (socket.AF_INET6, "2001:db8::1"),
    ):  # documentation's own
        with socket.socket(family, socket.SOCK_DGRAM) as probe:
            try:
                probe.connect((far, 9))  # sends nothing: only the way there is looked up
                found.append(probe.getsockname()[0])
            except OSError:
                continue
    return [one for one in found if not ipaddress.ip_address(one).is_loopback]


def bench_key(home: Path | None) -> str:
    """The key of the bench: made once, kept in the home for its owner alone.

    Raises:
        UsageError: it cannot be kept, or others can read it.
    """
    place = home_folder(home) / KEY_FILE
    try:
        make_home(home)
        try:
            handle = os.open(place, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        except FileExistsError:
            pass
        else:
            with os.fdopen(handle, "w") as file:
                file.write(secrets.token_urlsafe(24))
        if place.stat().st_mode & 0o077:
            raise UsageError(f"Others can read the key in {place}.", "Delete that file: a new key is made.")
        key = place.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError) as trouble:
        raise UsageError(
            f"The key in {place} cannot be kept or read: {trouble}.", "Mend that, then serve again."
        ) from None
    if len(key) < 20:
        raise UsageError(
            f"The key in {place} is too short to be one.", "Delete that file: a new key is made."
        )
    return key


def greeting(where: Listening, port: int, key: str) -> Served:
    """Where the bench is, once it can be reached."""
    unspecified = ipaddress.ip_address(where.address).is_unspecified
    named = (addresses_of_this_machine() or ["127.0.0.1"])[0] if unspecified else where.address
    shown = f"[{named}]" if ":" in named else named
    url = f"http://{shown}:{port}/{f'enter#{key}' if key else ''}"
    lines = [f"The bench is at {url}"]
    if where.is_open:
        lines += [
            "Other machines can reach it: whoever has this key can do all that you can. What goes",
            "over the network is not encrypted, so do this only in a network of your own.",
        ]
    lines.append("Ctrl-C ends it. What is being read then goes on and is shown again next time.")
    return Served(url, bool(key), "\n".join(lines))
