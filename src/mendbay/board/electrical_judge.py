"""What a typed value amounts to: its class, with the reason; and what a motor's readings say together.

A value is a range: a bound, repeated readings and leads that nobody measured all leave it open by a known
amount. It is judged only if the whole range lies in one class, in every context that may be meant; else
it cannot be judged, and the reason says what would help.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction

from mendbay.board.electrical_form import (
    ElectricalForm,
    Expected,
    Group,
    Size,
    Step,
    ValueClass,
)
from mendbay.board.electrical_units import Reading, Unit, amount_text, parse_reading
from mendbay.core.errors import UsageError

Phases = tuple[Fraction, Fraction, Fraction]

_NOTHING = Fraction(0)


@dataclass(frozen=True, slots=True)
class Leads:
    """What the meter's leads have, in ohms: from `least` to `most`, equal once they were measured."""

    least: Decimal
    most: Decimal

    @property
    def known(self) -> bool:
        return self.least == self.most


@dataclass(frozen=True, slots=True)
class Context:
    """What a value is judged by beside itself: the drive's size, the leads used, and the words chosen at
    other steps, by step."""

    size: Size
    leads: Leads
    chosen: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Judgement:
    """One step's outcome.

    Args:
        step: its id.
        value_class: the class.
        why: the reason in a sentence, with the limits and where they come from.
        observation: what it is evidence of; empty if of nothing.
        least, most: the value with the leads taken off, as a range; None for a choice or no value.
        resolution: the step of the last digit typed.
        typed: the one value typed, leads included (the middle of repeated readings); None if there is none.
        chosen: the word chosen, for a choice.
        closes: whether it closes the gates that its step guards, or needs if it guards none.
        entry: the number of the entry judged; 0 for none.
    """

    step: str
    value_class: ValueClass
    why: str
    observation: str = ""
    least: Decimal | None = None
    most: Decimal | None = None
    resolution: Decimal = Decimal(0)
    typed: Decimal | None = None
    chosen: str = ""
    closes: bool = False
    entry: int = 0


def classify(value: Decimal, expected: Expected) -> ValueClass:
    """The class of a number by the limits of one context: never falls while the value rises (`RISING`)."""
    if expected.short_below and value < expected.short_below.value:
        return ValueClass.SHORT
    if expected.at_least and value < expected.at_least.value:
        return ValueClass.LOW
    if expected.open_above and value > expected.open_above.value:
        return ValueClass.OPEN
    if expected.at_most and value > expected.at_most.value:
        return ValueClass.HIGH
    if expected.below and value >= expected.below.value:
        return ValueClass.HIGH
    return ValueClass.WITHIN


def judge(form: ElectricalForm, step: Step, text: str, context: Context) -> Judgement:
    """Judges what was typed at a step.

    Raises:
        UsageError: the text is neither a value of the step's unit nor one of its words.
    """
    if step.unit is Unit.CHOICE:
        return _judge_choice(step, text)
    reading = parse_reading(text, step.unit)
    least, most = _without_leads(form, step, reading, context.leads)
    read_off = reading.most.is_finite() and (reading.count > 1 or reading.exact is not None)
    typed = (reading.least + reading.most) / 2 if read_off else None
    bare = Judgement(
        step.id, ValueClass.CANNOT_BE_JUDGED, "", step.observation, least, most, reading.resolution, typed
    )
    possible = [one for one in step.expected if _may_apply(one, step, context)]
    stops = any(_stops(one, least, most) for one in possible)
    if _wanders(form, step, reading):
        return replace(
            bare, value_class=ValueClass.UNSTABLE, why="The value does not hold still.", closes=stops
        )
    if not possible:
        why = f"It can be judged only once this is known: {form.steps[step.depends_on].question}"
        return replace(bare, why=why)
    classes = {classify(end, one) for one in possible for end in (least, most)}
    if len(classes) > 1:
        return replace(bare, why=_undecided(step, reading, context, possible), closes=stops)
    (value_class,) = classes
    closes = stops or (value_class is ValueClass.SHORT and bool(step.guards))
    why = _reason(step, bare, context, possible, value_class, stops)
    return replace(bare, value_class=value_class, why=why, closes=closes)


