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
import ctypes
import importlib
import json
import math
import os
import resource
import signal
import socket
import sys
import time
from dataclasses import replace
from typing import Any

from mendbay.board.sighting import PictureFault
from mendbay.board.sighting_text import packed
from mendbay.core.errors import PictureUnusable
from mendbay.inlets import photo_jail, photo_wire

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


PR_SET_PDEATHSIG, PR_SET_DUMPABLE, PR_SET_NO_NEW_PRIVS = 1, 4, 38
"""Numbers of prctl(2), from linux/prctl.h."""

STARTING_CPU_SECONDS = 60


def limit(memory_bytes: int, cpu_seconds: int, pictures: int) -> None:
    """Limits this process for good: memory, processor time, files and core dumps. A lower limit it was
    started under stays.

    Args:
        memory_bytes: of address space; 0 for no limit.
        cpu_seconds: for one picture; `pictures` of them, and the start, are the most this process may ever
            use, however it comes to change the limit of the picture at hand.
    """
    _at_most(resource.RLIMIT_CORE, 0, 0)
    _at_most(resource.RLIMIT_FSIZE, 0, 0)
    if memory_bytes:
        _at_most(resource.RLIMIT_AS, memory_bytes, memory_bytes)
    most = STARTING_CPU_SECONDS + cpu_seconds * pictures
    _at_most(resource.RLIMIT_CPU, STARTING_CPU_SECONDS, most)


def _at_most(which: int, soft: int, hard: int) -> None:
    """Sets a limit, or leaves the lower one that was inherited, which only root could raise."""
    inherited = resource.getrlimit(which)[1]
    if inherited != resource.RLIM_INFINITY:
        hard = min(hard, inherited)
    resource.setrlimit(which, (min(soft, hard), hard))


def allow_cpu(seconds: int) -> None:
    """Sets by when the picture at hand must be done: the kernel ends this process with SIGXCPU then."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    most = resource.getrlimit(resource.RLIMIT_CPU)[1]
    until = math.ceil(used.ru_utime + used.ru_stime) + seconds
    resource.setrlimit(resource.RLIMIT_CPU, (min(until, most), most))


def bind_to_parent(parent: int) -> bool:
    """Has this process killed when the thread that started it ends, and kept from new rights and dumps.

    An idle child ends when its channel closes; this also ends one that is busy with a picture.

    Returns:
        False where the system knows no such thing.

    Raises:
        SystemExit: the parent is gone already.
    """
    try:
        prctl = ctypes.CDLL(None, use_errno=True).prctl
    except (OSError, AttributeError):
        return False
    done = bool(prctl(PR_SET_PDEATHSIG, int(signal.SIGKILL), 0, 0, 0) == 0)
    prctl(PR_SET_DUMPABLE, 0, 0, 0, 0)  # a core handed to a program is not held back by the size limit
    prctl(PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0)
    if os.getppid() != parent:
        raise SystemExit(1)
    return done


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
        allow_cpu(cpu_seconds)
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
    bind_to_parent(parent)
    limit(memory_bytes, cpu_seconds, pictures)
    sys.addaudithook(_guard)
    photo_jail.refuse_reaching_out()
    with socket.socket(fileno=channel) as ours, contextlib.suppress(EOFError, OSError):
        serve(ours, threads, cpu_seconds)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
