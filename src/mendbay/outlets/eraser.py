"""Erases the files of a cleared plan, one after the other, so that a stop at any moment loses no account.

For each file: it must be the one planned; the journal says `begun`; it gets a meaningless name, and its
folder is flushed; its stored ranges are overwritten in place and flushed; all of it is read back and
compared; the journal says `equal`; then it is cut to no length and removed, and its folder is flushed. So a
file that bears its own name holds its own content: nothing takes half an image for a whole one. Under its new
name it is known by inode and size alone, since its content is going.
"""

from __future__ import annotations

import errno
import fcntl
import os
import re
import secrets
import stat
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from mendbay.case.records import Case
from mendbay.core.clock import Clock, iso
from mendbay.core.errors import DestinationError, Interrupted
from mendbay.handback.erasure import ERASED, PlannedFile
from mendbay.handback.erasure_certificate import Done
from mendbay.handback.erasure_check import ClearedPlan, require_cleared
from mendbay.jobs.erasure_port import Beat, Eraser, Erasing
from mendbay.jobs.events import StepProgress, Tell
from mendbay.outlets.catalogue_shelf import CatalogueShelf
from mendbay.outlets.erasure_journal import ErasureJournal, Step
from mendbay.outlets.file_ranges import (
    digest_of,
    pattern,
    pieces,
    read_exactly,
    stored_ranges,
    write_exactly,
)
from mendbay.outlets.safe_folder import SafeFolder

FOLDER = "erasures"
FLUSH_BYTES = 1 << 30
"""After so many bytes of one file the journal notes how far it is: some ten seconds of a drive's writing."""
_READ = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
_WRITE = os.O_RDWR | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
_PLAN_FILE = re.compile(r"erasures/plan-[0-9]+(-[0-9]+)?\.json")


class NotAsPlanned(Exception):
    """A file is not what the plan says, or did not read back as written; the text is a sentence."""


class CaseEraser(Eraser):
    """Erases in the case folders below one folder, and in hand-back folders.

    Args:
        root: the folder that holds a folder for each case.
    """

    def __init__(self, root: Path, clock: Clock) -> None:
        self._root = root
        self._clock = clock

    @contextmanager
    def open(self, case: Case, plan_sha256: str, files: Sequence[PlannedFile]) -> Iterator[Erasing]:
        home = self._root / case.folder
        try:
            folder = SafeFolder(home)
            try:
                fd = _opened(folder, f"{FOLDER}/{plan_sha256[:16]}.journal")
            finally:
                folder.close()
        except OSError as trouble:
            raise _no_journal(trouble) from trouble
        try:
            try:
                journal = ErasureJournal(fd, plan_sha256, iso(self._clock.now()))
            except OSError as trouble:
                raise _no_journal(trouble) from trouble
            yield _Erasing(home, plan_sha256, tuple(files), journal, self._clock)
        finally:
            os.close(fd)

    def drop_catalogue(self, case: Case) -> None:
        CatalogueShelf(self._root).drop(case)

    def forget_plan(self, case: Case, path: str) -> bool:
        if not _PLAN_FILE.fullmatch(path):
            raise ValueError(f"not the file of a plan: {path[:40]!r}")
        try:
            folder = SafeFolder(self._root / case.folder)
            try:
                return _forget(folder, path)
            finally:
                folder.close()
        except FileNotFoundError:
            return True
        except OSError:
            return False


