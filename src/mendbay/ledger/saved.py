"""The ledger of a saved copy: made, held against itself, and looked at."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from mendbay.case.records import Case, Image
from mendbay.core.errors import CustodyBroken, LedgerError
from mendbay.core.note import NoteKind
from mendbay.jobs.plan_erasure import CERTIFICATE, what_of
from mendbay.jobs.saving_port import LedgerCopies, LedgerLook
from mendbay.ledger.copying import ONE_FILE
from mendbay.ledger.database import Ledger


class ShopLedgerCopies(LedgerCopies):
    """Copies of one ledger.

    Args:
        ledger: which is open.
    """

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger

    def copy_to(self, path: Path) -> None:
        self._ledger.copy_to(path)

    def went_through(self, mark: str) -> bool:
        return self._ledger.went_through(mark)

    def look(self, path: Path) -> LedgerLook:
        return look_at(path)


def look_at(path: Path) -> LedgerLook:
    """What a copy of a ledger holds, after the whole of it was read and judged. It may be brought up to the
    newest form; it is one file again afterwards.

    Raises:
        LedgerError: it is no ledger, or damaged.
    """
    if not path.is_file():
        raise LedgerError(f"There is no ledger {path}.", "Name the folder of a saved copy.")
    with Ledger(path) as ledger:
        broken: CustodyBroken | None = None
        try:
            ledger.check()
        except CustodyBroken as trouble:
            broken = trouble
        found = LedgerLook(ledger.mark(), broken, _images(ledger), _gone(ledger))
    with closing(sqlite3.connect(path, isolation_level=None)) as file:
        file.execute(ONE_FILE)
    return found


def _images(ledger: Ledger) -> frozenset[str]:
    """Where the images lie of which it says that something was read, below the folder of the cases. One that
    was set aside leaves an empty line behind."""
    cases = {one.number: one for one in ledger.cases()}
    found = ledger.images_of_several(cases)
    return frozenset(
        _place(cases[case], one) for case, images in found.items() for one in images if one.read_bytes
    )


def _place(case: Case, image: Image) -> str:
    return f"{case.folder}/{image.path}"


def _gone(ledger: Ledger) -> frozenset[int]:
    """Cases of which copies were erased, or that were forgotten."""
    erased = {one.case for one in ledger.notes.of(NoteKind.ERASURE) if what_of(one) == CERTIFICATE}
    return frozenset(erased) | frozenset(ledger.notes.last_of_kind(NoteKind.FORGETTING))
