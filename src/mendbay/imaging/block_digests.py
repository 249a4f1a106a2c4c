"""Digests of what a drive gave, block by block, taken while it is read.

A read is cut at multiples of `BLOCK_BYTES` of the drive. Each piece, a whole block or the part of one that
the read brought, gets its CRC-32C, so that the digests of a read are as many as the blocks it touches and
follow from its two ends. Nothing is left out: a single sector between two bad ones has a digest of its own.

Why CRC-32C: it must run beside every healthy read. It costs a quarter of the SHA-256 that is taken anyway
(`./run bench imaging` times both), and finds every change of up to three bits in a block and all but one in
four thousand million others (P. Koopman, "32-Bit Cyclic Redundancy Codes for Internet Applications", DSN
2002, from memory). It finds decay and accidents; whoever forges a block on purpose can keep its CRC, and
is found by the SHA-256 of the whole image.

Why 256 KiB: 16 bytes of digests for each MiB read, 64 MB for 4 TB; and what must be read again for one wrong
byte is over in milliseconds (own choice).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import google_crc32c

from mendbay.core.span import Span

BLOCK_BYTES = 256 << 10
DIGEST_BYTES = 4


def pieces(span: Span) -> Iterator[Span]:
    """The span cut at the borders of blocks, in order."""
    at = span.start
    while at < span.stop:
        stop = min((at // BLOCK_BYTES + 1) * BLOCK_BYTES, span.stop)
        yield Span(at, stop)
        at = stop


def digest(data: bytes | memoryview, before: int = 0) -> int:
    """CRC-32C of bytes; `before` is that of the bytes they follow, 0 if they are the first."""
    result: int = google_crc32c.extend(before, bytes(data))
    return result


def add_digests(digests: bytearray, span: Span, data: memoryview) -> None:
    """Adds the digests of `data`, read at `span`, to those of the read that ends where `span` starts.

    Args:
        digests: of the bytes right before, empty if the read begins here; changed in place.
    """
    for part in pieces(span):
        bytes_there = data[part.start - span.start : part.stop - span.start]
        if digests and part.start % BLOCK_BYTES:
            before = int.from_bytes(digests[-DIGEST_BYTES:], "little")
            digests[-DIGEST_BYTES:] = digest(bytes_there, before).to_bytes(DIGEST_BYTES, "little")
        else:
            digests += digest(bytes_there).to_bytes(DIGEST_BYTES, "little")


def is_whole(digests: bytes | bytearray, span: Span) -> bool:
    """Whether there are as many digests as a read of `span` has pieces."""
    first, last = span.start // BLOCK_BYTES, -(-span.stop // BLOCK_BYTES)
    return len(digests) == (last - first) * DIGEST_BYTES


def digested(digests: bytes | bytearray, span: Span) -> Iterator[tuple[Span, int]]:
    """The pieces of a read of `span`, each with its digest.

    Raises:
        ValueError: there are too few or too many digests.
    """
    if not is_whole(digests, span):
        raise ValueError(f"{len(digests)} bytes of digests are not those of {span}")
    for at, part in enumerate(pieces(span)):
        yield part, int.from_bytes(digests[at * DIGEST_BYTES : (at + 1) * DIGEST_BYTES], "little")


@dataclass(frozen=True, slots=True)
class Claim:
    """A piece of an image that is said to hold what the drive gave in `run`, and the digest noted then: None
    for bytes read before digests were, or of which the digest speaks only in part.

    `at` is when, UTC; `seconds` how long the drive took for this piece; `celsius` its temperature, None where
    not measured.
    """

    span: Span
    run: int
    digest: int | None
    at: str = ""
    seconds: float = 0.0
    celsius: float | None = None

    def is_held_by(self, data: bytes) -> bool | None:
        """Whether bytes read back from the image are what the drive gave; None where nothing says so."""
        return None if self.digest is None else digest(data) == self.digest
