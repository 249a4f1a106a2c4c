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


@dataclass(frozen=True, slots=True)
class ReadingProgress:
    """How far the reading of one bay's drive is. Bytes and seconds; `seconds_left` is None while unknown.

    Args:
        aim_bytes: what is to be read here, without `elsewhere_bytes`.
        retrying_sectors: refused sectors that are asked for again, once nothing is unread.
        tries_left: the most tries that are left for them.
        is_shared: whether another drive has a part in the same task, `elsewhere_bytes` being what that gave.
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


Event = ReadingProgress | StepProgress | Said | Advised
Tell = Callable[[Event], None]


def silent(event: Event) -> None:
    """Tells nobody."""
