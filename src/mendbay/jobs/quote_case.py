"""What a case may cost: quotes, and the customer's word on them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from mendbay.case.answer_day import answer_words
from mendbay.case.price_list import Stage
from mendbay.case.quote import Quote, left_out_words
from mendbay.case.quote_body import quote_body, quote_from
from mendbay.case.records import Case
from mendbay.core.errors import UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.core.texts import require_day
from mendbay.jobs.bench import Bench
from mendbay.jobs.consents import PARTS, consents_of, refused, refused_although, refused_of
from mendbay.jobs.money_notes import body_of, note_of_quote, payments_of, read_body, unpaid_bill
from mendbay.jobs.nameless import require_nameless
from mendbay.jobs.ports import KeptFile
from mendbay.jobs.remembered import remembered
from mendbay.jobs.withdraw import require_reason, standing_notes

if TYPE_CHECKING:
    from mendbay.jobs.quote_lines import Wish


class By(StrEnum):
    """How the customer's word came: in the words of consents."""

    PERSON = "in person"
    PHONE = "phone"
    WRITING = "writing"

    @property
    def words(self) -> str:
        return {By.PHONE: "by telephone", By.WRITING: "in writing", By.PERSON: "in person"}[self]


_ONCE_WRITTEN = {"letter": By.WRITING, "person": By.PERSON}
"""What notes of ours called it at first."""


@dataclass(frozen=True, slots=True)
class Word:
    """The customer's word on a quote."""

    accepted: bool
    by: By
    day: str
    who: str


@dataclass(frozen=True, slots=True)
class KeptQuote:
    """
    Args:
        word: the latest on it; None if there was none.
        superseded: a later quote was made or accepted.
        past: the day until which it is valid is past.
    """

    quote: Quote
    word: Word | None
    superseded: bool
    past: bool

    @property
    def accepted(self) -> bool:
        """Whether it is the one that counts."""
        return self.word is not None and self.word.accepted and not self.superseded

    @property
    def state(self) -> str:
        """In a word or two."""
        if self.superseded:
            return "superseded"
        if self.word is None:
            return "run out" if self.past else "open"
        return "accepted" if self.word.accepted else "declined"


def make_quote(
    bench: Bench, case: int, wish: Wish, require: Callable[[], None] = lambda: None
) -> tuple[Quote, KeptFile]:
    """Makes a quote and keeps it, its paper with the case. Triage and paper are made before the step of the
    ledger that keeps them, so that nobody else waits for them.

    Args:
        require: asked within that step; what it raises stands against the quote, and nothing is kept.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
        UsageError: nothing to quote, or something the price list lacks.
        BadFormFile: the price list or the wording is not sound.
    """
    from mendbay.jobs.money_papers import quote_facts  # making one needs all of triage, reading one does not
    from mendbay.jobs.quote_lines import columns_of, prices_in_force

    record, prices = remembered(bench, case), prices_in_force(bench)
    columns, remarks = columns_of(bench, case, prices, wish)
    lines, totals = columns.made()
    remarks += [left_out] if (left_out := left_out_words(lines)) else []
    day = bench.now()[:10]
    quote = Quote(
        number=_next_number(bench, case),
        day=day,
        valid_until=(date.fromisoformat(day) + timedelta(prices.valid_days)).isoformat(),
        currency=prices.currency,
        own_prices=prices.own,
        odds=wish.odds and len(columns.endings) > 1,  # where only one way is left, nothing is by chance
        tax_name=prices.tax_name,
        included=prices.included,
        free=prices.free,
        lines=tuple(sorted(lines, key=lambda one: list(Stage).index(one.stage))),
        totals=totals,
        remarks=tuple(remarks),
    )
    quote = _asking(quote, record)
    data = bench.stationery.pdf("quote", quote_facts(bench, record, quote))
    with bench.ledger.together():
        require()
        now, number = remembered(bench, case), _next_number(bench, case)
        if (now, number) != (record, quote.number):  # changed while it was made: seldom, so made anew here
            record, quote = now, _asking(replace(quote, number=number, remarks=tuple(remarks)), now)
            data = bench.stationery.pdf("quote", quote_facts(bench, record, quote))
        kept = bench.files.keep(record, f"papers/quote-{quote.number}.pdf", data)
        note_of_quote(bench, case, quote.number, {"what": "quote", **quote_body(quote), "paper": kept.path})
        bench.note(case, "quote", f"Quote {quote.number} made, valid until {quote.valid_until}.")
        bench.custody(case, f"quote {quote.number} made for the customer", kept.path)
    return quote, kept


