"""Reading in physical sectors: whatever the drive is like, all that it gives is read."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from mendbay.core.clock import SystemClock
from mendbay.core.coverage import Coverage
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.units import in_units
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
    pieces = [span for span, _ in drive.log if span.length < 4096]
    assert len(pieces) == len(set(pieces)), "each is asked for alone once"
    assert all(span.start % 4096 == span.stop % 4096 == 0 for span, _ in drive.log if span.length >= 4096)
