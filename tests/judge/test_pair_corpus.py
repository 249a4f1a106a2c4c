"""The probing test images of util-linux 2.38.1, each with what its own program says of it.

Sources: util-linux 2.38.1, tests/ts/blkid/images-fs and images-pt, with tests/expected/blkid. Most images
hold other structures than ours, and are there to be refused.
"""

from __future__ import annotations

import lzma
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from mendbay.pair.assemble import assemble
from mendbay.pair.md import find_superblocks
from mendbay.pair.partitions import find_partitions
from mendbay.pair.table import TableKind
from mendbay.pair.volume import Level
from support.corpora import corpus_or_skip
from support.sources import MemorySource

FEWEST_OF_SYSTEMS, FEWEST_OF_TABLES = 100, 6
SECTOR = 512
KINDS = {"gpt": TableKind.GPT, "dos": TableKind.MBR}
LINE = re.compile(r"#(?P<number>\d+): +(?P<start>\d+) +(?P<count>\d+) +0x(?P<type>[0-9a-f]+)(?P<rest>.*)")


@dataclass(frozen=True, slots=True)
class Sample:
    """One image, and the lines its judge printed about it."""

    name: str
    source: MemorySource
    said: tuple[str, ...]

    def told(self) -> dict[str, str]:
        return dict(line.split("=", 1) for line in self.said if "=" in line)


@pytest.fixture(scope="session")
def corpus() -> Path:
    return corpus_or_skip("superblocks")


def samples(corpus: Path, folder: str, judge: str) -> Iterator[Sample]:
    """The images of one folder that have an expected answer."""
    for packed in sorted((corpus / "ts/blkid" / folder).glob("*.img.xz")):
        name = packed.name.removesuffix(".img.xz")
        expected = corpus / "expected/blkid" / f"{judge}-{name}"
        if expected.exists():
            said = tuple(expected.read_text(errors="replace").splitlines())
            yield Sample(name, MemorySource(lzma.decompress(packed.read_bytes()), name=name), said)


@pytest.mark.slow
def test_only_images_of_members_have_superblocks_and_none_has_a_table(corpus: Path) -> None:
    """The boot sector of a file system can look like a table of records: it must not be taken for one."""
    seen = members = 0
    for one in samples(corpus, "images-fs", "low-probe"):
        told, found = one.told(), find_superblocks(one.source)
        seen += 1
        table = find_partitions(one.source)
        assert (table.kind, table.partitions) == (TableKind.NONE, ()), one.name
        if told.get("ID_FS_TYPE") != "linux_raid_member":
            assert not found.superblocks, f"{one.name} is taken for a member"
            continue
        members += 1
        best = found.best
        assert best is not None, one.name
        assert best.is_sound, one.name
        assert best.set_uuid == told["ID_FS_UUID"]
        assert told["ID_FS_VERSION"].startswith(best.version)
        made = assemble({"1": one.source})
        assert (made.level, made.is_complete, made.set_uuid) == (Level.MIRROR, False, best.set_uuid)
    assert seen >= FEWEST_OF_SYSTEMS, "fewer images than the published set has"
    assert members


def test_partitions_are_those_that_were_published(corpus: Path) -> None:
    seen, kinds = 0, set()
    for one in samples(corpus, "images-pt", "lowprobe-pt"):
        seen += 1
        head = re.search(r"PT: (\w+), offset: \d+, id=(\S+)", one.said[0])
        assert head is not None, one.said[0]
        table = find_partitions(one.source)
        assert table.kind is KINDS.get(head[1], TableKind.NONE), one.name
        kinds.add(table.kind)
        if table.kind is not TableKind.NONE:
            assert list(_as_published(one.said, table.kind)) == [
                (
                    part.number,
                    part.span.start // SECTOR,
                    part.span.length // SECTOR,
                    part.type_id,
                    part.name,
                    part.unique_id,
                )
                for part in table.partitions
            ], one.name
    assert seen >= FEWEST_OF_TABLES, "fewer images than the published set has"
    assert kinds == set(TableKind)


def _as_published(lines: tuple[str, ...], kind: TableKind) -> Iterator[tuple[int, int, int, str, str, str]]:
    """The partitions the judge listed; what it found inside one of them ends in the kind of table there."""
    for line in lines:
        found = LINE.fullmatch(line)
        if found is None or found["rest"].endswith(")"):
            continue
        told = dict(re.findall(r"(\w+)='([^']*)'", found["rest"]))
        type_id, unique = told.get("type", ""), told.get("uuid", "")
        if kind is TableKind.MBR:
            type_id, unique = f"{int(found['type'], 16):02x}", ""  # the judge makes up its UUIDs here
        yield (
            int(found["number"]),
            int(found["start"]),
            int(found["count"]),
            type_id,
            told.get("name", ""),
            unique,
        )
