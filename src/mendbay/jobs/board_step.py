"""What is done of the boards of a case, and what of it is still open, by what is on record."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from mendbay.board.electrical_summary import short
from mendbay.case.records import LOOSE_BOARD, Case, CaseKind
from mendbay.core.note import Note, NoteKind
from mendbay.core.quantity import count_text, counted
from mendbay.jobs.bench import Bench
from mendbay.jobs.closed_board import closed_board
from mendbay.jobs.hand_repairs import BOARD_REPAIRS, CameOf, boards_mended, boards_that_work, repairs_made
from mendbay.jobs.measure_board import begun_sheet
from mendbay.jobs.note_bodies import body_of
from mendbay.jobs.record_swaps import boards_fitted
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
    mended = repairs_made(bench, case.number) if told.get(NoteKind.TRIED) else ()
    by_hand = [one for one in mended if one.bay and one.step in BOARD_REPAIRS]
    noted += (f"{counted(len(by_hand), 'repair')} by hand",) if by_hand else ()
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
    give, or its drive comes ready already; there must be a certificate."""
    fitted = boards_fitted(bench, case).get(bay)
    works = bay in boards_that_work(bench, case)
    seen = standing_notes(bench, NoteKind.SIGN, case, bay, "detected")
    asked = standing_notes(bench, NoteKind.RECORDS, case, bay)
    certified = bench.notes.of(NoteKind.CERTIFICATE, case, bay)[-1].number
    read = any(one.read_bytes > 0 for one in bench.ledger.images(case, bay))
    later = [*seen, *asked, *([fitted.last] if fitted is not None else [])]
    return read or works or any(one.number > certified for one in later)


class _Board:
    """What is on record of the board of one bay."""

    def __init__(self, bench: Bench, case: Case, bay: str, told: Mapping[NoteKind, int]) -> None:
        self._bench, self._case, self._bay, self._told = bench, case, bay, told
        self._fitted = boards_fitted(bench, case.number).get(bay) if told.get(NoteKind.SWAP) else None
        mended = repairs_made(bench, case.number) if told.get(NoteKind.TRIED) else ()
        self._mended = boards_mended(mended).get(bay)
        self._ready = bay in boards_that_work(bench, case.number)
        self._sheet = begun_sheet(bench, case.number, bay) if told.get(NoteKind.MEASUREMENT) else None
        self._closed = closed_board(bench, case.number, bay) if self._sheet else None
        self._roles = {body_of(one, "a ROM's read").get("role") for one in self._notes(NoteKind.DUMP)}
        certified = self._notes(NoteKind.CERTIFICATE)
        self._moved = bool(certified) and not certified[-1].subject.startswith(RESTORED)
        self._restored = bool(certified) and not self._moved
        since = certified[-1].number if self._moved else 0
        self._failed = (
            self._fitted is not None and not self._fitted.works and self._fitted.last.number > since
        )

    @property
    def is_noted(self) -> bool:
        """Whether anything is on record of it."""
        found = self._fitted or self._mended or self._sheet or self._roles or self._moved or self._restored
        return bool(found or self._notes(NoteKind.PICTURE))

    @property
    def _works(self) -> bool:
        """Whether the drive comes ready with another board or its own mended, and nothing was measured since
        that closes it."""
        return self._ready and self._closed is None

    def known(self) -> Iterator[str]:
        """What is done, each in a few words."""
        if self._works and self._fitted is not None and self._fitted.works:
            yield "another board works"
        if self._mended is not None and self._mended.came_of is not CameOf.STILL_NOT:
            yield self._mended.words
        if self._moved:
            yield "ROM moved and proven"
        elif PATIENT in self._roles:
            yield "ROM read"
        elif self._roles:
            yield "only the ROM of another board read"
        if self._sheet is not None and not self._left_of_sheet():
            yield "sheet measured"
        of_bench = self._fitted or self._mended or self._sheet or self._roles or self._moved
        if self._notes(NoteKind.PICTURE) and not of_bench:
            yield "pictures kept"

    def open(self) -> Iterator[str]:
        """What is left to be done, each in a few words; nothing once another board works."""
        if self._works:
            return
        if self._failed:
            yield "the last swap of the board did not help"
        if self._mended is not None and self._mended.came_of is CameOf.STILL_NOT:
            yield self._mended.words
        if self._is_untried and self._closed is None:
            yield "whether the drive comes ready since is not known"
        yield from self._open_of_sheet()
        yield from self._open_of_rom()

    def _open_of_sheet(self) -> Iterator[str]:
        if self._closed is not None:
            yield f"{self._closed.gates} barred"
        if self._sheet is None:
            if not (self._moved or self._fitted or self._mended):
                yield "sheet not measured"
            return
        if left := self._left_of_sheet():
            yield f"{counted(left, 'step')} of the sheet to be measured"
        amiss = [one.words for one in self._sheet.standing.findings if one.speaks_against]
        since = self._mended is not None and self._mended.came_of is CameOf.NOT_TRIED
        if amiss and self._closed is None and not left and since:
            yield "the sheet is to be measured anew, as the board was mended since"
        elif amiss and self._closed is None and not left:
            yield f"not mended: {amiss[0]}"

    @property
    def _is_untried(self) -> bool:
        """Whether its own board was mended and nobody tried it; of a board alone there is nothing to try it
        with."""
        untried = self._mended is not None and self._mended.came_of is CameOf.NOT_TRIED
        return untried and self._case.kind not in LOOSE_BOARD

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
