"""The folder a customer's files are handed back in: a bag (RFC 8493) that is written once, safely.

A copy is written under a temporary name, hashed on the way, made durable, and only then moved to its
place; the journal `handback.progress` says so after that. Whatever stops the job, nothing half-written
bears a file's name, nothing unproven is claimed, and the same job goes on from there. `bagit.txt`, which
makes the folder a bag, comes last.
"""

from __future__ import annotations

import errno
import fcntl
import os
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType

from mendbay.core.clock import iso_from_epoch
from mendbay.core.errors import DestinationError, NoRoom
from mendbay.core.source import Gap, Marked, Reading
from mendbay.handback import bag
from mendbay.handback.bag import PayloadFile, Reread
from mendbay.handback.words import counted, exact_size
from mendbay.outlets.digests import Digests, hashing_pool
from mendbay.outlets.handback_journal import Journal
from mendbay.outlets.safe_folder import SafeFolder

JOURNAL_NAME = "handback.progress"
PARTIAL = "handback.partial"
"""The folder for files being written; gone from a finished bag."""

READ_BYTES = 4 << 20
SETTLE_FILES = 64
SETTLE_BYTES = 256 << 20
"""How much may be in place but not yet in the journal: this much is copied again after a power cut."""

SPARE_BYTES = 8 << 20
BYTES_PER_FILE = 1024
"""Room set aside for manifests, journal and reports: in all, and for each file."""

_RESERVED = re.compile(
    r"bagit\.txt|bag-info\.txt|fetch\.txt|(tag)?manifest-.*\.txt|gaps\.json|data|handback\..*"
)


