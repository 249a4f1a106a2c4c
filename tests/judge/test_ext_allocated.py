"""What the ext reader takes for free, against `dumpe2fs` (e2fsprogs), and against the files themselves."""

from __future__ import annotations

import re
import subprocess

import pytest

from mendbay.core.span import Span, SpanSet
from support.ext_damage import Patient, healthy
from support.ext_images import RECIPES, image, tool


def free_by_dumpe2fs(recipe: str, block_bytes: int, cluster_blocks: int) -> SpanSet:
    """The blocks in the lists headed "Free blocks" of each group, in bytes; of a cluster it names one."""
    told = subprocess.run(
        [tool("dumpe2fs"), image(recipe)], capture_output=True, check=True, text=True
    ).stdout
    spans = []
    for line in re.findall(r"^  Free blocks: (.*)$", told, re.MULTILINE):
        for first, last in re.findall(r"(\d+)(?:-(\d+))?", line):
            spans.append(Span(int(first) * block_bytes, (int(last or first) + cluster_blocks) * block_bytes))
    return SpanSet(spans)


@pytest.mark.parametrize("recipe", RECIPES)
def test_what_is_free_is_what_dumpe2fs_calls_free(recipe: str) -> None:
    system = Patient(recipe).open()
    block = system.facts.block_bytes
    whole = Span(0, system.facts.size_bytes)
    free = system.allocated().complement(whole)
    groups = system._groups
    told = free_by_dumpe2fs(recipe, block, groups.superblock.cluster_blocks).clip(whole)
    assert told
    assert told - free == SpanSet(), "nothing free is taken for used"
    more = free - told
    # Copies of superblock and descriptors, and room for more, in groups whose bitmap was never written.
    for span in more:
        first = groups.superblock.group_of(span.start // block)
        assert groups.blocks_unused[first], f"{span} is used by dumpe2fs"
        assert (
            first in set(groups.superblock.superblock_copies())
            or groups.superblock.first_meta_group < 1 << 32
        )


@pytest.mark.parametrize("recipe", RECIPES)
def test_no_byte_of_a_file_or_of_a_description_is_free(recipe: str) -> None:
    system = Patient(recipe).open()
    free = system.allocated().complement(Span(0, system.facts.size_bytes))
    assert not system.metadata() & free
    seen = 0
    for entry in healthy(recipe).values():
        for extent in system.layout(entry).extents:
            if extent.volume_span is not None:
                seen += 1
                assert not free.overlaps(extent.volume_span), entry.path
    assert seen > 50
