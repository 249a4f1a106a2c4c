"""What the jobs tell while they run. Faces draw it; jobs know no terminal and no browser."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from mendbay.core.span import Span
    from mendbay.imaging.going_on import Advice


class Phase(StrEnum):
    """What a reading is doing, in the order of interest to the person watching."""

    DESCRIPTION = "reading the descriptions"
    WANTED = "reading what is wanted"
    REST = "reading the rest"
    WHOLE = "reading"
    FETCH = "fetching"


class Worth(StrEnum):
    """For what a range is read."""

    DESCRIPTIONS = "descriptions"
    WANTED = "wanted"
    BOTH_HALVES = "to compare the halves"
    IN_USE = "in use"
    REST = "the rest"
    AGAIN = "asked again"


@dataclass(frozen=True, slots=True)
class Why:
    """Why a range is asked for, estimated before the drive answers.

    Attributes:
        span: the range, in bytes.
        worth: for what it is read; a sector that was refused before is `AGAIN`, whatever it is worth.
        weight: what each of its sectors is worth beside others (`imaging.values`); with a drive that shares
            its task a little more or less.
        chance: that the drive gives all of it.
        seconds: how long it then takes.
        loss_seconds: what a refusal costs: the wait until the drive says no, and its wear in seconds of the
            drive's life.
        tries: how often it was refused alone through the present adapter.
        is_doubted: it lies in a longer range that was refused, or hung.
    """

    span: Span
    worth: Worth
    weight: float
    chance: float
    seconds: float
    loss_seconds: float
    tries: int = 0
    is_doubted: bool = False


@dataclass(frozen=True, slots=True)
class ReadingProgress:
    """How far the reading of one bay's drive is. Bytes and seconds; `seconds_left` is None while unknown, and
    so are its bounds.

    Args:
        now: the range that is being asked for; empty while nothing is.
        aim_bytes: what is to be read here, without `elsewhere_bytes`.
        retrying_sectors: refused sectors that are asked for again, once nothing is unread.
        tries_left: the most tries that are left for them.
        is_shared: whether another drive has a part in the same task, `elsewhere_bytes` being what that gave.
        why: why that range is asked for; None where no plan tells.
        celsius: how warm the drive is, None where it did not tell lately.
        wanted_bytes: of `aim_bytes`, what is wanted first; `wanted_read_bytes` of it are read.
        refused_reads, hung_reads: reads of this run that the drive refused, or over which it did not answer.
        seconds_left_low, seconds_left_high: between which `seconds_left` may well come out
            (`jobs.time_left`), as if no other drive had a part in it.
    """

    bay: str
    phase: Phase
    now: Span
    read_bytes: int
    refused_bytes: int
    aim_bytes: int
    bytes_per_second: float
    seconds_left: float | None
    retrying_sectors: int = 0
    tries_left: int = 0
    is_shared: bool = False
    elsewhere_bytes: int = 0
    why: Why | None = None
    celsius: float | None = None
    wanted_bytes: int = 0
    wanted_read_bytes: int = 0
    refused_reads: int = 0
    hung_reads: int = 0
    seconds_left_low: float | None = None
    seconds_left_high: float | None = None


@dataclass(frozen=True, slots=True)
class StepProgress:
    """How far a countable step is: files copied, bytes compared.

    Args:
        in_bytes: `done` and `total` are bytes.
    """

    step: str
    done: int
    total: int
    now: str = ""
    in_bytes: bool = False


@dataclass(frozen=True, slots=True)
class Said:
    """A sentence worth telling while a job runs."""

    text: str


@dataclass(frozen=True, slots=True)
class Advised:
    """A recommendation to go on with reading a bay's drive or to stop; `text` says it with the numbers of
    `advice`. Nothing follows from it by itself."""

    bay: str
    advice: Advice
    text: str


@dataclass(frozen=True, slots=True)
class Resting:
    """A bay's drive is asked for nothing from now on, since a person wants a rest, or is asked again
    (`is_resting` False). While it rests, all that was read is durable and no read is under way."""

    bay: str
    is_resting: bool


Event = ReadingProgress | StepProgress | Said | Advised | Resting
Tell = Callable[[Event], None]


def silent(event: Event) -> None:
    """Tells nobody."""
