"""A person at a terminal of 80 columns who answers a program's questions, and counts the keys."""

from __future__ import annotations

import os
import pty
import select
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

STOP = "\x03"
"""Ctrl-C instead of an answer."""


@dataclass(frozen=True, slots=True)
class Talked:
    """
    Args:
        said: all that stood on the terminal.
        keys: pressed, Enter counted.
        unused: answers that were not asked for.
    """

    said: str
    code: int
    keys: int
    unused: tuple[str, ...]


def converse(home: Path, words: Sequence[str], answers: Sequence[str], patience: float = 150) -> Talked:
    """Runs mendbay on a terminal and types an answer at every prompt; after the last one `q`."""
    child, terminal = pty.fork()
    if not child:
        os.environ.update(COLUMNS="80", TERM="dumb", MENDBAY_CALLED_AS="mendbay")
        argv = [sys.executable, "-m", "mendbay.faces.cli.main", "--home", str(home), *words]
        os.execv(sys.executable, argv)
    said, seen, keys, left, stopped = b"", 0, 0, list(answers), False
    deadline = time.monotonic() + patience
    while time.monotonic() < deadline:
        if not select.select([terminal], [], [], 2)[0]:
            if stopped:  # Ctrl-C between the prompt and the wait for a key is heeded at the next key
                os.write(terminal, b"\r")
            continue
        try:
            more = os.read(terminal, 65536)
        except OSError:  # Linux says so when the program has ended
            break
        if not more:
            break
        said += more
        if said[seen:].endswith(b"\n> "):
            seen = len(said)
            text = left.pop(0) if left else "q"
            stopped = text == STOP
            keys += len(text) + (not stopped)
            os.write(terminal, text.encode() + (b"" if stopped else b"\r"))
    else:
        os.kill(child, 9)
    _, status = os.waitpid(child, 0)
    os.close(terminal)
    return Talked(said.decode().replace("\r", ""), os.waitstatus_to_exitcode(status), keys, tuple(left))