def judge_groups(form: ElectricalForm, judgements: Mapping[str, Judgement]) -> dict[str, Judgement]:
    """The judgements with those changed that are within their own range but not like their group."""
    changed = dict(judgements)
    for group in form.groups:
        members = [judgements[one] for one in group.steps if _comparable(judgements.get(one))]
        if len(members) > 1:
            changed.update(_compare(form, group, members))
    return changed


def _judge_choice(step: Step, text: str) -> Judgement:
    choice = step.choice(text)
    if choice is None:
        words = ", ".join(one.word for one in step.choices)
        raise UsageError(
            f"{text[:40]!r} is not one of the answers to {step.question!r}", f"Use one of: {words}"
        )
    return Judgement(
        step.id,
        choice.value_class,
        f"{choice.says[:1].upper()}{choice.says[1:]}.",
        choice.observation or step.observation,
        chosen=choice.word,
        closes=choice.stops,
    )


def _without_leads(
    form: ElectricalForm, step: Step, reading: Reading, leads: Leads
) -> tuple[Decimal, Decimal]:
    """The range of the value itself. Leads finer than the last digit typed are left in: taking them off
    would only make up digits, and let a value just at a limit slip below it."""
    if step.unit is not Unit.OHM or step.id == form.leads or reading.resolution > leads.most:
        return reading.least, reading.most
    return max(Decimal(0), reading.least - leads.most), max(Decimal(0), reading.most - leads.least)


def _may_apply(expected: Expected, step: Step, context: Context) -> bool:
    fits = expected.size is None or context.size in (Size.UNKNOWN, expected.size)
    return fits and (not expected.choice or expected.choice == context.chosen.get(step.depends_on))


def _stops(expected: Expected, least: Decimal, most: Decimal) -> bool:
    too_low = expected.stop_below is not None and least < expected.stop_below.value
    return too_low or (expected.stop_above is not None and most > expected.stop_above.value)


def _wanders(form: ElectricalForm, step: Step, reading: Reading) -> bool:
    if reading.unsteady or reading.count == 1 or not reading.most.is_finite():
        return reading.unsteady
    limits = form.steadiness[step.unit]
    largest = max(abs(reading.least), abs(reading.most))
    return reading.most - reading.least > max(limits.share.value * largest, limits.at_most.value)


def _undecided(step: Step, reading: Reading, context: Context, possible: Sequence[Expected]) -> str:
    """Why a value lies in more than one class: the first doubt that, once gone, would leave one."""
    if len({classify(reading.most, one) for one in possible}) > 1 and context.size is Size.UNKNOWN:
        return "The drive's size is not known, and what is usual differs by size."
    if reading.most != reading.least and not reading.most.is_finite():
        return "The value is beyond a range that is too small to tell: choose a higher range."
    if reading.most != reading.least:
        return "The value is not narrowed down enough: it lies on both sides of a limit."
    most = amount_text(context.leads.most, Unit.OHM)
    return f"The meter's leads were not measured and may have up to {most}, which decides here."


def _reason(
    step: Step,
    judged: Judgement,
    context: Context,
    possible: Sequence[Expected],
    value_class: ValueClass,
    stops: bool,
) -> str:
    assert judged.least is not None
    assert judged.most is not None
    shown = value_text(judged, step.unit)
    leads = context.leads
    if step.unit is Unit.OHM and leads.known and judged.resolution <= leads.most and judged.typed is not None:
        shown += f" after {amount_text(leads.most, Unit.OHM)} for the leads"
    parts = [f"{shown}: {value_class}", _limits_text(step, possible[0], value_class)]
    if stops:
        parts.append("beyond the limit at which power stops")
    return "; ".join(parts) + "."


