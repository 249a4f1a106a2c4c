"""How long lists, searches, turns and steps take in a shop with many cases, against one read of all of them.

`build_home` makes the home of such a shop, for other benchmarks as well: most cases closed, paid and with an
outcome; some open, of which some wait for an answer or a part, and some have images. The rows go straight
into the ledger's file, in one transaction, with bodies that the jobs themselves wrote.

usage: ./run bench ten_thousand_cases [CASES] [OPEN-SHARE]
"""

from __future__ import annotations

import json
import random
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from dataclasses import astuple, replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

from mendbay.case.agenda import WaitsFor
from mendbay.case.custody import CustodyEntry, append
from mendbay.case.items import Item, What, item_record
from mendbay.case.numbering import slug_of
from mendbay.case.outcome import DataBack, End, Found, Outcome, to_json
from mendbay.case.records import Bay, CaseKind, CaseState
from mendbay.core.clock import iso
from mendbay.core.note import NoteKind
from mendbay.core.source import Identity
from mendbay.jobs.agenda import known_agenda, tell_agenda, tell_turn
from mendbay.jobs.bill_case import How, make_bill, pay
from mendbay.jobs.case_list import CaseQuery, Sort, list_cases
from mendbay.jobs.case_steps import tell_steps
from mendbay.jobs.learn_triage import AT_CLOSING, OUTCOME, at_closing
from mendbay.jobs.quote_case import By, decide, make_quote
from mendbay.jobs.quote_lines import Wish
from mendbay.jobs.stationery_port import Stationery
from mendbay.jobs.take_in import take_in
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.tables import Seat
from mendbay.triage.worlds import Subject
from mendbay.wiring import open_bench

SEED = 20261129
OPEN_SHARE = 0.04
"""Of all cases; a tenth of that is handed back and not closed yet."""
IMAGES = 40
"""Cases at most that have image files: making a real one takes some milliseconds."""
IMAGE_BYTES = 1 << 20
WHO = "Ada"
FIRST = ("Quillmere", "Töpferei", "Straßen", "Oakhanger", "Ébène", "Brindle", "Łąka", "Fernlea", "Æther")
SECOND = ("Pottery", "Dental", "Bakery", "Archiv", "Records", "Joinery", "Café", "Studio", "Farm", "School")
KINDS = (
    (CaseKind.BOX,) * 12
    + (CaseKind.DRIVE,) * 4
    + (CaseKind.BOARD_REPAIR, CaseKind.ENQUIRY, CaseKind.NOT_SAID)
)
DRIVELESS = (CaseKind.BOARD_REPAIR, CaseKind.ENQUIRY)


def item_body(case: int, number: int, bay: str) -> str:
    return json.dumps(item_record(Item(case, number, What.DRIVE, bay=bay)))


class NoPaper(Stationery):
    """Papers of no words: the jobs only keep them."""

    def words(self, paper: str, facts: Mapping[str, Any]) -> str:
        return ""

    def pdf(self, paper: str, facts: Mapping[str, Any]) -> bytes:
        return b"%PDF"


def build_home(folder: Path, cases: int, seed: int = SEED, open_share: float = OPEN_SHARE) -> None:
    """Makes a shop's home with that many cases.

    Args:
        folder: made if it is not there; it must hold no ledger.
        open_share: how many of the cases are open or waiting, of all.
    """
    money = money_bodies()
    with open_bench(folder):
        pass  # the ledger is there, in its newest form
    shop = Shop(cases, random.Random(seed), open_share, money)
    for number in range(1, cases + 1):
        shop.add(number)
    ledger = sqlite3.connect(folder / "ledger.sqlite3", isolation_level=None)
    try:
        ledger.execute("BEGIN IMMEDIATE")
        for table, rows in shop.rows.items():
            marks = ", ".join("?" * len(rows[0]))
            ledger.executemany(f"INSERT INTO {table} VALUES ({marks})", rows)
        ledger.execute("COMMIT")
        ledger.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    finally:
        ledger.close()
    with open_bench(folder) as bench:
        for number, bay, serial in shop.pictured:
            drive = Identity("drive", f"bay {bay}", IMAGE_BYTES, 512, model="AL20-HX4", serial=serial)
            bench.images.create(bench.ledger.case(number), bay, drive).close()


def money_bodies() -> dict[str, tuple[str, str]]:
    """What the jobs note of a quote, the word on it, its bill and its payment, as kind and body."""
    with tempfile.TemporaryDirectory() as scratch, open_bench(Path(scratch)) as opened:
        bench = replace(opened, stationery=NoPaper())
        take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1"), Bay(0, "2")])
        make_quote(bench, 1, Wish(lines=(("swap-board", ""),), odds=False))
        decide(bench, 1, 1, True, By.PHONE)
        account, _ = make_bill(bench, 1, {"swap-board:picked-1": "200.00"})
        assert account.due is not None
        pay(bench, 1, account.due.digits, How.TRANSFER)
        notes = bench.notes.of(NoteKind.QUOTE, 1) + bench.notes.of(NoteKind.PAYMENT, 1)
        return {json.loads(one.body)["what"]: (str(one.kind), one.body) for one in notes}


