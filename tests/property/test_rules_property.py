"""Learned rules under random parameters, and family files under random damage."""

from __future__ import annotations

import json
from itertools import pairwise
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from mendbay.board.rules.algorithm import Algorithm, Kind, Order, stored_value, swapped
from mendbay.board.rules.crc import Field
from mendbay.board.rules.engines import engine_for
from mendbay.board.rules.family import Family
from mendbay.board.rules.judge import judge
from mendbay.board.rules.rule import joined
from mendbay.board.rules.search import learn
from mendbay.board.rules.solve import start_and_final
from mendbay.core.errors import BadFormFile

widths = st.sampled_from([8, 16, 32])


@st.composite
def cyclic(draw: st.DrawFn) -> Algorithm:
    width = draw(widths)
    values = st.integers(0, (1 << width) - 1)
    return Algorithm(
        Kind.CRC,
        width,
        polynomial=draw(values) | 1,
        initial=draw(values),
        final=draw(values),
        reflected=draw(st.booleans()),
        swap=draw(st.sampled_from([1, 2, 4])),
    )


@given(cyclic(), st.binary(min_size=1, max_size=300), st.data())
@settings(max_examples=60, deadline=None)
def test_any_region_of_any_cyclic_check(algorithm: Algorithm, data: bytes, draw: st.DataObject) -> None:
    taken = swapped(np.frombuffer(data, np.uint8), algorithm.swap)
    start = draw.draw(st.integers(0, len(data)).map(lambda at: at - at % algorithm.swap))
    engine = engine_for([taken], algorithm)
    starts, ends = np.array([start]), np.array([len(data)])
    found = engine.finished(algorithm, engine.raw(0, starts, ends), ends - starts)
    assert int(found[0]) == algorithm.value(data[start:])


@given(cyclic(), st.lists(st.integers(1, 5000), min_size=3, max_size=5, unique=True))
@settings(max_examples=60, deadline=None)
def test_start_and_final_value_are_solved(algorithm: Algorithm, lengths: list[int]) -> None:
    field = Field(algorithm.polynomial, algorithm.width)
    powers = field.power(np.array(lengths))
    moved = field.times(powers, np.array([algorithm.initial], np.uint32))
    values = [int(one) ^ algorithm.final for one in moved]
    solved = start_and_final(field, lengths, values)
    assert solved is not None
    start, final = solved
    again = field.times(powers, np.array([start], np.uint32))
    assert [int(one) ^ final for one in again] == values


@given(st.lists(st.tuples(st.integers(0, 60), st.integers(0, 20)), max_size=8))
def test_joined_ranges_hold_the_same_bytes(rows: list[tuple[int, int]]) -> None:
    spans = [(start, start + length) for start, length in rows]
    found = joined(spans)
    assert {byte for a, b in found for byte in range(a, b)} == {
        byte for a, b in spans for byte in range(a, b)
    }
    assert all(left[1] < right[0] for left, right in pairwise(found))


@given(st.binary(min_size=4, max_size=4), st.sampled_from(list(Order)), widths)
def test_orders_permute_bytes(data: bytes, order: Order, width: int) -> None:
    value = stored_value(np.frombuffer(data, np.uint8), 0, width, order)
    assert sorted(value.to_bytes(width // 8, "big")) == sorted(data[: width // 8])


BASE = json.loads(learn([bytes(range(256)) * 4]).to_json())
values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=5,
)


@given(st.sampled_from(sorted(BASE)), values)
@settings(max_examples=60, deadline=None)
def test_a_damaged_file_is_refused_or_usable(key: str, value: Any) -> None:
    try:
        family = Family.from_json(json.dumps({**BASE, key: value}))
    except BadFormFile:
        return
    judge(family, bytes(family.size))


@given(st.binary(min_size=64, max_size=200), st.integers(0, 2))
@settings(max_examples=4, deadline=None)
def test_any_bytes_can_be_learned_from(data: bytes, more: int) -> None:
    dumps = [data, *(bytes(byte ^ (more + i) for byte in data) for i in range(more))]
    family = learn(dumps)
    for rule in family.rules:
        assert any(rule.holds(one) for one in dumps)
    assert Family.from_json(family.to_json()) == family
