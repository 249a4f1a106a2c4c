"""Files that are named as drives: images, and what is none."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from mendbay.core.errors import SourceError
from mendbay.inlets.bench_drives import BenchDrives


def look(where: Path, sector_bytes: int = 512) -> object:
    return BenchDrives(sector_bytes=sector_bytes).look(str(where))


def open_it(where: Path, sector_bytes: int = 512) -> object:
    return BenchDrives(sector_bytes=sector_bytes).open(str(where))


@pytest.fixture(params=[look, open_it], ids=["look", "open"])
def named(request: pytest.FixtureRequest) -> Callable[..., object]:
    """What is done with the name."""
    found: Callable[..., object] = request.param
    return found


def test_a_description_is_no_image_of_three_sectors(tmp_path: Path, named: Callable[..., object]) -> None:
    path = tmp_path / "drive-1.toml"
    text = f'image = "drive-1.img"\n# {"x" * 2000}'
    path.write_text(text[: 3 * 512].ljust(3 * 512, "x"))
    with pytest.raises(SourceError, match="describes a simulated drive") as told:
        named(path)
    assert f"unsteady:{path}" in told.value.next_step


@pytest.mark.parametrize(("size", "sector"), [(513, 512), (5000, 512), (4096 + 512, 4096)])
def test_a_file_that_ends_within_a_sector_is_no_image(
    tmp_path: Path, named: Callable[..., object], size: int, sector: int
) -> None:
    path = tmp_path / "drive.img"
    path.write_bytes(bytes(size))
    with pytest.raises(SourceError, match=f"no whole number of sectors of {sector} bytes") as told:
        named(path, sector)
    assert "fill its last sector up with zeros" in told.value.next_step


def test_what_only_looks_like_a_text_is_an_image(tmp_path: Path) -> None:
    for content in (b"image = \n".ljust(1024), b"other = 1\n".ljust(1024), bytes(1024), b"\xff" * 1024):
        path = tmp_path / "drive.img"
        path.write_bytes(content)
        found = BenchDrives().look(str(path))
        assert (found.kind, found.size_bytes) == ("file", 1024)
