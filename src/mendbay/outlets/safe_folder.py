"""A folder that is only ever reached through its own open descriptor.

Every path is walked component by component from there without following links, so that a link planted
in the folder, before or while it is written to, cannot send a read or a write elsewhere. All methods
raise `OSError` as the system gives it.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
_READ = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC  # non-blocking: a pipe must not hold us up
_CREATE = os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC


class NotPlain(OSError):
    """The path leads to something that is not a regular file."""


@dataclass(frozen=True, slots=True)
class Found:
    """An entry met on a walk; `size_bytes` is 0 unless it is a regular file."""

    path: str
    is_file: bool
    size_bytes: int


class SafeFolder:
    """The folder at `path`, which must exist. Paths given to the methods are relative, with `/`.

    Args:
        for_all: what is made in it may be read by everybody on the machine, as what is for the customer to
            take away; else by its owner alone.

    Raises:
        OSError: not there, or not a folder.
        ValueError: (from any method) a path with an empty, `.` or `..` component.
    """

    def __init__(self, path: Path, *, for_all: bool = False) -> None:
        self._folder_mode, self._file_mode = (0o755, 0o644) if for_all else (0o700, 0o600)
        self._root = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        self._unsynced: set[str] = set()

    def close(self) -> None:
        os.close(self._root)

    def room(self) -> tuple[int, int]:
        """Free bytes for an ordinary user, and the bytes of the unit that space is given out in."""
        found = os.fstatvfs(self._root)
        return found.f_bavail * found.f_frsize, max(found.f_frsize, 1)

    def names(self) -> list[str]:
        """What lies directly in the folder."""
        return sorted(os.listdir(self._root))

    @contextmanager
    def _folder(self, path: str, make: bool = False) -> Iterator[int]:
        """A descriptor of the folder `path` (empty: this one), made on the way if wished."""
        at = os.dup(self._root)
        try:
            done = ""
            for part in _parts(path) if path else ():
                if make:
                    with suppress(FileExistsError):
                        os.mkdir(part, self._folder_mode, dir_fd=at)
                        self._unsynced.add(done)
                deeper = os.open(part, _FOLDER, dir_fd=at)
                os.close(at)
                at = deeper
                done = f"{done}/{part}" if done else part
            yield at
        finally:
            os.close(at)

    @contextmanager
    def folder(self, path: str) -> Iterator[int]:
        """A descriptor of the folder `path` below this one (empty: this one), while open."""
        with self._folder(path) as at:
            yield at

    def make_folder(self, path: str) -> None:
        """The folder `path`, with those above it."""
        with self._folder(path, make=True):
            pass

    def remove_folder(self, path: str) -> None:
        """Removes an empty folder; nothing happens if it is not there."""
        parent, name = _split(path)
        with suppress(FileNotFoundError), self._folder(parent) as at:
            os.rmdir(name, dir_fd=at)

    def create(self, path: str) -> int:
        """A descriptor of a new file, open for reading and writing; its folder must exist."""
        parent, name = _split(path)
        with self._folder(parent) as at:
            return os.open(name, _CREATE, self._file_mode, dir_fd=at)

    def create_unnamed(self, path: str) -> int:
        """A descriptor of a new file in the folder `path` (empty: this one) without a name: nothing of
        it stays if the process is killed. Not every file system has that."""
        with self._folder(path) as at:
            return os.open(".", os.O_TMPFILE | os.O_RDWR | os.O_CLOEXEC, self._file_mode, dir_fd=at)

    def give_name(self, opened: int, path: str) -> None:
        """Gives a file without a name one, in one step; its folder must exist.

        Raises:
            FileExistsError: something is there.
        """
        parent, name = _split(path)
        with self._folder(parent) as at:
            os.link(f"/proc/self/fd/{opened}", name, dst_dir_fd=at, follow_symlinks=True)
        self._unsynced.add(parent)

    def open_read(self, path: str) -> int:
        """A descriptor of a regular file, open for reading.

        Raises:
            NotPlain: it is something else.
        """
        return self._open_plain(path, _READ)

    def open_update(self, path: str) -> int:
        """A descriptor of a regular file that exists, open for reading and writing."""
        return self._open_plain(path, os.O_RDWR | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)

    def _open_plain(self, path: str, flags: int) -> int:
        parent, name = _split(path)
        with self._folder(parent) as at:
            fd = os.open(name, flags, dir_fd=at)
        try:
            if not stat.S_ISREG(os.fstat(fd).st_mode):
                raise NotPlain(f"{path} is not a regular file")
        except BaseException:
            os.close(fd)
            raise
        return fd

    def size_of(self, path: str) -> int | None:
        """The size of a regular file, None if there is no such file or it is something else."""
        parent, name = _split(path)
        try:
            with self._folder(parent) as at:
                found = os.stat(name, dir_fd=at, follow_symlinks=False)
        except (FileNotFoundError, NotADirectoryError):
            return None
        return found.st_size if stat.S_ISREG(found.st_mode) else None

    def place(self, temporary: str, path: str) -> None:
        """Moves a file to its place in one step, over whatever is there, making folders on the way."""
        from_parent, from_name = _split(temporary)
        parent, name = _split(path)
        with self._folder(from_parent) as source, self._folder(parent, make=True) as target:
            os.rename(from_name, name, src_dir_fd=source, dst_dir_fd=target)
        self._unsynced.add(parent)

    def place_new(self, temporary: str, path: str) -> None:
        """Moves a file to its place in one step, making folders on the way.

        Raises:
            FileExistsError: something is there; the temporary file stays.
        """
        from_parent, from_name = _split(temporary)
        parent, name = _split(path)
        with self._folder(from_parent) as source, self._folder(parent, make=True) as target:
            os.link(from_name, name, src_dir_fd=source, dst_dir_fd=target, follow_symlinks=False)
            os.unlink(from_name, dir_fd=source)
        self._unsynced.add(parent)

    def remove(self, path: str) -> None:
        """Removes a file or link; nothing happens if it is not there."""
        parent, name = _split(path)
        with suppress(FileNotFoundError), self._folder(parent) as at:
            os.unlink(name, dir_fd=at)
            self._unsynced.add(parent)

    def sync(self) -> None:
        """Makes every name placed or removed since the last call durable; folders gone since have none."""
        for path in sorted(self._unsynced):
            with suppress(FileNotFoundError), self._folder(path) as at:
                os.fsync(at)
            self._unsynced.discard(path)

    def walk(self, path: str) -> Iterator[Found]:
        """Everything below the folder `path` that is not itself a folder, in no promised order; nothing if
        there is no such folder. Links are met, not followed."""
        waiting = [path]
        while waiting:
            here = waiting.pop()
            try:
                found = self._list(here)
            except FileNotFoundError:
                continue
            for one, mode, size in found:
                if stat.S_ISDIR(mode):
                    waiting.append(one)
                else:
                    plain = stat.S_ISREG(mode)
                    yield Found(one, plain, size if plain else 0)

    def clear(self, path: str) -> None:
        """Removes the folder `path` with everything in it; nothing happens if it is not there. Links go, what
        they lead to stays.

        Raises:
            OSError: EXDEV if another medium is mounted inside: nothing was removed.
        """
        folders, others = [path], list[str]()
        device = os.fstat(self._root).st_dev
        for here in folders:  # grows on the way: those above stand before those in them
            try:
                with self._folder(here) as at:
                    if os.fstat(at).st_dev != device:
                        raise OSError(errno.EXDEV, "another medium is mounted there", here)
                found = self._list(here)
            except FileNotFoundError:
                continue
            folders += [one for one, mode, _ in found if stat.S_ISDIR(mode)]
            others += [one for one, mode, _ in found if not stat.S_ISDIR(mode)]
        for one in others:
            self.remove(one)
        for one in reversed(folders):
            self.remove_folder(one)
        self._unsynced.add(_split(path)[0])

    def _list(self, path: str) -> list[tuple[str, int, int]]:
        with self._folder(path) as at, os.scandir(at) as entries:
            return [
                (f"{path}/{entry.name}" if path else entry.name, seen.st_mode, seen.st_size)
                for entry in entries
                for seen in (entry.stat(follow_symlinks=False),)
            ]


def _parts(path: str) -> list[str]:
    parts = path.split("/")
    if any(part in ("", ".", "..") or "\0" in part for part in parts):
        raise ValueError(f"not a path inside a folder: {path!r}")
    return parts


def _split(path: str) -> tuple[str, str]:
    parts = _parts(path)
    return "/".join(parts[:-1]), parts[-1]