class Shop:
    """The rows of a shop by table, case by case.

    Attributes:
        rows: by table, in the order in which tables are filled.
        pictured: cases and bays with an image file, and the drive's serial number.
    """

    def __init__(
        self, cases: int, chance: random.Random, open_share: float, money: dict[str, tuple[str, str]]
    ) -> None:
        self._cases, self._chance, self._open_share, self._money = cases, chance, open_share, money
        self._tables = packaged_tables()
        self._signs = list(self._tables.signs.values())
        self._faults = {
            seat: [one for one in self._tables.faults.values() if one.seat is seat] for seat in Seat
        }
        self._now = datetime.now(UTC).replace(microsecond=0)
        self._last: CustodyEntry | None = None
        self.rows: dict[str, list[tuple[Any, ...]]] = {
            one: [] for one in ("cases", "bays", "images", "events", "custody", "notes")
        }
        self.pictured: list[tuple[int, str, str]] = []

    def add(self, number: int) -> None:
        """One more case: the later its number, the later it was opened, and the likelier it is open."""
        pick = self._chance
        self._number, self._last, age = number, None, (self._cases - number) / max(1, self._cases)
        self._at = self._now - timedelta(days=5 + round(1500 * age) + pick.random())
        state = self._state(age)
        kind = pick.choice(KINDS)
        customer = f"{pick.choice(FIRST)} {pick.choice(SECOND)} {number % 97}"
        due = ""
        if state in (CaseState.OPEN, CaseState.WAITING) and pick.random() < 0.3:
            due = (self._now + timedelta(days=pick.randrange(-5, 30))).date().isoformat()
        self.rows["cases"].append(
            (number, slug_of(customer), iso(self._at), customer, f"{slug_of(customer)}@post.example",
             "Tarn T2, two bays" if kind is CaseKind.BOX else "one drive", '["*.jpg","*.xlsx"]', "",
             state.value, kind.value, due, "")
        )  # fmt: skip
        bays = () if kind in DRIVELESS else ("1",) if kind is CaseKind.DRIVE else ("1", "2")
        for bay in bays:
            serial = f"AH{number:05}-{bay}{pick.randrange(9999):04}"
            self.rows["bays"].append((number, bay, "AL20-HX4", serial, 2_000_398_934_016, 512, 4096, ""))
            self._custody("taken in", f"drive of bay {bay}: AL20-HX4 {serial}")
        self._event("take-in", "Taken in.")
        for bay in bays:
            self._note(NoteKind.ITEM, bay, "", item_body(number, int(bay), bay))
        self._answers(bays)
        if bays and pick.random() < 0.7:
            self._read(bays, state)
        if state is CaseState.CLOSED:
            self._ended(kind, bays)
        elif pick.random() < 0.5:
            self._quoted("quote", *(["word"] if state is not CaseState.WAITING else []))
        if state is CaseState.WAITING:
            body = {"for": str(pick.choice(("customer", "part"))), "what": "a word on the quote", "until": ""}
            self._note(NoteKind.WAITING, "case", "", json.dumps(body))

    def _state(self, age: float) -> CaseState:
        """Open cases are among the newest third, as far as they find room there."""
        pick, room = self._chance, max(1 / 3, self._open_share)
        if age > room or pick.random() > self._open_share / room:
            return CaseState.CLOSED
        drawn = pick.random()
        return CaseState.HANDED_BACK if drawn < 0.1 else CaseState.WAITING if drawn < 0.4 else CaseState.OPEN

    def _answers(self, bays: tuple[str, ...]) -> None:
        self._known: dict[tuple[str, str], str] = {}
        for sign in self._chance.sample(self._signs, self._chance.randrange(1, 5)):
            bay = self._chance.choice(bays) if sign.seat is Seat.BAY and bays else ""
            if bays and (sign.seat is Seat.BAY) == bool(bay):
                said = self._chance.choice(sign.answers).id
                self._known[sign.id, bay] = said
                self._note(NoteKind.SIGN, sign.id, bay, json.dumps({"answer": said}))
                self._event("triage", f"{sign.asks} {said}.")

    def _read(self, bays: tuple[str, ...], state: CaseState) -> None:
        for bay in bays:
            part = 1.0 if state is CaseState.CLOSED else self._chance.choice((0.2, 0.97, 1.0))
            size = 2_000_398_934_016
            read = int(size * part) // 512 * 512
            refused = 512 * self._chance.randrange(40) if part < 1 else 0
            begun, done = iso(self._at), iso(self._at + timedelta(hours=6))
            self.rows["images"].append(
                (self._number, bay, f"bay-{bay}.img", "USB bridge", begun, done, read, refused, 0,
                 max(0, size - read - refused), "")
            )  # fmt: skip
            self._event("imaging", f"Bay {bay} read.", {"bay": bay, "ending": "DONE"})
            if state is not CaseState.CLOSED and len(self.pictured) < IMAGES:
                self.pictured.append((self._number, bay, f"AH{self._number}"))
        self._custody("read", "both drives")

    def _ended(self, kind: CaseKind, bays: tuple[str, ...]) -> None:
        if kind not in DRIVELESS:
            self._quoted("quote", "word", "bill", "payment")
            self._event("hand-back", "Handed back.")
        pick = self._chance
        found = pick.choice(self._faults[Seat.BAY]) if bays else None
        broken = (Found(found.id, pick.choice(bays)),) if found else ()
        end = End.HANDED_BACK if bays else End.ANSWERED
        outcome = Outcome(broken, bool(found), bool(found) and pick.random() < 0.5, end, DataBack.ALL)
        self._note(NoteKind.OUTCOME, OUTCOME, "", to_json(outcome))
        if bays:
            body = at_closing(Subject(bays, len(bays) == 2), self._known)
            self._note(NoteKind.SUBJECT, AT_CLOSING, "", body)
        self._custody("closed", f"case {self._number}")
        self._event("closing", "Closed.")

    def _quoted(self, *steps: str) -> None:
        for step in steps:
            kind, body = self._money[step]
            if step == "quote":
                made = self._at + timedelta(days=1)
                told = {**json.loads(body), "day": made.date().isoformat()}
                told["valid_until"] = (made + timedelta(days=30)).date().isoformat()
                body = json.dumps(told, ensure_ascii=False)
            self._note(NoteKind(kind), "1", "", body)
            self._event(step, "Put down.")

    def _note(self, kind: NoteKind, subject: str, bay: str, body: str) -> None:
        rows = self.rows["notes"]
        rows.append((len(rows) + 1, self._number, bay, str(kind), subject, iso(self._at), WHO, body))

    def _event(self, kind: str, text: str, facts: dict[str, str] | None = None) -> None:
        rows = self.rows["events"]
        rows.append((len(rows) + 1, self._number, iso(self._at), kind, text, json.dumps(facts or {})))

    def _custody(self, what: str, item: str) -> None:
        self._last = append(self._last, self._number, iso(self._at), WHO, what, item)
        self.rows["custody"].append(astuple(self._last))


