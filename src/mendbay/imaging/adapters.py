"""Whether another adapter gives what one refused, counted within one drive's image.

Two adapters are told apart by what the technician calls them, whatever the case and the spaces.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from mendbay.core.proportion import Proportion
from mendbay.core.span import Int64s, SpanSet
from mendbay.imaging.lacking import Refusal

PRIOR_SECTORS = 4.0
"""How many sectors the assumed share of good retries counts for, as in `imaging.odds` (own choice)."""


def adapter_key(adapter: str) -> str:
    """What makes two adapters the same."""
    return " ".join(adapter.split()).casefold()


@dataclass(frozen=True, slots=True)
class SecondChance:
    """Of `asked` sectors that `refused_through` refused alone and that were asked for through `given_through`
    too, `given` were given."""

    refused_through: str
    given_through: str
    given: int
    asked: int

    @property
    def share(self) -> Proportion:
        """As a proportion with its interval."""
        return Proportion(self.given, self.asked)


def second_chances(
    refusals: Iterable[Refusal],
    given_by_run: Mapping[int, SpanSet],
    adapters: Mapping[int, str],
    sector_bytes: int,
) -> tuple[SecondChance, ...]:
    """The counts for every two adapters of which one was asked for what the other refused, in order of names.

    A sector that an adapter refused and later gave counts as given through it. In whichever order the two
    were asked says nothing, so it is not asked.

    Args:
        refusals: every read not given; those of more than one sector say nothing about their sectors.
        given_by_run: what each run gave.
        adapters: of each run.
    """
    names: dict[str, str] = {}
    for name in adapters.values():
        names.setdefault(adapter_key(name), name)
    refused: dict[str, list[int]] = {key: [] for key in names}
    for one in refusals:
        if one.span.length <= sector_bytes:
            refused[adapter_key(adapters[one.run])].append(one.span.start)
    given = dict.fromkeys(names, SpanSet())
    for run, spans in given_by_run.items():
        key = adapter_key(adapters[run])
        given[key] = given[key] | spans
    starts = {key: np.unique(np.array(places, dtype=np.int64)) for key, places in refused.items()}
    found = []
    for one_key in sorted(names):
        for other in sorted(names):
            if one_key == other:
                continue
            through = _inside(given[other], starts[one_key])
            asked = int(np.count_nonzero(through | np.isin(starts[one_key], starts[other])))
            if asked:
                good = int(np.count_nonzero(through))
                found.append(SecondChance(names[one_key], names[other], good, asked))
    return tuple(found)


def chance_through(chances: Iterable[SecondChance], adapter: str, assumed: float) -> float:
    """The chance that a sector which other adapters refused is given through this one: the mean of a Beta
    estimate over all of them, drawn towards `assumed` where little was counted."""
    mine = [one for one in chances if adapter_key(one.given_through) == adapter_key(adapter)]
    given, asked = sum(one.given for one in mine), sum(one.asked for one in mine)
    return (given + PRIOR_SECTORS * assumed) / (asked + PRIOR_SECTORS)


def _inside(spans: SpanSet, places: Int64s) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    if not spans or not places.size:
        return np.zeros(places.size, dtype=bool)
    at = np.searchsorted(spans.starts, places, side="right") - 1
    return (at >= 0) & (places < spans.stops[np.maximum(at, 0)])
