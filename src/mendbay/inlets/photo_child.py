"""The process that decodes and reads pictures on behalf of `photo.PictureReader`.

Run as `python -I -m mendbay.inlets.photo_child CHANNEL MEMORY_BYTES THREADS`: `CHANNEL` is one end of an
inherited stream socket (`photo_wire.py` says what passes over it). It loads its models once, then answers
picture after picture until the other end is closed.

A picture may have been made to break a decoder. This process therefore has nothing to lose: it is given
bytes, not paths, may use only so much memory, writes no file, starts no program and opens no connection.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import resource
import socket
import sys
import time
from dataclasses import replace
from typing import Any

from mendbay.board.sighting_text import packed
from mendbay.core.errors import PictureUnusable
from mendbay.inlets import photo_wire

NEEDED = ("numpy", "cv2", "PIL", "zxingcpp", "onnxruntime", "rapidocr")
PICTURE_BYTES = 1 << 30
"""A bound on what is believed of a message's length; the other end has its own, lower limit."""

REFUSED_EVENTS = (
    "socket.connect",
    "socket.bind",
    "socket.sendto",
    "socket.getaddrinfo",
    "socket.gethostbyname",
    "subprocess.Popen",
    "os.system",
    "os.exec",
    "os.posix_spawn",
    "os.fork",
    "os.forkpty",
)
WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND


def _guard(event: str, arguments: tuple[Any, ...]) -> None:
    """Refuses what reading pictures never needs; Python calls this before it does any of it (PEP 578)."""
    if event in REFUSED_EVENTS:
        raise PermissionError(f"{event} is not allowed here")
    if (
        event == "open"
        and isinstance(arguments[2], int)
        and arguments[2] & WRITING
        and arguments[0] != os.devnull
    ):
        raise PermissionError("writing a file is not allowed here")


def _limit(memory_bytes: int) -> None:
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))
    if memory_bytes:
        resource.setrlimit(resource.RLIMIT_AS, (memory_bytes, memory_bytes))


def _missing() -> str:
    for name in NEEDED:
        try:
            importlib.import_module(name)
        except ImportError as trouble:
            return f"{name}: {trouble}"
    return ""


def serve(channel: socket.socket, threads: int) -> None:
    """Loads the models, then answers until the other end is closed."""
    missing = _missing()
    if missing:
        photo_wire.send(channel, json.dumps({"cannot": missing[:300]}).encode())
        return
    import cv2

    from mendbay.inlets import photo_look, photo_picture
    from mendbay.inlets.photo_text import TextReader

    cv2.setNumThreads(threads)
    reader = TextReader(threads)
    photo_wire.send(channel, json.dumps({"ready": True}).encode())
    while True:
        data = photo_wire.receive(channel, PICTURE_BYTES)
        started = time.monotonic()
        try:
            reading = photo_look.reading_of(photo_picture.decode(data), "", "", reader)
        except PictureUnusable as trouble:
            reading = photo_look.unusable("", "", trouble.what, trouble.next_step)
        except (MemoryError, RuntimeError, ValueError, OSError, cv2.error) as trouble:
            # the libraries tell of memory that is not to be had in errors of their own
            what = f"The picture could not be read: {type(trouble).__name__}"
            reading = photo_look.unusable("", "", what, "Send it at a smaller size, or take it again.")
        reading = replace(reading, seconds=round(time.monotonic() - started, 3))
        photo_wire.send(channel, packed(reading).encode())
        del data, reading


def main(channel: int, memory_bytes: int, threads: int) -> None:
    """Limits this process, then serves."""
    _limit(memory_bytes)
    sys.addaudithook(_guard)
    with socket.socket(fileno=channel) as ours, contextlib.suppress(EOFError, OSError):
        serve(ours, threads)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
