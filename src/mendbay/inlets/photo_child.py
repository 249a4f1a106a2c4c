"""The process that decodes and reads pictures on behalf of `photo.PictureReader`.

Run as `python -I -m mendbay.inlets.photo_child CHANNEL MEMORY_BYTES CPU_SECONDS PICTURES THREADS PARENT`:
`CHANNEL` is one end of an inherited stream socket (`photo_wire.py` says what passes over it), `PARENT` the
process that started this one. It loads its models once, then answers picture after picture until the other
end is closed.

A picture may have been made to break a decoder. This process therefore has nothing to lose: it is given
bytes, not paths, may use only so much memory and so much processor time, writes no byte to a file, leaves no
core dump, gains no rights, and ends with its parent.

That it starts no program, opens no connection, reaches no other process and changes no file is held by the
kernel (`photo_jail.py`) on Linux on x86_64 and aarch64: the first three before any library is loaded, the
last before the first picture comes. Elsewhere, and where the kernel refuses, only Python's audit stands in
the way, which does not see what a decoder in another language does once it is broken. Files the user may
read can be read everywhere.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import socket
import sys
import time
from dataclasses import replace

from mendbay.board.sighting import PictureFault
from mendbay.board.sighting_text import packed
from mendbay.core.errors import PictureUnusable
from mendbay.inlets import photo_jail, photo_limits, photo_wire

NEEDED = ("numpy", "cv2", "PIL", "zxingcpp", "onnxruntime", "rapidocr")
PICTURE_BYTES = 1 << 30
"""A bound on what is believed of a message's length; the other end has its own, lower limit."""


def _missing() -> str:
    for name in NEEDED:
        try:
            importlib.import_module(name)
        except ImportError as trouble:
            return f"{name}: {trouble}"
    return ""


def serve(channel: socket.socket, threads: int, cpu_seconds: int) -> None:
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
    photo_jail.refuse_changing_files()  # libraries may make files as they load; pictures come only now
    photo_wire.send(channel, json.dumps({"ready": True}).encode())
    while True:
        data = photo_wire.receive(channel, PICTURE_BYTES)
        started = time.monotonic()
        photo_limits.allow_cpu(cpu_seconds)
        try:
            reading = photo_look.reading_of(photo_picture.decode(data), "", "", reader)
        except PictureUnusable as trouble:
            reading = photo_look.unusable("", "", trouble.what, trouble.next_step)
        except (MemoryError, RuntimeError, ValueError, OSError, cv2.error) as trouble:
            # the libraries tell of memory that is not to be had in errors of their own
            what = f"The picture could not be read: {type(trouble).__name__}"
            advice = "Send it at a smaller size, or take it again."
            reading = photo_look.unusable("", "", what, advice, PictureFault.UNREAD)
        reading = replace(reading, seconds=round(time.monotonic() - started, 3))
        photo_wire.send(channel, packed(reading).encode())
        del data, reading


def main(channel: int, memory_bytes: int, cpu_seconds: int, pictures: int, threads: int, parent: int) -> None:
    """Limits this process, then serves."""
    photo_limits.bind_to_parent(parent)
    photo_limits.limit(memory_bytes, cpu_seconds, pictures)
    sys.addaudithook(photo_limits.guard)
    photo_jail.refuse_reaching_out()
    with socket.socket(fileno=channel) as ours, contextlib.suppress(EOFError, OSError):
        serve(ours, threads, cpu_seconds)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
