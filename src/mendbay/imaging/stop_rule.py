"""Whether to go on reading a failing drive, reckoned one step ahead.

Going on for one more hour is worth it while

    worth of what the hour will bring  >  cost of the hour + (1 - exp(-hazard)) * worth of what is at stake

At stake is what is unread and still wanted, and only if another way (head work in a clean room) could bring
it: a drive that will not be worked on otherwise loses nothing by being read until it dies. Own model, no
source. Amounts are in the shop's currency or in any other unit, as long as all are in the same.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum


class Advice(StrEnum):
    """What the numbers say."""

    GO_ON = "go on"
    STOP = "stop"
    STOP_AT_ONCE = "stop at once"
    """Another way is open, and by the hour more is put at risk than can be gained."""


@dataclass(frozen=True, slots=True)
class Prospect:
    """What is known of a reading when the question is asked.

    Attributes:
        bytes_per_hour: how many wanted bytes another hour is expected to bring.
        value_per_byte: what one of them is worth.
        bench_cost_per_hour: what the bench costs.
        hazard_per_hour: chance by the hour, refusals included, that the drive is lost (a rate, 1/h).
        unread_value: worth of what is unread and still wanted.
        other_way: whether another way, such as head work in a clean room, could still bring it.
    """

    bytes_per_hour: float
    value_per_byte: float
    bench_cost_per_hour: float
    hazard_per_hour: float
    unread_value: float
    other_way: bool


@dataclass(frozen=True, slots=True)
class Reckoning:
    """The advice and the numbers it rests on.

    Attributes:
        advice: what follows.
        gain: worth of what the step is expected to bring.
        bench_cost: of the step.
        risk: expected loss in the step of what is at stake.
        break_even_value: worth of the unread at which going on and stopping are equal; infinite where nothing
            is at stake.
    """

    advice: Advice
    gain: float
    bench_cost: float
    risk: float
    break_even_value: float


def reckon(prospect: Prospect, hours: float = 1.0) -> Reckoning:
    """Weighs the next step.

    Args:
        hours: length of the step.

    Raises:
        ValueError: a number is negative or not finite, or the step has no length.
    """
    numbers = (
        prospect.bytes_per_hour,
        prospect.value_per_byte,
        prospect.bench_cost_per_hour,
        prospect.hazard_per_hour,
        prospect.unread_value,
    )
    if not all(math.isfinite(one) and one >= 0 for one in numbers):
        raise ValueError(f"a number of the prospect is negative or not finite: {prospect}")
    if not (math.isfinite(hours) and hours > 0):
        raise ValueError(f"a step of {hours} hours cannot be weighed")
    gain_rate = prospect.bytes_per_hour * prospect.value_per_byte
    gain, cost = gain_rate * hours, prospect.bench_cost_per_hour * hours
    lost = -math.expm1(-prospect.hazard_per_hour * hours)
    risk = lost * prospect.unread_value if prospect.other_way else 0.0
    advice = Advice.GO_ON if gain > cost + risk else Advice.STOP
    if prospect.other_way and prospect.hazard_per_hour * prospect.unread_value > gain_rate:
        advice = Advice.STOP_AT_ONCE
    at_stake = prospect.other_way and lost > 0
    return Reckoning(advice, gain, cost, risk, max(0.0, gain - cost) / lost if at_stake else math.inf)


def hazard_per_hour(powered: float, by_refusal: float, refusals_per_hour: float) -> float:
    """The rate at which a drive is lost, time and refusals together.

    Args:
        powered: by the powered hour alone.
        by_refusal: by one refusal.
        refusals_per_hour: how many there are lately.
    """
    return powered + by_refusal * refusals_per_hour
