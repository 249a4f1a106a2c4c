"""Which of all steps are shown first, why one is not offered, and why a job would be given back as it is."""

from __future__ import annotations

from enum import Enum, StrEnum

from mendbay.case.records import LOOSE_BOARD, CaseKind
from mendbay.jobs.triage_case import Triage, of_board
from mendbay.triage.next_step import Offer
from mendbay.triage.tables import Seat, StepKind

SHOWN = 6
"""Steps in the short list; the same for the other drive is no further one (own choice)."""
LEAST = 0.02
"""Chance from which a fault is listed, and of giving the data from which a repair is (own choice)."""
GIVE_BACK = "give-back"
"""The step that ends a job without more being done."""


class GivenBack(StrEnum):
    """Why giving it back as it is would be best."""

    NOT_BEST = ""
    DEAR = "What can be done would cost more than the data is worth."
    REFUSED = "What the customer refused leaves nothing that would help."


class NotOffered(Enum):
    """Why a step that somebody names is not among those that can be taken."""

    NO_SUCH_STEP = "there is none of that name"
    OF_A_DRIVE = "it is of a drive, and none is named"
    OF_NO_DRIVE = "a drive is named, and it is of none"
    NOTHING_CAME_IN = "nothing came in with an enquiry that it could be done to"
    BOARD_ALONE = "the board is all that came in, and it takes its drive"
    NEEDS_FIRST = "what it needs is not known, or does not allow it"
    KNOWN = "what it would tell is known"
    MADE = "it is on record as made"


def why_not_offered(told: Triage, step: str, bay: str) -> NotOffered:
    """Why a step is not offered.

    Args:
        bay: of the drive it would be of; empty for none.
    """
    known = told.belief.worlds.tables.steps.get(step)
    if known is None:
        return NotOffered.NO_SUCH_STEP
    if known.seat is Seat.BAY and not bay:
        return NotOffered.OF_A_DRIVE
    if known.seat is not Seat.BAY and bay:
        return NotOffered.OF_NO_DRIVE
    if told.kind is CaseKind.ENQUIRY and not (known.asked or known.pictured):
        return NotOffered.NOTHING_CAME_IN
    if told.kind in LOOSE_BOARD and not of_board(known):
        return NotOffered.BOARD_ALONE
    if any((one.step.id, one.bay) == (step, bay) for one in (*told.tried, *told.mended, *told.untried)):
        return NotOffered.MADE
    if all(_is_met(told, sign, answer, bay) for sign, answer in known.needs):
        return NotOffered.KNOWN
    return NotOffered.NEEDS_FIRST


def _is_met(told: Triage, sign: str, answer: str, bay: str) -> bool:
    """Whether what a step needs is known, and allows it.

    Args:
        answer: the one that does; empty for any.
    """
    return any(
        asked.sign == sign and bay in ("", asked.bay or bay) and answer in ("", known.answer)
        for asked, known in told.known.items()
    )


def held(offer: Offer) -> bool:
    """Whether a step should not be taken now."""
    return bool(offer.barred or offer.refused)


def short_list(told: Triage) -> tuple[Offer, ...]:
    """The first steps: no test that costs more than it saves, no repair that hardly helps and nothing that
    should not be done now; but what a repair opened again, the best repair of the likeliest fault and the
    best way of ending the job always, where there is one; in the model's order, the one to do next first. Of
    an enquiry everything: it is little."""
    if told.kind is CaseKind.ENQUIRY:
        return told.offers
    good = [one for one in told.offers if not held(one) and _promises(one)]
    names = list(dict.fromkeys(one.step.id for one in good))[:SHOWN]
    always = (_repair_of_likeliest(told), _end(told))
    chosen = [*(one for one in good if one.step.id in names), *(one for one in always if one is not None)]
    return tuple(one for one in told.offers if one in chosen)


def given_back(told: Triage) -> GivenBack:
    """Why giving it back is best, if it is."""
    free = [one for one in told.offers if not held(one)]
    if not free or min(free, key=lambda one: one.total).step.id != GIVE_BACK:
        return GivenBack.NOT_BEST
    helps = any(one.solves >= LEAST for one in free)  # what is free and helps is too dear, not refused
    return GivenBack.REFUSED if told.speak_again and not helps else GivenBack.DEAR


def _promises(one: Offer) -> bool:
    """Whether a step is more than a possibility."""
    if one.step.kind is StepKind.TEST:
        return one.before or one.step.again or one.saves > one.cost
    return one.solves >= LEAST


def _repair_of_likeliest(told: Triage) -> Offer | None:
    """The best repair that mends the likeliest fault and can be made now."""
    place, chance = told.belief.ranked()[0]
    fit = (
        one
        for one in told.offers
        if place.fault in one.step.fixes and one.bay in ("", place.bay) and not held(one)
    )
    return next(fit, None) if chance >= LEAST else None


def _end(told: Triage) -> Offer | None:
    return next((one for one in told.offers if one.step.kind is StepKind.HAND_ON and not held(one)), None)
