"""Questions put to a drive about itself, through the kernel's SCSI generic call, in a process of their own.

`docs/decisions/0090-asking-the-drive.md` has the reasons.
"""

from __future__ import annotations

import errno
import os
import socket
import stat
import subprocess
import sys
from pathlib import Path

from mendbay.core.errors import SourceError
from mendbay.imaging.ata_answer import HOST_TIME_OUT, Answer, How, Passed, answer_of
from mendbay.imaging.ata_command import Question, block_12, block_16
from mendbay.imaging.sense import Trouble
from mendbay.inlets import ata_child, device, in_use
from mendbay.jobs.ports import DriveLine

KERNEL_SECONDS = 30.0
"""After which the kernel gives a question up and resets the drive (the kernel's own for commands to discs:
drivers/scsi/sd.h, SD_TIMEOUT; from memory). The same for every question: a short one would reset a drive that
is only slow, a long one would keep the machine waiting for one that hangs."""
STARTING_SECONDS = 10.0
"""Added to the patience: a busy machine is not a hung drive, and by itself the kernel gives up first."""
ENDING_SECONDS = 0.2
DIRECT_ACCESS = "0"
"""The SCSI device type of a drive (SPC-4, peripheral device type)."""

_abandoned: list[subprocess.Popen[bytes]] = []
"""Killed children that had not ended by then; looked at whenever one is started."""


class AtaLine(DriveLine):
    """A line to a drive behind a block device.

    A question that gets no answer in time kills the child that asked, and the drive is asked nothing more:
    every further question would wait as long, and the kernel resets a drive that does not answer.

    Args:
        path: the device; a partition is refused, since the answer would be of the whole drive.
        patience_seconds: how long an answer is waited for. The kernel is not told: it gives a question up
            after `KERNEL_SECONDS`, however soon the waiting ends.
        program: the child; tests have one of their own.

    Raises:
        SourceError: not there, or a partition.
    """

    is_present = True

    def __init__(
        self, path: Path, patience_seconds: float = KERNEL_SECONDS, program: str = ata_child.__file__
    ) -> None:
        self._path = path
        self._patience = patience_seconds
        self._program = program
        self._process: subprocess.Popen[bytes] | None = None
        self._channel: socket.socket | None = None
        self._given_up: Answer | None = None
        self._short_blocks = False
        self._require_whole()

    def _require_whole(self) -> None:
        try:
            status = self._path.stat()
        except FileNotFoundError:
            raise SourceError(
                f"{self._path} does not exist",
                device.NOT_THERE,
            ) from None
        except OSError as trouble:
            raise device.open_trouble(self._path, trouble.errno or errno.EIO) from None
        if stat.S_ISBLK(status.st_mode) and in_use.whole_disk(status.st_rdev) != status.st_rdev:
            raise SourceError(
                f"{self._path} is a partition; what a drive says of itself is of the whole drive",
                "Name the drive itself, such as /dev/sdX",
            )

    def ask(self, question: Question) -> Answer:
        if self._given_up is not None:
            gone = self._given_up
            return Answer(question, gone.how, trouble=gone.trouble, words=gone.words)
        answer = self._once(question)
        if answer.trouble is Trouble.ATTENTION:
            answer = self._once(question)  # it only told of a reset; the question itself was not looked at
        if answer.how is How.HUNG:
            self._given_up = answer
        return answer

    def _once(self, question: Question) -> Answer:
        if not self._short_blocks:
            answer = answer_of(question, self._pass_on(question, block_16(question)))
            if answer.how is not How.NOT_PASSED:
                return answer
        short = block_12(question)
        if short is None or not self._is_direct_access():
            return answer_of(question, Passed(error=errno.ENOTTY)) if self._short_blocks else answer
        shorter = answer_of(question, self._pass_on(question, short))
        if question is Question.IDENTIFY and shorter.how is How.GIVEN:
            self._short_blocks = True
        return shorter

    def _is_direct_access(self) -> bool:
        """Whether the kernel knows the device as a drive and as nothing else."""
        try:
            folder = in_use.sys_folder(self._path.stat().st_rdev)
            return folder is not None and (folder / "device" / "type").read_text().strip() == DIRECT_ACCESS
        except (OSError, ValueError):
            return False

    def _pass_on(self, question: Question, block: bytes) -> Passed:
        """One command through the child.

        Raises:
            SourceError: this person may not pass commands on.
        """
        self._require_whole()
        packet = ata_child.COMMAND.pack(len(block), block, question.answer_bytes, int(KERNEL_SECONDS * 1000))
        channel = self._channel or self._start()
        try:
            channel.send(packet)
            answer = channel.recv(ata_child.ANSWER.size)
        except TimeoutError:
            self.close()
            return Passed(host=HOST_TIME_OUT, seconds=self._patience + STARTING_SECONDS)
        except (BrokenPipeError, ConnectionResetError):
            answer = b""
        if len(answer) < ata_child.ANSWER.size:
            self.close()
            return Passed(error=errno.EIO)
        error, status, host, driver, missing, milliseconds, length, sense, data = ata_child.ANSWER.unpack(
            answer
        )
        if error in (errno.EPERM, errno.EACCES):
            self.close()
            raise SourceError(
                f"{self._path} cannot be asked: you have no right to pass commands on to a drive",
                "Run as root",
            )
        return Passed(error, status, host, driver, missing, sense[:length], data, milliseconds / 1000)

    def _start(self) -> socket.socket:
        _abandoned[:] = [one for one in _abandoned if one.poll() is None]
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with theirs:
            try:
                self._process = subprocess.Popen(  # noqa: S603
                    [sys.executable, "-I", "-S", self._program, str(self._path), str(theirs.fileno())],
                    stdin=subprocess.DEVNULL,
                    stdout=subprocess.DEVNULL,
                    pass_fds=(theirs.fileno(),),
                    start_new_session=True,  # Ctrl-C at the keyboard is not for the child
                )
            except BaseException:
                ours.close()
                raise
        ours.settimeout(self._patience + STARTING_SECONDS)
        self._channel = ours
        return ours

    def close(self) -> None:
        """Ends the child; one that hangs is left to end by itself."""
        if self._channel is not None:
            self._channel.close()
            self._channel = None
        if self._process is not None:
            self._process.kill()
            try:
                self._process.wait(timeout=ENDING_SECONDS)
            except subprocess.TimeoutExpired:
                _abandoned.append(self._process)
            self._process = None


