"""A case of which everything is kept that can name somebody, for tests of exporting and forgetting it."""

from __future__ import annotations

import json
from pathlib import Path

from mendbay.board.description import BoardDescription
from mendbay.board.stock import Kind, StockItem
from mendbay.board.swap_odds import Level, Purpose
from mendbay.case.records import Bay, Case, CaseState
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.find_donor import agreement_with
from mendbay.jobs.keep_stock import add_items, record_swap
from mendbay.jobs.measure_board import enter
from mendbay.jobs.take_in import take_in
from mendbay.jobs.triage_case import answer, describe
from mendbay.triage.belief import Asked

CUSTOMER = "Quillmere Pottery"
SERIAL = "K-0113-77"
CONTACT = "quill@mere.example"
SECRETS = (CUSTOMER, "quillmere", SERIAL, CONTACT, "kiln log", "dented by the cat", "Mr Quill")
OTHER = "Harrow Mill"
"""The customer of another case, who must never be met in anything of this one."""
_PROPERLY = {
    NoteKind.SIGN,
    NoteKind.SUBJECT,
    NoteKind.SWAP,
    NoteKind.MEASUREMENT,
    NoteKind.DUMP,
    NoteKind.CORRECTION,
    NoteKind.FORGETTING,
}
"""Kinds that are noted as the jobs note them."""
ROM = b"ROM of " + SERIAL.encode()


def full_case(bench: Bench) -> Case:
    """Case 2 of the bench, closed and without copies; cases 1 and 3 are another customer's."""
    take_in(bench, OTHER, contact="harrow@mill.example", box="a box", bays=[Bay(0, "1", "AL20-HX4", "H-1")])
    case = take_in(
        bench,
        CUSTOMER,
        contact=CONTACT,
        box="two-bay box, dented by the cat",
        wanted=("kiln log*.xlsx",),
        notes="Mr Quill called",
        bays=[Bay(0, "1", "AL20-HX4", SERIAL), Bay(0, "2", "AL20-HX4")],
    )
    take_in(bench, OTHER, bays=[Bay(0, "1")])
    describe(bench, 2, box=True, worth=5000)
    answer(bench, 2, Asked("sound", "1"), "clicks")
    enter(bench, 2, "1", "leads", "0.3", note="Mr Quill watched")
    shop = bench.shop_files
    add_items(bench, shop, [StockItem(0, Kind.BOARD, BoardDescription("TB-4471-200", "R3"), location="B2")])
    agreement = agreement_with(bench, shop, 2, "1", 1, Purpose.BOARD_SWAP, Level.MOVED)
    record_swap(bench, 1, 2, "1", agreement, worked=True, remark="Mr Quill was glad")
    for subject, read, right in (("model", "AL2O-HX4", "AL20-HX4"), ("serial number", "K-O113-77", SERIAL)):
        body = {"read": read, "right": right, "pictures": [], "misread": True}
        _note(bench, NoteKind.CORRECTION, subject, body)
    for kind in NoteKind:
        if kind not in _PROPERLY:
            _note(bench, kind, "case", {"remark": f"of {CUSTOMER}", "reason": "Mr Quill did", "cost": 3800})
    for role in ("patient", "donor"):
        kept = bench.files.keep(case, f"roms/bay-1/{role}-1/1 read.bin", ROM + role.encode())
        _note(bench, NoteKind.DUMP, kept.path, {"role": role, "file": {"path": kept.path}})
    bench.files.keep(case, "photos/bay-1/label.jpg", b"picture of " + SERIAL.encode())
    bench.files.keep(case, "papers/receipt.pdf", b"receipt for " + CUSTOMER.encode())
    return bench.ledger.amend_case(2, state=CaseState.CLOSED)


def _note(bench: Bench, kind: NoteKind, subject: str, body: object) -> None:
    bench.notes.add(Note(2, "1", kind, subject, bench.now(), "Ada", json.dumps(body)))


def held_below(folder: Path) -> bytes:
    """The bytes of every file below a folder, with the names of files and folders."""
    found = sorted(folder.rglob("*"))
    names = "\n".join(str(one.relative_to(folder)) for one in found).encode()
    return names + b"".join(one.read_bytes() for one in found if one.is_file())
