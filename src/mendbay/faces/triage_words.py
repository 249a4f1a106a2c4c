"""Triage in sentences, for every face: what is judged, how likely, what moved it, what a step costs.

No logic: what is said here was decided elsewhere. No sentence is broken into lines.
"""

from __future__ import annotations

import shlex
from collections.abc import Callable, Sequence

from mendbay.case.consents import packaged_risks
from mendbay.case.records import LOOSE_BOARD, CaseKind
from mendbay.core.quantity import chance_text, counted
from mendbay.jobs.closed_board import ClosedBoard
from mendbay.jobs.next_steps import GIVE_BACK, given_back
from mendbay.jobs.triage_case import (
    HOW_IT_WENT,
    REASONS_SHOWN,
    Believed,
    KeepOff,
    ToldTry,
    Triage,
    answer_words,
)
from mendbay.triage.belief import HELPED, TRIED, Asked, Moved
from mendbay.triage.next_step import Offer
from mendbay.triage.tables import StepKind, Tables
from mendbay.triage.worlds import Place

LEAST_HARM = 0.0005
"""Share of the data from which a step's harm is told."""
LOOK = "look, and ask what it sounded like,"
"""What can be found out without power (own choice: the cheapest tests that need none)."""
SIZES = ((0.3, "hardly"), (1.0, "a little"), (3.0, "clearly"), (float("inf"), "strongly"))
"""Bits below which an answer moves a fault so much, in words (own choice)."""
CHANCES = (
    (0.01, "almost surely not"),
    (0.1, "unlikely"),
    (0.35, "possible"),
    (0.65, "about as likely as not"),
    (0.9, "likely"),
    (0.99, "very likely"),
    (1.01, "almost certain"),
)
"""Chances below which something is called so (own choice)."""

NOTHING_CAME_IN = "nothing came in with this enquiry"
"""Why a step cannot be taken that needs more than a question or a picture."""
BOARD_ALONE = "of this case the board is all that came in"
MADE = "it was made already, and it is on record how it went"
OVER = "The case is closed: nothing is to be done next."
"""In the place of steps, unless every one is asked for."""


def stop_sentences(one: KeepOff) -> tuple[str, str, str]:
    """Why a drive should get no power: what to do, why, what else would follow."""
    return (
        f"STOP: give the drive of bay {one.bay} no power.",
        one.why,
        "Every second it turns can lose data.",
    )


def closed_sentences(one: ClosedBoard) -> tuple[str, str, str]:
    """The same of a drive from which the electrical sheet of its board keeps power away."""
    opens = (
        "Mend the board and measure it again, or put the swap down once another board is on it and works."
        if one.mendable
        else "Mend what was found and measure it again before the drive gets any."
    )
    return one.stop, one.why, opens


def before_power_sentences(told: Triage) -> list[str]:
    """What is to be found out before anything gets power, as long as nobody said anything that stops it."""
    if told.kind is CaseKind.ENQUIRY:
        return []
    if not told.is_examined:
        return [f"Nothing is known yet: {LOOK} before anything gets power."]
    return [
        f"Damage inside the drive of bay {one.bay} is {chance_text(one.chance)} likely by what the case "
        f"shows of itself{_reasons(one)}; nobody has said anything of it yet: {LOOK} before it gets power."
        for one in told.unheard
    ]


def _reasons(one: KeepOff) -> str:
    because = "; ".join(one.words[:REASONS_SHOWN])
    return f" ({because})" if because else ""


def beside_sentence(told: Triage, asked: Asked) -> str:
    """What is known of another sign that says where to look before an open one is answered; empty if
    nothing."""
    smell = told.known.get(Asked("smell"))
    if asked.sign != "burn" or asked in told.known or smell is None or smell.answer != "burnt":
        return ""
    return "A burn, or the smell of one, is on record of the box: see whether it is this board."


def subject_sentence(told: Triage, currency: str = "") -> str:
    """What is judged, and what its data is taken to be worth.

    Args:
        currency: of the shop; empty to leave it out.
    """
    assumed = " (assumed, as no bay is described yet)" if told.assumed else ""
    return f"{_what(told)}{assumed}; its data is taken to be worth {_amount(told.stakes.data, currency)}."


def _amount(value: float, currency: str) -> str:
    return f"{value:.0f} {currency}".rstrip()


def _what(told: Triage) -> str:
    if told.kind in LOOSE_BOARD:
        return "A loose board, judged with the drive it belongs to"
    if told.kind is CaseKind.ENQUIRY:
        return "Pictures alone, judged as a drive that came alone"
    if not told.subject.box:
        return "A drive alone"
    return "A box with one drive" if len(told.subject.bays) == 1 else "A box with two drives"


def tried_sentences(told: Triage) -> list[str]:
    """The repairs that were made; of what nobody tried yet also what puts down what came of it."""
    made = [
        f"{HOW_IT_WENT[HELPED if one.helped else TRIED].capitalize()}: {one.step.id}{in_bay(one.bay)}"
        f"{done_words(one)}."
        for one in (*told.mended, *told.tried)
    ]
    return made + [
        f"Done, and not tried yet: {one.step.id}{in_bay(one.bay)}{done_words(one)}. Once it is tried, "
        f"{tried_command(told.case, one)} puts down what came of it."
        for one in told.untried
    ]


def done_words(one: ToldTry) -> str:
    """What was done, behind the step; empty if nobody said."""
    return f" ({one.done.rstrip('.')})" if one.done else ""


