"""What closed cases make of the tables: every share and chance keeps the table's value as a prior of some
strength, and moves with what was found.

Dirichlet distributions: the posterior mean of a share is (prior count + count) / (all prior counts + all
counts) (A. Gelman et al., Bayesian Data Analysis, 3rd edition, section 3.4; from memory). The faults of a box
and all others are told apart first, so that a drive that came alone, which cannot show a box's faults, moves
only the shares of the others among themselves.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

import numpy as np

from mendbay.core.figures import Figure
from mendbay.triage.closed_cases import SOUND, ClosedCase, Counts, counted, drives_of
from mendbay.triage.tables import Fault, Row, Seat, Tables
from mendbay.triage.worlds import Floats

_LEAST = Decimal("1e-9")
"""What learned numbers are rounded to, and never fall below."""


@dataclass(frozen=True, slots=True)
class Learned:
    """Tables with what closed cases taught, and what was counted."""

    tables: Tables
    counts: Counts


def learned_tables(tables: Tables, cases: Iterable[ClosedCase]) -> Learned:
    """The tables after some closed cases; exactly `tables` if none of them can count.

    Args:
        tables: the packaged ones, whose values are the prior.
        cases: in any order.
    """
    return learned_from(tables, counted(tables, cases))


def learned_from(tables: Tables, counts: Counts) -> Learned:
    """The same of cases that were counted before, from these tables."""
    if not counts.taken:
        return Learned(tables, counts)
    strength = float(tables.share_strength.value)
    faults, sound = _faults(tables, counts, strength)
    events, layouts = tables.happenings.values(), tables.layouts.values()
    of_events = _moved(
        [one.share for one in events],
        [counts.events.get(one.id, 0.0) for one in events],
        strength,
        counts.cases.get("events", 0),
    )
    of_layouts = _moved(
        [one.share for one in layouts],
        [counts.layouts.get(one.id, 0.0) for one in layouts],
        strength,
        counts.cases.get("layouts", 0),
    )
    signs = {
        one.id: replace(
            one, rows=tuple(_row(tables, counts, (one.id, at), row) for at, row in enumerate(one.rows))
        )
        for one in tables.signs.values()
    }
    changed = replace(
        tables,
        faults=faults,
        sound=sound,
        happenings={one.id: replace(one, share=it) for one, it in zip(events, of_events, strict=True)},
        layouts={one.id: replace(one, share=it) for one, it in zip(layouts, of_layouts, strict=True)},
        signs=signs,
    )
    return Learned(changed, counts)


def posterior_mean(prior: Sequence[float] | Floats, counts: Sequence[float] | Floats) -> Floats:
    """The posterior mean of shares.

    Args:
        prior: the parameters of the Dirichlet distribution, each above 0.
        counts: how often each was met, whole or expected.
    """
    posterior = np.asarray(prior, np.float64) + np.asarray(counts, np.float64)
    found: Floats = posterior / posterior.sum()
    return found


def _faults(tables: Tables, counts: Counts, strength: float) -> tuple[dict[str, Fault], Figure]:
    """The faults with their shares, and the share of nothing being broken; a drive's fault counts twice."""
    names = [SOUND, *tables.faults]
    before = np.array(
        [
            float(tables.faults[one].first.value) * drives_of(tables, one)
            if one
            else float(tables.sound.value)
            for one in names
        ]
    )
    whole = np.array([counts.whole.get(one, 0.0) for one in names])
    part = np.array([counts.part.get(one, 0.0) for one in names])
    of_box = np.array([one != SOUND and tables.faults[one].seat is Seat.BOX for one in names])
    shares = posterior_mean(strength * before, whole)
    rest = shares[~of_box].sum()
    shares[~of_box] = rest * posterior_mean((strength * before)[~of_box], (whole + part)[~of_box])
    figures = [tables.sound, *(one.first for one in tables.faults.values())]
    times = [1, *(drives_of(tables, one) for one in tables.faults)]
    new = _written(figures, (shares / times).tolist(), times, counts.cases.get("faults", 0))
    faults = {
        one.id: replace(one, first=first) for one, first in zip(tables.faults.values(), new[1:], strict=True)
    }
    return faults, new[0]


def _row(tables: Tables, counts: Counts, key: tuple[str, int], row: Row) -> Row:
    met = counts.rows.get(key)
    if met is None:
        return row
    strength = float(tables.row_strength.value)
    return replace(row, chances=_moved(row.chances, met, strength, counts.cases[key]))


def _moved(before: Sequence[Figure], met: Sequence[float], strength: float, cases: int) -> tuple[Figure, ...]:
    """Shares that add up to 1, after so many counts of each."""
    if not cases:
        return tuple(before)
    shares = posterior_mean([strength * float(one.value) for one in before], met)
    return _written(before, shares.tolist(), [1] * len(before), cases)


def _written(
    before: Sequence[Figure], values: Sequence[float], times: Sequence[int], cases: int
) -> tuple[Figure, ...]:
    """The figures with new values, rounded so that they still add up to 1, each counted so many times. One
    that did not move stays as it is."""
    rounded = [max(_LEAST, Decimal(one).quantize(_LEAST)) for one in values]
    spare = 1 - sum(one * often for one, often in zip(rounded, times, strict=True))
    single = [at for at, often in enumerate(times) if often == 1]
    moved = [at for at in single if abs(rounded[at] - before[at].value) > _LEAST]
    rounded[max(moved or single, key=lambda at: rounded[at])] += spare
    said = "1 closed case" if cases == 1 else f"{cases} closed cases"
    return tuple(
        old if value == old.value else Figure(value, old.unit, f"{old.source}, and {said} of this shop")
        for old, value in zip(before, rounded, strict=True)
    )
