"""What of the customer's things nobody handed back, worked out once for as long as nothing new is noted.

Of most cases of a shop everything is back: of those only that is remembered, by the numbers of their last
note and event.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from mendbay.case.items import Item, Owner, Where
from mendbay.case.records import CaseKind, CaseState
from mendbay.core.note import NoteKind
from mendbay.core.quantity import counted
from mendbay.jobs.bench import Bench
from mendbay.jobs.keep_items import items_of

THINGS_TOLD = "things_told"
"""Fact of the event of a closing that told which things of the customer are here or sent away."""
KEY = "things"
"""Of what is remembered of all cases."""
FORM = 3
"""Of that; another one is worked out anew."""
FEW = 100
"""Cases up to which each is looked at; of more, those that can have things are found first, in one sweep over
all notes of things and all bays (own choice: a page of the list has fewer)."""
NAMED = 4
"""Things that are named; of more the number is told (own choice)."""


def things_here(bench: Bench, case: int) -> tuple[Item, ...]:
    """The customer's things that are here or sent away: those noted, and what came in a bay, noted or not. Of
    an enquiry, to which nothing came, only what was noted; and of a case that was closed before closing told
    of what is here, as nobody was asked then, and most of it is back.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
        LedgerError: a note is not one that Mendbay wrote.
    """
    noted = bench.notes.last_number(case, NoteKind.ITEM)
    if not noted and (bench.ledger.case(case).kind is CaseKind.ENQUIRY or not bench.ledger.bays(case)):
        return ()
    if not noted and _closed_unasked(bench, case):
        return ()
    held = (Where.HERE, Where.SENT)
    return tuple(one for one in items_of(bench, case) if one.owner is Owner.CUSTOMER and one.where in held)


def _closed_unasked(bench: Bench, case: int) -> bool:
    """Whether a case is closed by an event that does not say that what is here was told with it."""
    if bench.ledger.case(case).state is not CaseState.CLOSED:
        return False
    from mendbay.jobs.keep_copies import CLOSING  # arrays: only where a closed case may have something here

    told = [one for one in bench.ledger.events(case) if one.kind == CLOSING]
    return bool(told) and THINGS_TOLD not in told[-1].facts


def things_words(things: tuple[Item, ...]) -> str:
    """Things by their codes: `0007-01 (box), 0007-02 (drive of bay 1, sent to the laboratory) and 3 more
    things`."""
    named = ", ".join(f"{one.code} ({_told(one)})" for one in things[:NAMED])
    more = len(things) - NAMED
    return f"{named} and {counted(more, 'more thing')}" if more > 0 else named


def _told(thing: Item) -> str:
    return f"{thing.named}, {thing.whereabouts}" if thing.where is Where.SENT else thing.named


def parted(things: tuple[Item, ...]) -> tuple[tuple[Item, ...], tuple[Item, ...]]:
    """Those of the things that are here, and those that are sent away."""
    here = tuple(one for one in things if one.where is Where.HERE)
    return here, tuple(one for one in things if one.where is Where.SENT)


class ThingsBook:
    """Of which of many cases things are here.

    Args:
        cases: that will be asked for.
    """

    def __init__(self, bench: Bench, cases: Iterable[int]) -> None:
        asked = sorted(set(cases))
        self._bench = bench
        notes, events = bench.notes.last_numbers(asked), bench.ledger.last_events(asked)
        # neither falls, so their sum is another one after each of both; of a bay only an event tells
        self._last = {one: notes.get(one, 0) + events.get(one, 0) for one in asked}
        self._back = _read(bench.remembered.some([KEY]).get(KEY)) if asked else {}
        self._is_new = False
        new = [one for one in asked if self._back.get(one) != self._last[one]]
        if len(new) > FEW:
            self._sweep(new)

    def _sweep(self, cases: list[int]) -> None:
        """Remembers of all that have neither a thing nor a bay that nothing of them is here."""
        noted, bays = self._bench.notes.last_of_kind(NoteKind.ITEM), self._bench.ledger.bays_of_several(cases)
        for case in cases:
            if case not in noted and not bays.get(case):
                self._back[case], self._is_new = self._last[case], True

    def holds(self, case: int) -> bool:
        """
        Raises:
            LedgerError: a note is not one that Mendbay wrote.
        """
        last = self._last.get(case, 0)
        if self._back.get(case) == last:
            return False
        if self._bench.ledger.forgotten(case) is None and things_here(self._bench, case):
            return True
        self._back[case] = last
        self._is_new = True
        return False

    def keep(self) -> None:
        """Remembers what was worked out."""
        if self._is_new:
            self._bench.remembered.add(self.kept())
            self._is_new = False

    def kept(self) -> dict[str, Any]:
        """What is remembered of it, by its key; nothing if there is nothing to remember."""
        back = [number for pair in self._back.items() for number in pair]
        return {KEY: {"form": FORM, "back": back}} if back else {}


def _read(kept: Any) -> dict[int, int]:
    """What was remembered; nothing if it is not as it was written."""
    try:
        if kept["form"] != FORM:
            return {}
        return {
            int(case): int(last) for case, last in zip(kept["back"][::2], kept["back"][1::2], strict=True)
        }
    except (KeyError, TypeError, ValueError):
        return {}
