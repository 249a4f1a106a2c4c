"""What is done of the boards of a case, and what of it is still open, by what is on record."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from mendbay.board.electrical_summary import short
from mendbay.board.swap_odds import Purpose
from mendbay.case.records import LOOSE_BOARD, Case, CaseKind
from mendbay.core.note import Note, NoteKind
from mendbay.core.quantity import count_text, counted
from mendbay.jobs.bench import Bench
from mendbay.jobs.closed_board import closed_board
from mendbay.jobs.measure_board import begun_sheet
from mendbay.jobs.note_bodies import body_of
from mendbay.jobs.transfer_notes import GIVEN_UP, RESTORED
from mendbay.jobs.withdraw import standing_notes

ON_BOARDS = {
    NoteKind.PICTURE: "picture",
    NoteKind.MEASUREMENT: "entry of the electrical sheet",
    NoteKind.DUMP: "read of a ROM",
    NoteKind.SWAP: "swap",
    NoteKind.CERTIFICATE: "certified transfer",
}
"""What the bench notes of boards, in the order of the work."""
PLURALS = {NoteKind.MEASUREMENT: "entries of the electrical sheet", NoteKind.DUMP: "reads of a ROM"}


PATIENT = "patient"
"""The role of a read of the patient's own chip, as its note has it."""


@dataclass(frozen=True, slots=True)
class BoardStands:
    """The boards of a case.

    Args:
        noted: how much is on record, each in a few words; empty if nothing is.
        stands: how each board stands of which something is, as sentences.
        open: what is left to be done at those at which something is, each with its bay.
    """

    noted: tuple[str, ...]
    stands: tuple[str, ...]
    open: tuple[str, ...]

    @property
    def done(self) -> bool:
        """Whether something is on record, and nothing of it leaves anything to be done."""
        return bool(self.stands) and not self.open