class _Erasing(Erasing):
    """One plan under way.

    Args:
        home: the case's folder.
    """

    def __init__(
        self,
        home: Path,
        plan_sha256: str,
        files: tuple[PlannedFile, ...],
        journal: ErasureJournal,
        clock: Clock,
    ) -> None:
        self._home, self._plan, self._files = home, plan_sha256, files
        self._journal, self._clock = journal, clock

    def begun(self) -> frozenset[int]:
        return frozenset(self._journal.steps)

    def erase(self, cleared: ClearedPlan, tell: Tell, stop: Callable[[], bool]) -> Done:
        plan = require_cleared(cleared)
        if plan.digest != self._plan:
            raise ValueError("the journal belongs to another plan")
        left: list[tuple[int, str]] = []
        for number, file in enumerate(self._files):
            tell(StepProgress("erasing", number, len(self._files), file.path))
            step = self._journal.steps.get(number)
            if step is not None and step.done:
                continue
            try:
                self._one(number, file, _Watch(file.path, file.size_bytes, tell, stop))
            except NotAsPlanned as trouble:
                left.append((number, f"{trouble}."))
            except _JournalBroken as trouble:
                raise _no_journal(trouble.trouble) from trouble
            except OSError as trouble:
                left.append((number, f"The system refused: {trouble.strerror or trouble}."))
        try:
            self._journal.settle()
        except OSError as trouble:
            raise _no_journal(trouble) from trouble
        self._clear_folders()
        return self._account(left)

    def account(self) -> Done:
        gone = {number for number, step in self._journal.steps.items() if step.done}
        left = [(number, self._why(number)) for number in range(len(self._files)) if number not in gone]
        return self._account(left)

    def _why(self, number: int) -> str:
        step = self._journal.steps.get(number)
        if step is None:
            return "It was not touched."
        if step.equal:
            return f"Its content was overwritten and read back; as {step.name} it may still be there."
        return f"Its content may be overwritten in part; if so, it bears the name {step.name}."

    def _account(self, left: list[tuple[int, str]]) -> Done:
        steps = self._journal.steps
        erased = tuple(sorted(number for number, step in steps.items() if step.done))
        return Done(
            started_at=self._journal.started_at,
            ended_at=iso(self._clock.now()),
            overwritten_bytes=sum(steps[number].written for number in erased),
            erased=erased,
            left=tuple(left),
        )

    # ------------------------------------------------------------------ one file

    def _one(self, number: int, file: PlannedFile, watch: _Watch) -> None:
        step = self._journal.steps.get(number)
        try:
            folder = SafeFolder(Path(file.root) if file.root else self._home)
        except FileNotFoundError:
            if step is not None and step.equal:
                self._note(lambda: self._journal.done(number))
                return
            raise
        parent, _, name = file.path.rpartition("/")
        try:
            with folder.folder(parent) as at:
                self._in_folder(number, file, at, name, watch)
        except FileNotFoundError as trouble:
            if step is None or not step.equal:
                raise NotAsPlanned("It is not there") from trouble
            self._note(lambda: self._journal.done(number))  # its folder went with it
        finally:
            folder.close()

    def _in_folder(self, number: int, file: PlannedFile, at: int, name: str, watch: _Watch) -> None:
        step = self._journal.steps.get(number)
        if step is not None and step.equal:
            self._remove(number, file, at, step)
            return
        own = step is None or not _is_there(at, step.name)  # under its own name it is untouched
        fd = os.open(name if own or step is None else step.name, _READ, dir_fd=at)
        try:
            _require_same(file, os.fstat(fd), os.fstat(at).st_dev, untouched=own)
            _lock(fd)
            if own and digest_of(fd, file.size_bytes, watch.at("comparing")) != file.digest:
                raise NotAsPlanned("Its content is not what was planned")
            if step is None:
                seed, new = secrets.randbits(128), f"{ERASED}{secrets.token_hex(8)}"
                step = self._note(lambda: self._journal.begin(number, new, seed))
            if own:
                os.rename(name, step.name, src_dir_fd=at, dst_dir_fd=at)
            os.fsync(at)  # a flush that failed in an earlier run is made good before anything is overwritten
            self._overwrite(number, file, at, fd, step, watch)
        finally:
            os.close(fd)
        self._remove(number, file, at, self._journal.steps[number])

    def _overwrite(self, number: int, file: PlannedFile, at: int, fd: int, step: Step, watch: _Watch) -> None:
        writable = _writable(at, step.name, fd)
        try:
            os.fsync(writable)  # what is stored is then known to the file system
            unflushed = 0
            beat = watch.at("overwriting")
            for start, end in pieces(stored_ranges(writable, file.size_bytes, step.upto)):
                beat(start)
                write_exactly(writable, pattern(step.seed, start, end), start)
                unflushed += end - start
                if unflushed >= FLUSH_BYTES:
                    os.fsync(writable)
                    self._note(lambda end=end: self._journal.upto(number, end))  # type: ignore[misc]
                    unflushed = 0
            os.fsync(writable)
            os.posix_fadvise(writable, 0, 0, os.POSIX_FADV_DONTNEED)
            written = 0
            beat = watch.at("reading back")
            for start, end in pieces(stored_ranges(writable, file.size_bytes)):
                beat(start)
                if read_exactly(writable, start, end) != pattern(step.seed, start, end):
                    raise NotAsPlanned(
                        f"It did not read back as overwritten at byte {start}: the medium is "
                        "failing, and only destroying it is sure"
                    )
                written += end - start
        finally:
            os.close(writable)
        self._note(lambda: self._journal.equal(number, written))

    def _remove(self, number: int, file: PlannedFile, at: int, step: Step) -> None:
        """Removes a file that was read back equal, if it still is there. What bears its old name by now is
        another file."""
        with suppress(FileNotFoundError):
            found = os.stat(step.name, dir_fd=at, follow_symlinks=False)
            if not _is_begun(file, found, os.fstat(at).st_dev):
                raise NotAsPlanned(f"Something else bears the name {step.name}")
            _cut(at, step.name, file)
            os.unlink(step.name, dir_fd=at)
        os.fsync(at)
        self._note(lambda: self._journal.done(number))

    def _note(self, write: Callable[[], Step | None]) -> Step:
        """Writes a line of the journal. Without its journal nothing may go on."""
        try:
            return write() or Step("", 0)
        except OSError as trouble:
            raise _JournalBroken(trouble) from trouble

    # ------------------------------------------------------------------ folders of a hand-back

    def _clear_folders(self) -> None:
        """Removes folders of hand-backs that are empty now, the deepest first, under other names."""
        for root in sorted({one.root for one in self._files if one.root}):
            with suppress(OSError):
                folder = SafeFolder(Path(root))
                try:
                    paths = {one.path.rpartition("/")[0] for one in self._files if one.root == root}
                    above = {
                        "/".join(one.split("/")[:n]) for one in paths for n in range(1, one.count("/") + 2)
                    }
                    for path in sorted(above - {""}, key=lambda one: (-one.count("/"), one)):
                        _remove_empty(folder, path)
                finally:
                    folder.close()
                Path(root).rmdir()


