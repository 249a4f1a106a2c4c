"""Stretches in which nearly everything is bad: a two-state chain along the addresses.

A place lies in a good or in a bad stretch; walking along, a bad one is entered with chance `enter` and left
with chance `leave` a sector. What is known at the nearest decided places on both sides then gives, in closed
form, the chance that a whole read stays in the good state (the bridge of a two-state Markov chain).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from mendbay.imaging.chain_fit import ChainFit

GOOD_SECTORS, _BAD_SECTORS = 400_000.0, 1_500.0
_SHARE_REFUSED = 0.9
# Mean lengths of good and bad stretches and the share refused inside a bad one, before anything is known:
# own choice from simulated trials, no source. They are soon outweighed by what the drive shows.
LIMIT = 12.0
"""Log odds are held within this much: nothing a drive says is certain."""
GOOD_SECTOR_ODDS = 0.998


@dataclass(frozen=True, slots=True)
class Sign:
    """What a decided place says about the state there.

    Attributes:
        start, stop: the place, in sectors.
        log_odds: bad against good; below zero if it was given.
    """

    start: int
    stop: int
    log_odds: float


class BadRuns:
    """The chain, with what was learned about this drive.

    Args:
        good_sectors, bad_sectors: mean lengths of stretches before anything is known.

    Attributes:
        enter, leave: chances by the sector of walking into a bad stretch, and out of one.
        stationary: share of the drive that lies in bad stretches.
        refused_share: chance that a sector inside one is refused.
    """

    def __init__(self, good_sectors: float = GOOD_SECTORS, bad_sectors: float = _BAD_SECTORS) -> None:
        self.enter = 1 / good_sectors
        self.leave = 1 / bad_sectors
        self.refused_share = _SHARE_REFUSED
        self._settle()

    def _settle(self) -> None:
        self.stationary = self.enter / (self.enter + self.leave)

    def take(self, found: ChainFit) -> None:
        """Goes on with another estimate of the chain."""
        self.enter, self.leave = found.enter, found.leave
        self.refused_share = found.refused_share
        self._settle()

    def given_sign(self, start: int, stop: int) -> Sign:
        """The sign of sectors that were given."""
        each = math.log((1 - self.refused_share) / GOOD_SECTOR_ODDS)
        return Sign(start, stop, max(-LIMIT, (stop - start) * each))

    def refused_sign(self, start: int, stop: int, density: float) -> Sign:
        """The sign of a refused read, where single bad sectors have the given density."""
        if stop - start == 1:
            return Sign(start, stop, math.log(self.refused_share / min(0.3, max(0.004, density))))
        return Sign(start, stop, math.log(1 / min(0.9, max(0.02, density * (stop - start)))))

    def fade(self, bad: float, sectors: float) -> float:
        """Chance of the bad state `sectors` away from a place where it has chance `bad`."""
        level = self.stationary
        return level + (bad - level) * math.exp(-(self.enter + self.leave) * sectors)

    def message(self, at: int, outward: list[Sign]) -> float:
        """Chance of the bad state at `at`, from the signs on one side of it, nearest first."""
        bad = self.stationary
        place: int | None = None
        for sign in reversed(outward):
            near, far = (sign.stop, sign.start) if sign.stop <= at else (sign.start, sign.stop)
            if place is not None:
                bad = self.fade(bad, abs(far - place))
            if sign.log_odds > 0:  # somewhere in a refused range a bad stretch may have begun
                bad = self.fade(bad, sign.stop - sign.start)
            bad = _moved(bad, sign.log_odds)
            place = near
        return bad if place is None else self.fade(bad, abs(at - place))

    def stays(self, sectors: int, before: float, behind: float) -> tuple[float, float]:
        """Chances that a read lies wholly in the good state, and wholly in the bad one.

        Args:
            sectors: length of the read.
            before, behind: chance of the bad state at its start, from the signs before it; and at its
                end, from the signs behind it.
        """
        enter, leave, level = self.enter, self.leave, self.stationary
        gone = math.exp(-(enter + leave) * sectors)
        from_good, from_bad = 1 - before, before
        to_good, to_bad = (1 - behind) / (1 - level), behind / level
        all_ways = from_good * ((1 - level + level * gone) * to_good + level * (1 - gone) * to_bad)
        all_ways += from_bad * ((level + (1 - level) * gone) * to_bad + (1 - level) * (1 - gone) * to_good)
        good = from_good * math.exp(-enter * sectors) * to_good
        bad = from_bad * math.exp(-leave * sectors) * to_bad
        return good / all_ways, bad / all_ways


def _moved(chance: float, log_odds: float) -> float:
    """A chance after evidence of the given log odds."""
    chance = min(1 - 1e-9, max(1e-9, chance))
    now = math.log(chance / (1 - chance)) + log_odds
    return 1 / (1 + math.exp(-max(-LIMIT, min(LIMIT, now))))
