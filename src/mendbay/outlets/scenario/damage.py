"""What is wrong with each drive, and what that must come to for every file.

The fates are worked out here from the known places of the files and the planned refusals alone; the code
that reads, assembles and judges has no part in it, so the two can be held against each other.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from mendbay.core.span import Span, SpanSet
from mendbay.files.tree import Kind
from mendbay.files.verdict import SETTLE_SECONDS, Verdict
from mendbay.outlets.scenario import story
from mendbay.outlets.scenario.geometry import SECTOR_BYTES, Geometry, Level
from mendbay.outlets.scenario.tree import Known, folders_of
from mendbay.outlets.scenario.volume import Placed


@dataclass(frozen=True, slots=True)
class Weak:
    """`count` sectors from `at` that are refused `refuses` times each and then given."""

    at: int
    count: int
    refuses: int


@dataclass(frozen=True, slots=True)
class Faults:
    """What is wrong with one drive. `refused` holds bytes of the drive, in whole sectors, never given."""

    refused: SpanSet
    weak: tuple[Weak, ...] = ()


@dataclass(frozen=True, slots=True)
class Fate:
    """What must come of one file; spans in bytes of the file.

    `verdict` is None where its description (inode, folders on the way, blocks that list its extents) is
    touched by refusals that the other half cannot make good for certain: then several outcomes are right.
    """

    verdict: Verdict | None
    missing: SpanSet = field(default_factory=SpanSet)
    other_half: SpanSet = field(default_factory=SpanSet)
    older: SpanSet = field(default_factory=SpanSet)
    """The part of `other_half` that nothing proves current."""


@dataclass(frozen=True, slots=True)
class Truth:
    """What one path held: in the newest state of the volume, and in the state that bay 2 was left in.

    None where it did not exist, or is no file. `target` is that of a link. `fate` is None for what is
    not a file and for a path that only the older state knows.
    """

    kind: Kind
    newest: Known | None
    older: Known | None
    target: bytes
    changed_at: int
    fate: Fate | None


def fates(
    placed: Mapping[bytes, Placed],
    changed_at: Mapping[bytes, int],
    geometry: Geometry,
    faults: tuple[Faults, Faults],
    parted_at: int | None,
    system: SpanSet,
) -> dict[bytes, Fate]:
    """The fate of every path in the newest state of the volume.

    Args:
        placed: where each path lies, folders and the root included.
        changed_at: when each file last changed, in seconds since 1970.
        faults: of bay 1, which is fresher if they parted, and bay 2.
        parted_at: when bay 2 fell behind, or None if the halves are equal.
        system: bytes of the volume that everything depends on (superblock and descriptors).
    """
    first = geometry.on_volume(0, faults[0].refused)
    second = geometry.on_volume(1, faults[1].refused)
    if geometry.level is Level.STRIPE:
        nowhere, not_first = first | second, first | second
    else:
        nowhere, not_first = first & second, first
    doubtful = not_first if parted_at is not None else nowhere
    found: dict[bytes, Fate] = {}
    for path, where in placed.items():
        changed = changed_at.get(path, 0)
        proven = parted_at is None or 0 < changed < parted_at - SETTLE_SECONDS
        found[path] = _fate(where, nowhere, not_first, proven=proven)
        if (description_of(placed, path) | system) & doubtful:
            found[path] = Fate(None, found[path].missing, found[path].other_half, found[path].older)
    return found


def description_of(placed: Mapping[bytes, Placed], path: bytes) -> SpanSet:
    """The bytes of the volume that say what and where a file is: its inode and the blocks that list its
    extents, and the same, with their own blocks, of every folder on the way."""
    own = placed[path]
    found = SpanSet([own.inode_at]) | own.mapping
    for folder in (b"", *folders_of([path])):
        way = placed[folder]
        found = found | SpanSet([way.inode_at]) | way.mapping | way.blocks
    return found


def in_file(where: Placed, volume: SpanSet) -> SpanSet:
    """Which bytes of the file lie in the given bytes of the volume."""
    runs = [one for one in where.extents if one.volume_span is not None]
    runs.sort(key=lambda one: one.volume_start or 0)
    starts = [one.volume_start or 0 for one in runs]
    stops = [start + one.file_span.length for start, one in zip(starts, runs, strict=True)]
    return volume.map_through(starts, stops, [one.file_span.start for one in runs])


def on_volume(where: Placed, span: Span) -> SpanSet:
    """Where the given bytes of the file lie on the volume."""
    runs = [one for one in where.extents if one.volume_start is not None]
    return SpanSet([span]).map_through(
        [one.file_span.start for one in runs],
        [one.file_span.stop for one in runs],
        [one.volume_start or 0 for one in runs],
    )


def _fate(where: Placed, nowhere: SpanSet, not_first: SpanSet, *, proven: bool) -> Fate:
    missing = in_file(where, nowhere)
    other_half = in_file(where, not_first) - missing
    older = SpanSet() if proven else other_half
    stored = SpanSet(one.file_span for one in where.extents)
    if missing:
        verdict = Verdict.HOLED if stored - missing else Verdict.LOST
    else:
        verdict = Verdict.UNPROVEN if older else Verdict.WHOLE
    return Fate(verdict, missing, other_half, older)


def sectors(spans: SpanSet) -> list[tuple[int, int]]:
    """(first sector, count) of each span, which must lie on sector borders."""
    return [(span.start // SECTOR_BYTES, span.length // SECTOR_BYTES) for span in spans]


def sector_in(chance: random.Random, spans: SpanSet, sectors_wanted: int = 1) -> Span:
    """At most `sectors_wanted` sectors from a random place in the given bytes, ended by the span they are in.

    Raises:
        ValueError: there is no whole sector in them.
    """
    whole = [span for span in spans.narrow(SECTOR_BYTES) if span.length >= SECTOR_BYTES]
    if not whole:
        raise ValueError("no whole sector to choose from")
    span = chance.choices(whole, [one.length for one in whole])[0]
    start = span.start + chance.randrange(span.length // SECTOR_BYTES) * SECTOR_BYTES
    return Span(start, min(start + sectors_wanted * SECTOR_BYTES, span.stop))


def whole_sectors(spans: Iterable[Span]) -> SpanSet:
    """The union of the spans, widened to whole sectors."""
    return SpanSet(spans).widen(SECTOR_BYTES)


def write_drive(path: Path, image: Path, faults: Faults, *, seed: int, serial: str) -> None:
    """Writes the description of a failing drive that the simulated drive is opened with."""
    refused = ",\n  ".join(f"[{first}, {count}]" for first, count in sectors(faults.refused))
    weak = ",\n  ".join(
        f"{{ at = {one.at}, count = {one.count}, refuses = {one.refuses} }}" for one in faults.weak
    )
    path.write_text(
        f'image = "{image.name}"\nsector_bytes = {SECTOR_BYTES}\nseed = {seed}\n'
        f'model = "{story.DRIVE_MODEL}"\nserial = "{serial}"\n'
        f"refused = [\n  {refused}\n]\nweak = [\n  {weak}\n]\n"
    )
