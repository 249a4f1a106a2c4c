"""Looks at what is mounted, which is waited for no longer than is fit: a medium or a share that hangs holds
whoever looks at it, and nothing can end that."""

from __future__ import annotations

import errno
import re
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from concurrent.futures import TimeoutError as NotYet
from contextlib import suppress
from pathlib import Path
from typing import Any, TypeVar

MOUNTS = Path("/proc/self/mountinfo")
"""Fields: proc_pid_mountinfo(5)."""
LOOK_SECONDS = 3.0
"""How long a look at a medium is waited for (own choice): one that sleeps takes longer to wake, and is asked
again with the next page."""

Found = TypeVar("Found")

_lock = threading.Lock()
_hanging: dict[str, Future[Any]] = {}
"""By the place where something is mounted, the look at it that was given up and has not come back."""


class DoesNotAnswer(TimeoutError):
    """What is mounted there did not answer in time."""

    def __init__(self, place: str) -> None:
        super().__init__(errno.ETIMEDOUT, "it does not answer", place)


def looked(place: Path | str, look: Callable[[], Found], seconds: float = LOOK_SECONDS) -> Found:
    """What a look at a place gives; in a thread of its own. While one that was given up has not come back, no
    other is begun at what is mounted there: so a medium that hangs costs one wait, and a thread for each that
    looked at it before the first was given up.

    Args:
        place: any place on it; told apart by its name alone, as nothing of it can be touched.

    Raises:
        DoesNotAnswer: it took too long, or hangs since before.
        Exception: whatever the look raises.
    """
    at = mount_of(place)
    with _lock:
        given_up = _hanging.get(at)
        if given_up is not None and not given_up.done():
            raise DoesNotAnswer(at)
        _hanging.pop(at, None)
    found: Future[Found] = Future()

    def run() -> None:
        try:
            found.set_result(look())
        except BaseException as trouble:  # raised where it is waited for
            found.set_exception(trouble)

    threading.Thread(target=run, name="look", daemon=True).start()
    try:
        return found.result(seconds)
    except NotYet:
        if found.done():
            return found.result()  # in the very last moment; or the look's own trouble
        with _lock:
            _hanging.setdefault(at, found)
        raise DoesNotAnswer(at) from None


def mount_of(place: Path | str) -> str:
    """Where what holds a place is mounted, by its name: no link is followed, and no disk asked."""
    named = Path(place).absolute()
    parents = {str(one) for one in (named, *named.parents)}
    return max((point for point, _, _ in mounts() if point in parents), key=len, default="/")


def mounts() -> Iterator[tuple[str, list[str], list[str]]]:
    """What is mounted: where, the options of the mount, and type, source and options of the file system."""
    with suppress(OSError):
        for line in MOUNTS.read_text(errors="surrogateescape").splitlines():
            left, _, right = line.partition(" - ")
            own, about = left.split(" "), right.split(" ")
            if len(own) >= 6 and len(about) >= 3:
                yield plain(own[4]), own[5].split(","), about


def plain(text: str) -> str:
    """A name in it, in which blanks are written as octal numbers."""
    return re.sub(r"\\([0-7]{3})", lambda one: chr(int(one[1], 8)), text)
