"""Ask a drive what it says of itself, and note it with its case for triage."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

from mendbay.board.number_form import Kind
from mendbay.case.records import Bay
from mendbay.core.errors import UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.core.serials import plain_serial, same_serial
from mendbay.core.source import Identity
from mendbay.imaging.ata_answer import Answer, How
from mendbay.imaging.ata_command import Question
from mendbay.imaging.ata_page import NotAPage
from mendbay.imaging.capacity_check import check_size
from mendbay.imaging.drive_findings import DriveAnswers, DriveFinding, Weight, findings_of
from mendbay.imaging.identify import DriveIdentity, parse_identify
from mendbay.imaging.sct import parse_sct_status, parse_temperature_statistics
from mendbay.imaging.smart import calls_itself_failing, parse_health
from mendbay.imaging.smart_logs import parse_error_log, parse_self_test_log
from mendbay.jobs.bench import Bench
from mendbay.jobs.drive_records import DRIVE, link_errors_before
from mendbay.jobs.label_serials import pictured_serials, pictures_against
from mendbay.jobs.ports import DriveLine
from mendbay.jobs.power_permit import AGAINST_NOTHING, Although, foresee_power, require_power
from mendbay.jobs.read_pictures import identifiers_of
from mendbay.jobs.remembered import remembered

_LABEL = re.compile(r"(\d{1,5}(?:\.\d{1,3})?)\s*([GT])B?", re.IGNORECASE)
_WORDS = {
    Question.IDENTIFY: "identity",
    Question.HEALTH: "counters",
    Question.THRESHOLDS: "limits of its counters",
    Question.VERDICT: "its own verdict",
    Question.ERROR_LOG: "log of errors",
    Question.SELF_TEST_LOG: "log of self-tests",
    Question.SCT_STATUS: "temperature",
    Question.TEMPERATURE_STATISTICS: "limits of temperature",
    Question.NATIVE_MAX: "size with nothing hidden",
    Question.NATIVE_MAX_EXT: "size with nothing hidden",
}
_Page = TypeVar("_Page")


@dataclass(frozen=True, slots=True)
class InCase:
    """The bay of a case whose drive is asked, and why it gets power where something is against that."""

    case: int
    bay: str
    although: Although = AGAINST_NOTHING


@dataclass(frozen=True, slots=True)
class NotSaid:
    """What a drive did not say, and why."""

    what: str
    why: str


@dataclass(frozen=True, slots=True)
class DriveFacts:
    """What a drive says of itself.

    Args:
        seen: as the host sees it, None for kept pages.
        how: what came of asking who it is.
        why_not: why it said nothing, for a person; empty if it did.
        answers: None if it said nothing.
        findings: what that amounts to, the gravest first.
        not_said: what it was asked and did not tell.
        label_gb: what its label says, None if nobody read it.
    """

    where: str
    seen: Identity | None
    how: How
    why_not: str
    answers: DriveAnswers | None
    findings: tuple[DriveFinding, ...]
    not_said: tuple[NotSaid, ...]
    label_gb: int | None


def ask_drive(bench: Bench, where: str, in_case: InCase | None = None, label: str = "") -> DriveFacts:
    """Asks a drive who it is, how large, how it fares and how warm it is; with a case, notes it there.

    Nothing is changed on the drive, no test is started, no sector is read. Where it does not answer in time,
    it is asked no more.

    Args:
        label: the capacity on its label (`2 TB`); empty for what its pictures showed.

    Raises:
        UsageError: a label that is no capacity.
        HeldBack: the customer refused power, or triage keeps the drive without it.
        SourceError or one of its kinds: it cannot be used.
        NoSuchCase, CaseForgotten: there is no such case or bay.
    """
    label_gb = _foreseen(bench, in_case, label)
    with _line(bench, where) as line:
        seen = None
        if line.is_present:
            if in_case is not None:
                require_power(bench, in_case.case, [in_case.bay], in_case.although)
            seen = bench.drives.look(where)
        asked = _Asked(line)
        before = None if in_case is None else link_errors_before(bench, in_case.case, in_case.bay)
        answers = _all_answers(asked, seen, label_gb, before)
    facts = DriveFacts(
        where=where,
        seen=seen,
        how=asked.first.how if asked.first is not None else How.REFUSED,
        why_not=asked.why_not(answers),
        answers=answers,
        findings=() if answers is None else (*findings_of(answers),),
        not_said=tuple(one for one in asked.not_said if not _is_known(one, answers)),
        label_gb=label_gb,
    )
    if in_case is not None:
        facts = _held_against_bay(bench, in_case, facts)
        _note(bench, in_case, facts, asked.pages)
    return facts


def _is_known(one: NotSaid, answers: DriveAnswers | None) -> bool:
    """Whether what one page did not tell was told by another."""
    return one.what == _WORDS[Question.SCT_STATUS] and answers is not None and answers.celsius is not None


def foresee_asking(bench: Bench, where: str, in_case: InCase | None = None, label: str = "") -> None:
    """Passes where `ask_drive` will before it asks, as far as that shows, and records nothing: for what is
    said before power is given. Raises as it does."""
    _foreseen(bench, in_case, label)
    if in_case is not None and bench.drives.is_device(where):
        foresee_power(bench, in_case.case, [in_case.bay], in_case.although)


def _foreseen(bench: Bench, in_case: InCase | None, label: str) -> int | None:
    """What the label says, where case, bay and label are sound."""
    if in_case is not None:
        remembered(bench, in_case.case)
        bench.ledger.bay(in_case.case, in_case.bay)
    return _label_of(bench, in_case, label)


@contextmanager
def _line(bench: Bench, where: str) -> Iterator[DriveLine]:
    line = bench.drives.line(where)
    try:
        yield line
    finally:
        line.close()


def label_gb(text: str) -> int | None:
    """A capacity as it stands on a label (`500 GB`, `1.5 TB`) in 10^9 bytes; None if it is none."""
    match = _LABEL.fullmatch(text.strip())
    if match is None:
        return None
    thousandths = round(float(match[1]) * 1000)
    gb = thousandths if match[2].upper() == "T" else thousandths // 1000
    return gb or None


def _label_of(bench: Bench, in_case: InCase | None, label: str) -> int | None:
    """What the label says: as typed, else as the pictures of the bay show it, where they agree."""
    if label.strip():
        typed = label_gb(label)
        if typed is None:
            raise UsageError(f'"{label}" is no capacity.', "Give it as on the label, such as 2TB or 500GB.")
        return typed
    if in_case is None:
        return None
    seen = {
        label_gb(one.value)
        for one in identifiers_of(bench, in_case.case, in_case.bay)
        if one.kind is Kind.CAPACITY
    } - {None}
    return next(iter(seen)) if len(seen) == 1 else None


@dataclass(slots=True)
class _Asked:
    """A line on which questions were put: what was said, and what was not."""

    line: DriveLine
    first: Answer | None = None
    pages: dict[str, bytes] = field(default_factory=dict)
    not_said: list[NotSaid] = field(default_factory=list)
    is_over: bool = False

    def answer(self, question: Question) -> Answer | None:
        """The answer, None if there is none."""
        if self.is_over:
            return None
        answer = self.line.ask(question)
        self.first = self.first or answer
        self.is_over = answer.how in (How.HUNG, How.GONE)
        if answer.how is How.GIVEN:
            return answer
        self.not_said.append(NotSaid(_WORDS[question], answer.words))
        return None

    def page(self, question: Question, read: Callable[[bytes], _Page]) -> _Page | None:
        """The page that answers, read; None if there is none, or none that makes sense."""
        answer = self.answer(question)
        if answer is None:
            return None
        self.pages[question.name.lower()] = answer.data
        return self.read(question, lambda: read(answer.data))

    def read(self, question: Question, made: Callable[[], _Page]) -> _Page | None:
        """What is made of pages, None if they make no sense."""
        try:
            return made()
        except NotAPage as trouble:
            self.not_said.append(NotSaid(_WORDS[question], str(trouble)))
            return None

    def why_not(self, answers: DriveAnswers | None) -> str:
        if answers is not None:
            return ""
        return self.not_said[0].why if self.not_said else "it said nothing"


def _all_answers(
    asked: _Asked, seen: Identity | None, label: int | None, link_errors_before: int | None
) -> DriveAnswers | None:
    identity = asked.page(Question.IDENTIFY, parse_identify)
    if identity is None:
        return None
    verdict = health = sct = made_for = errors = self_tests = None
    if identity.has_smart and identity.smart_enabled:
        told = asked.answer(Question.VERDICT)
        if told is not None and told.registers is not None:
            verdict = calls_itself_failing(told.registers.lba)
        counters = asked.page(Question.HEALTH, bytes)
        limits = None if counters is None else asked.page(Question.THRESHOLDS, bytes)
        if counters is not None:
            health = asked.read(Question.HEALTH, lambda: parse_health(counters, limits))
        if identity.has_sct:
            sct = asked.page(Question.SCT_STATUS, parse_sct_status)
        if identity.has_logs:
            made_for = asked.page(Question.TEMPERATURE_STATISTICS, parse_temperature_statistics)
        if health is not None and health.keeps_error_log:
            errors = asked.page(Question.ERROR_LOG, parse_error_log)
            self_tests = asked.page(Question.SELF_TEST_LOG, parse_self_test_log)
    size = check_size(
        identity,
        0 if seen is None else seen.size_bytes,
        0 if seen is None else seen.sector_bytes,
        _native_sectors(asked, identity),
        label,
    )
    return DriveAnswers(
        identity, size, verdict, health, sct, made_for, errors, self_tests, link_errors_before
    )


def _native_sectors(asked: _Asked, identity: DriveIdentity) -> int | None:
    """How many sectors there are with nothing hidden, None if that is not to be had."""
    if not identity.has_hidden_area:
        return None
    question = Question.NATIVE_MAX_EXT if identity.has_48_bits else Question.NATIVE_MAX
    told = asked.answer(question)
    if told is None or told.registers is None:
        return None
    registers = told.registers
    if not identity.has_48_bits:
        return (registers.lba & 0xFF_FFFF | (registers.device & 15) << 24) + 1
    if not registers.lba_is_whole:
        asked.not_said.append(NotSaid(_WORDS[question], "the adapter hands back only part of the address"))
        return None
    return registers.lba + 1


# ---------------------------------------------------------------------- with the case


def _held_against_bay(bench: Bench, in_case: InCase, facts: DriveFacts) -> DriveFacts:
    """The facts, with what does not fit what the case has of the drive."""
    if facts.answers is None:
        return facts
    noted, says = bench.ledger.bay(in_case.case, in_case.bay), facts.answers.identity
    differs = [
        f"{what} {there or 'none'} where the case has {here}"
        for what, here, there, agree in (
            ("model", noted.model, says.model, _holds),
            ("serial number", _label_serial(bench, noted, says.serial), says.serial, same_serial),
        )
        if plain_serial(here) and not agree(here, there)
    ]
    if not differs:
        return facts
    words = (
        f"It says {' and '.join(differs)}: another drive, a slip in what was noted, or a board with another "
        "drive's ROM. Look at its label."
    )
    found = DriveFinding(Weight.MIND, words)
    grave = [one for one in facts.findings if one.weight is Weight.GRAVE]
    rest = [one for one in facts.findings if one.weight is not Weight.GRAVE]
    return replace(facts, findings=(*grave, found, *rest))


def _label_serial(bench: Bench, noted: Bay, said: str) -> str:
    """The serial number that a drive is held against: as it was noted, else as pictures show it with near
    certainty."""
    if plain_serial(noted.serial):
        return noted.serial
    pictured = pictured_serials(bench, noted)
    return pictured[0] if pictures_against(pictured, said) else ""


def _holds(label: str, said: str) -> bool:
    return plain_serial(label) in plain_serial(said)


def _note(bench: Bench, in_case: InCase, facts: DriveFacts, pages: dict[str, bytes]) -> None:
    """Puts down what was said: in a note for triage, in the story and in custody without its names."""
    case, bay, answers = in_case.case, in_case.bay, facts.answers
    with bench.ledger.together():
        if facts.seen is not None:
            bench.custody(case, "asked what it says of itself", f"drive of bay {bay}")
        if answers is None:
            text = f"The drive of bay {bay} was asked about itself and said nothing: {facts.why_not}."
            bench.note(case, "imaging", text)
            return
        body = _body(in_case, bench, facts, answers, pages)
        bench.notes.add(Note(case, bay, NoteKind.RECORDS, DRIVE, bench.now(), bench.who, json.dumps(body)))
        story = [one.words for one in facts.findings if one.weight is Weight.GRAVE]
        records = str(answers.records) or "not known"
        text = f"The drive of bay {bay} told of itself; its records: {records}. {' '.join(story)}"
        bench.note(case, "imaging", text.strip())


def _body(
    in_case: InCase, bench: Bench, facts: DriveFacts, answers: DriveAnswers, pages: dict[str, bytes]
) -> dict[str, Any]:
    identity, health = answers.identity, answers.health
    return {
        "source": "pages" if facts.seen is None else "drive",
        "model": identity.model,
        "serial": identity.serial,
        "firmware": identity.firmware,
        "sectors": identity.sectors,
        "sector_bytes": identity.sector_bytes,
        "hidden_sectors": answers.size.hidden_sectors,
        "detected": _detected(bench, in_case, answers),
        "records": str(answers.records),
        "link_errors": answers.link_errors,
        "hours": None if health is None else health.hours,
        "celsius": answers.celsius,
        "pages": {name: data.hex() for name, data in pages.items()},
    }


def _detected(bench: Bench, in_case: InCase, answers: DriveAnswers) -> str:
    """The answer to triage's question whether it is detected rightly; empty where a person must look."""
    identity, noted = answers.identity, bench.ledger.bay(in_case.case, in_case.bay)
    if not answers.size.is_right or not identity.model or identity.is_incomplete:
        return "wrong"
    serial = _label_serial(bench, noted, identity.serial)
    if plain_serial(serial) and not same_serial(serial, identity.serial):
        return ""
    return "right"
