"""A ROM is moved only by a plan that rests on agreeing reads, and a cut-off write goes on."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from mendbay.board.flash_bus import FlashBus, SupplyQuestion
from mendbay.board.number_form import Kind
from mendbay.board.transfer import Certificate
from mendbay.board.transfer_journal import BEGUN, TransferJournal, journal_line
from mendbay.board.transfer_plan import Padding, Purpose, Role
from mendbay.case.consents import Word
from mendbay.case.records import Case
from mendbay.core.errors import (
    HeldBack,
    Interrupted,
    LedgerError,
    ProgrammerError,
    SourceChanged,
    TransferIncomplete,
    TransferRefused,
    UsageError,
)
from mendbay.core.note import Note, NoteKind
from mendbay.inlets.simulated_flash import SimulatedBus, SimulatedChip
from mendbay.jobs import transfer_rom
from mendbay.jobs.bench import Bench
from mendbay.jobs.board_ports import Programmers
from mendbay.jobs.certify_rom import certificates_kept
from mendbay.jobs.clip import Clip
from mendbay.jobs.consents import WordDue, give_word
from mendbay.jobs.learn_rom import check_rom, learn_family
from mendbay.jobs.practice import practice_cases
from mendbay.jobs.read_pictures import correct_identifier
from mendbay.jobs.rom_reads import keep_files, newest_sitting, read_chip, rom_reads, withdraw_sitting
from mendbay.jobs.transfer_rom import Planned, Proven, give_up, plan_transfer, tell_plan
from mendbay.outlets.shop_files import ShopFolder
from mendbay.outlets.transfer_journals import JournalFiles
from mendbay.wiring import BenchProgrammers
from support.flash_bench import SMALL_BYTES, checked_dump, healthy, rom, small_chip

PATIENT = rom(1, SMALL_BYTES // 2) + b"\xff" * (SMALL_BYTES // 2)
DONOR = rom(2)
carry_out = partial(transfer_rom.carry_out, roles_checked=True)
"""As most tests want it: no serial number of the drive is known, and a person knows whose chip is whose."""


class Clips(Programmers):
    """Two clips, each with a chip on it."""

    are_simulated = False

    def __init__(self) -> None:
        self.chips = {"patient": small_chip(PATIENT), "donor": small_chip(DONOR)}

    @contextmanager
    def open(self, name: str) -> Iterator[FlashBus]:
        yield SimulatedBus(self.chips[name])

    def is_simulated(self, name: str) -> bool:
        return self.are_simulated


def yes(question: SupplyQuestion) -> bool:
    return True


@pytest.fixture
def clips() -> Clips:
    return Clips()


@pytest.fixture
def journals(tmp_path: Path) -> JournalFiles:
    return JournalFiles(tmp_path / "home/cases")


def shop_of(bench: Bench) -> ShopFolder:
    return ShopFolder(bench.images.folder(bench.ledger.case(1)).parents[1])


def both_read(bench: Bench, clips: Clips) -> None:
    read_chip(bench, Clip(clips, "patient", yes), 1, "1", Role.PATIENT)
    read_chip(bench, Clip(clips, "donor", yes), 1, "1", Role.DONOR)


def written(
    bench: Bench, clips: Clips, journals: JournalFiles, clip: str = "donor", **more: Any
) -> Certificate:
    return proven(bench, clips, journals, clip, **more).certificate


def proven(bench: Bench, clips: Clips, journals: JournalFiles, clip: str = "donor", **more: Any) -> Proven:
    return carry_out(bench, Clip(clips, clip, yes), shop_of(bench), journals, 1, "1", **more)


def cut_off(bench: Bench, clips: Clips, journals: JournalFiles, after: int = 40, **more: Any) -> None:
    """A transfer, or its restoring, whose adapter is unplugged in the middle."""
    with pytest.raises(TransferIncomplete):
        carry_out(bench, Clip(CutClips(clips, after), "donor", yes), shop_of(bench), journals, 1, "1", **more)


def custody_of(bench: Bench) -> list[str]:
    return [one.what for one in bench.ledger.custody(1)]


def test_reads_are_kept_with_their_chip_and_belong_to_sittings(bench: Bench, clips: Clips) -> None:
    first, facts = read_chip(bench, Clip(clips, "patient", yes), 1, "1", Role.PATIENT, times=2)
    second, _ = read_chip(bench, Clip(clips, "patient", yes), 1, "1", Role.PATIENT)
    assert facts.size_bytes == SMALL_BYTES
    assert [one.sitting for one in rom_reads(bench, 1, "1")] == [1, 1, 2, 2, 2]
    assert newest_sitting(bench, 1, "1", Role.PATIENT) == second
    chip = first[0].chip()
    assert chip is not None
    assert chip == facts
    assert rom_reads(bench, 1, "2") == ()


def test_the_patients_data_moves_and_is_proven(bench: Bench, clips: Clips, journals: JournalFiles) -> None:
    both_read(bench, clips)
    planned = plan_transfer(bench, journals, 1, "1", Role.DONOR)
    assert planned.reasons == ()
    certificate = written(bench, clips, journals)
    assert clips.chips["donor"].content == PATIENT
    assert clips.chips["patient"].content == PATIENT
    told = tell_plan(bench, shop_of(bench), journals, 1, "1")
    assert "done" in {str(one.state) for one in told.steps}
    words = [one.what for one in bench.ledger.custody(1)]
    assert "ROM written: begun" in words
    assert words[-1].startswith("ROM written: read back and proven")
    kept = list((bench.images.folder(bench.ledger.case(1)) / "roms/bay-1").glob("certificate-*.json"))
    assert len(kept) == 1
    assert certificate.image_sha256 in kept[0].read_text()
    assert certificate.patient_read_from.startswith("the chip, read by Mendbay (")
    assert certificate.backup_read_from.startswith("the chip, read by Mendbay (")
    again = written(bench, clips, journals)
    assert (again.only_read, again.may_be_patients) == (True, True)
    folder = bench.images.folder(bench.ledger.case(1)) / "roms/bay-1"
    assert list(folder.glob("certificate-*.json")) == kept, "a second look is no second certificate"
    assert len(bench.notes.of(NoteKind.CERTIFICATE)) == 1
    looked = "chip only read: it holds what was certified"
    assert custody_of(bench)[-1] == f"{looked}, and may be the patient's own"
    of_patient = proven(bench, clips, journals, "patient")
    assert of_patient.certificate.may_be_patients
    assert of_patient.next_step == "mendbay rom write 1 1 --programmer patient --patient-put-away"
    said = proven(bench, clips, journals, put_away=True)
    assert (said.certificate.may_be_patients, said.next_step) == (False, "")
    assert custody_of(bench)[-1] == f"{looked}; that it is not the patient's own rests on a person's word"


def test_the_customers_word_on_moving_the_rom_is_held_to(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    both_read(bench, clips)
    planned = plan_transfer(bench, journals, 1, "1", Role.DONOR)
    assert planned.not_asked == ("fitting another board and moving the ROM",)
    give_word(bench, 1, "board-swap", Word.NO)
    told = tell_plan(bench, shop_of(bench), journals, 1, "1")
    assert (told.not_asked, told.due) == ((), WordDue("fitting another board and moving the ROM", ""))
    with pytest.raises(HeldBack, match="refused fitting another board and moving the ROM"):
        written(bench, clips, journals)
    give_word(bench, 1, "board-swap", Word.ASK)
    told = tell_plan(bench, shop_of(bench), journals, 1, "1")
    assert told.due == WordDue("", "fitting another board and moving the ROM")
    with pytest.raises(HeldBack, match="wants to be asked each time"):
        written(bench, clips, journals)
    assert clips.chips["donor"].content == DONOR
    assert not [one for one in custody_of(bench) if "ROM written" in one]

    cut_off(bench, clips, journals, asked=True)
    assert custody_of(bench).count("the customer was asked this time, and said yes") == 1
    assert tell_plan(bench, shop_of(bench), journals, 1, "1").due == WordDue("", ""), (
        "going on is no new step"
    )
    give_word(bench, 1, "board-swap", Word.NO)
    with pytest.raises(HeldBack) as held:
        written(bench, clips, journals)
    assert "mendbay rom restore 1 1 puts the backup back" in held.value.next_step
    written(bench, clips, journals, although="they said yes by telephone after all")
    assert clips.chips["donor"].content == PATIENT
    against = [one for one in bench.ledger.custody(1) if "although the customer refused" in one.what]
    assert [one.item.partition("; ")[2] for one in against] == ["they said yes by telephone after all"]


def test_a_backup_is_put_back_whatever_the_customer_said(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    both_read(bench, clips)
    plan_transfer(bench, journals, 1, "1", Role.DONOR)
    cut_off(bench, clips, journals)
    give_word(bench, 1, "board-swap", Word.NO)
    written(bench, clips, journals, restore=True)
    assert clips.chips["donor"].content == DONOR


def test_a_finished_transfer_is_not_overwritten_by_its_backup(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    both_read(bench, clips)
    plan_transfer(bench, journals, 1, "1", Role.DONOR)
    written(bench, clips, journals)
    with pytest.raises(TransferRefused, match="may be the patient's"):
        written(bench, clips, journals, restore=True)
    assert clips.chips["donor"].content == PATIENT


def test_the_patients_chip_on_the_clip_is_refused_and_that_is_told_in_custody(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    both_read(bench, clips)
    plan_transfer(bench, journals, 1, "1", Role.DONOR)
    with pytest.raises(TransferRefused):
        written(bench, clips, journals, "patient")
    assert clips.chips["patient"].content == PATIENT
    assert "refused" in bench.ledger.custody(1)[-1].what


def test_a_write_that_was_cut_off_goes_on(bench: Bench, clips: Clips, journals: JournalFiles) -> None:
    both_read(bench, clips)
    plan_transfer(bench, journals, 1, "1", Role.DONOR)
    cut = CutClips(clips, after=40)
    with pytest.raises(TransferIncomplete):
        carry_out(bench, Clip(cut, "donor", yes), shop_of(bench), journals, 1, "1")
    assert clips.chips["donor"].content not in (DONOR, PATIENT)
    assert "cut off" in bench.ledger.custody(1)[-1].what
    told = tell_plan(bench, shop_of(bench), journals, 1, "1")
    assert any("cut off after" in why for step in told.steps for why in step.why)
    certificate = written(bench, clips, journals)
    assert clips.chips["donor"].content == PATIENT
    assert certificate.interruptions == 1


class CutClips(Programmers):
    """The same chips, whose adapter is unplugged once a block has been touched and some frames passed."""

    def __init__(self, clips: Clips, after: int, trouble: BaseException | None = None) -> None:
        self.clips = clips
        self.after = after
        self.trouble = trouble or ProgrammerError("The adapter was unplugged.", "Plug it in.")

    @contextmanager
    def open(self, name: str) -> Iterator[FlashBus]:
        yield CutBus(self.clips.chips[name], self.after, self.trouble)


class CutBus(SimulatedBus):
    def __init__(self, chip: SimulatedChip, after: int, trouble: BaseException) -> None:
        super().__init__(chip)
        self.trouble = trouble
        self.after = after
        self.writing = False

    def exchange(self, out: bytes, read_count: int) -> bytes:
        self.writing = self.writing or out[:1] == b"\x06"
        if self.writing:
            self.after -= 1
        if self.after < 0:
            raise self.trouble
        return super().exchange(out, read_count)


def test_reads_that_differ_make_no_plan(bench: Bench, clips: Clips, journals: JournalFiles) -> None:
    clips.chips["patient"].faults = replace(clips.chips["patient"].faults, noise=0.002)
    both_read(bench, clips)
    healthy(clips.chips["patient"])
    planned = plan_transfer(bench, journals, 1, "1", Role.DONOR)
    assert any("reads differ" in one for one in planned.reasons)


def test_files_of_any_programmer_serve_as_the_patients_reads(
    bench: Bench, clips: Clips, journals: JournalFiles, tmp_path: Path
) -> None:
    paths = [tmp_path / "a.bin", tmp_path / "b.bin"]
    for path in paths:
        path.write_bytes(PATIENT)
    kept = keep_files(bench, 1, "1", Role.PATIENT, paths, "c2 99 0d")
    assert [one.file.path for one in kept] == [
        "roms/bay-1/patient-1/1 a.bin",
        "roms/bay-1/patient-1/2 b.bin",
    ]
    read_chip(bench, Clip(clips, "donor", yes), 1, "1", Role.DONOR)
    assert plan_transfer(bench, journals, 1, "1", Role.DONOR).reasons == ()
    certificate = written(bench, clips, journals)
    assert clips.chips["donor"].content == PATIENT
    assert certificate.patient_read_from == "files made with another programmer (a.bin, b.bin)"
    assert certificate.backup_read_from.startswith("the chip, read by Mendbay")


def test_files_are_no_reads_of_the_chip_to_be_written_also_with_an_id(
    bench: Bench, clips: Clips, journals: JournalFiles, tmp_path: Path
) -> None:
    both_read(bench, clips)
    paths = [tmp_path / "a.bin", tmp_path / "b.bin"]
    for path in paths:
        path.write_bytes(DONOR)
    keep_files(bench, 1, "1", Role.DONOR, paths, "c2 99 0d")
    with pytest.raises(TransferRefused, match="are files"):
        plan_transfer(bench, journals, 1, "1", Role.DONOR)


@pytest.mark.parametrize("after", [1, 40, 100])
def test_a_person_who_stops_the_writing_is_told_where_the_chip_stands(
    bench: Bench, clips: Clips, journals: JournalFiles, after: int
) -> None:
    both_read(bench, clips)
    plan_transfer(bench, journals, 1, "1", Role.DONOR)
    cut = CutClips(clips, after, KeyboardInterrupt())
    with pytest.raises(TransferIncomplete, match="the donor's chip is half written") as stopped:
        carry_out(bench, Clip(cut, "donor", yes), shop_of(bench), journals, 1, "1")
    assert "patient-1/read-1.bin" in stopped.value.what
    assert "donor-1/read-1.bin" in stopped.value.what
    assert "are safe" in stopped.value.what
    assert stopped.value.next_step == (
        "mendbay rom write 1 1 --programmer donor goes on where it stopped; "
        "mendbay rom restore 1 1 --programmer donor puts the backup back."
    )
    last = bench.ledger.custody(1)[-1]
    assert (last.what, "half written" in last.item) == ("ROM written: cut off", True)
    assert written(bench, clips, journals).interruptions == 1
    assert clips.chips["donor"].content == PATIENT


def test_who_stops_before_the_first_block_is_told_that_nothing_was_written(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    both_read(bench, clips)
    plan_transfer(bench, journals, 1, "1", Role.DONOR)

    def tell(step: object) -> None:
        raise KeyboardInterrupt

    with pytest.raises(
        Interrupted, match="before anything was written by this start: the donor's chip holds its"
    ):
        written(replace(bench, tell=tell), clips, journals)
    assert clips.chips["donor"].content == DONOR


def test_who_stops_the_reading_back_is_told_that_it_is_not_proven(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    both_read(bench, clips)
    plan_transfer(bench, journals, 1, "1", Role.DONOR)
    wrote = False

    def tell(step: object) -> None:
        nonlocal wrote
        writing = getattr(step, "step", "").startswith("writing")
        if wrote and not writing:
            raise KeyboardInterrupt
        wrote = wrote or writing

    with pytest.raises(TransferIncomplete, match="written, and not proven yet"):
        written(replace(bench, tell=tell), clips, journals)
    assert clips.chips["donor"].content == PATIENT
    looked = proven(bench, clips, journals)
    assert (looked.certificate.only_read, looked.certificate.proves_chip, looked.kept) == (True, False, None)
    assert looked.next_step == "mendbay rom write 1 1 --programmer donor --patient-put-away"
    assert not bench.notes.of(NoteKind.CERTIFICATE)
    told = tell_plan(bench, shop_of(bench), journals, 1, "1")
    assert [str(one.state) for one in told.steps[4:]] == ["open", "blocked", "blocked"]
    said = proven(bench, clips, journals, put_away=True)
    assert (said.certificate.put_away, said.kept is None) == (True, False)
    assert "rests on a person's word" in custody_of(bench)[-1]


def test_the_patients_chip_never_ends_a_transfer_that_was_not_proven(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    """Power goes before the reading back, a byte of the donor's chip falls back, the wrong chip is read."""
    both_read(bench, clips)
    plan_transfer(bench, journals, 1, "1", Role.DONOR)
    lines = 0

    def tell(step: object) -> None:
        nonlocal lines
        lines += getattr(step, "step", "").startswith("writing")
        if lines and not getattr(step, "step", "").startswith("writing"):
            raise KeyboardInterrupt

    with pytest.raises(TransferIncomplete):
        written(replace(bench, tell=tell), clips, journals)
    clips.chips["donor"].memory[9] ^= 1
    assert not written(bench, clips, journals, "patient").proves_chip
    told = tell_plan(bench, shop_of(bench), journals, 1, "1")
    assert "open" in {str(one.state) for one in told.steps}
    assert not bench.notes.of(NoteKind.CERTIFICATE)
    with pytest.raises(TransferRefused, match="not finished"):
        plan_transfer(bench, journals, 1, "1", Role.DONOR)


