"""Running totals against the plain algorithms."""

from __future__ import annotations

import numpy as np
import pytest

from mendbay.board.rules.algorithm import Algorithm, Order, lanes, stored_value, swapped
from mendbay.board.rules.engines import crc_engines, engine_for, sum_algorithms

DATA = np.random.default_rng(3).integers(0, 256, 5003, dtype=np.uint8)


@pytest.mark.parametrize("algorithm", [one for one, _ in sum_algorithms()], ids=lambda one: one.name)
def test_every_sum_of_any_region(algorithm: Algorithm) -> None:
    engine = engine_for([DATA], algorithm)
    starts = np.array([0, 1, 2, 3, 1001])
    ends = starts + np.array([5000, 4, 400, 4000, 0])
    raw = engine.raw(0, starts, ends)
    for variant in engine.variants:
        found = engine.finished(variant, raw, ends - starts)
        assert found.tolist() == [variant.value(DATA[a:b]) for a, b in zip(starts, ends, strict=True)]


@pytest.mark.parametrize("width", [8, 16, 32])
def test_every_cyclic_variant_of_two_dumps(width: int) -> None:
    other = DATA.copy()
    other[[7, 2000]] ^= 0x41
    for engine in crc_engines([DATA, other], {8: 0x31, 16: 0x8005, 32: 0x1EDC6F41}[width], width, 0.0):
        starts, ends = np.array([0, 5, 1999]), np.array([5003, 8, 2500])
        for dump, data in enumerate((DATA, other)):
            raw = engine.raw(dump, starts, ends)
            for variant in engine.variants:
                found = engine.finished(variant, raw, ends - starts)
                assert found.tolist() == [variant.value(data[a:b]) for a, b in zip(starts, ends, strict=True)]


def test_stored_values_in_every_order() -> None:
    data = np.array([0x11, 0x22, 0x33, 0x44], np.uint8)
    found = {order: stored_value(data, 0, 32, order) for order in Order}
    assert found == {
        Order.LITTLE: 0x44332211,
        Order.BIG: 0x11223344,
        Order.SWAPPED_LITTLE: 0x33441122,
        Order.SWAPPED_BIG: 0x22114433,
    }
    for order in Order:
        assert sorted(lanes(32, order)) == [0, 8, 16, 24]


def test_a_swapped_view_keeps_a_broken_last_group() -> None:
    assert swapped(np.arange(7, dtype=np.uint8), 4).tolist() == [3, 2, 1, 0, 4, 5, 6]
