"""Sources that are mounted, swapped to or written to, on real devices."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from mendbay.core.errors import DestinationOnSource, NoRoom, SourceBusy
from mendbay.core.quantity import count_text
from mendbay.inlets.device import guard_destination, look
from mendbay.inlets.reader import ReaderProcess
from support.loops import disk_with_two_partitions, ext4_image, loop_of, mounted, needs_loops, run

pytestmark = [pytest.mark.root, needs_loops]

READ_ONLY = ("-o", "ro,noload")


def test_a_mounted_device_is_refused_and_says_where_it_is_mounted(tmp_path: Path) -> None:
    image = ext4_image(tmp_path / "a.img")
    with loop_of(image, "--read-only") as loop:
        with mounted(loop, tmp_path / "a place", *READ_ONLY) as point:
            with pytest.raises(SourceBusy) as found:
                look(loop)
            assert f"{loop} is mounted at {point}" in found.value.what
            with pytest.raises(SourceBusy):
                ReaderProcess(loop)
        assert look(loop).size_bytes == 8 << 20


def test_the_file_behind_a_mounted_loop_device_is_refused(tmp_path: Path) -> None:
    image = ext4_image(tmp_path / "a.img")
    with loop_of(image, "--read-only") as loop:
        assert look(image).kind == "file", "a loop device that nothing uses is no use of the file"
        with (
            mounted(loop, tmp_path / "point", *READ_ONLY) as point,
            pytest.raises(SourceBusy, match=f"mounted at {point}, and {loop} is made of this file"),
        ):
            look(image)


def test_a_mount_in_another_namespace_is_seen_by_the_kernels_own_claim(tmp_path: Path) -> None:
    image = ext4_image(tmp_path / "a.img")
    point = tmp_path / "point"
    point.mkdir()
    with loop_of(image, "--read-only") as loop:
        script = f"mount -o ro,noload {loop} {point} && echo up && read line"
        with subprocess.Popen(
            ["unshare", "--mount", "--propagation", "unchanged", "sh", "-c", script],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        ) as other:
            assert other.stdout is not None
            assert other.stdout.readline() == "up\n"
            assert str(point) not in Path("/proc/self/mountinfo").read_text()
            with pytest.raises(SourceBusy, match="held by something else"):
                look(loop)
            other.communicate("\n")
        assert look(loop).kind == "drive"


def test_swap_is_refused(tmp_path: Path) -> None:
    image = tmp_path / "swap.img"
    image.write_bytes(bytes(1 << 20))
    image.chmod(0o600)
    with loop_of(image) as loop:
        run("mkswap", loop)
        run("swapon", loop)
        try:
            with pytest.raises(SourceBusy, match=f"{loop} is used as swap"):
                look(loop)
        finally:
            run("swapoff", loop)


def test_a_mounted_partition_makes_the_whole_disk_busy_but_not_its_neighbour(tmp_path: Path) -> None:
    with disk_with_two_partitions(tmp_path) as (loop, first, second):
        assert (look(loop).kind, look(first).kind, look(first).size_bytes) == ("drive", "partition", 7 << 20)
        with mounted(first, tmp_path / "point") as point:
            for busy in (loop, first):
                with pytest.raises(SourceBusy, match=f"{first} is mounted at {point}"):
                    look(busy)
            assert look(second).size_bytes == 7 << 20
            for source in (loop, first, second):
                with pytest.raises(DestinationOnSource) as found:
                    guard_destination(source, point / "images", 1)
                assert str(loop) in found.value.what


def test_a_destination_on_the_source_is_refused_also_through_a_loop_device_on_it(tmp_path: Path) -> None:
    with (
        loop_of(ext4_image(tmp_path / "outer.img", 32)) as outer,
        mounted(outer, tmp_path / "outer") as outer_point,
        loop_of(ext4_image(outer_point / "inner.img")) as inner,
        mounted(inner, tmp_path / "inner") as inner_point,
    ):
        for folder in (outer_point, inner_point, inner_point / "not" / "yet"):
            with pytest.raises(DestinationOnSource, match=str(outer)):
                guard_destination(outer, folder, 1)
        guard_destination(inner, tmp_path, 1)
        guard_destination(inner, outer_point, 1)
        with pytest.raises(DestinationOnSource, match="is the source itself"):
            guard_destination(inner, outer_point, 1, "inner.img")


def test_no_room_on_a_real_file_system_gives_both_numbers(tmp_path: Path) -> None:
    with loop_of(ext4_image(tmp_path / "a.img")) as loop, mounted(loop, tmp_path / "point") as point:
        free = int(run("stat", "--file-system", "--format=%a", point)) * int(
            run("stat", "--file-system", "--format=%S", point)
        )
        guard_destination(tmp_path / "a.img", point, free)
        with pytest.raises(NoRoom) as found:
            guard_destination(tmp_path / "a.img", point, free + 1)
        assert f"{count_text(free)} bytes free" in found.value.what
        assert f"{count_text(free + 1)} are needed" in found.value.what
        assert "Make 1 bytes of room" in found.value.next_step


def test_nothing_can_mount_a_drive_that_is_being_read(tmp_path: Path) -> None:
    image = ext4_image(tmp_path / "a.img")
    with loop_of(image, "--read-only") as loop, ReaderProcess(loop):
        refused = subprocess.run(
            ["mount", *READ_ONLY, str(loop), str(tmp_path)], capture_output=True, text=True, check=False
        )
        assert refused.returncode != 0
        said = ("busy", "already mounted", "Can't open blockdev")  # by version of mount
        assert any(one in refused.stderr for one in said), refused.stderr