def tried_command(case: int, one: ToldTry) -> str:
    """What puts down what came of a repair, as it is typed."""
    bay = f" --bay {shlex.quote(one.bay)}" if one.bay else ""
    return f"mendbay triage tried {case} {one.step.id}{bay} --came ready"


def open_again_sentence(told: Triage) -> str:
    """What a repair may have changed; empty if nothing."""
    if not told.open_again:
        return ""
    return f"Open again, as the repair may have changed it: {', '.join(map(called, told.open_again))}."


def chance_words(chance: float) -> str:
    """A chance in words alone."""
    return next(words for below, words in CHANCES if chance < below)


def figures(offer: Offer, currency: str = "") -> str:
    """A step's figures, to be read in one line.

    Args:
        currency: of the shop; empty to leave it out.
    """
    parts = [
        f"whole job {_amount(offer.total, currency)}",
        f"this step {_amount(offer.cost, currency)}",
    ]
    if offer.step.kind is StepKind.TEST:
        saves = _amount(max(0.0, offer.saves), currency)
        parts.append(f"its answer saves {saves} against going on without it")
    else:
        parts.append(f"gives the data with {chance_text(offer.solves)}")
    if offer.harm >= LEAST_HARM:
        parts.append(f"loses {chance_text(offer.harm)} of it on average")
    return ", ".join(parts)


def first_sentence(offers: Sequence[Offer], offer: Offer, currency: str = "") -> str:
    """Why a step stands before others that cost less by their figures; empty for one that stands where its
    figure puts it.

    Args:
        offers: all that are offered, in their order.
        currency: of the shop; empty to leave it out.
    """
    if not offer.before:
        return ""
    after = next((one.total for one in offers if not one.before and not one.barred), offer.total)
    more = round(offer.total) - round(after)
    although = f", though the whole job comes to {_amount(more, currency)} more by it" if more > 0 else ""
    return f"First{although}: it is safe, and tells whether what follows does harm."


def because(told: Triage, offer: Offer) -> str:
    """Why giving the job back would be best, if the step is that; else empty."""
    return str(given_back(told)) if offer.step.id == GIVE_BACK else ""


def held_sentences(told: Triage, offer: Offer) -> list[str]:
    """Why a step should not be taken now, if so."""
    found: list[str] = []
    if offer.refused:
        title = packaged_risks()[offer.refused].title
        found.append(f"REFUSED: the customer does not agree to {title}.")
    shut = any(one.bay == offer.barred for one in told.closed_boards)
    if not shut and any(one.bay == offer.barred for one in told.unheard):
        found.append(
            f"NOT YET: this gives power to the drive of bay {offer.barred}, which may be damaged inside: "
            f"{LOOK} first."
        )
    elif offer.barred:
        what = "Take it out first." if not offer.bay else "Do what is offered before."
        if shut and offer.bay:
            what = "See what its electrical sheet says first."
        found.append(
            f"NOT NOW: this gives power to the drive of bay {offer.barred}, which should get none. {what}"
        )
    return found


def step_called(offer: Offer) -> str:
    """A step by its name and bay."""
    return f"{offer.step.id}{in_bay(offer.bay)}"


def refused_sentences(told: Triage) -> list[str]:
    """What is not listed because the customer refused it."""
    ids = dict.fromkeys(one.refused for one in told.offers if one.refused)
    return [f"Not offered, as the customer refused it: {packaged_risks()[one].title}." for one in ids]


def speak_again_sentences(
    told: Triage, currency: str = "", name: Callable[[Offer], str] = step_called
) -> list[str]:
    """Where the customer should be spoken to again, the step that would then be taken and what it brings.

    Args:
        currency: of the shop; empty to leave it out.
        name: what a step is called.
    """
    found: list[str] = []
    for one in told.speak_again:
        titles = " and ".join(packaged_risks()[each].title for each in one.consents)
        found.append(
            f"Speak to the customer again about {titles}: it would allow {name(one.offer)}, "
            f"{figures(one.offer, currency)}; without it the whole job is expected to cost "
            f"{_amount(one.instead, currency)}."
        )
    return found


def moved_sentence(told: Believed, one: Moved) -> str:
    """What an answer did to a fault, in words, without its bits."""
    return f"{moved_how(one)}: {answer_words(told.belief, one)}"


def moved_how(one: Moved) -> str:
    """How strongly an answer speaks for or against a fault."""
    how = next(words for below, words in SIZES if abs(one.bits) < below)
    return f"{how} {'for it' if one.bits > 0 else 'against it'}"


def begins_sentence(tables: Tables, fault: str) -> str:
    """The share with which a fault begins, and where that is from."""
    first = tables.faults[fault].first
    share = chance_text(float(first.value))
    return f"It begins with a share of {share} of all cases, as their first fault ({first.source})."


def place_words(tables: Tables, place: Place) -> str:
    """A fault, and of which drive it is."""
    words = tables.faults[place.fault].words
    return f"bay {place.bay}: {words}" if place.bay else words


def layout_words(told: Triage) -> list[tuple[str, float]]:
    """How the drives may belong together, each with its chance; nothing for a drive alone."""
    if not told.subject.box:
        return []
    layouts = told.belief.worlds.tables.layouts.values()
    return [(one.words, told.belief.layout(one.id)) for one in layouts]


def rests_sentence(told: Triage) -> str:
    """What the figures rest on."""
    return f"It rests on our tables and {counted(told.rests_on, 'closed case')}"


def called(asked: Asked) -> str:
    """A sign by its name and bay."""
    return f"{asked.sign}{in_bay(asked.bay)}"


def in_bay(bay: str) -> str:
    """` (bay 1)`; empty for what is of the box or case."""
    return f" (bay {bay})" if bay else ""
