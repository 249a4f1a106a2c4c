"""`mendbay bench reckon`: what drives are likely to do, for the bench and for advice to customers."""

from __future__ import annotations

import click

from mendbay.faces import reckon_words
from mendbay.faces.cli.screen import Screen, wrapped

AFR = click.option(
    "--afr",
    type=click.FloatRange(0, 100, min_open=True, max_open=True),
    required=True,
    metavar="PERCENT",
    help="Share of such drives that fail within a year.",
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
    _say(screen, reckon_words.death(hours, afr))


@reckon.command(name="whole-read")
@click.option("--gb", type=click.IntRange(1, 100_000), required=True, help="Size as the drive is sold.")
@click.option(
    "--bits", type=click.IntRange(12, 18), default=14, show_default=True, help="One error in 10 to this many."
)
@click.pass_obj
def whole_read(screen: Screen, gb: int, bits: int) -> None:
    """How likely a drive read from end to end holds back at least one sector."""
    _say(screen, reckon_words.whole_read(gb, bits))


@reckon.command(name="mirror")
@click.option("--days", type=click.FloatRange(0, min_open=True), required=True, help="Until one is replaced.")
@AFR
@click.pass_obj
def mirror(screen: Screen, days: float, afr: float) -> None:
    """How long a mirror of two drives lasts until both are lost at once."""
    _say(screen, reckon_words.mirror(days, afr))


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
    _say(screen, reckon_words.go_on(hours, brings, costs, dies, at_risk))


def _say(screen: Screen, found: reckon_words.Reckoned) -> None:
    screen.answer({**found.facts, "basis": found.basis}, f"{wrapped(found.said)}\n{wrapped(found.basis)}")