def expected_words(step: Step, size: Size) -> tuple[str, ...]:
    """What is usual at a step before it is measured, a sentence for each case in which it differs, with its
    sources; none where it is only noted, or compared with its group.

    Args:
        size: of the drive, as far as known.
    """
    found: list[str] = []
    for one in step.expected:
        if one.size is not None and size not in (Size.UNKNOWN, one.size):
            continue
        said = [_limits_text(step, one, ValueClass.WITHIN)] if _has_range(one) else []
        for limit, words in (
            (one.short_below, "a short below"),
            (one.open_above, "open above"),
            (one.stop_below, "power stops below"),
            (one.stop_above, "power stops above"),
        ):
            if limit is not None:
                said.append(f"{words} {amount_text(limit.value, step.unit)}")
        whose = [*([one.size.value] if one.size else []), *([one.choice] if one.choice else [])]
        if said:
            found.append(f"{', '.join(whose)}: " * bool(whose) + "; ".join(said))
    return tuple(dict.fromkeys(found))


def _has_range(one: Expected) -> bool:
    return any((one.at_least, one.at_most, one.below, one.short_below))


def _limits_text(step: Step, expected: Expected, value_class: ValueClass) -> str:
    """The limits that put a value into its class, with their sources."""
    end = {ValueClass.SHORT: expected.short_below, ValueClass.OPEN: expected.open_above}.get(value_class)
    if end:
        side = "below" if value_class is ValueClass.SHORT else "above"
        return f"{value_class} is {side} {amount_text(end.value, step.unit)} ({end.source})"
    low, high = expected.at_least, expected.at_most or expected.below
    said = []
    if low:
        said.append(f"at least {amount_text(low.value, step.unit)}")
    if high:
        word = "at most" if expected.at_most else "below"
        said.append(f"{word} {amount_text(high.value, step.unit)}")
    if not said and expected.short_below:
        low = expected.short_below
        said.append(f"no less than {amount_text(low.value, step.unit)}")
    sources = dict.fromkeys(one.source for one in (low, high) if one)
    return f"expected {' and '.join(said)} ({'; '.join(sources)})"


def value_text(judged: Judgement, unit: Unit) -> str:
    """The value judged, leads taken off: the word chosen, one amount, or a range.

    Amounts have no digit beyond the last one typed.
    """
    if judged.least is None or judged.most is None:
        return judged.chosen
    if judged.value_class is ValueClass.UNSTABLE:
        return "not steady"
    least, most = _shown(judged.least, judged.resolution, unit), _shown(judged.most, judged.resolution, unit)
    if judged.least == judged.most:
        return least
    return f"{least} to {most}" if judged.most.is_finite() else f"over {least}"


def _shown(value: Decimal, resolution: Decimal, unit: Unit) -> str:
    if value.is_finite() and resolution:
        return amount_text(value.quantize(resolution), unit)
    return amount_text(value, unit)


def _comparable(judged: Judgement | None) -> bool:
    usual = (ValueClass.WITHIN, ValueClass.LOW, ValueClass.HIGH)
    return judged is not None and judged.value_class in usual and judged.typed is not None


def _compare(form: ElectricalForm, group: Group, members: Sequence[Judgement]) -> dict[str, Judgement]:
    settled = all(one.least == one.most for one in members)
    values = {one.step: one.least if settled else one.typed for one in members}
    found = {step: value for step, value in values.items() if value is not None}
    largest = max(one.least for one in members if one.least is not None)
    limit = max(group.share.value * largest, group.at_most.value)
    spread = max(found.values()) - min(found.values())
    coarsest = max(one.resolution for one in members)
    unit = form.steps[members[0].step].unit
    if spread <= coarsest and coarsest > limit:
        why = (
            f"The meter's last digit, {amount_text(coarsest, unit)}, is coarser than what counts as alike, "
            f"{_rounded(limit, unit)}."
        )
        return {
            one.step: replace(one, value_class=ValueClass.CANNOT_BE_JUDGED, why=why)
            for one in members
            if one.value_class is ValueClass.WITHIN
        }
    if spread <= limit:
        return {}
    why = (
        f"Apart by {amount_text(spread, unit)}, more than {_rounded(limit, unit)} "
        f"({group.share.source}): {group.why}."
    )
    odd = _odd_ones(found, limit)
    return {
        one.step: replace(one, value_class=ValueClass.UNEQUAL, why=why)
        for one in members
        if one.step in odd and one.value_class is ValueClass.WITHIN
    }


