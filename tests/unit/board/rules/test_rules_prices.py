"""What guesses cost and what evidence counts: the two sides of whether a rule is believed."""

from __future__ import annotations

import random
import struct

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mendbay.board.rules.accept import accepted
from mendbay.board.rules.algorithm import Algorithm, Kind, Order
from mendbay.board.rules.changes import Changes, change_engines
from mendbay.board.rules.claims import (
    _APART_PRICE,
    _AT_ONCE,
    _BEFORE_PRICE,
    _GAP_PRICE,
    _GAPS,
    Guesses,
    _Keys,
)
from mendbay.board.rules.independent import Additive, Bitwise
from mendbay.board.rules.material import Material
from mendbay.board.rules.one_revision import Search
from mendbay.board.rules.probes import layouts
from mendbay.board.rules.rule import Hole
from mendbay.board.rules.scan import Hits
from mendbay.board.rules.search import learn

CRC16 = Algorithm(Kind.CRC, 16, polynomial=0x1021)


def with_directory(seed: int, rows: int, drive: int = 0) -> bytes:
    """Made-up bytes with a directory of blocks without checks; eight bytes of each block are the drive's."""
    source = random.Random(seed)
    dump = bytearray(source.randbytes(0x1000 + 220 * rows))
    place, table = 0x1000, b""
    for row in range(rows):
        length = source.randrange(150, 220)
        table += struct.pack("<HH", place, length)
        if drive:
            dump[place + 8 : place + 16] = random.Random(f"{drive} {row}").randbytes(8)
        place += length
    dump[0x100 : 0x100 + len(table)] = table
    return bytes(dump)


@pytest.mark.slow
@pytest.mark.parametrize("rows", [64, 128, 256])
def test_a_directory_of_blocks_without_checks_gives_no_rule(rows: int) -> None:
    assert learn([with_directory(rows, rows)]).rules == ()


def hits(width: int, held: int, rows: int) -> Hits:
    starts = 0x1000 + 64 * np.arange(held)
    return Hits(
        Algorithm(Kind.SUM, width, 1),
        Order.LITTLE,
        Hole.NONE,
        None,
        15.0,
        rows,
        starts,
        starts + 40,
        starts + 40,
        np.zeros(held),
        np.full(held, float(width)),
        np.ones(held, np.int64),
        np.ones(held, np.int64),
    )


@pytest.mark.parametrize(
    ("width", "held", "rows", "kept"),
    [
        (8, 4, 256, 0),  # as chance has it
        (8, 9, 256, 0),
        (8, 256, 256, 256),
        (8, 254, 256, 254),
        (8, 240, 256, 0),  # sixteen that fail would make eight bits of one row too few
        (16, 2, 256, 0),
        (16, 240, 256, 240),
        (32, 3, 3, 3),
        (32, 3, 30, 3),
    ],
)
def test_rows_that_do_not_hold_speak_against_all(width: int, held: int, rows: int, kept: int) -> None:
    assert len(accepted(hits(width, held, rows), 1)) == kept


@pytest.mark.parametrize("width", [8, 16, 24, 32])
def test_all_layouts_are_one_belief(width: int) -> None:
    assert sum(2.0**-one.price for one in layouts(width)) <= 1.0


def test_the_ways_a_value_may_lie_are_one_belief() -> None:
    behind = 2.0**-_AT_ONCE + len(_GAPS) * 2.0**-_GAP_PRICE  # a gap for each but nought, and one natural end
    assert behind + 2.0**-_BEFORE_PRICE + 2.0**-_APART_PRICE <= 1.0


@pytest.fixture(scope="module")
def guesses() -> Guesses:
    dumps = [np.frombuffer(with_directory(5, 128, drive), np.uint8) for drive in (1, 2)]
    material = Material(dumps)
    search = Search(material)
    return Guesses(Changes(material), search._edges, search._regions, np.zeros(material.size, np.bool_))


