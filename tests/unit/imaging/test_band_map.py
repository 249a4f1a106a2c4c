"""How far the bands found are believed: by what they foretold."""

from __future__ import annotations

import pytest

from mendbay.imaging.band_map import BandMap


def test_bands_that_foretell_what_neighbours_do_not_are_believed() -> None:
    bands = BandMap()
    assert bands.trust < 0.5  # a fit has to show first that it is worth something
    for _ in range(4):
        bands.weigh(by_bands=0.95, by_chain=0.4, given=True)
        bands.weigh(by_bands=0.05, by_chain=0.4, given=False)
    assert bands.trust > 0.9


def test_bands_that_are_mistaken_are_left_and_can_win_trust_again() -> None:
    bands = BandMap()
    for _ in range(50):
        bands.weigh(by_bands=0.95, by_chain=0.2, given=False)
    assert bands.trust < 0.03
    for _ in range(20):
        bands.weigh(by_bands=0.9, by_chain=0.4, given=True)
    assert bands.trust > 0.9


def test_what_both_foretell_alike_moves_nothing() -> None:
    bands = BandMap()
    before = bands.trust
    bands.weigh(by_bands=0.7, by_chain=0.7, given=True)
    bands.weigh(by_bands=0.999, by_chain=0.98, given=True)  # both were sure
    assert bands.trust == pytest.approx(before)
