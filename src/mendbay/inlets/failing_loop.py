"""A real block device that fails as an unsteady drive's description says: `/dev/loopN`, for root on Linux.

A server process answers the kernel's file requests (`failing_loop_server.py`); a read-only loop device lies
on the one file it offers. Programs then meet real errors of real reads. The mount is never visible, and
ending the server, in whatever way, leaves neither mount nor loop device behind.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import select
import subprocess
import sys
from pathlib import Path
from typing import Any

from mendbay.core.errors import SourceError
from mendbay.inlets import failing_loop_server
from mendbay.inlets.unsteady_description import UnsteadyDescription, dump

STARTING_SECONDS = 30.0
ANSWER_SECONDS = 30.0


def available() -> str:
    """Why a failing loop device cannot be made here; empty if it can."""
    if sys.platform != "linux":
        return "failing loop devices need Linux"
    if os.geteuid() != 0:
        return "not root"
    for node in ("/dev/fuse", "/dev/loop-control"):
        try:
            os.close(os.open(node, os.O_RDWR | os.O_CLOEXEC))
        except OSError as trouble:
            return f"{node} cannot be opened: {trouble.strerror}"
    return _missing_rights()


def _missing_rights() -> str:
    """Tries the two privileged steps that a container may forbid, without leaving anything behind."""
    try:
        os.close(failing_loop_server.system_call(failing_loop_server.FSOPEN, b"fuse", 1))
    except OSError as trouble:
        return f"this machine allows no FUSE mount: {trouble.strerror}"
    control = os.open("/dev/loop-control", os.O_RDWR | os.O_CLOEXEC)
    try:
        number = fcntl.ioctl(control, failing_loop_server.LOOP_CTL_GET_FREE)
    except OSError as trouble:
        return f"no loop device can be had: {trouble.strerror}"
    finally:
        os.close(control)
    return "" if Path(f"/dev/loop{number}").exists() else f"there is no node /dev/loop{number}"


class FailingLoop:
    """An unsteady drive as a block device, for as long as this object is open.

    One read by a program may reach the drive as several, since the kernel splits reads of more than 1 MiB,
    and of more than 512 KiB if they lie scattered in memory; the program's read fails if one of them does.
    A ragged last sector of the image is not offered. Only slow sectors and hangs take real time, unless the
    description says `real_time`. A hang ends by itself after `hang_seconds`, at most two minutes, with
    `ETIMEDOUT`, or when the drive leaves the bus or its power is cut, with `ENODEV`.

    Raises:
        SourceError: it cannot be made here; the message says why.
    """

    path: Path
    """The block device."""

    def __init__(self, description: UnsteadyDescription) -> None:
        self._process = subprocess.Popen(  # noqa: S603
            [sys.executable, "-P", "-m", failing_loop_server.__name__],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            start_new_session=True,
        )
        try:
            self.path = Path(str(self._tell(dump(description), STARTING_SECONDS)))
        except BaseException:
            self.close()
            raise

    def _tell(self, command: str, seconds: float = ANSWER_SECONDS) -> Any:
        if self._process.stdin is None or self._process.stdout is None:
            raise RuntimeError("the server was started without pipes")
        try:
            self._process.stdin.write(json.dumps(command).encode() + b"\n")
            self._process.stdin.flush()
        except BrokenPipeError:
            raise self._ended() from None
        if not select.select([self._process.stdout], [], [], seconds)[0]:
            raise SourceError("The failing loop device does not answer", "Look at the kernel's messages")
        line = self._process.stdout.readline()
        if not line:
            raise self._ended()
        answer = json.loads(line)
        if "trouble" in answer:
            raise SourceError(
                f"No failing loop device could be made: {answer['trouble']}",
                "Run as root, on a machine with FUSE",
            )
        return answer["done"]

    def _ended(self) -> SourceError:
        return SourceError(
            "The process behind the failing loop device has ended", "Read what it wrote above this message"
        )

    def unplug(self) -> None:
        """Takes the drive off the bus, as a pulled cable does: its size becomes 0 and reads give no bytes."""
        self._tell("unplug")

    def power_cycle(self) -> None:
        """Cuts and restores the power: the drive is there again, as worn as it was."""
        self._tell("power")

    def release(self) -> None:
        """Lets every hanging read go on, and hangs no more."""
        self._tell("release")

    def log(self) -> tuple[tuple[int, int, str], ...]:
        """(first sector, sectors, turn) of every read that reached the drive since the last call."""
        return tuple((first, count, turn) for first, count, turn in self._tell("log"))

    def close(self) -> None:
        """Ends the server; readers that hang are freed with an error. The loop device goes with its last
        reader."""
        self._process.kill()
        self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                with contextlib.suppress(BrokenPipeError):  # a command that could not be sent
                    pipe.close()

    def __enter__(self) -> FailingLoop:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
