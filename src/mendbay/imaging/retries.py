"""The chance that a refused sector is given the next time: counted per number of tries and per place, and by
adapter where only others refused it."""

from __future__ import annotations

from collections import defaultdict

from mendbay.imaging.adapter_odds import AdapterOdds

ELSEWHERE = 255
"""Stands for the number of tries of a sector that was refused through other adapters only."""
_TRIES_STRENGTH = 4.0
_PLACE_STRENGTH = 4.0


class Retries:
    """Outcomes of asking again.

    Args:
        assumed_share: the chance assumed before any retry was made.
        place_sectors: sectors that are counted together; heads and scratches make places differ.
        elsewhere: of sectors refused through other adapters only.
    """

    def __init__(
        self, assumed_share: float, place_sectors: int, elsewhere: AdapterOdds | None = None
    ) -> None:
        self.elsewhere = elsewhere or AdapterOdds("", {}, {})
        self._assumed = assumed_share
        self._place = place_sectors
        self._by_tries: dict[int, list[int]] = defaultdict(lambda: [0, 0])
        self._by_place: dict[int, list[int]] = defaultdict(lambda: [0, 0])

    def note(self, at: int, tries: int, success: bool) -> None:
        """Notes the outcome of asking again for sector `at`, refused `tries` times before."""
        if tries == ELSEWHERE:
            self.elsewhere.note(at, success)
        for counts in (self._by_tries[tries], self._by_place[at // self._place]):
            counts[0 if success else 1] += 1

    def chance(self, at: int, tries: int) -> float:
        """Chance that sector `at`, refused `tries` times, is given the next time; between 0 and 1."""
        share = self.elsewhere.chance(at) if tries == ELSEWHERE else self._share(tries)
        good, bad = self._by_place.get(at // self._place, (0, 0))
        return (good + _PLACE_STRENGTH * share) / (good + bad + _PLACE_STRENGTH)

    def likely(self, most_tries: int) -> float:
        """The highest chance of a sector refused before, places left out."""
        return max(self.elsewhere.best, *(self._share(tries) for tries in range(1, max(2, most_tries))))

    def _share(self, tries: int) -> float:
        good, bad = self._by_tries.get(tries, (0, 0))
        return (good + _TRIES_STRENGTH * self._assumed) / (good + bad + _TRIES_STRENGTH)