class Destination:
    """A hand-back folder, open for writing.

    Args:
        folder: does not exist (its parent does), is empty, or was begun by the same case.
        case_number: goes into the journal and, as the external identifier, into the bag.

    Raises:
        DestinationError: the folder holds something else, belongs to another case, is being written to
            by another process, or cannot be used. (From any method: the destination failed.)
        NoRoom: (from any method) it is full. What is there stays; free some room and run again.
    """

    def __init__(self, folder: Path, case_number: str) -> None:
        self.folder = folder
        self.case_number = case_number
        self._pool = hashing_pool()
        self._expected: dict[str, int] = {}
        self._copies: dict[str, PayloadFile] = {}
        self._unsettled: list[PayloadFile] = []
        self._finished = False
        with self._told("it was opened"):
            if not folder.exists():
                folder.mkdir()
                _sync_folder(folder.parent)
            self._root = SafeFolder(folder, for_all=True)
        try:
            with self._told("it was opened"):
                self._journal = self._open_journal()
        except BaseException:
            self._root.close()
            raise

    def __enter__(self) -> Destination:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Lets go of the folder. Copies not yet in the journal are written into it if that still works."""
        try:
            if self._unsettled:
                with suppress(DestinationError):
                    self.settle()
        finally:
            self._journal.close()
            self._root.close()
            self._pool.shutdown()

    def _open_journal(self) -> Journal:
        names = self._root.names()
        if JOURNAL_NAME not in names and names:
            raise self._foreign()
        make = JOURNAL_NAME not in names
        fd = self._root.create(JOURNAL_NAME) if make else self._root.open_update(JOURNAL_NAME)
        try:
            return self._read_journal(fd, alone=names in ([], [JOURNAL_NAME]))
        except BaseException:
            os.close(fd)
            raise

    def _foreign(self) -> DestinationError:
        return DestinationError(
            f"The folder {self.folder} is not empty and holds no hand-back of Mendbay's.",
            "Name a folder that does not exist yet.",
        )

    def _read_journal(self, fd: int, alone: bool) -> Journal:
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise DestinationError(
                f"Another Mendbay process is writing to {self.folder}.",
                "Wait until it has ended, then run this again.",
            ) from None
        journal = Journal(fd)
        if journal.case_number is None and not alone:
            raise self._foreign()
        if journal.case_number is None:
            journal.begin(self.case_number)
            self._root.sync()
        elif journal.case_number != self.case_number:
            raise DestinationError(
                f"The folder {self.folder} holds the hand-back of case {journal.case_number}, not of "
                f"{self.case_number}.",
                "Name a folder that does not exist yet.",
            )
        return journal

    def expect(self, sizes: Mapping[str, int], holes: Mapping[str, int] | None = None) -> None:
        """Says what is about to be copied: size in bytes by payload path. Clears what an interrupted run
        left half-done, takes back the declaration of a finished bag, and checks the room.

        Args:
            holes: how many bytes of a file are gaps, which take no room.

        Raises:
            NoRoom: with the numbers; nothing was written.
            DestinationError: files of an earlier hand-back lie there that are not part of this one.
            ValueError: a path that is not inside `data/`.
        """
        for path in sizes:
            if bag.escapes(path) or not path.startswith(bag.PAYLOAD):
                raise ValueError(f"not a payload path: {path!r}")
        with self._told("it was looked through"):
            there = {found.path: found.size_bytes for found in self._root.walk("data")}
            strays = sorted(set(there) - set(sizes))
            if strays:
                raise DestinationError(
                    f"{self.folder} holds {counted(len(strays), 'file')} not part of this hand-back, the "
                    f"first being {strays[0]}.",
                    "Name another folder, or take these files away first.",
                )
            self._check_room(sizes, there, holes or {})
            self._root.remove(bag.DECLARATION_NAME)
            self._root.sync()  # no longer a bag, before anything it declares goes
            for name in self._journal.tag_names:
                self._root.remove(name)
            self._root.make_folder(PARTIAL)
            for found in list(self._root.walk(PARTIAL)):
                self._root.remove(found.path)
            self._root.sync()
        self._expected = dict(sizes)

    def _check_room(
        self, sizes: Mapping[str, int], there: Mapping[str, int], holes: Mapping[str, int]
    ) -> None:
        free, unit = self._root.room()
        recorded = self._journal.copies
        lacking = [
            size - holes.get(path, 0)
            for path, size in sizes.items()
            if path not in recorded or there.get(path) != size or recorded[path].size_bytes != size
        ]
        needed = sum(-(-size // unit) * unit for size in lacking) + BYTES_PER_FILE * len(sizes) + SPARE_BYTES
        if needed > free:
            raise NoRoom(
                f"{self.folder} has {exact_size(free)} free, but {exact_size(needed)} are needed for "
                f"{counted(len(lacking), 'file')} and the manifests.",
                f"Free at least {exact_size(needed - free)} there, or name a folder on a larger medium.",
            )

    def kept(
        self,
        path: str,
        size_bytes: int,
        gaps: Iterable[Gap] = (),
        marks: Iterable[Marked] = (),
        modified_at: int = 0,
        origin: str = "",
    ) -> PayloadFile | None:
        """The copy made by an earlier run, if the journal has one of the very same description and the
        file, read again, still has its size and digests; otherwise None, and it is to be copied anew.

        Args:
            gaps, marks: what reading the file would give now. A copy with other gaps is not kept, so
                that holes filled since are filled in the copy too.
            origin: as given to `put`.
        """
        recorded = self._journal.copies.get(path)
        wanted = (size_bytes, bag.merged_gaps(gaps), bag.merged_marks(marks), modified_at, origin)
        if recorded is None or wanted != (
            recorded.size_bytes,
            recorded.gaps,
            recorded.marks,
            recorded.modified_at,
            recorded.origin,
        ):
            return None
        self._copies[path] = recorded
        if self.verify(path).equal:
            return recorded
        return None

    def put(
        self, path: str, readings: Iterable[Reading], modified_at: int = 0, origin: str = ""
    ) -> PayloadFile:
        """Copies one file into the bag.

        Args:
            path: a payload path given to `expect`.
            readings: its bytes from first to last; gaps become zeros in the copy and are listed.
            modified_at: seconds since 1970, set as the copy's time of change; 0 leaves it.
            origin: any text by which `kept` later knows the copy again.

        Returns:
            The copy as written. It is in the journal after at most `SETTLE_FILES` more, or `settle`.

        Raises:
            ValueError: the path was not expected, or the readings do not follow each other or do not
                add up to the size expected.
        """
        if path not in self._expected or self._finished:
            raise ValueError(f"not expected in this bag: {path!r}")
        self._copies.pop(path, None)
        temporary = f"{PARTIAL}/copy"
        with self._told(f"{path} was written"):
            self._root.remove(temporary)
            fd = self._root.create(temporary)
            try:
                copy = self._write(fd, path, readings, modified_at, origin)
                self._root.place(temporary, path)
            except BaseException:
                with suppress(OSError):
                    self._root.remove(temporary)
                raise
            finally:
                os.close(fd)
        self._copies[path] = copy
        self._unsettled.append(copy)
        if (
            len(self._unsettled) >= SETTLE_FILES
            or sum(one.size_bytes for one in self._unsettled) >= SETTLE_BYTES
        ):
            self.settle()
        return copy

    def _write(
        self, fd: int, path: str, readings: Iterable[Reading], modified_at: int, origin: str
    ) -> PayloadFile:
        digests = Digests(bag.ALGORITHMS, self._pool)
        gaps: list[Gap] = []
        marks: list[Marked] = []
        size = self._expected[path]
        at = 0
        for reading in readings:
            if reading.span.start != at or reading.span.stop > size:
                raise ValueError(f"{path}: a reading of {reading.span} where byte {at} of {size} is next")
            data = _filled(reading)
            digests.feed(data)
            if any(data[:64]) or data.count(0) != len(data):  # zeros are left as a hole where the system can
                _write_all(fd, data, at)
            at = reading.span.stop
            gaps.extend(reading.gaps)
            marks.extend(reading.marks)
        if at != size:
            raise ValueError(f"{path}: {at} bytes came, {size} were expected")
        os.ftruncate(fd, size)
        if iso_from_epoch(modified_at):
            os.utime(fd, (modified_at, modified_at))
        os.fsync(fd)
        sha256, sha512 = digests.hexdigests()
        return PayloadFile(
            path, size, sha256, sha512, bag.merged_gaps(gaps), bag.merged_marks(marks), modified_at, origin
        )

    def settle(self) -> None:
        """Makes the names of all copies durable and writes them into the journal."""
        with self._told("progress was recorded"):
            self._root.sync()
            self._journal.add_copies(self._unsettled)
        self._unsettled = []

    def verify(self, path: str) -> Reread:
        """Reads a copy again, from the medium as far as the system allows, and compares it with what was
        written. A copy that cannot be opened or read, or differs, is `equal=False`, not an error: copy it
        again, or change the medium.

        Raises:
            KeyError: no copy of that path was made or kept.
        """
        copy = self._copies[path]
        try:
            sha256, sha512, size = self._reread(path)
        except OSError:
            sha256, sha512, size = "", "", -1
        equal = (sha256, sha512, size) == (copy.sha256, copy.sha512, copy.size_bytes)
        if not equal:
            del self._copies[path]
            self._unsettled = [one for one in self._unsettled if one.path != path]
        return Reread(path, sha256, sha512, equal)

    def _reread(self, path: str) -> tuple[str, str, int]:
        fd = self._root.open_read(path)
        try:
            os.posix_fadvise(
                fd, 0, 0, os.POSIX_FADV_DONTNEED
            )  # or the page cache would answer for the medium
            os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_SEQUENTIAL)
            digests, size = Digests(bag.ALGORITHMS, self._pool), 0
            for data in _chunks(fd):
                digests.feed(data)
                size += len(data)
        finally:
            os.close(fd)
        sha256, sha512 = digests.hexdigests()
        return sha256, sha512, size

    def finish(
        self,
        bagging_date: str,
        labels: Sequence[tuple[str, str]] = (),
        tags: Mapping[str, bytes] | None = None,
    ) -> tuple[PayloadFile, ...]:
        """Turns the folder into a bag: tag files, manifests, and at the very end its declaration.

        Args:
            bagging_date: `YYYY-MM-DD`.
            labels: more rows for `bag-info.txt`.
            tags: further tag files by name (reports, `names.json`, `links.json`). `gaps.json` is made here.

        Returns:
            The payload, by path.

        Raises:
            DestinationError: what lies in `data/` is not what was copied.
            ValueError: an expected file was neither put nor kept, or a tag bears a reserved name.
        """
        missing = sorted(set(self._expected) - set(self._copies))
        if missing:
            raise ValueError(f"{len(missing)} expected file(s) not copied, the first being {missing[0]!r}")
        payload = tuple(self._copies[path] for path in sorted(self._copies))
        given = dict(tags or {})
        for name in given:
            if _RESERVED.fullmatch(name) or not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]*", name):
                raise ValueError(f"'{name}' cannot be the name of a further tag file")
        given["gaps.json"] = bag.gaps_json(payload)
        given["bag-info.txt"] = bag.bag_info(self.case_number, bagging_date, payload, labels).encode()
        for algorithm in bag.ALGORITHMS:
            rows = [(one.path, one.digest(algorithm)) for one in payload]
            given[f"manifest-{algorithm}.txt"] = bag.manifest(rows).encode()
        self.settle()
        with self._told("the manifests were written"):
            self._require_same(payload)
            self._root.make_folder("data")
            self._write_tags(given)
        self._finished = True
        return payload

    def _require_same(self, payload: Sequence[PayloadFile]) -> None:
        there = {found.path: found.size_bytes if found.is_file else -1 for found in self._root.walk("data")}
        meant = {one.path: one.size_bytes for one in payload}
        odd = sorted(path for path in there.keys() | meant.keys() if there.get(path) != meant.get(path))
        if odd:
            raise DestinationError(
                f"What lies in {self.folder}/data changed while it was written: {counted(len(odd), 'file')}, "
                f"the first being {odd[0]}.",
                "Make sure that nothing else uses this folder, then run the same command again.",
            )

    def _write_tags(self, tags: Mapping[str, bytes]) -> None:
        over = [f"tagmanifest-{algorithm}.txt" for algorithm in bag.ALGORITHMS]
        self._journal.add_tags([*tags, *over])
        for name, content in tags.items():
            self._write_tag(name, content)
        listed = {
            **tags,
            bag.DECLARATION_NAME: bag.DECLARATION.encode(),
            JOURNAL_NAME: self._journal.content(),
        }
        for algorithm, name in zip(bag.ALGORITHMS, over, strict=True):
            rows = []
            for tag, content in listed.items():
                digests = Digests((algorithm,), self._pool)
                digests.feed(content)
                rows.append((tag, digests.hexdigests()[0]))
            self._write_tag(name, bag.manifest(rows).encode())
        self._root.sync()
        self._write_tag(bag.DECLARATION_NAME, bag.DECLARATION.encode())
        self._root.remove_folder(PARTIAL)
        self._root.sync()

    def _write_tag(self, name: str, content: bytes) -> None:
        temporary = f"{PARTIAL}/{name}"
        self._root.remove(temporary)
        fd = self._root.create(temporary)
        try:
            _write_all(fd, content, 0)
            os.fsync(fd)
        finally:
            os.close(fd)
        self._root.place(temporary, name)

    @contextmanager
    def _told(self, doing: str) -> Iterator[None]:
        """Gives what the system reports about the destination in our own words."""
        try:
            yield
        except OSError as error:
            if error.errno in (errno.ENOSPC, errno.EDQUOT):
                raise NoRoom(
                    f"{self.folder} became full while {doing}.",
                    "Free some room there and run the same command again; what is already copied is kept.",
                ) from error
            if error.errno == errno.EFBIG:
                raise DestinationError(
                    f"The file system of {self.folder} cannot hold a file this large (while {doing}).",
                    "Hand back onto a medium with another file system.",
                ) from error
            raise DestinationError(
                f"{self.folder} failed while {doing}: {error.strerror or error}.",
                "Check the medium and its cable, then run the same command again; what is copied is kept.",
            ) from error


def _filled(reading: Reading) -> bytes:
    """The bytes of a reading with zeros in its gaps, whatever its source left there."""
    if not reading.gaps:
        return reading.data
    data = bytearray(reading.data)
    for gap in reading.gaps:
        span = gap.span.clip(reading.span).shift(-reading.span.start)
        data[span.start : span.stop] = bytes(span.length)
    return bytes(data)


def _write_all(fd: int, data: bytes, at: int) -> None:
    left = memoryview(data)
    while left:
        done = os.pwrite(fd, left, at)
        left, at = left[done:], at + done


def _chunks(fd: int) -> Iterator[bytes]:
    while data := os.read(fd, READ_BYTES):
        yield data


def _sync_folder(path: Path) -> None:
    fd = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
