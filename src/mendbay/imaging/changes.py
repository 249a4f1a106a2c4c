"""How much of what is known around a place has changed since it was last looked at.

A score holds until this says otherwise: one more sector given among thousands moves it by less than what the
choice between two reads turns on, and scoring every piece anew after every read would cost more than reading.
"""

from __future__ import annotations

import math

from mendbay.imaging.given_places import REGION

MUCH = 0.05
"""When a figure of the whole drive has changed by this share, every score is stale (own choice from simulated
trials, no source)."""
_MANY_SECTORS = REGION // 16
_REFUSALS = 8
"""A region is looked at anew with every eighth part more of it refused."""


class Changes:
    """Counts what came in, region by region.

    Args:
        sectors: how many the drive has.
    """

    def __init__(self, sectors: int) -> None:
        regions = sectors // REGION + 3  # one more at each end: neighbours of the border
        self._states = [0] * regions
        self._given = [0] * regions
        self._refused = [0] * regions
        self._since = [0] * regions
        self._epoch = 0
        self._drive: tuple[float, ...] = ()

    def state(self, at: int) -> int:
        """A number that grows whenever what is known around a place has changed much."""
        region = at // REGION
        return self._epoch + self._states[region] + self._states[region + 1] + self._states[region + 2]

    def given(self, at: int, sectors: int) -> None:
        """Notes that so many sectors were given."""
        region = at // REGION + 1
        self._given[region] += sectors
        if self._given[region] >= _MANY_SECTORS:
            self._given[region] = 0
            self._states[region] += 1

    def refused(self, at: int) -> None:
        """Notes a refusal."""
        region = at // REGION + 1
        self._refused[region] += 1
        self._since[region] += 1
        if self._since[region] * _REFUSALS >= self._refused[region]:
            self._since[region] = 0
            self._states[region] += 1

    def here(self, at: int) -> None:
        """Notes that everything known around a place is to be looked at anew."""
        self._states[at // REGION + 1] += 1

    def everywhere(self) -> None:
        """Notes that everything is to be looked at anew."""
        self._epoch += 1

    def of_the_drive(self, *figures: float) -> bool:
        """Notes figures that hold for the whole drive, all above 0; whether one of them changed much since
        everything was last looked at anew, which it then is to be."""
        if len(self._drive) == len(figures) and all(
            abs(math.log(now / then)) <= MUCH for now, then in zip(figures, self._drive, strict=True)
        ):
            return False
        self._drive = figures
        self._epoch += 1
        return True
