"""The faults a read of a ROM can have, and the record of one found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum


class FaultKind(StrEnum):
    """What is wrong with a read, or between reads."""

    LENGTHS_DIFFER = "lengths differ"
    ODD_LENGTH = "length is no power of two"
    WRONG_SIZE = "not the size of the chip"
    BLANK = "nothing read"
    STUCK_LINE = "data line stuck"
    SWAPPED_LINES = "data lines swapped"
    BYTE_ORDER = "bytes swapped in words"
    UNLIKE = "unlike the reference"
    ALIASED = "address line stuck"
    WRAPPED = "content repeats from the start"
    SHIFTED = "shifted by bytes"
    BIT_SLIP = "shifted by bits"
    TRUNCATED = "cut off"
    NOISE = "noise"
    BURST = "noise in bursts"
    UNSTABLE = "unsteady cells"
    TWO_STATES = "two states"
    STRAY = "a read unlike the others"


class Standing(StrEnum):
    """How sure a finding is."""

    PROVEN = "proven"
    LIKELY = "likely"
    QUESTION = "question"
    """A sound chip of some families looks the same: it does not change the verdict, a person must answer."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One finding.

    Args:
        kind: what it is.
        standing: how sure.
        what: one sentence: what was found, with its numbers.
        next_step: one sentence: what to do about it.
        figures: the numbers behind it by name; shares are 0 to 1.
        where: byte ranges (start, stop) concerned; empty for the whole.
        reads: which reads, counted from 0; empty for all.
    """

    kind: FaultKind
    standing: Standing
    what: str
    next_step: str
    figures: Mapping[str, float] = field(default_factory=dict)
    where: tuple[tuple[int, int], ...] = ()
    reads: tuple[int, ...] = ()
