"""Whether another adapter gives what one refused, counted within one drive's image.

Two adapters are told apart by what the technician calls them, whatever the case, spaces, hyphens and
underscores. A run of which nobody said the adapter may have gone through any.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from mendbay.core.coverage import Coverage, refused_alone
from mendbay.core.proportion import Proportion
from mendbay.core.span import SpanSet
from mendbay.imaging.lacking import Refusal

NOT_STATED = "not stated"
"""What stands for the adapter of a run where nobody named one."""
_SAME = re.compile(r"[\s_-]+")


def adapter_key(adapter: str) -> str:
    """What makes two adapters the same; empty where none is stated."""
    key = _SAME.sub("", adapter).casefold()
    return "" if key == _SAME.sub("", NOT_STATED) else key


def counts_for(adapter: str, present: str) -> bool:
    """Whether what went through `adapter` counts as tried through the present one; both are keys. Where
    either is not stated they may be the same: a failing drive is not tried anew for a name left out."""
    return adapter == present or not adapter or not present


def asked_anew(everywhere: Coverage, here: Coverage, most_tries: int) -> int:
    """How many refused sectors had all their tries and are tried again only because the adapter is new.

    Args:
        everywhere: with the tries of all adapters.
        here: with those that count for the present one.
        most_tries: of a sector.
    """
    spent = everywhere.refused_starts[everywhere.refused_tries >= most_tries]
    spent_here = here.refused_starts[here.refused_tries >= most_tries]
    return int(np.setdiff1d(spent, spent_here).size)


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
    unit_bytes: int = 0,
) -> tuple[SecondChance, ...]:
    """The counts for every two adapters of which one was asked for what the other refused, in order of names.

    A sector that an adapter refused and later gave counts as given through it. In whichever order the two
    were asked says nothing, so it is not asked.

    Args:
        refusals: every read not given; which sectors each speaks of: `core.coverage.refused_alone`.
        given_by_run: what each run gave.
        adapters: of each run.
    """
    names: dict[str, str] = {}
    for name in adapters.values():
        names.setdefault(adapter_key(name), name)
    refused: dict[str, list[tuple[int, int]]] = {key: [] for key in names}
    for one in refusals:
        refused[adapter_key(adapters[one.run])].append((one.span.start, one.span.stop))
    given = dict.fromkeys(names, SpanSet())
    for run, spans in given_by_run.items():
        key = adapter_key(adapters[run])
        given[key] = given[key] | spans
    starts = {
        key: np.unique(
            refused_alone(np.array(reads, dtype=np.int64).reshape(-1, 2), sector_bytes, unit_bytes)[0]
        )
        for key, reads in refused.items()
    }
    found = []
    for one_key in sorted(names):
        for other in sorted(names):
            if one_key == other:
                continue
            through = given[other].holds(starts[one_key])
            asked = int(np.count_nonzero(through | np.isin(starts[one_key], starts[other])))
            if asked:
                good = int(np.count_nonzero(through))
                found.append(SecondChance(names[one_key], names[other], good, asked))
    return tuple(found)
