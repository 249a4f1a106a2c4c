"""A loop device is a drive that passes no ATA commands: the kernel says so, and so does Mendbay."""

from __future__ import annotations

from pathlib import Path

import pytest

from mendbay.imaging.ata_answer import How
from mendbay.imaging.ata_command import Question
from mendbay.inlets import device
from mendbay.inlets.ata import AtaLine
from mendbay.inlets.bench_drives import BenchDrives
from support.loops import disk_with_two_partitions, ext4_image, loop_of, needs_loops

pytestmark = [pytest.mark.root, needs_loops]


def test_a_loop_device_passes_nothing_and_is_let_go_of(tmp_path: Path) -> None:
    image = tmp_path / "image"
    ext4_image(image)
    with loop_of(image) as path:
        line = AtaLine(path, 5.0)
        for question in (Question.IDENTIFY, Question.VERDICT):
            answer = line.ask(question)
            assert (answer.how, answer.words) == (
                How.NOT_PASSED,
                "this device or adapter passes no ATA commands",
            )
        line.close()


def test_a_partition_of_a_loop_device_leads_to_the_loop_device(tmp_path: Path) -> None:
    with disk_with_two_partitions(tmp_path) as (whole, first, second):
        for one in (whole, first, second):
            assert device.drive_behind(one) == whole
            line = BenchDrives().line(BenchDrives().drive_behind(str(one)))
            assert not line.is_present, "behind a loop device is a file and no drive"
