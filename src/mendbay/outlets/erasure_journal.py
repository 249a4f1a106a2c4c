"""The journal of an erasure: one line a step, durable before the next step, each with its own check.

Files are named by their number in the plan, so that no name of a customer's file outlives the plan. A line
is eight hexadecimal digits of the SHA-256 of what follows, a blank, and a JSON object. A last line without a
line break was being written when the power went; it is cut off.
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass, replace
from hashlib import sha256
from typing import Any

from mendbay.core.errors import DestinationError

LIMIT_BYTES = 512 << 20
"""A hand-back of a million files stays below it."""


@dataclass(frozen=True, slots=True)
class Step:
    """How far the erasure of one file came.

    Args:
        name: the meaningless name it gets before it is removed.
        seed: of the pattern.
        upto: below this everything stored is overwritten and flushed.
        equal: all of it was read back and is the pattern; `written` bytes of it.
        done: it is gone.
    """

    name: str
    seed: int
    upto: int = 0
    equal: bool = False
    written: int = 0
    done: bool = False


class ErasureJournal:
    """The journal in the open file `fd`, which the caller closes.

    Raises:
        DestinationError: it belongs to another plan, or is damaged before its last line.
        OSError: the system refused.
    """

    def __init__(self, fd: int, plan_sha256: str, now: str) -> None:
        self._fd = fd
        self.steps: dict[int, Step] = {}
        self.started_at = ""
        content = self._read()
        self._end = content.rfind(b"\n") + 1
        for number, line in enumerate(content[: self._end].split(b"\n")[:-1], 1):
            try:
                self._take(number, _row(line), plan_sha256)
            except (ValueError, KeyError, TypeError) as trouble:
                raise DestinationError(
                    f"Line {number} of the erasure's journal cannot be read: {trouble!s:.60}.",
                    "Plan anew: mendbay case erase-plan. What is erased already is told there as not there.",
                ) from trouble
        if self._end < len(content):
            os.ftruncate(fd, self._end)
        if not self.started_at:
            self._append({"plan": plan_sha256, "at": now})
            self.started_at = now

    def begin(self, number: int, name: str, seed: int) -> Step:
        """Notes that a file is about to be overwritten."""
        self._append({"n": number, "name": name, "seed": f"{seed:032x}"})
        self.steps[number] = Step(name, seed)
        return self.steps[number]

    def upto(self, number: int, offset: int) -> None:
        """Notes that everything below an offset is overwritten and flushed."""
        self._append({"n": number, "upto": offset})
        self.steps[number] = replace(self.steps[number], upto=offset)

    def equal(self, number: int, written: int) -> None:
        """Notes that all of it was read back and is the pattern."""
        self._append({"n": number, "equal": written})
        self.steps[number] = replace(self.steps[number], equal=True, written=written)

    def done(self, number: int) -> None:
        """Notes that a file is gone. A power cut may lose the line: once it was read back equal, a file
        that is at neither of its places was removed."""
        self._append({"n": number, "done": True}, durable=False)
        self.steps[number] = replace(self.steps[number], done=True)

    def settle(self) -> None:
        """Makes every line durable."""
        os.fsync(self._fd)

    def _take(self, line: int, row: dict[str, Any], plan_sha256: str) -> None:
        if line == 1:
            if row["plan"] != plan_sha256:
                raise ValueError("it belongs to another plan")
            self.started_at = str(row["at"])
            return
        number = int(row["n"])
        if "name" in row:
            self.steps[number] = Step(str(row["name"]), int(row["seed"], 16))
        elif "upto" in row:
            self.steps[number] = replace(self.steps[number], upto=int(row["upto"]))
        elif "equal" in row:
            self.steps[number] = replace(self.steps[number], equal=True, written=int(row["equal"]))
        elif row["done"] is True and self.steps[number].equal:
            self.steps[number] = replace(self.steps[number], done=True)
        else:
            raise ValueError("a step out of order")

    def _read(self) -> bytes:
        size = min(os.fstat(self._fd).st_size, LIMIT_BYTES)
        parts, at = [], 0
        while at < size and (part := os.pread(self._fd, size - at, at)):
            parts.append(part)
            at += len(part)
        return b"".join(parts)

    def _append(self, row: dict[str, Any], *, durable: bool = True) -> None:
        text = json.dumps(row, separators=(",", ":"))
        left = memoryview(f"{_check(text)} {text}\n".encode())
        at = self._end
        while left:
            count = os.pwrite(self._fd, left, at)
            left, at = left[count:], at + count
        if durable:
            os.fsync(self._fd)
        self._end = at


def _row(line: bytes) -> dict[str, Any]:
    check, _, text = line.decode("ascii").partition(" ")
    if check != _check(text):
        raise ValueError("it does not fit its check")
    row = json.loads(text)
    if not isinstance(row, dict):
        raise ValueError("no object")
    return row


def _check(text: str) -> str:
    return sha256(text.encode()).hexdigest()[:8]
