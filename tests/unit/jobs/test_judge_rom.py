"""The newest reads of a chip are judged as they lie in the case, and a repaired dump stands beside them."""

from __future__ import annotations

from pathlib import Path
from typing import cast

import numpy as np
import pytest

from mendbay.board.rom_fault_kinds import FaultKind
from mendbay.board.rom_reads import Verdict
from mendbay.board.transfer_plan import Role
from mendbay.core.errors import DumpUnproven, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.board_ports import Journals
from mendbay.jobs.gather_signs import gathered_signs
from mendbay.jobs.judge_rom import judge_rom
from mendbay.jobs.rom_reads import doubts_of_sizes, keep_files, rom_reads, withdraw_sitting
from mendbay.outlets.scenario.board_rom import rom_content
from mendbay.triage.belief import Asked

TRUTH = rom_content("AH4K-00001A", 3)


def noisy(seed: int, flips: int) -> bytes:
    bits = np.unpackbits(np.frombuffer(TRUTH, np.uint8))
    bits[np.random.default_rng(seed).integers(0, bits.size, flips)] ^= 1
    return np.packbits(bits).tobytes()


def keep(bench: Bench, tmp_path: Path, *reads: bytes, chip_id: str = "ef 40 12") -> None:
    paths = [tmp_path / f"read-{number}.bin" for number, _ in enumerate(reads)]
    for path, data in zip(paths, reads, strict=True):
        path.write_bytes(data)
    keep_files(bench, 1, "1", Role.PATIENT, paths, chip_id)


def test_reads_that_agree_are_said_to(bench: Bench, tmp_path: Path) -> None:
    keep(bench, tmp_path, TRUTH, TRUTH, TRUTH)
    judged = judge_rom(bench, 1, "1", Role.PATIENT)
    assert judged.judgement.verdict is Verdict.AGREE
    assert judged.judgement.data == TRUTH
    assert judged.voted is None
    assert judged.map is not None
    assert "judged: agree" in bench.ledger.events(1)[-1].text


def test_reads_of_one_chip_under_two_names_are_told_before_any_plan(bench: Bench, tmp_path: Path) -> None:
    keep(bench, tmp_path, TRUTH, TRUTH)
    assert judge_rom(bench, 1, "1", Role.PATIENT).judgement.settled
    again = [tmp_path / "again-1.bin", tmp_path / "again-2.bin"]
    for path in again:
        path.write_bytes(TRUTH)
    keep_files(bench, 1, "1", Role.DONOR, again)
    for role, other in ((Role.PATIENT, "donor's"), (Role.DONOR, "patient's")):
        judged = judge_rom(bench, 1, "1", role).judgement
        assert (judged.verdict, judged.settled) == (Verdict.DOUBTFUL, False)
        assert f"the very same as those of the {other} chip" in judged.reasons[0]
        assert "take back the sitting" in judged.next_step
    take_back(bench, 1)
    assert judge_rom(bench, 1, "1", Role.DONOR).judgement.verdict is Verdict.AGREE
    keep_files(bench, 1, "1", Role.PATIENT, again)
    bench.notes.add(Note(1, "1", NoteKind.CERTIFICATE, "a", bench.now(), "Ada", "{}"))
    assert judge_rom(bench, 1, "1", Role.DONOR).judgement.verdict is Verdict.AGREE, "moved, it is the same"


def test_reads_held_against_their_family_are_a_sign_for_triage(bench: Bench, tmp_path: Path) -> None:
    asked = Asked("rom-read", "1")
    keep(bench, tmp_path, TRUTH, TRUTH, TRUTH)
    judge_rom(bench, 1, "1", Role.PATIENT)
    assert asked not in gathered_signs(bench, 1), "agreeing alone says nothing of whose ROM it is"
    judge_rom(bench, 1, "1", Role.PATIENT, fails=lambda dump: ())
    assert gathered_signs(bench, 1)[asked].answer == "sound"
    judge_rom(bench, 1, "1", Role.PATIENT, fails=lambda dump: ("fails: a sum",))
    assert gathered_signs(bench, 1)[asked].answer == "amiss"
    keep(bench, tmp_path, TRUTH[:-1] + b"x", TRUTH[:-1] + b"x")
    assert asked not in gathered_signs(bench, 1), "the newest reads are not judged yet"


def test_a_few_wrong_bits_are_voted_away_and_the_vote_is_kept_but_is_no_read(
    bench: Bench, tmp_path: Path
) -> None:
    keep(bench, tmp_path, *(noisy(seed, 8) for seed in range(1, 6)))
    judged = judge_rom(bench, 1, "1", Role.PATIENT)
    assert judged.judgement.verdict is Verdict.REPAIRED
    assert judged.voted is not None
    assert bench.files.take(bench.ledger.case(1), judged.voted) == TRUTH
    assert len(rom_reads(bench, 1, "1")) == 5
    again = judge_rom(bench, 1, "1", Role.PATIENT)
    assert again.voted == judged.voted, "the same vote is kept once"


