"""The promise, over many seeds: every byte handed back equals the original, or the report lists its range.

Each seed makes a small box with damage by chance. The real jobs read it (simulated failing drives), judge
and hand back; the outcome is held against the files the box was made from, and against fates worked out
from the planned damage without any of the code under test.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import bagit
import numpy as np
import pytest

from mendbay.core.errors import NoFileSystem, NothingWanted
from mendbay.core.span import Span, SpanSet
from mendbay.files.tree import Kind
from mendbay.handback.facts import FileFacts, HandBack
from mendbay.imaging.odds import Assumptions
from mendbay.jobs.hand_back import hand_back
from mendbay.jobs.read_drive import DriveAt
from mendbay.jobs.read_pair import read_pair
from mendbay.jobs.take_in import take_in
from mendbay.outlets.scenario.damage import Faults, Weak, write_drive
from mendbay.outlets.scenario.geometry import Level
from mendbay.outlets.scenario.scenario import Scenario, State
from mendbay.outlets.scenario.small import Aim, SmallBase, make_small_scenario
from mendbay.wiring import open_bench, open_handback_folder, papers
from support.boxes import small_base

SECTOR = 512


class NoPapers:
    """The report's forms are tested elsewhere; here only its facts count."""

    def html(self, facts: HandBack) -> str:
        return "<!doctype html>"

    def pdf(self, facts: HandBack) -> bytes:
        return b"%PDF-"


@dataclass(frozen=True)
class Outcome:
    facts: HandBack
    out: Path

    def copy_of(self, one: FileFacts) -> bytes:
        return (self.out / one.path).read_bytes()

    def named(self, path: bytes) -> FileFacts | None:
        return next((one for one in self.facts.files if one.raw_path == path), None)


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> SmallBase:
    return small_base(tmp_path_factory.mktemp("base"))


def job(folder: Path, box: Scenario, *, real_papers: bool = False) -> Outcome:
    """The whole job on a box, as a technician does it."""
    out = folder / "out"
    patient = Assumptions(most_tries=6)  # the weak sectors of the boxes give after at most five refusals
    with open_bench(folder / "home", assumed=patient) as bench:
        take_in(bench, "A customer")
        drives = [DriveAt(bay, f"unsteady:{drive}") for bay, drive in zip("12", box.drives, strict=True)]
        read_pair(bench, 1, drives, ("metadata",))
        result = hand_back(bench, 1, out, open_handback_folder, papers() if real_papers else NoPapers())
    return Outcome(result.facts, out)


def content(state: State, path: bytes) -> bytes | None:
    """The bytes a file of a state was made from."""
    item = state.items.get(path)
    if item is not None and item.same_as:
        item = state.items[item.same_as]
    return None if item is None or item.staged is None else item.staged.read_bytes()


def hold_to_promise(base: SmallBase, box: Scenario, outcome: Outcome) -> None:
    for path, truth in box.truth.items():
        if truth.kind is not Kind.FILE or truth.newest is None:
            continue
        original = content(base.newest, path)
        assert original is not None
        found = outcome.named(path)
        if found is None:
            assert_not_vanished_in_silence(outcome, path, original)
            continue
        assert_bytes_are_original_or_listed(base, path, original, found, outcome)
        if truth.fate is not None and truth.fate.verdict is not None:
            assert found.verdict == truth.fate.verdict, path
            assert SpanSet(gap.span for gap in found.gaps) == truth.fate.missing, path
            assert found.older == truth.fate.older, path


def assert_not_vanished_in_silence(outcome: Outcome, path: bytes, original: bytes) -> None:
    """A file whose name is gone is found by its inode, or the report says what hides it."""
    nameless = [one for one in outcome.facts.files if one.size_bytes == len(original)]
    system = outcome.facts.file_system
    assert system is not None
    assert nameless or system.remarks, f"{path!r} vanished without a word"


