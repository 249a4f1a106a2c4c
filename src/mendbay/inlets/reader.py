"""A drive read through a child process, so that a read that never returns costs its patience and no more.

A read that hangs cannot be interrupted, not even by killing the process that asked for it. The child is
therefore killed, never waited for, and replaced; its memory goes with it, because an abandoned read may
still complete into it. `docs/decisions/0030-reading-through-a-child.md` has the reasons and the figures.
"""

from __future__ import annotations

import errno
import mmap
import os
import socket
import subprocess
import sys
import time
from collections import deque
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from mendbay.core.errors import MendbayError, SourceChanged, SourceError
from mendbay.core.quantity import count_text
from mendbay.core.source import Identity
from mendbay.core.span import Span
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.inlets import device, reader_child

SLOT_BYTES = 4 << 20
DEPTH = 3
SLOTS = DEPTH + 2
"""One for each read queued, and two more so that the last two answers stay readable meanwhile."""

NANO = 1_000_000_000
STARTING_SECONDS = 10.0
"""Added to the patience for a child that has yet to start: a busy machine is not a hung drive."""

ENDING_SECONDS = 1.0
"""How long killed children get to end once the power was cut under their reads."""

CRASHES_IN_A_ROW = 3

OURS = frozenset({errno.EINVAL, errno.EFAULT, errno.EBADF})
"""What the kernel says to a wrong request; no drive causes these."""

NOTHING = memoryview(b"")

_abandoned: list[subprocess.Popen[bytes]] = []
"""Killed children of readers that are closed and that had not ended by then; looked at whenever a child is
started, so that those that have ended leave the process table."""


@dataclass(frozen=True, slots=True)
class _Asked:
    span: Span
    slot: int
    asked_ns: int


class _Child:
    """One reading process with its own memory and channel. It is asked for reads and never for more."""

    def __init__(self, path: Path, unit: int) -> None:
        self.ready_ns: int | None = None
        """When the drive was open, None until it is."""
        memory = os.memfd_create("mendbay-read", os.MFD_CLOEXEC)
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        try:
            os.ftruncate(memory, SLOT_BYTES * SLOTS)
            self.memory = mmap.mmap(memory, SLOT_BYTES * SLOTS)
            passed = (theirs.fileno(), memory)
            self.process = subprocess.Popen(  # noqa: S603
                [
                    sys.executable,
                    "-I",
                    "-S",
                    reader_child.__file__,
                    str(path),
                    *map(str, (*passed, SLOT_BYTES, SLOTS, unit)),
                ],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                pass_fds=passed,
                start_new_session=True,  # Ctrl-C at the keyboard is not for the child
            )
        except BaseException:
            ours.close()
            raise
        finally:
            os.close(memory)
            theirs.close()
        self.channel = ours

    def send(self, number: int, asked: _Asked) -> None:
        """Queues one read. A child that has ended shows itself when the answer is waited for."""
        packet = reader_child.COMMAND.pack(number, asked.span.start, asked.span.length, asked.slot)
        try:
            self.channel.send(packet)
        except (BrokenPipeError, ConnectionResetError):
            return

    def answer(self, seconds: float) -> tuple[int, ...] | None:
        """The next packet, None if none comes in time.

        Raises:
            EOFError: the child has ended.
        """
        self.channel.settimeout(max(seconds, 0.001))
        try:
            packet = self.channel.recv(reader_child.ANSWER.size)
        except TimeoutError:
            return None
        except ConnectionResetError:
            packet = b""
        if len(packet) < reader_child.ANSWER.size:
            raise EOFError
        return tuple(reader_child.ANSWER.unpack(packet))

    def wake(self) -> None:
        """For another thread: whoever waits for an answer is told at once that none comes."""
        with suppress(OSError):  # closed meanwhile: nobody waits
            self.channel.shutdown(socket.SHUT_RDWR)

    def end(self) -> subprocess.Popen[bytes]:
        """Kills the process without waiting for it. The memory is freed when no view of it is left."""
        self.process.kill()
        self.channel.close()
        return self.process


