"""Closed cases for tests: typed by hand, drawn from tables, and tables with other shares."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal

import numpy as np
from hypothesis import strategies as st

from mendbay.core.figures import Figure
from mendbay.triage.belief import Asked, all_signs
from mendbay.triage.closed_cases import ClosedCase
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.tables import Seat, Tables
from mendbay.triage.worlds import Subject, Worlds

PACKAGED = packaged_tables()
BOX = Subject(("1", "2"), True)
DRIVE = Subject(("1",), False)


def case(
    number: int,
    *found: tuple[str, str],
    subject: Subject = BOX,
    sure: bool = True,
    answers: Mapping[Asked, str] | None = None,
) -> ClosedCase:
    told = tuple((asked.sign, asked.bay, said) for asked, said in (answers or {}).items())
    return ClosedCase(number, subject.bays, subject.box, found, sure, told)


def altered(faults: Mapping[str, float]) -> Tables:
    """The packaged tables with the shares of some faults so many times as large, and all brought to 1."""
    times = {one: faults.get(one, 1.0) for one in PACKAGED.faults}
    each = {one.id: float(one.first.value) * times[one.id] for one in PACKAGED.faults.values()}
    total = float(PACKAGED.sound.value) + sum(
        it * (2 if PACKAGED.faults[one].seat is Seat.BAY else 1) for one, it in each.items()
    )
    return replace(
        PACKAGED,
        faults={
            one.id: replace(one, first=_figure(each[one.id] / total)) for one in PACKAGED.faults.values()
        },
        sound=_figure(float(PACKAGED.sound.value) / total),
    )


def drawn(tables: Tables, subject: Subject, count: int, seed: int, first_number: int = 1) -> list[ClosedCase]:
    """So many cases as the tables say they are, each with the answers to some of its signs."""
    worlds, chance = Worlds(tables, subject), np.random.default_rng(seed)
    signs = all_signs(worlds)
    told = {one: worlds.likelihood(tables.signs[one.sign], one.bay) for one in signs}
    found = []
    for at, world in enumerate(chance.choice(worlds.count, count, p=worlds.prior).tolist()):
        broken = [worlds.places[one] for one in np.flatnonzero(worlds.faulty[world]).tolist()]
        asked = [signs[one] for one in chance.choice(len(signs), 6, replace=False).tolist()]
        answers = {
            one: tables.signs[one.sign].answers[int(chance.choice(told[one].shape[1], p=told[one][world]))].id
            for one in asked
        }
        faults = ((one.fault, one.bay) for one in broken)
        found.append(case(first_number + at, *faults, subject=subject, answers=answers))
    return found


def cases(most: int = 6) -> st.SearchStrategy[list[ClosedCase]]:
    """Any closed cases of boxes and of drives that came alone, with any answers."""
    return st.lists(st.one_of(_of(BOX), _of(DRIVE)), max_size=most).map(
        lambda found: [replace(one, number=at + 1) for at, one in enumerate(found)]
    )


def _of(subject: Subject) -> st.SearchStrategy[ClosedCase]:
    worlds = Worlds(PACKAGED, subject)
    answers = st.lists(st.sampled_from(all_signs(worlds)), unique=True, max_size=4).flatmap(
        lambda asked: st.fixed_dictionaries(
            {one: st.sampled_from([it.id for it in PACKAGED.signs[one.sign].answers]) for one in asked}
        )
    )
    found = st.lists(st.sampled_from(worlds.places), unique=True, max_size=2)
    return st.builds(
        lambda places, sure, said: case(
            0, *((one.fault, one.bay) for one in places), subject=subject, sure=sure, answers=said
        ),
        found,
        st.booleans(),
        answers,
    )


def _figure(value: float) -> Figure:
    return Figure(Decimal(value), "", "altered for a test")
