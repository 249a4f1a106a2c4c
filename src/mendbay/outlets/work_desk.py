"""The place of the process that does a work: it holds the lock, and alone writes there."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from mendbay.core.errors import ImageBusy, LedgerError, UsageError
from mendbay.jobs.work_port import Desk, WorkOrder, WorkRequest, WorkState
from mendbay.outlets import work_requests
from mendbay.outlets.work_folder import ASKED, ORDER, STATE, TOLD, WorkFolder
from mendbay.outlets.work_json import NotOurs, order_from, state_json
from mendbay.outlets.work_shelf import WORKS

LOCK_TRIES = 20
LOCK_SECONDS = 0.05
"""Whoever looks whether a work is alive holds its lock for a moment."""


class FolderDesk(Desk):
    """A desk in a work's folder.

    Args:
        folder: of the work, its lock held.
        order: what is to be done.
    """

    def __init__(self, folder: WorkFolder, order: WorkOrder) -> None:
        self._folder = folder
        self._order = order

    @property
    def order(self) -> WorkOrder:
        return self._order

    def requests(self) -> Sequence[WorkRequest]:
        with suppress(OSError), self._folder.inside(ASKED) as asked:
            return work_requests.take(asked)
        return ()

    def write(self, state: WorkState) -> bool:
        try:
            self._folder.replace(STATE, state_json(state), lasting=state.is_over)
        except OSError:
            return False
        return True

    def say(self, at: str, text: str) -> None:
        with suppress(OSError):
            self._folder.append(TOLD, {"at": at, "text": text})


@contextmanager
def open_desk(home: Path, work: str, lock: int | None) -> Iterator[FolderDesk]:
    """The desk of a work, while open.

    Args:
        lock: a descriptor that holds the work's lock, from whoever began it; None to take it here.

    Raises:
        UsageError: there is no such work, or it was begun before.
        ImageBusy: another process does it.
        LedgerError: its order is damaged.
    """
    try:
        folder = WorkFolder(home / WORKS, work)
    except OSError as trouble:
        raise UsageError(f"There is no work {work}.", "Look at the list of works.") from trouble
    with folder:
        if lock is not None and folder.is_lock(lock):
            os.set_inheritable(lock, False)
            held = lock
        else:
            held = _locked(folder, work)
        try:
            yield FolderDesk(folder, _fresh_order(folder, work))
        finally:
            os.close(held)


def _locked(folder: WorkFolder, work: str) -> int:
    for _ in range(LOCK_TRIES):
        try:
            fd = folder.lock()
        except OSError as trouble:
            raise LedgerError(
                f"The lock of the work {work} cannot be had: {trouble.strerror}.", "Order it again."
            ) from trouble
        if fd is not None:
            return fd
        time.sleep(LOCK_SECONDS)
    raise ImageBusy(f"Another process does the work {work}.", "Look at its state.")


def _fresh_order(folder: WorkFolder, work: str) -> WorkOrder:
    try:
        order = order_from(folder.document(ORDER), work)
    except (OSError, NotOurs) as trouble:
        raise LedgerError(f"The order of the work {work} is damaged.", "Order it again.") from trouble
    if folder.mark_of_state():
        raise UsageError(f"The work {work} was begun before.", "Order the same again: it goes on.")
    return order
