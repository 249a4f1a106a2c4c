"""Take-in at the terminal: one question at a time, by keyboard alone, every answer kept at once."""

from __future__ import annotations

from enum import Enum, auto

import click

from mendbay.case.consents import How
from mendbay.case.take_in_form import NOT_KNOWN, Type
from mendbay.core.errors import UsageError
from mendbay.faces.cli.screen import Screen, wrapped
from mendbay.jobs.bench import Bench
from mendbay.jobs.take_in import take_in
from mendbay.jobs.take_in_form import Entry, FilledForm, fill_form, first_question, tell

LATER, EXPLAIN, BACK, NONE, END = "", "?", "-", "x", "q"
KEYS = "Enter: later   x: no answer to be had   -: back   ?: explain   q: end"
_WHAT = {
    Type.SEVERAL: "one number or more",
    Type.DAY: "a day like 2026-12-24",
    Type.DAYS: "a number of days",
    Type.PATTERNS: "patterns with commas between",
    Type.WORTH: "a whole number",
}
_READ_FIRST = (Type.CONSENT,)
"""Types whose help is read out before the answer, not only when asked for."""


class Ended(Enum):
    """How a talk came to its end."""

    DONE = auto()
    """Everything was asked, or it was ended by hand between two questions."""
    STOPPED = auto()
    """From the keyboard, in the middle of a question."""


class Talk:
    """
    Args:
        case: to ask about; None opens a new one with the customer's name.
        how: the customer gives consents.

    Attributes:
        case: None as long as no name was given.
    """

    def __init__(self, bench: Bench, screen: Screen, case: int | None, how: How) -> None:
        self.case = case
        self._bench, self._screen, self._how = bench, screen, how
        self._left: set[tuple[str, str]] = set()
        """Questions left for later in this talk."""
        self._asked: list[tuple[str, str]] = []
        """Those asked before the one under way, for going back."""
        self._waiting = False

    def hold(self) -> Ended:
        """Asks until nothing is open or the person ends it."""
        self._screen.say(KEYS)
        try:
            if self.case is None and not self._open_case():
                return Ended.DONE
            self._ask_all()
        except click.Abort:
            self._screen.say("")
            return Ended.STOPPED
        return Ended.DONE

    def _open_case(self) -> bool:
        """Whether a name was given and a case opened with it."""
        entry = first_question()
        while True:
            self._pose(entry)
            said = self._read()
            if said == EXPLAIN:
                self._explain(entry)
            elif said in (LATER, BACK, NONE, END):
                return False
            else:
                try:
                    self.case = take_in(self._bench, said).number
                except UsageError as trouble:
                    self._complain(trouble)
                    continue
                self._screen.say(f"Case {self.case}.")
                self._asked.append(entry.key)
                return True

    def _ask_all(self) -> None:
        assert self.case is not None
        form = fill_form(self._bench, self.case)
        entry = self._next(form)
        while entry is not None:
            said = self._put(entry)
            if said == END:
                return
            if said == BACK:
                entry = self._earlier(form) or entry
                continue
            if said == LATER:
                self._left.add(entry.key)
            else:
                try:
                    question, bay = entry.key
                    said = NOT_KNOWN if said == NONE else said
                    form = tell(self._bench, self.case, question, said, bay, self._how, numbered=True)
                except UsageError as trouble:
                    self._complain(trouble)
                    continue
                self._left.discard(entry.key)
            self._asked.append(entry.key)
            entry = self._next(form)

    def _next(self, form: FilledForm) -> Entry | None:
        entry = next((one for one in form.open if one.key not in self._left), None)
        if entry is not None and not entry.question.essential and not self._waiting:
            self._waiting = True
            self._screen.say("\nThat was the essential part. What follows can wait (q ends).")
        return entry

    def _earlier(self, form: FilledForm) -> Entry | None:
        """The question asked before, to be answered anew."""
        while self._asked:
            key = self._asked.pop()
            for one in form.entries:
                if one.key == key:
                    return one
        self._screen.say("There is no question before this.")
        return None

    # --------------------------------------------------------------- the terminal

    def _put(self, entry: Entry) -> str:
        """Asks one question, explaining it as often as wanted; returns what was typed."""
        self._pose(entry)
        while (said := self._read()) == EXPLAIN:
            self._explain(entry)
        return said

    def _pose(self, entry: Entry) -> None:
        bay = f"Bay {entry.bay}: " if entry.bay else ""
        hint = _WHAT.get(entry.question.type, "")
        lines = ["", wrapped(f"{bay}{entry.words}{f' ({hint})' if hint else ''}", "", "  ")]
        if entry.question.type in _READ_FIRST:
            lines.append(wrapped(entry.question.help, "  ", ""))
        lines += [wrapped(f"{number} {one.words}", "  ") for number, one in enumerate(entry.options, 1)]
        if entry.answered:
            lines.append(wrapped(f"so far: {entry.shown}", "  "))
        self._screen.say("\n".join(lines))

    def _explain(self, entry: Entry) -> None:
        essential = "It belongs to the essentials." if entry.question.essential else "It can wait."
        self._screen.say(wrapped(f"{entry.question.help} {essential}".strip(), "  ", ""))
        self._screen.say(f"  {KEYS}")

    def _read(self) -> str:
        said: str = click.prompt("", default="", show_default=False, prompt_suffix="> ")
        return said.strip()

    def _complain(self, trouble: UsageError) -> None:
        self._screen.say(wrapped(f"{trouble.what} {trouble.next_step}", "  ", ""))
