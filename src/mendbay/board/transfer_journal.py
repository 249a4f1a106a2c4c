"""What was done to a chip, line by line, so that a write that was cut off is known and can be started again.

A block is announced before it is touched and called done after it was read back right. Between the two
lines nobody knows what it holds. Each line carries a check of itself: one that was torn by a power cut is
skipped, which is safe both ways: a torn announcement was not acted on, a torn "done" leaves its block open.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from typing import Protocol

import numpy as np

from mendbay.board.transfer_plan import Bytes, Mask, Purpose, as_array
from mendbay.core.errors import TransferRefused

LINE_LIMIT = 1000
BEGUN, DONE, START, WRITTEN, VERIFIED = "begun", "done", "start", "written", "verified"
_WORDS = (BEGUN, DONE, START, WRITTEN, VERIFIED)


class TransferJournal(Protocol):
    """Append-only lines, kept by the caller for one job (one pair of dumps and one chip)."""

    def lines(self) -> Sequence[str]:
        """Every line so far, oldest first, without line ends; a torn one may be among them."""
        ...

    def append(self, line: str) -> None:
        """Keeps a line. When this returns the line outlives a power cut; if it cannot, this raises."""
        ...


@dataclass(frozen=True, slots=True)
class JournalState:
    """What the journal says the chip holds.

    `content` is what each byte must be, `unknown` which bytes lie in blocks that were begun and not done.
    `interruptions` counts the starts that did not come to their end, `blocks_done` the blocks over all
    starts since the backup was last put back and proven, `restores` how often it was. `touched` says whether
    any block was ever begun. `proven` says for which purpose the chip that was written was last read back
    right, with no block begun since. `torn` lines could not be read.
    """

    content: Bytes
    unknown: Mask
    interruptions: int
    blocks_done: int
    touched: bool
    torn: int
    proven: Purpose | None = None
    restores: int = 0

    @property
    def cut_off(self) -> bool:
        """Whether a block was begun and not done."""
        return bool(self.unknown.any())


def journal_line(
    job: str, purpose: Purpose, word: str, when: str, offset: int = 0, size_bytes: int = 0
) -> str:
    """One line: JSON with sorted keys and a check over the rest."""
    body = {
        "job": job,
        "purpose": purpose.value,
        "word": word,
        "when": when,
        "at": offset,
        "bytes": size_bytes,
    }
    return json.dumps({**body, "check": _check(body)}, sort_keys=True)


def replay(lines: Sequence[str], job: str, images: Mapping[Purpose, bytes]) -> JournalState:
    """What the chip holds after these lines, beginning with the backup (`images[Purpose.RESTORE]`).

    Raises:
        TransferRefused: a line belongs to another job, or speaks of a place the chip does not have.
    """
    content = as_array(images[Purpose.RESTORE]).copy()
    unknown = np.zeros(len(content), np.bool_)
    put_back = False
    open_starts = blocks = torn = restores = 0
    for text in lines:
        line = _read(text)
        if line is None:
            torn += 1
            continue
        if line.job != job:
            raise _foreign("It belongs to another pair of dumps or another chip")
        place = slice(line.at, line.at + line.size_bytes)
        if place.stop > len(content):
            raise _foreign("It speaks of a place behind the end of the chip")
        if line.word == START:
            open_starts += 1
        elif line.word == WRITTEN:
            open_starts -= 1
        elif line.word == BEGUN:
            unknown[place] = True
        elif line.word == DONE:
            content[place] = as_array(images[line.purpose])[place]
            unknown[place] = False
            blocks += 1
            put_back = put_back or line.purpose is Purpose.RESTORE
        elif line.word == VERIFIED and line.purpose is Purpose.RESTORE:
            restores += put_back  # a later look at a chip that holds its backup again puts nothing back
            blocks, put_back = 0, False
    end = outcome(lines)
    return JournalState(content, unknown, open_starts, blocks, end.touched, torn, end.proven, restores)


@dataclass(frozen=True, slots=True)
class Outcome:
    """Where a job stands by its journal alone: whether any block was ever begun, and for which purpose the
    chip was read back right with no block begun since."""

    touched: bool
    proven: Purpose | None

    @property
    def unfinished(self) -> bool:
        """Whether a block was begun and the chip not read back right since."""
        return self.touched and self.proven is None


def outcome(lines: Sequence[str]) -> Outcome:
    """What these lines of one job come to."""
    touched, proven = False, None
    for line in map(_read, lines):
        if line is not None and line.word == BEGUN:
            touched, proven = True, None
        elif line is not None and line.word == VERIFIED:
            proven = line.purpose
    return Outcome(touched, proven)


def is_start(line: str) -> bool:
    """Whether a line is the one before a transfer's first block."""
    read = _read(line)
    return read is not None and read.word == START


@dataclass(frozen=True, slots=True)
class _Line:
    job: str
    purpose: Purpose
    word: str
    at: int
    size_bytes: int


def _read(text: str) -> _Line | None:
    """A line, or None for one that is torn."""
    if len(text) > LINE_LIMIT:
        return None
    try:
        body = json.loads(text)
        sound = body.pop("check") == _check(body)
        line = _Line(body["job"], Purpose(body["purpose"]), body["word"], int(body["at"]), int(body["bytes"]))
    except (ValueError, KeyError, AttributeError, TypeError, RecursionError):
        return None
    return line if sound and line.word in _WORDS and line.at >= 0 and line.size_bytes >= 0 else None


def _check(body: Mapping[str, object]) -> str:
    return sha256(json.dumps(body, sort_keys=True).encode()).hexdigest()[:16]


def _foreign(why: str) -> TransferRefused:
    return TransferRefused(
        f"The journal does not fit this transfer. {why}",
        "Nothing was written; use the journal that was kept for this chip, or begin anew with a fresh backup",
    )