def _asking(quote: Quote, record: Case) -> Quote:
    """A quote that says by when an answer is asked for, if the job is needed before it runs out."""
    asked = answer_words(quote.day, quote.valid_until, record.due_on)
    return replace(quote, remarks=(*quote.remarks, asked)) if asked else quote


def _next_number(bench: Bench, case: int) -> int:
    return 1 + max((one.quote.number for one in quotes_of(bench, case)), default=0)


def decide(
    bench: Bench,
    case: int,
    number: int,
    accepted: bool,
    by: By,
    day: str = "",
    *,
    although: str = "",
    although_refused: str = "",
) -> KeptQuote:
    """Puts down the customer's word on a quote; a later word takes the place of an earlier.

    Args:
        day: on which it was said, `YYYY-MM-DD`; empty for today.
        although: why a quote is accepted though a later one was made; custody keeps it, so it does not name
            the customer.

        although_refused: the same, where it holds work or parts that the customer refused.

    Raises:
        NoSuchCase: there is no such case.
        HeldBack: the customer refused what is in it, and no reason is given; nothing is recorded.
        CustodyBroken: custody tells the customer's word otherwise than the case's notes.
        UsageError: there is no such quote, it is no longer valid, a later one was made and no reason is given
            for accepting it, the day cannot be, or the bill of the quote that counts so far is not paid and
            would be forgotten.
    """
    record = remembered(bench, case)
    said = day or bench.now()[:10]
    require_day(said)
    with bench.ledger.together():
        quote = quote_of(bench, case, number).quote
        if said > bench.now()[:10] or said < quote.day:
            raise UsageError(
                f"The customer's word on quote {number} cannot be of {said}.",
                f"Use a day from {quote.day} to today.",
            )
        if accepted and said > quote.valid_until:
            raise UsageError(
                f"Quote {number} was valid until {quote.valid_until}.",
                f"mendbay case quote {case} makes a new one.",
            )
        if accepted:
            _require_same_currency(bench, case, quote)
        _require_settled(bench, case, number, accepted)
        later = _later(bench, case, number) if accepted else 0
        word = {"what": "word", "accepted": accepted, "by": str(by), "day": said}
        what = f"quote {number} {'accepted' if accepted else 'declined'} by the customer {by.words}, {said}"
        why = ""
        if later:
            _require_meant(record, number, later, although)
            word["although_superseded"] = why = although.strip()
            what += f", although quote {later} was made after it"
        needed = _needed(quote) if accepted else ()
        instead = f"mendbay case quote {case} makes one without it"
        against = refused_although(bench, case, needed, although_refused, instead=instead)
        if against:
            word["although_refused"] = although_refused.strip()
            what += f", although they refused {against}"
            why = "; ".join(one for one in (why, although_refused.strip()) if one)
        note_of_quote(bench, case, number, word)
        bench.note(case, "quote", f"{what[:1].upper()}{what[1:]}{': ' if why else '.'}{why}")
        bench.custody(case, what, f"quote {number}" + (f"; {why}" if why else ""))
    return quote_of(bench, case, number)


@dataclass(frozen=True, slots=True)
class ReasonsDue:
    """Which reasons it takes to accept a quote.

    Args:
        later: the quote that was made after it; 0 if none was.
        refused: titles of what the customer refused of what is in it.
    """

    later: int
    refused: tuple[str, ...]

    def __bool__(self) -> bool:
        return bool(self.later or self.refused)


def reasons_due(bench: Bench, case: int, number: int) -> ReasonsDue:
    """What has to be given a reason against before the customer's yes to a quote is noted.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: there is no such quote.
        LedgerError: a note is not one that Mendbay wrote.
    """
    quote = quote_of(bench, case, number).quote
    no = refused_of(bench, case, _needed(quote)) if refused(consents_of(bench, case)) else ()
    return ReasonsDue(_later(bench, case, number), tuple(one.title for one in no))


def _needed(quote: Quote) -> tuple[str, ...]:
    """The consents that what is in a quote rests on."""
    from mendbay.jobs.quote_parts import OWN_PART, STOCK  # accepting one needs them, reading one does not
    from mendbay.triage.table_file import packaged_tables

    steps, needed = packaged_tables().steps, dict[str, None]()
    for line in quote.lines:
        named = line.key.partition(":")[0].removesuffix(OWN_PART)
        if named == STOCK:
            needed[PARTS] = None
        elif named in steps:
            needed |= dict.fromkeys(steps[named].consents)
    return tuple(needed)