def _odd_ones(values: Mapping[str, Decimal], limit: Decimal) -> set[str]:
    """Those that stand apart from the middle one; with no such middle, the smallest and the largest."""
    ranked = sorted(values, key=lambda step: values[step])
    middle = values[ranked[len(ranked) // 2]]
    apart = {step for step in ranked if abs(values[step] - middle) > limit}
    return apart if len(ranked) > 2 and apart else {ranked[0], ranked[-1]}


def _rounded(value: Decimal, unit: Unit) -> str:
    return amount_text(value.quantize(Decimal("0.001")), unit)


# ---- the motor


@dataclass(frozen=True, slots=True)
class MotorReading:
    """What six readings of a star, or three between its ends, say.

    Args:
        phases: the three windings, in ohms.
        leads: the resistance in every reading that is not the motor's, in ohms: solved from six readings,
            as measured for three.
        misfit: how far the worst of six readings is from such a motor, in ohms; 0 for three.
        common: which contact the readings show as the common one: 0 for the one taken as common, 1 to 3
            for the end of that winding; None for three readings, or when it does not show.
    """

    phases: Phases
    leads: Fraction
    misfit: Fraction
    common: int | None


def solve_star(common: Sequence[Decimal], between: Sequence[Decimal]) -> MotorReading:
    """Windings and leads of a star from all its six readings, by least squares, exactly.

    With windings R1 to R3 and L in the leads, `common` reads Ri + L and `between` (1-2, 2-3, 3-1) reads
    Ri + Rj + L. With C and P the sums of the two lists and Pi the sum of the readings that touch i, the
    normal equations give L = (2C - P) / 3 and Ri = (ci + Pi - C) / 2.

    Raises:
        ValueError: not three readings of each kind.
    """
    if len(common) != 3 or len(between) != 3:
        raise ValueError("a star has three readings of each kind")
    ends = [Fraction(one) for one in common]
    pairs = [Fraction(one) for one in between]
    touching = [pairs[0] + pairs[2], pairs[0] + pairs[1], pairs[1] + pairs[2]]
    all_ends, all_pairs = sum(ends, _NOTHING), sum(pairs, _NOTHING)
    leads = (2 * all_ends - all_pairs) / 3
    first, second, third = ((end + touch - all_ends) / 2 for end, touch in zip(ends, touching, strict=True))
    modelled: tuple[Fraction, ...] = (
        *(first + leads, second + leads, third + leads),
        *(first + second + leads, second + third + leads, third + first + leads),
    )
    misfit = max(abs(one - is_) for one, is_ in zip(modelled, (*ends, *pairs), strict=True))
    sums = [all_ends, *(end + touch for end, touch in zip(ends, touching, strict=True))]
    least = min(sums)
    shown = sums.index(least) if sums.count(least) == 1 else None
    return MotorReading((first, second, third), leads, misfit, shown)


def solve_ends(between: Sequence[Decimal], leads: Decimal) -> MotorReading:
    """Windings of a star whose common point cannot be reached, from 1-2, 2-3, 3-1 and the leads as measured.

    Raises:
        ValueError: not three readings.
    """
    if len(between) != 3:
        raise ValueError("three contacts have three readings")
    one, two, three = (Fraction(reading) - Fraction(leads) for reading in between)
    phases = ((one + three - two) / 2, (one + two - three) / 2, (two + three - one) / 2)
    return MotorReading(phases, Fraction(leads), Fraction(0), None)


def star_ratio(common: Sequence[Decimal], between: Sequence[Decimal], leads: Fraction) -> Fraction | None:
    """How the mean between two windings stands to the mean of one, leads taken off: 2 for a star.

    None where nothing is left of the single windings. With the leads that `solve_star` gives it is 2 by
    construction; with leads measured for themselves it is a check of the whole.
    """
    single = sum(map(Fraction, common), _NOTHING) / 3 - leads
    return (sum(map(Fraction, between), _NOTHING) / 3 - leads) / single if single > 0 else None
