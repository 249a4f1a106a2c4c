"""Starts the process that does a work, detached: it goes on when the one who ordered it has ended."""

from __future__ import annotations

import os
import subprocess
import sys
from contextlib import suppress
from pathlib import Path

from mendbay.core.errors import ToolMissing
from mendbay.jobs.work_port import WorkOrder
from mendbay.outlets.work_folder import ERRORS
from mendbay.outlets.work_shelf import WORKS, WorkShelf

LOCK_FD = "MENDBAY_WORK_LOCK"
"""Tells the process which descriptor holds the lock of its work."""


class WorkStarter:
    """Starts processes of works, and takes note of those that ended, so that none stays in the process table.

    Args:
        module: what each of them runs; it gets the home and the name of the work.
    """

    def __init__(self, module: str) -> None:
        self._module = module
        self._children: list[subprocess.Popen[bytes]] = []

    def start(self, shelf: WorkShelf, home: Path, order: WorkOrder) -> None:
        """Places an order and starts its process.

        Raises:
            ImageBusy, UsageError, DestinationError: it cannot be placed.
            ToolMissing: the process cannot be started.
        """
        self.reap()
        shelf.begin(order)
        try:
            lock = shelf.hand_over(order.id)
            errors = home / WORKS / order.id / ERRORS
            with os.fdopen(os.open(errors, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as to:
                child = subprocess.Popen(  # noqa: S603
                    [sys.executable, "-I", "-m", self._module, str(home.absolute()), order.id],
                    stdin=subprocess.DEVNULL,
                    stdout=subprocess.DEVNULL,
                    stderr=to,
                    pass_fds=(lock,),
                    start_new_session=True,
                    env={**os.environ, LOCK_FD: str(lock)},
                )
        except OSError as trouble:
            raise ToolMissing(
                f"The process of the work cannot be started: {trouble.strerror}.",
                "See whether this machine has room and processes left; then order it again.",
            ) from trouble
        finally:
            shelf.let_go(order.id)
        self._children.append(child)

    def reap(self) -> None:
        """Takes those that ended out of the process table; waits for none."""
        self._children = [one for one in self._children if one.poll() is None]


def lock_handed_over() -> int | None:
    """The descriptor that holds the work's lock, where this process was started for one; told once."""
    with suppress(KeyError, ValueError):
        lock = int(os.environ.pop(LOCK_FD))
        os.set_inheritable(lock, False)
        return lock
    return None
