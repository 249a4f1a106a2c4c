"""What of the shop's home goes into a saved copy: every plain file, but for what is made anew by itself."""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from types import TracebackType

from mendbay.handback.bag import escapes
from mendbay.outlets.safe_folder import SafeFolder

LEDGER = "ledger.sqlite3"
CASES = "cases"
LEFT_OUT = ("works", "uploads", "presses", "worked-out.json", "bench.key", "lost+found")
"""What in the home itself is of use only to what runs there, can be made anew, or opens the bench."""
DATABASES = (LEDGER, "worked-out.sqlite3")
"""Left out with what lies beside them; the ledger is copied in its own way."""
CATALOGUE = "catalogue"
"""Left out of each case: it is made anew of the images."""
MAY_BE_LINKS = (CASES, "exports")
"""Folders that a shop may have put elsewhere."""
PASSING = re.compile(r".+\.[1-9][0-9]{0,8}\.new|.+\.(toml|json|md)\.new|.+\.coverage-(wal|shm|journal)")
"""Names of what stands beside a file only while that is written."""


class Sort(StrEnum):
    """How a file is copied."""

    PLAIN = "plain"
    IMAGE = "image"
    """After its log."""
    LOG = "log"
    """The log of an image: a database."""


@dataclass(frozen=True, slots=True)
class HomeFile:
    """A file of the home as it was seen.

    Args:
        path: in the home, with `/`.
        stored_bytes: what it takes up.
        changed_ns: of a log, when it or what lies beside it was last written.
    """

    path: str
    sort: Sort
    size_bytes: int
    stored_bytes: int
    changed_ns: int
    mode: int

    @property
    def log(self) -> str:
        """Of an image, where its log lies."""
        return str(Path(self.path).with_suffix(".coverage"))


class HomeFiles:
    """The files below a home. To be closed.

    Raises:
        OSError: the home cannot be opened.
    """

    def __init__(self, home: Path) -> None:
        self.home = home
        with ExitStack() as undo:
            self._top = SafeFolder(home)
            undo.callback(self._top.close)
            self._linked: dict[str, SafeFolder] = {}
            for name in MAY_BE_LINKS:
                if (home / name).is_symlink() and (home / name).is_dir():
                    self._linked[name] = SafeFolder(home / name)
                    undo.callback(self._linked[name].close)
            self._undo = undo.pop_all()

    def __enter__(self) -> HomeFiles:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, trouble: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._undo.close()

    def look(self) -> tuple[dict[str, HomeFile], tuple[str, ...]]:
        """The files by path, and what is no plain file or cannot be named in a list of sums.

        Raises:
            OSError: a folder cannot be read.
        """
        found: dict[str, HomeFile] = {}
        odd: list[str] = []
        for path, seen in self._walk():
            if not stat.S_ISREG(seen.st_mode) or not _can_be_listed(path):
                odd.append(os.fsencode(path).decode(errors="backslashreplace"))
            else:
                found[path] = self._file(path, seen)
        return {path: self._sorted(one, found) for path, one in found.items()}, tuple(sorted(odd))

    def open(self, path: str) -> int:
        """A descriptor of a file, for reading.

        Raises:
            OSError: as the system gives it.
        """
        folder, rest = self._folder_of(path)
        return folder.open_read(rest)

    def seen(self, path: str) -> HomeFile | None:
        """A file as it is now; None if it is there no more.

        Raises:
            OSError: as the system gives it.
        """
        folder, rest = self._folder_of(path)
        parent, _, name = rest.rpartition("/")
        try:
            with folder.folder(parent) as at:
                found = os.stat(name, dir_fd=at, follow_symlinks=False)
        except (FileNotFoundError, NotADirectoryError):
            return None
        return self._file(path, found) if stat.S_ISREG(found.st_mode) else None

    def where(self, path: str) -> Path:
        """The place of a file in the file system."""
        return self.home / path

    def _folder_of(self, path: str) -> tuple[SafeFolder, str]:
        top, _, rest = path.partition("/")
        return (self._linked[top], rest) if top in self._linked and rest else (self._top, path)

    def _walk(self) -> Iterator[tuple[str, os.stat_result]]:
        for name in self._top.names():
            if name in LEFT_OUT or name.startswith(DATABASES):
                continue
            if name in self._linked:
                waiting = [name]
            else:
                try:
                    with self._top.folder("") as at:
                        seen = os.stat(name, dir_fd=at, follow_symlinks=False)
                except FileNotFoundError:
                    continue  # gone since
                if not stat.S_ISDIR(seen.st_mode):
                    if not PASSING.fullmatch(name):
                        yield name, seen
                    continue
                waiting = [name]
            for here in waiting:  # grows on the way
                for path, seen in self._listed(here):
                    if stat.S_ISDIR(seen.st_mode):
                        if not _is_catalogue(path):
                            waiting.append(path)
                    elif not PASSING.fullmatch(path.rpartition("/")[2]):
                        yield path, seen

    def _listed(self, here: str) -> list[tuple[str, os.stat_result]]:
        folder, rest = self._folder_of(f"{here}/x")
        found = []
        try:
            with folder.folder(rest.removesuffix("x").removesuffix("/")) as at, os.scandir(at) as entries:
                for entry in entries:
                    try:
                        found.append((f"{here}/{entry.name}", entry.stat(follow_symlinks=False)))
                    except FileNotFoundError:
                        continue  # gone since
        except FileNotFoundError:
            return []
        return found

    def _file(self, path: str, seen: os.stat_result) -> HomeFile:
        changed = seen.st_mtime_ns
        sort = Sort.LOG if is_log(path) else Sort.PLAIN
        if sort is Sort.LOG:
            folder, rest = self._folder_of(f"{path}-wal")
            parent, _, name = rest.rpartition("/")
            try:
                with folder.folder(parent) as at:
                    beside = os.stat(name, dir_fd=at, follow_symlinks=False)
                changed = max(changed, beside.st_mtime_ns if beside.st_size else 0)
            except FileNotFoundError:
                pass
        return HomeFile(path, sort, seen.st_size, seen.st_blocks * 512, changed, seen.st_mode & 0o600)

    def _sorted(self, one: HomeFile, found: dict[str, HomeFile]) -> HomeFile:
        if one.path.endswith(".img") and one.log in found and is_log(one.log):
            return HomeFile(one.path, Sort.IMAGE, one.size_bytes, one.stored_bytes, one.changed_ns, one.mode)
        return one


def is_log(path: str) -> bool:
    """Whether a path of the home is that of the log of an image: directly in the folder of a case."""
    return path.endswith(".coverage") and path.startswith(f"{CASES}/") and path.count("/") == 2


def is_image(path: str) -> bool:
    """Whether a path of the home is that of an image of a drive."""
    return path.endswith(".img") and path.startswith(f"{CASES}/") and path.count("/") == 2


def _is_catalogue(path: str) -> bool:
    return path.startswith(f"{CASES}/") and path.count("/") == 2 and path.endswith(f"/{CATALOGUE}")


def _can_be_listed(path: str) -> bool:
    try:
        path.encode()
    except UnicodeEncodeError:
        return False
    return not escapes(path)
