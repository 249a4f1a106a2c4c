"""What a drive says of itself: what is asked, what it amounts to, and what the case keeps of it."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest

from mendbay.case.records import Bay
from mendbay.core.errors import HeldBack, NoSuchCase, UsageError
from mendbay.core.note import NoteKind
from mendbay.core.source import Identity
from mendbay.imaging.ata_answer import Answer, How, Passed, answer_of
from mendbay.imaging.ata_command import Question
from mendbay.imaging.capacity_check import Verdict
from mendbay.imaging.drive_findings import Weight
from mendbay.imaging.sense import ResultRegisters
from mendbay.imaging.smart import Records
from mendbay.jobs.ask_drive import InCase, ask_drive, label_gb
from mendbay.jobs.bench import Bench
from mendbay.jobs.drive_records import recorded
from mendbay.jobs.gather_signs import gathered_signs
from mendbay.jobs.power_permit import Although
from mendbay.jobs.triage_case import note_answer
from mendbay.triage.belief import Asked
from support.ata_pages import identity_page, sct_page, smart_page, threshold_page
from support.kept_pages import TWO_TB, drive_pages

BAY = InCase(1, "1")


@dataclass
class Line:
    """A drive that answers what it is told to, and notes what it was asked."""

    pages: dict[Question, bytes] = field(default_factory=dict)
    registers: dict[Question, ResultRegisters] = field(default_factory=dict)
    hangs: set[Question] = field(default_factory=set)
    asked: list[Question] = field(default_factory=list)
    is_present: bool = True
    closed: bool = False

    def ask(self, question: Question) -> Answer:
        self.asked.append(question)
        if question in self.hangs:
            return answer_of(question, Passed(host=3))
        if question in self.registers:
            return Answer(question, How.GIVEN, registers=self.registers[question])
        if question in self.pages:
            return answer_of(question, Passed(data=self.pages[question]))
        return Answer(question, How.REFUSED, words="trouble: not known to the drive")

    def close(self) -> None:
        self.closed = True


@dataclass
class OneDrive:
    """Drives of which there is one, seen by the host with this size."""

    one: Line
    size_bytes: int = TWO_TB * 512

    def line(self, where: str) -> Line:
        return self.one

    def look(self, where: str) -> Identity:
        return Identity("drive", where, self.size_bytes, 512)


def ended(lba: int, extended: bool = False) -> ResultRegisters:
    return ResultRegisters(0, 0x50, 0x40, 0, lba, extended)


def at(bench: Bench, line: Line, **changes: Any) -> Bench:
    return replace(bench, drives=OneDrive(line, **changes))  # type: ignore[arg-type]


def healthy(**words: int) -> Line:
    page = identity_page(sectors=TWO_TB, words={206: 1} | {int(k[1:]): v for k, v in words.items()})
    return Line(
        {
            Question.IDENTIFY: page,
            Question.HEALTH: smart_page({5: 0, 197: 0, 199: 3}),
            Question.THRESHOLDS: threshold_page({5: 20}),
            Question.SCT_STATUS: sct_page(38),
        },
        {Question.VERDICT: ended(0xC24F00)},
    )


def test_only_what_the_drive_says_it_can_is_asked(bench: Bench) -> None:
    line = healthy()
    facts = ask_drive(at(bench, line), "/dev/x")
    assert line.closed
    assert facts.answers is not None
    assert facts.answers.records is Records.CLEAN
    assert facts.answers.celsius == 38
    assert Question.NATIVE_MAX_EXT not in line.asked
    assert Question.ERROR_LOG not in line.asked
    silent = Line({Question.IDENTIFY: identity_page(sectors=TWO_TB, words={82: 0, 85: 0})})
    ask_drive(at(bench, silent), "/dev/x")
    assert silent.asked == [Question.IDENTIFY]


def test_records_that_are_switched_off_stay_off(bench: Bench) -> None:
    line = Line({Question.IDENTIFY: identity_page(sectors=TWO_TB, words={85: 0})})
    facts = ask_drive(at(bench, line), "/dev/x")
    assert line.asked == [Question.IDENTIFY]
    assert any("switched off" in one.words for one in facts.findings)


def test_a_hang_ends_the_questions(bench: Bench) -> None:
    line = healthy()
    line.hangs = {Question.HEALTH}
    facts = ask_drive(at(bench, line), "/dev/x")
    assert line.asked == [Question.IDENTIFY, Question.VERDICT, Question.HEALTH]
    assert facts.answers is not None
    assert facts.answers.records is Records.UNKNOWN
    assert ("counters", "no answer in time") in [(one.what, one.why) for one in facts.not_said]


def test_hidden_sectors_are_found_by_the_last_address(bench: Bench) -> None:
    line = healthy(w82=0x0401)
    line.registers[Question.NATIVE_MAX_EXT] = ended(TWO_TB + 2048 - 1, True)
    facts = ask_drive(at(bench, line), "/dev/x")
    assert facts.answers is not None
    assert facts.answers.size.hidden_sectors == 2048
    assert Verdict.HIDDEN in [one.verdict for one in facts.answers.size.said]
    line.registers[Question.NATIVE_MAX_EXT] = replace(ended(5, True), lba_is_whole=False)
    facts = ask_drive(at(bench, line), "/dev/x")
    assert facts.answers is not None
    assert facts.answers.size.hidden_sectors == 0
    assert any("only part" in one.why for one in facts.not_said)


def test_the_old_form_of_the_last_address_has_its_top_in_the_device_register(bench: Bench) -> None:
    page = identity_page(words={60: 0, 61: 0x0100, 82: 0x0401, 83: 0x4000})
    line = Line({Question.IDENTIFY: page}, {Question.NATIVE_MAX: replace(ended(0xFFFFFF), device=0x41)})
    facts = ask_drive(at(bench, line, size_bytes=0), "/dev/x")
    assert facts.answers is not None
    assert facts.answers.size.hidden_sectors == 0x2000000 - 0x1000000


def test_an_adapter_that_clips_is_told(bench: Bench) -> None:
    facts = ask_drive(at(bench, healthy(), size_bytes=TWO_TB * 512 - 4096), "/dev/x")
    assert any(one.weight is Weight.MIND and "adapter hides the rest" in one.words for one in facts.findings)


def test_an_adapter_that_makes_up_an_answer_is_not_believed(bench: Bench) -> None:
    facts = ask_drive(at(bench, Line({Question.IDENTIFY: bytes(512)})), "/dev/x")
    assert facts.answers is None
    assert facts.why_not == "identity: nothing but bytes of 00h"


def test_the_drives_own_verdict_outweighs_its_counters(bench: Bench) -> None:
    line = healthy()
    line.registers[Question.VERDICT] = ended(0x2CF400)
    facts = ask_drive(at(bench, line), "/dev/x")
    assert facts.findings[0].weight is Weight.GRAVE
    assert "calls itself failing" in facts.findings[0].words


def test_a_locked_drive_is_told_first(bench: Bench) -> None:
    facts = ask_drive(at(bench, healthy(w128=0x0007)), "/dev/x")
    assert "locked with a password" in facts.findings[0].words


# ---------------------------------------------------------------------- with a case


def test_triage_takes_what_was_said(bench: Bench, tmp_path: Path) -> None:
    ask_drive(bench, drive_pages(tmp_path / "a", {5: 0, 197: 12, 199: 4}), BAY)
    signs = gathered_signs(bench, 1)
    assert signs[Asked("smart", "1")].answer == "counting"
    assert signs[Asked("detected", "1")].answer == "right"
    assert Asked("link-errors", "1") not in signs  # a single count may be old
    ask_drive(bench, drive_pages(tmp_path / "a", {5: 0, 197: 12, 199: 9}), BAY)
    assert gathered_signs(bench, 1)[Asked("link-errors", "1")].answer == "rising"
    facts = ask_drive(bench, drive_pages(tmp_path / "a", {5: 0, 197: 12, 199: 9}), BAY)
    assert gathered_signs(bench, 1)[Asked("link-errors", "1")].answer == "none"
    assert any("as many as when" in one.words for one in facts.findings)


def test_failing_by_its_own_threshold(bench: Bench, tmp_path: Path) -> None:
    ask_drive(bench, drive_pages(tmp_path / "a", {5: 9}, limits={5: 120}), BAY)
    told = recorded(bench, 1, "1")
    assert told is not None
    assert told.records == "failing"


@pytest.mark.parametrize(
    ("changes", "label", "detected"),
    [
        ({"sectors": 0}, "", "wrong"),
        ({"model": ""}, "", "wrong"),
        ({"sectors": 976_773_168}, "2TB", "wrong"),
        ({"words": {0: 0x0044}}, "", "wrong"),
        ({}, "2 TB", "right"),
    ],
)
def test_how_it_is_detected(
    bench: Bench, tmp_path: Path, changes: dict[str, Any], label: str, detected: str
) -> None:
    ask_drive(bench, drive_pages(tmp_path / "a", **changes), BAY, label)
    told = recorded(bench, 1, "1")
    assert told is not None
    assert told.detected == detected


def test_another_serial_number_is_a_persons_to_see(bench: Bench, tmp_path: Path) -> None:
    bench.ledger.amend_bay(Bay(1, "1", "AL20-HX4", "AH4K-20719C"))
    facts = ask_drive(bench, drive_pages(tmp_path / "a", serial="AH4K20719C"), BAY)
    assert not any("where the case has" in one.words for one in facts.findings)
    facts = ask_drive(bench, drive_pages(tmp_path / "a", serial="ZZ9"), BAY)
    assert any("serial number ZZ9 where the case has AH4K-20719C" in one.words for one in facts.findings)
    assert Asked("detected", "1") not in gathered_signs(bench, 1)


def test_what_is_kept_forgets_and_names_nobody(bench: Bench, tmp_path: Path) -> None:
    ask_drive(bench, drive_pages(tmp_path / "a"), BAY)
    note = bench.notes.of(NoteKind.RECORDS, 1, "1")[-1]
    body = json.loads(note.body)
    assert body["serial"] == "AH4K-20719C"
    assert bytes.fromhex(body["pages"]["identify"])[510] == 0xA5
    texts = [one.text for one in bench.ledger.events(1)]
    assert not any("AH4K" in one for one in texts)


def test_power_is_held_back_before_anything_is_sent(bench: Bench) -> None:
    line = healthy()
    note_answer(bench, 1, Asked("sound", "1"), "clicks")
    with pytest.raises(HeldBack):
        ask_drive(at(bench, line), "/dev/x", BAY)
    assert line.asked == []
    ask_drive(at(bench, line), "/dev/x", replace(BAY, although=Although(harmful="the noise was the fan's")))
    assert line.asked


def test_silence_is_in_the_story_and_answers_nothing(bench: Bench) -> None:
    line = Line()
    facts = ask_drive(at(bench, line), "/dev/x", BAY)
    assert facts.answers is None
    assert recorded(bench, 1, "1") is None
    assert any("said nothing" in one.text for one in bench.ledger.events(1))


def test_an_unknown_bay_is_refused(bench: Bench, tmp_path: Path) -> None:
    with pytest.raises(NoSuchCase):
        ask_drive(bench, drive_pages(tmp_path / "a"), InCase(1, "9"))


@pytest.mark.parametrize(
    ("text", "gb"),
    [
        ("2TB", 2000),
        ("1.5 TB", 1500),
        ("500 GB", 500),
        ("80g", 80),
        ("2", None),
        ("0GB", None),
        ("-2TB", None),
    ],
)
def test_labels(text: str, gb: int | None) -> None:
    assert label_gb(text) == gb


def test_a_label_that_is_no_capacity_is_refused(bench: Bench, tmp_path: Path) -> None:
    with pytest.raises(UsageError):
        ask_drive(bench, drive_pages(tmp_path / "a"), None, "two")
