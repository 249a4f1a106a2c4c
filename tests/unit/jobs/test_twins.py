"""Two drives without superblocks that hold one file system."""

from __future__ import annotations

from pathlib import Path

import pytest

from mendbay.core.errors import NoFileSystem
from mendbay.core.source import Lack, Mark
from mendbay.core.span import Span, SpanSet
from mendbay.files.tree import Kind
from mendbay.files.verdict import Verdict, file_outlook, judge
from mendbay.jobs.volume import open_volume
from mendbay.pair.volume import Level
from support.boxes import small_base
from support.sources import MemorySource


@pytest.fixture(scope="module")
def states(tmp_path_factory: pytest.TempPathFactory) -> tuple[bytes, bytes]:
    """One file system's older and newest state."""
    base = small_base(tmp_path_factory.mktemp("base"))
    return base.older.image.read_bytes(), base.newest.image.read_bytes()


def refused(*spans: Span) -> dict[Lack, SpanSet]:
    return {Lack.REFUSED: SpanSet(spans)}


def test_equal_halves_are_in_step_and_make_each_other_whole(states: tuple[bytes, bytes]) -> None:
    _, newest = states
    first = MemorySource(newest, refused(Span(8 << 20, 9 << 20)), bay="1")
    second = MemorySource(newest, refused(Span(9 << 20, 10 << 20)), bay="2")
    opened = open_volume({"1": first, "2": second})
    assert opened.assembled.level is Level.MIRROR
    assert opened.assembled.stale_bays == ()
    assert opened.assembled.halves_in_step
    reading = opened.system.source.read(Span(8 << 20, 10 << 20))
    assert reading.data == newest[8 << 20 : 10 << 20]
    assert reading.is_complete
    assert reading.marked(Mark.OTHER_HALF) == SpanSet([Span(8 << 20, 9 << 20)])
    assert not reading.marked(Mark.POSSIBLY_OLDER)


@pytest.mark.parametrize("fresher", ["1", "2"])
def test_the_half_written_last_is_preferred_and_the_other_proves_nothing(
    states: tuple[bytes, bytes], fresher: str
) -> None:
    older, newest = states
    holds = {"1": newest, "2": older} if fresher == "1" else {"1": older, "2": newest}
    gaps = refused(Span(8 << 20, 12 << 20))
    drives = {
        bay: MemorySource(data, gaps if bay == fresher else None, bay=bay) for bay, data in holds.items()
    }
    opened = open_volume(drives)
    assert opened.assembled.members[0].bay == fresher
    assert opened.assembled.stale_bays == ("2" if fresher == "1" else "1",)
    assert not opened.assembled.halves_in_step
    reading = opened.system.source.read(Span(8 << 20, 12 << 20))
    assert reading.data == older[8 << 20 : 12 << 20]
    assert reading.marked(Mark.POSSIBLY_OLDER) == SpanSet([Span(8 << 20, 12 << 20)])
    verdicts = set()
    for entry in opened.system.walk():
        if entry.kind is Kind.FILE:
            layout = opened.system.layout(entry)
            outlook = file_outlook(opened.system.source, layout)
            found = judge(entry, layout, outlook, opened.assembled.parted_at)
            verdicts.add(found.verdict)
            if found.older:
                assert found.verdict is Verdict.UNPROVEN
    assert Verdict.WHOLE in verdicts


def test_different_file_systems_are_not_mixed(states: tuple[bytes, bytes], tmp_path: Path) -> None:
    _, newest = states
    other = small_base(tmp_path / "other", seed=9).newest.image.read_bytes()
    opened = open_volume({"1": MemorySource(newest, bay="1"), "2": MemorySource(other, bay="2")})
    assert opened.assembled.level is Level.SINGLE
    assert len(opened.assembled.bays) == 1


def test_one_drive_alone_stays_single(states: tuple[bytes, bytes]) -> None:
    assert open_volume({"1": MemorySource(states[1])}).assembled.level is Level.SINGLE


def test_no_file_system_anywhere_is_told() -> None:
    noise = bytes(range(256)) * 4096
    with pytest.raises(NoFileSystem):
        open_volume({"1": MemorySource(noise, bay="1"), "2": MemorySource(noise, bay="2")})
