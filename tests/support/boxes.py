"""Made boxes for tests, and the plain arithmetic that holds the maker to account."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from mendbay.core.span import SpanSet
from mendbay.outlets.scenario.damage import Faults, write_drive
from mendbay.outlets.scenario.scenario import Scenario
from mendbay.outlets.scenario.small import SmallBase, make_small_base, make_small_scenario

TOOLS_FOLDERS = "/usr/sbin:/sbin:/usr/bin:/bin"


def tool_or_skip(name: str, package: str) -> str:
    """The program's path, or a skip that says which Debian package is missing."""
    found = shutil.which(name) or shutil.which(name, path=TOOLS_FOLDERS)
    if found is None:
        pytest.skip(f"the program {name} is missing: install the Debian package {package}")
    return found


def small_base(folder: Path, seed: int = 0, block_bytes: int = 4096) -> SmallBase:
    """A small base, or a loud skip where the programs that make it are missing."""
    tool_or_skip("mke2fs", "e2fsprogs")
    return make_small_base(folder, seed, block_bytes)


def giving_box(folder: Path, base: SmallBase) -> Scenario:
    """A mirror in step on two drives that give everything."""
    made = make_small_scenario(folder, 1, base=base, parted=False)
    for bay in (0, 1):
        have_refuse(made, bay, SpanSet())
    return made


def sources_of(box: Scenario) -> list[str]:
    """Its drives as `pair read` takes them."""
    return [f"{bay}=unsteady:{drive}" for bay, drive in zip("12", box.drives, strict=True)]


def have_refuse(box: Scenario, bay: int, refused: SpanSet) -> None:
    """Makes a drive of a box anew, which gives everything but some ranges."""
    box.drives[bay].unlink()
    write_drive(box.drives[bay], box.images[bay], Faults(refused), seed=bay, serial=f"S{bay}")


def volume_byte_by_drive(scenario: Scenario, bay: int, at: int) -> int | None:
    """Which byte of the volume lies at byte `at` of a drive, one at a time by the definition of each level.

    Mirror: the same offset in the data area. Stripe: chunk c of the volume is chunk c // 2 of member c % 2
    (Linux kernel, drivers/md/raid0.c, one zone).
    """
    geometry = scenario.geometry
    inside = at - (1 << 20) - (2 << 20)
    if not 0 <= inside < geometry.data_bytes:
        return None
    if geometry.level == "mirror":
        return inside
    row, rest = divmod(inside, geometry.chunk_bytes)
    return (2 * row + bay) * geometry.chunk_bytes + rest
