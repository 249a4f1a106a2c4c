"""A hand-over is recorded as a whole or not at all, wherever writing it down fails."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from mendbay.case.hand_over import Role
from mendbay.case.items import What, Where
from mendbay.core.errors import LedgerError
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.hand_over_items import hand_overs_of, keep_signed, receive, release
from mendbay.jobs.keep_items import add_item, change_item, move_item, number_items
from mendbay.jobs.note_ledger_port import NoteLedger
from support.board_bench import bench_with_case


class FailingNotes(NoteLedger):
    """Notes of which the Nth cannot be written, counted from 0."""

    def __init__(self, notes: NoteLedger, fails: int) -> None:
        self._notes = notes
        self._left = fails

    def add(self, note: Note) -> Note:
        self._left -= 1
        if self._left < 0:
            raise LedgerError("The disk is full.", "Free some space.")
        return self._notes.add(note)

    def of(
        self, kind: NoteKind, case: int | None = None, bay: str | None = None, subject: str | None = None
    ) -> tuple[Note, ...]:
        return self._notes.of(kind, case, bay, subject)

    def standing(
        self, kind: NoteKind, case: int | None = None, bay: str | None = None, subject: str | None = None
    ) -> tuple[Note, ...]:
        return self._notes.standing(kind, case, bay, subject)

    def all_of(self, case: int) -> tuple[Note, ...]:
        return self._notes.all_of(case)


def state(bench: Bench) -> tuple[object, ...]:
    return (
        number_items(bench, 1),
        hand_overs_of(bench, 1),
        bench.ledger.custody(1),
        bench.ledger.events(1),
        bench.notes.all_of(1),
    )


JOBS: dict[str, tuple[int, Callable[[Bench, Path], object]]] = {
    "add": (1, lambda bench, _: add_item(bench, 1, What.BOX, "grey")),
    "change": (1, lambda bench, _: change_item(bench, 1, "1", marks="AL20-HX4")),
    "move": (1, lambda bench, _: move_item(bench, 1, "1", Where.USED, why="a trial")),
    "receive": (3, lambda bench, _: receive(bench, 1, ["1", "2"])),
    "release": (3, lambda bench, _: release(bench, 1, ["1", "2"], Role.LAB)),
    "signed": (1, lambda bench, scan: keep_signed(bench, 1, 1, scan)),
}


@pytest.mark.parametrize("name", JOBS)
def test_all_or_nothing_at_every_note(tmp_path: Path, name: str) -> None:
    writes, job = JOBS[name]
    scan = tmp_path / "scan.png"
    scan.write_bytes(b"%PDF-1")
    with bench_with_case(tmp_path / "home") as bench:
        if name == "signed":
            receive(bench, 1, ["1"])
        before = state(bench)
        for fails in range(writes):
            with pytest.raises(LedgerError, match="disk is full"):
                job(replace(bench, notes=FailingNotes(bench.notes, fails)), scan)
            assert state(bench) == before
        job(replace(bench, notes=FailingNotes(bench.notes, writes)), scan)
        assert state(bench) != before
