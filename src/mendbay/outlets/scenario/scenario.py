"""A made box: what is on disk, what is wrong with it, and what must come of every file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from mendbay.files.tree import Kind
from mendbay.outlets.scenario.damage import Faults, Truth, fates
from mendbay.outlets.scenario.geometry import Geometry
from mendbay.outlets.scenario.tree import Item, Known, folders_of, known_of
from mendbay.outlets.scenario.volume import Placed, places, system_blocks


@dataclass(frozen=True, slots=True)
class Scenario:
    """Everything known of a made box.

    `images` and `drives` (the descriptions of the failing drives) have bay 1 first; `volumes` are the
    file systems of each half before damage (the same file twice unless the halves parted), or None if they
    were not kept. `parted_at` is when bay 2 fell behind, in seconds since 1970, or None. `truth` is keyed by
    raw path, the root being the empty one. `wanted` are the paths the customer wants first.
    """

    images: tuple[Path, Path]
    drives: tuple[Path, Path]
    volumes: tuple[Path, Path] | None
    geometry: Geometry
    parted_at: int | None
    faults: tuple[Faults, Faults]
    truth: Mapping[bytes, Truth]
    wanted: tuple[bytes, ...] = ()


@dataclass(frozen=True, slots=True)
class State:
    """One state of the volume: its image, the items that made it by path, and the files' versions."""

    image: Path
    items: Mapping[bytes, Item]
    known: Mapping[bytes, Known]
    placed: Mapping[bytes, Placed]


def state_of(image: Path, items: Mapping[bytes, Item]) -> State:
    """Looks up where everything in a finished file system lies.

    Args:
        items: everything put there, by path (folders that only follow from paths may be left out).

    Raises:
        ToolMissing, DestinationError: as `volume.places`.
    """
    known = {
        path: known_of(item.staged, item.modified_at)
        for path, item in items.items()
        if item.staged is not None
    }
    known |= {path: known[item.same_as] for path, item in items.items() if item.same_as}
    kinds = {b"": Kind.FOLDER} | dict.fromkeys(folders_of(items), Kind.FOLDER)
    kinds |= {path: item.kind for path, item in items.items()}
    placed = places(image, kinds, {path: one.size_bytes for path, one in known.items()})
    return State(image, items, known, placed)


def truth_of(
    newest: State,
    older: State,
    geometry: Geometry,
    faults: tuple[Faults, Faults],
    parted_at: int | None,
) -> dict[bytes, Truth]:
    """What every path of either state held, and what must come of it.

    Args:
        newest, older: the states on bay 1 and bay 2; the same twice unless the halves parted.
    """
    changed_at = {path: item.modified_at for path, item in newest.items.items()}
    system = system_blocks(newest.image)
    fate = fates(newest.placed, changed_at, geometry, faults, parted_at, system)
    found: dict[bytes, Truth] = {}
    for path in dict.fromkeys([*newest.placed, *older.placed]):
        item = newest.items.get(path) or older.items.get(path)
        found[path] = Truth(
            kind=Kind.FOLDER if item is None else item.kind,
            newest=newest.known.get(path),
            older=older.known.get(path),
            target=b"" if item is None else item.target,
            changed_at=changed_at.get(path, 0),
            fate=fate[path] if path in newest.known else None,
        )
    return found
