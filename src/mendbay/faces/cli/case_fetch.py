"""`mendbay case fetch`: what the customer of a case that is done is to fetch, and by when."""

from __future__ import annotations

import click

from mendbay.core.errors import UsageError
from mendbay.faces import wording
from mendbay.faces.cli.screen import Screen, wrapped
from mendbay.faces.fetch_words import fetch_sentences
from mendbay.jobs.fetch_things import ask_to_fetch, tell_fetching
from mendbay.wiring import open_bench


@click.command(name="fetch")
@click.argument("case", type=int)
@click.option("--by", "until", default="", metavar="DAY", help="The customer was asked to fetch by this day.")
@click.option("--none", "none", is_flag=True, help="No day is set any more.")
@click.pass_obj
def fetch(screen: Screen, case: int, until: str, none: bool) -> None:
    """Tell what the customer of CASE is to fetch, by when, and what keeping it costs.

    With --by it is put down by which day they were asked; the case then waits for them, and after that day
    asking once more is a step of the day's work. Nothing is charged, given away or destroyed by itself.
    """
    if until and none:
        raise UsageError("A day and --none exclude each other.", "Give one of them.")
    with open_bench(screen.home, tell=screen.tell) as bench:
        if until or none:
            ask_to_fetch(bench, case, until)
        told = tell_fetching(bench, case)
    lines = [wrapped(one) for one in fetch_sentences(told)]
    if told.things:
        lines.append(f"Next: {wording.called_as()} case message {case} fetch")
    if told.costs is not None and told.price is not None:
        lines.append(f"  or: {wording.called_as()} case quote {case} --line {told.price.id}={told.times}")
    facts = {
        "case": case,
        "things": [one.code for one in told.things],
        "until": told.until or None,
        "past": told.past,
        "each": told.price.low.text if told.price else None,
        "unit": told.price.unit if told.price else None,
        "invented": told.is_invented,
        "times": told.times,
        "costs": told.costs.text if told.costs else None,
    }
    screen.answer(facts, "\n".join(lines))


COMMANDS: tuple[click.Command, ...] = (fetch,)
