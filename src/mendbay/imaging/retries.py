"""The chance that a refused sector is given the next time: counted per number of tries and per place."""

from __future__ import annotations

from collections import defaultdict

_TRIES_STRENGTH = 4.0
_PLACE_STRENGTH = 4.0


class Retries:
    """Outcomes of asking again.

    Args:
        assumed_share: the chance assumed before any retry was made.
        place_sectors: sectors that are counted together; heads and scratches make places differ.
    """

    def __init__(self, assumed_share: float, place_sectors: int) -> None:
        self._assumed = assumed_share
        self._place = place_sectors
        self._by_tries: dict[int, list[int]] = defaultdict(lambda: [0, 0])
        self._by_place: dict[int, list[int]] = defaultdict(lambda: [0, 0])

    def note(self, at: int, tries: int, success: bool) -> None:
        """Notes the outcome of asking again for sector `at`, refused `tries` times before."""
        for counts in (self._by_tries[tries], self._by_place[at // self._place]):
            counts[0 if success else 1] += 1

    def chance(self, at: int, tries: int) -> float:
        """Chance that sector `at`, refused `tries` times, is given the next time; between 0 and 1."""
        good, bad = self._by_tries.get(tries, (0, 0))
        share = (good + _TRIES_STRENGTH * self._assumed) / (good + bad + _TRIES_STRENGTH)
        good, bad = self._by_place.get(at // self._place, (0, 0))
        return (good + _PLACE_STRENGTH * share) / (good + bad + _PLACE_STRENGTH)
