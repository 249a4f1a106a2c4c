"""What to do next, for any mixture of facts of a case: never dangerous, never done already, and the same
wherever it is asked for."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

from hypothesis import given, settings
from hypothesis import strategies as st

from mendbay.board.description import BoardDescription
from mendbay.board.stock import Kind, StockItem
from mendbay.board.swap_odds import ATTRIBUTES, LEVELS, Agreement, Purpose
from mendbay.case.consents import Word
from mendbay.case.records import Bay, CaseKind, CaseState, Image
from mendbay.core.errors import MendbayError
from mendbay.jobs.agenda import tell_agenda, tell_turn
from mendbay.jobs.bench import Bench
from mendbay.jobs.case_steps import BOARD_WORK, StepName, StepState, tell_steps
from mendbay.jobs.consents import consents_of, give_word, refused
from mendbay.jobs.hand_repairs import CameOf
from mendbay.jobs.keep_stock import add_items
from mendbay.jobs.looks import remember
from mendbay.jobs.measure_board import enter
from mendbay.jobs.record_swaps import record_swap
from mendbay.jobs.take_in import take_in
from mendbay.jobs.triage_case import enter_tried, note_answer, tell_triage
from mendbay.triage.belief import Asked
from mendbay.triage.tables import StepKind
from mendbay.wiring import open_bench

AGREED = Agreement(Purpose.BOARD_SWAP, tuple(min(LEVELS[one]) for one in ATTRIBUTES[Purpose.BOARD_SWAP]))
POWER = frozenset({"try-repair", "fit-board"})
"""Chores that give a drive power."""
Fact = Callable[[Bench], None]


def said(sign: str, answer: str, bay: str = "1") -> Fact:
    return lambda bench: note_answer(bench, 1, Asked(sign, bay), answer)


def measured(step: str, value: str) -> Fact:
    return lambda bench: enter(bench, 1, "1", step, value) and None


def read(unread_bytes: int) -> Fact:
    image = Image(
        1, "1", "bay-1.img", "port", "2026-01-01T00:00:00Z", read_bytes=4096, unread_bytes=unread_bytes
    )
    return lambda bench: bench.ledger.note_image(image)


def repaired(step: str, came_of: CameOf) -> Fact:
    return lambda bench: enter_tried(bench, 1, step, "1", came_of, "a part taken off")


def swapped(worked: bool) -> Fact:
    def record(bench: Bench) -> None:
        (item,) = add_items(bench, bench.shop_files, [StockItem(0, Kind.BOARD, BoardDescription("TB-4471"))])
        record_swap(bench, item.number, 1, "1", AGREED, worked, although="the customer changed their mind")

    return record


def word(risk: str, given: Word) -> Fact:
    return lambda bench: give_word(bench, 1, risk, given) and None


FACTS: dict[str, Fact] = {
    "grinds": said("sound", "grinding"),
    "silent": said("sound", "silent"),
    "supply amiss": said("supply-measured", "amiss"),
    "detected": said("detected", "right"),
    "leads": measured("leads", "0.3"),
    "shorted": measured("rail-12v", "0.9"),
    "measured sound": measured("rail-12v", "900"),
    "begun": read(512),
    "read": read(0),
    "mended": repaired("mend-supply", CameOf.READY),
    "mended in vain": repaired("mend-supply", CameOf.STILL_NOT),
    "mended, not tried": repaired("mend-supply", CameOf.NOT_TRIED),
    "board works": swapped(True),
    "board in vain": swapped(False),
    "power yes": word("power-on", Word.YES),
    "power no": word("power-on", Word.NO),
    "files seen": lambda bench: remember(bench, 1, "files-found", "whole", "It reads well."),
    "nothing there": lambda bench: note_answer(bench, 1, Asked("files-found"), "none"),
}


@settings(max_examples=25, deadline=None)
@given(
    st.sampled_from([CaseKind.DRIVE, CaseKind.BOX, CaseKind.NOT_SAID, CaseKind.BOARD_REPAIR]),
    st.integers(1, 2),
    st.lists(st.sampled_from(list(FACTS)), max_size=6),
)
def test_what_is_next_is_safe_and_the_same_everywhere(kind: CaseKind, bays: int, facts: list[str]) -> None:
    with TemporaryDirectory() as folder, open_bench(Path(folder) / "home") as bench:
        take_in(bench, "Quillmere Pottery", bays=[Bay(0, str(one + 1)) for one in range(bays)])
        bench.ledger.amend_case(1, kind=kind)
        for one in facts:
            try:
                FACTS[one](bench)
            except MendbayError:  # it cannot be so after what came before
                continue
        chore = tell_turn(bench, 1).chore
        assert bench.ledger.case(1).state is CaseState.OPEN
        assert chore is not None, "an open case has a next step"
        steps = tell_steps(bench, 1, weigh=True)
        assert steps.next_action == chore
        assert [one.chore for one in tell_agenda(bench).agenda.steps if one.case.number == 1] == [chore]
        told = tell_triage(bench, 1)
        off = {one.bay for one in (*told.keep_off, *told.closed_boards)}
        made = {(one.step.id, one.bay) for one in (*told.tried, *told.mended, *told.untried)}
        offered = {(one.step.id, one.bay): one for one in told.offers}
        assert not made & offered.keys(), "what is made is not offered again"
        if chore.command.startswith("triage step"):
            words = chore.command.split()
            first = offered[words[3], words[5] if "--bay" in words else ""]
            assert not first.barred
            assert not first.refused
            assert not (first.step.powers and first.bay in off and not first.step.fixes)
            assert first is told.offers[0], "triage's own ranking"
            is_test = first.step.kind is StepKind.TEST
            assert chore.is_test == is_test
            if is_test:
                assert chore.value == max(0.0, first.saves), "the figure that triage's list has"
        if chore.id in POWER:
            assert "power-on" not in refused(consents_of(bench, 1))
            assert not any(f"(bay {one})" in chore.words for one in off)
        by_name = {one.name: one for one in steps.steps}
        if chore.id in BOARD_WORK:
            assert by_name[StepName.BOARD].state is not StepState.DONE
        if chore.id in ("pair-look", "see-files"):
            assert by_name[StepName.PAIR].state is not StepState.DONE
            assert (chore.id == "see-files") == (by_name[StepName.PAIR].state is StepState.NOT_NEEDED)
