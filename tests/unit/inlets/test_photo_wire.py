"""Messages between the picture reader and its child: what goes comes back, and nothing else is believed."""

from __future__ import annotations

import json
import socket
import struct
import time
from collections.abc import Callable
from typing import Any

import pytest

from mendbay.board.sighting import How, PictureFault, PictureReading, Sighting, Trouble
from mendbay.board.sighting_text import NotAReading, packed, unpacked
from mendbay.inlets import photo_wire

PLACE = ((0.0, 0.5), (10.0, 0.0), (10.0, 4.0), (0.0, 4.0))
READING = PictureReading(
    "a.jpg",
    "ab" * 32,
    400,
    300,
    (
        Sighting("a.jpg", "AL20-HX4", How.TEXT, 0.9, PLACE, characters=(0.9,) * 8),
        Sighting("a.jpg", "A␞1", How.BARCODE, 1.0, PLACE, code="Data Matrix"),
    ),
    (Trouble(PictureFault.GLARE, "2 % white", "Again.", PLACE), Trouble(PictureFault.SMALL, "3", "Nearer.")),
    False,
    1.5,
)


def test_a_reading_comes_back_as_it_went() -> None:
    assert unpacked(packed(READING), "a.jpg", "ab" * 32) == READING


def spoilt(change: Callable[[Any], None]) -> bytes:
    answer = json.loads(packed(READING))
    change(answer)
    return json.dumps(answer).encode()


@pytest.mark.parametrize(
    "message",
    [
        b"",
        b"[]",
        b"\xff\xfe",
        b"[" * 100_000,
        spoilt(lambda a: a.pop("width")),
        spoilt(lambda a: a.update(width=-1)),
        spoilt(lambda a: a.update(width=True)),
        spoilt(lambda a: a.update(seconds=float("nan"))),
        spoilt(lambda a: a.update(usable=True)),
        spoilt(lambda a: a.update(sightings=a["sightings"] * 600)),
        spoilt(lambda a: a["sightings"][0].__setitem__(0, " ")),
        spoilt(lambda a: a["sightings"][0].__setitem__(0, "x" * 5000)),
        spoilt(lambda a: a["sightings"][0].__setitem__(1, "guess")),
        spoilt(lambda a: a["sightings"][0].__setitem__(2, 1.5)),
        spoilt(lambda a: a["sightings"][0][3].pop()),
        spoilt(lambda a: a["sightings"][0][3][0].__setitem__(0, "1")),
        spoilt(lambda a: a["sightings"][0][5].pop()),
        spoilt(lambda a: a["troubles"][0].__setitem__(0, "ugly")),
        spoilt(lambda a: a.update(troubles=a["troubles"] * 30)),
    ],
)
def test_anything_else_is_not_a_reading(message: bytes) -> None:
    with pytest.raises(NotAReading):
        unpacked(message, "a.jpg", "")


def test_messages_are_bounded_in_size_and_time() -> None:
    ours, theirs = socket.socketpair()
    with ours, theirs:
        photo_wire.send(ours, b"hello")
        assert photo_wire.receive(theirs, 5) == b"hello"
        photo_wire.send(ours, b"hello")
        with pytest.raises(NotAReading):
            photo_wire.receive(theirs, 4)
    ours, theirs = socket.socketpair()
    with theirs:
        ours.sendall(struct.pack(">I", 10) + b"half")
        with pytest.raises(TimeoutError):
            photo_wire.receive(theirs, 100, time.monotonic() + 0.05)
        ours.close()
        with pytest.raises(EOFError):
            photo_wire.receive(theirs, 100, time.monotonic() + 5)
