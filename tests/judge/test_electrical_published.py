"""The electrical sheet against published values. Each check names where its numbers stand."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from mendbay.board.electrical_form import Size, ValueClass
from mendbay.board.electrical_form_file import packaged_form
from mendbay.board.electrical_judge import Context, Leads, classify, judge, solve_star, star_ratio
from mendbay.core.cautions import packaged_cautions
from support.electrical import filled, large

FORM = packaged_form()
NO_LEADS = Leads(Decimal(0), Decimal(0))

# roger-random.github.io, 2023-02-23: a drive's motor read with a hand meter, all three of each kind equal
COMMON_PHASE, PHASE_PHASE = Decimal("1.1"), Decimal("1.9")

# ATX12V power supply design guide, version 2.0, Table 2
RAILS = {
    "supply-5v": ("4.75", "5.25"),
    "supply-12v": ("11.40", "12.60"),
    "volts-5v": ("4.75", "5.25"),
    "volts-12v": ("11.40", "12.60"),
    "volts-5v-drive": ("4.75", "5.25"),
    "volts-12v-drive": ("10.80", "13.20"),  # at peak load
    "regulator-3v3": ("3.14", "3.47"),
}

# ANSI/ESD S20.20-2021, Tables 1 to 3: each limit is one that must not be reached
STATIC = {
    "wrist-strap": ("34M", "35M"),
    "floor": ("9.9e8", "1.0e9"),
    "body-voltage": ("99", "100"),
    "equipment-ground": ("0.99", "1"),
    "auxiliary-ground": ("24", "25"),
    "mat": ("9.9e8", "1.0e9"),
}


def test_the_published_motor_to_the_digit() -> None:
    found = solve_star([COMMON_PHASE] * 3, [PHASE_PHASE] * 3)
    assert found.phases == (Fraction(8, 10),) * 3
    assert found.leads == Fraction(3, 10)
    assert found.misfit == 0
    assert star_ratio([COMMON_PHASE] * 3, [PHASE_PHASE] * 3, found.leads) == 2
    assert star_ratio([COMMON_PHASE] * 3, [PHASE_PHASE] * 3, Fraction("0.3")) == 2, (
        "(1.9 - 0.3) / (1.1 - 0.3)"
    )


def test_the_published_motor_entered_on_a_sheet() -> None:
    standing = filled(large(), "motor-case").standing()
    motor = standing.motor
    assert motor is not None
    assert (motor.phases, motor.leads) == ((Fraction("0.8"),) * 3, Fraction("0.3"))
    assert standing.remarks == ()
    found = {one.observation: one for one in standing.findings}["motor-windings"]
    assert (found.value_class, found.weight) == (ValueClass.WITHIN, "strong")
    assert len(found.steps) == 6


@pytest.mark.parametrize("step", RAILS)
def test_rails_of_the_design_guide(step: str) -> None:
    low, high = (Decimal(text) for text in RAILS[step])
    (expected,) = FORM.steps[step].expected
    digit = Decimal("0.01")
    assert classify(low, expected) is classify(high, expected) is ValueClass.WITHIN
    assert classify(low - digit, expected) is ValueClass.LOW
    assert classify(high + digit, expected) is ValueClass.HIGH
    assert expected.at_least is not None
    assert expected.at_least.source.startswith("ATX12V power supply design guide, version 2.0")


@pytest.mark.parametrize("step", STATIC)
def test_static_protection(step: str) -> None:
    passing, failing = (
        judge(FORM, FORM.steps[step], text, Context(Size.UNKNOWN, NO_LEADS, {})) for text in STATIC[step]
    )
    assert passing.value_class is ValueClass.WITHIN
    assert failing.value_class is ValueClass.HIGH
    assert "ANSI/ESD S20.20-2021" in failing.why


@pytest.mark.parametrize("leads", ["0", "0.3", "0.5"])
def test_a_strap_at_its_limit_does_not_pass_by_taking_leads_off(leads: str) -> None:
    context = Context(Size.UNKNOWN, Leads(Decimal(leads), Decimal(leads)), {})
    assert judge(FORM, FORM.steps["wrist-strap"], "35 MOhm", context).value_class is ValueClass.HIGH
    assert judge(FORM, FORM.steps["wrist-strap"], "34 MOhm", context).value_class is ValueClass.WITHIN


def test_a_floor_passes_only_with_both_values() -> None:
    """Floor and footwear: below 1.0e9 ohm and below 100 V on the person, both (Table 3)."""

    def said(ohms: str, volts: str) -> ValueClass | None:
        sheet = large()
        for step, text in (("leads", "0.3"), ("wrist-strap", "1M"), ("floor", ohms), ("body-voltage", volts)):
            sheet = sheet.with_entry(step, text, at="2026-11-25T07:10:00Z", who="Ines")
        findings = {one.observation: one.value_class for one in sheet.standing().findings}
        return findings.get("static-protection")

    assert said("9.9e8", "99") is ValueClass.WITHIN
    assert said("9.9e8", "100") is ValueClass.HIGH
    assert said("1e9", "99") is ValueClass.HIGH


def test_figures_of_cautions() -> None:
    """NIOSH pocket guide 0359 (isopropyl alcohol); ISO 14644-1:2015, Table 1, class 5 at 0.5 µm."""
    cautions = packaged_cautions()
    figures = {name: one.value for name, one in cautions["isopropanol"].figures.items()}
    assert figures == {
        "flash": Decimal("11.7"),
        "lower": 2,
        "upper": Decimal("12.7"),
        "twa": 400,
        "short": 500,
        "idlh": 2000,
    }
    fahrenheit = Decimal(53)
    assert round((fahrenheit - 32) * 5 / 9, 1) == figures["flash"]
    assert cautions["glass-platters"].figures["count"].value == 3520
    assert (
        cautions["current-limit"].figures["rail"].value
        == 3 * cautions["current-limit"].figures["contact"].value
    )
