"""What a customer is to fetch, and what keeping it costs, in sentences for every face."""

from __future__ import annotations

from collections.abc import Iterator

from mendbay.core.quantity import counted
from mendbay.jobs.fetch_things import DONE, LAW, Fetching
from mendbay.jobs.things_here import things_words


def fetch_sentences(told: Fetching) -> Iterator[str]:
    """How it stands, one sentence after the other; that nothing is to be fetched where nothing is."""
    number = told.case.number
    if told.case.state not in DONE:
        yield f"Case {number} is still worked on: nothing of it is to be fetched yet."
        return
    if not told.things:
        yield f"Nothing of the customer's is here of case {number}."
        return
    yield f"Here of the customer's: {things_words(told.things)}."
    if not told.until:
        yield "No day is set by which they were asked to fetch it."
    else:
        yield f"They were asked to fetch it by {told.until}{', which is past' if told.past else ''}."
    yield from _price_sentences(told)
    yield LAW


def _price_sentences(told: Fetching) -> Iterator[str]:
    if told.price is None or not told.price.low:
        yield "The price list asks nothing for keeping it."
        return
    each = f"{told.price.low.shown} for each full {told.price.unit} after that day"
    yield f"By the price list keeping it costs {each}."
    if told.is_invented:
        yield "That price is still the one of an example, and invented: the text for the customer names none."
    if told.costs is not None:
        so_far = counted(told.times, told.price.unit)
        yield (
            f"That is {so_far} so far, {told.costs.shown}. Nothing is charged by itself: "
            f"mendbay case quote {told.case.number} puts it into a quote, as “{told.price.words}”, "
            f"{told.times} of it."
        )
