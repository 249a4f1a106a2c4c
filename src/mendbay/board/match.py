"""Which donor fits a patient, and why: ranking with every attribute's part in it.

What rules a donor out (stops) is kept apart from what only moves the odds. What is not known of either
side is neither a match nor a mismatch: it has a coefficient and words of its own.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from functools import cached_property

from mendbay.board.confusable import alike_to_the_eye
from mendbay.board.description import BoardDescription, comparison_key, number_shape, revision_key
from mendbay.board.stock import Condition, Kind, StockItem, StockState
from mendbay.board.swap_odds import (
    ATTRIBUTES,
    LEVELS,
    Agreement,
    Attribute,
    Level,
    Odds,
    Priors,
    Purpose,
    SwapOdds,
)
from mendbay.core.errors import UsageError
from mendbay.core.texts import require_line

ALTERNATIVES_LIMIT = 100_000
UNKNOWN_DAYS = 2**31 - 1
"""Stands for a date distance that is not known: it comes after every one that is."""

_FIELDS = {
    Attribute.BOARD_NUMBER: "board_number",
    Attribute.REVISION: "revision",
    Attribute.CONTROLLER: "controller",
    Attribute.MOTOR_DRIVER: "motor_driver",
    Attribute.FAMILY: "family",
    Attribute.MODEL: "model",
    Attribute.FIRMWARE: "firmware",
    Attribute.SITE: "site",
    Attribute.HEADS_MAP: "heads_map",
}
TEXT_ATTRIBUTES = tuple(_FIELDS)
"""Attributes that are texts of a description, in a fixed order."""


def text_of(description: BoardDescription, attribute: Attribute) -> str:
    """The text of one attribute, as written."""
    value: str = getattr(description, _FIELDS[attribute])
    return value


def key_of(attribute: Attribute, text: str) -> str:
    """The text of one attribute as it is compared; empty if it says nothing."""
    return revision_key(text) if attribute is Attribute.REVISION else comparison_key(text)


TELLING = 0.2
"""Log-odds from which an attribute's part is worth being shown by itself (own choice)."""


@dataclass(frozen=True, slots=True)
class Alternative:
    """A row of the shop's table: a donor with `donor` can stand for a patient with `wanted`.

    Args:
        attribute: one of `TEXT_ATTRIBUTES`.
        wanted, donor: the two values.
        both_ways: whether the reverse holds too.
        board_number: if not empty, only for patients with this board number.
        reason: where the shop has it from.

    Raises:
        UsageError: not such an attribute, an empty value, or a text that cannot be kept.
    """

    attribute: Attribute
    wanted: str
    donor: str
    both_ways: bool = False
    board_number: str = ""
    reason: str = ""

    def __post_init__(self) -> None:
        if self.attribute not in _FIELDS:
            raise UsageError(
                f"There are no alternatives in {self.attribute}.", "Choose an attribute that is a marking."
            )
        for text in (self.wanted, self.donor, self.board_number, self.reason):
            require_line(text, "alternative")
        if not key_of(self.attribute, self.wanted) or not key_of(self.attribute, self.donor):
            raise UsageError("An alternative names only one value.", "Give the patient's and the donor's.")


@dataclass(frozen=True)
class Wanted:
    """What is looked for.

    Args:
        patient: what is known of the failed board and drive.
        purpose: what the donor is for.
        rom: for a board swap, what will be done with the unique board data (see `unique_data`).
        alternatives: the shop's table.
        case: number of the case; what is reserved for it counts as free. 0 for none.

    Raises:
        UsageError: more than `ALTERNATIVES_LIMIT` alternatives, or not a level of the ROM.
    """

    patient: BoardDescription
    purpose: Purpose = Purpose.BOARD_SWAP
    rom: Level = Level.MOVED
    alternatives: tuple[Alternative, ...] = ()
    case: int = 0

    def __post_init__(self) -> None:
        if len(self.alternatives) > ALTERNATIVES_LIMIT:
            raise UsageError(
                f"A table of {len(self.alternatives)} alternatives is too long.",
                f"Keep at most {ALTERNATIVES_LIMIT}.",
            )
        if self.rom not in LEVELS[Attribute.ROM]:
            raise UsageError(f"A ROM cannot be '{self.rom}'.", "Say whether it is moved.")

    @cached_property
    def keys(self) -> dict[Attribute, str]:
        """The patient's values as they are compared."""
        return {one: key_of(one, text_of(self.patient, one)) for one in TEXT_ATTRIBUTES}

    @cached_property
    def accepted(self) -> dict[Attribute, frozenset[str]]:
        """The values that may stand for the patient's, as they are compared; never its own value."""
        found: dict[Attribute, set[str]] = {one: set() for one in TEXT_ATTRIBUTES}
        for one in self.alternatives:
            only_for = comparison_key(one.board_number)
            if only_for and only_for != self.keys[Attribute.BOARD_NUMBER]:
                continue
            wanted, donor = key_of(one.attribute, one.wanted), key_of(one.attribute, one.donor)
            own = self.keys[one.attribute]
            if own == wanted:
                found[one.attribute].add(donor)
            elif own == donor and one.both_ways:
                found[one.attribute].add(wanted)
        return {one: frozenset(keys - {self.keys[one], ""}) for one, keys in found.items()}


