"""What drives are likely to do, reckoned and said in words, for every face."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from mendbay.core.capacity import standard_sectors
from mendbay.core.loss_odds import (
    HOURS_OF_A_YEAR,
    death_chance,
    going_on_gains,
    mean_hours,
    pair_hours_to_data_loss,
    unreadable_chance,
)
from mendbay.core.quantity import count_text

BOUND = (
    "This takes drives that fail at random. One that ails dies sooner, and two of one box fail together more "
    "often: take it as the least."
)


@dataclass(frozen=True, slots=True)
class Reckoned:
    """
    Args:
        facts: the numbers.
        said: them in a sentence.
        basis: what they rest on.
    """

    facts: Mapping[str, object]
    said: str
    basis: str


def death(hours: float, afr: float) -> Reckoned:
    """How likely a drive dies within so many hours, if so many per cent fail within a year."""
    mean = mean_hours(afr / 100)
    chance = death_chance(hours, mean)
    said = (
        f"{_percent(chance)} within {hours:g} h: of such drives {afr:g} % fail in a year, so one lasts "
        f"{count_text(round(mean))} h on average."
    )
    return Reckoned({"chance": chance, "mean_hours": mean}, said, BOUND)


def whole_read(gigabytes: int, bits: int) -> Reckoned:
    """How likely a drive of so many gigabytes holds back a sector, at one error in 10 to so many bits."""
    size = standard_sectors(gigabytes, 512) * 512 if gigabytes > 50 else gigabytes * 10**9
    chance = unreadable_chance(size, 10.0**bits)
    said = (
        f"{_percent(chance)} for {count_text(size)} bytes, at one error in 10^{bits} bits as makers state it."
    )
    return Reckoned({"chance": chance, "size_bytes": size}, said, "Errors of one drive come in clusters.")


def mirror(days: float, afr: float) -> Reckoned:
    """How long a mirror lasts, if a failed drive is replaced within so many days."""
    mean = pair_hours_to_data_loss(mean_hours(afr / 100), 24 * days)
    five = death_chance(5 * HOURS_OF_A_YEAR, mean)
    said = (
        f"{count_text(round(mean / HOURS_OF_A_YEAR))} years on average, {_percent(five)} within five years, "
        f"if a failed drive is replaced within {days:g} days."
    )
    return Reckoned({"years": mean / HOURS_OF_A_YEAR, "chance_in_five_years": five}, said, BOUND)


def go_on(hours: float, brings: float, costs: float, dies: float, at_risk: float) -> Reckoned:
    """Whether reading on is worth what the drive's death would cost; `dies` is per cent an hour."""
    gains = going_on_gains(hours, brings, costs, dies / 100, at_risk)
    said = f"{'Go on' if gains > 0 else 'Stop'}: {hours:g} h more are expected to gain {gains:.2f}."
    return Reckoned(
        {"go_on": gains > 0, "gains": gains}, said, "One step looked ahead; own model, no source."
    )


def _percent(chance: float) -> str:
    """With three significant digits: these chances are often far below 1 %."""
    return f"{100 * chance:.3g} %"
