"""The promise for any set of refused sectors on both halves: hypothesis looks for one that breaks it."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from itertools import count
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, example, given, note, settings
from hypothesis import strategies as st

from mendbay.core.errors import CannotAssemble, NoFileSystem, NothingWanted
from mendbay.core.span import Span, SpanSet
from mendbay.outlets.scenario.geometry import Level
from mendbay.outlets.scenario.volume import system_blocks
from support.promise import Judge, Workshop, sectors_of, whole_job, workshop

SECTOR = 512
NUMBER = count()
LOOKING = settings(
    deadline=None,
    derandomize=True,
    phases=(Phase.explicit, Phase.generate),  # each example is a whole job: making one smaller takes minutes
    suppress_health_check=list(HealthCheck),
)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Workshop:
    return workshop(tmp_path_factory.mktemp("shop"), 5, 1024)


def places(shop: Workshop) -> list[Span]:
    """Sectors worth refusing: of files, of folders, of inodes and maps, of the file system itself."""
    chosen = set[tuple[int, int]]()
    for where in shop.base.newest.placed.values():
        some = sectors_of(where.blocks | where.mapping | SpanSet([where.inode_at]).widen(SECTOR))
        chosen.update((one.start, one.stop) for one in (*some[:4], *some[-2:]))
    chosen.update((one.start, one.stop) for one in sectors_of(system_blocks(shop.base.newest.image)))
    return [Span(*bounds) for bounds in sorted(chosen)]


Refused = list[tuple[int, int, tuple[bool, bool]]]
"""Which place (counted round), how many sectors from there, and on which halves."""

HALVES = st.sampled_from([(True, True), (True, True), (True, False), (False, True)])
REFUSED = st.lists(
    st.tuples(st.integers(0, 10_000), st.sampled_from([1, 1, 2, 5, 16]), HALVES), min_size=1, max_size=40
)


def refused_on(all_places: list[Span], drawn: Refused, bay: int, size: int) -> SpanSet:
    runs = (
        (all_places[index % len(all_places)].start, sectors)
        for index, sectors, halves in drawn
        if halves[bay]
    )
    return SpanSet(Span(start, min(start + sectors * SECTOR, size)) for start, sectors in runs)


@pytest.mark.slow
@settings(LOOKING, max_examples=25)
@given(drawn=REFUSED, parted=st.booleans(), both_whole=st.booleans())
def test_every_byte_is_the_original_or_listed(
    shop: Workshop, drawn: Refused, parted: bool, both_whole: bool
) -> None:
    hold(shop, lambda bay, size: refused_on(places(shop), drawn, bay, size), parted, both_whole)


@pytest.mark.slow
@settings(LOOKING, max_examples=10)
@given(starts=st.lists(st.integers(0, (24 << 11) - 1), min_size=1, max_size=6), length=st.integers(1, 300))
@example(starts=[1097, 5938, 15235, 13381, 40817, 2683], length=132)  # an older folder names a new inode
def test_wide_scratches_across_the_volume_are_listed(shop: Workshop, starts: list[int], length: int) -> None:
    def scratches(bay: int, size: int) -> SpanSet:
        chosen = [start for at, start in enumerate(starts) if bay == 0 or at % 3]
        return SpanSet(Span(at * SECTOR, min((at + length) * SECTOR, size)) for at in chosen)

    hold(shop, scratches, parted=True)


def hold(
    shop: Workshop, refused: Callable[[int, int], SpanSet], parted: bool, both_whole: bool = False
) -> None:
    size = shop.boxes[Level.MIRROR, parted].geometry.volume_bytes
    box = shop.refusing(
        f"drawn {next(NUMBER)}", (refused(0, size), refused(1, size)), Level.MIRROR, parted=parted
    )
    judge = Judge.of(shop, box, one_task=not parted and not both_whole)
    with tempfile.TemporaryDirectory() as folder:
        try:
            made = whole_job(Path(folder), box, both_whole=both_whole)
        except (NothingWanted, NoFileSystem, CannotAssemble) as trouble:
            note(str(trouble))
            if not judge.may_find_nothing:
                raise
            return
        broken = judge.broken(made)
    assert not broken, "\n".join(broken)