class SilentLine(DriveLine):
    """The line of what is no drive and has nothing to say of itself.

    Args:
        why: the reason, for a person.
    """

    is_present = False

    def __init__(self, why: str) -> None:
        self._why = why

    def ask(self, question: Question) -> Answer:
        return Answer(question, How.NOT_PASSED, trouble=Trouble.NOT_PASSED, words=self._why)

    def close(self) -> None:
        """Nothing is open."""


class PageLine(DriveLine):
    """The pages that a drive once answered with, kept as files in a folder: `identify.bin` and so on, each of
    512 bytes, named like the questions.

    Raises:
        SourceError: no such folder.
    """

    is_present = False

    def __init__(self, folder: Path) -> None:
        if not folder.is_dir():
            raise SourceError(f"{folder} is no folder with pages", "Name the folder that holds identify.bin")
        self._folder = folder

    def ask(self, question: Question) -> Answer:
        if not question.answer_bytes:
            return Answer(question, How.NOT_PASSED, words="not among the pages that were kept")
        path = self._folder / f"{question.name.lower().replace('_', '-')}.bin"
        try:
            if not path.is_file():
                return Answer(question, How.NOT_PASSED, words="not among the pages that were kept")
            with path.open("rb") as file:
                data = file.read(question.answer_bytes + 1)
        except OSError as trouble:
            words = os.strerror(trouble.errno or errno.EIO)
            return Answer(question, How.REFUSED, trouble=Trouble.OTHER, words=words)
        return answer_of(question, Passed(missing=question.answer_bytes - len(data), data=data))

    def close(self) -> None:
        """Nothing is open."""
