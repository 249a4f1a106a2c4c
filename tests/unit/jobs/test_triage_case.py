"""Triage of a case: what a person says, what the case knows itself, and what is kept of both."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest

from mendbay.board.description import BoardDescription
from mendbay.board.electrical import Entry, Sheet
from mendbay.board.electrical_form import Size
from mendbay.board.electrical_form_file import packaged_form
from mendbay.board.stock import Kind, StockItem
from mendbay.board.swap_odds import Level, Purpose
from mendbay.case.records import LOOSE_BOARD, Bay, CaseKind
from mendbay.core.clock import SystemClock
from mendbay.core.coverage import Coverage
from mendbay.core.errors import LedgerError, NoSuchCase, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.core.source import Identity
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.hazard import Condition
from mendbay.jobs.agenda import tell_turn
from mendbay.jobs.bench import Bench
from mendbay.jobs.drive_condition import say_condition
from mendbay.jobs.find_donor import agreement_with
from mendbay.jobs.gather_signs import PLACE_BYTES, refusals_of
from mendbay.jobs.keep_stock import add_items
from mendbay.jobs.looks import remember
from mendbay.jobs.measure_board import describe_board, enter
from mendbay.jobs.record_swaps import record_swap, withdraw_swap
from mendbay.jobs.take_in import add_bay, take_in
from mendbay.jobs.take_in_form import tell
from mendbay.jobs.triage_case import (
    answer,
    describe,
    note_tried,
    signs_of,
    take_back,
    take_back_tried,
    tell_triage,
    what_if,
    why,
)
from mendbay.outlets.shop_files import ShopFolder
from mendbay.triage.belief import HELPED, TRIED, Asked
from mendbay.triage.tables import StepKind
from mendbay.triage.worlds import Place, Subject
from support.electrical import filled

CLICKS = Asked("sound", "1")
ALONE = Asked("sound-alone", "1")


class Later(SystemClock):
    """A clock a minute ahead."""

    def now(self) -> datetime:
        return super().now() + timedelta(minutes=1)


def test_a_drive_said_to_click_stops_against_what_was_answered_before(bench: Bench) -> None:
    answer(bench, 1, CLICKS, "normal")
    calm = answer(bench, 1, ALONE, "normal")
    assert calm.keep_off == ()
    say_condition(bench, 1, "1", Condition.CLICKS)
    told = tell_triage(bench, 1)
    assert told.known[ALONE].answer == "clicks"
    assert told.known[ALONE].origin.count("against sound normal, as told by") == 1
    assert "against sound-alone normal" in told.known[ALONE].origin
    assert [one.bay for one in told.keep_off] == ["1"]
    assert not any(one.step.powers and one.bay == "1" and not one.barred for one in told.offers)
    say_condition(bench, 1, "1", Condition.REFUSES)
    assert tell_triage(bench, 1).known[ALONE].answer == "normal", "what is said last counts"


def test_what_is_heard_after_a_drive_was_said_to_click_counts(bench: Bench) -> None:
    say_condition(bench, 1, "1", Condition.CLICKS)
    assert [one.bay for one in tell_triage(bench, 1).keep_off] == ["1"]
    later = replace(bench, clock=Later())
    assert answer(later, 1, ALONE, "normal").known[ALONE].answer == "normal"


def test_answers_are_kept_move_the_belief_and_are_told_in_the_story(bench: Bench) -> None:
    before = tell_triage(bench, 1)
    assert before.subject == Subject(("1", "2"))
    assert (before.assumed, before.known, before.keep_off) == (False, {}, ())
    after = answer(bench, 1, CLICKS, "clicks")
    assert after.belief.fault("heads", "1") > 0.5 > before.belief.fault("heads", "1")
    assert (after.known[CLICKS].answer, after.known[CLICKS].by_person) == ("clicks", True)
    assert tell_triage(bench, 1).belief.faults() == pytest.approx(after.belief.faults())
    told = [one.text for one in bench.ledger.events(1) if one.kind == "triage"]
    assert told == ["Bay 1: What does the drive sound like in the box? It clicks again and again."]
    assert answer(bench, 1, CLICKS, "normal").known[CLICKS].answer == "normal", "the last word counts"


def test_a_drive_likely_damaged_inside_is_kept_without_power(bench: Bench) -> None:
    answer(bench, 1, Asked("history"), "dropped")
    told = answer(bench, 1, CLICKS, "clicks")
    (kept,) = told.keep_off
    assert (kept.bay, kept.chance > 0.8) == ("1", True)
    assert [one.asked for one in kept.reasons] == [CLICKS, Asked("history")]
    powered = [one for one in told.offers if one.step.powers and one.bay in ("", "1")]
    assert powered
    assert all(one.barred == "1" for one in powered)
    assert not told.offers[0].barred
    first = min(told.offers.index(one) for one in powered)
    assert all(one.barred for one in told.offers[first:]), "whatever may be done stands before"


def test_reasons_to_stop_are_told_by_what_was_answered_each_once(bench: Bench) -> None:
    answer(bench, 1, CLICKS, "clicks")
    (kept,) = answer(bench, 1, ALONE, "clicks").keep_off
    assert {one.asked for one in kept.reasons} == {CLICKS, ALONE}
    assert kept.words == ("it clicks again and again",)
    answer(bench, 1, Asked("history"), "dropped")
    (kept,) = tell_triage(bench, 1).keep_off
    assert kept.words == (
        "it clicks again and again",
        "What happened before it failed? It fell or was knocked",
    )


@pytest.mark.parametrize(
    ("before", "since"), [("clicks", "clicks"), ("clicks", "grinding"), ("grinding", "clicks")]
)
def test_a_reason_to_stop_names_a_sign_once_though_a_repair_had_it_answered_twice(
    bench: Bench, before: str, since: str
) -> None:
    answer(bench, 1, Asked("history"), "dropped")
    answer(bench, 1, CLICKS, before)
    for _ in range(2):
        note_tried(bench, 1, "swap-board", "1")
    told = answer(bench, 1, CLICKS, since)
    (kept,) = told.keep_off
    asked = [one.asked for one in kept.reasons]
    assert told.belief.ever(CLICKS) == (before, since)
    assert len(set(asked)) == len(asked) == len(set(kept.words)) == len(kept.words)
    assert next(one for one in kept.reasons if one.asked == CLICKS).answer == since


def test_a_reason_that_is_enough_by_itself_is_told_so_where_damage_is_not_likely(bench: Bench) -> None:
    (one, _) = answer(bench, 1, Asked("condition"), "rattles").keep_off
    assert one.why.startswith("Something rattles: reason enough by itself. By all that is known damage")
    take_back(bench, 1, Asked("condition"), "another box")
    (clicks,) = answer(bench, 1, CLICKS, "clicks").keep_off
    assert clicks.chance > 0.5
    assert clicks.why.startswith("Damage inside it is ")
    assert "reason enough" not in clicks.why


def test_an_answer_taken_back_is_unknown_again_and_stays_on_record(bench: Bench) -> None:
    empty = tell_triage(bench, 1).belief.faults()
    answer(bench, 1, CLICKS, "clicks")
    answer(bench, 1, CLICKS, "buzz")
    told = take_back(bench, 1, CLICKS, "it was the other drive")
    assert told.known == {}
    assert told.belief.faults() == pytest.approx(empty)
    assert len(bench.notes.of(NoteKind.SIGN, 1)) == 2
    assert bench.ledger.events(1)[-1].text == "Withdrawn: the answer to sound. it was the other drive"
    with pytest.raises(UsageError, match="Nobody answered 'sound'"):
        take_back(bench, 1, CLICKS, "twice")
    with pytest.raises(UsageError, match="without a reason"):
        take_back(bench, 1, CLICKS, " ")


def test_nothing_is_kept_of_an_answer_that_is_refused(bench: Bench) -> None:
    for asked, said in ((Asked("sound"), "clicks"), (CLICKS, "loud"), (Asked("noise", "1"), "clicks")):
        with pytest.raises(UsageError):
            answer(bench, 1, asked, said)
    assert bench.notes.of(NoteKind.SIGN, 1) == ()
    with pytest.raises(NoSuchCase):
        answer(bench, 9, CLICKS, "clicks")


def test_what_came_in_and_what_its_data_is_worth(bench: Bench) -> None:
    take_in(bench, "A drive alone", bays=[Bay(0, "1")])
    take_in(bench, "A box not looked into", box="two-bay box")
    take_in(bench, "A box with one drive", box="two-bay box", bays=[Bay(0, "left")])
    assert tell_triage(bench, 2).subject == Subject(("1",), box=False)
    unseen = tell_triage(bench, 3)
    assert (unseen.subject, unseen.assumed) == (Subject(("1", "2")), True)
    assert tell_triage(bench, 4).subject == Subject(("left",))
    told = describe(bench, 2, box=True, worth=50_000.0)
    assert (told.subject.box, told.stakes.data) == (True, 50_000.0)
    assert describe(bench, 2, box=False).stakes.data == 50_000.0
    with pytest.raises(UsageError, match="Nothing is said"):
        describe(bench, 2)
    with pytest.raises(UsageError, match="worth"):
        describe(bench, 2, worth=-5.0)
    with pytest.raises(UsageError, match="No bay of case 3 is described"):
        answer(bench, 3, CLICKS, "clicks")
    add_bay(bench, Bay(1, "3"))
    with pytest.raises(UsageError, match="cannot be judged together"):
        tell_triage(bench, 1)
    assert describe(bench, 1, bays=("2", "3")).subject.bays == ("2", "3")
    assert tell_triage(bench, 1).subject.bays == ("2", "3")
    with pytest.raises(UsageError, match="cannot be judged together"):
        describe(bench, 1, bays=("1", "2", "3"))
    with pytest.raises(NoSuchCase):
        describe(bench, 1, bays=("9",))


def test_an_answer_that_cannot_be_weighed_now_is_told(bench: Bench) -> None:
    answer(bench, 1, Asked("lights"), "none")
    assert Asked("lights") in tell_triage(bench, 1).known
    alone = describe(bench, 1, box=False)
    assert Asked("lights") not in alone.known
    assert alone.left_out == ("lights: none. lights is asked of the box, and a drive came alone.",)
    again = describe(bench, 1, box=True)
    assert (Asked("lights") in again.known, again.left_out) == (True, ())
    for sign, said in (("sound", "sings"), ("colour", "red")):
        body = json.dumps({"answer": said})
        bench.notes.add(Note(1, "1", NoteKind.SIGN, sign, bench.now(), "an older version", body))
    assert len(tell_triage(bench, 1).left_out) == 2


def image_of(bench: Bench, size: int, read: Span) -> None:
    """An image of bay 1 that holds some of its drive."""
    store = bench.images.create(bench.ledger.case(1), "1", Identity("file", "made up", size, 512))
    try:
        store.begin_run("bench", "made up")
        store.keep(read, memoryview(b"\1" * read.length), 1.0)
        store.commit()
    finally:
        store.close()


def test_an_image_answers_for_its_drive_until_the_drive_is_heard_to_ail(bench: Bench) -> None:
    image_of(bench, 32 << 20, Span(0, 20 << 20))
    told = tell_triage(bench, 1)
    assert told.known[Asked("detected", "1")].answer == "right"
    assert told.known[Asked("refusals", "1")].answer == "none"
    for sound in ("clicks", "grinding", "buzz"):
        heard = answer(bench, 1, CLICKS, sound)
        assert not {Asked("detected", "1"), Asked("refusals", "1")} & set(heard.known)
    assert [one.bay for one in answer(bench, 1, CLICKS, "clicks").keep_off] == ["1"]
    said = answer(bench, 1, Asked("detected", "1"), "right")
    assert [one.bay for one in said.keep_off] == ["1"], "one that clicks gets no power, whatever it gave"
    assert Asked("refusals", "1") in answer(bench, 1, CLICKS, "normal").known


@pytest.mark.parametrize("size", [Size.LARGE, Size.SMALL])
def test_a_sound_sheet_answers_for_both_sizes(bench: Bench, size: Size) -> None:
    describe_board(bench, 1, "1", size)
    for one in filled(Sheet(size, form=packaged_form())).records:
        if isinstance(one, Entry):
            enter(bench, 1, "1", one.step, one.text)
    known = tell_triage(bench, 1).known
    found = {sign: known[Asked(sign, "1")].answer for sign in ("supply-measured", "driver-measured", "burn")}
    assert found == {"supply-measured": "sound", "driver-measured": "sound", "burn": "none"}


def test_the_electrical_sheet_answers_for_itself(bench: Bench) -> None:
    describe_board(bench, 1, "1", Size.LARGE)
    enter(bench, 1, "1", "leads", "0.1")
    enter(bench, 1, "1", "burns", "seen")
    enter(bench, 1, "1", "rail-12v", "0.4")
    told = tell_triage(bench, 1)
    assert told.known[Asked("supply-measured", "1")].answer == "amiss"
    assert "12 V rail is shorted" in told.known[Asked("supply-measured", "1")].origin
    assert told.known[Asked("burn", "1")].answer == "seen"
    assert told.belief.ranked()[0][0] == Place("board-supply", "1")
    said = answer(bench, 1, Asked("supply-measured", "1"), "sound")
    assert said.known[Asked("supply-measured", "1")].by_person, "a person's word stands before it"


def test_a_plain_swap_that_did_not_help_is_a_sign_and_any_other_is_none(
    bench: Bench, shop: ShopFolder
) -> None:
    patient = BoardDescription(board_number="TB-4471-200")
    add_items(bench, shop, [StockItem(0, Kind.BOARD, patient), StockItem(0, Kind.BOARD, patient)])
    agreement = agreement_with(bench, shop, 1, "1", 1, Purpose.BOARD_SWAP, Level.NOT_MOVED, patient)
    record_swap(bench, 1, 1, "1", agreement, False)
    assert tell_triage(bench, 1).known[Asked("swapped", "1")].answer == "without-rom"
    withdraw_swap(bench, 1, 1, "1", Purpose.BOARD_SWAP, "a mistake")
    assert tell_triage(bench, 1).known == {}
    record_swap(bench, 1, 1, "1", agreement, True)
    assert tell_triage(bench, 1).known == {}
    moved = agreement_with(bench, shop, 1, "1", 2, Purpose.BOARD_SWAP, Level.MOVED, patient)
    record_swap(bench, 2, 1, "1", moved, False)
    assert tell_triage(bench, 1).known == {}, "what this bench did is no symptom"


def test_a_board_that_was_fitted_and_works_is_broken_no_more(bench: Bench, shop: ShopFolder) -> None:
    patient = BoardDescription(board_number="TB-4471-200")
    add_items(bench, shop, [StockItem(0, Kind.BOARD, patient), StockItem(0, Kind.BOARD, patient)])
    answer(bench, 1, Asked("supply-measured", "1"), "amiss")
    assert tell_triage(bench, 1).belief.ranked()[0][0] == Place("board-supply", "1")
    moved = agreement_with(bench, shop, 1, "1", 1, Purpose.BOARD_SWAP, Level.MOVED, patient)
    record_swap(bench, 1, 1, "1", moved, True)
    told = tell_triage(bench, 1)
    assert told.belief.fault("board-supply", "1") < 0.02
    assert [(one.step.id, one.bay, one.helped) for one in told.mended] == [("swap-board", "1", True)]
    assert told.tried == ()
    assert not [
        one for one in told.offers if one.step.id in ("swap-board", "mend-supply") and one.solves > 0.1
    ]
    assert told.before is not None
    assert (told.before.asked, told.before.said) == (Asked("swap-board", "1"), HELPED)
    assert any(one.answer == HELPED for one in why(bench, 1, Place("board-supply", "1"))[1])

    answer(bench, 1, Asked("supply-measured", "1"), "amiss")
    assert tell_triage(bench, 1).belief.fault("board-supply", "1") > 0.1, "measured anew, it counts"
    take_back(bench, 1, Asked("supply-measured", "1"), "of the old board")
    failed = agreement_with(bench, shop, 1, "1", 2, Purpose.BOARD_SWAP, Level.MOVED, patient)
    record_swap(bench, 2, 1, "1", failed, False)
    assert tell_triage(bench, 1).mended == (), "the last word on that board is that it failed"
    withdraw_swap(bench, 2, 1, "1", Purpose.BOARD_SWAP, "a mistake")
    assert len(tell_triage(bench, 1).mended) == 1


def test_what_a_drive_tells_once_it_runs_on_another_board_is_of_then(bench: Bench, shop: ShopFolder) -> None:
    patient = BoardDescription(board_number="TB-4471-200")
    add_items(bench, shop, [StockItem(0, Kind.BOARD, patient)])
    answer(bench, 1, Asked("supply-measured", "1"), "amiss")
    moved = agreement_with(bench, shop, 1, "1", 1, Purpose.BOARD_SWAP, Level.MOVED, patient)
    record_swap(bench, 1, 1, "1", moved, True)
    before = tell_triage(bench, 1).belief
    image_of(bench, 32 << 20, Span(0, 20 << 20))
    after = tell_triage(bench, 1)
    assert after.belief.answers[Asked("detected", "1")] == "right"
    assert after.belief.tried[0].answers == before.tried[0].answers, "the dead board's drive was not detected"


def test_a_swap_that_is_noted_anew_stands_where_it_was_noted_first(bench: Bench, shop: ShopFolder) -> None:
    patient = BoardDescription(board_number="TB-4471-200")
    add_items(bench, shop, [StockItem(0, Kind.BOARD, patient)])
    moved = agreement_with(bench, shop, 1, "1", 1, Purpose.BOARD_SWAP, Level.MOVED, patient)
    record_swap(bench, 1, 1, "1", moved, True)
    answer(bench, 1, Asked("supply-measured", "1"), "sound")
    record_swap(bench, 1, 1, "1", moved, True, "its label was read wrongly")
    told = tell_triage(bench, 1)
    assert len(told.mended) == 1
    assert told.belief.answers[Asked("supply-measured", "1")] == "sound", (
        "measured on the board that is fitted"
    )
    assert told.open_again == ()


def coverage_of(read: tuple[int, int], refused: range) -> Coverage:
    starts = np.array(list(refused), np.int64)
    return Coverage(1 << 30, 512, SpanSet([Span(*read)]), starts, np.ones(starts.size, np.int64))


MIB = 1 << 20


@pytest.mark.parametrize(
    ("read", "refused", "expected"),
    [
        ((0, MIB), range(0), ""),
        ((0, 64 * MIB), range(0), "none"),
        ((0, 64 * MIB), range(100 * MIB, 100 * MIB + 512 * 40, 4096), "scattered"),
        ((0, 64 * MIB), range(100 * MIB, 100 * MIB + PLACE_BYTES + 512, 512), ""),
        ((0, 8 * MIB), range(100 * MIB, 120 * MIB, 512), "most"),
    ],
)
def test_what_an_image_says_of_refusals(read: tuple[int, int], refused: range, expected: str) -> None:
    assert refusals_of(coverage_of(read, refused)) == expected


def banded(starts: list[int], length: int = MIB // 4, unread: tuple[int, int] = (0, 0)) -> Coverage:
    """A drive of 1 GiB read but for stretches refused sector by sector, and a range not asked for."""
    sectors = np.concatenate([np.arange(start, start + length, 512) for start in starts])
    refused = SpanSet.from_bounds(sectors, sectors + 512)
    read = SpanSet([Span(0, 1 << 30)]) - refused - SpanSet([Span(*unread)] if unread[1] else [])
    return Coverage(1 << 30, 512, read, sectors, np.ones(sectors.size, np.int64))


def test_stretches_that_come_back_are_bands() -> None:
    """The period drifts by a tenth from one to the next, as between zones (common practice, no source)."""
    starts = [10 * MIB]
    for step in (60, 55, 50, 45, 41, 38):
        starts.append(starts[-1] + step * MIB)
    assert refusals_of(banded(starts)) == "bands"
    assert refusals_of(banded(starts[:5])) == "", "too few to tell"
    assert refusals_of(banded(starts, unread=(100 * MIB, 110 * MIB))) == "", "not asked for in between"
    uneven = [10 * MIB, 30 * MIB, 200 * MIB, 210 * MIB, 500 * MIB, 510 * MIB, 700 * MIB]
    assert refusals_of(banded(uneven)) == ""


def test_random_places_are_seldom_taken_for_bands() -> None:
    rng = np.random.default_rng(5)
    taken = sum(
        refusals_of(banded(sorted((rng.choice(1000, 8, replace=False) * MIB).tolist()))) == "bands"
        for _ in range(400)
    )
    assert taken <= 4


def test_what_a_look_at_the_images_showed_is_a_sign(bench: Bench) -> None:
    remember(bench, 1, "layout-found", "", "Not yet.")
    assert bench.ledger.events(1)[-1].kind != "look", "nothing new"
    remember(bench, 1, "layout-found", "stripe", "A stripe.")
    remember(bench, 1, "layout-found", "stripe", "A stripe.")
    assert [one.kind for one in bench.ledger.events(1)].count("look") == 1
    told = tell_triage(bench, 1)
    assert told.known[Asked("layout-found")].answer == "stripe"
    assert told.belief.layout("stripe") > 0.8
    remember(bench, 1, "layout-found", "", "Not known any more.")
    assert Asked("layout-found") not in tell_triage(bench, 1).known


def test_why_and_what_if(bench: Bench) -> None:
    answer(bench, 1, CLICKS, "clicks")
    _, moved = why(bench, 1, Place("heads", "1"))
    assert [(one.asked, one.bits > 2) for one in moved] == [(CLICKS, True)]
    _, found = what_if(bench, 1, Asked("swapped", "1"))
    assert [one.answer for one in found] == ["no", "without-rom", "with-rom"]
    assert sum(one.chance for one in found) == pytest.approx(1.0)
    with pytest.raises(UsageError, match="no fault 'heads' of the box"):
        why(bench, 1, Place("heads"))
    with pytest.raises(UsageError, match="answered already"):
        what_if(bench, 1, CLICKS)


@pytest.mark.parametrize("body", ["{", "[]", json.dumps({"answered": "clicks"})])
def test_a_note_of_an_answer_that_mendbay_did_not_write(bench: Bench, body: str) -> None:
    bench.notes.add(Note(1, "1", NoteKind.SIGN, "sound", bench.now(), "someone", body))
    with pytest.raises(LedgerError, match="of triage cannot be read"):
        tell_triage(bench, 1)


@pytest.mark.parametrize(
    "body", ["{", json.dumps({"box": "yes"}), json.dumps({"box": True, "worth": "much"})]
)
def test_a_note_of_the_subject_that_mendbay_did_not_write(bench: Bench, body: str) -> None:
    bench.notes.add(Note(1, "", NoteKind.SUBJECT, "case", bench.now(), "someone", body))
    with pytest.raises(LedgerError, match="of triage cannot be read"):
        tell_triage(bench, 1)


def test_a_repair_that_did_not_help_moves_the_case_on(bench: Bench) -> None:
    answer(bench, 1, Asked("lights"), "none")
    answer(bench, 1, Asked("lights-empty"), "none")
    before = tell_triage(bench, 1)
    after = note_tried(bench, 1, "new-adapter")
    assert after.belief.fault("adapter") < before.belief.fault("adapter") / 3
    assert "new-adapter" not in [one.step.id for one in after.offers]
    assert Asked("lights-empty") not in after.known, "the repair may have changed it"
    assert [(one.step.id, one.bay) for one in after.tried] == [("new-adapter", "")]
    assert after.belief.before_repairs == {Asked("lights"): "none", Asked("lights-empty"): "none"}
    then = answer(bench, 1, Asked("lights-empty"), "some")
    assert then.known[Asked("lights-empty")].answer == "some"
    assert then.belief.fault("box-board") < after.belief.fault("box-board")
    back = take_back_tried(bench, 1, "new-adapter", "", "it was of another case")
    assert back.tried == ()
    assert back.known[Asked("lights-empty")].answer == "some"
    with pytest.raises(UsageError, match="Nobody told"):
        take_back_tried(bench, 1, "new-adapter", "", "again")
    for step, bay in (("smell", ""), ("no-such", ""), ("mend-supply", ""), ("mend-supply", "9")):
        with pytest.raises(UsageError):
            note_tried(bench, 1, step, bay)


def test_an_answer_put_right_after_a_repair_counts_once(bench: Bench) -> None:
    answer(bench, 1, Asked("history"), "surge")
    note_tried(bench, 1, "clean-contacts")
    after = answer(bench, 1, Asked("history"), "nothing").belief.fault("adapter")
    take_back_tried(bench, 1, "clean-contacts", "", "to tell it in another order")
    note_tried(bench, 1, "clean-contacts")
    assert tell_triage(bench, 1).belief.fault("adapter") == pytest.approx(after)
    said = tell_triage(bench, 1).belief
    assert said.ever(Asked("history")) == ("nothing",)


def test_what_was_not_said_or_was_forgotten_leaves_it_open(bench: Bench) -> None:
    body = json.dumps({"box": True, "bays": []})
    bench.notes.add(Note(1, "", NoteKind.SUBJECT, "case", bench.now(), "someone", body))
    assert tell_triage(bench, 1).stakes.data == 3000.0


@pytest.mark.parametrize(("seen", "answered"), [("rattles", "rattles"), ("wet, dented", "wet")])
def test_what_take_in_sees_of_danger_keeps_power_away(bench: Bench, seen: str, answered: str) -> None:
    tell(bench, 1, "condition", seen)
    told = tell_triage(bench, 1)
    condition = told.known[Asked("condition")]
    assert (condition.answer, condition.by_person) == (answered, False)
    assert [one.bay for one in told.keep_off] == ["1", "2"]
    for kept in told.keep_off:
        assert (kept.reasons[0].asked, kept.reasons[0].answer) == (Asked("condition"), answered)
    powered = [one for one in told.offers if one.step.powers]
    assert powered
    assert all(one.barred for one in told.offers[min(map(told.offers.index, powered)) :])
    entry = tell_turn(bench, 1)
    assert entry.chore is not None
    assert entry.chore.words.startswith("STOP, no power for the drives of bays 1 and 2. ")
    looked = answer(bench, 1, Asked("condition"), "nothing")
    assert looked.keep_off == (), "a person's later word stands before what take-in saw"


def test_of_several_conditions_the_gravest_counts_and_water_is_what_happened(bench: Bench) -> None:
    tell(bench, 1, "condition", "wet, rattles")
    known = tell_triage(bench, 1).known
    assert (known[Asked("condition")].answer, known[Asked("history")].answer) == ("rattles", "water")


def test_a_burn_that_take_in_saw_is_that_of_the_box_or_of_the_board_of_a_drive_alone(bench: Bench) -> None:
    tell(bench, 1, "condition", "burnt, opened")
    known = tell_triage(bench, 1).known
    assert (known[Asked("smell")].answer, known[Asked("condition")].answer) == ("burnt", "opened")
    assert known[Asked("smell")].origin.startswith("take-in: ")
    assert Asked("burn", "1") not in known, "which of a box's boards it is nobody knows"
    answer(bench, 1, Asked("smell"), "none")
    assert tell_triage(bench, 1).known[Asked("smell")].by_person
    alone = take_in(bench, "Delta", bays=[Bay(0, "1")]).number
    tell(bench, alone, "kind", "drive")
    tell(bench, alone, "condition", "burnt")
    known = tell_triage(bench, alone).known
    answers = {asked: one.answer for asked, one in known.items()}
    assert answers == {Asked("burn", "1"): "seen", Asked("condition"): "nothing"}, "nothing is asked twice"
    assert known[Asked("condition")].origin.startswith("besides a burn or its smell; take-in: ")
    enter(bench, alone, "1", "burns", "none")
    assert tell_triage(bench, alone).known[Asked("burn", "1")].answer == "none", "it was looked for since"


def test_what_was_believed_before_the_last_answer_is_told(bench: Bench) -> None:
    first = tell_triage(bench, 1)
    assert first.before is None
    once = answer(bench, 1, CLICKS, "clicks")
    assert once.before is not None
    assert (once.before.asked, once.before.said) == (CLICKS, "clicks")
    assert once.before.belief.faults() == pytest.approx(first.belief.faults())
    changed = answer(bench, 1, CLICKS, "normal")
    assert changed.before is not None
    assert changed.before.belief.faults() == pytest.approx(once.belief.faults()), "the earlier answer counts"
    after = note_tried(bench, 1, "swap-board", "1")
    assert after.before is not None
    assert (after.before.asked, after.before.said) == (Asked("swap-board", "1"), TRIED)
    assert after.before.belief.faults() == pytest.approx(changed.belief.faults())
    back = take_back_tried(bench, 1, "swap-board", "1", "It was not made.")
    assert back.before is not None
    assert back.before.said == "normal"


def test_a_case_is_weighed_once_for_every_change_of_what_is_known(bench: Bench) -> None:
    told = answer(bench, 1, CLICKS, "clicks")
    assert tell_triage(bench, 1).belief is told.belief, "nothing changed"
    assert answer(bench, 1, Asked("smell"), "burnt").belief is not told.belief
    dear = describe(bench, 1, worth=90_000)
    assert dear.offers != told.offers, "what it is worth counts"


@pytest.mark.parametrize("kind", LOOSE_BOARD)
def test_of_a_loose_board_nothing_is_asked_or_offered_that_takes_its_drive(
    bench: Bench, kind: CaseKind
) -> None:
    case = take_in(bench, "Delta", bays=[Bay(0, "1")]).number
    every = {one.sign for one in signs_of(tell_triage(bench, case))}
    assert {"sound-alone", "detected", "refusals", "files-found", "motor-measured"} <= every
    assert "layout-found" not in every, "there is no second drive"
    bench.ledger.amend_case(case, kind=kind)
    told = tell_triage(bench, case)
    of_drive = {"sound-alone", "motor-measured", "detected", "smart", "refusals", "link-errors", "alone"}
    of_drive |= {"layout-found", "files-found"}
    assert {one.sign for one in signs_of(told)} == every - of_drive
    assert not [one.step.id for one in told.offers if one.step.powers and one.step.kind is StepKind.TEST]
    assert {"measure-supply", "read-rom", "give-back"} <= {one.step.id for one in told.offers}
    assert "stop-and-send" not in {one.step.id for one in told.offers}, "there is no drive to be opened"
    told = answer(bench, case, Asked("detected", "1"), "no")
    assert Asked("detected", "1") in signs_of(told), "what is known is shown, to be taken back"
