"""What the customer refused: the steps that are left, and where speaking to them again would help most."""

from __future__ import annotations

from dataclasses import dataclass, replace

from mendbay.triage.belief import Belief
from mendbay.triage.next_step import NextStep, Offer, Shut
from mendbay.triage.stakes import Stakes

MINUTES_OF_ASKING = 10
"""What it takes to speak to the customer once more (common practice, no source): below what that costs
nothing is gained by it."""


@dataclass(frozen=True, slots=True)
class SpeakAgain:
    """What would help and was refused.

    Args:
        consents: what the customer would have to agree to.
        offer: the best step that needs it, with its figures if they agree.
        instead: what the whole job is expected to cost as long as they do not.
    """

    consents: tuple[str, ...]
    offer: Offer
    instead: float


def offers_within(
    belief: Belief,
    stakes: Stakes,
    refused: frozenset[str] = frozenset(),
    shut: tuple[Shut, ...] = (),
) -> tuple[Offer, ...]:
    """Every step that can be taken, the one to do next first; what the customer refused stands last, with
    what it would have been worth, and nothing else counts on it. `shut` as in `NextStep`."""
    free = NextStep(belief, stakes, refused, shut).offers()
    if not refused:
        return free
    held = (
        replace(one, before=False, refused=min(refused & set(one.step.consents)))
        for one in NextStep(belief, stakes, shut=shut).offers()
        if refused & set(one.step.consents)
    )
    return (*free, *held)


def speak_again(
    belief: Belief,
    stakes: Stakes,
    refused: frozenset[str],
    offers: tuple[Offer, ...],
    shut: tuple[Shut, ...] = (),
) -> tuple[SpeakAgain, ...]:
    """The refusals that cost more than asking once more, each with the step it keeps away, the best first;
    all together where no single one helps.

    Args:
        offers: as `offers_within` gives them.
        shut: as in `NextStep`.
    """
    instead = min(one.total for one in offers if not (one.refused or one.barred))
    tables = belief.worlds.tables
    named = {consent for step in tables.steps.values() for consent in step.consents}
    least = MINUTES_OF_ASKING * float(tables.minute_cost.value)
    concerned = sorted(refused & named)
    found: list[SpeakAgain] = []
    for consent in concerned:
        fewer = refused - {consent}
        agreed = offers if len(concerned) == 1 else NextStep(belief, stakes, fewer, shut).offers()
        found += _best(agreed, frozenset({consent}), instead - least, instead)
    if not found and len(concerned) > 1:
        found += _best(offers, frozenset(concerned), instead - least, instead)
    return tuple(sorted(found, key=lambda one: one.offer.total))


def _best(
    agreed: tuple[Offer, ...], consents: frozenset[str], most: float, instead: float
) -> list[SpeakAgain]:
    """The best step that needs one of these, where the whole job costs no more than `most` with it."""
    fit = [one for one in agreed if consents & set(one.step.consents) and not one.barred]
    best = min(fit, key=lambda one: one.total, default=None)
    if best is None or best.total > most:
        return []
    needed = tuple(sorted(consents & set(best.step.consents)))
    return [SpeakAgain(needed, replace(best, refused="", before=False), instead)]
