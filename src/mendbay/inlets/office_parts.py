"""How the parts of an office document refer to each other (ISO/IEC 29500, part 2, packages; from memory)."""

from __future__ import annotations

import posixpath
from collections.abc import Mapping

from mendbay.inlets.office_xml import Enough, Taker, take
from mendbay.inlets.office_zip import Archive

MAIN = "/officeDocument"
"""How the type of the relation to the main part ends, in either edition of the standard."""
MOST_RELATIONS = 10_000


class _Relations(Taker):
    def __init__(self, base: str) -> None:
        self.base = base
        self.found: dict[str, tuple[str, str]] = {}

    def start(self, name: str, given: Mapping[str, str]) -> None:
        if name != "Relationship" or given.get("TargetMode") == "External":
            return
        if len(self.found) >= MOST_RELATIONS:
            raise Enough
        target = posixpath.normpath(posixpath.join("/", self.base, given.get("Target", "")))
        self.found.setdefault(given.get("Id", ""), (given.get("Type", ""), target.lstrip("/")))


def relations(archive: Archive, part: str) -> dict[str, tuple[str, str]]:
    """Type and target by their id of the relations of a part, or of the whole document for an empty name;
    targets outside the document are left out. Those that can be read."""
    folder, name = posixpath.split(part)
    taker = _Relations(folder)
    there = posixpath.join(folder, "_rels", f"{name}.rels")
    if there in archive:
        take(archive, there, taker)
    return taker.found


def related(found: Mapping[str, tuple[str, str]], ending: str) -> str:
    """The target of the first relation whose type ends so; empty without one."""
    return next((target for kind, target in found.values() if kind.endswith(ending)), "")


class _Root(Taker):
    name = ""

    def start(self, name: str, given: Mapping[str, str]) -> None:
        self.name = name
        raise Enough


def root(archive: Archive, part: str) -> str:
    """The name of the first element of a part; empty where none can be read."""
    taker = _Root()
    take(archive, part, taker, check=False)
    return taker.name
