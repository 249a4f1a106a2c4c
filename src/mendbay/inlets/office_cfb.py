"""The streams of a compound file, which an office document of the old binary kinds is, read from memory.

After [MS-CFB], compound file binary file format (published specification, from memory). Damage and malice
are expected: every chain ends where it leaves the file, meets a hole or comes back to itself, and no more is
read than the file has. Runs only in the process that makes previews.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from mendbay.core.span import SpanSet
from mendbay.jobs.preview_port import COMPOUND

HEADER = struct.Struct("<8s16sHHHHH6s9I")
HEADER_BYTES = 512
SHIFTS, MINI_BYTES = (9, 12), 64
"""Sectors have 2^9 or 2^12 bytes, the pieces of small streams 64."""
LAST_SECTOR = 0xFFFFFFFA
"""The largest number that a sector can have (MAXREGSECT); above it are marks, such as the end of a chain."""
BROKEN = 0xFFFFFFFB
"""In the place of what is not there of the table of chains: no sector has that number."""
ENTRY_BYTES = 128
STORAGE, STREAM, ROOT = 1, 2, 5
MOST_ENTRIES = 20_000
STREAM_BYTES = 24 << 20
"""Read out of one stream (own choice: what is shown takes far less)."""

Numbers = npt.NDArray[np.uint32]


@dataclass(frozen=True, slots=True)
class Stream:
    """What could be read of a stream, from its beginning; `is_whole` whether that is all of it."""

    data: bytes
    is_whole: bool


@dataclass(frozen=True, slots=True)
class _Entry:
    name: str
    kind: int
    left: int
    right: int
    child: int
    start: int
    size: int


class Compound:
    """The streams beside each other in the root of a compound file, by name, in small letters.

    Args:
        data: the whole file.
        holes: bytes of it that hold anything; none of them is looked at.

    Attributes:
        is_whole: whether all that was asked for is there and agrees with itself.
    """

    def __init__(self, data: bytes, holes: SpanSet) -> None:
        self.is_whole = True
        self._data = data
        self._entries: list[_Entry] = []
        self._names: dict[str, _Entry] = {}
        head = data[:HEADER_BYTES]
        is_holed = any(one.start < len(head) for one in holes)
        if len(head) < HEADER_BYTES or not head.startswith(COMPOUND) or is_holed:
            self.is_whole = False
            return
        values = HEADER.unpack_from(head)
        shift = values[5]
        self._shift: int = shift if shift in SHIFTS else SHIFTS[0]
        self._cutoff = values[12]
        self._bytes = 1 << self._shift
        self._count = max(0, -(-len(data) // self._bytes) - 1)
        self._bad = self._holed(holes)
        self._fat = self._table(self._fat_sectors(head, first=values[15], most=values[16]))
        directory = self._chained(self._fat, values[10], self._count)
        self._read_entries(directory)
        minis = self._chained(self._fat, values[13], self._count)
        self._mini_fat = np.frombuffer(minis[: len(minis) // 4 * 4], "<u4")
        root = next((one for one in self._entries if one.kind == ROOT), None)
        self._mini = b"" if root is None else self._of_chain(root.start, root.size)
        self._name(root)

    def __contains__(self, name: str) -> bool:
        return name.lower() in self._names

    def stream(self, name: str, most: int = STREAM_BYTES) -> Stream:
        """The stream of that name, at most so many bytes of it; an empty one where there is none."""
        entry = self._names.get(name.lower())
        if entry is None:
            return Stream(b"", False)
        wanted = min(entry.size, most)
        if entry.size < self._cutoff:
            data = self._of_minis(entry.start, wanted)
        else:
            data = self._of_chain(entry.start, wanted)
        if len(data) < wanted:
            self.is_whole = False
        return Stream(data, len(data) == entry.size)

    def _holed(self, holes: SpanSet) -> npt.NDArray[np.bool_]:
        """(sectors), which of them are not wholly there."""
        bad = np.zeros(self._count, np.bool_)
        for one in holes:
            bad[max(0, (one.start >> self._shift) - 1) : max(0, -(-one.stop >> self._shift) - 1)] = True
        return bad

    def _sector(self, number: int) -> bytes | None:
        """A sector; None where it is not there, or a hole is in it. The last of a file may be short."""
        if number >= self._count or self._bad[number]:
            return None
        at = (number + 1) << self._shift
        return self._data[at : at + self._bytes]

    def _fat_sectors(self, head: bytes, *, first: int, most: int) -> list[int]:
        """Where the table of chains lies: 109 sectors of it stand in the header, the others in a chain."""
        numbers = list(struct.unpack_from("<109I", head, HEADER.size))
        each, seen = self._bytes // 4, set[int]()
        while first <= LAST_SECTOR and first not in seen and len(seen) < min(most, self._count):
            seen.add(first)
            data = self._sector(first)
            if data is None or len(data) < self._bytes:
                self.is_whole = False
                break
            *more, first = struct.unpack(f"<{each}I", data)
            numbers += more
        while numbers and numbers[-1] > LAST_SECTOR:
            numbers.pop()
        return numbers[: self._count]

    def _table(self, sectors: list[int]) -> Numbers:
        """The table of chains; of its own sectors that are not there every chain is broken off."""
        each = self._bytes // 4
        table = np.full(len(sectors) * each, BROKEN, np.uint32)
        for at, number in enumerate(sectors):
            data = self._sector(number)
            if data is not None and len(data) == self._bytes:
                table[at * each : (at + 1) * each] = np.frombuffer(data, "<u4")
        return table

    def _numbers(self, table: Numbers, first: int, most: int) -> Iterator[int]:
        """A chain's numbers, at most so many; it ends where it comes back to itself."""
        seen = bytearray(len(table))
        while first < len(table) and most > 0 and not seen[first]:
            seen[first] = 1
            yield first
            most -= 1
            first = int(table[first])

    def _chained(self, table: Numbers, first: int, most: int) -> bytes:
        """What a chain of sectors holds up to the first that is not there."""
        found = list[bytes]()
        for number in self._numbers(table, first, most):
            data = self._sector(number)
            if data is None:
                self.is_whole = False
                break
            found.append(data)
        return b"".join(found)

    def _of_chain(self, first: int, size: int) -> bytes:
        size = min(size, len(self._data))
        return self._chained(self._fat, first, -(-size // self._bytes))[:size]

    def _of_minis(self, first: int, size: int) -> bytes:
        """A small stream, whose pieces lie within the stream of the root."""
        each = MINI_BYTES
        found = list[bytes]()
        for number in self._numbers(self._mini_fat, first, -(-size // each)):
            piece = self._mini[number * each : (number + 1) * each]
            found.append(piece)
            if len(piece) < each:
                break
        return b"".join(found)[:size]

    def _read_entries(self, directory: bytes) -> None:
        for at in range(0, min(len(directory), MOST_ENTRIES * ENTRY_BYTES) // ENTRY_BYTES * ENTRY_BYTES, 128):
            raw = directory[at : at + ENTRY_BYTES]
            letters, kind = struct.unpack_from("<HB", raw, 64)
            left, right, child = struct.unpack_from("<III", raw, 68)
            start, low, high = struct.unpack_from("<III", raw, 116)
            name = raw[: max(0, min(letters, 64) - 2)].decode("utf-16-le", "replace")
            size = low if self._shift == 9 else low | high << 32  # of small sectors the upper half is not set
            self._entries.append(_Entry(name, kind, left, right, child, start, size))

    def _name(self, root: _Entry | None) -> None:
        """Names the streams of the root. Where its tree cannot be followed all streams are taken for them,
        the first of a name."""
        found = self._children(root.child) if root is not None else []
        if not any(one.kind == STREAM for one in found):
            found = self._entries
            self.is_whole = False
        for one in found:
            if one.kind == STREAM:
                self._names.setdefault(one.name.lower(), one)

    def _children(self, first: int) -> list[_Entry]:
        found, seen, left = list[_Entry](), set[int](), [first]
        while left:
            number = left.pop()
            if number >= len(self._entries) or number in seen:
                continue
            seen.add(number)
            entry = self._entries[number]
            found.append(entry)
            left += [entry.right, entry.left]
        return found
