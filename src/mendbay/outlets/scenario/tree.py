"""What is to stand on the volume, before any file system holds it, and what is known of it afterwards."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from mendbay.files.tree import Kind

READ_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class Item:
    """One name to be made. `path` is raw, from the root, without a leading slash.

    A file has its bytes in `staged`, under a harmless name on this machine; a link has its `target`; a
    second name of a file says which one in `same_as`.
    """

    path: bytes
    kind: Kind
    modified_at: int
    staged: Path | None = None
    target: bytes = b""
    same_as: bytes = b""

    @property
    def parent(self) -> bytes:
        """The path of the folder it stands in; empty for the root."""
        return self.path.rpartition(b"/")[0]

    @property
    def name(self) -> bytes:
        """The last component of the path."""
        return self.path.rpartition(b"/")[2]


@dataclass(frozen=True, slots=True)
class Known:
    """One version of a file, as it was made. `sha256` is lower-case hexadecimal."""

    sha256: str
    size_bytes: int
    modified_at: int


def known_of(staged: Path, modified_at: int) -> Known:
    """The version held in a staged file."""
    digest = hashlib.sha256()
    size = 0
    with staged.open("rb") as file:
        while chunk := file.read(READ_BYTES):
            digest.update(chunk)
            size += len(chunk)
    return Known(digest.hexdigest(), size, modified_at)


def folders_of(paths: Iterable[bytes]) -> Iterator[bytes]:
    """Every folder the paths stand in, each once, parents before what they hold; the root is left out."""
    seen: set[bytes] = set()
    for path in paths:
        parts = path.split(b"/")[:-1]
        for depth in range(1, len(parts) + 1):
            folder = b"/".join(parts[:depth])
            if folder not in seen:
                seen.add(folder)
                yield folder