class StopReason(StrEnum):
    """What rules a donor out."""

    ATTRIBUTE = "attribute"
    DAMAGED = "damaged"
    USED = "used"
    RESERVED = "reserved"
    REMOVED = "removed"
    NO_HEADS = "no heads"
    NOTHING_SHARED = "nothing shared"
    """None of what would rule it out is known of both."""


@dataclass(frozen=True, slots=True)
class Stop:
    """One thing that rules a donor out, in a sentence; `attribute` says which, where it is one."""

    reason: StopReason
    words: str
    attribute: Attribute | None = None


@dataclass(frozen=True, slots=True)
class Part:
    """One attribute's part in the odds.

    Args:
        attribute, level: what was compared and how it agrees.
        patient, donor: the values as written; empty if unknown or not a marking.
        log_odds: what it adds to the log-odds of success.
        words: the same in a sentence.
    """

    attribute: Attribute
    level: Level
    patient: str
    donor: str
    log_odds: float
    words: str


@dataclass(frozen=True, slots=True)
class Match:
    """One donor against the patient.

    Args:
        item: the donor.
        agreement: how the two agree; what to record with the swap's outcome.
        stops: what rules it out; empty for a donor that fits.
        parts: every attribute's part; with `start` they add up to `odds.log_odds`.
        start: the log-odds before any attribute is looked at.
        odds: the chance of success and what it rests on.
        days_apart: between the two dates of making; None if one is unknown.
        notes: what else to know before taking it.
    """

    item: StockItem
    agreement: Agreement
    stops: tuple[Stop, ...]
    parts: tuple[Part, ...]
    start: float
    odds: Odds
    days_apart: int | None
    notes: tuple[str, ...]

    @property
    def start_chance(self) -> float:
        """`start` as a chance, 0 to 1: what each part of the odds moves."""
        return 1.0 / (1.0 + math.exp(-self.start))

    @property
    def sum_chance(self) -> float:
        """What `start` and the parts add up to as a chance, 0 to 1, as if they were certain. `odds.chance` is
        averaged over what is not, and so nearer to the middle."""
        return 1.0 / (1.0 + math.exp(-self.odds.log_odds))

    @property
    def weighed(self) -> tuple[Part, ...]:
        """The parts, those that weigh most first."""
        return tuple(sorted(self.parts, key=lambda one: -abs(one.log_odds)))

    @property
    def telling(self) -> tuple[Part, ...]:
        """Those of them that weigh enough to be shown where not all are."""
        return tuple(one for one in self.weighed if abs(one.log_odds) >= TELLING)

    @property
    def fits(self) -> bool:
        """Whether nothing rules the donor out."""
        return not self.stops


@dataclass(frozen=True, slots=True)
class Ranking:
    """Donors in the order to try them.

    `fitting` are the likeliest that nothing rules out, `stopped` the nearest of the others, both cut at the
    limit asked for; the totals count all of them. Order: fewest stops, then the highest chance, the
    smallest distance in date (unknown last), the lowest item number.
    """

    fitting: tuple[Match, ...]
    stopped: tuple[Match, ...]
    fitting_total: int
    stopped_total: int


def agreement_between(wanted: Wanted, item: StockItem, priors: Priors) -> Agreement:
    """How the patient and one donor agree, attribute by attribute.

    A revision counts only between boards of the same number: that of another board says nothing.
    """
    levels: list[Level] = []
    for attribute in ATTRIBUTES[wanted.purpose]:
        if attribute is Attribute.CONDITION:
            level = Level(item.condition)
        elif attribute is Attribute.ROM:
            level = wanted.rom
        elif attribute is Attribute.MADE_ON:
            level = _date_level(days_apart(wanted, item), priors)
        elif attribute is Attribute.REVISION and levels[0] is not Level.SAME:
            level = Level.UNKNOWN
        else:
            level = _text_level(wanted, attribute, key_of(attribute, text_of(item.description, attribute)))
        levels.append(level)
    return Agreement(wanted.purpose, tuple(levels))


def _text_level(wanted: Wanted, attribute: Attribute, donor: str) -> Level:
    own = wanted.keys[attribute]
    if not own or not donor:
        return Level.UNKNOWN
    if own == donor:
        return Level.SAME
    return Level.LISTED if donor in wanted.accepted[attribute] else Level.DIFFERENT


