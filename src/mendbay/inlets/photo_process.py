"""A process that decodes pictures, as whoever starts it sees it: its start, limits, answers and end."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import time

from mendbay.core.errors import ToolMissing
from mendbay.inlets import photo_wire

STARTING_SECONDS = 90.0
ENDING_SECONDS = 5.0


class NotTaken(EOFError):
    """The reading process ended before it had the whole picture, which therefore is not to blame."""


class PhotoProcess:
    """One process that decodes pictures, and the channel to it. The kernel ends it with the thread that
    started it.

    Args:
        module: run as `python -I -m MODULE CHANNEL MEMORY_BYTES CPU_SECONDS PICTURES THREADS PARENT`.
        memory_bytes: address space it may use; 0 for no limit.
        cpu_seconds: of processor time for one picture.
        pictures: how many it may be given.
        threads: processor threads its libraries may use.
    """

    def __init__(self, module: str, memory_bytes: int, cpu_seconds: int, pictures: int, threads: int) -> None:
        self.pictures = 0
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_STREAM)
        words = [sys.executable, "-I", "-m", module]
        limits = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), str(threads))
        numbers = (theirs.fileno(), memory_bytes, cpu_seconds, pictures, threads, os.getpid())
        try:
            self.process = subprocess.Popen(  # noqa: S603
                [*words, *map(str, numbers)],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                pass_fds=(theirs.fileno(),),
                env=os.environ | limits,
                start_new_session=True,  # Ctrl-C at the keyboard is not for the child
            )
        except BaseException:
            ours.close()
            raise
        finally:
            theirs.close()
        self.channel = ours

    def await_ready(self) -> None:
        """Waits until its libraries are loaded.

        Raises:
            ToolMissing: a library the child needs is not installed, or it does not start.
        """
        try:
            answer = photo_wire.receive(self.channel, 4096, time.monotonic() + STARTING_SECONDS)
            said = json.loads(answer)
            missing = str(said.get("cannot", "")) if isinstance(said, dict) else "the reader answers nonsense"
        except (EOFError, TimeoutError, OSError, ValueError):
            raise ToolMissing(
                "Pictures cannot be read now: the process that does it ended or said nothing as it started",
                "Close other programs, or raise the limits of this session (ulimit -a shows them), then run "
                "the command again.",
            ) from None
        if missing:
            raise ToolMissing(
                f"Pictures cannot be read here ({missing})",
                "Install Mendbay with its extra for pictures: mendbay[pictures]",
            )

    def ask(self, data: bytes, seconds: float, answer_bytes: int = photo_wire.ANSWER_BYTES) -> bytes:
        """The answer to one picture.

        Raises:
            NotTaken: the child ended before it had the whole picture.
            EOFError: it ended.
            TimeoutError: it did not answer in time.
            NotAReading: it said too much.
        """
        self.pictures += 1
        until = time.monotonic() + seconds
        self.channel.settimeout(seconds)
        try:
            photo_wire.send(self.channel, data)
        except ConnectionError:
            raise NotTaken from None
        try:
            return photo_wire.receive(self.channel, answer_bytes, until)
        except ConnectionError:
            raise EOFError from None

    def fate(self) -> int:
        """How a child whose end of the channel is closed ended, as `Popen.returncode` says."""
        try:
            return self.process.wait(ENDING_SECONDS)
        except subprocess.TimeoutExpired:
            return 0

    def ended(self) -> bool:
        """Whether it is known to have ended."""
        return self.process.poll() is not None

    def end(self) -> None:
        self.channel.close()
        self.process.kill()
        self.process.wait()
