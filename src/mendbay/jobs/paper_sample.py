"""Papers of an invented case, to see what the shop's wordings and details look like before a customer does.

The case is that of `letter_sample.py`; its amounts are those of the shop's own price list.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction
from typing import Any

from mendbay.case.bill import Bill, bill_of, expected
from mendbay.case.custody import Head
from mendbay.case.items import Item, What, code_of
from mendbay.case.price_list import PriceList, Stage
from mendbay.case.quote import DIAGNOSIS, Columns, Ending, Possible, Quote, When
from mendbay.case.records import Case, CaseKind, CaseState
from mendbay.case.shop import Shop
from mendbay.core.quantity import counted
from mendbay.jobs.bench import Bench
from mendbay.jobs.hand_over_items import head_facts, item_facts
from mendbay.jobs.letter_sample import DAYS_AWAY, sample_facts
from mendbay.jobs.money_notes import How, Payment
from mendbay.jobs.money_papers import bill_facts, payment_facts, quote_facts
from mendbay.jobs.papers import frame
from mendbay.jobs.quote_lines import prices_in_force

NUMBER = "0000"
"""What stands for the number of the case, which no case has."""
NEEDS, GIVEN = 0.7, 0.2
"""Chance that the job needs the work and is done, and that it is done without (invented)."""
WORK = "swap-board"
DIGITS = "0" * 64
SEEN = "scratched at one corner"


def paper_facts(bench: Bench, wording: str) -> dict[str, Any] | None:
    """The facts of a wording for the invented case, with the shop's own head and today's date; None for a
    wording that cannot be tried on it.

    Raises:
        BadFormFile: the shop's own file, or its price list, is not sound.
    """
    if wording not in SAMPLES:
        return sample_facts(bench, wording)
    return SAMPLES[wording](bench) | {"case": NUMBER}


def trial_facts(bench: Bench, shop: Shop) -> dict[str, Any]:
    """The facts of `trial` for a shop with these details."""
    return frame(bench, TRIAL, shop=shop)


TRIAL = "A sheet to try"


def _case(bench: Bench) -> Case:
    today = date.fromisoformat(bench.now()[:10])
    away = timedelta(days=DAYS_AWAY)
    return Case(
        number=1,  # in its place stands NUMBER
        slug="invented",
        opened_at=f"{today - away}T08:00:00Z",
        customer="Fern Example",
        contact="",
        box="two-bay box, invented",
        wanted=("*.jpg",),
        notes="",
        state=CaseState.OPEN,
        kind=CaseKind.BOX,
        due_on=str(today + away),
    )


def _quote(bench: Bench) -> Quote:
    prices = prices_in_force(bench)
    columns = Columns(tuple(_possible(prices)), _ENDINGS, prices.free, prices.included, prices.currency)
    lines, totals = columns.made()
    today = bench.now()[:10]
    return Quote(
        number=1,
        day=today,
        valid_until=str(date.fromisoformat(today) + timedelta(prices.valid_days)),
        currency=prices.currency,
        own_prices=prices.own,
        odds=True,
        tax_name=prices.tax_name,
        included=prices.included,
        free=prices.free,
        lines=tuple(sorted(lines, key=lambda one: list(Stage).index(one.stage))),
        totals=totals,
        remarks=(),
    )


_ENDINGS = (
    Ending(NEEDS, frozenset({WORK}), True),
    Ending(GIVEN, frozenset(), True),
    Ending(1 - NEEDS - GIVEN, frozenset({WORK}), False),
)


def _possible(prices: PriceList) -> list[Possible]:
    """What the job may cost: of each sort one, as far as the list has it."""
    work = prices.work.get(WORK) or next(iter(prices.work.values()), None)
    found = [(DIAGNOSIS, prices.diagnosis, When.ALWAYS), ("shipping", prices.shipping, When.ALWAYS)]
    found += [("medium", one.price, When.GIVEN) for one in prices.media[:1]]
    possible = [Possible(key, price.words, price, Decimal(1), when) for key, price, when in found]
    if work is not None:
        possible.append(Possible(WORK, work.words, work, Decimal(1), When.NEEDED, frozenset({WORK})))
    return possible


def _bill(quote: Quote) -> Bill:
    done = {one.key: one.least for one in quote.lines if not expected(one, True)}
    return bill_of(quote, done, True, quote.day, 1)


def _bill_sample(bench: Bench) -> dict[str, Any]:
    quote = _quote(bench)
    bill = _bill(quote)
    return bill_facts(bench, _case(bench), quote, bill, [bill.total.gross.times(Fraction(1, 2))])


def _payment_sample(bench: Bench) -> dict[str, Any]:
    quote = _quote(bench)
    gross = _bill(quote).total.gross
    paid = gross.times(Fraction(1, 2))
    payment = Payment(1, paid, How.CARD, quote.day, bench.who)
    return payment_facts(bench, _case(bench), payment, paid, gross - paid)


def _items() -> list[dict[str, Any]]:
    box = Item(1, 1, What.BOX, marks="Tarn T2, no serial number seen")
    drives = (Item(1, at + 1, What.DRIVE, bay=str(at), marks="Alder A4000") for at in (1, 2))
    adapter = replace(Item(1, 4, What.ADAPTER, marks="12 V"), condition="cable worn")
    return [
        item_facts(one, SEEN) | {"code": code_of(int(NUMBER), one.number)} for one in (box, *drives, adapter)
    ]


def _receipt_sample(bench: Bench) -> dict[str, Any]:
    case, today = _case(bench), bench.now()[:10]
    what = ["giving the drives power"]
    return frame(bench, "Receipt", case) | {
        "case_number": int(NUMBER),
        "customer": case.customer,
        "opened": case.opened_at[:10],
        "box": case.box,
        "kind": str(case.kind),
        "wanted": list(case.wanted),
        "due_on": case.due_on,
        "keep_until": "",
        "keep_over": False,
        "keep_days": counted(30, "day"),
        "keep_said": False,
        "erased_on": "",
        "consents": [{"what": what[0], "word": f"yes, in person, {today}"}],
        "words": [{"word": "yes", "what": what, "given": f"in person, {today}"}],
        "authority": "their own",
        "agreed": ["Nobody is rung before nine."],
        "seen": SEEN,
        "items": _items(),
        "technician": bench.who,
        "head": head_facts(Head(7, DIGITS).text),
    }


def _hand_over_sample(bench: Bench) -> dict[str, Any]:
    case, items = _case(bench), _items()
    return frame(bench, f"Handed over: {counted(len(items), 'item')}", case) | {
        "number": 1,
        "received": False,
        "between": "from the shop to the customer",
        "role": "customer",
        "customer": case.customer,
        "person": case.customer,
        "technician": bench.who,
        "at": f"{bench.now()[:10]} {bench.now()[11:16]} UTC",
        "seen": SEEN,
        "items": items,
        "words": ["The adapter stays with the box."],
        "head": head_facts(Head(7, DIGITS).text),
        "case_number": int(NUMBER),
    }


SAMPLES: Mapping[str, Callable[[Bench], dict[str, Any]]] = {
    "bill": _bill_sample,
    "hand-over": _hand_over_sample,
    "payment": _payment_sample,
    "quote": lambda bench: quote_facts(bench, _case(bench), _quote(bench)),
    "receipt": _receipt_sample,
    "trial": lambda bench: frame(bench, TRIAL),
}
"""By the wording, what makes its facts."""
