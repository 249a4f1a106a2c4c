"""How long the day's work takes to be told, against listing the cases alone.

A ledger of invented cases of which some are open, each with answers of its own to triage; a third of the open
ones waits. Timed in one run, in seconds of the processor since other programs may be running: listing all
cases, whose turn each is, the day's work with nothing worked out before, the same again, and the same after
one case was answered for. What counts are the ratios.

usage: ./run bench agenda [CASES] [OPEN]
"""

from __future__ import annotations

import json
import random
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from mendbay.case.agenda import WaitsFor
from mendbay.case.items import Item, What, Where
from mendbay.case.records import Bay, CaseState, Intake
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.agenda import tell_agenda
from mendbay.jobs.bench import Bench
from mendbay.jobs.keep_items import write_item
from mendbay.jobs.triage_case import answer
from mendbay.jobs.waiting import wait
from mendbay.triage.belief import Asked
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.tables import Seat
from mendbay.wiring import open_bench

SEED = 20261128


def fill(bench: Bench, cases: int, unfinished: int) -> None:
    chance = random.Random(SEED)
    signs = list(packaged_tables().signs.values())
    with bench.ledger.together():
        for number in range(1, cases + 1):
            bench.ledger.open_case(Intake(bench.now(), "Quillmere Pottery", box="two-bay box"))
            for bay in ("1", "2"):
                bench.ledger.add_bay(Bay(number, bay))
            if number <= cases - unfinished:
                bench.ledger.amend_case(number, state=CaseState.CLOSED)
                for bay in ("1", "2"):
                    write_item(bench, Item(number, int(bay), What.DRIVE, bay=bay, where=Where.CUSTOMER))
    for number in range(cases - unfinished + 1, cases + 1):
        for sign in chance.sample(signs, 4):
            bay = chance.choice(("1", "2")) if sign.seat is Seat.BAY else ""
            said = json.dumps({"answer": chance.choice(sign.answers).id})
            bench.notes.add(Note(number, bay, NoteKind.SIGN, sign.id, bench.now(), bench.who, said))
        if number % 3 == 0:
            wait(bench, number, WaitsFor.CUSTOMER, "a word")


def timed(what: str, against: float, work: Callable[[], object]) -> float:
    begun = time.process_time()
    work()
    seconds = time.process_time() - begun
    beside = f" {seconds / against:8.1f} times the list" if against else ""
    print(f"{what:44} {seconds:8.3f} s{beside}", flush=True)
    return seconds


def main() -> None:
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    unfinished = int(sys.argv[2]) if len(sys.argv) > 2 else 200
    with tempfile.TemporaryDirectory() as folder:
        with open_bench(Path(folder)) as bench:
            fill(bench, cases, unfinished)
        with open_bench(Path(folder)) as bench:
            print(f"{cases} cases, {unfinished} of them open, a third of those waiting")
            alone = timed("listing all cases", 0.0, bench.ledger.cases)
            timed("whose turn each is", alone, lambda: tell_agenda(bench, steps=False))
            whole = timed("the day's work, nothing worked out before", alone, lambda: tell_agenda(bench))
            weighed = unfinished - unfinished // 3
            print(
                f"  {1000 * whole / weighed:.0f} ms a case weighed ({weighed}), reading the tables included"
            )
            timed("the day's work again", alone, lambda: tell_agenda(bench))
            answer(bench, next_open(bench), Asked("adapter-volts"), "right")
            timed("the day's work, one case answered for", alone, lambda: tell_agenda(bench))


def next_open(bench: Bench) -> int:
    return tell_agenda(bench, steps=False).agenda.entries[0].case.number


if __name__ == "__main__":
    main()