def test_a_certificate_that_a_stop_kept_from_being_kept_is_made_by_the_next_start(
    bench: Bench, clips: Clips, journals: JournalFiles, monkeypatch: pytest.MonkeyPatch
) -> None:
    both_read(bench, clips)
    plan_transfer(bench, journals, 1, "1", Role.DONOR)

    def stop(note: Note) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(bench.notes, "add", stop)
        with pytest.raises(TransferIncomplete, match="was read back right, and its certificate not kept"):
            written(bench, clips, journals)
    done = proven(bench, clips, journals)
    assert (done.certificate.only_read, done.certificate.read_back_before) == (True, True)
    assert done.kept is not None
    assert len(bench.notes.of(NoteKind.CERTIFICATE)) == 1


def test_whatever_breaks_a_transfer_off_stands_in_custody(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    both_read(bench, clips)
    plan_transfer(bench, journals, 1, "1", Role.DONOR)
    with pytest.raises(OSError, match="gone"):
        carry_out(
            bench,
            Clip(CutClips(clips, 40, OSError("the terminal is gone")), "donor", yes),
            shop_of(bench),
            journals,
            1,
            "1",
        )
    assert custody_of(bench)[-2:] == ["ROM written: begun", "ROM written: cut off"]
    assert "the terminal is gone" in bench.ledger.custody(1)[-1].item


def test_a_look_that_writes_nothing_is_not_begun_and_a_stop_in_it_says_what_the_chip_holds(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    both_read(bench, clips)
    plan_transfer(bench, journals, 1, "1", Role.DONOR)
    cut_off(bench, clips, journals)
    written(bench, clips, journals, restore=True)
    begun = custody_of(bench).count("ROM written: begun")

    def tell(step: object) -> None:
        raise KeyboardInterrupt

    with pytest.raises(Interrupted, match="by this start: the donor's chip holds its backup"):
        written(replace(bench, tell=tell), clips, journals)
    assert custody_of(bench).count("ROM written: begun") == begun
    assert "nothing written this time" in custody_of(bench)[-1]


def test_a_half_written_chip_is_no_backup_also_after_it_was_restored_once(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    both_read(bench, clips)
    plan_transfer(bench, journals, 1, "1", Role.DONOR)
    cut_off(bench, clips, journals)
    written(bench, clips, journals, restore=True)
    cut_off(bench, clips, journals)
    read_chip(bench, Clip(clips, "donor", yes), 1, "1", Role.DONOR)
    with pytest.raises(TransferRefused, match="cut off and is not finished"):
        plan_transfer(bench, journals, 1, "1", Role.DONOR)
    assert not tell_plan(bench, shop_of(bench), journals, 1, "1").restored
    written(bench, clips, journals, restore=True)
    assert clips.chips["donor"].content == DONOR


def test_a_certificate_of_restoring_says_nothing_of_the_patients_dump(
    bench: Bench, clips: Clips, journals: JournalFiles, tmp_path: Path
) -> None:
    for name in ("a.bin", "b.bin"):
        (tmp_path / name).write_bytes(bytes(range(256)) * 16)
    keep_files(bench, 1, "1", Role.PATIENT, [tmp_path / "a.bin", tmp_path / "b.bin"])
    read_chip(bench, Clip(clips, "donor", yes), 1, "1", Role.DONOR)
    plan_transfer(bench, journals, 1, "1", Role.DONOR, padding=Padding.FILL, override_reason="a trial")
    cut_off(bench, clips, journals, 10)
    back = written(bench, clips, journals, restore=True)
    assert (back.override_reason, back.failed_rules, back.family) == ("", (), "")
    assert written(bench, clips, journals).override_reason == "a trial"


def test_what_a_half_written_chip_holds_is_kept_and_told(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    both_read(bench, clips)
    plan_transfer(bench, journals, 1, "1", Role.DONOR)
    cut_off(bench, clips, journals)
    half = clips.chips["donor"].content
    written(bench, clips, journals)
    found = list((bench.images.folder(bench.ledger.case(1)) / "roms/bay-1").glob("found-*.bin"))
    assert [one.read_bytes() for one in found] == [half]
    assert "half written chip read before it is written again" in custody_of(bench)


def test_a_transfer_whose_chip_died_is_given_up_for_another_chip(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    both_read(bench, clips)
    plan_transfer(bench, journals, 1, "1", Role.DONOR)
    with pytest.raises(TransferRefused, match="nothing to give up"):
        give_up(bench, journals, 1, "1", "the chip is dead")
    cut_off(bench, clips, journals)
    half = clips.chips["donor"].content
    with pytest.raises(UsageError, match="reason"):
        give_up(bench, journals, 1, "1", " ")
    plan = give_up(bench, journals, 1, "1", "the chip is dead")
    assert plan.backup.name in bench.ledger.custody(1)[-1].item
    told = tell_plan(bench, shop_of(bench), journals, 1, "1")
    assert any("the chip is dead" in one for one in told.reasons)
    for restore in (False, True):
        with pytest.raises(TransferRefused, match="given up"):
            written(bench, clips, journals, restore=restore)
    with pytest.raises(TransferRefused, match="given up"):
        give_up(bench, journals, 1, "1", "twice")
    assert [one.what for one in bench.ledger.custody(1)].count("ROM transfer given up") == 1
    with pytest.raises(TransferRefused, match="given up"):  # from the reads of the chip that is dead
        plan_transfer(bench, journals, 1, "1", Role.DONOR)
    read_chip(bench, Clip(clips, "donor", yes), 1, "1", Role.DONOR)
    with pytest.raises(TransferRefused, match="left on its chip"):
        plan_transfer(bench, journals, 1, "1", Role.DONOR)
    assert clips.chips["donor"].content == half
    clips.chips["donor"] = small_chip(bytes(reversed(DONOR[5:] + DONOR[:5])))
    read_chip(bench, Clip(clips, "donor", yes), 1, "1", Role.DONOR)
    assert plan_transfer(bench, journals, 1, "1", Role.DONOR).reasons == ()
    assert written(bench, clips, journals).proves_chip
    assert clips.chips["donor"].content == PATIENT


def test_a_shorter_dump_fills_only_by_word_of_a_person(
    bench: Bench, clips: Clips, journals: JournalFiles, tmp_path: Path
) -> None:
    paths = [tmp_path / "a.bin", tmp_path / "b.bin"]
    for path in paths:
        path.write_bytes(PATIENT[: SMALL_BYTES // 2])
    keep_files(bench, 1, "1", Role.PATIENT, paths)
    read_chip(bench, Clip(clips, "donor", yes), 1, "1", Role.DONOR)
    assert any("no filling" in one for one in plan_transfer(bench, journals, 1, "1", Role.DONOR).reasons)
    assert plan_transfer(bench, journals, 1, "1", Role.DONOR, padding=Padding.FILL).reasons == ()
    written(bench, clips, journals)
    assert clips.chips["donor"].content == PATIENT


def test_failed_rules_need_a_reason_that_goes_into_custody(
    bench: Bench, clips: Clips, journals: JournalFiles, tmp_path: Path
) -> None:
    shop = ShopFolder(tmp_path / "home")
    good = [tmp_path / f"good-{number}.bin" for number in range(3)]
    for number, path in enumerate(good):
        path.write_bytes(checked_dump(number))
    learn_family(bench, shop, "small", good)
    clips.chips["patient"] = small_chip(checked_dump(7))
    both_read(bench, clips)
    sound = check_rom(bench, shop, 1, "1", Role.PATIENT, "small")
    assert sound.judgement.held
    assert plan_transfer(bench, journals, 1, "1", Role.DONOR, checked=sound).reasons == ()
    damaged = bytearray(checked_dump(7))
    damaged[0x450] ^= 1
    clips.chips["patient"] = small_chip(bytes(damaged))
    read_chip(bench, Clip(clips, "patient", yes), 1, "1", Role.PATIENT)
    checked = check_rom(bench, shop, 1, "1", Role.PATIENT, "small")
    assert checked.judgement.failed
    assert plan_transfer(bench, journals, 1, "1", Role.DONOR, checked=checked).reasons
    planned = plan_transfer(
        bench, journals, 1, "1", Role.DONOR, checked=checked, override_reason="the customer has no other"
    )
    assert planned.reasons == ()
    assert planned.plan.family == "small"
    said = bench.ledger.custody(1)[-1].item
    (failed,) = planned.plan.failed_rules
    assert said == f"the customer has no other; for nothing but: {failed}"
    assert tell_plan(bench, shop_of(bench), journals, 1, "1").reasons == ()


def test_a_failure_that_is_known_later_needs_a_reason_of_its_own(
    bench: Bench, clips: Clips, journals: JournalFiles, tmp_path: Path
) -> None:
    shop = shop_of(bench)
    good = [tmp_path / f"good-{number}.bin" for number in range(3)]
    for number, path in enumerate(good):
        path.write_bytes(checked_dump(number)[:0x600].ljust(SMALL_BYTES, b"\xff"))
    learn_family(bench, shop, "small", good)
    damaged = bytearray(checked_dump(7)[:0x600].ljust(SMALL_BYTES, b"\xff"))
    damaged[0x450] ^= 1
    clips.chips["patient"] = small_chip(bytes(damaged))
    both_read(bench, clips)

    def planned(reason: str) -> Planned:
        checked = check_rom(bench, shop, 1, "1", Role.PATIENT, "small")
        return plan_transfer(bench, journals, 1, "1", Role.DONOR, checked=checked, override_reason=reason)

    first = planned("the customer has no other").plan.failed_rules
    assert first
    assert tell_plan(bench, shop_of(bench), journals, 1, "1").reasons == ()
    for number, path in enumerate(good):
        path.write_bytes(checked_dump(number))
    learn_family(bench, shop, "small", good, in_its_place=True)
    (against,) = tell_plan(bench, shop_of(bench), journals, 1, "1").reasons
    assert "its reason is not for: " in against
    assert not any(one in against for one in first), "only what is new is named"
    with pytest.raises(TransferRefused, match="its reason is not for"):
        written(bench, clips, journals)
    assert clips.chips["donor"].content == DONOR
    assert planned("").reasons
    assert planned("looked at by two of us").reasons == ()
    written(bench, clips, journals)
    assert clips.chips["donor"].content == bytes(damaged)


def test_a_dump_is_held_against_its_family_again_also_after_a_backup_was_put_back(
    bench: Bench, clips: Clips, journals: JournalFiles, tmp_path: Path
) -> None:
    shop = shop_of(bench)
    good = [tmp_path / f"good-{number}.bin" for number in range(3)]
    for number, path in enumerate(good):
        path.write_bytes(checked_dump(number)[:0x600].ljust(SMALL_BYTES, b"\xff"))
    learn_family(bench, shop, "small", good)
    damaged = bytearray(checked_dump(7))
    damaged[0x1000] ^= 1
    clips.chips["patient"] = small_chip(bytes(damaged))
    both_read(bench, clips)
    checked = check_rom(bench, shop, 1, "1", Role.PATIENT, "small")
    plan_transfer(bench, journals, 1, "1", Role.DONOR, checked=checked, override_reason="no other")
    cut_off(bench, clips, journals)
    written(bench, clips, journals, restore=True)
    for number, path in enumerate(good):
        path.write_bytes(checked_dump(number))
    learn_family(bench, shop, "small", good, in_its_place=True)
    with pytest.raises(TransferRefused, match="is not what the plan names"):
        written(bench, clips, journals)
    assert clips.chips["donor"].content == DONOR


def test_a_reason_for_nothing_is_no_reason_for_what_fails_later(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    both_read(bench, clips)
    planned = plan_transfer(bench, journals, 1, "1", Role.DONOR, override_reason="to be sure")
    assert planned.plan.override_reason == ""


def test_a_dump_changed_behind_our_back_is_never_written(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    both_read(bench, clips)
    plan_transfer(bench, journals, 1, "1", Role.DONOR)
    path = bench.images.folder(bench.ledger.case(1)) / "roms/bay-1/patient-1/read-2.bin"
    path.chmod(0o644)
    path.write_bytes(b"\x55" + PATIENT[1:])
    with pytest.raises(SourceChanged):
        written(bench, clips, journals)
    assert clips.chips["donor"].content == DONOR


def test_what_is_missing_is_named(bench: Bench, clips: Clips, journals: JournalFiles) -> None:
    with pytest.raises(TransferRefused, match="No transfer is planned"):
        written(bench, clips, journals)
    with pytest.raises(TransferRefused, match="patient's chip of bay 1 was never read"):
        plan_transfer(bench, journals, 1, "1", Role.DONOR)
    read_chip(bench, Clip(clips, "patient", yes), 1, "1", Role.PATIENT)
    with pytest.raises(TransferRefused, match="donor's chip of bay 1 was never read"):
        plan_transfer(bench, journals, 1, "1", Role.DONOR)
    with pytest.raises(TransferRefused, match="only copy"):
        plan_transfer(bench, journals, 1, "1", Role.PATIENT)


def test_a_supply_that_nobody_confirms_reads_nothing(bench: Bench, clips: Clips) -> None:
    with pytest.raises(ProgrammerError):
        read_chip(bench, Clip(clips, "patient", lambda question: False), 1, "1", Role.PATIENT)
    assert rom_reads(bench, 1, "1") == ()


@pytest.mark.parametrize("names", [[], ["a.bin", "a.bin"], ["empty.bin"], ["missing.bin"]])
def test_files_that_prove_nothing_are_refused(bench: Bench, tmp_path: Path, names: list[str]) -> None:
    (tmp_path / "a.bin").write_bytes(PATIENT)
    (tmp_path / "empty.bin").write_bytes(b"")
    with pytest.raises(UsageError):
        keep_files(bench, 1, "1", Role.PATIENT, [tmp_path / one for one in names])
    with pytest.raises(UsageError):
        keep_files(bench, 1, "1", Role.PATIENT, [tmp_path / "a.bin"], "not an id")
    assert rom_reads(bench, 1, "1") == ()


def test_reading_a_chip_again_after_a_cut_does_not_lose_the_job(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    both_read(bench, clips)
    plan_transfer(bench, journals, 1, "1", Role.DONOR)
    with pytest.raises(TransferIncomplete):
        carry_out(bench, Clip(CutClips(clips, after=40), "donor", yes), shop_of(bench), journals, 1, "1")
    read_chip(bench, Clip(clips, "donor", yes), 1, "1", Role.DONOR)
    with pytest.raises(TransferRefused, match="not finished"):
        plan_transfer(bench, journals, 1, "1", Role.DONOR)
    written(bench, clips, journals)
    assert clips.chips["donor"].content == PATIENT


def test_a_cut_off_transfer_is_taken_back(bench: Bench, clips: Clips, journals: JournalFiles) -> None:
    both_read(bench, clips)
    plan_transfer(bench, journals, 1, "1", Role.DONOR)
    with pytest.raises(TransferIncomplete):
        carry_out(bench, Clip(CutClips(clips, after=40), "donor", yes), shop_of(bench), journals, 1, "1")
    written(bench, clips, journals, restore=True)
    assert clips.chips["donor"].content == DONOR
    assert tell_plan(bench, shop_of(bench), journals, 1, "1").restored
    assert plan_transfer(bench, journals, 1, "1", Role.DONOR).reasons == (), "and may be tried anew"


def test_a_second_blank_chip_is_a_job_of_its_own(bench: Bench, clips: Clips, journals: JournalFiles) -> None:
    for number in (1, 2):
        clips.chips["donor"] = small_chip(b"\xff" * SMALL_BYTES)
        if number == 1:
            read_chip(bench, Clip(clips, "patient", yes), 1, "1", Role.PATIENT)
        read_chip(bench, Clip(clips, "donor", yes), 1, "1", Role.NEW)
        assert plan_transfer(bench, journals, 1, "1", Role.NEW).reasons == ()
        certificate = written(bench, clips, journals)
        assert certificate.interruptions == 0
        assert clips.chips["donor"].content == PATIENT


@pytest.mark.parametrize("at", [100, 101])
@pytest.mark.parametrize("swapped", [False, True])
def test_chips_read_under_each_others_name_are_noticed_by_the_serial(
    bench: Bench, clips: Clips, journals: JournalFiles, tmp_path: Path, at: int, swapped: bool
) -> None:
    serial = b"AH4K-20719C"
    content = bytearray(PATIENT)
    content[at : at + len(serial)] = serial
    if swapped:
        content[::2], content[1::2] = content[1::2], content[::2]
    clips.chips["patient"] = small_chip(bytes(content))
    correct_identifier(bench, ShopFolder(tmp_path / "home"), 1, "1", Kind.SERIAL, serial.decode())
    read_chip(bench, Clip(clips, "donor", yes), 1, "1", Role.PATIENT)
    read_chip(bench, Clip(clips, "patient", yes), 1, "1", Role.DONOR)
    assert any("mixed up" in one for one in plan_transfer(bench, journals, 1, "1", Role.DONOR).reasons)
    before = clips.chips["patient"].content
    with pytest.raises(TransferRefused, match="mixed up"):
        written(bench, clips, journals, "patient")
    assert clips.chips["patient"].content == before


def test_what_is_no_rom_needs_a_reason(
    bench: Bench, clips: Clips, journals: JournalFiles, tmp_path: Path
) -> None:
    for name in ("a.bin", "b.bin"):
        (tmp_path / name).write_bytes(bytes(4096))
    keep_files(bench, 1, "1", Role.PATIENT, [tmp_path / "a.bin", tmp_path / "b.bin"])
    read_chip(bench, Clip(clips, "donor", yes), 1, "1", Role.DONOR)
    planned = plan_transfer(bench, journals, 1, "1", Role.DONOR, padding=Padding.FILL)
    assert any("speaks against the transfer" in one for one in planned.reasons)


def test_a_plan_that_rests_on_a_withdrawn_sitting_is_refused(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    both_read(bench, clips)
    plan_transfer(bench, journals, 1, "1", Role.DONOR)
    withdraw_sitting(bench, journals, 1, "1", Role.PATIENT, 1, "of another drive")
    with pytest.raises(TransferRefused):
        tell_plan(bench, shop_of(bench), journals, 1, "1")
    with pytest.raises(TransferRefused, match="never read"):
        plan_transfer(bench, journals, 1, "1", Role.DONOR)


def test_no_sitting_is_withdrawn_that_a_half_written_chip_needs(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    both_read(bench, clips)
    plan_transfer(bench, journals, 1, "1", Role.DONOR)
    with pytest.raises(TransferIncomplete):
        carry_out(bench, Clip(CutClips(clips, 30), "donor", yes), shop_of(bench), journals, 1, "1")
    for role in (Role.PATIENT, Role.DONOR):
        with pytest.raises(UsageError, match="not finished"):
            withdraw_sitting(bench, journals, 1, "1", role, 1, "a slip")


def test_no_sitting_is_withdrawn_that_a_chip_needs_which_was_restored_once_or_given_up(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    both_read(bench, clips)
    plan_transfer(bench, journals, 1, "1", Role.DONOR)
    cut_off(bench, clips, journals)
    written(bench, clips, journals, restore=True)
    cut_off(bench, clips, journals)
    with pytest.raises(UsageError, match="not finished"):
        withdraw_sitting(bench, journals, 1, "1", Role.DONOR, 1, "a slip")
    give_up(bench, journals, 1, "1", "the chip is dead")
    with pytest.raises(UsageError, match="nothing else says"):
        withdraw_sitting(bench, journals, 1, "1", Role.DONOR, 1, "a slip")


def test_a_read_is_kept_before_the_next_begins(bench: Bench, clips: Clips) -> None:
    chip = clips.chips["patient"]
    with pytest.raises(ProgrammerError):
        read_chip(bench, Clip(FadingClips(clips, reads=2), "patient", yes), 1, "1", Role.PATIENT, times=3)
    kept = rom_reads(bench, 1, "1")
    assert len(kept) == 2
    assert {one.sitting for one in kept} == {1}
    assert chip.content == PATIENT


class FadingClips(CutClips):
    """A chip that no longer answers after some whole reads."""

    def __init__(self, clips: Clips, reads: int) -> None:
        super().__init__(clips, 0)
        self.reads = reads

    @contextmanager
    def open(self, name: str) -> Iterator[FlashBus]:
        yield FadingBus(self.clips.chips[name], self.reads * SMALL_BYTES)


class FadingBus(SimulatedBus):
    def __init__(self, chip: SimulatedChip, most: int) -> None:
        super().__init__(chip)
        self.left = most

    def exchange(self, out: bytes, read_count: int) -> bytes:
        if read_count >= 1024:
            if self.left <= 0:
                raise ProgrammerError("The chip is gone.", "Press the clip on.")
            self.left -= read_count
        return super().exchange(out, read_count)


def test_a_note_that_is_none_is_told(bench: Bench) -> None:
    bench.notes.add(Note(1, "1", NoteKind.DUMP, "x", bench.now(), "Ada", "{}"))
    with pytest.raises(LedgerError, match="cannot be used"):
        rom_reads(bench, 1, "1")


def written_by_a_word_alone(
    bench: Bench, clips: Clips, journals: JournalFiles, remarks: tuple[str, ...], said: str
) -> None:
    """The transfer is refused, nothing written, until a person gives the word that it then rests on."""
    words = (bench, Clip(clips, "donor", yes), shop_of(bench), journals, 1, "1")
    with pytest.raises(TransferRefused, match=said) as why:
        transfer_rom.carry_out(*words)
    assert "--roles-checked" in why.value.next_step
    assert clips.chips["donor"].content == DONOR
    certificate = transfer_rom.carry_out(*words, roles_checked=True).certificate
    assert (certificate.roles_on_word, certificate.remarks) == (True, remarks)


def test_without_a_serial_number_writing_rests_on_a_persons_word(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    both_read(bench, clips)
    planned = plan_transfer(bench, journals, 1, "1", Role.DONOR)
    assert (planned.reasons, planned.needs_word) == ((), True)
    assert "no serial number of the drive is known" in planned.remarks[0]
    assert "board pictures 1 1" in planned.remark_step
    written_by_a_word_alone(bench, clips, journals, planned.remarks, "no serial number of the drive is known")
    begun = next(one for one in bench.ledger.custody(1) if one.what == "ROM written: begun")
    assert begun.item.endswith("whose chip is whose rests on a person's word")
    assert custody_of(bench)[-1].endswith("whose chip is whose rests on a person's word")
    told = tell_plan(bench, shop_of(bench), journals, 1, "1")
    assert (told.needs_word, told.remarks) == (False, planned.remarks)


def test_a_serial_number_in_the_patients_dump_alone_needs_no_word(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    serial = b"AH4K-20719C"
    clips.chips["patient"] = small_chip(serial + PATIENT[len(serial) :])
    both_read(bench, clips)
    correct_identifier(bench, shop_of(bench), 1, "1", Kind.SERIAL, serial.decode())
    planned = plan_transfer(bench, journals, 1, "1", Role.DONOR)
    assert (planned.reasons, planned.remarks, planned.needs_word) == ((), (), False)
    words = (bench, Clip(clips, "donor", yes), shop_of(bench), journals, 1, "1")
    certificate = transfer_rom.carry_out(*words).certificate
    assert (certificate.roles_on_word, certificate.remarks) == (False, ())


def test_a_serial_number_in_both_dumps_tells_nothing(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    serial = b"AH4K-20719C"
    for name, content in (("patient", PATIENT), ("donor", DONOR)):
        clips.chips[name] = small_chip(serial + content[len(serial) :])
    both_read(bench, clips)
    correct_identifier(bench, shop_of(bench), 1, "1", Kind.SERIAL, serial.decode())
    planned = plan_transfer(bench, journals, 1, "1", Role.DONOR)
    assert planned.needs_word
    assert "stands in both dumps" in planned.remarks[0]


def test_a_serial_number_in_neither_dump_refuses_no_plan_and_asks_for_a_word(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    both_read(bench, clips)
    correct_identifier(bench, shop_of(bench), 1, "1", Kind.SERIAL, "AH4K-20719C")
    planned = plan_transfer(bench, journals, 1, "1", Role.DONOR)
    assert (planned.reasons, planned.needs_word) == ((), True)
    assert "serial number AH4K-20719C stands in neither" in planned.remarks[0]
    assert "Not every family keeps it there" in planned.remarks[0]
    assert "if it was mistyped" in planned.remark_step
    written_by_a_word_alone(bench, clips, journals, planned.remarks, "stands in neither")


def test_a_mistyped_serial_number_of_mixed_up_chips_asks_for_a_word(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    serial = b"AH4K-20719C"
    clips.chips["patient"] = small_chip(serial + PATIENT[len(serial) :])
    correct_identifier(bench, shop_of(bench), 1, "1", Kind.SERIAL, "AH4K-20917C")
    read_chip(bench, Clip(clips, "donor", yes), 1, "1", Role.PATIENT)
    read_chip(bench, Clip(clips, "patient", yes), 1, "1", Role.DONOR)
    assert plan_transfer(bench, journals, 1, "1", Role.DONOR).needs_word
    before = clips.chips["patient"].content
    with pytest.raises(TransferRefused, match="stands in neither"):
        transfer_rom.carry_out(bench, Clip(clips, "patient", yes), shop_of(bench), journals, 1, "1")
    assert clips.chips["patient"].content == before


@pytest.mark.parametrize(("typed", "held"), [("ah4k-20719c", b"AH4K20719C"), ("AH4K-20719C", b"ah4k-20719c")])
def test_capitals_of_a_serial_number_do_not_matter(
    bench: Bench, clips: Clips, journals: JournalFiles, typed: str, held: bytes
) -> None:
    clips.chips["patient"] = small_chip(held + PATIENT[len(held) :])
    bench.ledger.amend_bay(replace(bench.ledger.bay(1, "1"), serial=typed))
    both_read(bench, clips)
    planned = plan_transfer(bench, journals, 1, "1", Role.DONOR)
    assert (planned.remarks, planned.needs_word) == ((), False)
    for name, role in (("donor", Role.PATIENT), ("patient", Role.DONOR)):
        read_chip(bench, Clip(clips, name, yes), 1, "1", role)
    assert any("mixed up" in one for one in plan_transfer(bench, journals, 1, "1", Role.DONOR).reasons)


def test_a_serial_number_of_dividers_tells_nothing(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    both_read(bench, clips)
    bench.ledger.amend_bay(replace(bench.ledger.bay(1, "1"), serial="- - - - -"))
    assert "stands in neither" in plan_transfer(bench, journals, 1, "1", Role.DONOR).remarks[0]


def test_what_was_a_patients_dump_elsewhere_is_overwritten_for_a_reason_only(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    read_chip(bench, Clip(clips, "patient", yes), 1, "2", Role.PATIENT)
    read_chip(bench, Clip(clips, "donor", yes), 1, "1", Role.PATIENT)
    read_chip(bench, Clip(clips, "patient", yes), 1, "1", Role.DONOR)
    (reason,) = plan_transfer(bench, journals, 1, "1", Role.DONOR).reasons
    assert "the patient's own dump of case 1, bay 2 (sitting 1)" in reason
    with pytest.raises(TransferRefused, match="case 1, bay 2"):
        written(bench, clips, journals, "patient")
    assert clips.chips["patient"].content == PATIENT
    planned = plan_transfer(bench, journals, 1, "1", Role.DONOR, override_reason="bay 2 is given back")
    assert planned.reasons == ()
    assert "case 1, bay 2" in bench.ledger.custody(1)[-1].item
    assert "case 1, bay 2" in written(bench, clips, journals, "patient").failed_rules[0]


def test_a_patients_dump_that_was_withdrawn_or_is_blank_holds_nothing_up(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    read_chip(bench, Clip(clips, "donor", yes), 1, "1", Role.PATIENT)
    both_read(bench, clips)
    assert "sitting 1" in plan_transfer(bench, journals, 1, "1", Role.DONOR).reasons[0]
    withdraw_sitting(bench, journals, 1, "1", Role.PATIENT, 1, "of the donor's board")
    assert plan_transfer(bench, journals, 1, "1", Role.DONOR).reasons == ()
    clips.chips["donor"] = small_chip(b"\xff" * SMALL_BYTES)
    read_chip(bench, Clip(clips, "donor", yes), 1, "2", Role.PATIENT)
    read_chip(bench, Clip(clips, "donor", yes), 1, "1", Role.DONOR)
    assert plan_transfer(bench, journals, 1, "1", Role.DONOR).reasons == ()


def test_a_shorter_dump_of_a_patient_is_known_on_a_larger_chip(
    bench: Bench, clips: Clips, journals: JournalFiles, tmp_path: Path
) -> None:
    paths = [tmp_path / "a.bin", tmp_path / "b.bin"]
    for path in paths:
        path.write_bytes(PATIENT[: SMALL_BYTES // 2])
    keep_files(bench, 1, "2", Role.PATIENT, paths)
    read_chip(bench, Clip(clips, "donor", yes), 1, "1", Role.PATIENT)
    read_chip(bench, Clip(clips, "patient", yes), 1, "1", Role.DONOR)
    assert "bay 2 (sitting 1)" in plan_transfer(bench, journals, 1, "1", Role.DONOR).reasons[0]


def test_after_a_mix_up_the_way_back_is_told_and_works(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    read_chip(bench, Clip(clips, "donor", yes), 1, "1", Role.PATIENT)
    read_chip(bench, Clip(clips, "patient", yes), 1, "1", Role.DONOR)
    plan_transfer(bench, journals, 1, "1", Role.DONOR)
    written(bench, clips, journals, "patient")
    with pytest.raises(TransferRefused, match="may be the patient's own") as why:
        written(bench, clips, journals, "patient", restore=True)
    folder = bench.images.folder(bench.ledger.case(1)) / "roms/bay-1/donor-1"
    for step in (
        "mendbay rom withdraw 1 1 patient 1 REASON",
        "mendbay rom withdraw 1 1 donor 1 REASON",
        f"mendbay rom keep 1 1 patient FILES, which lie in {folder}.",
        "mendbay rom read 1 1 donor",
    ):
        assert step in why.value.next_step
    for role in (Role.PATIENT, Role.DONOR):
        withdraw_sitting(bench, journals, 1, "1", role, 1, "read under each other's name")
    (old,) = certificates_kept(bench, 1)
    assert (old.bay, old.withdrawn) == ("1", "read under each other's name")
    keep_files(bench, 1, "1", Role.PATIENT, sorted(folder.iterdir()))
    read_chip(bench, Clip(clips, "patient", yes), 1, "1", Role.DONOR)
    assert plan_transfer(bench, journals, 1, "1", Role.DONOR).reasons == ()
    certificate = written(bench, clips, journals, "patient")
    assert clips.chips["patient"].content == PATIENT
    assert certificate.patient_read_from == (
        "files with what Mendbay read before (read-1.bin, read-2.bin, read-3.bin): case 1, bay 1, the "
        "donor's, sitting 1"
    )
    assert [bool(one.withdrawn) for one in certificates_kept(bench, 1, "1")] == [True, False]


def test_a_transfer_after_its_backup_was_put_back_counts_anew_and_tells_of_it(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    both_read(bench, clips)
    plan_transfer(bench, journals, 1, "1", Role.DONOR)
    cut_off(bench, clips, journals)
    back = written(bench, clips, journals, restore=True)
    assert (back.interruptions, back.restored_before) == (1, 0)
    told = tell_plan(bench, shop_of(bench), journals, 1, "1")
    assert told.restored
    assert not [why for step in told.steps for why in step.why if "cut off" in why]
    anew = written(bench, clips, journals)
    assert (anew.interruptions, anew.earlier_blocks, anew.restored_before) == (1, 0, 1)
    assert clips.chips["donor"].content == PATIENT


def test_putting_the_backup_back_needs_no_word_and_saves_a_patients_chip_after_a_mix_up(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    serial = b"AH4K-20719C"
    clips.chips["patient"] = small_chip(serial + PATIENT[len(serial) :])
    only_copy = clips.chips["patient"].content
    read_chip(bench, Clip(clips, "donor", yes), 1, "1", Role.PATIENT)
    read_chip(bench, Clip(clips, "patient", yes), 1, "1", Role.DONOR)
    plan_transfer(bench, journals, 1, "1", Role.DONOR)
    with pytest.raises(TransferIncomplete):
        carry_out(bench, Clip(CutClips(clips, 40), "patient", yes), shop_of(bench), journals, 1, "1")
    assert clips.chips["patient"].content != only_copy
    correct_identifier(bench, shop_of(bench), 1, "1", Kind.SERIAL, serial.decode())
    words = (shop_of(bench), journals, 1, "1")
    with pytest.raises(TransferRefused, match="mixed up"):
        transfer_rom.carry_out(bench, Clip(clips, "patient", yes), *words, roles_checked=True)
    with pytest.raises(TransferRefused):
        transfer_rom.carry_out(bench, Clip(clips, "donor", yes), *words, restore=True)
    back = transfer_rom.carry_out(bench, Clip(clips, "patient", yes), *words, restore=True).certificate
    assert (back.roles_on_word, clips.chips["patient"].content) == (False, only_copy)
    assert clips.chips["donor"].content == DONOR


class LateJournals(JournalFiles):
    """A journal to which another start adds that a block was begun, just before this one locks it."""

    @contextmanager
    def open(self, case: Case, job: str) -> Iterator[TransferJournal]:
        with super().open(case, job) as journal:
            journal.append(journal_line(job, Purpose.TRANSFER, BEGUN, "2026-03-01T10:00:00Z", 0, 4096))
        with super().open(case, job) as journal:
            yield journal


def test_whether_a_transfer_is_certified_is_looked_at_once_the_journal_is_locked(
    bench: Bench, clips: Clips, journals: JournalFiles, tmp_path: Path
) -> None:
    both_read(bench, clips)
    plan_transfer(bench, journals, 1, "1", Role.DONOR)
    written(bench, clips, journals)
    late = LateJournals(tmp_path / "home/cases")
    with pytest.raises(TransferRefused, match="no serial number of the drive is known"):
        transfer_rom.carry_out(bench, Clip(clips, "donor", yes), shop_of(bench), late, 1, "1")


def test_a_plan_says_which_of_its_steps_can_be_taken(
    bench: Bench, clips: Clips, journals: JournalFiles
) -> None:
    def may() -> tuple[bool, bool]:
        told = tell_plan(bench, shop_of(bench), journals, 1, "1")
        for allowed, require in ((told.may_write, told.require_write), (told.may_undo, told.require_undo)):
            if allowed:
                require()
            else:
                with pytest.raises(TransferRefused):
                    require()
        return told.may_write, told.may_undo

    both_read(bench, clips)
    plan_transfer(bench, journals, 1, "1", Role.DONOR)
    assert may() == (True, False)
    cut_off(bench, clips, journals)
    assert may() == (True, True)
    written(bench, clips, journals, restore=True)
    assert may() == (True, False), "it may be tried again"
    cut_off(bench, clips, journals)
    give_up(bench, journals, 1, "1", "the chip is dead")
    assert may() == (False, False)


def test_a_finished_plan_is_written_no_more(bench: Bench, clips: Clips, journals: JournalFiles) -> None:
    both_read(bench, clips)
    plan_transfer(bench, journals, 1, "1", Role.DONOR)
    written(bench, clips, journals)
    told = tell_plan(bench, shop_of(bench), journals, 1, "1")
    assert (told.may_write, told.may_undo) == (False, False)
    with pytest.raises(TransferRefused, match="is carried out"):
        told.require_write()


def test_a_case_in_which_a_simulated_chip_was_read_is_practice(bench: Bench, clips: Clips) -> None:
    read_chip(bench, Clip(clips, "patient", yes), 1, "1", Role.PATIENT)
    assert not practice_cases(bench)
    clips.are_simulated = True
    read_chip(bench, Clip(clips, "patient", yes), 1, "1", Role.PATIENT)
    assert practice_cases(bench) == {1}
    assert BenchProgrammers().is_simulated("simulated:chip.toml")
    assert not BenchProgrammers().is_simulated("usb:1")
