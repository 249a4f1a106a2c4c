"""What of the customer's things nobody handed back, worked out once for as long as nothing new is noted.

Of each case only whether any is here is remembered, by the number of its last note.
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

KEY = "things"
"""Of what is remembered of all cases."""
FORM = 5
"""Of that; another one is worked out anew."""
FEW = 100
"""Cases up to which each is looked at; of more, those that have things are found first, in one sweep over all
notes of things (own choice: a page of the list has fewer)."""
NAMED = 4
"""Things that are named; of more the number is told (own choice)."""


def things_here(bench: Bench, case: int) -> tuple[Item, ...]:
    """The customer's things that are here or sent away: those noted, and what came in a bay, noted or not. Of
    an enquiry, to which nothing came, only what was noted; so of a closed case, as closing one notes what is
    in its bays: of those closed before it did, nobody could tell what is long back.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
        LedgerError: a note is not one that Mendbay wrote.
    """
    if not bench.notes.last_number(case, NoteKind.ITEM):
        record = bench.ledger.case(case)
        if record.kind is CaseKind.ENQUIRY or record.state is CaseState.CLOSED or not bench.ledger.bays(case):
            return ()
    held = (Where.HERE, Where.SENT)
    return tuple(one for one in items_of(bench, case) if one.owner is Owner.CUSTOMER and one.where in held)


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
        asked = set(cases)
        if len(asked) > FEW:
            asked &= bench.notes.last_of_kind(NoteKind.ITEM).keys()
        self._bench = bench
        self._last = bench.notes.last_numbers(sorted(asked))
        self._known = _read(bench.remembered.some([KEY]).get(KEY)) if self._last else {}
        self._is_new = False

    def holds(self, case: int) -> bool:
        """
        Raises:
            LedgerError: a note is not one that Mendbay wrote.
        """
        last = self._last.get(case, 0)
        if not last:
            return False
        known = self._known.get(case)
        if known is not None and known[0] == last:
            return known[1]
        here = self._bench.ledger.forgotten(case) is None and bool(things_here(self._bench, case))
        self._known[case] = (last, here)
        self._is_new = True
        return here

    def keep(self) -> None:
        """Remembers what was worked out."""
        if self._is_new:
            self._bench.remembered.add(self.kept())
            self._is_new = False

    def kept(self) -> dict[str, Any]:
        """What is remembered of it, by its key; nothing if there is nothing to remember."""
        known = [number for case, (last, here) in self._known.items() for number in (case, last, int(here))]
        return {KEY: {"form": FORM, "known": known}} if known else {}


def _read(kept: Any) -> dict[int, tuple[int, bool]]:
    """What was remembered; nothing if it is not as it was written."""
    try:
        if kept["form"] != FORM:
            return {}
        known = [int(one) for one in kept["known"]]
        return {
            case: (last, bool(here))
            for case, last, here in zip(known[::3], known[1::3], known[2::3], strict=True)
        }
    except (KeyError, TypeError, ValueError):
        return {}
