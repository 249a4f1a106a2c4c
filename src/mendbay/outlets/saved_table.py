"""What a saved copy says of itself and of each of its files (`docs/formats/saved-shop.md`)."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from mendbay.core.errors import DestinationError, UsageError
from mendbay.core.texts import require_line, require_moment
from mendbay.handback import bag
from mendbay.jobs.saving_port import CopyFacts
from mendbay.outlets.safe_folder import SafeFolder

FORMAT = "saved shop 1"
DATA, COMING = "data", "coming"
TABLE, SUMS, INFO = "saved.json", "manifest-sha256.txt", "bag-info.txt"
TAG_SUMS = "tagmanifest-sha256.txt"
JOURNAL = f"{COMING}/journal.jsonl"
LARGEST_TEXT_BYTES = 256 << 20


@dataclass(frozen=True, slots=True)
class Entry:
    """A file of a copy.

    Args:
        size_bytes, sha256: of the copy.
        seen_bytes, changed_ns: of the file in the home when it was copied: its size, and when it had last
            been written; -1 where that was too shortly before to tell the next change from it.
    """

    size_bytes: int
    sha256: str
    seen_bytes: int
    changed_ns: int

    @classmethod
    def of(cls, row: Mapping[str, Any]) -> Entry:
        """
        Raises:
            ValueError, KeyError, TypeError: it is not ours.
        """
        size, seen, changed = (_whole(row[name]) for name in ("size_bytes", "seen_bytes", "changed_ns"))
        if len(str(row["sha256"])) != bag.HEX_LENGTHS["sha256"]:
            raise ValueError("no sum")
        if size < 0:
            raise ValueError("no size")
        return cls(size, str(row["sha256"]), seen, changed)

    def row(self, path: str) -> dict[str, Any]:
        return {
            "path": path,
            "size_bytes": self.size_bytes,
            "sha256": self.sha256,
            "seen_bytes": self.seen_bytes,
            "changed_ns": self.changed_ns,
        }


def _whole(said: object) -> int:
    """A size or a time, or -1, as a file system can have it; a fraction, and an endless one, is none."""
    if type(said) is not int or not -1 <= said < 1 << 63:
        raise ValueError("no size and no time")
    return said


def table_bytes(facts: CopyFacts, entries: Mapping[str, Entry]) -> bytes:
    """The tag file `saved.json`."""
    return bag.json_bytes(
        {
            "format": FORMAT,
            "made_at": facts.made_at,
            "who": facts.who,
            "tool": facts.tool,
            "with_images": facts.with_images,
            "mark": facts.mark,
            "remarks": list(facts.remarks),
            "files": [entries[path].row(path) for path in sorted(entries)],
        }
    )


def read_table(root: SafeFolder) -> tuple[CopyFacts, dict[str, Entry]] | None:
    """What lies in a folder as `saved.json`; None if there is none, or it is not ours.

    Raises:
        OSError: it cannot be read.
    """
    text = _text(root, TABLE)
    with suppress(ValueError, KeyError, TypeError, RecursionError, UsageError):
        found = json.loads(text)
        require_moment(found["made_at"])
        require_line(found["who"], "name")
        if found["format"] != FORMAT:
            return None
        facts = CopyFacts(
            str(found["made_at"]),
            str(found["who"]),
            str(found["tool"]),
            str(found["mark"]),
            found["with_images"] is True,
            tuple(str(one) for one in found["remarks"]),
        )
        return facts, dict(_entries(found["files"]))
    return None


def read_journal(root: SafeFolder) -> dict[str, Entry] | None:
    """What a save that is under way, or was broken off, had copied; None if there was none. A torn line tells
    nothing.

    Raises:
        OSError: it cannot be read.
    """
    if COMING not in root.names() or root.size_of(JOURNAL) is None:
        return None
    found: dict[str, Entry] = {}
    for line in _text(root, JOURNAL).splitlines():
        with suppress(ValueError, KeyError, TypeError, RecursionError):
            found.update(_entries([json.loads(line)]))
    return found


def journal_line(path: str, entry: Entry) -> bytes:
    """It begins a line of its own, so that a torn one before it takes nothing with it."""
    return ("\n" + json.dumps(entry.row(path), ensure_ascii=True)).encode()


def _entries(rows: Iterable[Mapping[str, Any]]) -> Iterator[tuple[str, Entry]]:
    for row in rows:
        path = str(row["path"])
        if bag.escapes(path):
            raise ValueError("a path that leads elsewhere")
        yield path, Entry.of(row)


def _text(root: SafeFolder, name: str) -> str:
    if root.size_of(name) is None:  # none, or a link or folder, of which nothing is read
        return ""
    with os.fdopen(root.open_read(name), "rb") as file:
        content = file.read(LARGEST_TEXT_BYTES + 1)
    if len(content) > LARGEST_TEXT_BYTES:
        raise DestinationError(f"{name} of the copy is larger than any such file.", "Name another folder.")
    return content.decode("utf-8", errors="replace")
