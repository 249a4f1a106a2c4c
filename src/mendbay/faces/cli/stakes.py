"""What is at stake in a reading, as options of a command."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

from mendbay.core.errors import UsageError
from mendbay.core.money import Money
from mendbay.imaging.going_on import HEAD_WORK_GIVES, Stakes

_OPTIONS = (
    click.option(
        "--worth",
        metavar="AMOUNT",
        help="What all that is to be read is worth, for the advice to go on or stop.",
    ),
    click.option(
        "--bench-hour",
        metavar="AMOUNT",
        help="What an hour of the bench costs, however many drives it reads; beside --worth.",
    ),
    click.option(
        "--head-work-gives",
        type=click.FloatRange(0, 100),
        default=100 * HEAD_WORK_GIVES,
        show_default=True,
        metavar="PERCENT",
        help="How much of what is not read head work in a clean room may give; 0 where it is no option.",
    ),
)


def stakes_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Adds the options `worth`, `bench_hour` and `head_work_gives`."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def stakes_of(worth: str | None, bench_hour: str | None, head_work_gives: float) -> Stakes:
    """The stakes that the options state.

    Raises:
        UsageError: no amount, two currencies, or an hour's cost beside no worth.
    """
    if bench_hour and not worth:
        raise UsageError(
            "An hour of the bench cannot be weighed against data of which nobody says the worth.",
            "Add --worth AMOUNT, or leave --bench-hour out.",
        )
    of_data = Money.parse(worth) if worth else None
    of_hour = Money.parse(bench_hour, "" if of_data is None else of_data.currency) if bench_hour else None
    if of_data is not None and of_hour is not None and of_data.currency != of_hour.currency:
        raise UsageError(
            f"The worth is in {of_data.currency}, the hour in {of_hour.currency}.",
            "State both in one currency.",
        )
    return Stakes(of_data, of_hour, head_work_gives / 100)
