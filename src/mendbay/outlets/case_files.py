"""Pictures, dumps and papers in the folder of a case: written once, proven whenever they are used."""

from __future__ import annotations

import errno
import hashlib
import os
import re
import stat
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path, PurePosixPath
from typing import BinaryIO

from mendbay.case.numbering import folder_name
from mendbay.case.records import Case
from mendbay.core.errors import DestinationError, NoRoom, SourceChanged, UsageError
from mendbay.core.quantity import bytes_text
from mendbay.jobs.ports import CaseFiles, HeldFile, KeptFile
from mendbay.outlets.own_folders import make_own
from mendbay.outlets.safe_folder import SafeFolder

READ_BYTES = 4 << 20
WITHOUT_UNNAMED = (errno.EOPNOTSUPP, errno.EISDIR, errno.EINVAL, errno.ENOENT)
"""What a file system says that has no files without a name, and a kernel that does not know of them."""
_BESIDE = re.compile(r".+\.([1-9][0-9]{0,8})\.new")
TRIES = 1000
"""Numbers tried for a name that is taken: far more files of one name than a case ever has."""


class CaseCabinet(CaseFiles):
    """The case folders below one folder.

    Args:
        root: the folder that holds a folder for each case.
        require_kept: called with a case's number before a file is written; what it raises for a case that was
            forgotten goes through.
    """

    def __init__(self, root: Path, require_kept: Callable[[int], None] = lambda number: None) -> None:
        self._root = root
        self._require_kept = require_kept

    def fetch(self, source: Path, limit_bytes: int) -> bytes:
        try:
            opened = os.open(source, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        except (OSError, ValueError) as trouble:
            said = trouble.strerror if isinstance(trouble, OSError) else str(trouble)
            raise UsageError(f"{source} cannot be opened: {said}.", "Check the name.") from trouble
        try:
            found = os.fstat(opened)
            if not stat.S_ISREG(found.st_mode):
                raise UsageError(f"{source} is not a file.", "Name a file.")
            if found.st_size > limit_bytes:
                raise UsageError(
                    f"{source} has {bytes_text(found.st_size)}; at most {bytes_text(limit_bytes)} are taken.",
                    "Check that it is the right file.",
                )
            with open(opened, "rb", closefd=False) as file:
                return file.read(found.st_size)  # a larger number is set aside at once
        except OSError as trouble:
            raise UsageError(
                f"{source} cannot be read: {trouble.strerror}.", "Copy it again from where it came."
            ) from trouble
        finally:
            os.close(opened)

    def keep(self, case: Case, path: str, data: bytes) -> KeptFile:
        self._require_kept(case.number)
        digest = hashlib.sha256(data).hexdigest()
        try:
            make_own(self._root, self._root / case.folder)
            folder = SafeFolder(self._root / case.folder)
            try:
                for place in _places(path):
                    there = _bytes_at(folder, place)
                    if there == data:
                        return KeptFile(place, digest, len(data))
                    if there is None and _written(folder, place, data):
                        return KeptFile(place, digest, len(data))
            finally:
                folder.close()
        except OSError as trouble:
            if trouble.errno in (errno.ENOSPC, errno.EDQUOT):
                raise NoRoom(
                    f"There is no room for {path} in the folder of case {case.number}.",
                    "Free some space, then run the command again.",
                ) from trouble
            raise DestinationError(
                f"{path} cannot be kept in the folder of case {case.number}: {trouble.strerror}.",
                "Check the folder and its rights.",
            ) from trouble
        raise DestinationError(f"Case {case.number} has too many files named {path}.", "Use another name.")

    def held(self, case: Case) -> tuple[HeldFile, ...]:
        try:
            folder = SafeFolder(self._root / case.folder)
            try:
                found = [HeldFile(one.path, one.size_bytes, one.is_file) for one in folder.walk("")]
            finally:
                folder.close()
        except FileNotFoundError:
            return ()
        except OSError as trouble:
            raise DestinationError(
                f"The folder of case {case.number} cannot be looked through: {trouble.strerror}.",
                "Check the folder and its rights.",
            ) from trouble
        return tuple(sorted(found, key=lambda one: one.path))

    def read(self, case: Case, path: str) -> Iterator[bytes]:
        try:
            folder = SafeFolder(self._root / case.folder)
            try:
                opened = folder.open_read(path)
            finally:
                folder.close()
            with os.fdopen(opened, "rb") as file:
                while data := file.read(READ_BYTES):
                    yield data
        except OSError as trouble:
            raise SourceChanged(
                f"{path!r} of case {case.number} cannot be read: {trouble.strerror or trouble}.",
                "Check the folder of the case, then run the command again.",
            ) from trouble

    def clear(self, case: Case) -> None:
        try:
            cases = SafeFolder(self._root)
            try:
                cases.clear(case.folder)
                cases.sync()
            finally:
                cases.close()
        except FileNotFoundError:
            return
        except OSError as trouble:
            where = trouble.filename if isinstance(trouble.filename, str) else case.folder
            said = trouble.strerror or str(trouble)
            raise DestinationError(
                f"The folder of case {case.number} cannot be removed: {where}: {said}.",
                "Put that right, then run the command again.",
            ) from trouble

    def folders_of(self, number: int) -> tuple[str, ...]:
        try:
            with os.scandir(self._root) as found:
                names = [one.name for one in found]
        except FileNotFoundError:
            return ()
        except OSError as trouble:
            raise DestinationError(
                f"The folder of the cases cannot be looked through: {trouble.strerror}.",
                "Check the folder and its rights.",
            ) from trouble
        return tuple(sorted(one for one in names if _is_of_case(number, one)))

    def remove(self, case: Case, kept: KeptFile) -> None:
        try:
            folder = SafeFolder(self._root / case.folder)
            try:
                data = _bytes_at(folder, kept.path)
                if data is not None and hashlib.sha256(data).hexdigest() != kept.sha256:
                    raise SourceChanged(
                        f"{kept.path} of case {case.number} no longer holds what was kept, so it stays.",
                        "Look at it and move it elsewhere, then run the command again.",
                    )
                folder.remove(kept.path)
                folder.sync()
            finally:
                folder.close()
        except FileNotFoundError:
            return
        except OSError as trouble:
            raise DestinationError(
                f"{kept.path} cannot be removed from the folder of case {case.number}: {trouble.strerror}.",
                "Check the folder and its rights, then run the command again.",
            ) from trouble

    def find(self, case: Case, path: str, data: bytes) -> KeptFile:
        digest = hashlib.sha256(data).hexdigest()
        with suppress(OSError, ValueError):
            folder = SafeFolder(self._root / case.folder)
            try:
                for place in _places(path):
                    if folder.size_of(place) == len(data) and _bytes_at(folder, place) == data:
                        return KeptFile(place, digest, len(data))
            finally:
                folder.close()
        raise _changed(case, path, digest)

    def take(self, case: Case, kept: KeptFile) -> bytes:
        data: bytes | None = None
        try:
            folder = SafeFolder(self._root / case.folder)
            try:
                if folder.size_of(kept.path) == kept.size_bytes:
                    data = _bytes_at(folder, kept.path)
            finally:
                folder.close()
        except (OSError, ValueError):
            data = None
        if data is None or hashlib.sha256(data).hexdigest() != kept.sha256:
            raise _changed(case, kept.path, kept.sha256)
        return data


def _is_of_case(number: int, name: str) -> bool:
    try:
        return folder_name(number, name.partition("-")[2]) == name
    except ValueError:
        return False


def _changed(case: Case, path: str, sha256: str) -> SourceChanged:
    return SourceChanged(
        f"{path} of case {case.number} is gone or no longer holds what was kept.",
        "Bring it back from a backup; it must have SHA-256 " + sha256,
    )


def _places(path: str) -> list[str]:
    """The place itself, then the same with a number before its ending."""
    pure = PurePosixPath(path)
    numbered = [str(pure.with_name(f"{pure.stem}-{number}{pure.suffix}")) for number in range(2, TRIES)]
    return [path, *numbered]


def _bytes_at(folder: SafeFolder, path: str) -> bytes | None:
    """What the file holds; None if there is none. A link or a folder in its place counts as other bytes."""
    try:
        opened = folder.open_read(path)
    except FileNotFoundError:
        return None
    except OSError as trouble:
        if trouble.errno in (errno.ELOOP, errno.EISDIR, None):
            return b""
        raise
    with os.fdopen(opened, "rb") as file:
        return file.read()


def _written(folder: SafeFolder, path: str, data: bytes) -> bool:
    """Whether it could be put there: complete or not at all, and never over what another process has put
    there meanwhile. Written and made durable before it has its name, so a kill leaves nothing of it."""
    parent = str(PurePosixPath(path).parent)
    parent = "" if parent == "." else parent
    if parent:
        folder.make_folder(parent)
    _clear_abandoned(folder, parent)
    try:
        opened = folder.create_unnamed(parent)
    except OSError as trouble:
        if trouble.errno not in WITHOUT_UNNAMED:
            raise
        return _written_beside(folder, path, data)
    with os.fdopen(opened, "wb") as file:
        _fill(file, data)
        try:
            folder.give_name(file.fileno(), path)
        except FileExistsError:
            return False
        except FileNotFoundError:  # no /proc here
            return _written_beside(folder, path, data)
    folder.sync()
    return True


def _written_beside(folder: SafeFolder, path: str, data: bytes) -> bool:
    """The same where files without a name cannot be had: written beside its place, then moved."""
    temporary = f"{path}.{os.getpid()}.new"
    folder.remove(temporary)
    opened = folder.create(temporary)
    try:
        with os.fdopen(opened, "wb") as file:
            _fill(file, data)
        folder.place_new(temporary, path)
    except FileExistsError:
        folder.remove(temporary)
        return False
    except BaseException:
        folder.remove(temporary)
        raise
    folder.sync()
    return True


def _fill(file: BinaryIO, data: bytes) -> None:
    file.write(data)
    file.flush()
    os.fchmod(file.fileno(), 0o400)
    os.fsync(file.fileno())


def _clear_abandoned(folder: SafeFolder, parent: str) -> None:
    """Removes what processes that were killed left half written beside its place."""
    with folder.folder(parent) as at:
        found = [(name, match) for name in os.listdir(at) if (match := _BESIDE.fullmatch(name))]
    for name, match in found:
        if not _lives(int(match[1])):
            folder.remove(f"{parent}/{name}" if parent else name)


def _lives(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:  # another's
        return True
    return True