class _JournalBroken(Exception):
    """A line of the journal could not be written."""

    def __init__(self, trouble: OSError) -> None:
        super().__init__(str(trouble))
        self.trouble = trouble


@dataclass(frozen=True, slots=True)
class _Watch:
    """Tells how far one file is, and heeds a stop between pieces.

    Args:
        file: what it is called.
    """

    file: str
    size_bytes: int
    tell: Tell
    stop: Callable[[], bool]

    def at(self, what: str) -> Beat:
        """What is to be called with the offset of each piece before it is handled.

        Raises:
            Interrupted: it was asked to stop; by the function returned.
        """

        def beat(offset: int) -> None:
            if self.stop():
                raise Interrupted(f"Stopped while {what}.", "The same command goes on from there.")
            self.tell(StepProgress(what, offset, self.size_bytes, self.file, in_bytes=True))

        return beat


def _is_there(at: int, name: str) -> bool:
    try:
        os.stat(name, dir_fd=at, follow_symlinks=False)
    except FileNotFoundError:
        return False
    return True


def _require_same(file: PlannedFile, found: os.stat_result, device: int, *, untouched: bool) -> None:
    """
    Raises:
        NotAsPlanned: it is not the file that was planned.
    """
    if not stat.S_ISREG(found.st_mode):
        raise NotAsPlanned("It is no plain file")
    if found.st_nlink != 1:
        raise NotAsPlanned(f"It has {found.st_nlink} names")
    if found.st_dev != device:
        raise NotAsPlanned("It lies on another file system than its folder")
    if (found.st_ino, found.st_size) != (file.inode, file.size_bytes):
        raise NotAsPlanned("It is another file, or was changed, since the plan was made")
    if untouched and (found.st_mtime_ns, found.st_ctime_ns) != (file.modified_ns, file.changed_ns):
        raise NotAsPlanned("It was changed since the plan was made")