class ReaderProcess:
    """A `DriveReader` for a block device or a regular image file.

    A block device is claimed for as long as it is read, so that nothing can mount it meanwhile. `data` of
    an answer stays readable until the next but one call of `answer`, also across a replaced child.

    What came of a read: every byte, `GIVEN`; no bytes, too few, or no such device, `VANISHED`; no answer in
    `patience_seconds`, `HUNG`; any other error, `REFUSED` with its name. A child that crashes is replaced
    and asked again, since the drive is not to blame; crashing over and over is an error.

    Args:
        path: the device or file. A link from `/dev/disk/by-id` also finds a drive that comes back under
            another name.
        patience_seconds: how long one read may take.
        sector_bytes: of an image file; a device says its own.
        abandoned_limit: how many killed children may still hang before the drive counts as vanished.

    Raises:
        SourceError, SourceBusy, SourceTooSmall: from `device.look`.
    """

    depth = DEPTH
    largest_read_bytes = SLOT_BYTES

    def __init__(
        self,
        path: Path,
        *,
        patience_seconds: float = 30.0,
        sector_bytes: int = 512,
        abandoned_limit: int = 8,
    ) -> None:
        if patience_seconds <= 0 or abandoned_limit < 1:
            raise ValueError("the patience and the number of abandoned children must be above zero")
        self.path = path
        self.patience_seconds = patience_seconds
        self.abandoned_limit = abandoned_limit
        self._identity = device.look(path, sector_bytes)
        self._queue: deque[_Asked] = deque()
        self._stuck: list[subprocess.Popen[bytes]] = []
        self._round = 0
        self._next_slot = 0
        self._crashes = 0
        self._last_finished_ns = 0
        self._closed = False
        self._broken_off = False
        self._child: _Child | None = None
        self._claim: int | None = None
        self.is_direct = True
        """Whether reads bypass the machine's cache. A device's always do; an image file's do where its file
        system can, and otherwise the cache is told to forget."""
        try:
            self._begin()
        except BaseException:
            self.close()
            raise

    def _begin(self) -> None:
        self._take_claim()
        try:
            trouble = self._await_ready(self._start_child())
        except EOFError:
            trouble = Attempt(Span(0, 0), Outcome.REFUSED, NOTHING, 0.0, "the reading process ended")
        if trouble is not None:
            raise SourceError(
                f"{self.path} cannot be opened for reading: {trouble.error}",
                "Check power and cable, then look at the kernel's messages (`dmesg`)",
            )

    @property
    def identity(self) -> Identity:
        return self._identity

    @property
    def queued(self) -> int:
        return len(self._queue)

    @property
    def hanging(self) -> int:
        """How many abandoned reads have still not come back."""
        self._stuck = [one for one in self._stuck if one.poll() is None]
        return len(self._stuck)

    def ask(self, span: Span) -> None:
        """Queues a read.

        Raises:
            ValueError: empty, not on sector borders, beyond the end, too long, or too many queued: a defect
                of the caller.
        """
        self._must_be_open()
        size, sector = self._identity.size_bytes, self._identity.sector_bytes
        if not 0 < span.length <= self.largest_read_bytes or span.stop > size:
            raise ValueError(f"{span} is not a read of this drive of {size} bytes")
        if span.start % sector or (span.stop % sector and span.stop != size):
            raise ValueError(f"{span} does not lie on borders of sectors of {sector} bytes")
        if len(self._queue) >= self.depth:
            raise ValueError(f"{self.depth} reads are queued already")
        asked = _Asked(span, self._next_slot, time.monotonic_ns())
        self._next_slot = (self._next_slot + 1) % SLOTS
        self._queue.append(asked)
        if self._child is not None:
            self._child.send(self._round, asked)

    def answer(self) -> Attempt:
        """Waits for the oldest read queued.

        Raises:
            ValueError: nothing is queued.
            SourceChanged: another drive answers under this name.
            MendbayError: the reading process crashes over and over, or the kernel calls the read malformed.
            KeyboardInterrupt: another thread called `break_off`.

        Whatever is raised, also a `KeyboardInterrupt`, everything queued is dropped.
        """
        self._must_be_open()
        if not self._queue:
            raise ValueError("no read is queued")
        while True:
            if self.hanging >= self.abandoned_limit:
                self._leave()
                return self._not_given(Outcome.VANISHED, 0.0, "too many hung reads")
            child = self._child or self._start_child()
            if self._broken_off:  # asked last: from here on `break_off` finds this child
                self._break_off()
                raise KeyboardInterrupt
            try:
                attempt = self._answer_of(child)
            except EOFError:
                if not self._broken_off:
                    self._replace_crashed(child)
                continue
            except BaseException:
                self._break_off()
                raise
            self._crashes = 0
            return attempt

    def _answer_of(self, child: _Child) -> Attempt:
        if child.ready_ns is None:
            trouble = self._await_ready(child)
            if trouble is not None:
                return trouble
        oldest = self._queue[0]
        begun_ns = max(oldest.asked_ns, self._last_finished_ns, child.ready_ns or 0)
        left = self.patience_seconds - (time.monotonic_ns() - begun_ns) / NANO
        packet = child.answer(left)
        if packet is None:
            self._abandon(child)
            return self._not_given(Outcome.HUNG, (time.monotonic_ns() - begun_ns) / NANO, "no answer")
        _, status, begun, finished, direct, _ = packet
        self._last_finished_ns, self.is_direct = finished, bool(direct)
        seconds = (finished - begun) / NANO
        if status == oldest.span.length:
            self._queue.popleft()
            at = oldest.slot * SLOT_BYTES
            data = memoryview(child.memory)[at : at + status].toreadonly()
            return Attempt(oldest.span, Outcome.GIVEN, data, seconds)
        if status >= 0:
            self._leave()
            return self._not_given(Outcome.VANISHED, seconds, "no bytes" if status == 0 else "too few bytes")
        return self._refusal(-status, seconds)

    def _refusal(self, number: int, seconds: float) -> Attempt:
        name = errno.errorcode.get(number, f"error {number}")
        if number in OURS:
            raise MendbayError(
                f"The kernel calls a read of {self._queue[0].span} on {self.path} malformed ({name})",
                "Report this with the drive's sector size; nothing that was read is lost",
            )
        if number in device.GONE:
            self._leave()
            return self._not_given(Outcome.VANISHED, seconds, name)
        return self._not_given(Outcome.REFUSED, seconds, name)

    def _not_given(self, outcome: Outcome, seconds: float, error: str) -> Attempt:
        """The answer for the oldest read; everything behind it is dropped, and its slots are free again."""
        oldest = self._queue.popleft()
        self._queue.clear()
        self._round += 1
        self._next_slot = (oldest.slot + 1) % SLOTS
        return Attempt(oldest.span, outcome, NOTHING, seconds, error)

    def _await_ready(self, child: _Child) -> Attempt | None:
        """Waits until the child has opened the drive; an answer for the oldest read if it cannot."""
        begun = time.monotonic()
        packet = child.answer(self.patience_seconds + STARTING_SECONDS)
        if packet is None:
            self._abandon(child)
            return self._open_failed(Outcome.HUNG, time.monotonic() - begun, "no answer to opening")
        _, status, size, sector, _, direct = packet
        if status < 0:
            self._leave()
            if -status in device.GONE or -status == errno.EIO:
                return self._open_failed(
                    Outcome.VANISHED, 0.0, errno.errorcode.get(-status, "no such device")
                )
            raise device.open_trouble(self.path, -status)
        if size == 0:
            self._leave()
            return self._open_failed(Outcome.VANISHED, 0.0, "no bytes")
        self._must_be_same(size, sector)
        child.ready_ns, self.is_direct = time.monotonic_ns(), bool(direct)
        return None

    def _open_failed(self, outcome: Outcome, seconds: float, error: str) -> Attempt:
        if not self._queue:
            return Attempt(Span(0, 0), outcome, NOTHING, seconds, error)
        return self._not_given(outcome, seconds, error)

    def _must_be_same(self, size: int, sector: int) -> None:
        noted = self._identity
        if (size, sector) != (noted.size_bytes, noted.sector_bytes):
            self._leave()
            self._drop_queue()
            raise SourceChanged(
                f"{self.path} now has {count_text(size)} bytes in sectors of {sector}; it had "
                f"{count_text(noted.size_bytes)} in sectors of {noted.sector_bytes}",
                "Connect the drive that was there before, or start a new image for this one",
            )

    def returned(self) -> bool:
        """Whether the drive answers again, and is the same.

        Raises:
            SourceChanged: a drive answers, but its size, sector size or serial number differ.
            SourceBusy: something took hold of it when it came back.
        """
        self._must_be_open()
        self._leave()
        self._drop_queue()
        if self._hang_on() or not self.path.exists():
            return False
        child = self._start_child()
        try:
            if self._await_ready(child) is not None:
                return False
        except EOFError:
            self._leave()
            return False
        self._must_have_same_serial()
        self._take_claim()
        return True

    def _hang_on(self) -> bool:
        """Whether too many reads hang still: those that the cut of power ended get a moment to say so."""
        end = time.monotonic() + ENDING_SECONDS
        while self.hanging >= self.abandoned_limit:
            if time.monotonic() > end:
                return True
            time.sleep(0.02)
        return False

    def _must_have_same_serial(self) -> None:
        if self._identity.kind == "file":
            return
        _, serial = device.texts_of(self.path.stat().st_rdev)
        if self._identity.serial and serial != self._identity.serial:
            self._leave()
            found = (
                f"now is the drive with serial number {serial}" if serial else "now gives no serial number"
            )
            raise SourceChanged(
                f"{self.path} {found}; it was {self._identity.serial}",
                "Connect the drive that was there before, or start a new image for this one",
            )

    def break_off(self) -> None:
        """For another thread: the `answer` under way, and every later one, ends with `KeyboardInterrupt`, at
        once though the drive hangs."""
        self._broken_off = True
        child = self._child
        if child is not None:
            child.wake()

    def close(self) -> None:
        """Ends the child and frees everything. A child that hangs is left to end by itself."""
        if self._closed:
            return
        self._leave()
        self._drop_queue()
        _abandoned.extend(one for one in self._stuck if one.poll() is None)
        self._stuck.clear()
        self._closed = True

    def __enter__(self) -> ReaderProcess:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _must_be_open(self) -> None:
        if self._closed:
            raise ValueError("this reader is closed")

    def _drop_queue(self) -> None:
        self._queue.clear()
        self._round += 1

    def _take_claim(self) -> None:
        if self._identity.kind != "file" and self._claim is None:
            self._claim = device.claim(self.path)

    def _start_child(self) -> _Child:
        _abandoned[:] = [one for one in _abandoned if one.poll() is None]
        self._child = _Child(self.path, self._identity.sector_bytes)
        for asked in self._queue:
            self._child.send(self._round, asked)
        return self._child

    def _abandon(self, child: _Child) -> None:
        """Kills a child that hangs. It may take until the next reboot to end; nobody waits for it."""
        self._stuck.append(child.end())
        self._child = None

    def _leave(self) -> None:
        """Lets go of the drive altogether: a name that is held open is not given to the drive's return."""
        if self._child is not None:
            self._end_healthy(self._child)
            self._child = None
        if self._claim is not None:
            os.close(self._claim)
            self._claim = None

    def _end_healthy(self, child: _Child) -> None:
        """Ends a child that is most likely idle, and so gone at once."""
        process = child.end()
        try:
            process.wait(timeout=0.2)
        except subprocess.TimeoutExpired:
            self._stuck.append(process)

    def _break_off(self) -> None:
        """Ends a child whose answer was not taken in whole: the next one would be taken for that of another
        read."""
        self._drop_queue()
        if self._child is not None:
            self._end_healthy(self._child)
            self._child = None

    def _replace_crashed(self, child: _Child) -> None:
        self._end_healthy(child)
        self._child = None
        self._crashes += 1
        if self._crashes >= CRASHES_IN_A_ROW:
            self._crashes = 0
            self._drop_queue()
            raise MendbayError(
                f"The process that reads {self.path} ended by itself {CRASHES_IN_A_ROW} times in a row "
                f"(last exit code {child.process.returncode})",
                "Check the machine's memory and the kernel's messages; nothing that was read is lost",
            )
