"""The journals of transfers, text files beside the dumps: one line a step, durable before the next step."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from mendbay.board.transfer_journal import TransferJournal
from mendbay.case.records import Case
from mendbay.core.errors import DestinationError
from mendbay.jobs.board_ports import Journals
from mendbay.outlets.own_folders import make_own
from mendbay.outlets.safe_folder import SafeFolder

LIMIT_BYTES = 64 << 20
"""Far above any transfer: a chip of 64 MiB in blocks of 4 KiB, begun a dozen times."""


class JournalFiles(Journals):
    """`roms/transfer-JOB.journal` in the folder of each case.

    Args:
        root: the folder that holds a folder for each case.
    """

    def __init__(self, root: Path) -> None:
        self._root = root

    def lines(self, case: Case, job: str) -> Sequence[str]:
        path = _path_of(job)
        try:
            folder = SafeFolder(self._root / case.folder)
            try:
                opened = folder.open_read(path)
            finally:
                folder.close()
        except FileNotFoundError:
            return ()
        except OSError as trouble:
            raise _unwritable(path, trouble) from trouble
        try:
            return _JournalFile(opened, path).lines()
        finally:
            os.close(opened)

    @contextmanager
    def open(self, case: Case, job: str) -> Iterator[TransferJournal]:
        path = _path_of(job)
        try:
            make_own(self._root, self._root / case.folder)
            folder = SafeFolder(self._root / case.folder)
            try:
                opened = _opened(folder, path)
            finally:
                folder.close()
        except OSError as trouble:
            raise _unwritable(path, trouble) from trouble
        try:
            yield _JournalFile(opened, path)
        finally:
            os.close(opened)


class _JournalFile(TransferJournal):
    def __init__(self, opened: int, path: str) -> None:
        self._opened = opened
        self._path = path

    def lines(self) -> Sequence[str]:
        try:
            size = min(os.fstat(self._opened).st_size, LIMIT_BYTES)
            data = os.pread(self._opened, size, 0)
        except OSError as trouble:
            raise _unwritable(self._path, trouble) from trouble
        return data.decode("utf-8", "replace").splitlines()

    def append(self, line: str) -> None:
        """As the port says. A torn line that a power cut left is ended first, so that it stays alone."""
        try:
            size = os.fstat(self._opened).st_size
            torn = size > 0 and os.pread(self._opened, 1, size - 1) != b"\n"
            whole = (b"\n" if torn else b"") + line.encode() + b"\n"
            if os.write(self._opened, whole) != len(whole):
                raise DestinationError(
                    f"There is no room for the next line of {self._path}.",
                    "Free some space; the transfer goes on where it stopped.",
                )
            os.fdatasync(self._opened)
        except OSError as trouble:
            raise _unwritable(self._path, trouble) from trouble


def _path_of(job: str) -> str:
    if not job.isalnum() or len(job) > 128:
        raise ValueError(f"not the name of a job: {job[:40]!r}")
    return f"roms/transfer-{job[:32]}.journal"


def _opened(folder: SafeFolder, path: str) -> int:
    """The journal, open for appending and locked against a second transfer of the same job."""
    folder.make_folder("roms")
    temporary = f"{path}.{os.getpid()}.new"
    folder.remove(temporary)
    os.close(folder.create(temporary))
    with suppress(FileExistsError):
        folder.place_new(temporary, path)
    folder.remove(temporary)
    folder.sync()
    opened = folder.open_update(path)
    try:
        fcntl.flock(opened, fcntl.LOCK_EX | fcntl.LOCK_NB)
        flags = fcntl.fcntl(opened, fcntl.F_GETFL)
        fcntl.fcntl(opened, fcntl.F_SETFL, flags | os.O_APPEND)
    except BlockingIOError as trouble:
        os.close(opened)
        raise DestinationError(
            "This transfer is under way in another window.", "Let it finish, or stop it first."
        ) from trouble
    except BaseException:
        os.close(opened)
        raise
    return opened


def _unwritable(path: str, trouble: OSError) -> DestinationError:
    return DestinationError(
        f"The journal {path} cannot be kept: {trouble.strerror}.",
        "Check the case's folder and its room; nothing is written to a chip without its journal.",
    )
