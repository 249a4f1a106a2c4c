"""Reads the tables of the model from TOML and refuses any that does not hold together.

Beside the shape of every entry it checks what would make the model wrong in silence: a number without
origin, a name nobody defines, chances that do not add up, a row that can never apply, a test that answers
nothing, a step without the cautions its work needs.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from importlib.resources import files
from typing import TypeVar

from mendbay.core.cautions import packaged_cautions
from mendbay.core.errors import BadFormFile
from mendbay.core.figures import Figure, Table, read_tables
from mendbay.triage.tables import (
    Answer,
    Chance,
    Fault,
    Happening,
    Layout,
    Row,
    Scope,
    Seat,
    Sign,
    Step,
    StepKind,
    Tables,
    Term,
)

FILES = ("faults.toml", "signs.toml", "steps.toml")
_POWER_CAUTIONS = frozenset({"spinning-drive", "drives-in-box", "reading-drive"})
"""One of them must be read before a drive gets power: alone on the bench, in its box, or to be read."""
_POWER_CONSENT = "power-on"
"""What the customer must agree to before."""
_Word = TypeVar("_Word", bound=StrEnum)
_Entry = TypeVar("_Entry", Fault, Layout, Happening, Sign, Step)


@dataclass(frozen=True, slots=True)
class TableTexts:
    """The texts of the three files."""

    faults: str
    signs: str
    steps: str


@cache
def packaged_tables() -> Tables:
    """The tables that come with Mendbay."""
    return read_all(packaged_texts())


def packaged_texts() -> TableTexts:
    """The texts of the files that come with Mendbay."""
    folder = files("mendbay.triage")
    return TableTexts(*(folder.joinpath(name).read_text(encoding="utf-8") for name in FILES))


def read_all(texts: TableTexts) -> Tables:
    """The tables of three files.

    Raises:
        BadFormFile: one of them breaks a rule; the message names the entry.
    """
    return _Reader(texts).read()


class _Reader:
    def __init__(self, texts: TableTexts) -> None:
        self.tops = [
            read_tables(text, name)
            for text, name in zip((texts.faults, texts.signs, texts.steps), FILES, strict=True)
        ]
        self.faults: dict[str, Fault] = {}
        self.groups: dict[str, tuple[str, ...]] = {}
        self.happenings: dict[str, Happening] = {}
        self.layouts: dict[str, Layout] = {}
        self.signs: dict[str, Sign] = {}

    def read(self) -> Tables:
        faults, signs, steps = self.tops
        for table in faults.tables("fault"):
            _add(self.faults, table, self._fault(table))
        for table in faults.tables("group"):
            self._group(table)
        for table in faults.tables("layout"):
            _add(self.layouts, table, Layout(table.id(), table.text("words"), _share(table, "share")))
            table.done()
        for table in faults.tables("event"):
            _add(self.happenings, table, self._happening(table))
        sound, share_strength = _share(faults, "sound"), _strength(faults)
        faults.done()
        _adds_up(faults, "faults", self._first_shares(sound))
        _adds_up(faults, "layouts", [one.share for one in self.layouts.values()])
        _adds_up(faults, "events", [one.share for one in self.happenings.values()])
        for table in signs.tables("sign"):
            _add(self.signs, table, self._sign(table))
        row_strength = _strength(signs)
        signs.done()
        found: dict[str, Step] = {}
        for table in steps.tables("step"):
            _add(found, table, self._step(table))
        minute_cost = steps.figure("minute_cost")
        steps.done()
        if not any(one.kind is StepKind.HAND_ON and not one.consents for one in found.values()):
            steps.refuse(
                "has no step that hands the job on without a consent", "Add one: stopping is always possible"
            )
        return Tables(
            self.faults,
            self.groups,
            self.happenings,
            self.layouts,
            sound,
            self.signs,
            found,
            minute_cost,
            share_strength,
            row_strength,
        )

    def _first_shares(self, sound: Figure) -> list[Figure]:
        """A drive's faults count twice: a box has two drives."""
        drives = [one.first for one in self.faults.values() if one.seat is Seat.BAY]
        others = [one.first for one in self.faults.values() if one.seat is not Seat.BAY]
        return [sound, *others, *drives, *drives]

    def _fault(self, table: Table) -> Fault:
        fault = Fault(
            table.id(),
            _one_of(table, "seat", Seat),
            table.text("words"),
            _share(table, "first"),
            _share(table, "besides"),
        )
        table.done()
        return fault

    def _group(self, table: Table) -> None:
        group_id, members = table.id(), table.ids("faults")
        for one in members:
            if one not in self.faults or self.faults[one].seat is not Seat.BAY:
                table.refuse(f"names {one[:60]!r}, no fault of a drive", "Name faults of drives")
        if group_id in self.faults or group_id in self.groups or not members:
            table.refuse("uses a name that is taken, or is empty", "Give every group its own name")
        self.groups[group_id] = members
        table.done()

    def _happening(self, table: Table) -> Happening:
        times: dict[str, Figure] = {}
        if table.has("times"):
            inner = table.table("times")
            for name in inner.names():
                if name not in self.faults:
                    inner.refuse(f"names {name[:60]!r}, which is no fault", "Name a fault")
                times[name] = inner.figure(name)
                if not 0 < times[name].value <= 1000:
                    inner.refuse(f"makes {name!r} {times[name].value} times as likely", "Use above 0 to 1000")
        happening = Happening(table.id(), table.text("words"), _share(table, "share"), times)
        table.done()
        return happening

    def _sign(self, table: Table) -> Sign:
        sign_id, seat, asks = table.id(), _one_of(table, "seat", Seat), table.text("asks")
        answers: list[Answer] = []
        for inner in table.tables("answer"):
            answers.append(Answer(inner.id(), inner.text("words")))
            inner.done()
        if len(answers) < 2 or len({one.id for one in answers}) != len(answers):
            table.refuse("has not two answers with names of their own", "Give each answer its own")
        rows: list[Row] = []
        for inner in table.tables("row"):
            if rows and not rows[-1].when:
                inner.refuse("stands behind the row that always applies", "Put it before that")
            rows.append(Row(self._terms(inner, seat), inner.shares("chances", len(answers))))
            inner.done()
        if not rows or rows[-1].when:
            table.refuse("has no last row that always applies", "End with a row that has no `when`")
        if len({one.when for one in rows}) != len(rows):
            table.refuse("has two rows with the same conditions", "Leave the second out: it never applies")
        past, asks_alone = table.flag("past"), table.text("asks_alone", "")
        table.done()
        return Sign(sign_id, seat, asks, tuple(answers), tuple(rows), past, asks_alone)

    def _terms(self, table: Table, seat: Seat) -> tuple[Term, ...]:
        return tuple(self._term(table, seat, text) for text in table.ids("when"))

    def _term(self, table: Table, seat: Seat, text: str) -> Term:
        holds = not text.startswith("not ")
        scope_name, _, name = text.removeprefix("not ").rpartition(":")
        scope = Scope.OWN if not scope_name else next((one for one in Scope if one == scope_name), None)
        if scope is None or (scope is Scope.OWN and scope_name):
            table.refuse(
                f"has the condition {text[:60]!r}", "Begin it with any:, both:, other:, layout: or event:"
            )
        if name not in self._known(scope):
            table.refuse(
                f"has the condition {text[:60]!r}, which names nothing", "Name what faults.toml defines"
            )
        of_drive = name in self.groups or (name in self.faults and self.faults[name].seat is Seat.BAY)
        if scope is Scope.OWN and of_drive and seat is not Seat.BAY:
            table.refuse(f"asks for {name!r} of no drive in particular", f"Write any:{name} or both:{name}")
        if scope in (Scope.ANY, Scope.BOTH, Scope.OTHER) and not of_drive:
            table.refuse(f"asks for {name!r} of drives, which have none", f"Write {name}")
        if scope is Scope.OTHER and seat is not Seat.BAY:
            table.refuse(f"asks for the other bay of the {seat} in {text[:60]!r}", "Write any: or both:")
        return Term(scope, name, holds)

    def _known(self, scope: Scope) -> Collection[str]:
        if scope is Scope.LAYOUT:
            return self.layouts
        return self.happenings if scope is Scope.EVENT else {*self.faults, *self.groups}

    def _step(self, table: Table) -> Step:
        kind, seat = _one_of(table, "kind", StepKind), _one_of(table, "seat", Seat)
        fixes: dict[str, Figure] = {}
        if table.has("fixes"):
            inner = table.table("fixes")
            for name in inner.names():
                if name not in self.faults or (seat is Seat.BAY) != (self.faults[name].seat is Seat.BAY):
                    inner.refuse(f"names {name[:60]!r}, no fault of the {seat}", f"Name faults of the {seat}")
                fixes[name] = _share(inner, name)
        step = Step(
            id=table.id(),
            kind=kind,
            seat=seat,
            words=table.text("words"),
            minutes=_cost(table, "minutes"),
            money=_cost(table, "money"),
            reveals=table.text("reveals", ""),
            fixes=fixes,
            solves=self._chances(table, "solves", seat),
            harm=self._chances(table, "harm", seat),
            powers=table.flag("powers"),
            reversible=not table.flag("irreversible"),
            needs=self._needs(table),
            cautions=table.ids("cautions"),
            consents=table.ids("consents"),
            asked=table.flag("asked"),
            pictured=table.flag("pictured"),
            again=table.flag("again"),
            of_board=table.flag("of_board"),
            joins=table.flag("joins"),
        )
        self._check(table, step)
        table.done()
        return step

    def _chances(self, table: Table, key: str, seat: Seat) -> tuple[Chance, ...]:
        found: list[Chance] = []
        for inner in table.tables(key):
            if found and not found[-1].when:
                inner.refuse("stands behind the one that always applies", "Put it before that")
            found.append(Chance(self._terms(inner, seat), _share(inner, "chance")))
            inner.done()
        return tuple(found)

    def _needs(self, table: Table) -> tuple[tuple[str, str], ...]:
        needs: list[tuple[str, str]] = []
        for text in table.ids("needs"):
            sign, given, answer = text.partition("=")
            known = {one.id for one in self.signs[sign].answers} if sign in self.signs else set[str]()
            if not known or (given and answer not in known):
                table.refuse(
                    f"needs {text[:60]!r}, no sign or sign=answer", "Name a sign, or one with its answer"
                )
            needs.append((sign, answer))
        return tuple(needs)

    def _check(self, table: Table, step: Step) -> None:
        if (step.kind is StepKind.TEST) != bool(step.reveals):
            table.refuse(
                "is a test without a sign, or the reverse", "Give a test, and only a test, `reveals`"
            )
        if step.reveals and (
            step.reveals not in self.signs or self.signs[step.reveals].seat is not step.seat
        ):
            table.refuse(f"reveals {step.reveals[:60]!r}, no sign of the {step.seat}", "Name one")
        if step.kind is not StepKind.TEST and not (step.fixes or step.solves):
            table.refuse("mends nothing", "Give `fixes` or `solves`")
        if step.kind is StepKind.TEST and (step.fixes or step.solves):
            table.refuse("is a test that mends", "Make it a repair")
        if step.kind is not StepKind.TEST and (step.asked or step.pictured or step.again):
            table.refuse("asks or looks and is no test", "Leave `asked`, `pictured` and `again` to tests")
        if step.powers and (step.asked or step.pictured):
            table.refuse("gives a drive power and is done from afar", "Leave one of them out")
        for one in step.cautions:
            if one not in packaged_cautions():
                table.refuse(f"has the caution {one[:60]!r}, which is not there", "Name one of cautions.toml")
        if step.powers and _POWER_CAUTIONS.isdisjoint(step.cautions):
            table.refuse(
                "gives a drive power without its caution",
                "Add the caution spinning-drive, drives-in-box or reading-drive",
            )
        if step.powers and _POWER_CONSENT not in step.consents:
            table.refuse(
                "gives a drive power without the customer's word", f"Add the consent {_POWER_CONSENT}"
            )
        if step.powers and not step.harm:
            table.refuse("gives a drive power and names no harm", "Say what is lost by it, and when")


