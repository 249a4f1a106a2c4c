"""Answers to take-in from a file, as its page writes them (`docs/formats/take-in.md`).

The file comes from outside: its shape is checked before anything is entered, and each answer is held against
the form as if it had been typed.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, NoReturn

from mendbay.case.consents import How
from mendbay.case.take_in_form import packaged_form, read_answer
from mendbay.core.errors import UsageError
from mendbay.core.texts import require_line
from mendbay.jobs.bench import Bench
from mendbay.jobs.take_in import take_in
from mendbay.jobs.take_in_form import FilledForm, entry_of, fill_form, shown_as, tell
from mendbay.jobs.take_in_page import page_for

FORMAT = "take-in answers"
VERSION = 1
SIZE_LIMIT = 2_000_000
"""Bytes: every text of the form at its longest, each sign in several bytes (own choice)."""
MOST_ANSWERS = 500
"""Far above what the form asks (own choice)."""
CUT = 120
"""Characters of an answer that are told of one left out."""


class Fate(StrEnum):
    """What became of an answer."""

    ENTERED = "entered"
    REPLACED = "replaced"
    """Entered in the place of another."""
    SAME = "same"
    """It was on record already."""
    STAYS = "stays"
    """Another is on record, and counts."""
    REFUSED = "refused"
    """It is none, or to no question of this case."""


@dataclass(frozen=True, slots=True)
class Given:
    """One answer of a file, as it would be typed; `bay` is empty for a question about the case."""

    question: str
    bay: str
    answer: str

    @property
    def key(self) -> tuple[str, str]:
        """What names its question: question and bay."""
        return self.question, self.bay


@dataclass(frozen=True, slots=True)
class AnswerFile:
    """The answers of a file; `case` is None if its page was made before there was a case."""

    case: int | None
    answers: tuple[Given, ...]


@dataclass(frozen=True, slots=True)
class Taken:
    """One answer and what became of it; `why` and `next_step` are empty if it is on record now."""

    given: Given
    fate: Fate
    why: str = ""
    next_step: str = ""


@dataclass(frozen=True, slots=True)
class Entered:
    """What became of the answers of a file, in its order.

    Args:
        opened: a new case was opened with them.
    """

    form: FilledForm
    taken: tuple[Taken, ...]
    opened: bool

    def of(self, *fates: Fate) -> tuple[Taken, ...]:
        """Those with one of these fates."""
        return tuple(one for one in self.taken if one.fate in fates)

    @property
    def left_out(self) -> tuple[Taken, ...]:
        """Those that are not on record."""
        return self.of(Fate.STAYS, Fate.REFUSED)


# ------------------------------------------------------------------------- the file


def read_answer_file(data: bytes) -> AnswerFile:
    """What a file of answers holds.

    Raises:
        UsageError: too long, no JSON, not of the documented shape, a question answered twice, or a sign in
            the name of a question or bay that cannot be kept.
    """
    if len(data) > SIZE_LIMIT:
        _refuse(f"it has more than {SIZE_LIMIT} bytes")
    try:
        top = json.loads(data.decode("utf-8-sig"), object_pairs_hook=_object)
    except (ValueError, RecursionError):
        _refuse("it is no JSON text")
    if not isinstance(top, dict) or set(top) != {"format", "version", "case", "answers"}:
        _refuse("it is not an object of format, version, case and answers")
    if top["format"] != FORMAT or type(top["version"]) is not int:
        _refuse(f"its format is not {FORMAT!r}")
    if top["version"] != VERSION:
        _refuse(f"its version is not {VERSION}")
    case, answers = top["case"], top["answers"]
    if case is not None and (type(case) is not int or not 0 < case < 2**63):
        _refuse("its case is no number of a case")
    if not isinstance(answers, list) or len(answers) > MOST_ANSWERS:
        _refuse(f"its answers are no list of at most {MOST_ANSWERS}")
    found: dict[tuple[str, str], Given] = {}
    for number, one in enumerate(answers, 1):
        given = _given(one, number)
        if given.key in found:
            _refuse(f"answer {number} is the second to {given.question!r}")
        found[given.key] = given
    return AnswerFile(case, tuple(found.values()))


def _given(one: Any, number: int) -> Given:
    if not isinstance(one, dict) or set(one) != {"question", "bay", "answer"}:
        _refuse(f"answer {number} is not an object of question, bay and answer")
    question, bay, answer = one["question"], one["bay"], one["answer"]
    if not isinstance(question, str) or not isinstance(answer, str) or not isinstance(bay, str | None):
        _refuse(f"answer {number} holds something other than texts")
    require_line(question, "question")
    require_line(bay or "", "bay")
    return Given(question, bay or "", answer)


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    if len(dict(pairs)) != len(pairs):
        raise ValueError("a key used twice")
    return dict(pairs)


def _refuse(why: str) -> NoReturn:
    raise UsageError(
        f"That is no file of answers: {why}.",
        "Nothing was entered. Name the file that the page of take-in saved.",
    )


# ------------------------------------------------------------------------- entering


def enter_answers(
    bench: Bench, case: int | None, file: AnswerFile, how: How = How.IN_PERSON, *, replace: bool = False
) -> Entered:
    """Enters the answers of a file into a case, each as `tell` would; one that cannot be entered is told, and
    keeps no other back. What is entered becomes durable together.

    Args:
        case: None opens one with the customer's name that the file gives.
        how: the customer gave consents.
        replace: an answer that differs from the one on record takes its place.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
        UsageError: the file is of another case, names another customer than the case, or names none and there
            is no case yet; nothing was entered.
    """
    if file.case != case and file.case is not None:
        raise UsageError(
            f"These answers are of case {file.case}{f', not {case}' if case else ''}; nothing was entered.",
            f"mendbay case take-in {file.case} --answers FILE enters them there.",
        )
    with bench.ledger.together():
        opened = case is None
        number = _open(bench, file) if case is None else case
        form = fill_form(bench, number)
        if file.case is None and not opened and not replace:
            _require_same_customer(form, file)
        first = ("customer", "kind")  # which other questions there are hangs on the kind
        order = sorted(file.answers, key=lambda one: not _sets(one, first))
        fates = {one.key: _enter(bench, number, one, how, replace) for one in order}
        if opened:
            fates |= {one.key: Taken(one, Fate.ENTERED) for one in order if _sets(one, ("customer",))}
        return Entered(fill_form(bench, number), tuple(fates[one.key] for one in file.answers), opened)


def _sets(one: Given, columns: tuple[str, ...]) -> bool:
    question = packaged_form().get(one.question)
    return question is not None and question.column in columns


def _customer(file: AnswerFile) -> str:
    """The customer's name as a file gives it; empty for none."""
    return next((one.answer.strip() for one in file.answers if _sets(one, ("customer",))), "")


