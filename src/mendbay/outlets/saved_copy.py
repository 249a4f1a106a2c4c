"""The folder of a saved copy: a bag (RFC 8493) whose payload is the home, renewed in one short step.

What is new or changed is copied into `coming/` beside the payload, however long that takes; the copy that
is there stays whole meanwhile. Then the declaration `bagit.txt` goes, everything gets its place, and the
declaration comes back as the last: a folder without it is no copy, and the same save goes on there.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from mendbay.core.errors import DamagedCheckpoint, DestinationError, NoRoom
from mendbay.core.quantity import bytes_text
from mendbay.handback import bag
from mendbay.jobs.saving_port import Amount, Beat, CopyFacts, Kept, RoundTaken, Saving
from mendbay.outlets.home_files import LEDGER, HomeFile, HomeFiles, Sort, is_image
from mendbay.outlets.safe_folder import SafeFolder
from mendbay.outlets.saved_files import copy_bytes, copy_log, is_as_claimed, reading, sum_of, writing
from mendbay.outlets.saved_table import (
    COMING,
    DATA,
    INFO,
    JOURNAL,
    SUMS,
    TABLE,
    TAG_SUMS,
    Entry,
    journal_line,
    read_journal,
    read_table,
    table_bytes,
)

BY_CONTENT_BYTES = 64 << 20
"""Up to this size a file is read to tell whether it changed; a larger one, and an image, is judged by size
and time (own choice)."""
SETTLED_NS = 2_000_000_000
"""A file written to more shortly before than this may change once more and keep its time (own choice; the
coarsest file systems count in two seconds)."""
TRIES = 3
"""How often a file is copied that changes meanwhile (own choice)."""
SPARE_BYTES = 16 << 20
"""Of free room, what is not counted on (own choice)."""


@contextmanager
def saving_into(home: Path, folder: Path) -> Iterator[Saving]:
    """As `SavedCopies.saving` says."""
    _require_apart(home, folder)
    with writing(folder):
        if not folder.parent.is_dir():
            raise DestinationError(
                f"There is no folder {folder.parent}.", "Mount the medium, or make that folder first."
            )
        with suppress(FileExistsError):
            folder.mkdir(mode=0o700)
        if folder.is_symlink() or not folder.is_dir():
            raise DestinationError(f"{folder} is no folder.", "Name a folder.")
        root = SafeFolder(folder)
    try:
        _lock(root, folder)
        with writing(folder):
            _require_ours(root, folder)
        with reading(home):
            files = HomeFiles(home)
        with files:
            made = _Saving(root, folder, files)
            try:
                yield made
            finally:
                made.close()
    finally:
        root.close()


def _require_apart(home: Path, folder: Path) -> None:
    there = folder.resolve()
    for one in (home, *(home / name for name in ("cases", "exports"))):
        own = one.resolve()
        if there == own or own in there.parents or there in own.parents:
            raise DestinationError(
                f"{folder} and the shop's own folder {one} lie in each other.",
                "Name a folder elsewhere, best on another disk.",
            )


def _lock(root: SafeFolder, folder: Path) -> None:
    """Held by the open folder until that is closed."""
    try:
        with root.folder(
            ""
        ) as at:  # another descriptor of the same opening: the lock stays when it is closed
            fcntl.flock(at, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as trouble:
        raise DestinationError(
            f"Another save into {folder} is under way.", "Let it finish, or stop it first."
        ) from trouble
    except OSError:
        return  # a file system without locks


def _require_ours(root: SafeFolder, folder: Path) -> None:
    names = root.names()
    begun = read_journal(root) is not None or (names == [COMING] and next(root.walk(COMING), None) is None)
    if names and TABLE not in names and not begun:
        raise DestinationError(
            f"The folder {folder} is not empty, and no saved copy of a shop.",
            "Name an empty folder, one that is not there yet, or that of an earlier save.",
        )
    if TABLE in names and read_table(root) is None:
        raise DestinationError(
            f"{folder / TABLE} is not what Mendbay writes into a saved copy.",
            "Name another folder; this one stays as it is.",
        )


class _Saving(Saving):
    def __init__(self, root: SafeFolder, folder: Path, home: HomeFiles) -> None:
        self._root = root
        self._folder = folder
        self._home = home
        with writing(folder):
            found = read_table(root)
            self._facts = None if found is None else found[0]
            self._table = {} if found is None else found[1]
            self._is_whole = bag.DECLARATION_NAME in root.names()
            self._journal = read_journal(root) or {}
            root.make_folder(COMING)
            if root.size_of(JOURNAL) is None:
                os.close(root.create(JOURNAL))
            self._noted = root.open_update(JOURNAL)
            os.lseek(self._noted, 0, os.SEEK_END)
        self._taken: dict[str, Entry] = {}
        self._unsound: set[str] = set()
        """Logs that are no sound databases."""

    def close(self) -> None:
        os.close(self._noted)

    @property
    def before(self) -> CopyFacts | None:
        return self._facts

    @property
    def is_same_disk(self) -> bool:
        with suppress(OSError):
            return self._folder.stat().st_dev == self._home.home.stat().st_dev
        return False

    @property
    def ledger_place(self) -> Path:
        with writing(self._folder):
            self._root.make_folder(f"{COMING}/{DATA}")
            for ending in ("", "-journal", "-wal", "-shm"):
                self._root.remove(f"{COMING}/{DATA}/{LEDGER}{ending}")
        return self._place(LEDGER)

    def require_room(self, with_images: bool) -> int:
        with reading(self._home.home):
            files, _ = self._home.look()
        new = [
            one
            for one in files.values()
            if (with_images or not is_image(one.path)) and self._by_time(one) is None
        ]
        lacking = sum(one.stored_bytes for one in new)
        with writing(self._folder):
            free = max(self._root.room()[0] - SPARE_BYTES, 0)
        if lacking > free:
            raise NoRoom(
                f"About {bytes_text(lacking)} are to be copied, and {self._folder} has "
                f"{bytes_text(free)} free.",
                "Free some room there, or name another folder."
                + (" Without the images it is less (--without-images)." if with_images else ""),
            )
        return sum(one.size_bytes for one in new)

    # ------------------------------------------------------------------ copying

    def take(self, with_images: bool, beat: Beat) -> RoundTaken:
        with reading(self._home.home):
            files, odd = self._home.look()
        self._taken = {LEDGER: self._ledger_entry(beat)}
        vanished: list[str] = []
        restless: list[str] = []
        paired = {one.log for one in files.values() if one.sort is Sort.IMAGE} if with_images else set()
        for path, one in files.items():
            if path in paired or (is_image(path) and not with_images):
                continue
            try:
                if one.sort is Sort.IMAGE:
                    steady = self._take_image(one, files[one.log], beat)
                else:
                    steady = self._take_file(one, beat)
            except FileNotFoundError:
                vanished.append(path)
            else:
                restless += [] if steady else [path]
        with reading(self._home.home):
            later, _ = self._home.look()
        vanished += [one for one in files if one not in later and one not in vanished]
        for gone in vanished:
            self._taken.pop(gone, None)
        return RoundTaken(tuple(vanished), odd, tuple(restless))

    def _ledger_entry(self, beat: Beat) -> Entry:
        with writing(self._folder):
            fd = self._root.open_update(f"{COMING}/{DATA}/{LEDGER}")
        try:
            with writing(self._folder):
                os.fsync(fd)
            found, size = sum_of(fd, self._place(LEDGER), lambda count: beat(LEDGER, count))
        finally:
            os.close(fd)
        return Entry(size, found, -1, -1)

    def _take_file(self, one: HomeFile, beat: Beat) -> bool:
        """Copies a file unless that was done. Returns whether it stood still meanwhile."""
        for _ in range(TRIES):
            before = self._seen(one.path)
            if before is None:
                raise FileNotFoundError(one.path)
            known = self._known(before, beat)
            if known is None:
                known = self._copied(before, beat)
            self._taken[one.path] = known
            if before.sort is Sort.LOG:
                return one.path not in self._unsound
            after = self._seen(one.path)
            if after is not None and _is_same(before, after):
                return True
        return False

    def _take_image(self, image: HomeFile, log: HomeFile, beat: Beat) -> bool:
        """Copies an image: first its log, as of one moment, then its bytes: whatever that log says is read
        was on the disk before the log said so. Pieces that were doubted and read anew meanwhile, or erased,
        are found by their digests, and all is copied again.

        Returns:
            Whether every piece is as the copied log claims.
        """
        for at in range(TRIES):
            may_stay = not at  # then the two lie beside each other, and can be held against each other
            log_before = self._still_there(log.path)
            kept_log = self._by_time(log_before) if may_stay else None
            self._taken[log.path] = kept_log or self._copied(log_before, beat)
            before = self._still_there(image.path)  # of after the log: what that claims was written before
            kept = self._by_time(before) if may_stay else None
            self._taken[image.path] = kept or self._copied(before, beat)
            if log.path in self._unsound:
                return False
            after = self._still_there(image.path)
            if not after.size_bytes and not before.size_bytes:
                return True
            if _is_same(log_before, self._still_there(log.path)) and _is_same(before, after):
                return True
            if kept_log is None and kept is None and self._fits(image.path):
                return True
        return False

    def _still_there(self, path: str) -> HomeFile:
        found = self._seen(path)
        if found is None:
            raise FileNotFoundError(path)
        return found

    def _seen(self, path: str) -> HomeFile | None:
        with reading(self._home.where(path)):
            return self._home.seen(path)

    def _fits(self, image: str) -> bool:
        try:
            return is_as_claimed(self._place(image))
        except DamagedCheckpoint:
            return False

    def _known(self, one: HomeFile, beat: Beat) -> Entry | None:
        """The copy that there is of a file as it is now."""
        if one.sort is not Sort.PLAIN or is_image(one.path) or one.size_bytes > BY_CONTENT_BYTES:
            return self._by_time(one)
        entry = self._there(one.path)
        if entry is None or entry.size_bytes != one.size_bytes:
            return None
        with reading(self._home.where(one.path)):
            fd = self._home.open(one.path)
        try:
            found, size = sum_of(fd, self._home.where(one.path), lambda count: beat(one.path, count))
        finally:
            os.close(fd)
        if (found, size) != (entry.sha256, entry.size_bytes):
            return None
        return Entry(size, found, one.size_bytes, _settled(one.changed_ns))

    def _by_time(self, one: HomeFile) -> Entry | None:
        entry = self._there(one.path)
        if entry is None or (entry.seen_bytes, entry.changed_ns) != (one.size_bytes, one.changed_ns):
            return None
        return entry

    def _there(self, path: str) -> Entry | None:
        """The copy of a file that is there: from the save that was broken off, or from the one before."""
        noted = self._journal.get(path)
        coming = self._size(f"{COMING}/{DATA}/{path}")
        if noted is not None and coming == noted.size_bytes:
            return noted
        if coming is not None:  # copied in part: it must not get its place
            with writing(self._folder):
                self._root.remove(f"{COMING}/{DATA}/{path}")
        if noted is not None and self._is_whole:
            noted = None  # it never got its place
        entry = noted or self._table.get(path)
        there = entry is not None and self._size(f"{DATA}/{path}") == entry.size_bytes
        return entry if there else None

    def _size(self, path: str) -> int | None:
        with writing(self._folder):
            return self._root.size_of(path)

    def _copied(self, one: HomeFile, beat: Beat) -> Entry:
        """Copies a file into `coming/`, durably, and notes it.

        Raises:
            FileNotFoundError: it is there no more.
        """
        began = time.time_ns()
        to = f"{COMING}/{DATA}/{one.path}"
        with writing(self._place(one.path)):
            self._journal.pop(one.path, None)
            self._root.make_folder(to.rpartition("/")[0])
            self._root.remove(to)
            target = self._root.create(to)
        try:
            size, found = self._fill(one, target, beat)
            with writing(self._folder):
                with suppress(PermissionError):  # a file system without modes
                    os.fchmod(target, one.mode or 0o600)
                os.fsync(target)
        finally:
            os.close(target)
        changed = _settled(one.changed_ns, began)
        entry = Entry(size, found, one.size_bytes, changed)
        with writing(self._folder):
            os.write(self._noted, journal_line(one.path, entry))
        self._journal[one.path] = entry
        return entry

    def _fill(self, one: HomeFile, target: int, beat: Beat) -> tuple[int, str]:
        where, to = self._home.where(one.path), self._place(one.path)
        if one.sort is Sort.LOG:
            self._unsound.discard(one.path)
            try:
                if not where.exists():
                    raise FileNotFoundError(one.path)
                copy_log(where, to)
                found, size = sum_of(target, to, lambda count: beat(one.path, count))
                return size, found
            except DamagedCheckpoint:  # as it is: better than none
                self._unsound.add(one.path)
                with writing(self._folder):
                    os.ftruncate(target, 0)
        with reading(where):
            source = self._home.open(one.path)
        try:
            found = copy_bytes(source, target, one.size_bytes, where, to, lambda count: beat(one.path, count))
        finally:
            os.close(source)
        return os.fstat(target).st_size, found

    def _place(self, path: str) -> Path:
        return self._folder / COMING / DATA / path

    # ------------------------------------------------------------------ finishing

    def missing(self) -> Sequence[str]:
        return sorted(set(self._table) - set(self._taken))

    def holds(self, path: str) -> bool:
        return path in self._taken

    def finish(self, facts: CopyFacts) -> Kept:
        entries = self._taken
        with writing(self._folder):
            there = {one.path.removeprefix(f"{DATA}/") for one in self._root.walk(DATA)}
            coming = [one for one in entries if self._root.size_of(f"{COMING}/{DATA}/{one}") is not None]
            lacking = [one for one in entries if one not in there and one not in coming]
            if lacking:
                raise DestinationError(
                    f"{self._folder} lost {lacking[0]} while it was written.",
                    "Make sure that nothing else uses this folder, then run the same command again.",
                )
            tags = self._write_tags(facts, entries)
            self._root.sync()
            self._root.remove(bag.DECLARATION_NAME)
            self._root.sync()
            gone = sorted(there - set(entries))
            for path in gone:
                self._root.remove(f"{DATA}/{path}")
            self._remove_empty(gone)
            for path in coming:
                self._root.place(f"{COMING}/{DATA}/{path}", f"{DATA}/{path}")
            for name in tags:
                self._root.place(f"{COMING}/{name}", name)
            self._root.sync()
            self._write(bag.DECLARATION_NAME, bag.DECLARATION.encode())
            self._root.place(f"{COMING}/{bag.DECLARATION_NAME}", bag.DECLARATION_NAME)
            self._root.sync()
            self._root.clear(COMING)
            self._root.sync()
        return Kept(
            Amount(len(entries), sum(one.size_bytes for one in entries.values())),
            Amount(len(coming), sum(entries[one].size_bytes for one in coming)),
            len(gone),
        )

    def _write_tags(self, facts: CopyFacts, entries: dict[str, Entry]) -> list[str]:
        """Writes all but the declaration, which they vouch for too, into `coming/`."""
        total = sum(one.size_bytes for one in entries.values())
        info = (
            "External-Description: Saved copy of the whole shop\n"
            f"Bagging-Date: {facts.made_at[:10]}\n"
            f"Payload-Oxum: {total}.{len(entries)}\n"
            f"Bag-Software-Agent: {facts.tool}\n"
            f"Images-Of-Drives: {'included' if facts.with_images else 'left out'}\n"
        )
        tags = {
            SUMS: bag.manifest([(f"{DATA}/{path}", one.sha256) for path, one in entries.items()]).encode(),
            INFO: info.encode(),
            TABLE: table_bytes(facts, entries),
        }
        listed = {**tags, bag.DECLARATION_NAME: bag.DECLARATION.encode()}
        tags[TAG_SUMS] = bag.manifest([(name, _sha256(data)) for name, data in listed.items()]).encode()
        for name, data in tags.items():
            self._write(name, data)
        return list(tags)

    def _write(self, name: str, data: bytes) -> None:
        path = f"{COMING}/{name}"
        self._root.remove(path)
        with os.fdopen(self._root.create(path), "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())

    def _remove_empty(self, gone: Sequence[str]) -> None:
        folders = {
            "/".join(path.split("/")[:count]) for path in gone for count in range(1, path.count("/") + 1)
        }
        for one in sorted(folders, key=len, reverse=True):
            with suppress(OSError):
                self._root.remove_folder(f"{DATA}/{one}")


def _is_same(before: HomeFile, after: HomeFile) -> bool:
    """Whether a file was not written to between two looks."""
    return (before.size_bytes, before.changed_ns) == (after.size_bytes, after.changed_ns)


def _settled(changed_ns: int, seen_ns: int | None = None) -> int:
    """When a file was last written, as it tells the next change; -1 where it may change and keep it.

    Args:
        seen_ns: when it was looked at; None for now.
    """
    seen = time.time_ns() if seen_ns is None else seen_ns
    return changed_ns if abs(seen - changed_ns) > SETTLED_NS else -1


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
