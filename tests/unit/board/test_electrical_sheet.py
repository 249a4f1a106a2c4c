"""The sheet: nothing is lost, power goes only where nothing speaks against it, the next step is told."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from mendbay.board.electrical import Entry, Override, Sheet
from mendbay.board.electrical_form import Gate, Size, ValueClass
from mendbay.board.electrical_form_file import packaged_form
from mendbay.board.electrical_steps import StepState
from mendbay.board.electrical_summary import progress, summary
from mendbay.core.errors import UsageError
from support.electrical import AT, WHO, entered, filled, followed, large

FORM = packaged_form()


def kept(*entries: str) -> Sheet:
    """A sheet read back with entries that would not be taken now."""
    words = [one.split() for one in entries]
    records = tuple(Entry(at, step, text, AT, WHO) for at, (step, text) in enumerate(words, 1))
    return replace(large(), records=records)


def state(sheet: Sheet, step: str) -> StepState:
    return sheet.standing().of(step).state


def offered(sheet: Sheet) -> set[str]:
    return {one.step.id for one in sheet.standing().steps if not one.barred}


def powered(sheet: Sheet, gate: Gate) -> set[str]:
    return {one.step.id for one in sheet.standing().steps if gate in one.step.needs}


def test_a_sound_board_and_drive_are_worked_through_to_the_end() -> None:
    sheet = filled(large())
    standing = sheet.standing()
    assert {one.state for one in standing.steps if not one.step.optional} == {StepState.DONE}
    assert {one.value_class for one in standing.findings} == {ValueClass.WITHIN}
    assert [one.rule for one in standing.statements] == ["sound-without-power-5v", "sound-without-power-12v"]
    assert standing.closings == ()


def test_a_small_drive_has_no_twelve_volts() -> None:
    sheet = filled(replace(large(), size=Size.SMALL), amps_spin="0.7")
    assert state(sheet, "rail-12v") is StepState.NOT_FOR_THIS
    assert state(sheet, "amps-spin") is StepState.DONE
    with pytest.raises(UsageError, match="rail-12v is not open"):
        entered(sheet, rail_12v="640")


def test_a_loose_board_has_no_drive_steps() -> None:
    sheet = filled(replace(large(), drive_at_hand=False))
    assert state(sheet, "coil") is state(sheet, "amps-spin") is StepState.NOT_FOR_THIS
    assert state(sheet, "amps-12v") is StepState.DONE


def test_three_contacts_leave_out_the_common_one() -> None:
    sheet = filled(large(), "motor-case", motor_contacts="3")
    assert state(sheet, "motor-common-a") is StepState.NOT_FOR_THIS
    motor = sheet.standing().motor
    assert motor is not None
    assert motor.common is None
    assert motor.leads * 10 == 3


def test_power_waits_for_the_rail_the_supply_and_the_limit() -> None:
    sheet = large()
    assert "amps-5v" not in offered(sheet)
    for step, text in (("rail-5v", "640"), ("supply-polarity", "right"), ("supply-5v", "5.0")):
        sheet = entered(sheet, **{step.replace("-", "_"): text})
        with pytest.raises(UsageError, match="amps-5v is not open"):
            entered(sheet, amps_5v="0.3")
    assert "amps-5v" in offered(entered(sheet, limit_5v="0.5"))
    doubtful = entered(sheet, limit_5v="0.5", rail_5v="10.2")
    assert "amps-5v" not in offered(doubtful), "with leads unknown this may be a short"
    assert "amps-5v" not in offered(sheet.with_skip("limit-5v", "no time", at=AT, who=WHO))


def test_a_short_on_twelve_volts_leaves_five_alone() -> None:
    sheet = followed(large(), rail_12v="0.9")
    assert powered(sheet, Gate.TWELVE).isdisjoint(offered(sheet))
    assert state(sheet, "amps-5v") is StepState.DONE
    assert state(sheet, "amps-12v") is StepState.NO_POWER
    why = sheet.standing().of("amps-12v").why
    assert why.startswith("No power to 12 V: rail-12v, 0.6")
    suggestion = sheet.standing().next
    assert suggestion is not None
    assert (suggestion.step.id, suggestion.again) == ("rail-12v", True)


def test_after_a_short_comes_what_may_find_it() -> None:
    sheet = followed(large(), "rail-12v")
    suggestion = entered(sheet, rail_12v="0.9").standing().next
    assert suggestion is not None
    assert suggestion.step.id == "suppressor-12v-fitted"
    assert "12 V" in suggestion.why
    searched = filled(entered(sheet, rail_12v="0.9"), "rail-3v3")
    assert state(searched, "coil-out-b") is StepState.DONE
    assert state(searched, "supply-12v") is StepState.READY, "the supply alone finds no short"


def test_a_short_on_five_volts_stops_all_power() -> None:
    sheet = followed(large(), suppressor_5v="0.8", rail_5v="0.8")
    assert not {one.step.id for one in sheet.standing().steps if one.step.powered} & offered(sheet)
    with pytest.raises(UsageError) as refused:
        entered(sheet, amps_5v="0.2")
    assert "override with a reason" in refused.value.next_step


def test_only_a_sound_value_at_every_place_opens_the_gate_again() -> None:
    sheet = followed(large(), suppressor_5v="0.8", rail_5v="0.8")
    for doubtful in ("drifts", ">5", "600; 9"):
        sheet = entered(sheet, rail_5v=doubtful)
        assert any(one.step == "rail-5v" for one in sheet.standing().closings), doubtful
    sheet = sheet.with_skip("rail-5v", "could not reach it", at=AT, who=WHO)
    assert any(one.step == "rail-5v" for one in sheet.standing().closings)
    sheet = entered(sheet, rail_5v="640")
    assert [one.step for one in sheet.standing().closings] == ["suppressor-5v"]
    assert "amps-5v" not in offered(sheet)
    sheet = entered(sheet, suppressor_5v="4k7")
    assert sheet.standing().closings == ()
    assert "amps-5v" in offered(sheet)
    assert len(sheet.entries("rail-5v")) == 6, "earlier entries are kept"


def test_other_leads_do_not_talk_a_short_away() -> None:
    sheet = entered(large(), leads="0.0", rail_5v="10.0")
    assert sheet.standing().closings == ()
    short = entered(large(), leads="0.5", rail_5v="10.2")
    assert [one.step for one in short.standing().closings] == ["rail-5v"]
    assert [one.step for one in entered(short, leads="0.0").standing().closings] == ["rail-5v"]


def test_leads_measured_late_settle_what_was_measured_before() -> None:
    sheet = entered(large(), rail_5v="10.4")
    assert sheet.standing().judgements["rail-5v"].value_class is ValueClass.CANNOT_BE_JUDGED
    sheet = entered(sheet, leads="0.2")
    assert sheet.standing().judgements["rail-5v"].value_class is ValueClass.LOW


@pytest.mark.parametrize("leads", ["OL", "7.0", "unstable"])
def test_with_leads_out_of_their_range_nothing_is_measured(leads: str) -> None:
    sheet = entered(large(), leads=leads)
    standing = sheet.standing()
    assert standing.next is not None
    assert (standing.next.step.id, standing.next.again) == ("leads", True)
    assert {one for one in offered(sheet) if FORM.steps[one].measured} == {"leads"}
    assert state(sheet, "burns") is StepState.READY, "a look needs no leads"
    for step in ("rail-5v", "wrist-strap", "suppressor-5v"):
        with pytest.raises(UsageError, match="leads are out of range") as refused:
            sheet.with_entry(step, "OL", at=AT, who=WHO)
        assert "enter it anew at leads" in refused.value.next_step
    left_out = sheet.with_skip("leads", "no time", at=AT, who=WHO)
    assert state(left_out, "rail-5v") is StepState.WAITING, "leaving it out mends no leads"
    assert state(entered(sheet, leads="<1"), "rail-5v") is StepState.WAITING
    assert state(entered(sheet, leads="0.3"), "rail-5v") is StepState.READY


def test_what_was_measured_with_open_leads_counts_for_nothing() -> None:
    taken = kept("leads OL", "wrist-strap 1M2", "rail-5v OL", "rail-12v 0.9", "burns none")
    standing = taken.standing()
    assert set(standing.judgements) == {"leads", "rail-12v", "burns"}
    assert [one.step for one in standing.closings] == ["rail-12v"], "an open lead makes no short"
    assert any("counts for nothing: wrist-strap, rail-5v" in one for one in standing.remarks)
    right = entered(taken, leads="0.3")
    assert state(right, "rail-5v") is StepState.READY, "nor once the leads are right: they were not then"
    assert not entered(right, wrist_strap="1M2", rail_5v="640").standing().remarks


def test_before_the_leads_were_measured_at_all_their_word_counts() -> None:
    taken = kept("rail-5v OL", "leads OL")
    assert "rail-5v" not in taken.standing().judgements
    assert "rail-5v" in entered(taken, leads="0.3").standing().judgements
    sound = kept("leads 0.3", "rail-5v 640", "leads OL")
    assert sound.standing().judgements["rail-5v"].value_class is ValueClass.WITHIN


@pytest.mark.parametrize("strap", ["0.3", "40M"])
def test_a_wrist_strap_out_of_its_range_stops_what_needs_it(strap: str) -> None:
    sheet = entered(large(), leads="0.3", wrist_strap=strap)
    standing = sheet.standing()
    assert standing.next is not None
    assert standing.next.step.id == "wrist-strap"
    assert not any(FORM.steps[one].strapped for one in offered(sheet))
    with pytest.raises(UsageError, match="wrist strap is out of range"):
        entered(sheet, burns="none")
    assert state(sheet, "supply-5v") is StepState.READY, "the supply alone needs no strap"
    assert state(entered(sheet, wrist_strap="1M2"), "burns") is StepState.READY


def test_an_override_opens_for_what_was_known_and_no_more() -> None:
    sheet = followed(large(), rail_12v="0.9")
    sheet = sheet.with_override(Gate.TWELVE, "suppressor taken off, bench supply only", at=AT, who=WHO)
    assert state(sheet, "amps-12v") is StepState.READY
    assert [one.step for one in sheet.standing().overridden] == ["rail-12v"]
    again = entered(sheet, suppressor_12v="0.5")
    assert state(again, "amps-12v") is StepState.NO_POWER
    assert [one.step for one in again.standing().closings] == ["suppressor-12v"]


@pytest.mark.parametrize(("reason", "who"), [("", WHO), ("  ", WHO), ("mended", ""), ("mended", " ")])
def test_an_override_needs_a_reason_and_a_name(reason: str, who: str) -> None:
    with pytest.raises(UsageError, match="needs a reason and a name"):
        followed(large(), rail_12v="0.9").with_override(Gate.TWELVE, reason, at=AT, who=who)


def test_an_open_gate_is_not_overridden_in_advance() -> None:
    with pytest.raises(UsageError, match="Nothing bars 5 V now"):
        large().with_override(Gate.FIVE, "just in case", at=AT, who=WHO)


def test_too_much_current_stops_until_a_person_says_what_was_mended() -> None:
    sheet = entered(filled(large(), "amps-5v"), amps_5v="0.9")
    standing = sheet.standing()
    assert [(one.gate, one.step) for one in standing.closings] == [(Gate.FIVE, "amps-5v")]
    assert standing.next is None, "nothing without power is left, and power stays off"
    assert standing.of("amps-5v").barred
    mended = sheet.with_override(Gate.FIVE, "regulator replaced", at=AT, who=WHO)
    assert [one.step for one in entered(mended, amps_5v="0.9").standing().closings] == ["amps-5v"]
    assert entered(mended, amps_5v="0.3").standing().closings == ()


def test_the_drive_is_not_attached_to_a_motor_that_touches_its_case() -> None:
    sheet = followed(large(), motor_case="3.0")
    assert state(sheet, "amps-12v") is StepState.DONE
    assert state(sheet, "amps-spin") is StepState.NO_POWER


def test_the_rom_waits_for_its_own_voltage() -> None:
    sheet = followed(large(), rom_rated="not known")
    assert state(sheet, "rom-volts") is StepState.WAITING
    suggestion = sheet.standing().next
    assert suggestion is not None
    assert (suggestion.step.id, suggestion.again) == ("rom-rated", True)
    known = entered(sheet, rom_rated="1.8 V", rom_volts="3.3")
    assert [one.step for one in known.standing().closings] == ["rom-volts"]
    assert "rom-unsafe" in [one.rule for one in known.standing().statements]


def test_a_motor_that_does_not_add_up_is_remarked() -> None:
    swapped = filled(large(), "motor-case", motor_common_a="1.9", motor_common_b="1.1", motor_common_c="1.9",
                     motor_a_b="1.1", motor_b_c="1.1", motor_c_a="1.9")  # fmt: skip
    assert any("winding noted as number 2" in one for one in swapped.standing().remarks)
    bad = filled(large(), "motor-case", motor_common_a="1.4", motor_c_a="2.9")
    assert any("do not fit three windings" in one for one in bad.standing().remarks)


@pytest.mark.parametrize(
    ("step", "text", "why"),
    [
        ("no-such", "1", "no step 'no-such'"),
        ("rail-5v", "much", "cannot be read"),
        ("burns", "much", "not one of the answers"),
        ("motor-common-a", "1.1", "not open"),
    ],
)
def test_entries_that_are_refused(step: str, text: str, why: str) -> None:
    with pytest.raises(UsageError, match=why):
        large().with_entry(step, text, at=AT, who=WHO)


def test_records_are_checked_and_stored_sheets_come_back() -> None:
    with pytest.raises(UsageError, match="without a reason"):
        large().with_skip("core", " ", at=AT, who=WHO)
    for broken in ({"at": "now"}, {"who": "a\x00b"}, {"who": "w" * 501}):
        with pytest.raises(UsageError):
            large().with_entry("rail-5v", "640", **{"at": AT, "who": WHO, **broken})
    sheet = followed(large(), rail_12v="0.9").with_override(Gate.TWELVE, "mended", at=AT, who=WHO)
    again = Sheet(Size.LARGE, True, sheet.records)
    assert again.standing() == sheet.standing()
    with pytest.raises(UsageError, match="stands at place"):
        Sheet(records=sheet.records[1:])
    assert isinstance(sheet.records[-1], Override)


def test_entries_of_another_form_are_kept_and_told() -> None:
    sheet = Sheet(Size.LARGE, True, (Entry(1, "gone", "3", AT, WHO), Entry(2, "rail-5v", "what", AT, WHO)))
    standing = sheet.standing()
    assert [one.step for one in standing.unread] == ["gone", "rail-5v"]
    assert standing.judgements["rail-5v"].value_class is ValueClass.CANNOT_BE_JUDGED


def test_progress_and_summary_are_plain_data() -> None:
    sheet = followed(large(), rail_12v="0.9").with_skip("coil", "inside", at=AT, who=WHO)
    told = progress(sheet)
    assert told["skipped"] == 1
    assert told["open"] == 0
    assert told["closed"] == 8
    whole = json.loads(json.dumps(summary(sheet)))
    steps = {one["id"]: one for one in whole["steps"]}
    assert steps["rail-12v"]["class"] == "short"
    assert steps["rail-12v"]["value"] == "0.6\u2009Ω"
    assert steps["coil"]["class"] == "not measured"
    assert steps["coil"]["replaces"] == 1
    assert whole["motor"]["windings"] == ["0.8\u2009Ω"] * 3
    assert [one["gate"] for one in whole["gates"] if one["closed"]] == ["12 V"]
    assert whole["next"]["step"] == "rail-12v"
    assert whole["next"]["cautions"] == ["static", "power-off"]


def test_once_there_is_a_short_a_look_comes_first_and_then_what_may_find_it() -> None:
    sheet = entered(large(), leads="0.1", rail_5v="0.6")
    first = sheet.standing().next
    assert first is not None
    assert (first.step.id, first.why) == ("burns", "A look may show what shorts 5 V")
    after = entered(sheet, burns="no").standing().next
    assert after is not None
    assert after.why == "It may find what shorts 5 V"
    assert entered(sheet, burns="Yes").standing().judgements["burns"].value_class is ValueClass.AMISS
