"""`mendbay bench reckon`: what drives are likely to do, for the bench and for advice to customers."""

from __future__ import annotations

import click

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
from mendbay.faces.cli.screen import Screen, wrapped

AFR = click.option(
    "--afr",
    type=click.FloatRange(0, 100, min_open=True, max_open=True),
    required=True,
    metavar="PERCENT",
    help="Share of such drives that fail within a year.",
)
BOUND = (
    "This takes drives that fail at random. One that ails dies sooner, and two of one box fail together more "
    "often: take it as the least."
)


@click.group(name="reckon")
def reckon() -> None:
    """Reckon how likely drives fail or hold back a sector, and when to stop reading."""


@reckon.command(name="death")
@click.option("--hours", type=click.FloatRange(0), required=True, help="How long it runs.")
@AFR
@click.pass_obj
def death(screen: Screen, hours: float, afr: float) -> None:
    """How likely a drive dies while it is read for so many hours."""
    mean = mean_hours(afr / 100)
    chance = death_chance(hours, mean)
    said = (
        f"{_percent(chance)} within {hours:g} h: of such drives {afr:g} % fail in a year, so one lasts "
        f"{count_text(round(mean))} h on average."
    )
    _say(screen, {"chance": chance, "mean_hours": mean}, said, BOUND)


@reckon.command(name="whole-read")
@click.option("--gb", type=click.IntRange(1, 100_000), required=True, help="Size as the drive is sold.")
@click.option(
    "--bits", type=click.IntRange(12, 18), default=14, show_default=True, help="One error in 10 to this many."
)
@click.pass_obj
def whole_read(screen: Screen, gb: int, bits: int) -> None:
    """How likely a drive read from end to end holds back at least one sector."""
    size = standard_sectors(gb, 512) * 512 if gb > 50 else gb * 10**9
    chance = unreadable_chance(size, 10.0**bits)
    said = (
        f"{_percent(chance)} for {count_text(size)} bytes, at one error in 10^{bits} bits as makers state it."
    )
    _say(screen, {"chance": chance, "size_bytes": size}, said, "Errors of one drive come in clusters.")


@reckon.command(name="mirror")
@click.option("--days", type=click.FloatRange(0, min_open=True), required=True, help="Until one is replaced.")
@AFR
@click.pass_obj
def mirror(screen: Screen, days: float, afr: float) -> None:
    """How long a mirror of two drives lasts until both are lost at once."""
    mean = pair_hours_to_data_loss(mean_hours(afr / 100), 24 * days)
    five = death_chance(5 * HOURS_OF_A_YEAR, mean)
    said = (
        f"{count_text(round(mean / HOURS_OF_A_YEAR))} years on average, {_percent(five)} within five years, "
        f"if a failed drive is replaced within {days:g} days."
    )
    _say(screen, {"years": mean / HOURS_OF_A_YEAR, "chance_in_five_years": five}, said, BOUND)


@reckon.command(name="go-on")
@click.option("--hours", type=click.FloatRange(0, min_open=True), default=1.0, show_default=True)
@click.option("--brings", type=click.FloatRange(0), required=True, help="Worth of what an hour brings.")
@click.option("--costs", type=click.FloatRange(0), required=True, help="Of an hour of the bench.")
@click.option("--dies", type=click.FloatRange(0, 100), required=True, help="Per cent an hour that it dies.")
@click.option(
    "--at-risk", type=click.FloatRange(0), required=True, help="Worth of what a clean room could still save."
)
@click.pass_obj
def go_on(screen: Screen, hours: float, brings: float, costs: float, dies: float, at_risk: float) -> None:
    """Whether reading on is worth what the drive's death would cost; a clean room being the other way."""
    gains = going_on_gains(hours, brings, costs, dies / 100, at_risk)
    said = f"{'Go on' if gains > 0 else 'Stop'}: {hours:g} h more are expected to gain {gains:.2f}."
    _say(screen, {"go_on": gains > 0, "gains": gains}, said, "One step looked ahead; own model, no source.")


def _percent(chance: float) -> str:
    """With three significant digits: these chances are often far below 1 %."""
    return f"{100 * chance:.3g} %"


def _say(screen: Screen, facts: dict[str, object], said: str, basis: str) -> None:
    screen.answer({**facts, "basis": basis}, f"{wrapped(said)}\n{wrapped(basis)}")
