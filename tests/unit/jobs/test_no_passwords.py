"""Wherever free words of a case are put down, none that seem to hold a password are kept."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from mendbay.board.description import BoardDescription
from mendbay.board.stock import Kind, StockItem
from mendbay.board.swap_odds import ATTRIBUTES, LEVELS, Agreement, Purpose
from mendbay.case.agenda import WaitsFor
from mendbay.case.hand_over import Role
from mendbay.case.outcome import DataBack, End, Outcome
from mendbay.core.errors import UsageError
from mendbay.jobs.bench import Bench
from mendbay.jobs.case_pictures import keep_pictures
from mendbay.jobs.close_case import close_case, reopen_case
from mendbay.jobs.hand_over_items import hand_overs_of, receive, release
from mendbay.jobs.keep_items import items_of
from mendbay.jobs.record_swaps import record_swap
from mendbay.jobs.triage_case import (
    answer,
    note_about,
    note_tried,
    take_back,
    take_back_tried,
    take_worth_back,
)
from mendbay.jobs.waiting import go_on, wait
from mendbay.jobs.write_receipt import write_receipt
from mendbay.triage.belief import Asked

PLAIN = "the password is with the owner, ask there"


def ended(remark: str) -> Outcome:
    return Outcome((), False, False, End.GIVEN_BACK, DataBack.NONE, remark)


def swapped(bench: Bench, remark: str) -> None:
    unknown = Agreement(Purpose.BOARD_SWAP, tuple(min(LEVELS[one]) for one in ATTRIBUTES[Purpose.BOARD_SWAP]))
    record_swap(bench, 1, 1, "1", unknown, worked=True, remark=remark)


Say = Callable[[Bench, str, Path], object]

SAID: dict[str, Say] = {
    "agreed at a hand-over to us": lambda bench, said, _: receive(bench, 1, ["1"], words=said),
    "who brought it": lambda bench, said, _: receive(bench, 1, ["1"], person=said),
    "agreed at a hand-over from us": lambda bench, said, _: release(
        bench, 1, ["2"], Role.CUSTOMER, words=said
    ),
    "agreed on the receipt": lambda bench, said, _: write_receipt(bench, 1, ["two copies", said]),
    "why it waits": lambda bench, said, _: wait(bench, 1, WaitsFor.CUSTOMER, said),
    "why it goes on": lambda bench, said, _: go_on(bench, 1, said),
    "what a picture shows": lambda bench, said, picture: keep_pictures(bench, 1, [picture], said),
    "why an answer of triage is taken back": lambda bench, said, _: take_back(
        bench, 1, Asked("sound", "1"), said
    ),
    "why a repair is taken back": lambda bench, said, _: take_back_tried(bench, 1, "new-adapter", "", said),
    "why the worth is taken back": lambda bench, said, _: take_worth_back(bench, 1, said),
    "what is to be learned": lambda bench, said, _: close_case(bench, 1, ended(said)),
    "how a swap went": lambda bench, said, _: swapped(bench, said),
    "why it is opened again": lambda bench, said, _: reopen_case(bench, 1, said),
}


@pytest.mark.parametrize("where", SAID)
def test_free_words_hold_no_password(bench: Bench, tmp_path: Path, where: str) -> None:
    picture = tmp_path / "front.png"
    picture.write_bytes(b"\x89PNG\r\n\x1a\nfront")
    items_of(bench, 1)
    bench.shelf.add_item(StockItem(0, Kind.BOARD, BoardDescription("TB-4471-200")))
    answer(bench, 1, Asked("sound", "1"), "normal")
    note_tried(bench, 1, "new-adapter")
    note_about(bench, 1, box=None, worth=900, bays=None)
    if where == "why it is opened again":
        close_case(bench, 1, ended(""))
    before = (bench.notes.last_number(), bench.ledger.events(1), bench.ledger.custody(1))
    for said in ("password: hunter2", "the PIN is 4711"):
        with pytest.raises(UsageError, match="looks like a password") as told:
            SAID[where](bench, said, picture)
        assert "hunter2" not in told.value.what + told.value.next_step
    assert (bench.notes.last_number(), bench.ledger.events(1), bench.ledger.custody(1)) == before
    assert not hand_overs_of(bench, 1)
    SAID[where](bench, PLAIN, picture)
    assert bench.notes.last_number() > before[0]
