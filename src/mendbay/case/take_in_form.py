"""The questions of take-in, and what an answer to each may be.

`take_in_form.toml` holds them; `docs/formats/take-in.md` describes the file. Questions that triage or the
list of consents knows are only named there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from importlib.resources import files

from mendbay.case.authority import WORDS, Whose
from mendbay.case.consents import Word, packaged_risks
from mendbay.case.records import CaseKind
from mendbay.case.secret_text import require_no_secret
from mendbay.core.errors import BadFormFile, UsageError
from mendbay.core.figures import Table, read_tables
from mendbay.core.texts import require_characters, require_day, require_line, require_text

FILE = "take_in_form.toml"
NOT_KNOWN = "not known"
"""The answer that closes a question to which there is none."""
MOST_DAYS = 3650
"""Days that copies may be kept: ten years, longer than any shop wants to (own choice)."""
HELP_LIMIT = 100
CONDITION, NOTHING_SEEN = "condition", "sound"
"""The question of what is seen of what came in, and its answer that excludes the others."""


class Type(StrEnum):
    """What an answer may be."""

    LINE = "line"
    TEXT = "text"
    CHOICE = "choice"
    SEVERAL = "several"
    """One or more of the answers."""
    YES_NO = "yes-no"
    DAY = "day"
    DAYS = "days"
    """A number of days."""
    PATTERNS = "patterns"
    """Patterns of paths, with commas between."""
    WORTH = "worth"
    """Whole units of the shop's currency."""
    SIGN = "sign"
    """A sign of triage with the question's id."""
    CONSENT = "consent"
    """The customer's word on the risky step with the question's id."""
    AUTHORITY = "authority"


COLUMNS: Mapping[str, tuple[Type, ...]] = {
    "customer": (Type.LINE,),
    "kind": (Type.CHOICE,),
    "contact": (Type.LINE,),
    "box": (Type.TEXT, Type.LINE),
    "wanted": (Type.PATTERNS,),
    "due_on": (Type.DAY,),
    "notes": (Type.TEXT,),
}
"""What of the case itself an answer sets, and the types that fit it."""
KINDS: Mapping[str, CaseKind] = {str(one).replace(" ", "-"): one for one in CaseKind if one}
"""Kinds of cases as answers name them."""
_CHOOSING = (Type.CHOICE, Type.SEVERAL)
_ELSEWHERE = (Type.SIGN, Type.CONSENT)
_YES_NO = {"yes": "yes", "no": "no"}


@dataclass(frozen=True, slots=True)
class Option:
    """One answer that can be picked.

    Args:
        kinds: of the cases it is offered in; empty for all.
    """

    id: str
    words: str
    kinds: frozenset[CaseKind] = frozenset()

    def offered_for(self, kind: CaseKind) -> bool:
        """Whether it can be picked in a case of that kind; as long as none is said, it can."""
        return not self.kinds or kind is CaseKind.NOT_SAID or kind in self.kinds


@dataclass(frozen=True, slots=True)
class Question:
    """One question of take-in.

    Args:
        words: empty where triage asks it.
        kinds: of the cases it is asked for.
        essential: one of the five-minute questions; the others can wait.
        personal: its answer may name people: the case's story tells that it was given, not what it is.
        secret: an answer that looks like a password itself is refused too.
        column: what of the case it sets; empty for none.
        options: what can be picked; empty where triage knows it, or anything can be typed.
    """

    id: str
    type: Type
    words: str
    help: str
    kinds: frozenset[CaseKind]
    essential: bool
    personal: bool
    secret: bool
    column: str
    options: tuple[Option, ...]

    def asked_for(self, kind: CaseKind) -> bool:
        """Whether it is asked in a case of that kind; as long as none is said, all are."""
        return kind is CaseKind.NOT_SAID or kind in self.kinds

    @property
    def of_every_kind(self) -> bool:
        """Whether it is asked whatever came in."""
        return len(self.kinds) == len(KINDS)


TakeInForm = Mapping[str, Question]
"""By id, in the order of the file."""


@cache
def packaged_form() -> TakeInForm:
    """The questions that come with Mendbay."""
    return parse_form(packaged_text())


