"""The door for telephones: a second server that listens in the network of the place only while a key is open.

Nobody can come from it to the bench: it has another port, another application and none of its addresses.
"""

from __future__ import annotations

import socket
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import uvicorn
from starlette.datastructures import UploadFile

from mendbay.core.errors import CannotServe
from mendbay.faces.web.connections import Connection
from mendbay.faces.web.phone_app import phone_application
from mendbay.faces.web.phone_keys import KEY_SECONDS, PhoneKey, PhoneKeys
from mendbay.faces.web.picture_intake import take_pictures
from mendbay.faces.web.serve import addresses_of_this_machine

if TYPE_CHECKING:
    from mendbay.faces.web.desk import Desk

KEPT = "phone"
ENDING_SECONDS = 3.0
LINGER_SECONDS = 2.0
"""After the last key is closed the server goes on for so long, so that its last answer arrives."""
CONNECTIONS = 32


@dataclass(frozen=True, slots=True)
class OpenDoor:
    """A key that is open, and the address to be scanned."""

    key: PhoneKey
    url: str
    address: str
    minutes: int


class PhoneDoor:
    """
    Args:
        port: to listen at; 0 for any that is free.
    """

    def __init__(self, desk: Desk, port: int = 0, keys: PhoneKeys | None = None) -> None:
        self.keys = keys or PhoneKeys()
        self._desk = desk
        self._port = port
        self._lock = threading.Lock()
        self._server: uvicorn.Server | None = None
        self._thread: threading.Thread | None = None
        self._at = ""
        self._shutting: threading.Timer | None = None

    def open(self, case: int, bay: str, who: str) -> PhoneKey:
        """Opens a key, and the door if it is shut.

        Raises:
            CannotServe: this machine is in no network, or cannot listen in it.
        """
        with self._lock:
            if not self.listens:
                self._shut()  # what is left of one whose thread ended by itself
                self._listen()
            made = self.keys.open(case, bay, who)
            if self._shutting is not None:
                self._shutting.cancel()  # else each opening would hold a thread as long as its key
            self._shutting = threading.Timer(KEY_SECONDS + 1, self._shut_if_idle)
            self._shutting.daemon = True
            self._shutting.start()
        return made

    def standing(self, case: int, bay: str) -> OpenDoor | None:
        """The open key of a place with its address."""
        one = self.keys.of(case, bay)
        if one is None or not self._at or not self.listens:
            return None
        minutes = max(1, round(self.keys.seconds_left(one) / 60))
        return OpenDoor(one, f"http://{self._at}/p/{one.key}", self._at, minutes)

    def close(self, key: str) -> None:
        """Closes a key, and with the last one, a moment later, the door."""
        self.keys.close(key)
        if not self.keys.any_open:
            timer = threading.Timer(LINGER_SECONDS, self._shut_if_idle)
            timer.daemon = True
            timer.start()

    def forget(self, case: int | None) -> None:
        """Closes every key of a case.

        Args:
            case: None for every key there is.
        """
        for one in self.keys.of_case(case):
            self.close(one.key)

    def end(self) -> None:
        """Shuts the door at once."""
        with self._lock:
            if self._shutting is not None:
                self._shutting.cancel()
            self._shut()

    @property
    def listens(self) -> bool:
        """Whether the door is open."""
        return self._server is not None and self._thread is not None and self._thread.is_alive()

    def _shut_if_idle(self) -> None:
        with self._lock:
            if not self.keys.any_open:
                self._shut()

    def _shut(self) -> None:
        server, thread = self._server, self._thread
        self._server = self._thread = None
        self._at = ""
        if server is not None:
            server.should_exit = True
        if thread is not None:
            thread.join(ENDING_SECONDS)

    def _listen(self) -> None:
        there = addresses_of_this_machine()
        if not there:
            raise CannotServe(
                "This machine is in no network that a telephone could reach it by.",
                "Bring both into the same network, or send the pictures another way.",
            )
        address = there[0]
        listener = _listener(address, self._port)
        shown = f"[{address}]" if ":" in address else address
        self._at = f"{shown}:{listener.getsockname()[1]}"
        app = phone_application(frozenset({self._at}), self.keys, self._take, self._desk.static, self.close)
        config = uvicorn.Config(
            app,
            log_config=None,
            log_level="warning",
            access_log=False,
            server_header=False,
            proxy_headers=False,
            lifespan="off",
            limit_concurrency=CONNECTIONS,
            http=Connection,
            timeout_graceful_shutdown=1,
            ws="none",
            h11_max_incomplete_event_size=1 << 15,
        )
        server = uvicorn.Server(config)

        def run() -> None:
            with listener:
                server.run(sockets=[listener])

        self._server = server
        self._thread = threading.Thread(target=run, name="phone", daemon=True)
        self._thread.start()

    def _take(self, one: PhoneKey, sent: Sequence[UploadFile]) -> str:
        return take_pictures(self._desk, one.case, one.bay, one.who, sent)


def _listener(address: str, port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((address, port))
        listener.listen(64)
    except OSError as trouble:
        listener.close()
        raise CannotServe(
            f"Nothing can listen for telephones at {address} port {port or 'of any number'}: "
            f"{trouble.strerror}.",
            "End what listens there, or serve the bench with another --phone-port.",
        ) from trouble
    return listener


def phone_door(desk: Desk) -> PhoneDoor:
    """The one of this server."""
    found: PhoneDoor = desk.keep(KEPT, lambda: PhoneDoor(desk, desk.phone_port))
    return found
