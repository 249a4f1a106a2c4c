"""Bad stretches, gathered from what was refused: how long they are and how much inside them is refused."""

from __future__ import annotations

from mendbay.imaging.density import Density
from mendbay.imaging.given_places import GivenPlaces
from mendbay.imaging.runs import BadRuns

_BREAK_SECTORS = 32
"""So many given sectors in between, and two refusals belong to different stretches."""
_FAR_SECTORS = 65_536
_LEAST_REFUSALS = 3
_LEAST_RANGES = 2
# Own choice: single errors dominate, few have company so near (Schroeder, Damouras, Gill, FAST 2010).


def learn_runs(runs: BadRuns, damage: Density, given: GivenPlaces) -> None:
    """Estimates the chain of good and bad stretches from all refusals so far."""
    marks = sorted([*((at, at + 1) for at in damage.bad), *damage.ranges])
    lengths: list[float] = []
    singles = inside = 0
    first = 0
    for index in range(1, len(marks) + 1):
        if index < len(marks) and _together(marks[index - 1], marks[index], given):
            continue
        group = marks[first:index]
        first = index
        alone = [start for start, stop in group if stop - start == 1]
        if len(group) >= _LEAST_REFUSALS or len(group) - len(alone) >= _LEAST_RANGES:
            lengths.append(group[-1][1] - group[0][0])
            if len(alone) >= _LEAST_REFUSALS:
                singles += len(alone)
                inside += given.count(alone[0], alone[-1])
    runs.learn(max(0.0, damage.tried_sectors - sum(lengths)), lengths, singles, inside)


def _together(one: tuple[int, int], other: tuple[int, int], given: GivenPlaces) -> bool:
    gap = other[0] - one[1]
    if gap <= _BREAK_SECTORS:
        return True
    return gap < _FAR_SECTORS and given.count(one[1], other[0]) < _BREAK_SECTORS
