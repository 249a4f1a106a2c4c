"""Reading in physical sectors: whatever the drive is like, all that it gives is read."""

from __future__ import annotations

import random

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st

from mendbay.core.clock import SystemClock
from mendbay.core.coverage import Coverage, refused_alone
from mendbay.core.span import Int64s, Span, SpanSet
from mendbay.imaging.attempt import Outcome
from mendbay.imaging.units import BELIEVED_AFTER, BELIEVED_SHARE, LastPieces, in_units
from mendbay.jobs.drive_reading import DriveReading, Ending
from mendbay.jobs.events import silent
from support.memory_store import MemoryStore
from support.scripted_drive import ScriptedDrive, numbered

UNIT, SECTOR, SECTORS = 32, 8, 32
"""Small sectors keep the comparison per byte cheap."""

runs = st.tuples(st.integers(0, SECTORS), st.integers(0, SECTORS)).map(lambda two: (min(two), max(two)))
logs = st.lists(st.tuples(st.sampled_from(["given", "refused", "waived"]), runs), max_size=25)


@given(logs)
def test_a_unit_is_what_its_sectors_are_together(log: list[tuple[str, tuple[int, int]]]) -> None:
    spans = {
        kind: SpanSet(Span(a * SECTOR, b * SECTOR) for what, (a, b) in log if what == kind)
        for kind in ("given", "refused", "waived")
    }
    refusals = [(a * SECTOR, b * SECTOR) for what, (a, b) in log if what == "refused"]
    seen = Coverage.from_log(SECTORS * SECTOR, SECTOR, spans["given"], refusals, spans["waived"], UNIT)
    units = in_units(seen, UNIT)
    for first in range(0, SECTORS * SECTOR, UNIT):
        sectors = range(first, first + UNIT, SECTOR)
        lacking = [at for at in sectors if at not in seen.read]
        refused = bool(lacking) and all(at in seen.refused for at in lacking)
        assert (first in units.read) == (not lacking)
        assert (first in units.refused) == refused
        assert (first in units.waived) == (bool(lacking) and all(at in seen.waived for at in lacking))
        assert units.tries_at(first) == (min(seen.tries_at(at) for at in lacking) if refused else 0)
    assert in_units(seen, SECTOR) == seen


BLOCKS = 60
blocks = st.integers(0, BLOCKS - 1)
block_sets = st.sets(st.one_of(blocks, st.integers(20, 24)), max_size=6)
"""So few that the drive's word is not believed for them alone."""
inside = st.integers(0, BLOCKS * 8 - 1)


