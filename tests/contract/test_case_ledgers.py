"""What every ledger must do, whatever it is kept in."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from mendbay.case.custody import verify
from mendbay.case.records import Bay, Case, CaseKind, CaseLine, CaseState, Event, Forgotten, Image, Intake
from mendbay.core.errors import CaseForgotten, LedgerError, NoSuchCase, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.ledger_port import CaseLedger, Sort
from mendbay.jobs.note_ledger_port import NoteLedger
from mendbay.ledger.database import Ledger
from support.memory_ledger import MemoryLedger

AT = "2026-11-25T07:10:00Z"
LATER = "2026-11-25T09:30:00Z"
INTAKE = Intake(
    AT,
    "Töpferei Grün",
    contact="ada@studio.example",
    box="Tarn T2, no power brick",
    wanted=("kiln log*.xlsx", "Glasuren/**/*.jpg"),
    notes="wrong adapter\nwas plugged in",
)


@pytest.fixture(params=["sqlite", "memory"])
def ledger(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[CaseLedger]:
    if request.param == "memory":
        yield MemoryLedger()
        return
    with Ledger(tmp_path / "ledger.sqlite3") as made:
        yield made


class TestCases:
    def test_opening_numbers_from_one_and_keeps_everything(self, ledger: CaseLedger) -> None:
        case = ledger.open_case(INTAKE)
        assert case == Case(
            1,
            "topferei-grun",
            AT,
            "Töpferei Grün",
            "ada@studio.example",
            "Tarn T2, no power brick",
            ("kiln log*.xlsx", "Glasuren/**/*.jpg"),
            "wrong adapter\nwas plugged in",
            CaseState.OPEN,
        )
        assert ledger.case(1) == case
        second = ledger.open_case(INTAKE)
        assert (second.number, second.folder) == (2, "0002-topferei-grun")
        assert ledger.cases() == (case, second)

    def test_an_empty_ledger_has_no_case(self, ledger: CaseLedger) -> None:
        assert ledger.cases() == ()
        for number in (1, 0, -1, 2**70):
            with pytest.raises(NoSuchCase):
                ledger.case(number)

    def test_amending_changes_what_is_given_and_nothing_else(self, ledger: CaseLedger) -> None:
        before = ledger.open_case(INTAKE)
        other = ledger.open_case(INTAKE)
        assert ledger.amend_case(1, state=CaseState.WAITING).state is CaseState.WAITING
        after = ledger.amend_case(1, wanted=(), notes="")
        assert after == ledger.case(1)
        assert (after.state, after.wanted, after.notes) == (CaseState.WAITING, (), "")
        assert (after.customer, after.slug, after.box) == (before.customer, before.slug, before.box)
        assert ledger.case(2) == other

    def test_amending_refuses_what_opening_would(self, ledger: CaseLedger) -> None:
        before = ledger.open_case(INTAKE)
        with pytest.raises(UsageError):
            ledger.amend_case(1, notes="\x00")
        assert ledger.case(1) == before


class TestBays:
    def test_in_the_order_they_were_added(self, ledger: CaseLedger) -> None:
        ledger.open_case(INTAKE)
        right, left = (
            Bay(1, "right", "AL20-HX4"),
            Bay(1, "left", "AL20-HX4", "K-0113", 10**12, 512, 4096, "burnt"),
        )
        ledger.add_bay(right)
        ledger.add_bay(left)
        assert ledger.bays(1) == (right, left)
        assert ledger.bay(1, "left") == left

    def test_a_label_is_taken_once_in_a_case(self, ledger: CaseLedger) -> None:
        ledger.open_case(INTAKE)
        ledger.open_case(INTAKE)
        ledger.add_bay(Bay(1, "1", "AL20-HX4"))
        with pytest.raises(LedgerError, match="already has a bay 1"):
            ledger.add_bay(Bay(1, "1"))
        ledger.add_bay(Bay(2, "1"))
        assert ledger.bay(1, "1").model == "AL20-HX4"

    def test_what_became_known_replaces_what_was(self, ledger: CaseLedger) -> None:
        ledger.open_case(INTAKE)
        ledger.add_bay(Bay(1, "1"))
        ledger.add_bay(Bay(1, "2"))
        known = Bay(1, "1", "AL20-HX4", "K-0113", 2_000_398_934_016, 512, 4096, "spins up")
        ledger.amend_bay(known)
        assert ledger.bays(1) == (known, Bay(1, "2"))


class TestImages:
    def test_figures_follow_the_last_look(self, ledger: CaseLedger) -> None:
        ledger.open_case(INTAKE)
        ledger.add_bay(Bay(1, "1"))
        begun = Image(1, "1", "bay-1.img", "USB bridge", AT, unread_bytes=1000)
        ledger.note_image(begun)
        assert ledger.images(1) == (begun,)
        done = Image(1, "1", "bay-1.img", "direct", AT, LATER, 900, 60, 30, 10, "ab" * 32)
        ledger.note_image(done)
        assert ledger.images(1) == (done,)

    def test_by_bay(self, ledger: CaseLedger) -> None:
        ledger.open_case(INTAKE)
        for bay in ("1", "2"):
            ledger.add_bay(Bay(1, bay))
            ledger.note_image(Image(1, bay, f"bay-{bay}.img", "direct", AT))
        assert [image.path for image in ledger.images(1)] == ["bay-1.img", "bay-2.img"]
        assert [image.path for image in ledger.images(1, "2")] == ["bay-2.img"]

    def test_a_bay_can_be_taken_out_while_it_has_no_image(self, ledger: CaseLedger) -> None:
        ledger.open_case(INTAKE)
        for bay in ("1", "2"):
            ledger.add_bay(Bay(1, bay))
        ledger.note_image(Image(1, "1", "bay-1.img", "direct", AT))
        ledger.remove_bay(1, "2")
        with pytest.raises(LedgerError, match="has an image"):
            ledger.remove_bay(1, "1")
        assert [one.bay for one in ledger.bays(1)] == ["1"]

    def test_the_image_of_another_bay_is_not_displaced(self, ledger: CaseLedger) -> None:
        ledger.open_case(INTAKE)
        ledger.add_bay(Bay(1, "1"))
        ledger.add_bay(Bay(1, "2"))
        kept = Image(1, "1", "drive.img", "direct", AT, read_bytes=5)
        ledger.note_image(kept)
        with pytest.raises(LedgerError, match="bay 1"):
            ledger.note_image(Image(1, "2", "drive.img", "direct", AT))
        assert ledger.images(1) == (kept,)


class TestEvents:
    def test_in_the_order_noted_whatever_their_times(self, ledger: CaseLedger) -> None:
        ledger.open_case(INTAKE)
        ledger.open_case(INTAKE)
        facts = {"read_bytes": 2**62, "rate": 0.25, "done": True, "bays": ("1", "2"), "reason": None, "ö": ""}
        first, second = (
            Event(LATER, "imaging", "Sector 1 204 224 refused 3 times.", facts),
            Event(AT, "note", ""),
        )
        ledger.note_event(1, first)
        ledger.note_event(2, first)
        ledger.note_event(1, second)
        assert ledger.events(1) == (first, second)
        assert type(ledger.events(1)[0].facts["done"]) is bool
        assert ledger.events(2) == (first,)

    def test_the_same_event_twice_is_two_events(self, ledger: CaseLedger) -> None:
        ledger.open_case(INTAKE)
        for _ in range(2):
            ledger.note_event(1, Event(AT, "note", "again"))
        assert len(ledger.events(1)) == 2


class TestCustody:
    def test_each_case_has_its_own_chain(self, ledger: CaseLedger) -> None:
        for _ in range(2):
            ledger.open_case(INTAKE)
        made = [
            ledger.custody_append(case, AT, "Ada", "received", f"bay {turn} of {case}")
            for turn in range(3)
            for case in (1, 2)
        ]
        for case in (1, 2):
            log = ledger.custody(case)
            assert log == tuple(entry for entry in made if entry.case == case)
            assert [entry.sequence for entry in log] == [1, 2, 3]
            assert verify(log).holds

    def test_a_refused_entry_leaves_the_log_as_it_was(self, ledger: CaseLedger) -> None:
        ledger.open_case(INTAKE)
        ledger.custody_append(1, AT, "Ada", "received", "box")
        with pytest.raises(UsageError):
            ledger.custody_append(1, AT, "", "received", "box")
        ledger.custody_append(1, AT, "Ada", "opened", "box")
        assert verify(ledger.custody(1)).holds
        assert len(ledger.custody(1)) == 2


class TestTogether:
    def test_all_of_a_step_is_kept(self, ledger: CaseLedger) -> None:
        with ledger.together():
            case = ledger.open_case(INTAKE)
            ledger.add_bay(Bay(case.number, "1"))
            ledger.custody_append(case.number, AT, "Ada", "received", "box")
        assert len(ledger.bays(1)) == len(ledger.custody(1)) == 1

    def test_nothing_of_a_failed_step_is_kept_and_its_number_is_free(self, ledger: CaseLedger) -> None:
        def failing() -> None:
            with ledger.together():
                case = ledger.open_case(INTAKE)
                ledger.add_bay(Bay(case.number, "1"))
                raise ZeroDivisionError

        with pytest.raises(ZeroDivisionError):
            failing()
        assert ledger.cases() == ()
        assert ledger.open_case(INTAKE).number == 1
        assert ledger.bays(1) == ()

    def test_a_part_that_fails_and_is_dealt_with_does_not_spoil_the_rest(self, ledger: CaseLedger) -> None:
        def failing() -> None:
            with ledger.together():
                ledger.add_bay(Bay(1, "2"))
                raise ZeroDivisionError

        with ledger.together():
            ledger.open_case(INTAKE)
            ledger.add_bay(Bay(1, "1"))
            with pytest.raises(ZeroDivisionError):
                failing()
            with pytest.raises(LedgerError):
                ledger.add_bay(Bay(1, "1"))
            ledger.add_bay(Bay(1, "3"))
        assert [bay.bay for bay in ledger.bays(1)] == ["1", "3"]

    def test_what_was_written_inside_can_be_read_inside(self, ledger: CaseLedger) -> None:
        with ledger.together():
            number = ledger.open_case(INTAKE).number
            assert ledger.case(number).state is CaseState.OPEN


class TestWhatIsNotThere:
    @pytest.mark.parametrize(
        "ask",
        [
            lambda ledger: ledger.amend_case(9, notes=""),
            lambda ledger: ledger.add_bay(Bay(9, "1")),
            lambda ledger: ledger.amend_bay(Bay(9, "1")),
            lambda ledger: ledger.amend_bay(Bay(1, "9")),
            lambda ledger: ledger.remove_bay(9, "1"),
            lambda ledger: ledger.remove_bay(1, "9"),
            lambda ledger: ledger.bays(9),
            lambda ledger: ledger.bay(1, "9"),
            lambda ledger: ledger.bay(1, "\udce9"),
            lambda ledger: ledger.note_image(Image(1, "9", "a.img", "", AT)),
            lambda ledger: ledger.note_image(Image(9, "1", "a.img", "", AT)),
            lambda ledger: ledger.images(9),
            lambda ledger: ledger.images(1, "9"),
            lambda ledger: ledger.note_event(9, Event(AT, "note", "")),
            lambda ledger: ledger.events(9),
            lambda ledger: ledger.custody_append(9, AT, "Ada", "received", "box"),
            lambda ledger: ledger.custody(9),
        ],
    )
    def test_says_so(self, ledger: CaseLedger, ask: object) -> None:
        ledger.open_case(INTAKE)
        with pytest.raises(NoSuchCase) as caught:
            ask(ledger)  # type: ignore[operator]
        assert caught.value.next_step


def noted(ledger: Any, case: int, kind: NoteKind, body: str = "{}") -> Note:
    made: Note = ledger.notes.add(Note(case, "", kind, "case", AT, "Ada", body))
    return made


@pytest.fixture
def full(ledger: CaseLedger) -> CaseLedger:
    """A ledger with two cases of which everything is noted."""
    for _ in range(2):
        number = ledger.open_case(INTAKE).number
        ledger.add_bay(Bay(number, "right", "AL20-HX4", "K-0113", 10**12, 512, 4096, "burnt"))
        ledger.add_bay(Bay(number, "left", "AL20-HX4", "K-0114"))
        ledger.note_image(Image(number, "right", "bay-right.img", "direct", AT))
        ledger.note_event(number, Event(AT, "note", "Töpferei Grün came by."))
        for what in ("received", "opened"):
            ledger.custody_append(number, AT, "Ada", what, "drive K-0113")
    return ledger


class TestForgetting:
    def test_what_names_a_person_goes_and_the_rest_stays(self, full: CaseLedger) -> None:
        before, head = full.case(1), full.custody(1)[-1].hash
        done = full.forget_case(1, LATER, "Ada", ())
        assert done == Forgotten(1, LATER, "Ada", 2, head)
        assert full.forgotten(1) == done
        assert full.case(1) == replace(
            before,
            slug="forgotten",
            customer="(forgotten)",
            contact="",
            box="(forgotten)",
            wanted=(),
            notes="",
            state=CaseState.CLOSED,
        )
        assert full.bays(1) == (
            Bay(1, "right", "AL20-HX4", "", 10**12, 512, 4096),
            Bay(1, "left", "AL20-HX4"),
        )
        assert (full.custody(1), full.events(1), full.images(1)) == ((), (), ())

    def test_other_cases_stay_as_they_are(self, full: CaseLedger) -> None:
        kept = noted(full, 2, NoteKind.INTAKE)
        shops = noted(full, 0, NoteKind.FAMILY)
        before = (full.case(2), full.bays(2), full.custody(2), full.events(2), full.images(2))
        full.forget_case(1, LATER, "Ada", ())
        assert (full.case(2), full.bays(2), full.custody(2), full.events(2), full.images(2)) == before
        notes: NoteLedger = full.notes  # type: ignore[attr-defined]
        assert notes.all_of(2) == (kept,)
        assert notes.of(NoteKind.FAMILY) == (shops,)
        assert full.forgotten(2) is None
        assert full.custody_append(2, AT, "Ada", "given back", "box").sequence == 3

    def test_notes_that_stay_keep_their_number_in_the_form_given(self, full: CaseLedger) -> None:
        sign, other = noted(full, 1, NoteKind.SIGN), noted(full, 2, NoteKind.SIGN)
        gone = noted(full, 1, NoteKind.ITEM)
        reduced = replace(sign, body='{"answer":"normal"}')
        full.forget_case(1, LATER, "Ada", (reduced,))
        notes: NoteLedger = full.notes  # type: ignore[attr-defined]
        assert notes.all_of(1) == (reduced,)
        assert notes.of(NoteKind.SIGN) == (reduced, other)
        assert noted(full, 2, NoteKind.ITEM).number > gone.number, "numbers grow on"

    def test_a_note_of_another_case_or_of_none_is_not_kept(self, full: CaseLedger) -> None:
        ours, theirs = noted(full, 1, NoteKind.SIGN), noted(full, 2, NoteKind.SIGN)
        for wrong in (theirs, replace(theirs, case=1), replace(ours, number=99)):
            with pytest.raises(UsageError):
                full.forget_case(1, LATER, "Ada", (wrong,))
        assert full.forgotten(1) is None
        assert len(full.custody(1)) == 2

    @pytest.mark.parametrize(
        "add",
        [
            lambda ledger: ledger.amend_case(1, notes="x"),
            lambda ledger: ledger.add_bay(Bay(1, "3")),
            lambda ledger: ledger.amend_bay(Bay(1, "left", "AL20-HX4", "K-0114")),
            lambda ledger: ledger.remove_bay(1, "left"),
            lambda ledger: ledger.note_image(Image(1, "left", "a.img", "", AT)),
            lambda ledger: ledger.note_event(1, Event(AT, "note", "")),
            lambda ledger: ledger.custody_append(1, AT, "Ada", "received", "box"),
            lambda ledger: ledger.notes.add(Note(1, "", NoteKind.SIGN, "sound", AT, "Ada", "{}")),
            lambda ledger: ledger.forget_case(1, LATER, "Ada", ()),
        ],
    )
    def test_nothing_is_added_afterwards(self, full: CaseLedger, add: Any) -> None:
        full.forget_case(1, LATER, "Ada", ())
        with pytest.raises(CaseForgotten) as caught:
            add(full)
        assert caught.value.next_step
        assert full.custody(1) == ()

    @pytest.mark.parametrize("kind", NoteKind)
    def test_no_note_of_any_kind_is_added_afterwards_but_elsewhere(
        self, full: CaseLedger, kind: NoteKind
    ) -> None:
        stays = noted(full, 1, NoteKind.SIGN)
        full.forget_case(1, LATER, "Ada", (stays,))
        notes: NoteLedger = full.notes  # type: ignore[attr-defined]
        with pytest.raises(CaseForgotten, match="Case 1 was forgotten") as caught:
            noted(full, 1, kind)
        assert caught.value.next_step
        with pytest.raises(NoSuchCase):
            noted(full, 9, kind)
        assert notes.all_of(1) == (stays,)
        assert noted(full, 2, kind).number == noted(full, 0, kind).number - 1 > stays.number
        assert notes.last_number() == stays.number + 2, "a refused note takes no number"
        assert notes.last_number(1) == notes.last_number(1, NoteKind.SIGN) == stays.number
        assert notes.last_number(9) == 0

    def test_a_case_without_custody_has_an_empty_head(self, ledger: CaseLedger) -> None:
        ledger.open_case(Intake(AT, "Töpferei Grün"))
        assert ledger.forget_case(1, LATER, "Ada", ()) == Forgotten(1, LATER, "Ada", 0, "")
        assert ledger.case(1).box == ""

    def test_with_a_step_that_fails_nothing_is_forgotten(self, full: CaseLedger) -> None:
        before = (full.case(1), full.bays(1), full.custody(1), full.events(1), full.images(1))

        def failing() -> None:
            with full.together():
                full.forget_case(1, LATER, "Ada", ())
                raise ZeroDivisionError

        with pytest.raises(ZeroDivisionError):
            failing()
        assert (full.case(1), full.bays(1), full.custody(1), full.events(1), full.images(1)) == before
        assert full.forgotten(1) is None
        full.scrub()

    def test_no_such_case(self, ledger: CaseLedger) -> None:
        with pytest.raises(NoSuchCase):
            ledger.forget_case(9, LATER, "Ada", ())
        with pytest.raises(NoSuchCase):
            ledger.forgotten(9)


@pytest.fixture
def several(ledger: CaseLedger) -> CaseLedger:
    """Three cases: the first with everything, the second with a bay, the third bare."""
    for customer in ("Töpferei GRÜNSTRASSE", "Quillmere Pottery", "Oakhanger 100% Bakery_"):
        ledger.open_case(Intake(AT, customer, contact="ada@studio.example", box="Tarn T2"))
    ledger.add_bay(Bay(1, "right", "AL20-HX4", "K-0113"))
    ledger.add_bay(Bay(1, "left", "AL20-HX4", "K-0114"))
    ledger.add_bay(Bay(2, "1", "AL40", "Ω-1"))
    ledger.note_image(Image(1, "right", "bay-right.img", "direct", AT, read_bytes=7))
    ledger.note_event(1, Event(AT, "note", "first"))
    ledger.note_event(2, Event(AT, "note", "other"))
    ledger.note_event(1, Event(AT, "note", "second"))
    return ledger


class TestSeveral:
    @pytest.mark.parametrize(
        ("words", "found"),
        [
            ((), [1, 2, 3]),
            (("grünstraße",), [1]),
            (("TÖPFEREI", "k-0114"), [1]),
            (("ω-1",), [2]),
            (("pottery", "k-0114"), []),
            (("100%",), [3]),
            (("%",), [3]),
            (("_",), [3]),
            (("tarn", "2"), [1, 2, 3]),
            (("right",), []),
            (("al20hx4",), [1]),
            (("AL-20-HX4", "k-0113"), [1]),
            (("k0113",), []),
            (("al20hx4k0113",), []),
        ],
    )
    def test_lines_of_cases_that_have_every_word(
        self, several: CaseLedger, words: tuple[str, ...], found: list[int]
    ) -> None:
        assert [one.number for one in several.case_lines(words)] == found

    def test_a_line_is_a_part_of_its_case(self, several: CaseLedger) -> None:
        several.amend_case(2, state=CaseState.CLOSED, due_on="2026-12-24", keep_until="2027-01-01")
        assert several.case_lines(["pottery"]) == (CaseLine(2, AT, "closed", "", "2026-12-24", "2027-01-01"),)
        assert [one.state for one in several.case_lines()] == ["open", "closed", "open"]
        assert several.case_count() == 3

    def test_a_page_of_lines_is_a_part_of_all(self, several: CaseLedger) -> None:
        several.amend_case(2, state=CaseState.CLOSED, due_on="2026-12-24", kind=CaseKind.DRIVE)
        several.amend_case(3, due_on="2026-12-01")
        assert several.case_states() == {CaseState.OPEN: 2, CaseState.CLOSED: 1}
        assert several.case_states(CaseKind.DRIVE) == {CaseState.CLOSED: 1}
        every = frozenset(CaseState)

        def page(sort: Sort, first: int = 0, count: int = 9, **asked: Any) -> list[int]:
            states, kind = asked.get("states", every), asked.get("kind")
            found = several.page_of_lines(states, kind, sort, first, count)
            assert set(found) <= set(several.case_lines())
            return [one.number for one in found]

        assert (page(Sort.NEWEST), page(Sort.OLDEST), page(Sort.DEADLINE)) == (
            [3, 2, 1],
            [1, 2, 3],
            [3, 2, 1],
        )
        several.amend_case(3, due_on="")
        assert page(Sort.DEADLINE) == [2, 3, 1]
        assert (page(Sort.NEWEST, 1, 1), page(Sort.OLDEST, 2, 5), page(Sort.OLDEST, 3, 5)) == ([2], [3], [])
        assert page(Sort.NEWEST, states={CaseState.OPEN}) == [3, 1]
        assert page(Sort.NEWEST, kind=CaseKind.DRIVE) == [2]
        assert page(Sort.NEWEST, states=frozenset()) == []

    def test_at_once_is_as_one_by_one(self, several: CaseLedger) -> None:
        asked = [3, 1, 2, 9, 0, -1, 2**63]
        assert several.cases_named(asked) == {one: several.case(one) for one in (1, 2, 3)}
        assert several.bays_of_several(asked) == {one: several.bays(one) for one in (1, 2)}
        assert several.images_of_several(asked) == {1: several.images(1)}
        for at, kind in (("2026-03-02T08:00:00Z", "talk"), (AT, "talk"), (AT, "look")):
            several.note_event(2, Event(at, kind, "Something was said.", {}))
        assert several.first_events("talk") == {2: "2026-03-02T08:00:00Z"}
        assert several.first_events("never") == {}
        events = several.last_events([1, 2, 3, 9])
        assert {one: events[one] for one in (1, 2, 3)} == {one: several.last_event(one) for one in (1, 2, 3)}
        assert events[9] == 0
        assert several.bays_of_several([]) == several.cases_named([]) == {}

    def test_bays_with_a_serial_number_by_the_states_of_their_cases(self, several: CaseLedger) -> None:
        for case in (3, 1):
            several.add_bay(Bay(case, "one", "AL20-HX4", f"S{case}"))
            several.add_bay(Bay(case, "other", "AL20-HX4"))
        several.amend_case(1, state=CaseState.WAITING)
        several.amend_case(3, state=CaseState.OPEN)

        def found(*states: CaseState) -> list[tuple[int, str]]:
            return [(one.case, one.bay) for one in several.bays_with_serial(states) if one.bay == "one"]

        assert found(CaseState.OPEN, CaseState.WAITING) == [(3, "one"), (1, "one")]
        assert found(CaseState.WAITING) == [(1, "one")]
        assert found(CaseState.CLOSED) == found() == []
        assert all(one.serial for one in several.bays_with_serial(CaseState))

    def test_notes_of_several(self, several: CaseLedger) -> None:
        made = [
            noted(several, case, kind)
            for case, kind in ((1, NoteKind.SIGN), (2, NoteKind.SIGN), (1, NoteKind.SIGN), (1, NoteKind.ITEM))
        ]
        notes: NoteLedger = several.notes  # type: ignore[attr-defined]
        noted(several, 0, NoteKind.SIGN)
        assert notes.of_several(NoteKind.SIGN, [1, 2, 3]) == {1: (made[0], made[2]), 2: (made[1],)}
        assert notes.of_several(NoteKind.SIGN, [3]) == {}
        assert notes.last_numbers([1, 2, 3]) == {1: made[3].number, 2: made[1].number, 3: 0}
        assert notes.last_of_kind(NoteKind.SIGN) == {1: made[2].number, 2: made[1].number}
        for case, body in ((1, '["S/N Ah4k-207 19C"]'), (3, '["AH4K20719C"]'), (0, '["AH4K20719C"]')):
            noted(several, case, NoteKind.PICTURE, body)
        for text, of in (("ah4k-20719c", (3, 1)), ("20719", (3, 1)), ("AH4K20719D", ()), ("SNAH4K", ())):
            assert notes.bays_with(NoteKind.PICTURE, text) == tuple((one, "") for one in of), text
        assert notes.bays_with(NoteKind.DUMP, "AH4K20719C") == ()
        assert notes.last_number(kind=NoteKind.ITEM) == made[3].number
        assert notes.last_number() == made[3].number + 4

    def test_what_was_withdrawn_stands_no_more(self, several: CaseLedger) -> None:
        first, second, of_shop = (noted(several, case, NoteKind.SIGN) for case in (1, 1, 0))
        notes: NoteLedger = several.notes  # type: ignore[attr-defined]
        assert notes.tally(1) == {NoteKind.SIGN: 1}, "the same subject twice is one"
        for note, kept in ((first, (second,)), (second, ())):
            gone = Note(1, "", NoteKind.WITHDRAWAL, f"note {note.number}", AT, "Ada", "{}")
            notes.add(gone)
            assert notes.standing(NoteKind.SIGN, 1) == kept
        assert notes.standing(NoteKind.SIGN) == notes.standing(NoteKind.SIGN, 0) == (of_shop,)
        assert notes.of(NoteKind.SIGN, 1) == (first, second)
        assert notes.standing(NoteKind.SIGN, None, "", "case") == (of_shop,)
        assert notes.standing(NoteKind.SIGN, None, "1") == ()
        assert notes.tally(1) == {NoteKind.WITHDRAWAL: 2}

    def test_another_book_is_never_the_same(self, several: CaseLedger) -> None:
        notes: NoteLedger = several.notes  # type: ignore[attr-defined]
        before = notes.same_as()
        with several.together():
            assert notes.same_as() == before
            notes.add(Note(0, "", NoteKind.SIGN, "noise", AT, "Ada", "{}"))
            assert notes.same_as() is None, "what is written may yet be taken back"
        with several.together():
            assert notes.same_as() == before
