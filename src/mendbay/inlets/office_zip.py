"""The members of a zip archive that an office document is, read from memory with what is missing of it.

After ISO/IEC 21320-1 (document container file) and what it refers to, from memory: members are stored or
deflated, never encrypted, in one volume. Nothing is ever written, so that a member's name can do no harm.
Damage is expected: where the list of members is lost they are looked for by the headers before each, and of a
member with a hole what stands before the hole is given. Runs only in the process that makes previews.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass

from mendbay.core.span import Span, SpanSet

LOCAL, LISTED, LIST_END = b"PK\x03\x04", b"PK\x01\x02", b"PK\x05\x06"
LOCAL_HEADER = struct.Struct("<4s5H3I2H")
LISTED_HEADER = struct.Struct("<4s6H3I5H2I")
END_HEADER = struct.Struct("<4s4H2IH")
STORED, DEFLATED = 0, 8
ENCRYPTED, SIZES_BEHIND = 1, 8
"""Bits of a member's flags."""
MOST_MEMBERS = 20_000
MEMBER_BYTES = 24 << 20
"""Read out of one member (own choice: the rows shown of a sheet take far less)."""
TOTAL_BYTES = 48 << 20
"""Read out of all members."""
MOST_RATIO = 200
"""What a member may grow by, from its first mebibyte on (own choice: tables grow by some tens)."""
FREE_BYTES = 1 << 20
CHUNK_BYTES = 1 << 16


class Broken(Exception):
    """Something of a document is damaged, missing, or more than is read; what came before it counts."""


@dataclass(frozen=True, slots=True)
class _Member:
    """Where a member's header stands; sizes and checksum where they are known."""

    at: int
    method: int
    flags: int
    packed_bytes: int | None
    crc: int | None


