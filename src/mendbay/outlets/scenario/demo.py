"""The demo's box: the studio's volume on two drives, each damaged in its own way, and the truth of both."""

from __future__ import annotations

import random
import shutil
from collections.abc import Callable
from pathlib import Path
from uuid import UUID

from mendbay.core.errors import DestinationError
from mendbay.core.span import Span, SpanSet
from mendbay.outlets.scenario import content, story
from mendbay.outlets.scenario.damage import (
    Faults,
    Weak,
    on_volume,
    sector_in,
    whole_sectors,
    write_drive,
)
from mendbay.outlets.scenario.geometry import SECTOR_BYTES, Geometry, Level
from mendbay.outlets.scenario.members import copy_sparse, member_states, write_members
from mendbay.outlets.scenario.scenario import Scenario, State, state_of, truth_of
from mendbay.outlets.scenario.volume import Shape, change_volume, find_tool, make_volume

VOLUME_BYTES = 264 << 20
TRACK_BYTES = 1250 * SECTOR_BYTES
"""One turn of the small drive's platter, and so the distance between the bands of a scratch."""
SCRATCHED_TRACKS = 26
CONTENT_SHARE = 0.8
"""How much of the whole work making the content is, for the progress shown."""

Progress = Callable[[str, float], None]


def make_scenario(
    folder: Path, seed: int = 1, progress: Progress | None = None, *, keep_origin: bool = False
) -> Scenario:
    """Makes the demo's box in `folder`: two drive images, the descriptions of their faults, and the truth.

    Args:
        folder: made if missing; it must not hold a scenario yet. About 500 MB are needed while it is
            made, 300 MB afterwards.
        seed: the same seed makes the same bytes and the same faults.
        progress: called with what is being made and the share done, 0 to 1.
        keep_origin: leave the undamaged file systems in `folder/origin` (`Scenario.volumes`); they are
            removed otherwise.

    Raises:
        ToolMissing: the system's file-system programs are not installed.
        DestinationError: the folder already holds a scenario, or writing failed.
    """
    for tool in ("mke2fs", "debugfs"):
        find_tool(tool)  # before ten seconds of drawing, not after
    tell = progress or (lambda _what, _share: None)
    origin = folder / "origin"
    images = (folder / "bay-1.img", folder / "bay-2.img")
    _refuse_old(folder, (origin, *images))
    origin.mkdir(parents=True)
    older, newest = _both_states(origin, seed, tell)
    geometry = Geometry(Level.MIRROR, VOLUME_BYTES)
    tell("drives", 0.92)
    states = member_states(Level.MIRROR, parted=True)
    write_members(images, (newest.image, older.image), geometry, states, seed)
    chance = random.Random(f"demo {seed}")  # noqa: S311 - damage of a demo
    faults = _faults(chance, newest, older, geometry)
    drives = (folder / "bay-1.toml", folder / "bay-2.toml")
    for bay, drive in enumerate(drives):
        write_drive(drive, images[bay], faults[bay], seed=seed + bay, serial=story.SERIALS[bay])
    truth = truth_of(newest, older, geometry, faults, story.PARTED_AT)
    shutil.rmtree(origin / "shared files")
    shutil.rmtree(origin / "later files")
    if not keep_origin:
        shutil.rmtree(origin)
    tell("drives", 1.0)
    return Scenario(
        images=images,
        drives=drives,
        volumes=(newest.image, older.image) if keep_origin else None,
        geometry=geometry,
        parted_at=story.PARTED_AT,
        faults=faults,
        truth=truth,
        wanted=content.WANTED,
    )


def _refuse_old(folder: Path, places: tuple[Path, ...]) -> None:
    if any(place.exists() for place in places):
        raise DestinationError(
            f"The folder {folder} already holds a demo.", "Choose an empty folder, or remove this one first."
        )


def _both_states(origin: Path, seed: int, tell: Progress) -> tuple[State, State]:
    """The volume as bay 2 was left in late October, and as bay 1 held it at the end."""
    chance = random.Random(f"volume {seed}")  # noqa: S311 - identifiers of an invented volume
    shared = content.produce(
        content.shared_content(seed),
        origin / "shared files",
        lambda what, done: tell(what, done * 0.9 * CONTENT_SHARE),
    )
    changes = content.later_changes(seed)
    later = content.produce(
        changes.planned,
        origin / "later files",
        lambda what, done: tell(what, (0.9 + done * 0.1) * CONTENT_SHARE),
    )
    tell("file system", CONTENT_SHARE)
    shape = Shape(
        size_bytes=VOLUME_BYTES,
        block_bytes=4096,
        inode_ratio_bytes=65536,
        label=story.VOLUME_LABEL,
        uuid=UUID(int=chance.getrandbits(128), version=4),
        hash_seed=UUID(int=chance.getrandbits(128), version=4),
        made_at=story.BOX_SET_UP_AT,
    )
    older_image, newest_image = origin / "bay-2.ext4", origin / "bay-1.ext4"
    make_volume(older_image, shared, shape, story.PARTED_AT)
    copy_sparse(older_image, newest_image)
    older = {item.path: item for item in shared}
    saved_anew = [item.path for item in later if item.path in older]
    change_volume(newest_image, older, [*changes.gone, *saved_anew], later, story.BURNT_AT)
    newest = {path: item for path, item in older.items() if path not in changes.gone}
    newest |= {item.path: item for item in later}
    return state_of(older_image, older), state_of(newest_image, newest)


