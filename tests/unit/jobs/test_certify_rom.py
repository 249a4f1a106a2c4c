"""The newest certificate is printed, and only if a third party could check it."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from mendbay.board.description import BoardDescription
from mendbay.board.flash_bus import FlashBus, SupplyQuestion
from mendbay.board.number_form import Kind
from mendbay.board.stock import Kind as StockKind
from mendbay.board.stock import StockItem
from mendbay.board.transfer_plan import Purpose, Role
from mendbay.case.agenda import Chore
from mendbay.case.consents import Word
from mendbay.core.errors import (
    CustodyBroken,
    LedgerError,
    NoSuchCase,
    ProgrammerError,
    SourceChanged,
    TransferIncomplete,
    TransferRefused,
)
from mendbay.core.note import Note, NoteKind
from mendbay.inlets.simulated_flash import SimulatedBus
from mendbay.jobs.agenda import tell_turn
from mendbay.jobs.bench import Bench
from mendbay.jobs.board_ports import Programmers
from mendbay.jobs.certify_rom import CertifiedTransfer, certified_transfer
from mendbay.jobs.clip import Clip
from mendbay.jobs.consents import give_word
from mendbay.jobs.keep_stock import add_items, reserve
from mendbay.jobs.read_pictures import correct_identifier
from mendbay.jobs.rom_reads import read_chip, withdraw_sitting
from mendbay.jobs.transfer_rom import carry_out, plan_transfer
from mendbay.jobs.triage_case import answer
from mendbay.outlets.shop_files import ShopFolder
from mendbay.outlets.transfer_journals import JournalFiles
from mendbay.triage.belief import Asked
from support.flash_bench import rom, small_chip


class Clips(Programmers):
    """Two clips, each with a chip on it, unplugged after so many exchanges."""

    def __init__(self) -> None:
        self.chips = {"patient": small_chip(rom(1)), "donor": small_chip(rom(2))}
        self.left = 10**9

    @contextmanager
    def open(self, name: str) -> Iterator[FlashBus]:
        yield _Bus(self, name)


class _Bus(SimulatedBus):
    def __init__(self, clips: Clips, name: str) -> None:
        super().__init__(clips.chips[name])
        self._clips = clips

    def exchange(self, out: bytes, read_count: int) -> bytes:
        self._clips.left -= out[:1] in (b"\x02", b"\x20", b"\xd8", b"\x52")
        if self._clips.left < 0:
            raise ProgrammerError("The adapter is gone.", "Plug it in.")
        return super().exchange(out, read_count)


def yes(question: SupplyQuestion) -> bool:
    return True


@pytest.fixture
def clips() -> Clips:
    return Clips()


@pytest.fixture
def journals(tmp_path: Path) -> JournalFiles:
    return JournalFiles(tmp_path / "home/cases")


def planned(bench: Bench, clips: Clips, journals: JournalFiles) -> None:
    for name in ("patient", "donor"):
        read_chip(bench, Clip(clips, name, yes), 1, "1", Role(name))
    plan_transfer(bench, journals, 1, "1", Role.DONOR)


def write(bench: Bench, shop: ShopFolder, clips: Clips, journals: JournalFiles, **more: bool) -> None:
    carry_out(bench, Clip(clips, "donor", yes), shop, journals, 1, "1", roles_checked=True, **more)


def cut_off(bench: Bench, shop: ShopFolder, clips: Clips, journals: JournalFiles) -> None:
    clips.left = 3
    with pytest.raises(TransferIncomplete):
        write(bench, shop, clips, journals)
    clips.left = 10**9


def certified(bench: Bench, journals: JournalFiles, purpose: Purpose | None = None) -> CertifiedTransfer:
    return certified_transfer(bench, journals, 1, "1", purpose)


def test_a_certificate_comes_with_its_file_its_entry_and_what_it_rests_on(
    bench: Bench, shop: ShopFolder, clips: Clips, journals: JournalFiles
) -> None:
    planned(bench, clips, journals)
    write(bench, shop, clips, journals)
    found = certified(bench, journals)
    path = bench.images.folder(found.case) / found.original.path
    assert hashlib.sha256(path.read_bytes()).hexdigest() == found.original.sha256
    assert json.loads(path.read_bytes())["image_sha256"] == found.certificate.image_sha256
    assert found.original.path in found.entry.item
    assert found.entry == bench.ledger.custody(1)[-1]
    assert (found.purpose, found.role, found.bay.bay) == (Purpose.TRANSFER, Role.DONOR, "1")
    assert (found.certified_by, found.later, found.unfinished) == (bench.who, (), False)
    assert found.patient is not None
    assert found.backup is not None
    assert (found.patient.reads, found.backup.reads) == (3, 3)
    assert (found.by_pictures, found.board_number, found.donors) == ("", "", ())
    assert (found.certificate.supply_on_word, found.certificate.marking_on_word) == (True, False)
    assert (path.parents[2] / found.patient.path).read_bytes() == rom(1)
    withdraw_sitting(bench, journals, 1, "1", Role.PATIENT, 1, "of another board")
    again = certified(bench, journals)
    assert again.patient is not None
    assert again.patient.withdrawn == "of another board"


def test_the_newest_is_taken_unless_one_purpose_is_asked_for(
    bench: Bench, shop: ShopFolder, clips: Clips, journals: JournalFiles
) -> None:
    planned(bench, clips, journals)
    cut_off(bench, shop, clips, journals)
    write(bench, shop, clips, journals, restore=True)
    assert certified(bench, journals).purpose is Purpose.RESTORE
    with pytest.raises(TransferRefused, match="No transfer of bay 1 of case 1 is certified") as trouble:
        certified(bench, journals, Purpose.TRANSFER)
    assert "without --of" in trouble.value.next_step
    cut_off(bench, shop, clips, journals)
    assert certified(bench, journals).unfinished, "what was put back is half written again"
    write(bench, shop, clips, journals)
    newest, before = certified(bench, journals), certified(bench, journals, Purpose.RESTORE)
    assert (newest.purpose, newest.later) == (Purpose.TRANSFER, ())
    assert before.later == ((Purpose.TRANSFER, newest.certified_at),)
    assert not newest.unfinished
    assert newest.certificate.image_sha256 == hashlib.sha256(rom(1)).hexdigest()
    assert before.certificate.image_sha256 == hashlib.sha256(rom(2)).hexdigest()
    assert before.original.path.startswith("roms/bay-1/certificate-of-restoring-")


def test_what_is_missing_is_named(bench: Bench, clips: Clips, journals: JournalFiles) -> None:
    with pytest.raises(NoSuchCase):
        certified_transfer(bench, journals, 1, "9")
    with pytest.raises(TransferRefused, match="No transfer is planned"):
        certified(bench, journals)
    planned(bench, clips, journals)
    for purpose in (None, Purpose.RESTORE):
        with pytest.raises(
            TransferRefused, match="No transfer of bay 1 of case 1 is certified yet"
        ) as trouble:
            certified(bench, journals, purpose)
        assert trouble.value.next_step.startswith("mendbay rom write 1 1")


@pytest.mark.parametrize("change", ["gone", "other"])
def test_no_paper_is_made_of_a_certificate_whose_file_is_not_what_was_kept(
    bench: Bench, shop: ShopFolder, clips: Clips, journals: JournalFiles, change: str
) -> None:
    planned(bench, clips, journals)
    write(bench, shop, clips, journals)
    found = certified(bench, journals)
    path = bench.images.folder(found.case) / found.original.path
    path.unlink()
    if change == "other":
        path.write_bytes(b"x" * found.original.size_bytes)
    with pytest.raises(SourceChanged, match="certificate-") as trouble:
        certified(bench, journals)
    assert found.original.sha256 in trouble.value.next_step


def test_no_paper_points_to_a_custody_log_that_does_not_hold(
    bench: Bench, shop: ShopFolder, clips: Clips, journals: JournalFiles, tmp_path: Path
) -> None:
    planned(bench, clips, journals)
    write(bench, shop, clips, journals)
    with sqlite3.connect(tmp_path / "home/ledger.sqlite3") as ledger:
        for (name,) in ledger.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            ledger.execute(f"DROP TRIGGER {name}")
        ledger.execute("UPDATE custody SET who = 'nobody' WHERE sequence = 2")
    with pytest.raises(CustodyBroken, match="does not verify"):
        certified(bench, journals)


def noted(bench: Bench, body: str) -> None:
    bench.notes.add(Note(1, "1", NoteKind.CERTIFICATE, "x", bench.now(), "Ada", body))


def test_a_certificate_that_custody_does_not_name_is_not_printed(
    bench: Bench, shop: ShopFolder, clips: Clips, journals: JournalFiles
) -> None:
    planned(bench, clips, journals)
    write(bench, shop, clips, journals)
    found = certified(bench, journals)
    body = json.dumps({**found.certificate.as_record(), "blocks": 1})
    path = bench.files.keep(found.case, found.original.path, body.encode()).path
    assert path.endswith("-2.json")
    noted(bench, body)
    with pytest.raises(CustodyBroken, match=r"no entry names .*-2\.json"):
        certified(bench, journals)


@pytest.mark.parametrize(
    "changes",
    [None, {}, {"size_bytes": "many"}, {"purpose": "other"}, {"role": 3}, {"failed_rules": [1]},
     {"unsettled": [[1e400, 1]]}, {"more": 1}, {"adapter": ["x"]}, {"put_away": "no"}],
)  # fmt: skip
def test_a_note_that_is_no_certificate_is_told(
    bench: Bench,
    shop: ShopFolder,
    clips: Clips,
    journals: JournalFiles,
    changes: dict[str, object] | None,
) -> None:
    planned(bench, clips, journals)
    write(bench, shop, clips, journals)
    record = certified(bench, journals).certificate.as_record()
    noted(bench, json.dumps({**record, **changes}) if changes else "[" * 3000 if changes is None else "{}")
    with pytest.raises(LedgerError, match=r"note .* of a certificate cannot be read"):
        certified(bench, journals)


def test_the_drive_its_board_and_the_donor_are_named_as_far_as_they_are_known(
    bench: Bench, shop: ShopFolder, clips: Clips, journals: JournalFiles
) -> None:
    for kind, number in (
        (Kind.MODEL, "AL20-HX4"),
        (Kind.SERIAL, "AH4K-20719C"),
        (Kind.BOARD, "TB-4471-200"),
        (Kind.REVISION, "R3"),
    ):
        correct_identifier(bench, shop, 1, "1", kind, number)
    board = BoardDescription(board_number="TB-4471-200", revision="R3")
    (item,) = add_items(bench, shop, [StockItem(0, StockKind.BOARD, board)])
    reserve(bench, item.number, 1)
    planned(bench, clips, journals)
    write(bench, shop, clips, journals, right_chip=True)
    found = certified(bench, journals)
    assert found.by_pictures == "AL20-HX4 AH4K-20719C"
    assert found.board_number == "TB-4471-200 R3"
    assert found.donors == (f"item {item.number} (TB-4471-200 R3), reserved",)
    assert found.certificate.chip_on_word


def test_once_a_transfer_is_certified_the_board_is_to_be_fitted_next(
    bench: Bench, shop: ShopFolder, clips: Clips, journals: JournalFiles
) -> None:
    answer(bench, 1, Asked("supply-measured", "1"), "amiss")

    def next_step() -> Chore:
        found = tell_turn(bench, 1).chore
        assert found is not None
        return found

    planned(bench, clips, journals)
    assert next_step().id != "fit-board"
    write(bench, shop, clips, journals)
    asked = next_step()
    assert (asked.id, asked.command) == ("fit-board", "case consent 1")
    assert "fit the board, and see whether the drive is detected (bay 1)" in asked.words
    for consent in ("power-on", "board-swap"):
        give_word(bench, 1, consent, Word.YES)
    assert (next_step().id, next_step().command) == ("fit-board", "rom steps 1 1")
    give_word(bench, 1, "board-swap", Word.NO)
    assert next_step().id != "fit-board", "what is refused is not told to be done"
    give_word(bench, 1, "board-swap", Word.YES)
    answer(bench, 1, Asked("sound", "1"), "clicks")
    assert next_step().id != "fit-board", "it gets no power"
    answer(bench, 1, Asked("sound", "1"), "normal")
    assert next_step().id == "fit-board"
    answer(bench, 1, Asked("detected", "1"), "right")
    assert next_step().id != "fit-board", "it was fitted, and looked at"


def test_a_board_is_not_to_be_fitted_once_the_transfer_is_undone(
    bench: Bench, shop: ShopFolder, clips: Clips, journals: JournalFiles
) -> None:
    answer(bench, 1, Asked("supply-measured", "1"), "amiss")
    planned(bench, clips, journals)
    cut_off(bench, shop, clips, journals)
    write(bench, shop, clips, journals, restore=True)
    assert certified(bench, journals).purpose is Purpose.RESTORE
    chore = tell_turn(bench, 1).chore
    assert chore is not None
    assert chore.id != "fit-board"
