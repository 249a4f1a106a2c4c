"""Looks at the copies that the shop holds: what lies in the case folders, who uses it, what it lies on.

Nothing is opened but plain files, for reading; nothing is changed.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import stat
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from mendbay.case.records import Case
from mendbay.core.errors import DestinationError
from mendbay.handback.bag import BagCheck
from mendbay.handback.erasure import PlannedRoot
from mendbay.handback.erasure_check import Seen, is_inside
from mendbay.handback.erasure_limits import Medium
from mendbay.jobs.erasure_port import Beat, Copies, quiet
from mendbay.jobs.events import StepProgress, Tell
from mendbay.outlets.bag_check import check_bag
from mendbay.outlets.file_ranges import digest_of, stored_ranges
from mendbay.outlets.mediums import medium_of
from mendbay.outlets.mount_looks import looked
from mendbay.outlets.open_files import PROC, FileId, open_elsewhere
from mendbay.outlets.safe_folder import SafeFolder

KINDS = {
    stat.S_IFREG: "file",
    stat.S_IFLNK: "link",
    stat.S_IFDIR: "folder",
    stat.S_IFBLK: "block device",
    stat.S_IFCHR: "character device",
    stat.S_IFIFO: "pipe",
    stat.S_IFSOCK: "socket",
}
REPORT_LIMIT_BYTES = 256 << 20
SYS_BLOCK = Path("/sys/class/block")
_READ = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC


@dataclass(frozen=True, slots=True)
class CheckedBag:
    """As the port says."""

    check: BagCheck
    case: str
    manifest_sha256: str


class CaseCopies(Copies):
    """The copies below one folder, and in hand-back folders.

    Args:
        root: the folder that holds a folder for each case.
    """

    def __init__(self, root: Path) -> None:
        self._root = root

    @property
    def shop_device(self) -> int:
        try:
            there = self._root if self._root.exists() else self._root.parent  # before the first file
            return there.stat().st_dev
        except OSError as trouble:
            raise _unreadable(self._root, trouble) from trouble

    def _place(self, case: Case, root: str) -> Path:
        return Path(root) if root else self._root / case.folder

    def root(self, case: Case, root: str) -> PlannedRoot | None:
        try:
            place = self._place(case, root)
            found, system = looked(place, lambda: (place.stat(), os.statvfs(place).f_fsid))
        except (OSError, ValueError):
            return None
        if not stat.S_ISDIR(found.st_mode):
            return None
        return PlannedRoot(root, found.st_dev, found.st_ino, system)

    def walk(self, case: Case, root: str, sources: Iterable[str] | None = None) -> Iterator[Seen]:
        place = self._place(case, root)
        try:
            folder = SafeFolder(place)
        except FileNotFoundError:
            return
        except OSError as trouble:
            raise _unreadable(place, trouble) from trouble
        try:
            paths = sorted(one.path for one in folder.walk(""))
            users = None if sources is None else _Users(sources)
            yield from (_seen(folder, root, path, users) for path in paths)
        except OSError as trouble:
            raise _unreadable(place, trouble) from trouble
        finally:
            folder.close()

    def look(
        self, case: Case, places: Iterable[tuple[str, str]], sources: Iterable[str] = ()
    ) -> Mapping[tuple[str, str], Seen]:
        found: dict[tuple[str, str], Seen] = {}
        users = _Users(sources)
        folders: dict[str, SafeFolder] = {}
        try:
            for root, path in places:
                if not is_inside(path):
                    continue
                with suppress(FileNotFoundError, NotADirectoryError):
                    if root not in folders:
                        folders[root] = SafeFolder(self._place(case, root))
                    found[root, path] = _seen(folders[root], root, path, users)
        except OSError as trouble:
            raise _unreadable(self._place(case, ""), trouble) from trouble
        finally:
            for one in folders.values():
                one.close()
        return found

    def digest(self, case: Case, seen: Seen, beat: Beat = quiet) -> str:
        place = self._place(case, seen.root)
        try:
            folder = SafeFolder(place)
            try:
                fd = folder.open_read(seen.path)
            finally:
                folder.close()
            try:
                _require_still(place / seen.path, seen, fd)
                os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
                digest = digest_of(fd, seen.size_bytes, beat)
                _require_still(place / seen.path, seen, fd)
            finally:
                os.close(fd)
        except OSError as trouble:
            raise _unreadable(place / seen.path, trouble) from trouble
        return digest

    def media(self, case: Case, roots: Sequence[str]) -> tuple[Medium, ...]:
        found: list[Medium] = []
        for root in roots:
            one = medium_of(self._place(case, root), root)
            same = next(
                (at for at, other in enumerate(found) if replace(other, folders=one.folders) == one), None
            )
            if same is None:
                found.append(one)
            else:
                found[same] = replace(one, folders=(*found[same].folders, root))
        return tuple(found)

    def case_of_bag(self, folder: Path) -> str:
        return _case_of(folder)

    def check_bag(self, folder: Path, tell: Tell) -> CheckedBag:
        def far(done: int, total: int, path: str) -> None:
            tell(StepProgress("checking the hand-back", done, total, path, in_bytes=True))

        check = check_bag(folder, far=far)
        return CheckedBag(check, _case_of(folder), _manifest_of(folder))


def _seen(folder: SafeFolder, root: str, path: str, users: _Users | None) -> Seen:
    parent, _, name = path.rpartition("/")
    with folder.folder(parent) as at:
        found = os.stat(name, dir_fd=at, follow_symlinks=False)
        kind = KINDS.get(stat.S_IFMT(found.st_mode), "thing of an unknown kind")
        if kind != "file":
            return Seen(root, path, kind, device=found.st_dev, inode=found.st_ino, links=found.st_nlink)
        stored, file_id = found.st_size, (found.st_dev, found.st_ino)
        uses = list(users.of(file_id)) if users else []
        with suppress(PermissionError):
            fd = os.open(name, _READ, dir_fd=at)
            try:
                if os.fstat(fd).st_ino == found.st_ino:
                    stored = sum(stop - start for start, stop in stored_ranges(fd, found.st_size))
                    uses += _locked(fd) if users else ()
            finally:
                os.close(fd)
    return Seen(
        root=root,
        path=path,
        kind=kind,
        size_bytes=found.st_size,
        stored_bytes=stored,
        device=found.st_dev,
        inode=found.st_ino,
        modified_ns=found.st_mtime_ns,
        changed_ns=found.st_ctime_ns,
        links=found.st_nlink,
        uses=tuple(uses),
        is_source=users is not None and users.is_source(file_id),
    )


class _Users:
    """Who uses files on this machine, as far as this account can see, at one moment.

    Args:
        sources: as `Copies.walk` takes them.
    """

    def __init__(self, sources: Iterable[str]) -> None:
        self._sources = {one for text in sources for one in _files_of_source(text)}
        self._found: dict[FileId, list[str]] = {}
        for file_id, use in (*_opened(), *_loops(), *_swaps()):
            self._found.setdefault(file_id, []).append(use)

    def of(self, file_id: FileId) -> Iterable[str]:
        return dict.fromkeys(self._found.get(file_id, ()))

    def is_source(self, file_id: FileId) -> bool:
        return file_id in self._sources


def _files_of_source(text: str) -> Iterator[FileId]:
    """The file that a drive was read from: an image, also the one behind a simulated drive."""
    with suppress(OSError, ValueError):
        found = Path(text).stat()
        if stat.S_ISREG(found.st_mode):
            yield found.st_dev, found.st_ino


def _opened() -> Iterator[tuple[FileId, str]]:
    """Files that other programs have open."""
    return ((file, f"process {process} has it open") for file, process in open_elsewhere())


def _loops() -> Iterator[tuple[FileId, str]]:
    """Files that loop devices are made of, mounted or not."""
    for folder in SYS_BLOCK.glob("loop*"):
        with suppress(OSError):
            text = (folder / "loop" / "backing_file").read_text(errors="surrogateescape").rstrip("\n")
            found = Path(text).stat()
            yield (found.st_dev, found.st_ino), f"the device {folder.name} is made of it"


def _swaps() -> Iterator[tuple[FileId, str]]:
    with suppress(OSError):
        for line in (PROC / "swaps").read_text(errors="surrogateescape").splitlines()[1:]:
            with suppress(OSError, IndexError):
                found = Path(line.split()[0]).stat()
                if stat.S_ISREG(found.st_mode):
                    yield (found.st_dev, found.st_ino), "it is used as swap"


def _locked(fd: int) -> Iterator[str]:
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        yield "another program holds it locked"
    except OSError:
        return  # no locks here: open files are looked for all the same
    else:
        fcntl.flock(fd, fcntl.LOCK_UN)


def _require_still(place: Path, seen: Seen, fd: int) -> None:
    found = os.fstat(fd)
    if (found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns) != (
        seen.device,
        seen.inode,
        seen.size_bytes,
        seen.modified_ns,
        seen.changed_ns,
    ):
        raise DestinationError(
            f"{place} changed while it was looked at.", "Let whatever writes to it finish."
        )


def _case_of(folder: Path) -> str:
    """The number that the report in a bag gives, empty if there is none to be read."""
    with suppress(OSError, ValueError, KeyError, TypeError, RecursionError):
        found = json.loads(_small(folder, "report.json"))["case_number"]
        return found if isinstance(found, str) else ""
    return ""


def _manifest_of(folder: Path) -> str:
    with suppress(OSError):
        return hashlib.sha256(_small(folder, "manifest-sha256.txt")).hexdigest()
    return ""


def _small(folder: Path, name: str) -> bytes:
    root = SafeFolder(folder)
    try:
        with os.fdopen(root.open_read(name), "rb") as file:
            return file.read(REPORT_LIMIT_BYTES)
    finally:
        root.close()


def _unreadable(place: Path, trouble: OSError) -> DestinationError:
    return DestinationError(
        f"{place} cannot be read: {trouble.strerror or trouble}.", "Check the folder and its rights."
    )