# --- what is wrong with the drives --------------------------------------------------------------------


def _faults(chance: random.Random, newest: State, older: State, geometry: Geometry) -> tuple[Faults, Faults]:
    """The faults of both drives, in bytes of the volume first and then of each drive.

    Bay 1 has lost single sectors here and there, most where bay 2 can help; bay 2 has a scratch. One
    place in a photograph is lost on both.
    """
    unchanged = [path for path, item in newest.items.items() if older.items.get(path) == item]
    photographs = [
        path for path in unchanged if path.startswith(content.PHOTOGRAPHS) and path.endswith(b".jpg")
    ]
    tiles = [path for path in photographs if b"Glaze tests" in path]
    victim = newest.placed[chance.choice(tiles[8:20])].blocks.hull()
    scratch = _scratch(chance, victim)
    both = sector_in(chance, scratch.clip(Span(victim.start + victim.length // 3, victim.stop)))
    first = [both, *_losses_of_bay_1(chance, newest, photographs, unchanged, scratch)]
    singles = [sector_in(chance, SpanSet([Span(0, VOLUME_BYTES)]) - whole_sectors(first)) for _ in range(9)]
    second = scratch | whole_sectors(singles)
    faults = []
    for bay, lost in enumerate((whole_sectors(first), second)):
        weak = _weak(chance, newest, lost, places=(34, 12)[bay])
        on_drive = geometry.on_drive(bay, lost)
        shift = geometry.data_at // SECTOR_BYTES
        faults.append(Faults(on_drive, tuple(Weak(one.at + shift, one.count, one.refuses) for one in weak)))
    return faults[0], faults[1]


def _losses_of_bay_1(
    chance: random.Random, newest: State, photographs: list[bytes], unchanged: list[bytes], scratch: SpanSet
) -> list[Span]:
    """Single sectors: in photographs and recordings that bay 2 also has, in the newest part of the kiln
    log and in one later photograph that it has not, and in free space."""
    found = []
    spared = scratch.widen(4096)
    recordings = [path for path in unchanged if path.endswith((b".avi", b".wav", b".ppm"))]
    for path in (*chance.sample(photographs, 7), *chance.sample(recordings, 4)):
        found.append(
            sector_in(chance, newest.placed[path].blocks.narrow(4096) - spared, chance.choice((1, 1, 1, 2)))
        )
    log = newest.placed[content.KILN_LOG]
    size = newest.known[content.KILN_LOG].size_bytes
    found.append(sector_in(chance, on_volume(log, Span(size // 2, size * 9 // 10))))
    later = [
        path
        for path in newest.known
        if newest.known[path].modified_at > story.PARTED_AT and path.endswith(b".jpg")
    ]
    found.append(sector_in(chance, newest.placed[chance.choice(later)].blocks - spared))
    stored = SpanSet(span for one in newest.placed.values() for span in one.blocks)
    free = stored.complement(Span(VOLUME_BYTES - (48 << 20), VOLUME_BYTES - (1 << 20)))
    found += [sector_in(chance, free - spared, chance.choice((1, 2))) for _ in range(3)]
    return found


def _scratch(chance: random.Random, through: Span) -> SpanSet:
    """An arc across neighbouring tracks: a band of sectors on each, at nearly the same angle, longest in
    the middle. Its middle band lies inside `through`."""
    middle = through.start + through.length // 2
    bands = []
    for track in range(SCRATCHED_TRACKS):
        away = track - SCRATCHED_TRACKS // 2
        start = (
            middle
            + away * (TRACK_BYTES + 3 * SECTOR_BYTES)
            + chance.randint(-1, 1) * SECTOR_BYTES * (away != 0)
        )
        longest = 10 - 8 * abs(away) // (SCRATCHED_TRACKS // 2)
        start -= start % SECTOR_BYTES
        if 0 <= start < VOLUME_BYTES:
            bands.append(Span.at(start, chance.randint(max(longest - 2, 1), longest) * SECTOR_BYTES))
    return SpanSet(bands)


def _weak(chance: random.Random, newest: State, lost: SpanSet, places: int) -> list[Weak]:
    """Sectors that give in the end, in sectors of the volume; a few of them describe files."""
    stored = SpanSet(span for one in newest.placed.values() for span in one.blocks) - lost
    folders = [path for path, one in newest.placed.items() if path not in newest.items and one.blocks]
    described = SpanSet(
        span
        for path in chance.sample(folders, 3)
        for span in (
            *newest.placed[path].blocks,
            *SpanSet([newest.placed[path].inode_at]).widen(SECTOR_BYTES),
        )
    )
    runs = [sector_in(chance, described - lost) for _ in range(3)]
    runs += [sector_in(chance, stored, chance.choice((1, 1, 1, 2))) for _ in range(places - 3)]
    return [
        Weak(span.start // SECTOR_BYTES, span.length // SECTOR_BYTES, chance.randint(1, 3))
        for span in whole_sectors(runs) - lost
    ]
