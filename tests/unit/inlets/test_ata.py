"""Questions on their way to a drive: the block that reaches the kernel, and what becomes of its answer.

No drive that answers is at hand: the kernel's call is stood in for, or the child is. The real refusal of a
loop device is in tests/rig.
"""

from __future__ import annotations

import ctypes
import errno
import json
import os
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from mendbay.core.errors import SourceError
from mendbay.imaging.ata_answer import How, Passed, answer_of
from mendbay.imaging.ata_command import Question, block_16
from mendbay.imaging.sense import Trouble
from mendbay.inlets import ata_child
from mendbay.inlets.ata import AtaLine, PageLine
from mendbay.inlets.bench_drives import BenchDrives
from support import answering_child
from support.ata_pages import identity_page, sct_page

PAGE = identity_page(sectors=3_907_029_168)
NOT_KNOWN = "720B00000000000E090C00040001000000000000A051"
"""The drive ended a command that it does not know: B/00/00 with status 51h, error 04h."""


class Scripted:
    """A line whose child answers from a script."""

    def __init__(self, folder: Path, script: dict[str, Any], patience: float = 5.0) -> None:
        self.path = folder / "drive"
        self.path.write_text(json.dumps(script))
        self.line = AtaLine(self.path, patience, answering_child.__file__)

    def asked(self) -> list[str]:
        return Path(f"{self.path}.asked").read_text().splitlines()


@pytest.fixture
def scripted(tmp_path: Path) -> Iterator[Any]:
    made: list[Scripted] = []

    def make(script: dict[str, Any], patience: float = 5.0) -> Scripted:
        made.append(Scripted(tmp_path, script, patience))
        return made[-1]

    yield make
    for one in made:
        one.line.close()


# ---------------------------------------------------------------------- the child


