"""A drive in memory whose refusals are scripted: the smallest thing that fulfils `DriveReader`."""

from __future__ import annotations

from collections import deque

from mendbay.core.source import Identity
from mendbay.core.span import Span
from mendbay.imaging.attempt import Attempt, Outcome


def numbered(sectors: int, sector_bytes: int = 512) -> bytes:
    """Content in which every sector holds its own number, so that a wrong place names itself."""
    return b"".join(number.to_bytes(8, "little") * (sector_bytes // 8) for number in range(1, sectors + 1))


class ScriptedDrive:
    """Refuses any read that touches a bad sector, whole, as drives do.

    Args:
        data: the content.
        bad: sectors never given.
        weak: sector -> how many more refusals until it is given.
        hang: sectors that never answer (reported as hung after a minute of simulated time).
        vanish_after: how many reads until it vanishes, once; None never.
        vanish_at: sectors that take it off the bus whenever they are read.
        physical_bytes: what it says of its physical sectors; what it gives does not depend on it.
    """

    depth = 3

    def __init__(
        self,
        data: bytes,
        bad: set[int] | None = None,
        weak: dict[int, int] | None = None,
        hang: set[int] | None = None,
        vanish_after: int | None = None,
        vanish_at: set[int] | None = None,
        sector_bytes: int = 512,
        serial: str = "SCRIPTED",
        largest_read_bytes: int = 1 << 20,
        physical_bytes: int = 0,
    ) -> None:
        self.data = data
        self.bad = bad or set()
        self.weak = dict(weak or {})
        self.hang = hang or set()
        self.vanish_after = vanish_after
        self.vanish_at = vanish_at or set()
        self.gone = False
        self.dead = False
        self.largest_read_bytes = largest_read_bytes
        self.log: list[tuple[Span, Outcome]] = []
        self._queue: deque[Span] = deque()
        self._identity = Identity(
            "simulated drive", "scripted", len(data), sector_bytes, physical_bytes, serial=serial
        )

    @property
    def identity(self) -> Identity:
        return self._identity

    @property
    def queued(self) -> int:
        return len(self._queue)

    def ask(self, span: Span) -> None:
        sector = self._identity.sector_bytes
        assert span.length > 0
        assert span.start % sector == 0
        assert span.stop % sector == 0 or span.stop == len(self.data)
        assert span.length <= self.largest_read_bytes
        assert len(self._queue) < self.depth
        self._queue.append(span)

    def answer(self) -> Attempt:
        span = self._queue.popleft()
        outcome = self._outcome(span)
        self.log.append((span, outcome))
        if outcome is not Outcome.GIVEN:
            self._queue.clear()
        seconds = {Outcome.GIVEN: 0.002 + span.length / 150e6, Outcome.HUNG: 60.0}.get(outcome, 3.0)
        data = self.data[span.start : span.stop] if outcome is Outcome.GIVEN else b""
        return Attempt(span, outcome, memoryview(data), seconds, "" if data else "EIO")

    def _outcome(self, span: Span) -> Outcome:
        if self.vanish_after is not None and len(self.log) >= self.vanish_after:
            self.gone, self.vanish_after = True, None
        if self.gone:
            return Outcome.VANISHED
        if self.dead:
            return Outcome.REFUSED
        sector = self._identity.sector_bytes
        touched = range(span.start // sector, -(-span.stop // sector))
        if any(one in touched for one in self.vanish_at):
            self.gone = True
            return Outcome.VANISHED
        if any(one in touched for one in self.hang):
            return Outcome.HUNG
        refused = any(one in touched for one in self.bad)
        for one, left in self.weak.items():
            if one in touched and left > 0:
                self.weak[one] = left - 1
                refused = True
        return Outcome.REFUSED if refused else Outcome.GIVEN

    def power_cycle(self) -> None:
        self.gone = False

    def returned(self) -> bool:
        return not self.gone

    def break_off(self) -> None:
        self._queue.clear()

    def close(self) -> None:
        self._queue.clear()
