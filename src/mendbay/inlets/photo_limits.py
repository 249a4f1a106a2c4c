"""The limits of a process that decodes pictures: what it may use, and what Python refuses it.

What the kernel refuses it is in `photo_jail.py`.
"""

from __future__ import annotations

import ctypes
import math
import os
import resource
import signal
from typing import Any

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


def guard(event: str, arguments: tuple[Any, ...]) -> None:
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
