"""Small boxes in large numbers: a tiny volume, both kinds of array, and damage by chance.

The file systems of a `SmallBase` are made once and used for any number of boxes, each of which only
costs copying the members and working out what must come of every file.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from uuid import UUID

from mendbay.core.span import Span, SpanSet
from mendbay.files.tree import Kind
from mendbay.outlets.scenario import story
from mendbay.outlets.scenario.damage import (
    Faults,
    Weak,
    sector_in,
    whole_sectors,
    write_drive,
)
from mendbay.outlets.scenario.geometry import SECTOR_BYTES, Geometry, Level
from mendbay.outlets.scenario.members import copy_sparse, member_states, write_members
from mendbay.outlets.scenario.scenario import Scenario, State, state_of, truth_of
from mendbay.outlets.scenario.tree import Item
from mendbay.outlets.scenario.volume import Shape, change_volume, make_volume, system_blocks

VOLUME_BYTES = 24 << 20


class Aim(StrEnum):
    """What random damage may hit."""

    FILES = "files"
    """Only bytes of files, so that every fate is decided."""
    ANYWHERE = "anywhere"
    """Also inodes, folders, free space and the tables of the file system itself."""


@dataclass(frozen=True, slots=True)
class SmallBase:
    """Two states of one small volume, ready to be put on members."""

    older: State
    newest: State


def make_small_base(folder: Path, seed: int = 0, block_bytes: int = 4096) -> SmallBase:
    """Makes both states of a small volume in `folder` (made if missing; it must hold none yet).

    The volume has about 40 names and 8 MB of files: plain ones of many sizes, sparse ones with more runs
    than an inode can list, empty ones, odd names, links. The later state has lost, gained and changed some.

    Raises:
        ToolMissing, DestinationError: as `volume.make_volume`.
    """
    folder.mkdir(parents=True, exist_ok=True)
    chance = random.Random(f"small {seed}")  # noqa: S311 - content of tests
    staged = folder / "staged"
    staged.mkdir()
    first = _first_items(chance, staged)
    shape = Shape(
        size_bytes=VOLUME_BYTES,
        block_bytes=block_bytes,
        inode_ratio_bytes=16384,
        label=story.VOLUME_LABEL,
        uuid=UUID(int=chance.getrandbits(128), version=4),
        hash_seed=UUID(int=chance.getrandbits(128), version=4),
        made_at=story.BOX_SET_UP_AT,
    )
    older_image, newest_image = folder / "older.ext4", folder / "newest.ext4"
    make_volume(older_image, first, shape, story.PARTED_AT)
    copy_sparse(older_image, newest_image)
    gone, later = _later_items(chance, staged, first)
    there = [item.path for item in first]
    change_volume(newest_image, there, [*gone, *_saved_anew(first, later)], later, story.BURNT_AT)
    older = {item.path: item for item in first}
    newest = {path: item for path, item in older.items() if path not in gone}
    newest |= {item.path: item for item in later}
    return SmallBase(state_of(older_image, older), state_of(newest_image, newest))


def make_small_scenario(
    folder: Path,
    seed: int,
    *,
    base: SmallBase,
    level: Level = Level.MIRROR,
    parted: bool = True,
    aim: Aim = Aim.FILES,
    refusals: int = 12,
) -> Scenario:
    """Makes a box from a small base, with damage by chance.

    Args:
        folder: where the images go (made if missing).
        seed: decides damage and identifiers.
        base: from `make_small_base`; shared by any number of boxes.
        level: mirror or stripe.
        parted: whether bay 2 holds the older state (a mirror only).
        aim: what the damage may hit.
        refusals: how many places are damaged on each drive, on average.

    Raises:
        ValueError: a stripe that parted.
    """
    folder.mkdir(parents=True, exist_ok=True)
    chance = random.Random(f"box {seed}")  # noqa: S311 - damage for tests
    geometry = Geometry(level, VOLUME_BYTES)
    older = base.older if parted else base.newest
    images = (folder / "bay-1.img", folder / "bay-2.img")
    states = member_states(level, parted=parted)
    write_members(images, (base.newest.image, older.image), geometry, states, seed)
    faults = _faults_by_chance(chance, base.newest, geometry, aim, refusals)
    drives = (folder / "bay-1.toml", folder / "bay-2.toml")
    for bay, drive in enumerate(drives):
        write_drive(drive, images[bay], faults[bay], seed=seed + bay, serial=story.SERIALS[bay])
    parted_at = story.PARTED_AT if parted else None
    return Scenario(
        images=images,
        drives=drives,
        volumes=(base.newest.image, older.image),
        geometry=geometry,
        parted_at=parted_at,
        faults=faults,
        truth=truth_of(base.newest, older, geometry, faults, parted_at),
    )


def _faults_by_chance(
    chance: random.Random, newest: State, geometry: Geometry, aim: Aim, refusals: int
) -> tuple[Faults, Faults]:
    """Refused and weak runs on both drives; a third of the places is hit on both."""
    refused: tuple[list[Span], list[Span]] = ([], [])
    for _ in range(chance.randint(refusals, 3 * refusals)):
        place = _place_by_chance(chance, newest, aim)
        run = sector_in(chance, place, chance.choice((1, 1, 2, 8, 32)))
        bays = (0, 1) if chance.random() < 0.33 else (chance.randrange(2),)
        for bay in bays:
            refused[bay].extend(geometry.on_drive(bay, SpanSet([run])))
    return _with_weak(chance, refused[0], geometry), _with_weak(chance, refused[1], geometry)


def _place_by_chance(chance: random.Random, newest: State, aim: Aim) -> SpanSet:
    """Somewhere on the volume: a file, each as likely as the next however large, or what else may be hit."""
    stored = [path for path in newest.known if newest.placed[path].blocks]
    changed = [path for path in stored if newest.known[path].modified_at > story.PARTED_AT]
    if aim is Aim.FILES or chance.random() < 0.7:
        return newest.placed[chance.choice(changed if chance.random() < 0.4 else stored)].blocks
    where = newest.placed[chance.choice(list(newest.placed))]
    inode = SpanSet([where.inode_at]).widen(SECTOR_BYTES)
    everything, system = SpanSet([Span(0, VOLUME_BYTES)]), system_blocks(newest.image)
    # rarely the system blocks: without them nothing at all is decided any more
    return chance.choices(
        (everything, system, inode, where.mapping or where.blocks or inode), (4, 0.4, 4, 4)
    )[0]


def _with_weak(chance: random.Random, refused: list[Span], geometry: Geometry) -> Faults:
    spans = whole_sectors(refused)
    healthy = spans.complement(Span(0, geometry.drive_bytes))
    weak = []
    for run in whole_sectors(sector_in(chance, healthy, 4) for _ in range(chance.randint(2, 12))):
        weak.append(Weak(run.start // SECTOR_BYTES, run.length // SECTOR_BYTES, chance.randint(1, 3)))
    return Faults(spans, tuple(weak))


def _first_items(chance: random.Random, staged: Path) -> list[Item]:
    contents: dict[bytes, bytes] = {b"empty": b"", b"deep/er/and/deeper/still/note.txt": b"below\n" * 40}
    for number in range(18):
        size = int(2 ** chance.uniform(4, 19.8))
        contents[b"files/%02d.bin" % number] = chance.randbytes(size)
    for number in range(5):
        contents[b"texts/%02d.txt" % number] = (
            b"line %d of a text\n" * 4 % (1, 2, 3, 4) * chance.randint(1, 900)
        )
    contents[b"odd/" + b"x" * 251 + b".bin"] = chance.randbytes(5000)
    contents[b"odd/caf\xe9.txt"] = b"not UTF-8\n"
    contents[b"odd/100%25 of it.txt"] = b"percent\n" * 700
    contents[b"odd/..\\..%2f..%2fescape"] = b"hostile\n"
    contents[b'odd/two "quotes" and  blanks'] = b"quoted\n" * 9
    contents[b"lines/first\nsecond.txt"] = b"broken name\n" * 50
    items = [_file(staged, path, content, _earlier(chance)) for path, content in contents.items()]
    for number in range(3):
        path = staged / f"sparse {number}"
        _write_sparse(path, chance, islands=(3, 12, 90)[number])
        items.append(Item(b"sparse/%d" % number, Kind.FILE, _earlier(chance), path))
    plain = items[4]
    items.append(Item(b"odd/second name", Kind.FILE, plain.modified_at, same_as=plain.path))
    for name, target in (
        (b"near", b"../files/00.bin"),
        (b"far", b"/etc/passwd"),
        (b"long", b"../" * 40 + b"x"),
    ):
        items.append(Item(b"links/" + name, Kind.LINK, _earlier(chance), target=target))
    items.append(Item(b"empty folder", Kind.FOLDER, _earlier(chance)))
    return items


def _later_items(chance: random.Random, staged: Path, first: list[Item]) -> tuple[list[bytes], list[Item]]:
    """The paths that vanish for good, and the files that are new or saved anew."""
    plain = [item.path for item in first if item.path.startswith((b"files/", b"texts/"))]
    linked = {item.same_as for item in first if item.same_as}
    chosen = chance.sample([path for path in plain if path not in linked], 7)
    contents = {path: chance.randbytes(int(2 ** chance.uniform(9, 19))) for path in chosen[2:]}
    contents |= {b"new/%d.bin" % n: chance.randbytes(int(2 ** chance.uniform(9, 19))) for n in range(4)}
    return chosen[:2], [_file(staged, path, content, _later(chance)) for path, content in contents.items()]


def _saved_anew(first: list[Item], later: list[Item]) -> list[bytes]:
    there = {item.path for item in first}
    return [item.path for item in later if item.path in there]


def _file(staged: Path, path: bytes, content: bytes, modified_at: int) -> Item:
    place = staged / f"{len(list(staged.iterdir())):04d}"
    place.write_bytes(content)
    return Item(path, Kind.FILE, modified_at, place)


def _write_sparse(path: Path, chance: random.Random, islands: int) -> None:
    with path.open("wb") as file:
        for island in range(islands):
            file.seek(island * 65536 + chance.randrange(4) * 4096)
            file.write(chance.randbytes(chance.randint(1, 9000)))
        file.truncate(file.tell() + chance.choice((0, 100_000)))


def _earlier(chance: random.Random) -> int:
    return chance.randint(story.BOX_SET_UP_AT + 86400, story.LAST_SHARED_WRITE_AT)


def _later(chance: random.Random) -> int:
    return chance.randint(story.PARTED_AT + 86400, story.NEWEST_FIRING_AT)