def packaged_text() -> str:
    """The text of the file that comes with Mendbay."""
    return files("mendbay.case").joinpath(FILE).read_text(encoding="utf-8")


def parse_form(text: str, name: str = FILE) -> dict[str, Question]:
    """Reads a file of questions.

    Raises:
        BadFormFile: it does not hold together: an unknown key, type, kind, column or consent, an id or column
            used twice, a choice of less than two answers, a kind of case without an essential question, or
            no question for the customer's name; the message names the entry.
    """
    top = read_tables(text, name)
    found: dict[str, Question] = {}
    for table in top.tables("question"):
        question = _question(table)
        if question.id in found:
            table.refuse("uses an id that is taken", "Give every question its own id")
        if question.column and any(one.column == question.column for one in found.values()):
            table.refuse(f"sets {question.column!r}, which another sets", "Let one question set it")
        table.done()
        found[question.id] = question
    top.done()
    named = next((one for one in found.values() if one.column == "customer"), None)
    if named is None or len(named.kinds) != len(KINDS) or not named.essential:
        raise BadFormFile(f"{name} asks nobody's name", "Add an essential question with column 'customer'")
    for kind in KINDS.values():
        if sum(one.essential and kind in one.kinds for one in found.values()) < 2:
            raise BadFormFile(f"{name} has no essential question for a {kind}", "Add one")
    return found


def _question(table: Table) -> Question:
    question_id, said = table.id(), table.text("type")
    if said not in {str(one) for one in Type}:
        table.refuse(f"has the type {said[:60]!r}", f"Use one of {', '.join(Type)}")
    kind_of_answer = Type(said)
    kinds = _kinds(table)
    words = "" if kind_of_answer in _ELSEWHERE else table.text("words")
    if words and not words.endswith("?"):
        table.refuse("asks nothing", "End `words` with a question mark")
    help_line = table.text("help", "")
    if len(help_line) > HELP_LIMIT:
        table.refuse(f"has a help of more than {HELP_LIMIT} characters", "Say it on one line")
    if kind_of_answer is Type.CONSENT:
        if question_id not in packaged_risks():
            table.refuse("asks for a consent that there is not", "Name one of consents.toml")
        words = packaged_risks()[question_id].ask
    return Question(
        id=question_id,
        type=kind_of_answer,
        words=words,
        help=help_line or _help_of(question_id, kind_of_answer),
        kinds=kinds or frozenset(KINDS.values()),
        essential=table.flag("essential"),
        personal=table.flag("personal"),
        secret=table.flag("secret"),
        column=_column(table, kind_of_answer),
        options=_options(table, kind_of_answer),
    )


def _kinds(table: Table) -> frozenset[CaseKind]:
    """The kinds of cases that an entry names; empty if it names none."""
    kinds = table.ids("kinds")
    for one in kinds:
        if one not in KINDS:
            table.refuse(f"is for the kind {one[:60]!r}", f"Use some of {', '.join(KINDS)}")
    return frozenset(KINDS[one] for one in kinds)


def _help_of(question_id: str, kind: Type) -> str:
    """What stands beside a question that brings no help of its own."""
    return packaged_risks()[question_id].risk if kind is Type.CONSENT else ""


def _column(table: Table, kind: Type) -> str:
    column = table.text("column", "")
    if column and kind not in COLUMNS.get(column, ()):
        fit = "; ".join(f"{name}: {' or '.join(types)}" for name, types in COLUMNS.items())
        table.refuse(f"sets {column[:60]!r} by a {kind}", f"Use one of {fit}")
    return column


def _options(table: Table, kind: Type) -> tuple[Option, ...]:
    if kind is Type.YES_NO:
        return tuple(Option(one, words) for one, words in _YES_NO.items())
    if kind is Type.CONSENT:
        return tuple(Option(str(one).replace(" ", "-"), str(one)) for one in Word)
    if kind is Type.AUTHORITY:
        return tuple(Option(str(one), WORDS[one]) for one in Whose)
    found: list[Option] = []
    for inner in table.tables("answers", "answer"):
        found.append(Option(inner.id(), inner.text("words"), _kinds(inner)))
        inner.done()
    names = {one.id for one in found}
    if (kind in _CHOOSING) != bool(found):
        table.refuse("has answers to pick and should not, or the reverse", "Give them to choices alone")
    if found and (len(found) < 2 or len(names) != len(found)):
        table.refuse("has not two answers with names of their own", "Give each answer its own")
    if found and min(sum(one.offered_for(kind) for one in found) for kind in KINDS.values()) < 2:
        table.refuse("has not two answers for each kind of case", "Leave `kinds` of some of them out")
    if table.has("column") and table.text("column") == "kind" and names != set(KINDS):
        table.refuse("does not offer every kind of case", f"Offer {', '.join(KINDS)}")
    return tuple(found)


