"""An image store in memory, for tests of what reads into one."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from mendbay.core.coverage import Coverage
from mendbay.core.source import Identity
from mendbay.core.span import Int64s, Span, SpanSet
from mendbay.imaging.attempt import Attempt
from mendbay.imaging.block_digests import Claim


class MemoryStore:
    """Keeps what it is given; `commits` counts the commits asked for."""

    def __init__(self, identity: Identity) -> None:
        self._identity = identity
        self.data = bytearray(b"\xee" * identity.size_bytes)
        self.given = SpanSet()
        self.waived = SpanSet()
        self.refusals: list[tuple[int, int, float]] = []
        self.commits = 0

    @property
    def identity(self) -> Identity:
        return self._identity

    def coverage(self) -> Coverage:
        return Coverage.from_log(
            self._identity.size_bytes,
            self._identity.sector_bytes,
            self.given,
            ((start, stop) for start, stop, _ in self.refusals),
            self.waived,
            self._identity.unit_bytes,
        )

    def coverage_here(self) -> Coverage:
        return self.coverage()

    def keep(self, span: Span, data: memoryview, seconds: float, celsius: float | None = None) -> None:
        assert data.nbytes == span.length
        assert not self.given.overlaps(span), f"{span} was asked for twice"
        self.data[span.start : span.stop] = data
        self.given = self.given | SpanSet([span])

    def note(self, attempt: Attempt) -> None:
        self.refusals.append((attempt.span.start, attempt.span.stop, attempt.seconds))

    def waive(self, spans: SpanSet) -> None:
        self.waived = self.waived | spans

    def take(self, span: Span) -> bytes:
        assert self.given.covers(span)
        return bytes(self.data[span.start : span.stop])

    def claims_in(self, span: Span) -> Iterator[Claim]:
        return iter(())

    def two_answers(self) -> SpanSet:
        return SpanSet()

    def changed(self) -> SpanSet:
        return SpanSet()

    def refused_here(self) -> Int64s:
        bounds = [(start, stop) for start, stop, _ in self.refusals]
        return np.array(bounds, dtype=np.int64).reshape(-1, 2)

    def refused_reads(self) -> Iterator[tuple[int, int, float]]:
        return iter(self.refusals)

    def commit_soon(self) -> None:
        self.commits += 1

    def commit(self) -> None:
        self.commits += 1

    def close(self) -> None:
        self.commit()
