"""What a drive answered, from what the SCSI layer handed back.

Sources: the kernel's include/scsi/sg.h for the fields, include/scsi/scsi_status.h for host and driver bytes.
A clean status with a host byte other than 0 is no success.
"""

from __future__ import annotations

import errno
from dataclasses import dataclass
from enum import StrEnum

from mendbay.imaging.ata_command import Question
from mendbay.imaging.sense import (
    ResultRegisters,
    Sense,
    Trouble,
    parse_sense,
    trouble_of,
    trouble_of_registers,
)

_NOT_FOR_SUCH = frozenset({errno.ENOTTY, errno.EINVAL, errno.EOPNOTSUPP, errno.ENOSYS})
_GONE = frozenset({errno.ENODEV, errno.ENXIO, errno.ENOMEDIUM, errno.ENOENT})
_HOST_GONE = frozenset({0x01, 0x04})
"""No connection, bad target."""
HOST_TIME_OUT, _HOST_RESET = 0x03, 0x08
_DRIVER_TIME_OUT = 0x06
_STATUS_BUSY = 0x08


_WORDS = {
    Trouble.MEDIA: "the drive could not read it from its platters",
    Trouble.LINK: "the answer was spoilt between drive and adapter: check the cable",
    Trouble.ADDRESS: "the drive finds no such place",
    Trouble.DRIVE_FAULT: "the drive reports a fault of its own",
    Trouble.NOT_READY: "the drive is not ready: let it come to speed, ask again",
    Trouble.ATTENTION: "the drive was reset while it was asked",
    Trouble.HUNG: "the drive is busy and gives no answer",
    Trouble.NOT_KNOWN: "the drive does not know this question",
    Trouble.OTHER: "the drive or the adapter refused it",
}
"""Why there is no answer, for a person."""


class How(StrEnum):
    """What came of a question."""

    GIVEN = "answered"
    REFUSED = "refused"
    """The drive ended it with an error, or the answer was spoilt."""
    NOT_PASSED = "not passed on"
    """What lies between (adapter, kind of device) passes no ATA commands, or not this one."""
    HUNG = "no answer"
    GONE = "no drive"


@dataclass(frozen=True, slots=True)
class Passed:
    """What the SCSI layer handed back.

    Args:
        error: errno of the call, 0 if it went through.
        status, host, driver: the bytes of those names.
        missing: bytes of data that did not come.
        sense, data: as far as they came.
        seconds: how long it took.
    """

    error: int = 0
    status: int = 0
    host: int = 0
    driver: int = 0
    missing: int = 0
    sense: bytes = b""
    data: bytes = b""
    seconds: float = 0.0


@dataclass(frozen=True, slots=True)
class Answer:
    """What a drive answered.

    Args:
        data: the page, where `how` is `GIVEN` and the question has one.
        registers: as the drive left them, None if they were not handed back.
        words: why there is no answer, for a person; empty where there is one.
    """

    question: Question
    how: How
    data: bytes = b""
    registers: ResultRegisters | None = None
    trouble: Trouble = Trouble.NONE
    words: str = ""
    seconds: float = 0.0


def answer_of(question: Question, passed: Passed) -> Answer:
    """What that amounts to."""
    early = _not_through(question, passed)
    if early is not None:
        return early
    sense = parse_sense(passed.sense)
    registers = None if sense is None else sense.registers
    trouble = _trouble(passed, sense)
    if trouble is not Trouble.NONE:
        return _refused(question, passed, registers, trouble)
    if question.answer_bytes:
        return _with_data(question, passed, registers)
    if registers is None:
        return Answer(
            question,
            How.NOT_PASSED,
            words="the adapter hands back no registers",
            seconds=passed.seconds,
        )
    return Answer(question, How.GIVEN, registers=registers, seconds=passed.seconds)


def _not_through(question: Question, passed: Passed) -> Answer | None:
    """The answer where the command did not get as far as the drive, or the drive said nothing."""
    how, words = How.GIVEN, ""
    if passed.error in _NOT_FOR_SUCH:
        how, words = How.NOT_PASSED, "this device or adapter passes no ATA commands"
    elif passed.error in _GONE or passed.host in _HOST_GONE:
        how, words = How.GONE, "no drive answers"
    elif passed.host == HOST_TIME_OUT or passed.driver & 0x0F == _DRIVER_TIME_OUT:
        how, words = How.HUNG, "no answer in time"
    elif passed.error:
        how, words = How.REFUSED, f"error {errno.errorcode.get(passed.error, passed.error)}"
    elif passed.host:
        how, words = How.REFUSED, f"the host reports {passed.host:02X}h"
    if how is How.GIVEN:
        return None
    trouble = {How.HUNG: Trouble.HUNG, How.NOT_PASSED: Trouble.NOT_PASSED}.get(how, Trouble.OTHER)
    if passed.host == _HOST_RESET:
        trouble = Trouble.ATTENTION
    return Answer(question, how, trouble=trouble, words=words, seconds=passed.seconds)


def _trouble(passed: Passed, sense: Sense | None) -> Trouble:
    if sense is None or sense.is_deferred:
        if passed.status & _STATUS_BUSY:
            return Trouble.NOT_READY
        return Trouble.OTHER if passed.status else Trouble.NONE
    told = trouble_of(sense)
    if told is Trouble.NONE and sense.registers is not None:
        return trouble_of_registers(sense.registers)
    return told


def _refused(
    question: Question, passed: Passed, registers: ResultRegisters | None, trouble: Trouble
) -> Answer:
    if trouble is Trouble.NOT_PASSED:
        return Answer(
            question,
            How.NOT_PASSED,
            registers=registers,
            trouble=trouble,
            words="this adapter passes no such command",
            seconds=passed.seconds,
        )
    how = How.HUNG if trouble is Trouble.HUNG else How.REFUSED
    return Answer(question, how, b"", registers, trouble, _WORDS[trouble], passed.seconds)


def _with_data(question: Question, passed: Passed, registers: ResultRegisters | None) -> Answer:
    """A page, if all of it came."""
    came = question.answer_bytes - passed.missing
    if came != question.answer_bytes or len(passed.data) < question.answer_bytes:
        return Answer(
            question,
            How.REFUSED,
            registers=registers,
            trouble=Trouble.OTHER,
            words=f"only {max(0, came)} of {question.answer_bytes} bytes came",
            seconds=passed.seconds,
        )
    data = passed.data[: question.answer_bytes]
    return Answer(question, How.GIVEN, data, registers, seconds=passed.seconds)