def _date_level(days: int | None, priors: Priors) -> Level:
    if days is None:
        return Level.UNKNOWN
    if days <= priors.close_days:
        return Level.CLOSE
    return Level.NEAR if days <= priors.near_days else Level.FAR


def days_apart(wanted: Wanted, item: StockItem) -> int | None:
    """Days between the dates of making; None if one is unknown."""
    own, donor = wanted.patient.made_on, item.description.made_on
    if not own or not donor:
        return None
    return abs((date.fromisoformat(own) - date.fromisoformat(donor)).days)


def count_stops(wanted: Wanted, item: StockItem, agreement: Agreement, priors: Priors) -> int:
    """How many things rule the donor out."""
    stopping = len(_stopping_attributes(agreement, priors)) + len(_stops_of_item(wanted, item))
    return stopping + _shares_nothing(agreement, priors)


def _stopping_attributes(agreement: Agreement, priors: Priors) -> list[Attribute]:
    stops = priors.stops[agreement.purpose]
    pairs = zip(ATTRIBUTES[agreement.purpose], agreement.levels, strict=True)
    return [one for one, level in pairs if one in stops and level is Level.DIFFERENT]


def _shares_nothing(agreement: Agreement, priors: Priors) -> bool:
    """Whether nothing that could rule the donor out is known of both: then nothing speaks for it either."""
    return all(agreement.level(one) is Level.UNKNOWN for one in priors.stops[agreement.purpose])


def _stops_of_item(wanted: Wanted, item: StockItem) -> list[Stop]:
    stops = []
    if item.state is StockState.USED:
        stops.append(Stop(StopReason.USED, f"Already used, in case {item.case}."))
    elif item.state is StockState.REMOVED:
        stops.append(Stop(StopReason.REMOVED, "No longer in the stock."))
    elif item.state is StockState.RESERVED and item.case != wanted.case:
        stops.append(Stop(StopReason.RESERVED, f"Reserved for case {item.case}."))
    if item.condition is Condition.DAMAGED:
        stops.append(Stop(StopReason.DAMAGED, "The donor is damaged."))
    if wanted.purpose is Purpose.HEAD_TRANSPLANT and item.kind is Kind.BOARD:
        stops.append(Stop(StopReason.NO_HEADS, "A board alone has no heads to move."))
    return stops


def judge(wanted: Wanted, item: StockItem, odds: SwapOdds) -> Match:
    """One donor against the patient, with every attribute's part in the odds.

    Raises:
        ValueError: the odds are for another purpose.
    """
    agreement = agreement_between(wanted, item, odds.priors)
    stops = [
        Stop(StopReason.ATTRIBUTE, _stop_words(wanted, item, one), one)
        for one in _stopping_attributes(agreement, odds.priors)
    ]
    if _shares_nothing(agreement, odds.priors):
        names = " nor ".join(sorted(str(one) for one in odds.priors.stops[wanted.purpose]))
        words = f"Neither {names} is known of both: look at the part first."
        stops.append(Stop(StopReason.NOTHING_SHARED, words))
    pairs = zip(ATTRIBUTES[wanted.purpose], agreement.levels, strict=True)
    days = days_apart(wanted, item)
    return Match(
        item,
        agreement,
        (*stops, *_stops_of_item(wanted, item)),
        tuple(_part(wanted, item, one, level, odds, days) for one, level in pairs),
        odds.start,
        odds.odds(agreement),
        days,
        tuple(_notes(wanted, item)),
    )


def rank(wanted: Wanted, items: Iterable[StockItem], odds: SwapOdds, limit: int = 10) -> Ranking:
    """Ranks donors one by one. For a large stock `stock_index.StockIndex` gives the same order at once.

    Raises:
        ValueError: a limit below 1, or odds for another purpose.
    """
    if limit < 1 or odds.purpose is not wanted.purpose:
        raise ValueError(f"cannot rank {limit} donors for a {wanted.purpose} by odds of a {odds.purpose}")
    scores: dict[Agreement, float] = {}
    totals = [0, 0]
    rows: tuple[list[tuple[tuple[float, ...], StockItem]], ...] = ([], [])
    for item in items:
        agreement = agreement_between(wanted, item, odds.priors)
        score = scores.get(agreement)
        if score is None:
            score = scores[agreement] = odds.score(agreement)
        stops = count_stops(wanted, item, agreement, odds.priors)
        days = days_apart(wanted, item)
        place = (stops, -score, UNKNOWN_DAYS if days is None else days, item.number)
        rows[stops > 0].append((place, item))
        totals[stops > 0] += 1
    fitting, stopped = (heapq.nsmallest(limit, some, key=lambda row: row[0]) for some in rows)
    return Ranking(
        tuple(judge(wanted, item, odds) for _, item in fitting),
        tuple(judge(wanted, item, odds) for _, item in stopped),
        totals[0],
        totals[1],
    )