def test_all_regions_of_a_value_that_lies_apart_are_one_belief(guesses: Guesses) -> None:
    _, _, prices = guesses._regions
    assert prices.size > 100
    assert float((2.0**-prices).sum()) <= 1.0


def test_all_ends_ahead_of_a_value_are_one_belief(guesses: Guesses) -> None:
    starts = np.arange(0x1000, 0x5000, 0x333)
    index, _, prices = guesses._ends_ahead(starts, 2)
    sums = np.bincount(index, weights=2.0**-prices)
    assert sums.size == starts.size
    assert float(sums.max()) <= 1.0


@given(st.lists(st.integers(0, 5), min_size=1, max_size=400), st.data())
@settings(max_examples=60, deadline=None)
def test_the_nearest_classes_with_a_key_are_found_on_either_side(
    drawn: list[int], data: st.DataObject
) -> None:
    keys = np.array(drawn, np.uint64) << np.uint64(60)
    own = np.array(data.draw(st.lists(st.integers(0, len(drawn)), min_size=1, max_size=5)))
    wanted = np.array(data.draw(st.lists(st.integers(0, 6), min_size=own.size, max_size=own.size)), np.uint64)
    known = _Keys(keys)
    for side in ("before", "after"):
        index, classes = getattr(known, side)(wanted << np.uint64(60), own)
        for number, (key, here) in enumerate(zip(wanted.tolist(), own.tolist(), strict=True)):
            right = [at for at, one in enumerate(drawn) if one == key]
            expected = (
                [at for at in right if at < here][-64:]
                if side == "before"
                else [at for at in right if at > here][:64]
            )
            assert classes[index == number].tolist() == expected


def changes_of(rows: list[bytes]) -> Changes:
    return Changes(Material([np.frombuffer(one, np.uint8) for one in rows]))


def test_counted_drives_are_as_many_witnesses_as_their_numbers_are_independent() -> None:
    """Six drives numbered from 0 to 5: by exclusive or 3, 5 follow from 1, 2, 4; by addition all from 1."""
    rows = [bytes([drive]) + bytes(63) + bytes([drive ^ 0x55]) for drive in range(6)]
    changes = changes_of(rows)
    assert Bitwise(changes).fresh(0, 1) == [True, True, False, True, False]
    assert Additive(changes).fresh(0, 1) == [True, False, False, False, False]


@given(st.integers(0, 1 << 32))
@settings(max_examples=25, deadline=None)
def test_combinations_are_told_from_what_is_new(seed: int) -> None:
    source = np.random.default_rng(seed)
    first, one, two = source.integers(0, 64, (3, 40)).astype(np.uint8)
    new = source.integers(0, 64, 40).astype(np.uint8)
    bitwise = [first, first ^ one, first ^ two, first ^ one ^ two, first ^ new]
    assert Bitwise(changes_of([row.tobytes() for row in bitwise])).fresh(0, 30) == [True, True, False, True]
    wide = [first, first + one, first + two, first + one + two, first + new]
    assert Additive(changes_of([row.tobytes() for row in wide])).fresh(0, 30) == [True, True, False, True]


def test_evidence_counts_independent_changes_once() -> None:
    """A drive's number and its check: four drives change in two independent ways."""
    source = random.Random(3)
    code = source.randbytes(0x1000)
    dumps = []
    for drive in range(4):
        block = code[:0x800] + bytes([drive]) + code[0x801:0xFFE]
        dumps.append(block + CRC16.value(block).to_bytes(2, "little"))
    material = Material([np.frombuffer(one, np.uint8) for one in dumps])
    search = Search(material)
    changes = Changes(material)
    guesses = Guesses(changes, search._edges, search._regions, np.zeros(material.size, np.bool_))
    (engine,) = change_engines(changes, [(CRC16, 5.0)])
    assert guesses._evidence(engine, Order.LITTLE, 0, 1, 0xFFE) == 32.0
