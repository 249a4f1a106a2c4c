"""Erased on a real ext4, the content is nowhere in the device's blocks that the files had, nor elsewhere."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

from mendbay.outlets import eraser
from support.erasures import ALL_SORTS, FILES, IMAGE_BYTES, MARKER, shop_with_copies
from support.loops import ext4_image, loop_of, mounted, needs_loops

pytestmark = [
    pytest.mark.root,
    needs_loops,
    pytest.mark.skipif(os.geteuid() != 0, reason="NOT CHECKED: only root mounts a file system"),
]


def found_in(device: Path, marker: bytes) -> int:
    """How often the marker stands in the device's own bytes."""
    fd = os.open(device, os.O_RDONLY)
    try:
        os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
        with open(fd, "rb", closefd=False) as file:
            return file.read().count(marker)
    finally:
        os.close(fd)


@pytest.mark.parametrize(
    "erased", [False, True], ids=["only removed, to show that the search finds", "erased"]
)
def test_no_byte_of_the_content_is_left_on_the_device(tmp_path: Path, erased: bool) -> None:
    image = ext4_image(tmp_path / "disk.img", 64)
    with loop_of(image) as loop:
        with mounted(loop, tmp_path / "mnt", "-o", "data=ordered") as point:
            with shop_with_copies(point / "home") as shop:
                subprocess.run(["sync", "-f", str(point)], check=True)
                assert found_in(loop, MARKER) > IMAGE_BYTES // len(MARKER) // 2
                if erased:
                    planned = shop.plan(sorts=ALL_SORTS)
                    assert {one.file_system for one in planned.plan.media} == {"ext4"}
                    shop.erase()
                else:
                    for one in [
                        one for one in point.rglob("*") if one.is_file() and MARKER in one.read_bytes()
                    ]:
                        one.unlink()
            subprocess.run(["sync", "-f", str(point)], check=True)
        left = found_in(loop, MARKER)
    assert (left == 0) if erased else (left > 1000)
    assert sum(map(len, FILES.values())) > 4096


def test_the_hole_of_an_image_stays_a_hole_until_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Overwriting a hole would take room that the disk may not have, and reach nothing."""
    image = ext4_image(tmp_path / "disk.img", 64)
    with (
        loop_of(image) as loop,
        mounted(loop, tmp_path / "mnt") as point,
        shop_with_copies(point / "home", bag=False) as shop,
    ):
        taken: list[int] = []
        real = eraser._cut

        def looked_at(at: int, name: str, file: object) -> None:
            taken.append(os.stat(name, dir_fd=at).st_blocks * 512)
            real(at, name, file)  # type: ignore[arg-type]

        monkeypatch.setattr(eraser, "_cut", looked_at)
        before = shop.image.stat().st_blocks * 512
        assert before < IMAGE_BYTES
        done_plan = shop.plan(unproven="nothing to hand back").plan
        done = shop.erase()
        assert taken == [before]
        assert done.certificate.overwritten_bytes == done_plan.stored_bytes == 2 << 20
