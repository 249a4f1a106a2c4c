"""What readings are evidence of, alone and together."""

from __future__ import annotations

import pytest

from mendbay.board.electrical import Sheet
from mendbay.board.electrical_form_file import packaged_form
from support.electrical import AT, WHO, entered, filled, followed, large


def findings(sheet: Sheet) -> dict[str, str]:
    return {one.observation: one.value_class.value for one in sheet.standing().findings}


def rules(sheet: Sheet) -> set[str]:
    return {one.rule for one in sheet.standing().statements}


def test_a_wrong_adapter_leaves_its_mark() -> None:
    sheet = followed(large(), suppressor_12v="0.7", link_12v="OL")
    (said,) = [one for one in sheet.standing().statements if one.rule == "wrong-adapter-12v"]
    assert "typical of a wrong adapter" in said.text
    assert "unprotected" in said.text
    assert "no-suppressor" in said.cautions
    assert {one.words for one in said.findings} == {
        "the suppressor of the 12 V rail is shorted",
        "the link of the 12 V rail is open",
    }
    assert "sound-without-power-12v" not in rules(sheet)


def test_nothing_is_found_before_everything_that_speaks_of_it_was_asked() -> None:
    sheet = entered(large(), leads="0.3", motor_out_a="4k7", motor_out_b="4k7")
    assert "motor-outputs" not in findings(sheet)
    assert findings(entered(sheet, motor_out_c="4k7"))["motor-outputs"] == "within"
    assert findings(entered(sheet, motor_out_c="2k2"))["motor-outputs"] == "unequal"
    assert findings(entered(sheet, motor_out_c="1.0"))["motor-outputs"] == "short"
    assert "motor-outputs" not in findings(sheet.with_skip("motor-out-c", "no pad", at=AT, who=WHO))


def test_a_later_entry_withdraws_a_finding() -> None:
    sheet = entered(large(), leads="0.3", link_5v="OL")
    assert findings(sheet)["link-5v"] == "open"
    assert findings(entered(sheet, link_5v="0.4"))["link-5v"] == "within"
    assert "link-5v" not in findings(entered(sheet, link_5v="drifts"))


def test_an_optional_step_can_take_a_finding_back_into_doubt() -> None:
    sheet = entered(large(), leads="0.3", suppressor_5v_fitted="right way round", suppressor_5v="4k7")
    assert findings(sheet)["suppressor-5v"] == "within"
    assert "suppressor-5v" not in findings(entered(sheet, suppressor_5v_forward="drifts"))
    assert findings(entered(sheet, suppressor_5v_forward="OL"))["suppressor-5v"] == "open"


def test_one_open_winding_makes_the_motor_open() -> None:
    sheet = followed(large(), motor_common_b="OL", motor_a_b="OL", motor_b_c="OL")
    found = next(one for one in sheet.standing().findings if one.observation == "motor-windings")
    assert (found.value_class.value, found.weight) == ("open", "decisive")
    assert found.steps == ("motor-common-b", "motor-a-b", "motor-b-c")
    assert "motor-inside" in rules(sheet)
    assert sheet.standing().motor is None


@pytest.mark.parametrize(
    ("values", "rule"),
    [
        ({"suppressor_5v": "0.5", "rail_5v": "0.5"}, "suppressor-holds-rail-5v"),
        ({"rail_12v": "0.5"}, "short-beyond-suppressor-12v"),
        ({"link_5v": "OL"}, "link-only-5v"),
        ({"suppressor_12v": "0.5"}, "suppressor-against-rail-12v"),
        ({"suppressor_5v": "0.5", "rail_5v": "60"}, "suppressor-against-rail-5v"),
        ({"suppressor_5v": "0.5", "suppressor_12v": "0.5"}, "both-suppressors"),
        ({"suppressor_5v_fitted": "missing"}, "unprotected"),
        ({"driver_12v": "1.0"}, "driver-dead"),
        ({"motor_out_b": "1.0"}, "driver-outputs-dead"),
        ({"motor_out_b": "1.0", "motor_a_b": "OL"}, "driver-killed-by-motor"),
        ({"coil": "OL"}, "coil-inside"),
        ({"pads": "oxidised"}, "pads-first"),
        ({"pin_3": "3.3", "amps_5v": "0.01"}, "held-off"),
        ({"amps_5v": "0.01"}, "no-life"),
        ({"crystal": "does not swing"}, "clock-dead"),
        ({"heat_driver": "85"}, "driver-overheats"),
        ({"hottest": "motor driver"}, "driver-overheats"),
        ({"rom_volts": "2.1"}, "rom-starved"),
        ({"spins": "tries and stops"}, "stuck-or-driver"),
    ],
)
def test_what_readings_say_together(values: dict[str, str], rule: str) -> None:
    assert rule in rules(followed(large(), **values))
    assert rule not in rules(filled(large()))


def test_every_rule_can_be_met() -> None:
    """The clauses of a rule name observations and classes that some value or word of a step yields."""
    form = packaged_form()
    made: dict[str, set[str]] = {}
    for step in form.steps.values():
        classes = made.setdefault(step.observation, set())
        for one in step.expected:
            limits = {"short": one.short_below, "low": one.at_least, "open": one.open_above}
            limits["high"] = one.at_most or one.below
            classes |= {"within"} | {name for name, limit in limits.items() if limit}
        for choice in step.choices:
            made.setdefault(choice.observation or step.observation, set()).add(choice.value_class.value)
    for group in form.groups:
        made[form.steps[group.steps[0]].observation].add("unequal")
    for observation in form.observations.values():
        assert {one.value for one in observation.weights} <= made[observation.id], observation.id
