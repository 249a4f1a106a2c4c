"""What money a case waits for, worked out once for as long as nothing new is noted of it.

Most cases of a shop are closed and paid: of those only that is remembered, by the number of their last note.
Reading quotes and bills is imported with the first case that has one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from mendbay.case.answer_day import asked_on_paper
from mendbay.core.note import NoteKind
from mendbay.jobs.bench import Bench

KEY = "money"
"""Of what is remembered of all cases."""
FORM = 3
"""Of that; another one is worked out anew."""


@dataclass(frozen=True, slots=True)
class OpenQuote:
    """A quote without the customer's word that no later one superseded; `note` is the number of its note, and
    `asked_by` the day by which its paper asks for an answer."""

    note: int
    number: int
    made_at: str
    valid_until: str
    asked_by: str


@dataclass(frozen=True, slots=True)
class MoneyStanding:
    """What of a case's money is open. No figure of it depends on the day: a quote that runs out stays
    unanswered, and a bill is only made of a quote that was answered.

    Args:
        quotes: that wait for an answer.
        bill_note: number of the note of the bill that is not paid, 0 for none; `billed_at` when it was made.
        due: what is still to be paid of it, `12.00 EUR`; empty for nothing.
        to_return: what is to be returned to the customer after the bill; empty for nothing.
        to_bill: number of the quote that the customer accepted and of which no bill is made, 0 for none.
    """

    quotes: tuple[OpenQuote, ...] = ()
    bill_note: int = 0
    billed_at: str = ""
    due: str = ""
    to_return: str = ""
    to_bill: int = 0

    @property
    def owes(self) -> bool:
        """Whether a bill is not paid, or money is to be returned. A quote that is not billed is left to
        whoever closes the case: what nothing was done of needs no bill."""
        return bool(self.bill_note or self.to_return)


SETTLED = MoneyStanding()
"""Nothing is open."""


def money_standing(bench: Bench, case: int) -> MoneyStanding:
    """What of a case's money is open. Of a case without a quote no note is read.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    if not bench.notes.last_number(case, NoteKind.QUOTE):
        return SETTLED
    from mendbay.jobs.bill_case import account_of
    from mendbay.jobs.quote_case import quotes_of

    quotes = []
    for one in quotes_of(bench, case):
        if one.state in ("open", "run out"):
            quote = one.quote
            made = bench.notes.of(NoteKind.QUOTE, case, "", str(quote.number))[0]
            asked_by = asked_on_paper(quote.remarks, quote.valid_until)
            quotes.append(OpenQuote(made.number, quote.number, made.at, quote.valid_until, asked_by))
    account = account_of(bench, case)
    due = account.due
    if account.bill is None and account.quote is not None:
        return MoneyStanding(tuple(quotes), to_bill=account.quote.number)
    if account.bill is None or due is None or not due.minor:
        return MoneyStanding(tuple(quotes))
    if due.minor < 0:
        return MoneyStanding(tuple(quotes), to_return=(-due).text)
    bill = bench.notes.of(NoteKind.QUOTE, case, "", str(account.bill.quote))[-1]
    return MoneyStanding(tuple(quotes), bill.number, bill.at, due.text)


class MoneyBook:
    """The standing of many cases, most of it remembered.

    Args:
        last_notes: the number of the last note of each case that will be asked for.
    """

    def __init__(self, bench: Bench, last_notes: Mapping[int, int]) -> None:
        self._bench, self._last = bench, last_notes
        self._settled, self._open = _read(bench.remembered.some([KEY]).get(KEY))
        self._is_new = False

    def of(self, case: int) -> MoneyStanding:
        """
        Raises:
            LedgerError: a note is not one that Mendbay wrote.
        """
        last = self._last.get(case, 0)
        if not last or self._settled.get(case) == last:
            return SETTLED
        kept = self._open.get(case)
        if kept is not None and kept[0] == last:
            return kept[1]
        found = money_standing(self._bench, case)
        self._settled.pop(case, None)
        self._open.pop(case, None)
        if found == SETTLED:
            self._settled[case] = last
        else:
            self._open[case] = (last, found)
        self._is_new = True
        return found

    def keep(self) -> None:
        """Remembers what was worked out."""
        if self._is_new:
            self._bench.remembered.add(self.kept())
            self._is_new = False

    def kept(self) -> dict[str, Any]:
        """What is remembered of it, by its key."""
        settled = [number for pair in self._settled.items() for number in pair]
        rest = [[case, last, asdict(one)] for case, (last, one) in self._open.items()]
        return {KEY: {"form": FORM, "settled": settled, "open": rest}}


def _read(kept: Any) -> tuple[dict[int, int], dict[int, tuple[int, MoneyStanding]]]:
    """What was remembered; nothing if it is not as it was written."""
    try:
        if kept["form"] != FORM:
            return {}, {}
        settled = dict(zip(kept["settled"][::2], kept["settled"][1::2], strict=True))
        rest = {
            int(case): (
                int(last),
                MoneyStanding(**{**one, "quotes": tuple(OpenQuote(**quote) for quote in one["quotes"])}),
            )
            for case, last, one in kept["open"]
        }
    except (KeyError, TypeError, ValueError):
        return {}, {}
    return settled, rest
