"""Copies of single files into a saved copy: sparse as they are, with their sum taken on the way."""

from __future__ import annotations

import errno
import hashlib
import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from mendbay.core.errors import DestinationError, MendbayError, NoRoom
from mendbay.core.span import Span
from mendbay.outlets.checkpoint import damaged
from mendbay.outlets.file_ranges import stored_ranges, write_exactly

READ_BYTES = 4 << 20
_ZEROS = bytes(READ_BYTES)


@contextmanager
def writing(place: Path) -> Iterator[None]:
    """Tells what the system reports about the place of a copy in our own words.

    Raises:
        NoRoom, DestinationError: instead of an `OSError`.
    """
    try:
        yield
    except OSError as trouble:
        raise not_written(place, trouble) from trouble


def not_written(place: Path, trouble: OSError) -> MendbayError:
    """What is told of a fault of the place of a copy."""
    if trouble.errno in (errno.ENOSPC, errno.EDQUOT):
        return NoRoom(
            f"The disk of {place} became full.",
            "Free some room there, or leave the images out (--without-images), then run the same command "
            "again; what is copied is kept.",
        )
    if trouble.errno == errno.EFBIG:
        return DestinationError(
            f"The file system of {place} cannot hold a file that large.",
            "Save onto a medium with another file system.",
        )
    if trouble.errno in (errno.EINVAL, errno.EILSEQ, errno.ENAMETOOLONG):
        return DestinationError(
            f"The file system there takes no such name as {place}.",
            "Save onto a medium with another file system.",
        )
    if trouble.errno == errno.EROFS:
        return DestinationError(f"{place} can only be read.", "Mount it for writing, or name another folder.")
    return DestinationError(
        f"{place} cannot be written: {trouble.strerror or trouble}.",
        "Check the medium, its cable and its rights, then run the same command again; what is copied is "
        "kept.",
    )


@contextmanager
def reading(place: Path) -> Iterator[None]:
    """The same of a file that is to be copied; one that is gone is for the caller.

    Raises:
        FileNotFoundError: it is there no more.
        DestinationError: instead of any other `OSError`.
    """
    try:
        yield
    except FileNotFoundError:
        raise
    except OSError as trouble:
        raise DestinationError(
            f"{place} cannot be read: {trouble.strerror or trouble}.",
            "Check its disk and its rights. If it is lost, move it away, then run the same command again.",
        ) from trouble


def copy_bytes(
    source: int, target: int, size_bytes: int, from_place: Path, to_place: Path, beat: Callable[[int], None]
) -> str:
    """Copies so many bytes of an open file, or fewer where it ends before; what holds no data stays a hole.

    Returns:
        SHA-256 of the copy, hexadecimal.

    Raises:
        FileNotFoundError, DestinationError, NoRoom: as `reading` and `writing`.
    """
    digest = hashlib.sha256()
    at = 0
    with reading(from_place):
        ranges = stored_ranges(source, size_bytes)
    while True:
        with reading(from_place):
            start, stop = next(ranges, (size_bytes, size_bytes))
        at = _over_hole(digest, at, start, beat)
        while at < stop:
            with reading(from_place):
                data = os.pread(source, min(READ_BYTES, stop - at), at)
            if not data:  # it was cut meanwhile
                size_bytes = at
                break
            digest.update(data)
            if data.count(0) != len(data):
                with writing(to_place):
                    write_exactly(target, data, at)
            at += len(data)
            beat(len(data))
        if at >= size_bytes:
            break
    with writing(to_place):
        os.ftruncate(target, size_bytes)
    return digest.hexdigest()


def _over_hole(digest: hashlib._Hash, at: int, stop: int, beat: Callable[[int], None]) -> int:
    while at < stop:
        count = min(len(_ZEROS), stop - at)
        digest.update(memoryview(_ZEROS)[:count])
        at += count
        beat(count)
    return at


def sum_of(source: int, place: Path, beat: Callable[[int], None]) -> tuple[str, int]:
    """SHA-256 of an open file, and how many bytes it has.

    Raises:
        DestinationError: it cannot be read.
    """
    digest = hashlib.sha256()
    at = 0
    with reading(place):
        while data := os.pread(source, READ_BYTES, at):
            digest.update(data)
            at += len(data)
            beat(len(data))
    return digest.hexdigest(), at


def copy_log(source: Path, target: Path) -> None:
    """Copies the log of an image as it is at one moment, while it is written to, into one new file.

    Raises:
        DamagedCheckpoint: it is damaged.
        NoRoom, DestinationError: it cannot be read or written.
    """
    try:
        with (
            closing(_to_look(source)) as log,
            closing(sqlite3.connect(target, isolation_level=None)) as copy,
        ):
            copy.execute("PRAGMA synchronous=FULL")
            log.backup(copy)
            copy.execute("PRAGMA journal_mode=DELETE")
    except sqlite3.Error as trouble:
        code = getattr(trouble, "sqlite_errorcode", 0) & 0xFF
        if code == sqlite3.SQLITE_FULL:
            raise not_written(target.parent, OSError(errno.ENOSPC, "full")) from trouble
        if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
            raise damaged(source, str(trouble)) from trouble
        raise DestinationError(
            f"The log {source} cannot be copied: {trouble}.",
            "Check both disks and their rights, then run the same command again.",
        ) from trouble


def _to_look(path: Path) -> sqlite3.Connection:
    mode = "mode=ro" if os.access(path.parent, os.W_OK) else "immutable=1"
    uri = f"{path.absolute().as_uri()}?{mode}"
    return sqlite3.connect(uri, uri=True, isolation_level=None, timeout=30)


def is_as_claimed(image: Path) -> bool:
    """Whether the bytes of a copied image are those that its copied log was given, as far as digests tell;
    pieces that the log itself calls changed are not looked at.

    Raises:
        DamagedCheckpoint, DestinationError: they do not fit each other, or cannot be read.
    """
    from mendbay.outlets.image_file import ImageFile  # arrays: only where an image is being written

    store = ImageFile.reopen(image, writable=False)
    try:
        whole = Span(0, store.identity.size_bytes)
        known = store.changed()
        return all(
            claim.is_held_by(store.take(claim.span)) is not False or bool(known.clip(claim.span))
            for claim in store.claims_in(whole)
        )
    finally:
        store.close()
