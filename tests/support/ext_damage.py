"""An ext image in memory to be damaged at places that debugfs names, and read again."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterable
from functools import cache

from mendbay.core.source import Lack, Mark
from mendbay.core.span import Span, SpanSet
from mendbay.files.readers.ext import open_ext
from mendbay.files.readers.ext_tree import ExtFileSystem
from mendbay.files.tree import Entry
from support.ext_images import image, image_bytes, tool
from support.sources import MemorySource


@cache
def ask_debugfs(recipe: str, request: str) -> str:
    """What debugfs answers to one request about the image of a recipe."""
    program = tool("debugfs")
    done = subprocess.run(
        [program, "-R", request, str(image(recipe))],
        check=True,
        capture_output=True,
        text=True,
        errors="replace",
    )
    return done.stdout


@cache
def healthy(recipe: str) -> dict[bytes, Entry]:
    """The undamaged tree by path, as the reader gives it; the judges' tests show that it is right."""
    return Patient(recipe).listing()


class Patient:
    """A copy of the image of a recipe that can be damaged."""

    def __init__(self, recipe: str) -> None:
        self.recipe = recipe
        self.data = bytearray(image_bytes(recipe))
        self.block_bytes = 1024 << int.from_bytes(self.data[1048:1052], "little")
        self.refused = SpanSet()
        self.older = SpanSet()

    def block_span(self, number: int) -> Span:
        return Span.at(number * self.block_bytes, self.block_bytes)

    def blocks_of(self, path: str) -> list[int]:
        """All blocks of a file, those of its map included, by debugfs."""
        return [int(number) for number in ask_debugfs(self.recipe, f"blocks {path}").split()]

    def inode_at(self, path: str) -> int:
        """The byte where the inode of a path begins, by debugfs."""
        found = re.search(
            r"located at block (\d+), offset (0x[0-9a-f]+)", ask_debugfs(self.recipe, f"imap {path}")
        )
        assert found is not None
        return int(found[1]) * self.block_bytes + int(found[2], 16)

    def put(self, at: int, data: bytes) -> None:
        self.data[at : at + len(data)] = data

    def fill(self, span: Span, pattern: bytes = b"\0") -> None:
        self.put(span.start, (pattern * (span.length // len(pattern) + 1))[: span.length])

    def refuse(self, spans: Iterable[Span]) -> None:
        self.refused = self.refused | SpanSet(spans)

    def source(self) -> MemorySource:
        """The patient as a source; it shows what is done to the patient's bytes later, too."""
        gaps, marks = {Lack.REFUSED: self.refused}, {Mark.POSSIBLY_OLDER: self.older}
        sound = image_bytes(self.recipe)
        if len(sound) != len(self.data):
            return MemorySource(bytes(self.data), gaps=gaps, marks=marks)
        made = MemorySource(sound, gaps=gaps, marks=marks)
        # Not a copy: hundreds of copies of 64 MiB are what these tests would otherwise spend their time on.
        made.data = self.data  # type: ignore[assignment]
        return made

    def open(self) -> ExtFileSystem:
        fs = open_ext(self.source())
        assert fs is not None
        return fs

    def listing(self, *, nameless: bool = False) -> dict[bytes, Entry]:
        """The tree by path; fails if a path comes twice."""
        entries = list(self.open().walk(nameless=nameless))
        found = {entry.path: entry for entry in entries}
        assert len(found) == len(entries)
        return found
