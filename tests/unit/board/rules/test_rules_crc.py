"""The algebra of cyclic checks against a plain division, bit by bit."""

from __future__ import annotations

import numpy as np
import pytest

from mendbay.board.rules.crc import (
    Difference,
    Field,
    Remainders,
    remainder_gcd,
    reversed_bits,
    reversed_values,
)

FIELDS = [(0x07, 8), (0x1021, 16), (0x8005, 16), (0x04C11DB7, 32), (0x5D7A9E13, 32)]


def divided(data: bytes, polynomial: int, width: int) -> int:
    """Remainder of the bytes times x^width, one bit at a time."""
    state = 0
    for byte in data:
        for bit in range(7, -1, -1):
            top = (state >> (width - 1)) ^ (byte >> bit)
            state = (state << 1) & ((1 << width) - 1)
            if top & 1:
                state ^= polynomial
    return state


def some(size: int, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).integers(0, 256, size, dtype=np.uint8)


@pytest.mark.parametrize(("polynomial", "width"), FIELDS)
def test_remainders_of_regions(polynomial: int, width: int) -> None:
    data, field = some(3000), Field(polynomial, width)
    kept = Remainders(field, data)
    starts = np.array([0, 5, 1024, 7, 2999, *[0] * 5])
    ends = np.array([3000, 5, 2048, 1030, 3000, 0, 1, 1023, 1024, 1025])
    found = kept.between(starts, ends)
    for value, start, end in zip(found, starts, ends, strict=True):
        assert value == divided(data[start:end].tobytes(), polynomial, width)


def product(left: int, right: int, polynomial: int, width: int) -> int:
    """One bit at a time."""
    found = 0
    for bit in reversed(range(width)):
        found = (
            (found << 1)
            ^ (left if right >> bit & 1 else 0)
            ^ (found >> (width - 1)) * (1 << width | polynomial)
        )
    return found


@pytest.mark.parametrize(("polynomial", "width"), [*FIELDS, (0x864CFB, 24)])
@pytest.mark.parametrize("shape", [(7,), (1,), (3, 3000)], ids=str)
def test_products_are_those_of_the_field(polynomial: int, width: int, shape: tuple[int, ...]) -> None:
    source, field = np.random.default_rng(width), Field(polynomial, width)
    left, right = (source.integers(0, 1 << width, one, np.uint32) for one in ((shape[-1],), shape))
    right.reshape(-1)[-1] = left[-1] = field.mask  # as many carries as there can be
    found = field.times(left, right)
    assert (found.shape, found.dtype) == (shape, np.uint32)
    pairs = zip(np.broadcast_to(left, shape).reshape(-1).tolist(), right.reshape(-1).tolist(), strict=True)
    assert found.reshape(-1).tolist() == [product(one, two, polynomial, width) for one, two in pairs]
    assert (field.times(left[-1:], right) == field.times(right, left[-1:])).all()


@pytest.mark.parametrize(("polynomial", "width"), FIELDS)
def test_powers_undo_each_other(polynomial: int, width: int) -> None:
    field = Field(polynomial, width)
    places = np.array([0, 1, 2, 1023, 1024, 1025, 5_000_000])
    ones = field.times(field.power(places), field.inverse_power(places))
    assert (ones == 1).all()


@pytest.mark.parametrize("size", [0, 1, 256, 257, 4096, 70_001])
@pytest.mark.parametrize("start", [0, 0xFFFF])
def test_value_with_a_start(size: int, start: int) -> None:
    data, field = some(size), Field(0x1021, 16)
    begun = bytearray(data.tobytes())
    plain = divided(bytes(begun), 0x1021, 16)
    moved = int(field.times(np.array([start], np.uint32), field.power(np.array([size])))[0])
    assert field.value(data, start) == plain ^ moved


def test_difference_of_two_dumps() -> None:
    left, field = some(5000), Field(0x04C11DB7, 32)
    right = left.copy()
    right[[3, 1200, 1201, 4999]] ^= np.array([1, 0x80, 0x55, 2], np.uint8)
    places = np.flatnonzero(left != right)
    change = Difference(field, places, left[places] ^ right[places])
    starts, ends = np.array([0, 4, 1201, 10]), np.array([5000, 1300, 4999, 20])
    expected = Remainders(field, left).between(starts, ends) ^ Remainders(field, right).between(starts, ends)
    assert (change.between(starts, ends) == expected).all()


def test_reversal_is_its_own_inverse() -> None:
    data = some(256)
    assert (reversed_bits(reversed_bits(data)) == data).all()
    values = np.array([0x1, 0x80000000, 0x12345678], np.uint32)
    assert reversed_values(values, 32).tolist() == [0x80000000, 0x1, 0x1E6A2C48]
    assert reversed_values(np.array([0x1], np.uint32), 16).tolist() == [0x8000]


def test_common_divisor() -> None:
    polynomial = 1 << 16 | 0x1021

    def times(left: int, right: int) -> int:
        return 0 if not right else (left if right & 1 else 0) ^ times(left << 1, right >> 1)

    assert remainder_gcd(times(polynomial, 0b1011), times(polynomial, 0b1101)) == polynomial


@pytest.mark.parametrize(("polynomial", "width"), [(0x1020, 16), (0, 8), (0x1FF, 8)])
def test_impossible_polynomials_are_refused(polynomial: int, width: int) -> None:
    with pytest.raises(ValueError, match="polynomial"):
        Field(polynomial, width)
