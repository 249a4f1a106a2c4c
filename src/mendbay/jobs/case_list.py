"""The list of cases: searched, narrowed, sorted, and told a page at a time.

All cases are looked through for it, as lines; what else a page tells is read of the cases on it alone.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import zip_longest

from mendbay.case.agenda import Entry, WaitsFor
from mendbay.case.items import parse_code
from mendbay.case.records import Bay, Case, CaseKind, CaseLine, CaseState, Image
from mendbay.core.errors import UsageError
from mendbay.core.serials import plain_serial
from mendbay.jobs.agenda import money_book, turns_of
from mendbay.jobs.bench import Bench
from mendbay.jobs.ledger_port import Sort
from mendbay.jobs.money_standing import MoneyBook
from mendbay.jobs.said_serials import TELLS_SERIALS

ROWS, MOST_ROWS = 25, 200
"""Of a page: unless told otherwise, and at most."""
LEAST_OF_SERIAL = 6
"""Characters of a word from which it is looked for among the serial numbers in pictures, if there is a digit
among them (own choice: a shorter one is part of too many)."""
MOST_WEIGHED = 20
"""Bays of which it is weighed what their pictures show, the newest cases first: a word that more of them hold
is no serial number of one drive (own choice)."""
MOST_WORDS = 12
"""Of a search (own choice: the more words, the fewer cases)."""
MOST_CHARACTERS = 200
"""Of a search (own choice)."""


LEAST_DIALLED = 8
"""Digits from which a search is taken for a telephone number; of one with the code of a country so many at
its end are looked for, as others may write it without (own choice)."""
_DIALLED = re.compile(r"[+\d(][\d\s()/.-]*")
CASE_WORDS = frozenset({"case", "cases", "no", "no.", "number"})
"""What people write before the number of a case."""


@dataclass(frozen=True, slots=True)
class CaseQuery:
    """Which cases are asked for.

    Args:
        words: separated by blanks; each stands somewhere in number, customer, contact or what came in, or in
            model or serial number of a bay, in upper or lower case; or is the code of a thing of the case; or
            is a serial number, or much of one, that pictures of a bay show with near certainty. The number
            of a case may begin with zeros, as on papers, and a telephone number be written in any way.
        states: of which; empty for all.
        kind: None for any.
        waits_for: only those whose turn it is, of cases that are not done with; None for any.
        late: only those that are late.
        page: from 1.
        rows: of a page.

    Raises:
        UsageError: the search is too long, or there is no such page.
    """

    words: str = ""
    states: frozenset[CaseState] = frozenset()
    kind: CaseKind | None = None
    waits_for: WaitsFor | None = None
    late: bool = False
    sort: Sort = Sort.NEWEST
    page: int = 1
    rows: int = ROWS

    def __post_init__(self) -> None:
        if len(self.words) > MOST_CHARACTERS or len(self.words.split()) > MOST_WORDS:
            raise UsageError(
                "The search is too long.",
                f"Use at most {MOST_WORDS} words, {MOST_CHARACTERS} characters in all.",
            )
        if not 1 <= self.page < 2**31 or not 1 <= self.rows <= MOST_ROWS:
            raise UsageError(
                f"There is no page {self.page} of {self.rows} rows.",
                f"Pages are counted from 1 and have 1 to {MOST_ROWS} rows.",
            )


@dataclass(frozen=True, slots=True)
class CaseRow:
    """A case of the list.

    Args:
        bays, images: as the ledger has them.
        entry: whose turn it is, what it waits for and why it is late; None if it is done with.
        stands: where the case stands as a whole, in a few words, as its own page tells it.
    """

    case: Case
    bays: tuple[Bay, ...]
    images: tuple[Image, ...]
    entry: Entry | None
    stands: str


@dataclass(frozen=True, slots=True)
class CasePage:
    """A page of the list.

    Args:
        rows: of this page.
        found: cases that were asked for, on all pages.
        by_state: how many cases there are of each state, if none were asked for; all else as asked.
        every: how many cases the shop has.
        page: its number; the last one, where a later one was asked for.
        pages: how many there are, at least 1.
    """

    rows: tuple[CaseRow, ...]
    found: int
    by_state: Mapping[CaseState, int]
    every: int
    page: int
    pages: int


def list_cases(bench: Bench, asked: CaseQuery) -> CasePage:
    """A page of the cases that are asked for. No triage is reckoned for it.

    Raises:
        BadFormFile: the shop's `settings/agenda.toml` is not sound.
        LedgerError: a note is not one that Mendbay wrote.
    """
    if not asked.words.split() and asked.waits_for is None and not asked.late:
        return _unsearched(bench, asked)
    lines, book = _searched(bench, _words(asked.words)), None
    if asked.kind is not None:
        lines = [one for one in lines if one.kind == asked.kind]
    if asked.waits_for is not None or asked.late:
        book = money_book(bench, lines)
        lines = _whose_turn(bench, asked, lines, book)
    by_state = Counter(one.state for one in lines)
    chosen = [one for one in lines if not asked.states or one.state in asked.states]
    _sort(chosen, asked.sort)
    pages = max(1, -(-len(chosen) // asked.rows))
    page = min(asked.page, pages)
    shown = chosen[(page - 1) * asked.rows : page * asked.rows]
    return CasePage(
        _rows(bench, shown, book),
        len(chosen),
        {state: by_state[state] for state in CaseState},
        bench.ledger.case_count(),
        page,
        pages,
    )


def _unsearched(bench: Bench, asked: CaseQuery) -> CasePage:
    """A page for which the lines of the shop's other cases are not read."""
    by_state = bench.ledger.case_states(asked.kind)
    states = asked.states or frozenset(CaseState)
    found = sum(by_state.get(one, 0) for one in states)
    pages = max(1, -(-found // asked.rows))
    page = min(asked.page, pages)
    shown = bench.ledger.page_of_lines(states, asked.kind, asked.sort, (page - 1) * asked.rows, asked.rows)
    return CasePage(
        _rows(bench, shown, None),
        found,
        {state: by_state.get(state, 0) for state in CaseState},
        bench.ledger.case_count(),
        page,
        pages,
    )


def _words(asked: str) -> list[str]:
    """The words of a search; `case` before a number is left out, and a telephone number in several pieces is
    one, without what only callers from abroad dial."""
    words = asked.split()
    if _DIALLED.fullmatch(asked.strip()):
        digits = "".join(one for one in asked if one.isdigit())
        if len(digits) >= LEAST_DIALLED:
            abroad = asked.strip().startswith(("+", "00"))
            return [digits[-LEAST_DIALLED:] if abroad else digits]
    return [
        one
        for one, after in zip_longest(words, words[1:], fillvalue="")
        if not (one.casefold() in CASE_WORDS and after.isdecimal())
    ]


def _searched(bench: Bench, words: Sequence[str]) -> Sequence[CaseLine]:
    """The lines of the cases that have every word, or the thing that it is the code of."""
    others = {one: {case} for one in words if (case := _case_of_code(one))}
    others |= {one: {int(one)} for one in words if one.isascii() and one.isdecimal() and one[0] == "0"}
    others |= {one: cases for one in words if one not in others and (cases := _pictured(bench, one))}
    found = bench.ledger.case_lines([one for one in words if one not in others])
    for word, cases in others.items():
        fit = cases | {one.number for one in bench.ledger.case_lines([word])}
        found = tuple(one for one in found if one.number in fit)
    return found


def _pictured(bench: Bench, word: str) -> set[int]:
    """The cases of whose drives pictures show a serial number with near certainty that a word is, or is part
    of."""
    plain = plain_serial(word)
    if len(plain) < LEAST_OF_SERIAL or not any(one.isdigit() for one in plain):
        return set()
    named = {one: None for kind in TELLS_SERIALS for one in bench.notes.bays_with(kind, plain)}
    if not named:
        return set()
    from mendbay.jobs.label_serials import shown_serials  # forms and their weights: only where one may be
    from mendbay.jobs.read_pictures import texts_of

    of_cases = bench.ledger.bays_of_several({case for case, _ in named})
    bays = {(one.case, one.bay): one for several in of_cases.values() for one in several}
    read = [
        bays[each]
        for each in named
        if each in bays and any(plain in plain_serial(one) for one in texts_of(bench, *each))
    ]
    return {
        one.case
        for one in read[:MOST_WEIGHED]
        if any(plain in plain_serial(shown) for shown in shown_serials(bench, one))
    }


def _case_of_code(word: str) -> int:
    """The case that the code of a thing is of; 0 if the word is none."""
    try:
        return parse_code(word)[0]
    except UsageError:
        return 0


def _whose_turn(
    bench: Bench, asked: CaseQuery, lines: Sequence[CaseLine], book: MoneyBook
) -> Sequence[CaseLine]:
    entries = turns_of(bench, lines, book).agenda.entries
    fit = {
        one.case.number
        for one in entries
        if asked.waits_for in (None, one.turn) and (one.late or not asked.late)
    }
    return [one for one in lines if one.number in fit]


def _sort(lines: list[CaseLine], sort: Sort) -> None:
    """Lines come the oldest first."""
    if sort is not Sort.OLDEST:
        lines.reverse()
    if sort is Sort.DEADLINE:
        lines.sort(key=lambda one: (not one.due_on, one.due_on))


def _rows(bench: Bench, lines: Sequence[CaseLine], book: MoneyBook | None) -> tuple[CaseRow, ...]:
    numbers = [one.number for one in lines]
    entries = {one.case.number: one for one in turns_of(bench, lines, book).agenda.entries}
    cases = bench.ledger.cases_named(numbers)
    bays, images = bench.ledger.bays_of_several(numbers), bench.ledger.images_of_several(numbers)
    return tuple(
        CaseRow(
            cases[one], bays.get(one, ()), images.get(one, ()), entries.get(one), _stands(bench, cases[one])
        )
        for one in numbers
    )


def _stands(bench: Bench, case: Case) -> str:
    """Only of a case whose files are copied is more read than its state."""
    if case.state is not CaseState.HANDED_BACK:
        return case.state.words
    from mendbay.jobs.reached_customer import since_hand_back, stands_words  # arrays: only where one is

    return stands_words(case, since_hand_back(bench, case.number))