def assert_bytes_are_original_or_listed(
    base: SmallBase, path: bytes, original: bytes, found: FileFacts, outcome: Outcome
) -> None:
    if not found.path:
        assert found.verdict == "lost"
        assert original or found.reasons  # of an empty file nothing can be lost but what describes it
        return
    copy = outcome.copy_of(found)
    if found.verdict == "whole":
        assert copy == original, path
        return
    doubted = any("description" in reason or "inode" in reason for reason in found.reasons)
    if len(copy) != len(original):
        assert found.verdict == "unproven" or doubted, path
        return
    differ = np.flatnonzero(np.frombuffer(copy, np.uint8) != np.frombuffer(original, np.uint8))
    at = differ.astype(np.int64)
    different = SpanSet.from_bounds(at, at + 1)
    listed = SpanSet(gap.span for gap in found.gaps) | found.older
    unlisted = different - listed
    assert not unlisted or (found.verdict == "unproven" and doubted), (path, unlisted, found.reasons)
    for gap in found.gaps:
        assert not any(copy[gap.span.start : gap.span.stop]), "what is missing is never made up"
    before = content(base.older, path)
    for span in different & found.older:
        there = b"" if before is None else before[span.start : span.stop]
        assert copy[span.start : span.stop] == there or before is None or len(before) != len(original)


def why_nothing(box: Scenario, trouble: NothingWanted) -> None:
    """The one group description of so small a volume is gone: allowed only if that was hit, and said."""
    assert any(truth.fate and truth.fate.verdict is None for truth in box.truth.values())
    assert "inode" in trouble.what


VARIANTS = [
    pytest.param({"parted": False}, id="equal halves"),
    pytest.param({"parted": True}, id="one half behind"),
    pytest.param({"parted": False, "level": Level.STRIPE}, id="stripe"),
    pytest.param({"parted": False, "aim": Aim.ANYWHERE, "refusals": 30}, id="equal halves, hit anywhere"),
    pytest.param({"parted": True, "aim": Aim.ANYWHERE, "refusals": 30}, id="one half behind, hit anywhere"),
    pytest.param(
        {"parted": False, "level": Level.STRIPE, "aim": Aim.ANYWHERE, "refusals": 20},
        id="stripe, hit anywhere",
    ),
]


@pytest.mark.slow
@pytest.mark.parametrize("options", VARIANTS)
@pytest.mark.parametrize("seed", range(9))
def test_damage_by_chance(tmp_path: Path, base: SmallBase, seed: int, options: dict[str, object]) -> None:
    box = make_small_scenario(tmp_path / "box", seed, base=base, **options)  # type: ignore[arg-type]
    try:
        outcome = job(tmp_path, box, real_papers=seed == 0)
    except NothingWanted as trouble:
        why_nothing(box, trouble)
        return
    hold_to_promise(base, box, outcome)
    if seed < 2:
        bagit.Bag(str(outcome.out)).validate()


# ---------------------------------------------------------------------- damage placed on purpose


def placed(
    folder: Path, base: SmallBase, refused: tuple[SpanSet, SpanSet], weak: tuple[Weak, ...] = ()
) -> Scenario:
    """A mirror of equal halves with the given bytes of the volume refused on each drive."""
    box = make_small_scenario(folder / "box", 1, base=base, parted=False, refusals=0)
    for bay in range(2):
        on_drive = box.geometry.on_drive(bay, refused[bay].widen(SECTOR))
        faults = Faults(on_drive, weak if bay == 0 else ())
        write_drive(box.drives[bay], box.images[bay], faults, seed=bay, serial=f"S{bay}")
    return box


def sectors_of(base: SmallBase, path: bytes) -> list[Span]:
    spans = base.newest.placed[path].blocks
    return [Span.at(at, SECTOR) for span in spans for at in range(span.start, span.stop, SECTOR)]


def files_of(base: SmallBase, at_least: int) -> Iterator[bytes]:
    """Files with stored blocks, each named once however many hard links it has."""
    seen: set[int] = set()
    for path, where in base.newest.placed.items():
        known = base.newest.known.get(path)
        if (
            known is not None
            and where.blocks.total_bytes >= at_least
            and where.blocks.hull().start not in seen
        ):
            seen.add(where.blocks.hull().start)
            yield path


@pytest.mark.slow
def test_halves_that_refuse_different_sectors_make_each_other_whole(tmp_path: Path, base: SmallBase) -> None:
    chance = random.Random(4)
    refused: tuple[list[Span], list[Span]] = ([], [])
    for path in files_of(base, 1024):
        sectors = sectors_of(base, path)
        for bay, sector in enumerate(chance.sample(sectors, 2)):
            refused[bay].append(sector)
    box = placed(tmp_path, base, (SpanSet(refused[0]), SpanSet(refused[1])))
    outcome = job(tmp_path, box)
    assert {one.verdict for one in outcome.facts.files} == {"whole"}
    assert sum(one.other_half.total_bytes for one in outcome.facts.files) > 10 * SECTOR
    for path in box.truth:
        original = content(base.newest, path)
        if original is not None:
            found = outcome.named(path)
            assert found is not None
            assert outcome.copy_of(found) == original


