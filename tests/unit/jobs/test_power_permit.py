"""Reading a drive against the customer's word or against triage."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from mendbay.board.electrical_form import Gate
from mendbay.board.swap_odds import Purpose
from mendbay.case.consents import Word
from mendbay.case.records import Bay
from mendbay.core.errors import HeldBack, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.imaging.hazard import Condition
from mendbay.jobs.agenda import tell_turn
from mendbay.jobs.bench import Bench
from mendbay.jobs.closed_board import closed_board
from mendbay.jobs.compare_drive import compare_drive
from mendbay.jobs.consents import give_word
from mendbay.jobs.drive_condition import say_condition
from mendbay.jobs.measure_board import enter, override, take_override_back
from mendbay.jobs.power_permit import Although, ReasonsDue, reasons_due, require_power
from mendbay.jobs.read_drive import DriveAt, read_drive
from mendbay.jobs.read_pair import read_pair
from mendbay.jobs.take_in import add_bay
from mendbay.jobs.take_in_form import tell
from mendbay.jobs.triage_case import answer, describe, tell_triage
from mendbay.triage.belief import Asked


@pytest.fixture
def drive(tmp_path: Path) -> str:
    image = tmp_path / "drive.img"
    image.write_bytes(os.urandom(1 << 16))
    return str(image)


def custody(bench: Bench) -> list[str]:
    return [f"{one.what} ({one.item})" for one in bench.ledger.custody(1)]


def test_a_refused_drive_is_read_with_a_reason_alone(bench: Bench, drive: str) -> None:
    give_word(bench, 1, "power-on", Word.NO)
    before = custody(bench)
    for although in (Although(), Although(refused="  "), Although(harmful="not what is asked")):
        with pytest.raises(HeldBack, match="customer refused giving power"):
            read_drive(bench, 1, DriveAt("1", drive), although=although)
        with pytest.raises(HeldBack):
            read_pair(bench, 1, [DriveAt("1", drive)], although=although)
    assert custody(bench) == before, "nothing was begun"
    assert not bench.images.exists(bench.ledger.case(1), "1")
    with pytest.raises(UsageError, match="names the customer"):
        require_power(bench, 1, ["1"], Although(refused=bench.ledger.case(1).customer))
    read_drive(bench, 1, DriveAt("1", drive), although=Although(refused="an heir agreed in writing"))
    said = "power decided on although the customer refused it (drive of bay 1; an heir agreed in writing)"
    assert said in custody(bench)
    give_word(bench, 1, "power-on", Word.YES)
    assert read_drive(bench, 1, DriveAt("1", drive)).is_complete


def test_long_reading_that_was_refused_holds_reading_back_and_no_question_to_the_drive(
    bench: Bench, drive: str
) -> None:
    assert reasons_due(bench, 1, ["1"], reading=True) == ReasonsDue(refused=False, harmful=False)
    give_word(bench, 1, "long-reading", Word.NO)
    assert reasons_due(bench, 1, ["1"], reading=True) == ReasonsDue(refused=True, harmful=False)
    assert reasons_due(bench, 1, ["1"], reading=False) == ReasonsDue(refused=False, harmful=False)
    with pytest.raises(HeldBack, match="refused long reading") as caught:
        read_drive(bench, 1, DriveAt("1", drive))
    assert "case consent 1 long-reading yes" in caught.value.next_step
    with pytest.raises(HeldBack, match="refused long reading"):
        read_pair(bench, 1, [DriveAt("1", drive)])
    require_power(bench, 1, ["1"])
    assert read_drive(bench, 1, DriveAt("1", drive), although=Although(refused="an heir agreed")).is_complete
    assert "although the customer refused it (drive of bay 1; an heir agreed)" in "\n".join(custody(bench))
    with pytest.raises(HeldBack, match="refused long reading"):
        compare_drive(bench, 1, DriveAt("1", drive))
    give_word(bench, 1, "power-on", Word.NO)
    with pytest.raises(HeldBack, match="giving power to a failing drive and long reading"):
        read_drive(bench, 1, DriveAt("1", drive))


def test_a_drive_kept_without_power_is_read_with_a_reason_alone(bench: Bench, drive: str) -> None:
    answer(bench, 1, Asked("sound", "1"), "clicks")
    with pytest.raises(HeldBack, match=r"STOP: give the drive of bay 1 no power.*it clicks again") as caught:
        read_drive(bench, 1, DriveAt("1", drive), although=Although(refused="not what is asked"))
    assert "--although-harmful" in caught.value.next_step
    with pytest.raises(HeldBack):
        read_pair(bench, 1, [DriveAt("2", drive), DriveAt("1", drive + "x")])
    assert read_drive(bench, 1, DriveAt("2", drive)).is_complete, "the other drive may get power"
    read_drive(bench, 1, DriveAt("1", drive), although=Although(harmful="the last hope"))
    assert "power decided on although triage says STOP (drive of bay 1; the last hope)" in custody(bench)


def test_what_rattles_is_kept_without_power_whichever_bay_it_is(bench: Bench) -> None:
    tell(bench, 1, "condition", "rattles")
    for bay in ("1", "2", "3"):
        with pytest.raises(HeldBack, match=rf"STOP: .* bay {bay} no power.*omething rattles"):
            require_power(bench, 1, [bay])
    with pytest.raises(HeldBack, match=r"bay 1 no power.*bay 2 no power"):
        require_power(bench, 1, ["1", "2"])


def test_a_bay_that_is_not_judged_now_is_judged_for_its_own_sake(bench: Bench) -> None:
    answer(bench, 1, Asked("sound", "1"), "grinding")
    describe(bench, 1, bays=("2",))
    with pytest.raises(HeldBack, match="it grinds"):
        require_power(bench, 1, ["1"])
    describe(bench, 1, bays=())
    add_bay(bench, Bay(1, "3"))
    with pytest.raises(HeldBack, match="it grinds"):
        require_power(bench, 1, ["1"])
    require_power(bench, 1, ["2", "3"])


def test_what_the_case_shows_of_itself_stops_nothing_before_somebody_said_something(bench: Bench) -> None:
    body = json.dumps({"records": "failing"})
    bench.notes.add(Note(1, "1", NoteKind.RECORDS, "drive", bench.now(), "Kim", body))
    told = tell_triage(bench, 1)
    assert (told.keep_off, [one.bay for one in told.unheard]) == ((), ["1"])
    assert told.unheard[0].words == (
        "What do the drive's own records say (re-mapped, reported, timed out, pending, off-line)? The drive "
        "calls itself failing",
    )
    assert any(one.barred == "1" for one in told.offers), "what gives it power stands behind"
    require_power(bench, 1, ["1"])
    told = answer(bench, 1, Asked("smell"), "none")
    assert ([one.bay for one in told.keep_off], told.unheard) == (["1"], ())
    with pytest.raises(HeldBack, match="STOP"):
        require_power(bench, 1, ["1"])


def test_a_drive_said_to_click_when_it_is_read_is_held_back_once_anything_is_answered(bench: Bench) -> None:
    say_condition(bench, 1, "1", Condition.CLICKS)
    assert [one.bay for one in tell_triage(bench, 1).keep_off] == ["1"]
    require_power(bench, 1, ["1"])
    answer(bench, 1, Asked("smell"), "none")
    with pytest.raises(HeldBack, match=r"STOP: give the drive of bay 1 no power.*it clicks again and again"):
        require_power(bench, 1, ["1"])
    require_power(bench, 1, ["2"])


def test_where_nothing_was_said_nothing_is_asked(bench: Bench) -> None:
    before = custody(bench)
    require_power(bench, 1, ["1", "2"], Although("no need", "no need"))
    give_word(bench, 1, "shipping", Word.NO)
    require_power(bench, 1, ["1"])
    assert len(custody(bench)) == len(before) + 1


def test_who_wants_to_be_asked_each_time_is_asked_each_time(bench: Bench, drive: str) -> None:
    give_word(bench, 1, "power-on", Word.ASK)
    give_word(bench, 1, "long-reading", Word.ASK)
    before = custody(bench)
    assert reasons_due(bench, 1, ["1"], reading=False).asking == "giving power to a failing drive"
    for although in (Although(), Although(refused="a reason is no asking")):
        with pytest.raises(HeldBack, match=r"before giving power .* and long reading") as held:
            read_drive(bench, 1, DriveAt("1", drive), although=although)
        with pytest.raises(HeldBack):
            read_pair(bench, 1, [DriveAt("1", drive)], although=although)
    assert "--customer-asked" in held.value.next_step
    assert custody(bench) == before, "nothing was begun"
    assert read_drive(bench, 1, DriveAt("1", drive), although=Although(asked=True)).is_complete
    said = "the customer was asked this time, and said yes (drive of bay 1; giving power to a failing drive"
    assert [one.startswith(said) for one in custody(bench)].count(True) == 1
    with pytest.raises(HeldBack, match="asked each time"):
        compare_drive(bench, 1, DriveAt("1", drive))
    give_word(bench, 1, "power-on", Word.YES)
    require_power(bench, 1, ["1"])
    assert [one.startswith(said) for one in custody(bench)].count(True) == 1


def test_that_the_customer_was_asked_is_no_reason_against_a_refusal(bench: Bench) -> None:
    give_word(bench, 1, "power-on", Word.NO)
    with pytest.raises(HeldBack, match="customer refused"):
        require_power(bench, 1, ["1"], Although(asked=True))


def test_a_short_on_the_board_holds_its_drive_back_until_it_is_mended_or_let_through(
    bench: Bench, drive: str
) -> None:
    enter(bench, 1, "1", "leads", "0.3")
    enter(bench, 1, "1", "suppressor-12v", "0.4")
    assert reasons_due(bench, 1, ["1"], reading=False) == ReasonsDue(refused=False, harmful=True)
    assert reasons_due(bench, 1, ["2", "9"], reading=True) == ReasonsDue(refused=False, harmful=False)
    before = custody(bench)
    shut = r"bay 1 no power\. 12 V is barred .*the suppressor of the 12 V rail: .+\)"
    with pytest.raises(HeldBack, match=shut) as caught:
        read_drive(bench, 1, DriveAt("1", drive))
    assert "board sheet 1 1" in caught.value.next_step
    assert "--although-harmful" in caught.value.next_step
    assert custody(bench) == before, "nothing was begun"
    require_power(bench, 1, ["2"])
    require_power(bench, 1, ["1"], Although(harmful="another board is on it"))
    said = (
        "power decided on although the electrical sheet closes 12 V (drive of bay 1; another board is on it)"
    )
    assert custody(bench)[-1] == said
    override(bench, 1, "1", Gate.TWELVE, "the suppressor was taken off")
    require_power(bench, 1, ["1"])
    take_override_back(bench, 1, "1", Gate.TWELVE, "it is on again")
    with pytest.raises(HeldBack):
        require_power(bench, 1, ["1"])
    enter(bench, 1, "1", "suppressor-12v", "20k")
    require_power(bench, 1, ["1"])


@pytest.mark.parametrize(
    ("purpose", "worked", "lifts"),
    [
        (Purpose.BOARD_SWAP, True, True),
        (Purpose.BOARD_SWAP, False, False),
        (Purpose.HEAD_TRANSPLANT, True, False),
    ],
)
def test_a_short_on_a_board_that_is_on_the_drive_no_more_holds_nothing_back(
    bench: Bench, purpose: Purpose, worked: bool, lifts: bool
) -> None:
    enter(bench, 1, "1", "suppressor-12v", "0.4")
    body = json.dumps({"purpose": str(purpose), "agreement": {}, "worked": worked, "remark": ""})
    bench.notes.add(Note(1, "1", NoteKind.SWAP, "1", "2999-01-01T00:00:00Z", "Kim", body))
    assert reasons_due(bench, 1, ["1"], reading=True).harmful is not lifts


def test_a_swap_that_is_noted_anew_lifts_nothing_that_was_measured_since_it(bench: Bench) -> None:
    body = json.dumps({"purpose": str(Purpose.BOARD_SWAP), "agreement": {}, "worked": True, "remark": ""})
    bench.notes.add(Note(1, "1", NoteKind.SWAP, "1", "2000-01-01T00:00:00Z", "Kim", body))
    enter(bench, 1, "1", "suppressor-12v", "0.4")
    assert reasons_due(bench, 1, ["1"], reading=True).harmful
    bench.notes.add(Note(1, "1", NoteKind.SWAP, "1", "2999-01-01T00:00:00Z", "Kim", body))
    assert reasons_due(bench, 1, ["1"], reading=True).harmful, "it is the board that was measured"
    bench.notes.add(Note(1, "1", NoteKind.SWAP, "2", "2999-01-01T00:00:00Z", "Kim", body))
    assert not reasons_due(bench, 1, ["1"], reading=True).harmful, "another board is on it"


def test_what_is_measured_at_a_board_that_was_fitted_is_not_of_the_one_before(bench: Bench) -> None:
    enter(bench, 1, "1", "leads", "0.3")
    body = json.dumps({"purpose": str(Purpose.BOARD_SWAP), "agreement": {}, "worked": True, "remark": ""})
    bench.notes.add(Note(1, "1", NoteKind.SWAP, "1", "2000-01-01T00:00:00Z", "Kim", body))
    before = tell_triage(bench, 1).belief.fault("board-supply", "1")
    enter(bench, 1, "1", "suppressor-12v", "0.4")
    told = tell_triage(bench, 1)
    measured = Asked("supply-measured", "1")
    assert told.closed_boards
    assert (told.belief.answers[measured], measured in told.belief.before_repairs) == ("amiss", False)
    assert told.belief.fault("board-supply", "1") > 10 * before, "it speaks of the board that is fitted"
    bench.notes.add(Note(1, "1", NoteKind.SWAP, "2", "2999-01-01T00:00:00Z", "Kim", body))
    told = tell_triage(bench, 1)
    assert measured not in told.belief.answers, "of the board before"
    assert told.belief.fault("board-supply", "1") < 0.1


def test_triage_tells_what_a_board_keeps_closed_by_the_same_rule(bench: Bench) -> None:
    enter(bench, 1, "1", "leads", "0.3")
    assert tell_triage(bench, 1).closed_boards == ()
    enter(bench, 1, "1", "suppressor-12v", "0.4")
    told = tell_triage(bench, 1)
    assert told.closed_boards == (closed_board(bench, 1, "1"),)
    assert told.closed_boards[0].mendable, "no more than a supply of the board is closed"
    powered = {one.step.id: one.barred for one in told.offers if one.step.powers and one.bay == "1"}
    assert powered["listen-alone"] == "1"
    assert powered["mend-supply"] == ""
    turn = tell_turn(bench, 1).chore
    assert turn is not None
    assert turn.words.startswith("STOP, no power for the drive of bay 1. "), turn
    override(bench, 1, "1", Gate.TWELVE, "the suppressor was taken off")
    assert tell_triage(bench, 1).closed_boards == ()
    enter(bench, 1, "2", "motor-case", "0.4")
    enter(bench, 1, "1", "suppressor-12v", "0.3")
    both = tell_turn(bench, 1).chore
    assert both is not None
    assert both.words.startswith("STOP, no power for the drives of bays 1 and 2. "), both
    enter(bench, 1, "1", "suppressor-12v", "20k")
    (of_motor,) = tell_triage(bench, 1).closed_boards
    assert (of_motor.bay, of_motor.gates, of_motor.mendable) == ("2", "drive", False)
