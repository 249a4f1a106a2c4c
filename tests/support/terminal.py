"""A program on a terminal of 80 columns, watched and typed at while it runs."""

from __future__ import annotations

import fcntl
import os
import pty
import select
import struct
import sys
import termios
import time
from collections.abc import Sequence
from pathlib import Path

CTRL_C = "\x03"


class OnTerminal:
    """Mendbay on a terminal of its own, to be left with `ended`.

    Args:
        home: where its cases are.
        words: of its command line.
        columns: of the terminal.
    """

    def __init__(self, home: Path, words: Sequence[str], columns: int = 80) -> None:
        self.said = ""
        self._child, self._terminal = pty.fork()
        if not self._child:
            os.environ.pop("COLUMNS", None)
            os.environ.update(TERM="dumb", MENDBAY_CALLED_AS="mendbay")
            fcntl.ioctl(0, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
            argv = [sys.executable, "-m", "mendbay.faces.cli.main", "--home", str(home), *words]
            os.execv(sys.executable, argv)

    def until(self, text: str, patience: float = 60) -> str:
        """What is said up to a text and with it, from where the last call ended.

        Raises:
            AssertionError: it is not said.
        """
        begun = len(self.said)
        deadline = time.monotonic() + patience
        while text not in self.said[begun:]:
            assert time.monotonic() < deadline, f"{text!r} is not in {self.said!r}"
            assert self._hear(deadline), f"{text!r} is not in {self.said!r}"
        return self.said[begun:]

    def type(self, text: str) -> None:
        """Presses keys."""
        os.write(self._terminal, text.encode())

    def ended(self, patience: float = 60) -> int:
        """Waits for its end and gives its exit code, minus the signal that killed it.

        Raises:
            AssertionError: it does not end.
        """
        deadline = time.monotonic() + patience
        while self._hear(deadline):
            pass
        found, status = os.waitpid(self._child, os.WNOHANG)
        while not found and time.monotonic() < deadline:
            time.sleep(0.01)
            found, status = os.waitpid(self._child, os.WNOHANG)
        if not found:
            os.kill(self._child, 9)
            os.waitpid(self._child, 0)
        os.close(self._terminal)
        assert found, f"it has not ended: {self.said!r}"
        return os.waitstatus_to_exitcode(status)

    def lines(self) -> list[str]:
        """What stood on the terminal, without what was drawn over, and without blanks at the ends."""
        return [line.rstrip("\r").split("\r")[-1].rstrip() for line in self.said.split("\n")]

    def _hear(self, deadline: float) -> bool:
        """Takes in what is said next; False once it has ended, or the deadline is over."""
        left = deadline - time.monotonic()
        if left <= 0 or not select.select([self._terminal], [], [], left)[0]:
            return False
        try:
            more = os.read(self._terminal, 65536)
        except OSError:  # Linux says so when the program has ended
            return False
        self.said += more.decode("utf-8", "replace")
        return bool(more)