@pytest.mark.slow
def test_a_sector_refused_on_both_is_listed_not_filled_in_silence(tmp_path: Path, base: SmallBase) -> None:
    path = next(files_of(base, 50_000))
    sector = sectors_of(base, path)[20]
    box = placed(tmp_path, base, (SpanSet([sector]), SpanSet([sector])))
    outcome = job(tmp_path, box)
    found = outcome.named(path)
    original = content(base.newest, path)
    assert found is not None
    assert original is not None
    assert found.verdict == "holed"
    (gap,) = found.gaps
    assert gap.why == "refused"
    assert gap.span.length == SECTOR
    copy = outcome.copy_of(found)
    assert copy[: gap.span.start] == original[: gap.span.start]
    assert copy[gap.span.stop :] == original[gap.span.stop :]
    assert copy[gap.span.start : gap.span.stop] == bytes(SECTOR)
    others = [one for one in outcome.facts.files if one.sha256 != found.sha256]
    assert {one.verdict for one in others} == {"whole"}


@pytest.mark.slow
def test_a_file_refused_entirely_on_both_is_lost_and_not_made(tmp_path: Path, base: SmallBase) -> None:
    path = next(files_of(base, 8_000))
    blocks = base.newest.placed[path].blocks
    box = placed(tmp_path, base, (blocks, blocks))
    outcome = job(tmp_path, box)
    found = outcome.named(path)
    assert found is not None
    assert found.verdict == "lost"
    assert found.path == ""
    assert not any(
        path.name == Path(found.raw_path.decode()).name for path in (outcome.out / "data").rglob("*")
    )


@pytest.mark.slow
def test_weak_sectors_give_in_the_end(tmp_path: Path, base: SmallBase) -> None:
    path = next(files_of(base, 50_000))
    on_drive = make_small_scenario(tmp_path / "probe", 1, base=base, parted=False).geometry.on_drive(
        0, SpanSet(sectors_of(base, path)[:6])
    )
    weak = tuple(Weak(span.start // SECTOR, span.length // SECTOR, 2) for span in on_drive)
    only = SpanSet(sectors_of(base, path)[:6])
    box = placed(tmp_path, base, (SpanSet(), only), weak)
    outcome = job(tmp_path, box)
    found = outcome.named(path)
    assert found is not None
    assert found.verdict == "whole"
    assert not found.other_half


@pytest.mark.slow
@pytest.mark.parametrize("bays", [(0,), (1,), (0, 1)], ids=["bay 1", "bay 2", "both"])
@pytest.mark.parametrize("what", ["partition table", "superblock of the pair", "superblock of the files"])
def test_what_describes_the_drives_is_refused(
    tmp_path: Path, base: SmallBase, what: str, bays: tuple[int, ...]
) -> None:
    """Copies and the other half stand in; where neither can, the job says so and nothing is made up."""
    box = placed(tmp_path, base, (SpanSet(), SpanSet()))
    span = {
        "partition table": Span(0, 34 * SECTOR),
        "superblock of the pair": Span.at(box.geometry.partition.start + 8 * SECTOR, 8 * SECTOR),
        "superblock of the files": Span.at(box.geometry.data_at + 1024, 2 * SECTOR),
    }[what]
    for bay in bays:
        faults = Faults(SpanSet([span]))
        write_drive(box.drives[bay], box.images[bay], faults, seed=bay, serial=f"S{bay}")
    if len(bays) == 2 and what != "partition table":
        with pytest.raises(NoFileSystem):  # so small a volume has no copies, and nothing is guessed
            job(tmp_path, box)
        return
    outcome = job(tmp_path, box)
    assert {one.verdict for one in outcome.facts.files} <= {"whole", "unproven"}
    for path in box.truth:
        original = content(base.newest, path)
        if original is not None:
            found = outcome.named(path)
            assert found is not None, (path, outcome.facts.file_system)
            assert outcome.copy_of(found) == original