def _is_begun(file: PlannedFile, found: os.stat_result, device: int) -> bool:
    """Whether this is the file whose content was overwritten; it may be cut off already."""
    return (
        stat.S_ISREG(found.st_mode)
        and (found.st_dev, found.st_ino) == (device, file.inode)
        and found.st_size in (0, file.size_bytes)
    )


def _lock(fd: int) -> None:
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as trouble:
        raise NotAsPlanned("Another program holds it locked") from trouble


def _writable(at: int, name: str, fd: int) -> int:
    """A descriptor of the very file that `fd` is, open for writing; files kept for reading only are freed."""
    try:
        made = os.open(name, _WRITE, dir_fd=at)
    except PermissionError:
        os.fchmod(fd, 0o600)
        made = os.open(name, _WRITE, dir_fd=at)
    if not os.path.sameopenfile(made, fd):
        os.close(made)
        raise NotAsPlanned("Another file was put at its place")
    return made


def _cut(at: int, name: str, file: PlannedFile) -> None:
    """Cuts a file to no length, if it is the one."""
    fd = os.open(name, _WRITE, dir_fd=at)
    try:
        if os.fstat(fd).st_ino != file.inode:
            raise NotAsPlanned("Another file was put at its place")
        os.ftruncate(fd, 0)
        os.fsync(fd)
    finally:
        os.close(fd)


def _remove_empty(folder: SafeFolder, path: str) -> None:
    parent, _, name = path.rpartition("/")
    with suppress(OSError), folder.folder(parent) as at:
        with folder.folder(path) as inside:
            if os.listdir(inside):
                return
        new = f"{ERASED}{secrets.token_hex(8)}"
        os.rename(name, new, src_dir_fd=at, dst_dir_fd=at)
        os.rmdir(new, dir_fd=at)
        os.fsync(at)


def _opened(folder: SafeFolder, path: str) -> int:
    """The journal, locked against a second run."""
    folder.make_folder(FOLDER)
    try:
        fd = folder.create(path)
    except FileExistsError:
        fd = folder.open_update(path)
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        with folder.folder(FOLDER) as at:
            os.fsync(at)
        with folder.folder("") as at:
            os.fsync(at)
    except BlockingIOError as trouble:
        os.close(fd)
        raise DestinationError(
            "This erasure is under way in another window.", "Let it finish, or stop it first."
        ) from trouble
    except BaseException:
        os.close(fd)
        raise
    return fd


def _forget(folder: SafeFolder, path: str) -> bool:
    parent, _, name = path.rpartition("/")
    with folder.folder(parent) as at:
        fd = os.open(name, _READ, dir_fd=at)
        try:
            found = os.fstat(fd)
            if not stat.S_ISREG(found.st_mode) or found.st_nlink != 1:
                return False
            writable = _writable(at, name, fd)
            try:
                seed = secrets.randbits(128)
                for start, end in pieces(iter([(0, found.st_size)])):
                    write_exactly(writable, pattern(seed, start, end), start)
                os.fsync(writable)
            finally:
                os.close(writable)
        except NotAsPlanned:
            return False
        finally:
            os.close(fd)
        os.unlink(name, dir_fd=at)
        os.fsync(at)
    return True


def _no_journal(trouble: OSError) -> DestinationError:
    why = (
        "there is no room"
        if trouble.errno in (errno.ENOSPC, errno.EDQUOT)
        else trouble.strerror or str(trouble)
    )
    return DestinationError(
        f"The erasure's journal cannot be kept: {why}.",
        "Check the case's folder and its room; nothing is erased without its journal. "
        "The same command goes on.",
    )
