"""Properties of the electrical sheet: order of classes, exact numbers, and no way round a short."""

from __future__ import annotations

from decimal import Decimal

from hypothesis import example, given, settings
from hypothesis import strategies as st

from mendbay.board.electrical import Sheet
from mendbay.board.electrical_form import RISING, Gate, Size, ValueClass
from mendbay.board.electrical_form_file import packaged_form
from mendbay.board.electrical_judge import Context, Leads, classify, judge
from mendbay.board.electrical_units import Unit, amount_text, parse_reading
from mendbay.core.errors import UsageError
from support.electrical import AT, WHO, sound_value

FORM = packaged_form()
MEASURED = [unit for unit in Unit if unit is not Unit.CHOICE]
EXPECTED = [(step.id, one) for step in FORM.steps.values() for one in step.expected]

values = st.decimals(min_value=0, max_value=10**8, places=3)
limits = [figure.value for _, expected in EXPECTED for figure in expected.figures]
near_limits = st.builds(
    lambda limit, off: limit + off, st.sampled_from(limits), st.sampled_from([Decimal(0), Decimal("0.001")])
)


@settings(max_examples=300, deadline=None)
@given(st.sampled_from(EXPECTED), values | near_limits, values | near_limits)
def test_the_class_never_falls_while_the_value_rises(
    case: tuple[str, object], one: Decimal, two: Decimal
) -> None:
    _, expected = case
    low, high = sorted((one, two))
    assert RISING.index(classify(low, expected)) <= RISING.index(classify(high, expected))  # type: ignore[arg-type]


@settings(max_examples=200, deadline=None)
@given(st.sampled_from(EXPECTED), values, st.decimals(0, Decimal("0.5"), places=3))
def test_unknown_leads_never_give_another_class_than_known_ones(
    case: tuple[str, object], value: Decimal, leads: Decimal
) -> None:
    step = FORM.steps[case[0]]
    words = {"rom-rated": "3.3 V"}
    unknown = Context(Size.LARGE, Leads(Decimal(0), FORM.leads_at_most), words)
    known = Context(Size.LARGE, Leads(leads, leads), words)
    without = judge(FORM, step, str(value), unknown)
    if without.value_class is not ValueClass.CANNOT_BE_JUDGED:
        assert judge(FORM, step, str(value), known).value_class is without.value_class


@settings(max_examples=400, deadline=None)
@given(
    st.sampled_from(MEASURED),
    st.decimals(min_value=0, max_value=Decimal("999999"), places=6),
    st.integers(-3, 6),
    st.booleans(),
    st.booleans(),
)
@example(Unit.OHM, Decimal("0.8"), 0, True, True)
def test_numbers_survive_text_and_back(
    unit: Unit, digits: Decimal, power: int, plain: bool, comma: bool
) -> None:
    value = digits.scaleb(0 if unit is Unit.CELSIUS else power)
    text = amount_text(value, unit, plain=plain)
    assert parse_reading(text.replace(".", ",") if comma else text, unit).exact == value


@settings(max_examples=300, deadline=None)
@given(st.sampled_from(MEASURED), st.text(max_size=20) | st.text("0123456789.,RkMmEe-+<>;OLVA ", max_size=14))
def test_any_text_is_read_or_refused(unit: Unit, text: str) -> None:
    try:
        reading = parse_reading(text, unit)
    except UsageError:
        return
    assert reading.least <= reading.most
    assert reading.most >= 0 or unit is not Unit.OHM


# ---- no way round a short

RAIL_OF = {
    "rail-5v": Gate.FIVE,
    "rail-12v": Gate.TWELVE,
    "rail-3v3": Gate.FIVE,
    "suppressor-5v": Gate.FIVE,
    "suppressor-12v": Gate.TWELVE,
}
"""Places whose short closes a gate, written down here apart from the form; each is short below 5 ohms."""
READY = ("leads", "supply-polarity", "supply-5v", "limit-5v", "supply-12v", "limit-12v")
TYPED = ("0.4", "2.0", "640", "4k7", "OL", "drifts", ">3")
POWERED = ("amps-5v", "volts-5v", "amps-12v", "volts-12v", "amps-spin")

moves = st.one_of(
    st.tuples(
        st.sampled_from(sorted(RAIL_OF)), st.sampled_from(["0.4", "2.0", "640", "4k7", "OL", "drifts", ">3"])
    ),
    st.tuples(st.sampled_from(READY), st.just("sound")),
    st.tuples(st.sampled_from(POWERED), st.just("sound")),
    st.tuples(st.sampled_from(sorted(RAIL_OF)), st.just("skip")),
    st.tuples(st.sampled_from(["5 V", "12 V"]), st.just("override")),
)


def moved(sheet: Sheet, move: tuple[str, str]) -> Sheet | None:
    """The sheet after a move, or None where it refuses."""
    place, what = move
    try:
        if what == "override":
            return sheet.with_override(Gate(place), "mended", at=AT, who=WHO)
        if what == "skip":
            return sheet.with_skip(place, "not to be reached", at=AT, who=WHO)
        text = sound_value(FORM.steps[place]) if what == "sound" else what
        return sheet.with_entry(place, text, at=AT, who=WHO)
    except UsageError:
        return None


@settings(max_examples=250, deadline=None)
@given(st.lists(moves, max_size=25))
@example([*((one, "sound") for one in READY), ("rail-5v", "640"), ("amps-5v", "sound"), ("rail-5v", "0.4"),
          ("rail-5v", "drifts"), ("volts-5v", "sound")])  # fmt: skip
def test_no_order_of_entries_opens_power_past_a_short(steps: list[tuple[str, str]]) -> None:
    sheet = Sheet(Size.LARGE)
    shorted: dict[str, bool] = {}  # by place: whether its last clear reading is a short nobody answered for
    for move in steps:
        after = moved(sheet, move)
        place, what = move
        if after is None:
            continue
        if place in POWERED:
            needed = {Gate.FIVE} if place.endswith("5v") else {Gate.FIVE, Gate.TWELVE}
            assert not [one for one, is_short in shorted.items() if is_short and RAIL_OF[one] in needed]
        if what == "override":
            shorted = {one: short and RAIL_OF[one].value != place for one, short in shorted.items()}
        elif what in ("0.4", "2.0"):
            shorted[place] = True
        elif what in ("640", "4k7", "OL"):
            shorted[place] = False
        sheet = after
        barred = {gate for one, is_short in shorted.items() if is_short for gate in [RAIL_OF[one]]}
        for standing in sheet.standing().steps:
            if set(standing.step.needs) & barred:
                assert standing.barred, f"{standing.step.id} is open in spite of {barred}"
        suggestion = sheet.standing().next
        assert suggestion is None or not set(suggestion.step.needs) & barred


@settings(max_examples=60, deadline=None)
@given(st.lists(moves, max_size=20))
def test_records_are_only_added_and_say_all(steps: list[tuple[str, str]]) -> None:
    sheet = Sheet(Size.LARGE)
    for move in steps:
        after = moved(sheet, move)
        if after is not None:
            assert after.records[:-1] == sheet.records
            sheet = after
    assert Sheet(Size.LARGE, True, sheet.records).standing() == sheet.standing()