def board_stands(bench: Bench, case: Case, tally: Mapping[NoteKind, int] | None = None) -> BoardStands:
    """How the boards of a case stand. No file of a dump is opened for it.

    Args:
        tally: of the case's notes, if it is at hand.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    told = bench.notes.tally(case.number) if tally is None else tally
    noted = tuple(
        f"{count_text(count)} {words if count == 1 else PLURALS.get(kind, f'{words}s')}"
        for kind, words in ON_BOARDS.items()
        if (count := told.get(kind, 0))
    )
    stands: list[str] = []
    left: list[str] = []
    for bay in bench.ledger.bays(case.number) if noted else ():
        board = _Board(bench, case, bay.bay, told)
        if board.is_noted:
            still = ", ".join(board.open())
            words = "; ".join(filter(None, (", ".join(board.known()), still)))
            stands.append(f"Bay {bay.bay}: {words}.")
            left += [f"{still} (bay {bay.bay})"] if still else []
    return BoardStands(noted, tuple(stands), tuple(left))


def tried_since_certified(bench: Bench, case: int, bay: str) -> bool:
    """Whether anything is on record of a bay's drive that a board fitted since its last certificate would
    give; there must be one."""
    swaps = standing_notes(bench, NoteKind.SWAP, case, bay)
    seen = standing_notes(bench, NoteKind.SIGN, case, bay, "detected")
    asked = standing_notes(bench, NoteKind.RECORDS, case, bay)
    certified = bench.notes.of(NoteKind.CERTIFICATE, case, bay)[-1].number
    read = any(one.read_bytes > 0 for one in bench.ledger.images(case, bay))
    return read or any(one.number > certified for one in (*swaps, *seen, *asked))


class _Board:
    """What is on record of the board of one bay."""

    def __init__(self, bench: Bench, case: Case, bay: str, told: Mapping[NoteKind, int]) -> None:
        self._bench, self._case, self._bay, self._told = bench, case, bay, told
        swaps = [body_of(one, "a swap") for one in self._notes(NoteKind.SWAP)]
        of_board = [one for one in swaps if one.get("purpose") == str(Purpose.BOARD_SWAP)]
        self._swap = of_board[-1] if of_board else None
        self._sheet = begun_sheet(bench, case.number, bay) if told.get(NoteKind.MEASUREMENT) else None
        self._closed = closed_board(bench, case.number, bay) if self._sheet else None
        self._roles = {body_of(one, "a ROM's read").get("role") for one in self._notes(NoteKind.DUMP)}
        certified = self._notes(NoteKind.CERTIFICATE)
        self._moved = bool(certified) and not certified[-1].subject.startswith(RESTORED)
        self._restored = bool(certified) and not self._moved

    @property
    def is_noted(self) -> bool:
        """Whether anything is on record of it."""
        found = self._swap or self._sheet or self._roles or self._moved or self._restored
        return bool(found or self._notes(NoteKind.PICTURE))

    @property
    def _works(self) -> bool:
        """Whether another board was fitted and worked, and nothing was measured since that closes it."""
        return self._swap is not None and bool(self._swap.get("worked")) and self._closed is None

    def known(self) -> Iterator[str]:
        """What is done, each in a few words."""
        if self._works:
            yield "another board works"
        if self._moved:
            yield "ROM moved and proven"
        elif PATIENT in self._roles:
            yield "ROM read"
        elif self._roles:
            yield "only the ROM of another board read"
        if self._sheet is not None and not self._left_of_sheet():
            yield "sheet measured"
        if self._notes(NoteKind.PICTURE) and not (self._swap or self._sheet or self._roles or self._moved):
            yield "pictures kept"

    def open(self) -> Iterator[str]:
        """What is left to be done, each in a few words; nothing once another board works."""
        if self._works:
            return
        if self._swap is not None and not self._swap.get("worked"):
            yield "the last swap of the board did not help"
        yield from self._open_of_sheet()
        yield from self._open_of_rom()

    def _open_of_sheet(self) -> Iterator[str]:
        if self._closed is not None:
            yield f"{self._closed.gates} closed"
        if self._sheet is None:
            if not (self._moved or self._swap):
                yield "sheet not measured"
            return
        if left := self._left_of_sheet():
            yield f"{counted(left, 'step')} of the sheet to be measured"
        amiss = [one.words for one in self._sheet.standing.findings if one.speaks_against]
        if amiss and self._closed is None and not left:
            yield f"not mended: {amiss[0]}"

    def _left_of_sheet(self) -> int:
        return len(short(self._sheet.sheet).left) if self._sheet is not None else 0

    def _open_of_rom(self) -> Iterator[str]:
        if self._moved:
            if self._rests_on_withdrawn():
                yield "the transfer rests on reads that count no longer"
            elif self._case.kind not in LOOSE_BOARD and not self._is_tried():
                yield "whether the drive works with it is not known"
            return
        if self._restored:
            yield "the backup was put back after a transfer"
        elif self._is_planned():
            yield "a transfer of the ROM is planned and not proven"
        elif self._case.kind is CaseKind.BOARD_SWAP:
            yield "ROM not moved" if PATIENT in self._roles else "ROM not read"

    def _is_tried(self) -> bool:
        return tried_since_certified(self._bench, self._case.number, self._bay)

    def _rests_on_withdrawn(self) -> bool:
        from mendbay.jobs.certify_rom import certificates_kept  # arrays: only where one is

        return bool(certificates_kept(self._bench, self._case.number, self._bay)[-1].withdrawn)

    def _is_planned(self) -> bool:
        """Whether the last plan of a transfer was not given up."""
        plans = self._bench.notes.of(NoteKind.PLAN, self._case.number, self._bay)
        if not plans:
            return False
        return not self._bench.notes.of(NoteKind.WITHDRAWAL, subject=f"{GIVEN_UP}{plans[-1].subject}")

    def _notes(self, kind: NoteKind) -> tuple[Note, ...]:
        there = self._told.get(kind)
        return standing_notes(self._bench, kind, self._case.number, self._bay) if there else ()
