"""Coverage against a drive simulated sector by sector."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from mendbay.core.coverage import LACK_OF_CONDITION, Condition, Coverage
from mendbay.core.span import Span, SpanSet

SECTORS = 24
BYTES = 8
"""Small sectors keep the comparison per byte cheap."""

runs = st.tuples(st.integers(0, SECTORS), st.integers(0, SECTORS)).map(lambda two: (min(two), max(two)))
logs = st.lists(st.tuples(st.sampled_from(["given", "refused", "waived"]), runs), max_size=20)
singles = st.lists(st.integers(0, SECTORS - 1), max_size=12)


@dataclass
class NaiveSector:
    read: bool = False
    tries: int = 0
    waived: bool = False

    @property
    def condition(self) -> Condition:
        if self.read:
            return Condition.READ
        if self.tries:
            return Condition.REFUSED
        return Condition.WAIVED if self.waived else Condition.UNREAD


def both(log: list[tuple[str, tuple[int, int]]], refused: list[int]) -> tuple[list[NaiveSector], Coverage]:
    log = [*log, *(("refused", (one, one + 1)) for one in refused)]
    drive = [NaiveSector() for _ in range(SECTORS)]
    for what, (start, stop) in log:
        for one in drive[start:stop]:
            one.read |= what == "given"
            one.waived |= what == "waived"
            one.tries += what == "refused" and stop - start == 1
    spans = {
        kind: SpanSet(Span(a * BYTES, b * BYTES) for what, (a, b) in log if what == kind)
        for kind in ("given", "waived")
    }
    refusals = [(a * BYTES, b * BYTES) for what, (a, b) in log if what == "refused"]
    return drive, Coverage.from_log(SECTORS * BYTES, BYTES, spans["given"], refusals, spans["waived"])


@given(logs, singles)
def test_every_byte_is_in_the_one_condition_the_log_says(
    log: list[tuple[str, tuple[int, int]]], refused: list[int]
) -> None:
    drive, seen = both(log, refused)
    sets = {
        Condition.READ: seen.read,
        Condition.REFUSED: seen.refused,
        Condition.WAIVED: seen.waived,
        Condition.UNREAD: seen.unread,
    }
    for number, sector in enumerate(drive):
        for offset in range(number * BYTES, (number + 1) * BYTES):
            assert [condition for condition, held in sets.items() if offset in held] == [sector.condition]
            assert seen.tries_at(offset) == (sector.tries if sector.condition is Condition.REFUSED else 0)
    assert sum(seen.total_bytes(condition) for condition in Condition) == SECTORS * BYTES


@given(logs, singles)
def test_stretches_fill_the_drive_and_are_maximal(
    log: list[tuple[str, tuple[int, int]]], refused: list[int]
) -> None:
    drive, seen = both(log, refused)
    stretches = seen.stretches()
    assert [one.span.start for one in stretches] == [0, *(one.span.stop for one in stretches[:-1])]
    assert stretches[-1].span.stop == SECTORS * BYTES
    for one, following in pairwise(stretches):
        assert (one.condition, one.tries) != (following.condition, following.tries)
    for one in stretches:
        for sector in drive[one.span.start // BYTES : one.span.stop // BYTES]:
            assert sector.condition is one.condition
            assert one.tries == (sector.tries if one.condition is Condition.REFUSED else 0)


@given(logs, singles, st.integers(0, SECTORS * BYTES + 20), st.integers(0, 60))
def test_gaps_are_what_is_not_read(
    log: list[tuple[str, tuple[int, int]]], refused: list[int], start: int, length: int
) -> None:
    drive, seen = both(log, refused)
    gaps = seen.gaps(Span.at(start, length))
    assert list(gaps) == sorted(gaps, key=lambda gap: gap.span.start)
    assert all(gap.span.length for gap in gaps)
    named = [(offset, gap.why) for gap in gaps for offset in range(gap.span.start, gap.span.stop)]
    expected = [
        (offset, LACK_OF_CONDITION[drive[offset // BYTES].condition])
        for offset in range(start, min(start + length, SECTORS * BYTES))
        if drive[offset // BYTES].condition is not Condition.READ
    ]
    assert named == expected


@given(logs, singles, st.randoms(use_true_random=False))
def test_the_order_of_refusals_does_not_matter(
    log: list[tuple[str, tuple[int, int]]], refused: list[int], random: object
) -> None:
    shuffled = list(refused)
    random.shuffle(shuffled)
    assert both(log, refused)[1] == both(log, shuffled)[1]
    assert hash(both(log, refused)[1]) == hash(both(log, shuffled)[1])