def test_a_dump_of_another_length_than_its_chip_is_not_sound(bench: Bench, tmp_path: Path) -> None:
    keep(bench, tmp_path, TRUTH[: len(TRUTH) // 2], TRUTH[: len(TRUTH) // 2])
    judged = judge_rom(bench, 1, "1", Role.PATIENT)
    assert judged.judgement.verdict in (Verdict.DOUBTFUL, Verdict.UNUSABLE)
    assert FaultKind.TRUNCATED in {one.kind for one in judged.judgement.faults}


def test_only_the_newest_sitting_counts(bench: Bench, tmp_path: Path) -> None:
    keep(bench, tmp_path, *(noisy(seed, 20_000) for seed in (1, 2, 3)))
    assert judge_rom(bench, 1, "1", Role.PATIENT).judgement.verdict is not Verdict.AGREE
    keep(bench, tmp_path, TRUTH, TRUTH)
    judged = judge_rom(bench, 1, "1", Role.PATIENT)
    assert judged.judgement.verdict is Verdict.AGREE
    assert len(judged.reads) == 2


def test_a_reference_is_used(bench: Bench, tmp_path: Path) -> None:
    shifted = TRUTH[3:] + b"\xff\xff\xff"
    keep(bench, tmp_path, shifted, shifted)
    (tmp_path / "sound.bin").write_bytes(rom_content("AH4K-00002B", 4))
    judged = judge_rom(bench, 1, "1", Role.PATIENT, tmp_path / "sound.bin")
    assert judged.judgement.primary is not None
    assert judged.judgement.primary.kind is FaultKind.SHIFTED
    assert judged.judgement.verdict is Verdict.UNUSABLE


def test_a_question_leaves_the_reads_unsettled(bench: Bench, tmp_path: Path) -> None:
    late = np.packbits(np.roll(np.unpackbits(np.frombuffer(TRUTH, np.uint8)), 1)).tobytes()
    keep(bench, tmp_path, late, late, late)
    found = judge_rom(bench, 1, "1", Role.PATIENT).judgement
    assert found.questions
    assert not found.settled


def test_a_dump_that_fails_a_rule_of_its_family_is_doubtful(bench: Bench, tmp_path: Path) -> None:
    keep(bench, tmp_path, TRUTH, TRUTH, TRUTH)
    judged = judge_rom(bench, 1, "1", Role.PATIENT, fails=lambda dump: ("fails: a sum",))
    assert judged.judgement.verdict is Verdict.DOUBTFUL
    assert "fails: a sum" in judged.judgement.reasons[0]
    assert "doubtful" in bench.ledger.events(1)[-1].text
    sound = judge_rom(bench, 1, "1", Role.PATIENT, fails=lambda dump: ())
    assert sound.judgement.settled


class Lines:
    """Journals of transfers: the same lines for every job."""

    def __init__(self, *lines: str) -> None:
        self._lines = lines

    def lines(self, case: object, job: str) -> tuple[str, ...]:
        return self._lines


def take_back(bench: Bench, sitting: int, reason: str = "of another chip", *lines: str) -> int:
    journals = cast(Journals, Lines(*lines))
    return len(withdraw_sitting(bench, journals, 1, "1", Role.PATIENT, sitting, reason))


def test_a_withdrawn_sitting_counts_no_longer_and_stays_on_record(bench: Bench, tmp_path: Path) -> None:
    keep(bench, tmp_path, TRUTH, TRUTH, TRUTH)
    keep(bench, tmp_path, noisy(1, 9), noisy(2, 9))
    with pytest.raises(UsageError, match="reason"):
        take_back(bench, 2, " ")
    with pytest.raises(UsageError, match="no sitting 3"):
        take_back(bench, 3)
    assert take_back(bench, 2) == 2
    assert len(judge_rom(bench, 1, "1", Role.PATIENT).reads) == 3, "the one before counts again"
    every = rom_reads(bench, 1, "1", also_withdrawn=True)
    assert [one.withdrawn for one in every[3:]] == ["of another chip"] * 2
    assert "of another chip" in bench.ledger.custody(1)[-1].item
    keep(bench, tmp_path, TRUTH, TRUTH)
    assert rom_reads(bench, 1, "1")[-1].sitting == 3, "no number is used twice"


def test_what_is_certainly_no_dump_is_refused_and_an_odd_size_is_told(bench: Bench, tmp_path: Path) -> None:
    text = b"Board number,Shelf\n" * 200
    for data, words in ((TRUTH[:885], "885"), (text, "plain text")):
        with pytest.raises(UsageError, match=words):
            keep(bench, tmp_path, data)
    assert rom_reads(bench, 1, "1") == ()
    keep(bench, tmp_path, TRUTH + b"\x01", chip_id="")
    assert "power of two" in doubts_of_sizes(rom_reads(bench, 1, "1"))[0]
    keep(bench, tmp_path, TRUTH)
    assert doubts_of_sizes(rom_reads(bench, 1, "1")[-1:]) == ()


def test_a_chip_never_read_is_told(bench: Bench) -> None:
    with pytest.raises(DumpUnproven, match="never read"):
        judge_rom(bench, 1, "1", Role.DONOR)
