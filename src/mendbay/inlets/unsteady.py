"""A drive that fails, simulated over an image file: the same protocol as a real one, no waiting.

What it does is decided by its description and seed alone, so a run can be repeated exactly.
"""

from __future__ import annotations

import json
import os
import threading
from collections import deque
from datetime import UTC, datetime, timedelta
from pathlib import Path

from mendbay.core.errors import SourceTooSmall, UsageError
from mendbay.core.quantity import count_text
from mendbay.core.source import Identity
from mendbay.core.span import Span
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.inlets.fault_plan import Fate, FaultPlan, Turn
from mendbay.inlets.unsteady_description import UnsteadyDescription

READS_BETWEEN_SAVES = 64
"""Counts of reads and seconds reach the state file this often; refusals reach it at once."""

NOTHING = memoryview(b"")


class UnsteadyDrive:
    """A `DriveReader` that refuses, hangs, vanishes and dies as described.

    `Attempt.seconds` comes from the description's model of time, and does not pass unless it says
    `real_time`. A hang takes the description's `patience_seconds`.

    Raises:
        UsageError: there is no such image, or the state file belongs to another drive.
        SourceTooSmall: the image holds no sector.
    """

    depth = 3
    largest_read_bytes = 4 << 20

    def __init__(self, description: UnsteadyDescription) -> None:
        self.description = description
        size = description.image_bytes
        if size < description.sector_bytes:
            raise SourceTooSmall(
                f"{description.image} holds {count_text(size)} bytes, less than one sector",
                "Give the unsteady drive an image with something in it",
            )
        self.plan = FaultPlan(description.faults())
        self.spent_seconds = 0.0
        """The time all reads took so far, by the model; hangs included."""
        self._identity = Identity(
            "drive",
            str(description.image),
            size,
            description.sector_bytes,
            description.physical_bytes or description.sector_bytes,
            description.model,
            description.serial,
        )
        self._queue: deque[Span] = deque()
        self._reads_unsaved = 0
        if description.state_file is not None:
            take_state(description.state_file, description, self.plan)
        self._image = os.open(description.image, os.O_RDONLY | os.O_CLOEXEC)
        self._closed = False
        self._broken_off = threading.Event()

    @property
    def identity(self) -> Identity:
        return self._identity

    @property
    def queued(self) -> int:
        return len(self._queue)

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
        self._queue.append(span)

    def answer(self) -> Attempt:
        """Carries out the oldest read queued.

        Raises:
            ValueError: nothing is queued.
            KeyboardInterrupt: another thread called `break_off`.
        """
        self._must_be_open()
        if not self._queue:
            raise ValueError("no read is queued")
        span = self._queue.popleft()
        sector = self._identity.sector_bytes
        fate = self.plan.meet(span.start // sector, -(-span.length // sector))
        attempt = self._carry_out(span, fate)
        if attempt.outcome is not Outcome.GIVEN:
            self._queue.clear()
        self.spent_seconds += attempt.seconds
        self._reads_unsaved += 1
        if self.plan.changed or self._reads_unsaved >= READS_BETWEEN_SAVES:
            self._save_state()
        seconds = attempt.seconds if self.description.real_time else 0.0
        if self._broken_off.wait(seconds):
            raise KeyboardInterrupt
        return attempt

    def _carry_out(self, span: Span, fate: Fate) -> Attempt:
        if fate.turn is Turn.GIVES:
            data = os.pread(self._image, span.length, span.start)
            if len(data) == span.length:
                return Attempt(span, Outcome.GIVEN, memoryview(data), fate.seconds)
            return Attempt(span, Outcome.VANISHED, NOTHING, fate.seconds, "too few bytes")
        if fate.turn is Turn.REFUSES:
            return Attempt(span, Outcome.REFUSED, NOTHING, fate.seconds, self.description.error)
        if fate.turn is Turn.HANGS:
            return Attempt(span, Outcome.HUNG, NOTHING, self.description.patience_seconds, "no answer")
        return Attempt(span, Outcome.VANISHED, NOTHING, fate.seconds, "no bytes")

    def returned(self) -> bool:
        """Whether the drive is on the bus: after it vanished, only once `power_cycle` was called, or where
        the description says `comes_back`."""
        self._must_be_open()
        self._queue.clear()
        if self.plan.vanished and self.description.comes_back:
            self.power_cycle()
        return not self.plan.vanished

    def power_cycle(self) -> None:
        """What a person does at the bench when the drive has vanished: cut its power and restore it."""
        self._must_be_open()
        self.plan.power_cycle()
        self._save_state()

    def break_off(self) -> None:
        """For another thread: the `answer` under way, and every later one, ends with `KeyboardInterrupt`."""
        self._broken_off.set()

    def close(self) -> None:
        """Keeps the wear, if there is a state file, and lets the image go."""
        if not self._closed:
            self._save_state()
            os.close(self._image)
            self._closed = True

    def __enter__(self) -> UnsteadyDrive:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _must_be_open(self) -> None:
        if self._closed:
            raise ValueError("this reader is closed")

    def _save_state(self) -> None:
        self._reads_unsaved = 0
        worn = self.plan.worn()
        if self.description.state_file is not None:
            write_state(self.description.state_file, self.description, worn)


def take_state(path: Path, description: UnsteadyDescription, plan: FaultPlan) -> None:
    """Lets a plan take up the wear kept in a state file; without a file it stays as it is.

    Raises:
        UsageError: the file is damaged or was kept for another description.
    """
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
        if kept["description"] != description.fingerprint():
            raise ValueError("it was kept for another description")
        plan.wear(kept["worn"])
    except FileNotFoundError:
        return
    except (OSError, ValueError, KeyError, TypeError) as trouble:
        raise UsageError(
            f"The state file {path} of the unsteady drive cannot be used: {trouble}",
            "Delete it to begin with a drive that has not worn yet",
        ) from None


def write_state(path: Path, description: UnsteadyDescription, worn: dict[str, object]) -> None:
    """Keeps the wear; a reader of the file sees the old or the new one, never a part."""
    fresh = path.with_name(f"{path.name}.{os.getpid()}.new")
    text = json.dumps({"description": description.fingerprint(), "worn": worn})
    fresh.write_text(text + "\n", encoding="utf-8")
    fresh.replace(path)


class DriveClock:
    """A `Clock` on which only the unsteady drive's own work passes time.

    Args:
        drive: whose `spent_seconds` are counted.
        began: the moment at which it had spent none; the present by default.
    """

    def __init__(self, drive: UnsteadyDrive, began: datetime | None = None) -> None:
        self._drive = drive
        self._began = began or datetime.now(UTC)

    def now(self) -> datetime:
        return self._began + timedelta(seconds=self._drive.spent_seconds)

    def steady_seconds(self) -> float:
        return self._drive.spent_seconds