def strength_words(log_odds: float) -> str:
    """What a change of log-odds means, in words: `clearly raises the odds (x 2.0)`."""
    size = abs(log_odds)
    if size < 0.05:
        return "hardly moves the odds"
    verb = "raises" if log_odds > 0 else "lowers"
    how = "slightly" if size < 0.4 else "clearly" if size < 1.2 else "strongly"
    return f"{how} {verb} the odds (× {math.exp(log_odds):.2g})"


def _part(
    wanted: Wanted, item: StockItem, attribute: Attribute, level: Level, odds: SwapOdds, days: int | None
) -> Part:
    log_odds = odds.contribution(attribute, level)
    strength = strength_words(log_odds)
    if level is Level.UNKNOWN:
        strength = f"not knowing it {strength}"
    if attribute is Attribute.CONDITION:
        return Part(attribute, level, "", level, log_odds, f"The donor is {_condition(level)}: {strength}.")
    if attribute is Attribute.ROM:
        return Part(attribute, level, level, "", log_odds, f"{_rom(level)}: {strength}.")
    if attribute is Attribute.MADE_ON:
        own, donor = wanted.patient.made_on, item.description.made_on
        apart = "" if days is None else f"Made {_days_words(days)} apart ({level})"
        said = apart or _unknown(attribute, own, donor)
        return Part(attribute, level, own, donor, log_odds, f"{said}: {strength}.")
    own, donor = text_of(wanted.patient, attribute), text_of(item.description, attribute)
    return Part(attribute, level, own, donor, log_odds, f"{_said(attribute, level, own, donor)}: {strength}.")


def _said(attribute: Attribute, level: Level, own: str, donor: str) -> str:
    if level is Level.SAME:
        return f"Same {attribute} ({donor})"
    if level is Level.LISTED:
        return f"{_begun(attribute)} {donor} is listed as standing for {own}"
    if level is Level.DIFFERENT:
        return f"{_begun(attribute)} {donor} instead of {own}"
    if attribute is Attribute.REVISION and comparison_key(own) and comparison_key(donor):
        return "The revisions cannot be compared, as the boards are not known to have the same number"
    return _unknown(attribute, own, donor)


def _unknown(attribute: Attribute, own: str, donor: str) -> str:
    has = [comparison_key(own) != "", comparison_key(donor) != ""]
    whose = {(False, False): "either", (False, True): "the patient", (True, False): "the donor"}
    side = whose.get((has[0], has[1]), "either")
    return f"{_begun(attribute)} of {side} is not known"


def _stop_words(wanted: Wanted, item: StockItem, attribute: Attribute) -> str:
    own, donor = text_of(wanted.patient, attribute), text_of(item.description, attribute)
    said = f"Another {attribute}: {donor} instead of {own}, and no alternative is listed"
    alike = alike_to_the_eye(own, donor)
    if alike:
        pairs = " and ".join(f"{one} for {other}" for one, other in alike)
        return f"{said}; but they only differ in signs that look alike ({pairs}): look at both parts again."
    if attribute is Attribute.BOARD_NUMBER and number_shape(own) != number_shape(donor):
        said += "; even the form of the number differs"
    return f"{said}."


def _notes(wanted: Wanted, item: StockItem) -> list[str]:
    notes = []
    swap = wanted.purpose is Purpose.BOARD_SWAP
    if swap and item.condition is Condition.ROM_MISSING:
        notes.append(
            "The donor's ROM chip is gone: the patient's own chip must be moved, its data is not enough."
        )
    if swap and item.kind is Kind.DRIVE:
        notes.append("Taking the board leaves a donor drive that can no longer be tested as it stands.")
    if item.state is StockState.RESERVED and item.case == wanted.case:
        notes.append("Already reserved for this case.")
    return notes


def _condition(level: Level) -> str:
    return {Level.UNTESTED: "not tested", Level.ROM_MISSING: "without its ROM"}.get(level, str(level))


def _rom(level: Level) -> str:
    return {
        Level.MOVED: "The unique board data (ROM) is moved to the donor",
        Level.NOT_MOVED: "The unique board data (ROM) is not moved",
        Level.NOT_NEEDED: "The unique board data (ROM) need not be moved",
    }.get(level, "What is done with the unique board data (ROM) is not known")


def _days_words(days: int) -> str:
    if days < 60:
        return "1 day" if days == 1 else f"{days} days"
    months = round(days / 30.44)
    return f"about {months} months" if months < 24 else f"about {days / 365.25:.0f} years"


def _begun(text: str) -> str:
    return text[:1].upper() + text[1:]
