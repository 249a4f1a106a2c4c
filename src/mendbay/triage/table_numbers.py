"""Every number of the tables with its origin, what closed cases counted for it, and what it became."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from mendbay.core.figures import Figure
from mendbay.triage.closed_cases import SOUND
from mendbay.triage.learned import Learned
from mendbay.triage.tables import Chance, Scope, Sign, Step, Tables, Term

FAULTS, EVENTS, LAYOUTS, STEPS = "faults", "events", "layouts", "steps"


@dataclass(frozen=True, slots=True)
class Number:
    """
    Args:
        topic: `faults`, `events`, `layouts`, `steps`, or a sign.
        entry: what it is of: a fault, an event, a step, or the conditions of a row (empty: always).
        part: which number of it, or for a row which answer.
        packaged, now: what the table says, and what it is for the next case.
        counted: how often it was met in closed cases, in whole and part cases; None for numbers that do not
            learn.
    """

    topic: str
    entry: str
    part: str
    packaged: Figure
    now: Figure
    counted: float | None = None


def topics(tables: Tables) -> tuple[str, ...]:
    """What numbers there are of."""
    return (FAULTS, EVENTS, LAYOUTS, STEPS, *tables.signs)


def numbers(packaged: Tables, learned: Learned) -> tuple[Number, ...]:
    """All numbers, in the order of the files."""
    return (
        *_of_faults(packaged, learned),
        *_of_layouts(packaged, learned),
        *_of_events(packaged, learned),
        *(one for sign in packaged.signs.values() for one in _of_sign(sign, learned)),
        *_of_steps(packaged),
    )


def _of_faults(packaged: Tables, learned: Learned) -> Iterator[Number]:
    counts, now = learned.counts, learned.tables
    yield Number(FAULTS, "strength", "cases", packaged.share_strength, now.share_strength)
    yield Number(FAULTS, "nothing broken", "share", packaged.sound, now.sound, counts.of_fault(SOUND))
    for one in packaged.faults.values():
        new = now.faults[one.id]
        yield Number(FAULTS, one.id, "first", one.first, new.first, counts.of_fault(one.id))
        yield Number(FAULTS, one.id, "besides", one.besides, new.besides)


def _of_layouts(packaged: Tables, learned: Learned) -> Iterator[Number]:
    for one in packaged.layouts.values():
        new = learned.tables.layouts[one.id].share
        yield Number(LAYOUTS, one.id, "share", one.share, new, learned.counts.layouts.get(one.id, 0.0))


def _of_events(packaged: Tables, learned: Learned) -> Iterator[Number]:
    for one in packaged.happenings.values():
        new = learned.tables.happenings[one.id]
        yield Number(EVENTS, one.id, "share", one.share, new.share, learned.counts.events.get(one.id, 0.0))
        for fault, times in one.times.items():
            yield Number(EVENTS, one.id, f"times {fault}", times, new.times[fault])


def _of_sign(sign: Sign, learned: Learned) -> Iterator[Number]:
    for at, row in enumerate(sign.rows):
        met = learned.counts.rows.get((sign.id, at), [0.0] * len(sign.answers))
        new = learned.tables.signs[sign.id].rows[at]
        for place, answer in enumerate(sign.answers):
            yield Number(
                sign.id, _when(row.when), answer.id, row.chances[place], new.chances[place], met[place]
            )


def _of_steps(packaged: Tables) -> Iterator[Number]:
    yield Number(STEPS, "a minute", "cost", packaged.minute_cost, packaged.minute_cost)
    for step in packaged.steps.values():
        for part, figure in _figures_of(step):
            yield Number(STEPS, step.id, part, figure, figure)


def _figures_of(step: Step) -> Iterator[tuple[str, Figure]]:
    yield "minutes", step.minutes
    yield "money", step.money
    for fault, figure in step.fixes.items():
        yield f"fixes {fault}", figure
    yield from _chances("solves", step.solves)
    yield from _chances("harm", step.harm)


def _chances(what: str, chances: tuple[Chance, ...]) -> Iterator[tuple[str, Figure]]:
    for one in chances:
        when = _when(one.when)
        yield (f"{what} if {when}" if when else what), one.chance


def _when(terms: tuple[Term, ...]) -> str:
    """Conditions as the tables write them."""
    return ", ".join(
        f"{'' if one.holds else 'not '}{'' if one.scope is Scope.OWN else f'{one.scope}:'}{one.name}"
        for one in terms
    )