def _later(bench: Bench, case: int, number: int) -> int:
    """The newest quote made after one that is about to be accepted; 0 for none, or if it is accepted anyhow
    and its word is but given again."""
    kept = quotes_of(bench, case)
    newest = kept[-1].quote.number
    again = any(one.accepted and one.quote.number == number for one in kept)
    return 0 if again or newest == number else newest


def _require_meant(case: Case, number: int, later: int, reason: str) -> None:
    """Refuses to accept a quote that a later one superseded, unless a reason is given."""
    if not reason.strip():
        raise UsageError(
            f"Quote {number} of case {case.number} was superseded: quote {later} was made after it.",
            f"If they mean the newest: mendbay case accept {case.number} {later}. If they do mean quote "
            f"{number}: --although-superseded REASON, which custody keeps.",
        )
    require_reason(reason, "accepted though it was superseded")
    require_nameless(case, reason)


def _require_settled(bench: Bench, case: int, number: int, accepted: bool) -> None:
    """Refuses a word by which another quote counts than the one whose bill is not paid."""
    unpaid = unpaid_bill(bench, case)
    before = next((one.quote.number for one in quotes_of(bench, case) if one.accepted), None)
    if unpaid is None or (number == unpaid[0].quote if accepted else number != before):
        return
    bill, due = unpaid
    raise UsageError(
        f"Of bill {bill.number}, made of quote {bill.quote}, {due.text} are still to be paid.",
        f"mendbay case pay {case} {due.digits} --how transfer puts a payment down; if the bill is "
        f"wrong, mendbay case bill {case} makes another in its place.",
    )


def _require_same_currency(bench: Bench, case: int, quote: Quote) -> None:
    """Refuses a quote that what was paid so far cannot be held against."""
    for one in payments_of(bench, case):
        if one.amount.currency != quote.currency:
            raise UsageError(
                f"Quote {quote.number} is in {quote.currency}, and payment {one.number} was in "
                f"{one.amount.currency}.",
                f"Make a quote in {one.amount.currency}, or take the payment back first.",
            )


def quotes_of(bench: Bench, case: int) -> tuple[KeptQuote, ...]:
    """All quotes of a case, the oldest first. Of several that were accepted the last one counts; one without
    a word is superseded by a later one, and by another that was accepted after it was made.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
        LedgerError: a note is not one that Mendbay wrote.
    """
    remembered(bench, case)
    quotes, words, last, settled = dict[int, Quote](), dict[int, Word](), 0, 0
    for note in standing_notes(bench, NoteKind.QUOTE, case):
        body = body_of(note)
        if body["what"] == "quote":
            quote = read_body(note, lambda body=body: quote_from(body))  # type: ignore[misc]
            quotes[quote.number] = quote
        elif body["what"] == "word":
            number = int(note.subject)
            again = number == last and words[number].accepted
            words[number] = read_body(note, lambda body=body, note=note: _word(body, note))  # type: ignore[misc]
            if words[number].accepted and not again:
                last, settled = number, max(quotes)
    if last and not words[last].accepted:
        settled = 0
    newest, today = max(quotes, default=0), bench.now()[:10]

    def superseded(number: int) -> bool:
        word = words.get(number)
        if word is not None:
            return number != (last if word.accepted else newest)
        return number != newest or number <= settled

    return tuple(
        KeptQuote(quote, words.get(number), superseded(number), quote.valid_until < today)
        for number, quote in sorted(quotes.items())
    )


def _word(body: Mapping[str, Any], note: Note) -> Word:
    by = _ONCE_WRITTEN.get(body["by"]) or By(body["by"])
    return Word(bool(body["accepted"]), by, str(body["day"]), note.who)


def quote_of(bench: Bench, case: int, number: int) -> KeptQuote:
    """One quote of a case.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: it has no such quote.
    """
    found = quotes_of(bench, case)
    for one in found:
        if one.quote.number == number:
            return one
    numbers = ", ".join(str(one.quote.number) for one in found)
    step = f"There are: {numbers}." if found else f"mendbay case quote {case} makes one."
    raise UsageError(f"Case {case} has no quote {number}.", step)