def _open(bench: Bench, file: AnswerFile) -> int:
    said = _customer(file)
    if not said:
        raise UsageError(
            "The answers name no customer, so no case was opened and nothing entered.",
            "mendbay case open CUSTOMER opens one; then mendbay case take-in N --answers FILE.",
        )
    question = next(one for one in packaged_form().values() if one.column == "customer")
    (name,) = read_answer(question, question.options, said)
    return take_in(bench, name).number


def _require_same_customer(form: FilledForm, file: AnswerFile) -> None:
    """The page was not made for this case: another name may mean that the number was mistyped."""
    if _customer(file) not in ("", form.case.customer):
        raise UsageError(
            f"The answers name another customer than case {form.case.number} does; nothing was entered.",
            "Check the number; --replace enters them all the same, the name too.",
        )


def _enter(bench: Bench, case: int, one: Given, how: How, replace: bool) -> Taken:
    try:
        entry = entry_of(bench, case, one.question, one.bay)
        if one.bay and one.key not in {each.key for each in page_for(bench, case).questions}:
            raise UsageError(
                f"The case has no bay {one.bay[:40]!r}.",
                f"mendbay case bay {case} BAY=MODEL/SERIAL adds one.",
            )
        values = read_answer(entry.question, entry.question.options or entry.options, one.answer)
        if entry.answered and values == entry.values:
            return Taken(one, Fate.SAME)
        if entry.answered and not replace:
            now = shown_as(entry.question.options or entry.options, values)
            return Taken(
                one,
                Fate.STAYS,
                f"Answered before: {_cut(entry.shown)}. The file says: {_cut(now)}.",
                "--replace puts what the file says in its place.",
            )
        tell(bench, case, one.question, one.answer, one.bay, how)
    except UsageError as trouble:
        return Taken(one, Fate.REFUSED, trouble.what, trouble.next_step)
    return Taken(one, Fate.REPLACED if entry.answered else Fate.ENTERED)


def _cut(text: str) -> str:
    """The beginning of a text on one line."""
    line = " ".join(text.split())
    return line if len(line) <= CUT else f"{line[: CUT - 1]}…"