def _add(found: dict[str, _Entry], table: Table, entry: _Entry) -> None:
    if entry.id in found:
        table.refuse("uses a name that is taken", "Give every entry its own")
    found[entry.id] = entry


def _one_of(table: Table, key: str, words: type[_Word]) -> _Word:
    said = table.text(key)
    if said not in {str(one) for one in words}:
        table.refuse(f"has the {key} {said[:60]!r}", f"Use one of {', '.join(words)}")
    return words(said)


def _share(table: Table, key: str) -> Figure:
    figure = table.figure(key)
    if not 0 < figure.value < 1 or figure.unit:
        table.refuse(f"has {figure.text} for {key!r}, no share", "Use a bare number above 0 and below 1")
    return figure


def _strength(table: Table) -> Figure:
    figure = table.figure("strength")
    if not 0 < figure.value <= 1_000_000 or figure.unit:
        table.refuse(f"has the strength {figure.text}", "Use a bare number of cases above 0")
    return figure


def _cost(table: Table, key: str) -> Figure:
    figure = table.figure(key)
    if figure.value < 0:
        table.refuse(f"has {figure.text} for {key!r}", "Use 0 or more")
    return figure


def _adds_up(table: Table, what: str, shares: list[Figure]) -> None:
    total = sum(one.value for one in shares)
    if total != 1:
        raise BadFormFile(
            f"{table.where}: the shares of the {what} are {total} together",
            "Make them 1, the faults of a drive counted twice",
        )