@settings(max_examples=60, deadline=None)
@given(
    bad_blocks=block_sets,
    aside=st.integers(-7, 7),
    bad_sectors=st.sets(inside, max_size=7),
    weak=st.dictionaries(inside, st.integers(1, 2), max_size=6),
    hang=st.sets(inside, max_size=1),
)
def test_all_that_the_drive_gives_is_read_also_where_its_word_is_wrong(
    bad_blocks: set[int], aside: int, bad_sectors: set[int], weak: dict[int, int], hang: set[int]
) -> None:
    """The physical sectors it tells of may be smaller than said (`bad_sectors`) or begin elsewhere."""
    bad = {8 * block + aside + one for block in bad_blocks for one in range(8)} | bad_sectors
    bad = {one for one in bad if 0 <= one < BLOCKS * 8} - hang
    weak = {one: count for one, count in weak.items() if one not in bad | hang}
    drive = ScriptedDrive(
        numbered(BLOCKS * 8), bad, weak, hang, physical_bytes=4096, largest_read_bytes=64 << 10
    )
    store = MemoryStore(drive.identity)
    assert DriveReading("1", drive, store, SystemClock(), silent).run() is Ending.DONE
    seen = store.coverage()
    assert not seen.unread
    lost = {at // 512 for span in seen.refused for at in range(span.start, span.stop, 512)}
    assert lost >= bad | hang
    if not weak:
        assert lost == bad | hang
    for span in seen.read:
        assert store.data[span.start : span.stop] == drive.data[span.start : span.stop]
    pieces: list[Span] = []
    given: set[Span] = set()  # one of these is asked for again to see whether the drive lives
    for span, outcome in drive.log:
        if span.length < 4096 and span not in given:
            pieces.append(span)
            if outcome is Outcome.GIVEN:
                given.add(span)
    assert len(pieces) == len(set(pieces)), "each is asked for alone once"
    assert all(span.start % 4096 == span.stop % 4096 == 0 for span, _ in drive.log if span.length >= 4096)


TOLD_UNITS = 40


def is_believed(seen: Coverage, alone: Int64s) -> bool:
    """Whether the drive's word is believed, by all that the record says: of units that begin a stretch enough
    pieces were asked for, all of each, and hardly any came."""
    units = set((alone // UNIT).tolist())
    asked = came = 0
    for first in (unit * UNIT for unit in units if unit - 1 not in units):
        pieces = range(first, first + UNIT, SECTOR)
        if all(at in seen.read or at in alone for at in pieces):
            asked += len(pieces)
            came += sum(at in seen.read for at in pieces)
    return asked >= BELIEVED_AFTER and came < BELIEVED_SHARE * asked


def next_by_the_record(seen: Coverage, refused: Int64s) -> list[int]:
    """The first unit with pieces that are due, by all that the record says."""
    alone = refused_alone(refused, SECTOR)[0]
    if is_believed(seen, alone):
        return []
    tried = seen.refused_starts[seen.refused_tries >= 2].tolist()
    due = [at for at in tried if at not in alone]
    return [at for at in due if at // UNIT == due[0] // UNIT]


@settings(max_examples=150, deadline=None)
@given(
    whole=st.sets(st.integers(0, TOLD_UNITS - 1), max_size=TOLD_UNITS),
    before=st.lists(
        st.tuples(st.sampled_from(["given", "refused"]), st.integers(0, TOLD_UNITS * 4 - 1)), max_size=40
    ),
    share=st.sampled_from([0.0, 0.01, 0.02, 0.1, 0.7]),
    back=st.sampled_from([0.0, 0.2]),
    seed=st.integers(0, 9),
)
@example(whole=set(range(0, TOLD_UNITS, 2)), before=[], share=0.0, back=0.0, seed=0)
@example(whole=set(range(1, TOLD_UNITS, 2)), before=[], share=0.02, back=0.2, seed=1)
def test_pieces_come_as_if_worked_out_anew_from_the_record_each_time(
    whole: set[int], before: list[tuple[str, int]], share: float, back: float, seed: int
) -> None:
    chance = random.Random(seed)
    read = SpanSet(Span.at(at * SECTOR, SECTOR) for what, at in before if what == "given")
    log = [(unit * UNIT, unit * UNIT + UNIT) for unit in whole for _ in range(2)]
    log += [(at * SECTOR, at * SECTOR + SECTOR) for what, at in before if what == "refused"]

    def record() -> tuple[Coverage, Int64s]:
        seen = Coverage.from_log(TOLD_UNITS * UNIT, SECTOR, read, log, None, UNIT)
        return seen, np.array(log, dtype=np.int64).reshape(-1, 2)

    seen, refused = record()
    pieces = LastPieces(seen, refused, UNIT, 2, SpanSet([Span(0, TOLD_UNITS * UNIT)]))
    while True:
        found = pieces.next_unit()
        assert [one.start for one in found] == next_by_the_record(*record())
        assert all(one.length == SECTOR for one in found)
        if not found:
            break
        for one in found:
            if chance.random() < back:
                pieces.give_back(one)
                continue
            is_given = chance.random() < share
            if is_given:
                read = read | SpanSet([one])
            else:
                log.append((one.start, one.stop))
            pieces.asked(one, is_given=is_given)