# ------------------------------------------------------------------------- answers


def read_answer(
    question: Question, options: Sequence[Option], text: str, *, numbered: bool = False
) -> tuple[str, ...]:
    """An answer as it was typed, made into what is kept: one value, or several; none if there is no answer to
    be had (`not known`).

    Args:
        options: what can be picked; for a sign triage's answers.
        text: an option by its name, its words or its number; several with commas or blanks between.
        numbered: the options stand before the person by number and words, not by name: so does the message.

    Raises:
        UsageError: no such answer can be; the message says what can.
    """
    text = text.strip()
    if text.lower() == NOT_KNOWN:
        if question.column in ("customer", "kind"):
            raise UsageError("Without that there is no case.", f"Answer it: {question.words}")
        return ()
    if not text:
        raise UsageError("That is no answer.", f"Answer it, or leave it for later: {question.words}")
    if options:
        return _picked(question, options, text, numbered)
    require_no_secret(text, alone=question.secret)
    if question.type in (Type.LINE, Type.TEXT):
        require_line(text, "answer") if question.type is Type.LINE else require_text(text)
        if question.column == "box":
            require_characters(text, "description of what came in")
        return (text,)
    if question.type is Type.DAY:
        require_day(text)
        return (text,)
    if question.type is Type.PATTERNS:
        found = tuple(dict.fromkeys(one.strip() for one in text.split(",") if one.strip()))
        for one in found:
            require_line(one, "pattern")
        if not found:
            raise UsageError("That names no file.", "Write it like *.xlsx, photos/*")
        return found
    return (_whole_number(question, text),)


def _picked(question: Question, options: Sequence[Option], text: str, numbered: bool) -> tuple[str, ...]:
    by_name = {one.id: one.id for one in options} | {one.words.lower(): one.id for one in options}
    by_name |= {str(number): one.id for number, one in enumerate(options, 1)}
    if question.type is Type.SEVERAL and text.lower() not in by_name:
        said = [one for one in text.lower().replace(",", " ").split() if one]
    else:
        said = [text.lower()]
    unknown = [one for one in said if one not in by_name]
    if unknown or not said:
        raise _no_option(question, options, (unknown or [text])[0][:40], numbered)
    chosen = {by_name[one] for one in said}
    if question.id == CONDITION and NOTHING_SEEN in chosen and len(chosen) > 1:
        number, line = next((at, one) for at, one in enumerate(options, 1) if one.id == NOTHING_SEEN)
        raise UsageError(
            "Nothing to be seen and something to be seen cannot both be.",
            f"Leave out {number if numbered else NOTHING_SEEN} ({line.words}), or give it alone.",
        )
    return tuple(one.id for one in options if one.id in chosen)


def _no_option(question: Question, options: Sequence[Option], said: str, numbered: bool) -> UsageError:
    if not numbered:
        known = ", ".join(one.id for one in options)
        return UsageError(f"{question.id} cannot be {said!r}.", f"Use one of: {known}, {NOT_KNOWN}.")
    several = ", or some of them with blanks between" if question.type is Type.SEVERAL else ""
    return UsageError(
        f"No line above is {said!r}.", f"Type a number from 1 to {len(options)}{several}; ? explains."
    )


def _whole_number(question: Question, text: str) -> str:
    digits = text.replace(" ", "").replace("\u2009", "")
    most, least = (MOST_DAYS, 0) if question.type is Type.DAYS else (10**9, 1)
    if not digits.isascii() or not digits.isdigit() or len(digits) > 10 or not least <= int(digits) <= most:
        raise UsageError(
            f"{text[:40]!r} is not a whole number from {least} to {most}.", "Write it in digits, like 30."
        )
    return str(int(digits))
