"""When a drive that is being read gets too hot, and when to ask it again.

A drive is asked sparingly: asking can keep some from resting, and one family is known to hang when it is
asked often under load (kernel, Documentation/hwmon/drivetemp.rst).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

ASK_SOONEST_SECONDS = 60.0
ASK_LATEST_SECONDS = 300.0
GIVE_UP_AFTER = 3
"""Questions in a row without an answer after which a drive is asked no more (all three: own choice)."""
STEADY_CELSIUS = 1
"""By how much two readings may differ and count as steady (own choice)."""
COOLED_BY = 5
"""How far below the pause a drive must come before it is read again (own choice)."""

LIKELY_HIGHEST = range(40, 86)
"""What a drive may say it is made for and be believed, degrees Celsius (common practice, no source)."""


class Heat(StrEnum):
    """How warm a drive is for being read."""

    FINE = "fine"
    WARM = "warm"
    """Worth a fan."""
    HOT = "hot"
    """To be cooled before it is read on."""
    TOO_HOT = "too hot"
    """To be switched off."""
    UNKNOWN = "not known"


@dataclass(frozen=True, slots=True)
class HeatLimits:
    """Degrees Celsius at which to warn, to pause and to stop, and where they are from."""

    warn: int
    pause: int
    stop: int
    origin: str

    @property
    def resume(self) -> int:
        """At or below which a paused drive is read again."""
        return self.pause - COOLED_BY


USUAL = HeatLimits(50, 55, 60, "common practice, no source")
"""Drives are usually made for 5 to 60 degrees at the case (makers' manuals)."""


def limits_for(highest_made_for: int | None) -> HeatLimits:
    """The limits for a drive: stop at the highest it says it is made for, pause and warn 5 and 10 below."""
    if highest_made_for is None or highest_made_for not in LIKELY_HIGHEST:
        return USUAL
    return HeatLimits(highest_made_for - 10, highest_made_for - 5, highest_made_for, "the drive's own")


@dataclass(frozen=True, slots=True)
class Warmth:
    """A temperature, and when it was read by the steady clock; None where the drive gave none."""

    at_seconds: float
    celsius: int | None


def heat_of(celsius: int | None, limits: HeatLimits) -> Heat:
    """How warm that is."""
    if celsius is None:
        return Heat.UNKNOWN
    if celsius >= limits.stop:
        return Heat.TOO_HOT
    if celsius >= limits.pause:
        return Heat.HOT
    return Heat.WARM if celsius >= limits.warn else Heat.FINE


def ask_again_after(readings: Sequence[Warmth], limits: HeatLimits) -> float | None:
    """Seconds after the last reading until the drive is asked again; None for never.

    Never sooner than `ASK_SOONEST_SECONDS`; later where it is fine and steady, or falls; where it
    rises, in half the time in which it would reach the next limit.
    """
    if len(readings) >= GIVE_UP_AFTER and all(one.celsius is None for one in readings[-GIVE_UP_AFTER:]):
        return None
    told = [(one.at_seconds, one.celsius) for one in readings if one.celsius is not None]
    if not told or len(told) < 2 or readings[-1].celsius is None:
        return ASK_SOONEST_SECONDS
    (then, before), (now, celsius) = told[-2:]
    if heat_of(celsius, limits) is not Heat.FINE:
        return ASK_SOONEST_SECONDS
    risen, took = celsius - before, now - then
    if risen <= STEADY_CELSIUS or took <= 0:
        far = limits.warn - celsius > 2 * STEADY_CELSIUS
        return ASK_LATEST_SECONDS if far else ASK_SOONEST_SECONDS
    reaches_in = (limits.warn - celsius) * took / risen
    return min(max(reaches_in / 2, ASK_SOONEST_SECONDS), ASK_LATEST_SECONDS)
