"""The promise over many boxes, held against originals that `debugfs` took out and against the report on disk.

Every byte handed back is the original newest one, or lies in a range that the report lists; a file reported
whole is equal byte for byte; no byte is made up; and no file vanishes without a word.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import bagit
import pytest

from mendbay.core.errors import CannotAssemble, MendbayError, NoFileSystem, NothingWanted
from mendbay.core.span import Span, SpanSet
from mendbay.outlets.scenario.damage import Faults, Weak
from mendbay.outlets.scenario.geometry import Level
from mendbay.outlets.scenario.scenario import Scenario
from mendbay.outlets.scenario.small import Aim, make_small_scenario
from support.promise import HandedBack, Judge, Workshop, sectors_of, whole_job, workshop

pytestmark = pytest.mark.slow
NOTHING = SpanSet()
BLOCK_BYTES = (4096, 1024)
"""Small blocks make three block groups with copies of the superblock, large ones a single group."""


@pytest.fixture(scope="module", params=BLOCK_BYTES, ids=["blocks of 4096", "blocks of 1024"])
def shop(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Workshop:
    return workshop(tmp_path_factory.mktemp("shop"), request.param, request.param)


def keep(shop: Workshop, box: Scenario, made: HandedBack, *, one_task: bool = False) -> None:
    broken = Judge.of(shop, box, one_task=one_task).broken(made)
    assert not broken, "\n".join(broken)


def job_or_trouble(
    folder: Path, box: Scenario, *, real_papers: bool = False, both_whole: bool = True
) -> tuple[HandedBack | None, MendbayError | None]:
    """What the job hands back, or why it hands back nothing."""
    try:
        return whole_job(folder, box, real_papers=real_papers, both_whole=both_whole), None
    except MendbayError as trouble:
        return None, trouble


# ---------------------------------------------------------------------- the judge itself


def test_the_originals_are_the_bytes_the_box_was_made_from(shop: Workshop) -> None:
    for original, state in ((shop.newest, shop.base.newest), (shop.older, shop.base.older)):
        assert {path: len(data) for path, data in original.files.items()} == {
            path: one.size_bytes for path, one in state.known.items()
        }
        for path, item in state.items.items():
            if item.staged is not None:
                assert original.files[path] == item.staged.read_bytes()
    assert shop.newest.links


@dataclass(frozen=True)
class Ruin:
    """A way to break the promise that the judge has to see."""

    name: str

    def of(self, made: HandedBack) -> HandedBack:
        claims = list(made.claims)
        whole = next(at for at, one in enumerate(claims) if one.verdict == "whole" and one.size_bytes > 5000)
        holed = next(at for at, one in enumerate(claims) if one.verdict == "holed")
        copies = dict(made.copies)
        if self.name == "a byte is wrong":
            copy = copies[claims[whole].path]
            copies[claims[whole].path] = copy[:4000] + bytes([copy[4000] ^ 1]) + copy[4001:]
        elif self.name == "a hole is not listed":
            claims[holed] = replace(claims[holed], missing=NOTHING, verdict="whole")
        elif self.name == "a hole is listed elsewhere":
            claims[holed] = replace(claims[holed], missing=claims[holed].missing.shift(512))
        elif self.name == "a file is left out":
            del copies[claims[whole].path]
            del claims[whole]
        elif self.name == "a copy nobody speaks of":
            copies["data/extra"] = b"extra"
        elif self.name == "a link leads elsewhere":
            return replace(made, links=dict.fromkeys(made.links, b"elsewhere"))
        return replace(made, claims=tuple(claims), copies=copies)


RUINS = (
    "a byte is wrong",
    "a hole is not listed",
    "a hole is listed elsewhere",
    "a file is left out",
    "a copy nobody speaks of",
    "a link leads elsewhere",
)


def test_a_broken_promise_is_seen(tmp_path: Path, shop: Workshop) -> None:
    sector = sectors_of(shop.base.newest.placed[a_file(shop, 20_000)].blocks)[7]
    box = shop.refusing("seen", (SpanSet([sector]), SpanSet([sector])))
    made = whole_job(tmp_path, box)
    judge = Judge.of(shop, box)
    assert not judge.broken(made)
    for name in RUINS:
        assert judge.broken(Ruin(name).of(made)), name


# ---------------------------------------------------------------------- damage by chance

VARIANTS = {
    "equal halves": (Level.MIRROR, False, Aim.FILES, 14),
    "one half behind": (Level.MIRROR, True, Aim.FILES, 14),
    "stripe": (Level.STRIPE, False, Aim.FILES, 10),
    "equal halves hit anywhere": (Level.MIRROR, False, Aim.ANYWHERE, 40),
    "one half behind hit anywhere": (Level.MIRROR, True, Aim.ANYWHERE, 40),
    "stripe hit anywhere": (Level.STRIPE, False, Aim.ANYWHERE, 16),
}


@pytest.mark.parametrize("seed", range(100, 104))
@pytest.mark.parametrize("variant", VARIANTS)
def test_damage_by_chance(tmp_path: Path, shop: Workshop, variant: str, seed: int) -> None:
    level, parted, aim, refusals = VARIANTS[variant]
    chance = make_small_scenario(
        tmp_path / "box", seed, base=shop.base, level=level, parted=parted, aim=aim, refusals=refusals
    )
    one_task = seed >= 102 and level is Level.MIRROR and not parted
    judge = Judge.of(shop, chance, one_task=one_task)
    made, trouble = job_or_trouble(tmp_path, chance, real_papers=seed == 100, both_whole=not one_task)
    if made is None:
        assert isinstance(trouble, NothingWanted | NoFileSystem)
        assert judge.may_find_nothing, trouble
        return
    keep(shop, chance, made, one_task=one_task)
    if seed == 100:
        bagit.Bag(str(made.out)).validate()


# ---------------------------------------------------------------------- files, damaged on purpose


def files_of(shop: Workshop, at_least: int) -> Iterator[bytes]:
    """Files with so many stored bytes, each named once however many names it has."""
    placed, seen = shop.base.newest.placed, set()
    for path in shop.newest.files:
        where = placed[path]
        if where.inode not in seen and where.blocks.total_bytes >= at_least:
            seen.add(where.inode)
            yield path


def a_file(shop: Workshop, at_least: int) -> bytes:
    return next(files_of(shop, at_least))


def one_sector_of_each(shop: Workshop) -> tuple[SpanSet, SpanSet]:
    """Of every file one sector for each half, never the same for both."""
    chance = random.Random(11)
    pairs = [
        chance.sample(sectors_of(shop.base.newest.placed[path].blocks), 2) for path in files_of(shop, 1024)
    ]
    return SpanSet(first for first, _ in pairs), SpanSet(second for _, second in pairs)


def test_halves_that_refuse_different_sectors_make_every_file_whole(tmp_path: Path, shop: Workshop) -> None:
    box = shop.refusing("different", one_sector_of_each(shop))
    made = whole_job(tmp_path, box)
    keep(shop, box, made)
    assert {one.verdict for one in made.claims} == {"whole"}
    assert sum(bool(one.other_half) for one in made.claims) > 20


def test_a_half_that_is_behind_fills_in_what_it_can_and_says_so(tmp_path: Path, shop: Workshop) -> None:
    box = shop.refusing("behind", one_sector_of_each(shop), parted=True)
    made = whole_job(tmp_path, box)
    keep(shop, box, made)
    proven = [one for one in made.claims if one.other_half and one.verdict == "whole"]
    doubtful = [one for one in made.claims if one.older and one.verdict == "unproven"]
    assert proven
    assert doubtful


def test_a_sector_refused_on_both_halves_is_listed(tmp_path: Path, shop: Workshop) -> None:
    path = a_file(shop, 30_000)
    sector = SpanSet([sectors_of(shop.base.newest.placed[path].blocks)[9]])
    box = shop.refusing("both", (sector, sector))
    made = whole_job(tmp_path, box)
    keep(shop, box, made)
    claim = made.by_path[path]
    assert claim.verdict == "holed"
    assert claim.missing.total_bytes == 512
    (hole,) = claim.missing
    assert not any(made.copy_of(path)[hole.start : hole.stop])
    assert any(shop.newest.files[path][hole.start : hole.stop])


def test_a_file_refused_whole_on_both_halves_is_lost(tmp_path: Path, shop: Workshop) -> None:
    path = a_file(shop, 8000)
    blocks = shop.base.newest.placed[path].blocks
    box = shop.refusing("lost", (blocks, blocks))
    made = whole_job(tmp_path, box)
    keep(shop, box, made)
    assert made.by_path[path].verdict == "lost"
    assert not made.by_path[path].path


@pytest.mark.parametrize("level", list(Level))
def test_weak_sectors_give_in_the_end(tmp_path: Path, shop: Workshop, level: Level) -> None:
    geometry = shop.boxes[level, False].geometry
    chance = random.Random(3)
    faults = []
    for bay in range(2):
        places = SpanSet(
            chance.choice(sectors_of(shop.base.newest.placed[path].blocks)) for path in files_of(shop, 512)
        )
        on_drive = geometry.on_drive(bay, places)
        weak = tuple(Weak(one.start // 512, one.length // 512, chance.randint(1, 3)) for one in on_drive)
        faults.append(Faults(NOTHING, weak))
    box = shop.damaged("weak", (faults[0], faults[1]), level, parted=False)
    made = whole_job(tmp_path, box)
    keep(shop, box, made)
    assert {one.verdict for one in made.claims} == {"whole"}
    assert not any(one.other_half for one in made.claims)


# ---------------------------------------------------------------------- what describes the files

MAPPED = b"sparse/2"
"""The file whose extents do not fit into its inode."""


def both(spans: SpanSet) -> tuple[SpanSet, SpanSet]:
    return spans, spans


def test_a_file_whose_inode_is_refused_is_lost_not_empty(tmp_path: Path, shop: Workshop) -> None:
    path = a_file(shop, 8000)
    box = shop.refusing("inode", both(SpanSet([shop.base.newest.placed[path].inode_at])))
    made = whole_job(tmp_path, box)
    keep(shop, box, made)
    claim = made.by_path[path]
    assert claim.verdict == "lost"
    assert not claim.path
    assert "inode" in claim.reasons[0]


def test_names_that_are_refused_leave_the_files(tmp_path: Path, shop: Workshop) -> None:
    folder = b"files"
    box = shop.refusing("names", both(shop.base.newest.placed[folder].blocks))
    made = whole_job(tmp_path, box)
    keep(shop, box, made)
    inside = [path for path in shop.newest.files if path.startswith(folder + b"/")]
    assert len(inside) > 10
    assert not [path for path in inside if path in made.by_path]
    copies = set(made.copies.values())
    assert all(shop.newest.files[path] in copies for path in inside)


def test_names_and_inodes_refused_together_are_missed_by_the_report(tmp_path: Path, shop: Workshop) -> None:
    placed = shop.base.newest.placed
    inside = [path for path in shop.newest.files if path.startswith(b"texts/")]
    gone = placed[b"texts"].blocks | SpanSet(placed[path].inode_at for path in inside)
    box = shop.refusing("both of them", both(gone))
    made = whole_job(tmp_path, box)
    keep(shop, box, made)
    copies = set(made.copies.values())
    assert any(shop.newest.files[path] not in copies for path in inside)
    size = placed[b"texts"].blocks.total_bytes
    (told,) = [one for one in made.remarks if one.startswith("Folder texts: ")]
    assert f"{size} of the {size} bytes" in told


def test_a_folder_whose_inode_is_refused_is_named(tmp_path: Path, shop: Workshop) -> None:
    box = shop.refusing("folder", both(SpanSet([shop.base.newest.placed[b"odd"].inode_at])))
    made = whole_job(tmp_path, box)
    keep(shop, box, made)
    assert [one for one in made.remarks if one.startswith("Folder odd: ")]


def test_without_the_top_folder_all_files_are_found_by_inode(tmp_path: Path, shop: Workshop) -> None:
    box = shop.refusing("top", both(shop.base.newest.placed[b""].blocks))
    made = whole_job(tmp_path, box)
    keep(shop, box, made)
    copies = set(made.copies.values())
    assert all(content in copies for content in shop.newest.files.values())


def test_a_link_that_cannot_be_read_is_not_made_up(tmp_path: Path, shop: Workshop) -> None:
    path = b"links/far"
    box = shop.refusing("link", both(SpanSet([shop.base.newest.placed[path].inode_at])))
    made = whole_job(tmp_path, box)
    keep(shop, box, made)
    assert path not in made.links
    assert "read" in made.left_out[path]


def test_a_refused_map_makes_holes_not_zeros(tmp_path: Path, shop: Workshop) -> None:
    where = shop.base.newest.placed[MAPPED]
    assert where.mapping
    box = shop.refusing("map", both(where.mapping))
    made = whole_job(tmp_path, box)
    keep(shop, box, made)
    claim = made.by_path[MAPPED]
    assert claim.verdict in ("holed", "lost")
    stored = SpanSet(one.file_span for one in where.extents if one.volume_start is not None)
    assert not stored - claim.missing
    assert claim.why_missing == {"absent"}


# ---------------------------------------------------------------------- what describes the drives

DESCRIPTIONS = (
    "first partition table",
    "both partition tables",
    "superblock of the pair",
    "superblock of files",
)


def description(shop: Workshop, what: str, level: Level) -> SpanSet:
    """Where it lies, in bytes of a drive. (On a stripe the file system begins on bay 1 alone.)"""
    geometry = shop.boxes[level, False].geometry
    head, tail = Span(0, 34 * 512), Span(geometry.drive_bytes - 33 * 512, geometry.drive_bytes)
    return {
        "first partition table": SpanSet([head]),
        "both partition tables": SpanSet([head, tail]),
        "superblock of the pair": SpanSet([Span.at(geometry.partition.start + 4096, 4096)]),
        "superblock of files": geometry.on_drive(0, SpanSet([Span(1024, 2048)])),
    }[what]


@pytest.mark.parametrize("bays", [(0,), (1,), (0, 1)], ids=["bay 1", "bay 2", "both bays"])
@pytest.mark.parametrize("what", DESCRIPTIONS)
@pytest.mark.parametrize("level", list(Level))
def test_what_describes_the_drives_is_refused(
    tmp_path: Path, shop: Workshop, level: Level, what: str, bays: tuple[int, ...]
) -> None:
    """Copies, or the other half, stand in. Where neither can, the job says so and hands nothing back."""
    spans = description(shop, what, level)
    faults = [Faults(spans if bay in bays else NOTHING) for bay in range(2)]
    box = shop.damaged(f"{what} {bays}", (faults[0], faults[1]), level, parted=False)
    made, trouble = job_or_trouble(tmp_path, box)
    too_much = may_be_too_much(shop, what, level, bays)
    if made is None:
        assert isinstance(trouble, CannotAssemble | NoFileSystem | NothingWanted)
        assert too_much, trouble
        assert not (tmp_path / "out").exists()
    elif too_much:
        keep_without(shop, box, bays[0], made)
    else:
        keep(shop, box, made)
        copies = {claim.raw_path: made.copies[claim.path] for claim in made.claims}
        assert copies == shop.newest.files


def keep_without(shop: Workshop, box: Scenario, bay: int, made: HandedBack) -> None:
    """Half of a stripe was handed back: all that lay on the other drive is absent, and that is said."""
    faults = list(box.faults)
    faults[bay] = Faults(SpanSet([Span(0, box.geometry.drive_bytes)]))
    as_if = shop.damaged("without", (faults[0], faults[1]), box.geometry.level, parted=False)
    broken = Judge.of(shop, as_if, "absent").broken(made)
    assert not broken, "\n".join(broken)
    assert any(one.missing for one in made.claims)
    assert any(f"ay {bay + 1}" in text for text in made.pair), made.pair


def may_be_too_much(shop: Workshop, what: str, level: Level, bays: tuple[int, ...]) -> bool:
    """Whether nothing is left that says the same: neither a copy nor the other half."""
    no_other_half = level is Level.STRIPE or len(bays) == 2
    if what == "superblock of files":
        has_copies = shop.base.newest.placed[b""].block_bytes == 1024
        return not has_copies and 0 in bays and no_other_half
    return what in ("superblock of the pair", "both partition tables") and no_other_half
