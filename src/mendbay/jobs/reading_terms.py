"""What a person sets for a reading: how often to try, and what is at stake."""

from __future__ import annotations

from dataclasses import replace

from mendbay.core.errors import UsageError
from mendbay.core.money import Money
from mendbay.imaging.assumptions import Assumptions
from mendbay.imaging.going_on import Stakes
from mendbay.imaging.hazard import Condition


def assumptions(tries: int | None) -> Assumptions:
    """The planner's assumptions of a drive of which nobody says more, and the person's own limit of tries."""
    base = Assumptions.of(Condition.REFUSES)
    return base if tries is None else replace(base, most_tries=tries)


def stakes_of(worth: str | None, bench_hour: str | None, head_work_gives: float) -> Stakes:
    """The stakes of a reading.

    Args:
        worth: an amount of money, None or empty where nobody says.
        bench_hour: an amount; counts only beside a worth.
        head_work_gives: percent.

    Raises:
        UsageError: no amount, two currencies, or an hour's cost beside no worth.
    """
    if bench_hour and not worth:
        raise UsageError(
            "An hour of the bench cannot be weighed against data of which nobody says the worth.",
            "Say what it is worth too, or leave the cost of an hour out.",
        )
    of_data = Money.parse(worth) if worth else None
    of_hour = Money.parse(bench_hour, "" if of_data is None else of_data.currency) if bench_hour else None
    if of_data is not None and of_hour is not None and of_data.currency != of_hour.currency:
        raise UsageError(
            f"The worth is in {of_data.currency}, the hour in {of_hour.currency}.",
            "State both in one currency.",
        )
    return Stakes(of_data, of_hour, head_work_gives / 100)
