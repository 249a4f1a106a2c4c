"""Things that a customer is to fetch: what waits for what, what keeping costs, and what they are told."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta

import pytest

from mendbay.case.agenda import WaitsFor
from mendbay.case.hand_over import Role
from mendbay.case.items import What
from mendbay.case.outcome import DataBack, End, said
from mendbay.case.price_list import packaged_prices, read_prices
from mendbay.case.records import CaseState
from mendbay.core.errors import BadFormFile, UsageError
from mendbay.faces.fetch_words import fetch_sentences
from mendbay.jobs.agenda import known_agenda, tell_turn
from mendbay.jobs.bench import Bench
from mendbay.jobs.case_list import CaseQuery, list_cases
from mendbay.jobs.close_case import close_case
from mendbay.jobs.fetch_things import ask_to_fetch, tell_fetching
from mendbay.jobs.hand_over_items import release
from mendbay.jobs.keep_items import add_item, items_of
from mendbay.jobs.letters import Message, letter_words, message_mail
from mendbay.jobs.quote_case import make_quote
from mendbay.jobs.quote_lines import Wish
from support.erasures import Standing


@pytest.fixture
def closed(bench: Bench) -> Bench:
    add_item(bench, 1, What.BOX)
    close_case(bench, 1, said([], nothing_broken=True, end=End.GIVEN_BACK, data=DataBack.NONE))
    return bench


def day(bench: Bench, days: int) -> str:
    return (date.fromisoformat(bench.now()[:10]) + timedelta(days)).isoformat()


def later(bench: Bench, days: int) -> Bench:
    return replace(bench, clock=Standing(f"{day(bench, days)}T12:00:00Z"))


def flat(text: str) -> str:
    return " ".join(text.split())


def test_a_closed_case_waits_for_the_customer_to_fetch_until_everything_is_out(closed: Bench) -> None:
    before = tell_turn(closed, 1)
    assert (before.turn, before.chore and before.chore.id) == (WaitsFor.US, "give-things-back")
    until = day(closed, 14)
    ask_to_fetch(closed, 1, until)
    entry = tell_turn(closed, 1)
    (wait,) = entry.case.waits
    assert (wait.who, wait.until, entry.chore, entry.late) == (WaitsFor.CUSTOMER, until, None, ())
    assert wait.what.startswith("to fetch 0001-0")
    assert "(box)" in wait.what
    assert [one.case.number for one in known_agenda(closed).day.agenda.waiting] == [1]
    (row,) = list_cases(closed, CaseQuery(waits_for=WaitsFor.CUSTOMER)).rows
    assert row.case.number == 1
    late = tell_turn(later(closed, 15), 1)
    assert late.chore is not None
    assert (late.chore.id, late.chore.command) == ("ask-to-fetch", "case message 1 fetch")
    assert any("to fetch" in one and until in one for one in late.late)
    release(closed, 1, [one.code for one in items_of(closed, 1)], Role.CUSTOMER)
    assert known_agenda(closed).day.agenda.entries == ()
    assert tell_fetching(closed, 1).things == ()


def test_the_day_can_be_changed_and_taken_back(closed: Bench) -> None:
    ask_to_fetch(closed, 1, day(closed, 3))
    ask_to_fetch(closed, 1, day(closed, 9))
    assert tell_fetching(closed, 1).until == day(closed, 9)
    ask_to_fetch(closed, 1, "")
    ask_to_fetch(closed, 1, "")
    chore = tell_turn(closed, 1).chore
    assert chore is not None
    assert chore.id == "give-things-back"
    story = [one.text for one in closed.ledger.events(1) if one.kind == "waiting"]
    assert story[-1] == "No day is set any more for fetching."
    assert len(story) == 3


def worked_on(bench: Bench) -> str:
    bench.ledger.amend_case(1, state=CaseState.OPEN)
    return day(bench, 3)


def nothing_here(bench: Bench) -> str:
    release(bench, 1, [one.code for one in items_of(bench, 1)], Role.CUSTOMER)
    return day(bench, 3)


@pytest.mark.parametrize(
    ("make", "why"),
    [
        (worked_on, "still worked on"),
        (nothing_here, "Nothing of the customer's is here"),
        (lambda bench: day(bench, -1), "is past"),
        (lambda bench: "soon", "soon"),
    ],
)
def test_what_cannot_be_waited_for_is_refused(closed: Bench, make: Callable[[Bench], str], why: str) -> None:
    until = make(closed)
    with pytest.raises(UsageError, match=why):
        ask_to_fetch(closed, 1, until)


@pytest.mark.parametrize(
    ("unit", "days", "times"),
    [("week", 0, 0), ("week", 6, 0), ("week", 7, 1), ("week", 20, 2), ("day", 20, 20)],
)
def test_keeping_costs_each_full_day_or_week_after_the_day(
    closed: Bench, monkeypatch: pytest.MonkeyPatch, unit: str, days: int, times: int
) -> None:
    text = packaged_prices().replace('unit = "week"', f'unit = "{unit}"')
    prices = read_prices(text, own=True)
    monkeypatch.setattr("mendbay.jobs.quote_lines.prices_in_force", lambda bench: prices)
    ask_to_fetch(closed, 1, day(closed, 5))
    told = tell_fetching(later(closed, 5 + days), 1)
    assert (told.times, told.days, told.past) == (times, days, days > 0)
    assert (told.costs.minor if told.costs else 0) == 300 * times
    sentences = " ".join(fetch_sentences(told))
    assert ("mendbay case quote 1 puts it into a quote, as “Keeping of things" in sentences) == bool(times)
    assert (f", {times} of it." in sentences) == bool(times)
    assert "without their word on record" in sentences
    assert "law" in sentences


def test_what_keeping_costs_goes_into_a_quote_by_hand(closed: Bench) -> None:
    quote, _ = make_quote(closed, 1, Wish(lines=(("keeping", "3"),)))
    line = next(one for one in quote.lines if one.key.startswith("keeping"))
    assert (line.least.minor, line.unit, line.quantity) == (900, "week", 3)


def test_a_list_without_that_price_asks_nothing_and_another_unit_is_refused(closed: Bench) -> None:
    text = packaged_prices()
    start = text.index('[[price]]\nid = "keeping"')
    without = text[:start] + text[text.index("[[medium]]") :]
    assert read_prices(without, own=True).keeping is None
    with pytest.raises(BadFormFile, match="for keeping things"):
        read_prices(text.replace('unit = "week"', 'unit = "month"'), own=True)


def test_no_customer_is_told_an_invented_price(closed: Bench) -> None:
    ask_to_fetch(closed, 1, day(closed, 14))
    told = tell_fetching(closed, 1)
    assert told.is_invented
    assert "and invented: the text for the customer names none." in " ".join(fetch_sentences(told))
    assert "price list" not in message_mail(closed, 1, Message.FETCH).body


def test_the_customer_is_told_what_is_here_by_when_and_what_it_costs(
    closed: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    prices = read_prices(packaged_prices(), own=True)
    monkeypatch.setattr("mendbay.jobs.quote_lines.prices_in_force", lambda bench: prices)
    ask_to_fetch(closed, 1, day(closed, 14))
    body = flat(message_mail(closed, 1, Message.FETCH).body)
    assert f"- drive of bay 1 - drive of bay 2 - box Please fetch it by {day(closed, 14)}" in body
    assert "3.00 EUR for each full week" in body
    assert "destroy nothing, without your word" in body
    assert f"Please fetch what is here by {day(closed, 14)}." in flat(letter_words(closed, 1))
    late = flat(message_mail(later(closed, 30), 1, Message.FETCH).body)
    assert f"We asked you to fetch it by {day(closed, 14)}; that day is past." in late
    reminder = flat(message_mail(closed, 1, Message.REMINDER).body)
    assert "- to fetch 0001-0" in reminder


def test_of_a_job_that_is_worked_on_nothing_is_said_to_be_fetched(bench: Bench) -> None:
    add_item(bench, 1, What.BOX)
    with pytest.raises(UsageError, match="Nothing of case 1 is to be fetched"):
        message_mail(bench, 1, Message.FETCH)
    assert list(fetch_sentences(tell_fetching(bench, 1))) == [
        "Case 1 is still worked on: nothing of it is to be fetched yet."
    ]