def timed(what: str, against: float, work: Callable[[], object], runs: int = 5) -> float:
    """The least of some runs, in seconds of the processor: other programs may be running."""
    seconds = []
    for _ in range(runs):
        begun = time.process_time()
        work()
        seconds.append(time.process_time() - begun)
    beside = f" {min(seconds) / against:8.2f} times the read" if against else ""
    print(f"{what:52} {1000 * min(seconds):8.1f} ms{beside}", flush=True)
    return min(seconds)


def main() -> None:
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    share = float(sys.argv[2]) if len(sys.argv) > 2 else OPEN_SHARE
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder) / "home"
        timed("building the home", 0.0, lambda: build_home(home, cases, SEED, share), runs=1)
        measure(home)


def measure(home: Path) -> None:
    """Prints how long the jobs of the pages take in a home that is there."""
    with open_bench(home) as bench:
        alone = timed("one read of all cases", 0.0, bench.ledger.cases)
        rest = [one.number for one in bench.ledger.case_lines() if one.state == CaseState.OPEN]
        print(f"{len(bench.ledger.case_lines())} cases, {len(rest)} open")
        timed("whose turn each is, nothing remembered", alone, lambda: tell_agenda(bench, steps=False), 1)
        timed("whose turn each is", alone, lambda: tell_agenda(bench, steps=False))
        for words, asked in (
            ("a page of the list", CaseQuery()),
            ("a page of the open ones", CaseQuery(states=frozenset({CaseState.OPEN}))),
            ("a page of 200", CaseQuery(rows=200)),
            ("a search for two words", CaseQuery("töpferei FARM")),
            ("a page of what waits for the customer", CaseQuery(waits_for=WaitsFor.CUSTOMER)),
            ("a page of late ones by deadline", CaseQuery(late=True, sort=Sort.DEADLINE)),
        ):
            timed(words, alone, partial(list_cases, bench, asked))
        timed("the steps of one case, not weighed", alone, lambda: tell_steps(bench, rest[-1]))
        timed("the turn of one case, weighed", alone, lambda: tell_turn(bench, rest[-1]), 1)
        timed("the turn of one case again", alone, lambda: tell_turn(bench, rest[-1]))
        timed("the day's work as far as it is known", alone, lambda: known_agenda(bench))


if __name__ == "__main__":
    main()