class Archive:
    """The members of an archive by name, in small letters, with slashes between folders.

    Args:
        data: the whole file.
        holes: bytes of it that hold anything; none of them is looked at.

    Attributes:
        is_whole: whether the list of members is there and agrees with itself, and nothing that was asked for
            was damaged or missing.
        elements: how many were met in its parts; whoever reads them counts.
        wrong: names of members that were read to their end and do not agree with their checksum.
    """

    def __init__(self, data: bytes, holes: SpanSet) -> None:
        self._data = data
        self._holes = holes
        self._left = TOTAL_BYTES
        self._members: dict[str, _Member] = {}
        self.elements = 0
        self.wrong: set[str] = set()
        self.is_whole = self._listed()
        if not self.is_whole:
            self._found()

    def __contains__(self, name: str) -> bool:
        return name.lower() in self._members

    @property
    def has_room(self) -> bool:
        """Whether so little was unpacked that something may be that is only held against its checksum."""
        return self._left > TOTAL_BYTES // 2

    def names(self) -> list[str]:
        """Names of the members in their order in the file, or in its list."""
        return list(self._members)

    def chunks(self, name: str) -> Iterator[bytes]:
        """The bytes of a member in order.

        Raises:
            Broken: there is no more of it, though there should be: what was given before stands.
        """
        member = self._members.get(name.lower())
        if member is None:
            raise Broken("a part is not there")
        if member.flags & ENCRYPTED or member.method not in (STORED, DEFLATED):
            raise Broken("a part is locked or packed in a way that is not read")
        start, stop, is_cut = self._place(member)
        most = min(MEMBER_BYTES, self._left, max(FREE_BYTES, MOST_RATIO * (stop - start)))
        given, crc = 0, 0
        for chunk in self._inflated(member, start, stop, is_cut):
            given += len(chunk)
            self._left -= len(chunk)
            if given > most:
                raise Broken("a part holds more than is read")
            crc = zlib.crc32(chunk, crc)
            yield chunk
        if member.crc is not None and crc != member.crc:
            self.wrong.add(name.lower())

    def _place(self, member: _Member) -> tuple[int, int, bool]:
        """Where a member's bytes begin, and end or break off."""
        header = Span(member.at, member.at + LOCAL_HEADER.size)
        if header.stop > len(self._data) or self._holes.overlaps(header):
            raise Broken("the beginning of a part is missing")
        sign, *_, name_bytes, extra_bytes = LOCAL_HEADER.unpack_from(self._data, header.start)
        start = header.stop + name_bytes + extra_bytes
        if sign != LOCAL or start > len(self._data):
            raise Broken("a part is not where the list says")
        stop = len(self._data) if member.packed_bytes is None else start + member.packed_bytes
        is_cut = stop > len(self._data)
        stop = min(stop, len(self._data))
        hole = next(iter(self._holes.clip(Span(start, stop))), None) if stop > start else None
        return (start, stop, is_cut) if hole is None else (start, hole.start, True)

    def _inflated(self, member: _Member, start: int, stop: int, is_cut: bool) -> Iterator[bytes]:
        if member.method == STORED:
            for at in range(start, stop, CHUNK_BYTES):
                yield self._data[at : min(at + CHUNK_BYTES, stop)]
            if is_cut or member.packed_bytes is None:
                raise Broken("a part breaks off")
            return
        unpacking = zlib.decompressobj(-zlib.MAX_WBITS)
        try:
            for at in range(start, stop, CHUNK_BYTES):
                packed = self._data[at : min(at + CHUNK_BYTES, stop)]
                while packed and not unpacking.eof:
                    yield unpacking.decompress(packed, CHUNK_BYTES)
                    packed = unpacking.unconsumed_tail
            while not unpacking.eof and (rest := unpacking.decompress(b"", CHUNK_BYTES)):
                yield rest
        except zlib.error:
            raise Broken("a part is damaged") from None
        if not unpacking.eof:
            raise Broken("a part breaks off")

    def _listed(self) -> bool:
        """Takes the members from the list at the end; False if anything of it is missing or wrong."""
        data = self._data
        end = data.rfind(LIST_END, max(0, len(data) - END_HEADER.size - 0xFFFF))
        if end < 0 or end + END_HEADER.size > len(data):
            return False
        _, _, _, _, count, size, at, _ = END_HEADER.unpack_from(data, end)
        if at + size > end or count > MOST_MEMBERS or self._holes.overlaps(Span(at, end + END_HEADER.size)):
            return False
        for _ in range(count):
            if at + LISTED_HEADER.size > end:
                return False
            sign, _, _, flags, method, _, _, crc, packed, _, *lengths, _, _, _, offset = (
                LISTED_HEADER.unpack_from(data, at)
            )
            at += LISTED_HEADER.size
            if sign != LISTED or at + sum(lengths) > end:
                return False
            name = data[at : at + lengths[0]]
            at += sum(lengths)
            self._add(name, _Member(offset, method, flags, packed, crc))
        return True

    def _found(self) -> None:
        """Looks for the headers before each member."""
        data, at = self._data, 0
        for _ in range(MOST_MEMBERS):
            at = data.find(LOCAL, at)
            if at < 0 or at + LOCAL_HEADER.size > len(data):
                return
            _, _, flags, method, _, _, crc, packed, _, name_bytes, extra = LOCAL_HEADER.unpack_from(data, at)
            start = at + LOCAL_HEADER.size
            if self._holes.overlaps(Span(at, start + name_bytes)) or start + name_bytes + extra > len(data):
                at += len(LOCAL)
                continue
            is_behind = bool(flags & SIZES_BEHIND) or packed == 0xFFFFFFFF
            member = _Member(
                at, method, flags, None if is_behind else packed, None if flags & SIZES_BEHIND else crc
            )
            self._add(data[start : start + name_bytes], member)
            at = start + name_bytes + extra + (0 if is_behind else packed)

    def _add(self, name: bytes, member: _Member) -> None:
        """The first of a name counts."""
        self._members.setdefault(name.decode("utf-8", "replace").replace("\\", "/").lower(), member)
