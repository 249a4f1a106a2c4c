"""What the next stretch of reading is expected to bring: sectors given and reads refused, from the planner's
own chances.

What is left is taken best first, as the planner takes it, until the time is full. A read of several sectors
that is refused is gone into where its parts are likely given, at a few refusals more: one each time it is cut
to the size that pays inside a refused range. What is not given then is asked for sector by sector at the end.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import count

_SEEK_SHARE = 0.02
"""As in the planner: a long way is begun with one seek."""


@dataclass(frozen=True, slots=True)
class Prospect:
    """Land that is alike.

    Attributes:
        score: by which the planner chooses.
        weight: of each of its sectors.
        sectors: how many.
        read_sectors: how many a read there asks for.
        chance: that such a read is given.
        single: that a single sector there is given.
    """

    score: float
    weight: float
    sectors: float
    read_sectors: int
    chance: float
    single: float


@dataclass(frozen=True, slots=True)
class Pace:
    """Times of a drive, in seconds; `refusal_cost` is the wait for a refusal and its wear."""

    command: float
    seek: float
    sector: float
    refusal: float
    refusal_cost: float


@dataclass(frozen=True, slots=True)
class Ahead:
    """What is expected of the next `seconds`: less than asked for if nothing is left to try then.

    `too_early`: so little was read that it says more of what was assumed than of the drive.
    """

    seconds: float
    wanted_sectors: float
    rest_sectors: float
    refusals: float
    too_early: bool = False


def look_ahead(
    prospects: Iterable[Prospect], pace: Pace, seconds: float, is_wanted: Callable[[float], bool]
) -> Ahead:
    """What comes of so many seconds.

    Args:
        is_wanted: whether sectors of a weight are among what is wanted.
    """
    numbers = count()  # so that no two in the heap are alike
    queue = [(-one.score, next(numbers), one) for one in prospects if one.score > 0]
    heapq.heapify(queue)
    left, wanted, rest, refusals = seconds, 0.0, 0.0, 0.0
    while queue and left > 0:
        _, _, one = heapq.heappop(queue)
        took, gained, refused = _whole(one, pace)
        part = min(1.0, left / took)
        left -= part * took
        refusals += part * refused
        if is_wanted(one.weight):
            wanted += part * gained
        else:
            rest += part * gained
        if one.read_sectors > 1 and one.sectors - gained > 0:
            after = _after(one, gained, pace)
            heapq.heappush(queue, (-after.score, next(numbers), after))
    return Ahead(seconds - max(0.0, left), wanted, rest, refusals)


def _after(one: Prospect, gained: float, pace: Pace) -> Prospect:
    """What is asked for alone once all else there was tried: the more was refused, the less are these the few
    bad ones."""
    sectors = one.sectors - gained
    chance = max(1e-6, one.single * sectors / one.sectors)
    score = one.weight * chance / (pace.command + pace.seek + (1 - chance) * pace.refusal_cost)
    return Prospect(min(score, one.score), one.weight, sectors, 1, chance, chance)


def _whole(one: Prospect, pace: Pace) -> tuple[float, float, float]:
    """Seconds, sectors given and refusals if all of it is tried once."""
    size = max(1, min(one.read_sectors, math.ceil(one.sectors)))
    reads = one.sectors / size
    smaller = max(2.0, math.sqrt(pace.refusal_cost / pace.command))
    cuts = max(1.0, math.log(size) / math.log(smaller)) if size > 1 else 0.0
    mended = one.single ** max(
        1.0, size / smaller
    )  # that a part, cut once, is given whole: damage is lone then
    gained = one.chance * size + (1 - one.chance) * mended * (size - 1)
    refused = (1 - one.chance) * (1 + mended * cuts)
    seek = pace.seek * max(_SEEK_SHARE, min(1.0, size / one.sectors))
    took = pace.command + seek + gained * pace.sector + refused * pace.refusal
    return reads * took, reads * gained, reads * refused
