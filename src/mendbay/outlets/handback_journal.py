"""The journal of a hand-back, `handback.progress`: one JSON object a line, durable before it is believed.

The first line names the case. After it come, in any order, copies that are in place and the names of tag
files about to be written. A last line without a line break was being written when the power went; it is
cut off.
"""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from typing import Any

from mendbay.core.errors import DestinationError
from mendbay.core.source import Gap, Lack, Mark, Marked
from mendbay.core.span import Span
from mendbay.handback.bag import PayloadFile

KIND = "mendbay hand-back"
VERSION = 1


class Journal:
    """The journal in the open file `fd`, which it owns once made. `case_number` is None for an empty one.

    Raises:
        DestinationError: it is no journal, of another version, or damaged before its last line.
        OSError: the system refused.
    """

    def __init__(self, fd: int) -> None:
        self._fd = fd
        self.case_number: str | None = None
        self.copies: dict[str, PayloadFile] = {}
        self.tag_names: list[str] = []
        content = self._read()
        self._end = content.rfind(b"\n") + 1
        for number, line in enumerate(content[: self._end].split(b"\n")[:-1], 1):
            try:
                self._take(number, json.loads(line))
            except (ValueError, KeyError, TypeError) as error:
                raise DestinationError(
                    f"Line {number} of the hand-back's journal is damaged.", "Hand back into a new folder."
                ) from error
        if self._end < len(content):
            os.ftruncate(fd, self._end)

    def close(self) -> None:
        os.close(self._fd)

    def content(self) -> bytes:
        """Everything that is durable, as it lies in the file."""
        return self._read()[: self._end]

    def begin(self, case_number: str) -> None:
        """Writes the first line."""
        self._append([{"journal": KIND, "version": VERSION, "case": case_number}])
        self.case_number = case_number

    def add_copies(self, copies: Sequence[PayloadFile]) -> None:
        """Notes that these copies are in place and durable."""
        if copies:
            self._append([{"copy": _copy_json(one)} for one in copies])
            self.copies.update((one.path, one) for one in copies)

    def add_tags(self, names: Sequence[str]) -> None:
        """Notes that tag files with these names are about to be written."""
        fresh = [name for name in names if name not in self.tag_names]
        if fresh:
            self._append([{"tags": fresh}])
            self.tag_names += fresh

    def _take(self, number: int, row: dict[str, Any]) -> None:
        if number == 1:
            if row["journal"] != KIND or row["version"] != VERSION:
                raise ValueError("not a journal of this version")
            self.case_number = str(row["case"])
        elif "copy" in row:
            copy = _copy(row["copy"])
            self.copies[copy.path] = copy
        else:
            self.tag_names += [str(name) for name in row["tags"] if name not in self.tag_names]

    def _read(self) -> bytes:
        size = os.fstat(self._fd).st_size
        parts, at = [], 0
        while at < size and (part := os.pread(self._fd, size - at, at)):
            parts.append(part)
            at += len(part)
        return b"".join(parts)

    def _append(self, rows: Sequence[dict[str, Any]]) -> None:
        data = "".join(json.dumps(row, ensure_ascii=True) + "\n" for row in rows).encode()
        left, at = memoryview(data), self._end
        while left:
            done = os.pwrite(self._fd, left, at)
            left, at = left[done:], at + done
        os.ftruncate(self._fd, at)
        os.fsync(self._fd)
        self._end = at


def _copy_json(one: PayloadFile) -> dict[str, Any]:
    return {
        "path": one.path,
        "size_bytes": one.size_bytes,
        "sha256": one.sha256,
        "sha512": one.sha512,
        "gaps": [[gap.span.start, gap.span.stop, gap.why.value] for gap in one.gaps],
        "marks": [[mark.span.start, mark.span.stop, mark.mark.value] for mark in one.marks],
        "modified_at": one.modified_at,
        "origin": one.origin,
    }


def _copy(row: dict[str, Any]) -> PayloadFile:
    return PayloadFile(
        str(row["path"]),
        int(row["size_bytes"]),
        str(row["sha256"]),
        str(row["sha512"]),
        tuple(Gap(Span(start, stop), Lack(why)) for start, stop, why in row["gaps"]),
        tuple(Marked(Span(start, stop), Mark(mark)) for start, stop, mark in row["marks"]),
        int(row["modified_at"]),
        str(row["origin"]),
    )
