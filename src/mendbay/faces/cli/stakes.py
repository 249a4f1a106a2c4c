"""What is at stake in a reading, as options of a command."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

from mendbay.imaging.going_on import HEAD_WORK_GIVES

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
