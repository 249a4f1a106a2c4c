"""Classes of values: whole ranges, leads, sizes and groups; and the motor's arithmetic."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from mendbay.board.electrical_form import Size, ValueClass
from mendbay.board.electrical_form_file import packaged_form
from mendbay.board.electrical_judge import (
    Context,
    Judgement,
    Leads,
    judge,
    judge_groups,
    solve_ends,
    solve_star,
    star_ratio,
)
from mendbay.core.errors import UsageError

FORM = packaged_form()
KNOWN = Leads(Decimal("0.3"), Decimal("0.3"))
UNKNOWN = Leads(Decimal(0), FORM.leads_at_most)


def judged(
    step: str, text: str, size: Size = Size.LARGE, leads: Leads = KNOWN, rom: str = "3.3 V"
) -> Judgement:
    return judge(FORM, FORM.steps[step], text, Context(size, leads, {"rom-rated": rom}))


@pytest.mark.parametrize(
    ("step", "text", "expected"),
    [
        ("rail-5v", "0.4", "short"),
        ("rail-5v", "10.2", "short"),
        ("rail-5v", "10.3", "low"),
        ("rail-5v", "640", "within"),
        ("rail-5v", "OL", "within"),
        ("rail-5v", ">20k", "within"),
        ("rail-5v", ">50", "cannot be judged"),
        ("rail-5v", "<1", "short"),
        ("rail-5v", "drifts", "unstable"),
        ("rail-5v", "640; 9k", "unstable"),
        ("rail-5v", "640; 655", "within"),
        ("rail-5v", "99; 101", "cannot be judged"),
        ("link-12v", "0.4", "within"),
        ("link-12v", "1.9", "high"),
        ("link-12v", "10.3", "high"),
        ("link-12v", "10.4", "open"),
        ("link-12v", "OL", "open"),
        ("motor-a-b", "1.9", "within"),
        ("motor-a-b", "0.3", "short"),
        ("motor-a-b", "OL", "open"),
        ("coil", "8.1", "within"),
        ("coil", "OL", "open"),
        ("motor-case", "OL", "within"),
        ("motor-case", "200k", "low"),
        ("volts-5v", "4.75", "within"),
        ("volts-5v", "4.74", "low"),
        ("supply-12v", "-12.1", "low"),
        ("rom-volts", "1.8", "low"),
        ("burns", "seen", "amiss"),
        ("burns", "NONE", "within"),
        ("crystal", "no oscilloscope", "cannot be judged"),
        ("crystal", "does not swing", "amiss"),
    ],
)
def test_classes(step: str, text: str, expected: str) -> None:
    assert judged(step, text).value_class == expected


@pytest.mark.parametrize(
    ("step", "text", "closes"),
    [
        ("rail-5v", "0.4", True),
        ("rail-5v", "50", False),
        ("regulator-core", "0.0", False),  # a regulator that gives nothing is no short of a rail
        ("regulator-core", "2.1", True),
        ("volts-5v", "4.6", False),
        ("amps-5v", ">0.4", True),  # the meter ran out of range: it may be any amount
        ("volts-5v", "4.4", True),
        ("volts-5v", "drifts", True),  # it may be anywhere, also where power stops
        ("supply-5v", "5.26", True),
        ("limit-5v", "2", True),
        ("hottest", "suppressor", True),
        ("hottest", "regulator", False),
        ("supply-polarity", "wrong", True),
        ("suppressor-5v-fitted", "wrong way round", True),
    ],
)
def test_what_closes_a_gate(step: str, text: str, closes: bool) -> None:
    assert judged(step, text).closes is closes


def test_unknown_leads_leave_only_what_they_could_change_undecided() -> None:
    assert judged("rail-5v", "10.2", leads=UNKNOWN).value_class is ValueClass.CANNOT_BE_JUDGED
    assert "leads were not measured" in judged("rail-5v", "10.2", leads=UNKNOWN).why
    assert judged("rail-5v", "9.9", leads=UNKNOWN).value_class is ValueClass.SHORT
    assert judged("rail-5v", "10.6", leads=UNKNOWN).value_class is ValueClass.LOW
    assert judged("motor-a-b", "1.9", leads=UNKNOWN).value_class is ValueClass.WITHIN


def test_leads_are_taken_off_where_the_meter_shows_them_and_never_make_up_digits() -> None:
    one = judged("motor-a-b", "1.9")
    assert (one.least, one.most, one.typed) == (Decimal("1.6"), Decimal("1.6"), Decimal("1.9"))
    assert "1.6\u2009Ω after 0.3\u2009Ω for the leads" in one.why
    assert judged("rail-5v", "640").least == 640
    assert judged("wrist-strap", "35M").value_class is ValueClass.HIGH
    assert judged("link-5v", "0.1").least == 0, "less than the leads is nothing, not less than nothing"


def test_the_size_of_the_drive_decides_only_where_it_must() -> None:
    assert judged("motor-a-b", "8.0", Size.LARGE).value_class is ValueClass.HIGH
    assert judged("motor-a-b", "8.0", Size.SMALL).value_class is ValueClass.WITHIN
    doubt = judged("motor-a-b", "8.0", Size.UNKNOWN)
    assert doubt.value_class is ValueClass.CANNOT_BE_JUDGED
    assert "size is not known" in doubt.why
    assert judged("motor-a-b", "1.9", Size.UNKNOWN).value_class is ValueClass.WITHIN
    assert judged("motor-a-b", "OL", Size.UNKNOWN).value_class is ValueClass.OPEN


def test_the_rom_is_judged_by_its_own_voltage_only() -> None:
    assert judged("rom-volts", "3.3", rom="3.3 V").value_class is ValueClass.WITHIN
    burnt = judged("rom-volts", "3.3", rom="1.8 V")
    assert burnt.value_class is ValueClass.HIGH
    assert burnt.closes
    unknown = judged("rom-volts", "3.3", rom="not known")
    assert unknown.value_class is ValueClass.CANNOT_BE_JUDGED
    assert "Which voltage is the ROM made for?" in unknown.why


def test_reasons_name_limits_and_their_source() -> None:
    assert "at least 4.75\u2009V and at most 5.25\u2009V (ATX12V" in judged("volts-5v", "5.1").why
    assert "short is below 10\u2009Ω (common practice, no source)" in judged("rail-5v", "1.0").why


def test_an_unknown_word_is_refused_with_the_words_there_are() -> None:
    with pytest.raises(UsageError) as refused:
        judged("burns", "maybe")
    assert refused.value.next_step == "Use one of: none, seen."


def group(**texts: str) -> dict[str, ValueClass]:
    ones = {step.replace("_", "-"): judged(step.replace("_", "-"), text) for step, text in texts.items()}
    return {step: one.value_class for step, one in judge_groups(FORM, ones).items()}


def test_the_odd_one_of_a_group_is_unequal() -> None:
    assert group(motor_a_b="1.9", motor_b_c="1.9", motor_c_a="2.4") == {
        "motor-a-b": ValueClass.WITHIN,
        "motor-b-c": ValueClass.WITHIN,
        "motor-c-a": ValueClass.UNEQUAL,
    }
    assert set(group(motor_a_b="1.9", motor_b_c="2.0", motor_c_a="2.1").values()) == {ValueClass.WITHIN}
    assert set(group(coil_out_a="4k7", coil_out_b="2k2").values()) == {ValueClass.UNEQUAL}
    assert group(motor_a_b="1.9", motor_b_c="OL")["motor-a-b"] is ValueClass.WITHIN


def test_a_meter_too_coarse_to_compare_says_so() -> None:
    assert set(group(motor_a_b="2", motor_b_c="2", motor_c_a="3").values()) == {ValueClass.CANNOT_BE_JUDGED}


def ohms(*texts: str) -> list[Decimal]:
    return [Decimal(text) for text in texts]


def test_a_star_of_unlike_windings_is_solved_exactly() -> None:
    """From windings 0.7, 0.9, 1.3 and leads 0.2, chosen here."""
    found = solve_star(ohms("0.9", "1.1", "1.5"), ohms("1.8", "2.4", "2.2"))
    assert found.phases == (Fraction("0.7"), Fraction("0.9"), Fraction("1.3"))
    assert (found.leads, found.misfit, found.common) == (Fraction("0.2"), 0, 0)


def test_least_squares_against_a_general_solver() -> None:
    import numpy as np

    common, between = ohms("1.1", "1.2", "1.0"), ohms("1.9", "2.1", "1.8")
    rows = [[1, 0, 0, 1], [0, 1, 0, 1], [0, 0, 1, 1], [1, 1, 0, 1], [0, 1, 1, 1], [1, 0, 1, 1]]
    readings = np.array([float(one) for one in (*common, *between)])
    best = np.linalg.lstsq(np.array(rows, float), readings, rcond=None)[0]
    found = solve_star(common, between)
    assert [float(one) for one in (*found.phases, found.leads)] == pytest.approx(best.tolist(), abs=1e-12)
    assert float(found.misfit) == pytest.approx(abs(np.array(rows) @ best - readings).max(), abs=1e-12)
    assert found.misfit > 0


def test_the_true_common_contact_shows_when_another_was_taken() -> None:
    """Windings of 0.8 without leads, the end of the second taken for the common contact."""
    found = solve_star(ohms("1.6", "0.8", "1.6"), ohms("0.8", "0.8", "1.6"))
    assert found.common == 2


def test_three_contacts_need_the_leads() -> None:
    found = solve_ends(ohms("1.9", "1.9", "1.9"), Decimal("0.3"))
    assert found.phases == (Fraction("0.8"),) * 3
    unlike = solve_ends(ohms("1.8", "2.4", "2.2"), Decimal("0.2"))
    assert unlike.phases == (Fraction("0.7"), Fraction("0.9"), Fraction("1.3"))


def test_the_wrong_number_of_readings_is_a_mistake_of_the_caller() -> None:
    with pytest.raises(ValueError, match="three"):
        solve_star(ohms("1"), ohms("1", "1", "1"))
    with pytest.raises(ValueError, match="three"):
        solve_ends(ohms("1", "1"), Decimal(0))
    assert star_ratio(ohms("0.3", "0.3", "0.3"), ohms("1", "1", "1"), Fraction("0.3")) is None