def test_the_kernel_is_given_the_block_and_fills_the_page(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: dict[str, Any] = {}

    def ioctl(descriptor: int, request: int, header: Any, mutate: bool) -> int:
        seen["request"], seen["direction"] = request, header.dxfer_direction
        seen["block"] = ctypes.string_at(header.cmdp, header.cmd_len)
        seen["flags"] = os.get_inheritable(descriptor)
        ctypes.memmove(header.dxferp, PAGE, 512)
        ctypes.memmove(header.sbp, b"\x72\x01\x00\x1d", 4)
        header.status, header.sb_len_wr, header.duration, header.resid = 2, 4, 12, 0
        return 0

    monkeypatch.setattr(ata_child.stat, "S_ISBLK", lambda mode: True)
    block = block_16(Question.IDENTIFY)
    answer = ata_child.pass_on("/dev/null", ata_child.COMMAND.pack(16, block, 512, 1000), ioctl)
    error, status, host, driver, missing, took, length, sense, data = ata_child.ANSWER.unpack(answer)
    assert (seen["request"], seen["direction"], seen["block"]) == (0x2285, -3, block)
    assert (error, status, host, driver, missing, took, length) == (0, 2, 0, 0, 0, 12, 4)
    assert sense[:4] == b"\x72\x01\x00\x1d"
    assert data == PAGE


def test_the_header_is_as_large_as_the_kernels() -> None:
    """`struct sg_io_hdr` on a machine of 64 bits (include/scsi/sg.h)."""
    assert ctypes.sizeof(ata_child.Header) == 88
    assert ata_child.Header.status.offset == 64


def test_what_is_no_block_device_is_not_asked() -> None:
    def ioctl(*_: Any) -> int:
        raise AssertionError("asked")

    answer = ata_child.pass_on("/dev/null", ata_child.COMMAND.pack(16, bytes(16), 512, 1000), ioctl)
    assert ata_child.ANSWER.unpack(answer)[0] == errno.ENOTTY


def test_the_real_child_says_that_a_file_passes_nothing(tmp_path: Path) -> None:
    (tmp_path / "image").write_bytes(bytes(512))
    line = AtaLine(tmp_path / "image", 5.0)
    answer = line.ask(Question.IDENTIFY)
    line.close()
    assert answer.how is How.NOT_PASSED
    assert "passes no ATA commands" in answer.words


# ---------------------------------------------------------------------- the line


def test_a_page_is_handed_over_whole(scripted: Any) -> None:
    one = scripted({"ec": PAGE.hex(), "b0d5e0": sct_page(41).hex()})
    assert one.line.ask(Question.IDENTIFY).data == PAGE
    assert one.line.ask(Question.SCT_STATUS).data[200] == 41
    assert one.asked() == ["16 ec", "16 b0d5e0"]


@pytest.mark.parametrize("patience", [0.1, 5.0, 600.0])
def test_the_kernel_has_its_usual_time_for_a_question_however_long_it_is_waited_for(
    scripted: Any, patience: float
) -> None:
    one = scripted({"ec": PAGE.hex()}, patience)
    assert one.line.ask(Question.IDENTIFY).how is How.GIVEN
    assert Path(f"{one.path}.times").read_text().split() == ["30000"]


@pytest.mark.parametrize("patience", [0.1, 3600.0])
def test_the_patience_for_reads_is_none_for_questions(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, patience: float
) -> None:
    made: list[float] = []
    monkeypatch.setattr("mendbay.inlets.ata.AtaLine", lambda path, seconds: made.append(seconds))
    BenchDrives(patience).line(str(tmp_path / "drive"))
    BenchDrives(patience, question_seconds=90.0).line(str(tmp_path / "drive"))
    assert made == [30.0, 90.0]


def test_a_clean_status_with_trouble_at_the_host_is_no_answer(scripted: Any) -> None:
    one = scripted({"ec": {"data": PAGE.hex(), "host": 7}})
    answer = one.line.ask(Question.IDENTIFY)
    assert (answer.how, answer.data) == (How.REFUSED, b"")


def test_half_a_page_is_none(scripted: Any) -> None:
    answer = scripted({"ec": PAGE[:256].hex()}).line.ask(Question.IDENTIFY)
    assert (answer.how, answer.words) == (How.REFUSED, "only 256 of 512 bytes came")


def test_a_command_that_the_drive_does_not_know_is_told_apart_from_an_adapter_that_passes_none(
    scripted: Any,
) -> None:
    one = scripted({"b0d0": {"status": 2, "sense": NOT_KNOWN}})
    refused = one.line.ask(Question.HEALTH)
    assert (refused.how, refused.trouble) == (How.REFUSED, Trouble.NOT_KNOWN)
    assert one.line.ask(Question.IDENTIFY).how is How.NOT_PASSED


def test_a_reset_is_asked_over_once(scripted: Any) -> None:
    one = scripted({"ec": {"status": 2, "sense": "72062900"}})
    assert one.line.ask(Question.IDENTIFY).trouble is Trouble.ATTENTION
    assert one.asked() == ["16 ec", "16 ec"]


def test_a_hang_costs_its_patience_once(scripted: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("mendbay.inlets.ata.STARTING_SECONDS", 0.5)
    one = scripted({"hang": ["b0d0"], "ec": PAGE.hex()}, patience=0.5)
    assert one.line.ask(Question.IDENTIFY).how is How.GIVEN
    begun = time.monotonic()
    assert one.line.ask(Question.HEALTH).how is How.HUNG
    assert time.monotonic() - begun < 3
    begun = time.monotonic()
    again = one.line.ask(Question.IDENTIFY)
    assert (again.how, again.trouble) == (How.HUNG, Trouble.HUNG)
    assert time.monotonic() - begun < 0.1
    assert one.asked() == ["16 ec", "16 b0d0"]


def test_a_child_that_dies_is_an_error_of_that_question_and_is_replaced(scripted: Any) -> None:
    one = scripted({"die": ["b0d0"], "ec": PAGE.hex()})
    assert one.line.ask(Question.HEALTH).how is How.REFUSED
    assert one.line.ask(Question.IDENTIFY).how is How.GIVEN


def test_without_the_right_to_ask_it_is_said(scripted: Any) -> None:
    with pytest.raises(SourceError, match="no right"):
        scripted({"ec": {"error": errno.EPERM}}).line.ask(Question.IDENTIFY)


def test_short_blocks_go_to_drives_alone(scripted: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """A1h means something else to a burner of discs."""
    one = scripted({"12:ec": PAGE.hex()})
    assert one.line.ask(Question.IDENTIFY).how is How.NOT_PASSED
    assert one.asked() == ["16 ec"]
    monkeypatch.setattr(AtaLine, "_is_direct_access", lambda self: True)
    assert one.line.ask(Question.IDENTIFY).data == PAGE
    assert one.line.ask(Question.TEMPERATURE_STATISTICS).how is How.NOT_PASSED
    assert one.asked() == ["16 ec", "16 ec", "12 ec"]


def test_a_partition_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("mendbay.inlets.ata.stat.S_ISBLK", lambda mode: True)
    monkeypatch.setattr("mendbay.inlets.ata.in_use.whole_disk", lambda number: number + 1)
    with pytest.raises(SourceError, match="is a partition"):
        AtaLine(tmp_path)


def test_registers_are_an_answer_and_their_lack_is_told() -> None:
    fine = bytes.fromhex(
        "7201001D0000000E" + "090C" + "00" + "00" + "0000" + "0000" + "004F" + "00C2" + "E050"
    )
    given = answer_of(Question.VERDICT, Passed(status=2, sense=fine))
    assert given.how is How.GIVEN
    assert given.registers is not None
    assert given.registers.lba == 0xC24F00
    assert answer_of(Question.VERDICT, Passed()).how is How.NOT_PASSED


# ---------------------------------------------------------------------- kept pages


def test_kept_pages_answer(tmp_path: Path) -> None:
    (tmp_path / "identify.bin").write_bytes(PAGE)
    (tmp_path / "health.bin").write_bytes(PAGE + b"x")
    (tmp_path / "thresholds.bin").mkdir()
    line = PageLine(tmp_path)
    assert line.ask(Question.IDENTIFY).data == PAGE
    assert line.ask(Question.VERDICT).how is How.NOT_PASSED
    assert line.ask(Question.THRESHOLDS).how is How.NOT_PASSED
    with pytest.raises(SourceError):
        PageLine(tmp_path / "identify.bin")
