"""How long a search takes among a million invented boards, against ranking them one by one.

usage: ./run bench donor_search [BOARDS]
"""

from __future__ import annotations

import resource
import statistics
import sys
import time
from dataclasses import replace

import numpy as np

from mendbay.board.description import BoardDescription
from mendbay.board.match import Alternative, Wanted, rank
from mendbay.board.stock import Condition, Kind, StockItem, StockState
from mendbay.board.stock_index import StockIndex
from mendbay.board.swap_odds import Attribute, Purpose, SwapOdds, packaged_priors

SAMPLE = 20_000
QUERIES = 48
ROUNDS = 5
VALUES = {
    Attribute.BOARD_NUMBER: (5000, "BX-{:04d}-02", 0.02),
    Attribute.REVISION: (12, "rev {}", 0.3),
    Attribute.CONTROLLER: (400, "CT{}", 0.2),
    Attribute.MOTOR_DRIVER: (150, "MD{}", 0.2),
    Attribute.FAMILY: (300, "family {}", 0.1),
    Attribute.MODEL: (8000, "AL-{}-HX", 0.1),
    Attribute.FIRMWARE: (3000, "FW{:04d}", 0.2),
    Attribute.SITE: (9, "site {}", 0.3),
    Attribute.HEADS_MAP: (60, "map {}", 0.7),
}
"""How many values each marking has, how they are written, and which share is not known. Popular values are
far commoner than others, as on real shelves."""

Table = dict[Attribute, list[str]]


def invented(boards: int) -> tuple[Table, dict[str, list[str]]]:
    chance = np.random.default_rng(20261125)
    texts: Table = {}
    for attribute, (count, form, unknown) in VALUES.items():
        words = [form.format(one) for one in range(count)] + [""]
        places = np.minimum((count * chance.random(boards) ** 2).astype(int), count - 1)
        places[chance.random(boards) < unknown] = count
        texts[attribute] = [words[one] for one in places.tolist()]
    days = chance.integers(0, 6000, boards)
    dates = [str(np.datetime64("2005-01-01") + day) for day in range(6000)]
    known = chance.random(boards) > 0.2
    made_on = [dates[day] if is_known else "" for day, is_known in zip(days, known, strict=True)]
    kinds = [str(tuple(Kind)[one]) for one in (chance.random(boards) < 0.2).astype(int)]
    worn = chance.choice(5, boards, p=(0.4, 0.4, 0.05, 0.1, 0.05))
    conditions = [str(tuple(Condition)[one]) for one in worn]
    states = [str(tuple(StockState)[one]) for one in chance.choice(3, boards, p=(0.8, 0.05, 0.15))]
    return texts, {"made_on": made_on, "kinds": kinds, "conditions": conditions, "states": states}


def board(texts: Table, other: dict[str, list[str]], row: int) -> BoardDescription:
    named = {attribute.name.lower(): column[row] for attribute, column in texts.items()}
    return BoardDescription(**named, made_on=other["made_on"][row])


def item(texts: Table, other: dict[str, list[str]], row: int) -> StockItem:
    state = StockState(other["states"][row])
    return StockItem(
        row + 1,
        Kind(other["kinds"][row]),
        board(texts, other, row),
        condition=Condition(other["conditions"][row]),
        state=state,
        case=0 if state is StockState.FREE else 1,
    )


def queries(texts: Table, other: dict[str, list[str]], boards: int) -> list[Wanted]:
    """Patients like some board of the stock, or like none, known in full or in part, for both purposes."""
    chance = np.random.default_rng(7)
    made: list[Wanted] = []
    for at in range(QUERIES):
        patient = board(texts, other, int(chance.integers(boards)))
        if at % 6 == 1:
            patient = BoardDescription(board_number=patient.board_number or "BX-0001-02")
        if at % 6 == 2:
            patient = replace(patient, board_number="ZZ-NONE")
        if at % 6 == 3:
            patient = replace(patient, made_on="", site="", firmware="")
        if at % 6 == 4:
            patient = BoardDescription()
        others = [f"BX-{one:04d}-02" for one in chance.integers(0, 5000, at % 12).tolist()]
        alternatives = tuple(
            Alternative(Attribute.BOARD_NUMBER, patient.board_number, one)
            for one in others
            if patient.board_number
        )
        made.append(Wanted(patient, tuple(Purpose)[at % 2], alternatives=alternatives, case=at % 3))
    return made


def main() -> None:
    boards = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    texts, other = invented(boards)
    before, started = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, time.perf_counter()
    index = StockIndex.from_columns(
        range(1, boards + 1), texts, cases=[int(one != "free") for one in other["states"]], **other
    )
    loading = time.perf_counter() - started
    grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) * 1024
    print(f"{boards} boards: loaded in {loading:.2f} s; {index.bytes_held / 1e6:.0f} MB held,")
    print(f"  {index.bytes_held / boards:.0f} bytes a board; {grown / 1e6:.0f} MB more while loading")

    odds = {one: SwapOdds(one, packaged_priors()) for one in Purpose}
    wanted = queries(texts, other, boards)
    taken: list[list[float]] = [[] for _ in wanted]
    busy: list[list[float]] = [[] for _ in wanted]
    for _ in range(ROUNDS):
        for at, one in enumerate(wanted):
            started, started_cpu = time.perf_counter(), time.process_time()
            index.search(one, odds[one.purpose])
            taken[at].append(1000 * (time.perf_counter() - started))
            busy[at].append(1000 * (time.process_time() - started_cpu))
    print(f"{QUERIES} searches, {ROUNDS} rounds, ms (median query, slowest query, slowest single search)")
    for name, spent in (("on the clock", taken), ("of the processor", busy)):
        middle = [statistics.median(one) for one in spent]
        slowest = f"{max(middle):7.1f}{max(map(max, spent)):7.1f}"
        print(f"  {name:18}{statistics.median(middle):7.1f}{slowest}")

    sample = [item(texts, other, row) for row in range(min(SAMPLE, boards))]
    small = StockIndex.from_items(sample)
    naive = columns = 0.0
    for one in wanted[:12]:
        started = time.perf_counter()
        by_hand = rank(one, sample, odds[one.purpose])
        naive += time.perf_counter() - started
        started = time.perf_counter()
        found = small.search(one, odds[one.purpose])
        columns += time.perf_counter() - started
        assert found.fitting == tuple(match.item.number for match in by_hand.fitting)
    print(f"{len(sample)} boards, 12 searches: one by one {naive:.2f} s, in columns {columns:.3f} s,")
    print(f"  {naive / columns:.0f} times as fast, same order")

    started = time.perf_counter()
    for number in range(1, 2001):
        index.set_state(number, StockState.RESERVED, 9)
    print(f"reserving one board: {(time.perf_counter() - started) / 2000 * 1e6:.1f} us; ", end="")
    started = time.perf_counter()
    index.add(replace(sample[0], number=boards + 1))
    print(f"adding the first one more: {1000 * (time.perf_counter() - started):.1f} ms; ", end="")
    started = time.perf_counter()
    for number in range(boards + 2, boards + 502):
        index.add(replace(sample[0], number=number))
    print(f"each of the next: {1000 * (time.perf_counter() - started) / 500:.2f} ms")
    print("Next: the aim for a million boards is under 50 ms a search.")


if __name__ == "__main__":
    main()
