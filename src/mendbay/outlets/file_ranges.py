"""The ranges of a file that hold data, its digest, and the pattern it is overwritten with."""

from __future__ import annotations

import errno
import hashlib
import os
from collections.abc import Iterator

import numpy as np

from mendbay.handback.erasure import SAMPLE_BYTES, SAMPLED_FROM_BYTES, sample_starts
from mendbay.jobs.erasure_port import Beat, quiet

CHUNK_BYTES = 1 << 20


def stored_ranges(fd: int, size_bytes: int, start: int = 0) -> Iterator[tuple[int, int]]:
    """Start and stop of each range that holds data, from `start` on; the whole file where the file system
    does not tell. What was written and not flushed yet counts as data.

    Raises:
        OSError: as the system gives it.
    """
    at = start
    while at < size_bytes:
        try:
            first = os.lseek(fd, at, os.SEEK_DATA)
        except OSError as trouble:
            if trouble.errno == errno.ENXIO:
                return  # nothing but a hole from here on
            if trouble.errno not in (errno.EINVAL, errno.EOPNOTSUPP):
                raise
            yield at, size_bytes
            return
        if first >= size_bytes:
            return
        at = min(os.lseek(fd, first, os.SEEK_HOLE), size_bytes)
        yield first, at


def pieces(ranges: Iterator[tuple[int, int]]) -> Iterator[tuple[int, int]]:
    """The ranges cut at multiples of `CHUNK_BYTES`."""
    for start, stop in ranges:
        at = start
        while at < stop:
            end = min(at - at % CHUNK_BYTES + CHUNK_BYTES, stop)
            yield at, end
            at = end


def pattern(seed: int, start: int, stop: int) -> bytes:
    """The pattern of a piece that lies within one chunk: the same for the same seed and place, and different
    for any two places (Philox 4x64-10: Salmon and others 2011, as numpy makes it)."""
    chunk, offset = divmod(start, CHUNK_BYTES)
    made = np.random.Philox(key=seed, counter=[0, chunk, 0, 0]).random_raw(CHUNK_BYTES // 8)
    return made.view(np.uint8)[offset : offset + stop - start].tobytes()


def digest_of(fd: int, size_bytes: int, beat: Beat = quiet) -> str:
    """The digest of an open file as a plan keeps it.

    Args:
        beat: called with the offset of each piece before it is read.

    Raises:
        OSError: as the system gives it; also if the file is shorter than that.
    """
    if size_bytes < SAMPLED_FROM_BYTES:
        digest = hashlib.sha256()
        at = 0
        while at < size_bytes:
            beat(at)
            data = read_exactly(fd, at, min(at + CHUNK_BYTES, size_bytes))
            digest.update(data)
            at += len(data)
        return f"sha256:{digest.hexdigest()}"
    digest = hashlib.sha256(size_bytes.to_bytes(8, "big"))
    for start in sample_starts(size_bytes):
        beat(start)
        digest.update(start.to_bytes(8, "big"))
        digest.update(read_exactly(fd, start, min(start + SAMPLE_BYTES, size_bytes)))
    return f"sampled:{digest.hexdigest()}"


def read_exactly(fd: int, start: int, stop: int) -> bytes:
    """The bytes of a range.

    Raises:
        OSError: as the system gives it; EIO if the file ends before.
    """
    parts, at = [], start
    while at < stop:
        data = os.pread(fd, stop - at, at)
        if not data:
            raise OSError(errno.EIO, "the file ends too early")
        parts.append(data)
        at += len(data)
    return b"".join(parts)


def write_exactly(fd: int, data: bytes, start: int) -> None:
    """Writes all of the bytes.

    Raises:
        OSError: as the system gives it.
    """
    left, at = memoryview(data), start
    while left:
        count = os.pwrite(fd, left, at)
        left, at = left[count:], at + count
