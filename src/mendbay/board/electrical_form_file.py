"""Reads the form of the electrical sheet from TOML and refuses one that does not hold together.

Beside the shape of every entry it checks what a wrong file could do harm with: a number without origin, a
caution or step that does not exist, a powered step that needs no gate, a gate that nothing guards, limits
in the wrong order, an observation nobody can make.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from decimal import Decimal
from enum import StrEnum
from functools import cache
from importlib.resources import files
from typing import TypeVar

from mendbay.board.electrical_form import (
    Choice,
    Clause,
    Condition,
    ElectricalForm,
    Expected,
    Gate,
    Group,
    Motor,
    Observation,
    Phase,
    Rule,
    Size,
    Steadiness,
    Step,
    ValueClass,
)
from mendbay.board.electrical_units import Unit
from mendbay.core.cautions import Cautions, packaged_cautions
from mendbay.core.errors import BadFormFile
from mendbay.core.figures import Table, read_tables

FILE = "expected_readings.toml"
WEIGHTS = ("decisive", "strong", "fair", "weak")

_POWERED = (Phase.FIVE, Phase.BOTH, Phase.ATTACHED)
_PHASE_KEYS = {
    "bench": Phase.BENCH,
    "board": Phase.BOARD,
    "drive": Phase.DRIVE,
    "supply": Phase.SUPPLY,
    "five": Phase.FIVE,
    "both": Phase.BOTH,
    "attached": Phase.ATTACHED,
}
_Word = TypeVar("_Word", bound=StrEnum)
_Row = TypeVar("_Row", Step, Observation)


@cache
def packaged_form() -> ElectricalForm:
    """The form that comes with Mendbay, checked against the cautions that do."""
    return parse_form(packaged_text())


def packaged_text() -> str:
    """The text of the form that comes with Mendbay."""
    return files("mendbay.board").joinpath(FILE).read_text(encoding="utf-8")


def parse_form(text: str, cautions: Cautions | None = None, name: str = FILE) -> ElectricalForm:
    """Reads a form; its cautions must exist among `cautions`, by default the packaged ones.

    Raises:
        BadFormFile: the file breaks a rule of `docs/formats/expected-readings.md`; the message names the
            entry.
    """
    known = packaged_cautions() if cautions is None else cautions
    top = read_tables(text, name)
    observations = _by_id([_observation(table) for table in top.tables("observation")], top)
    steps = _by_id([_step(table, observations, known) for table in top.tables("step")], top)
    groups = tuple(_group(table, steps) for table in top.tables("group"))
    steadiness: dict[Unit, Steadiness] = {
        unit: _steadiness(top.table("steady").table(unit.value)) for unit in Unit if unit is not Unit.CHOICE
    }
    rules = tuple(_rule(table, observations, known) for table in top.tables("rule"))
    motor = _motor(top.table("motor"), steps)
    leads, strap = top.text("leads"), top.text("strap")
    top.done()
    if strap not in steps:
        top.refuse(f"has no step {strap[:60]!r} for the wrist strap", "Let strap name a step")
    form = ElectricalForm(
        steps, groups, steadiness, observations, rules, motor, leads, _leads_at_most(steps, leads, top), strap
    )
    _check_whole(form, top)
    return form


def _observation(table: Table) -> Observation:
    observation_id, subject = table.id(), table.sentences(("subject",), {})["subject"]
    weights: dict[ValueClass, str] = {}
    rows = table.table("weights")
    for key in rows.names():
        weight = rows.text(key)
        if weight not in WEIGHTS:
            rows.refuse(f"has the weight {weight[:40]!r}", f"Use one of {', '.join(WEIGHTS)}")
        weights[_word(ValueClass, key, rows)] = weight
    phrases: dict[ValueClass, str] = {}
    if table.has("phrases"):
        words = table.table("phrases")
        phrases = {_word(ValueClass, key, words): words.sentences((key,), {})[key] for key in words.names()}
    table.done()
    silent = sorted(set(phrases) - set(weights))
    if silent:
        table.refuse(f"has a phrase for {silent[0]!r} but no weight", "Add the weight or drop the phrase")
    return Observation(observation_id, subject, weights, phrases)


def _step(table: Table, observations: Mapping[str, Observation], cautions: Cautions) -> Step:
    figures = table.figures()
    words = table.sentences(("question", "how"), figures)
    observation = table.text("observation", "")
    if observation and observation not in observations:
        table.refuse(f"names the unknown observation {observation[:60]!r}", "Use one that the file lists")
    step = Step(
        id=table.id(),
        phase=_phase(table),
        question=words["question"],
        how=words["how"],
        figures=figures,
        unit=_word(Unit, table.text("unit"), table),
        expected=tuple(_expected(one) for one in table.tables("expected")),
        choices=tuple(_choice(one, observations) for one in table.tables("choices")),
        cautions=_known(table, "cautions", cautions, "caution"),
        observation=observation,
        guards=_words(Gate, table, "guards"),
        needs=_words(Gate, table, "needs"),
        after=table.ids("after"),
        sizes=_words(Size, table, "sizes") or (Size.LARGE, Size.SMALL),
        only_if=_condition(table),
        depends_on=table.text("depends_on", ""),
        optional=table.flag("optional"),
        finds_shorts=table.flag("finds_shorts"),
    )
    table.done()
    _check_step(step, table)
    return step


def _phase(table: Table) -> Phase:
    key = table.text("phase")
    if key not in _PHASE_KEYS:
        table.refuse(f"has the unknown phase {key[:40]!r}", f"Use one of {', '.join(_PHASE_KEYS)}")
    return _PHASE_KEYS[key]


def _expected(table: Table) -> Expected:
    size = table.text("size", "any")
    expected = Expected(
        None if size == "any" else _word(Size, size, table),
        table.text("choice", ""),
        *(
            table.optional_figure(key)
            for key in (
                *("short_below", "at_least", "at_most", "below", "open_above", "stop_below", "stop_above"),
            )
        ),
    )
    table.done()
    rising = (
        expected.short_below,
        expected.at_least,
        expected.at_most or expected.below,
        expected.open_above,
    )
    values = [one.value for one in rising if one is not None]
    if values != sorted(values):
        table.refuse("has limits in the wrong order", "Let them rise from short to open")
    if expected.at_most and expected.below:
        table.refuse("has both at_most and below", "Give one upper limit")
    if not values:
        table.refuse("has no limit", "Give at least one, or leave the table out")
    return expected


def _choice(table: Table, observations: Mapping[str, Observation]) -> Choice:
    observation = table.text("observation", "")
    if observation and observation not in observations:
        table.refuse(f"names the unknown observation {observation[:60]!r}", "Use one that the file lists")
    choice = Choice(
        table.text("word"),
        _word(ValueClass, table.text("class"), table),
        table.sentences(("says",), {})["says"],
        observation,
        table.flag("stops"),
        table.ids("also"),
    )
    table.done()
    return choice


def _condition(table: Table) -> Condition | None:
    if not table.has("only_if"):
        return None
    inner = table.table("only_if")
    condition = Condition(inner.id("step"), inner.text("choice"))
    inner.done()
    return condition


def _check_step(step: Step, table: Table) -> None:
    if (step.unit is Unit.CHOICE) != bool(step.choices) or (step.choices and step.expected):
        table.refuse("mixes choices and numbers", "Give choices for the unit choice, and only there")
    if step.unit is not Unit.CHOICE and not step.expected:
        table.refuse("has nothing to judge a value by", "Give at least one expected table")
    if step.powered != (step.phase in _POWERED):
        table.refuse("needs a gate without power, or none with it", "Let every powered step name its gates")
    if step.powered and not step.after:
        table.refuse("is powered but comes after nothing", "Name the steps that must come first")
    if not step.cautions and step.phase is not Phase.BENCH:
        table.refuse("has no caution", "Name at least the one about static charge")
    stops = any(one.stop_below or one.stop_above for one in step.expected)
    shorts = any(one.short_below for one in step.expected)
    told = any(one.stops for one in step.choices)
    if step.guards and not (stops or shorts or told):
        table.refuse("guards a gate but nothing at it closes one", "Give it a short or a stop limit")
    if (stops or told) and not (step.guards or step.needs):
        table.refuse("has a stop but no gate to close", "Name the gates it guards")
    if step.guards and step.depends_on:
        table.refuse("guards a gate by a choice made elsewhere", "Let its limits stand by themselves")
    words = [one.word.casefold() for one in step.choices]
    if len(set(words)) != len(words):
        table.refuse("has the same choice twice", "Name each once")


def _group(table: Table, steps: Mapping[str, Step]) -> Group:
    group = Group(
        table.id(),
        _known(table, "steps", steps, "step"),
        table.figure("share"),
        table.figure("at_most"),
        table.sentences(("why",), {})["why"],
    )
    table.done()
    if len(group.steps) < 2 or len({steps[one].unit for one in group.steps}) != 1:
        table.refuse("does not compare like with like", "Name two steps or more of one unit")
    return group


def _steadiness(table: Table) -> Steadiness:
    steadiness = Steadiness(table.figure("share"), table.figure("at_most"))
    table.done()
    return steadiness


def _rule(table: Table, observations: Mapping[str, Observation], cautions: Cautions) -> Rule:
    figures = table.figures()
    clauses = tuple(_clause(one, observations) for one in table.tables("when"))
    rule = Rule(
        table.id(),
        clauses,
        table.sentences(("text",), figures)["text"],
        figures,
        _known(table, "cautions", cautions, "caution"),
    )
    table.done()
    if not clauses:
        table.refuse("has no condition", "Say when it holds")
    return rule


def _clause(table: Table, observations: Mapping[str, Observation]) -> Clause:
    observation = table.text("observation")
    if observation not in observations:
        table.refuse(f"names the unknown observation {observation[:60]!r}", "Use one that the file lists")
    clause = Clause(observation, tuple(_word(ValueClass, one, table) for one in table.ids("classes")))
    table.done()
    if not clause.classes or not set(clause.classes) <= set(observations[observation].weights):
        table.refuse("asks for a class that the observation gives no weight", "Use one that has a weight")
    return clause


def _motor(table: Table, steps: Mapping[str, Step]) -> Motor:
    common, between = _known(table, "common", steps, "step"), _known(table, "between", steps, "step")
    if len(common) != 3 or len(between) != 3:
        table.refuse("does not name three readings of each kind", "Name three steps in each list")
    motor = Motor(
        (common[0], common[1], common[2]), (between[0], between[1], between[2]), table.figure("misfit")
    )
    table.done()
    return motor


def _leads_at_most(steps: Mapping[str, Step], leads: str, top: Table) -> Decimal:
    step = steps.get(leads)
    limit = step.expected[0].at_most if step and step.expected else None
    if limit is None:
        top.refuse("does not say how much the leads of a meter have", "Let leads name a step with at_most")
    return limit.value


def _check_whole(form: ElectricalForm, top: Table) -> None:
    places = {step_id: place for place, step_id in enumerate(form.steps)}
    phases = list(Phase)
    before = 0
    for step in form.steps.values():
        named = f"{top.where}, step {step.id!r}"
        if phases.index(step.phase) < before:
            raise BadFormFile(f"{named} stands after a later phase", "Keep the steps in the order of phases")
        before = phases.index(step.phase)
        _check_links(form, step, places, named)
    guarded = {gate for step in form.steps.values() if not step.powered for gate in step.guards}
    for gate in Gate:
        if gate not in guarded:
            top.refuse(f"has nothing that guards {gate.value}", "Name the gate at a step without power")
    made = {one.observation for one in form.steps.values()}
    made |= {choice.observation for one in form.steps.values() for choice in one.choices}
    for observation in form.observations:
        if observation not in made:
            top.refuse(f"has the observation {observation!r} that no step makes", "Use it or remove it")


def _check_links(form: ElectricalForm, step: Step, places: Mapping[str, int], named: str) -> None:
    condition = step.only_if
    if condition:
        asked = form.steps.get(condition.step)
        if asked is None or places[asked.id] >= places[step.id] or not asked.choice(condition.choice):
            raise BadFormFile(f"{named} applies only after a choice nobody is asked", "Correct its only_if")
    for earlier in (*step.after, *filter(None, [step.depends_on])):
        if places.get(earlier, len(places)) >= places[step.id]:
            raise BadFormFile(f"{named} comes after {earlier[:60]!r}, which does not", "Name an earlier step")
    for gate in step.needs:
        if not any(gate in form.steps[one].guards and not form.steps[one].powered for one in step.after):
            raise BadFormFile(
                f"{named} sends power through {gate.value} before anything that guards it was measured",
                "Name a step without power that guards it in after",
            )
    wanted = {one.choice for one in step.expected} - {""}
    if bool(wanted) != bool(step.depends_on) or not all(
        form.steps[step.depends_on].choice(word) for word in wanted
    ):
        raise BadFormFile(f"{named} expects by a choice nobody is asked", "Correct depends_on and choice")


def _by_id(rows: Iterable[_Row], top: Table) -> dict[str, _Row]:
    found: dict[str, _Row] = {}
    for row in rows:
        if row.id in found:
            top.refuse(f"has two entries {row.id!r}", "Give every entry its own id")
        found[row.id] = row
    return found


def _known(table: Table, key: str, among: Mapping[str, object], called: str) -> tuple[str, ...]:
    named = table.ids(key)
    for one in named:
        if one not in among:
            table.refuse(f"names the unknown {called} {one[:60]!r}", f"Use the id of a {called} that exists")
    return named


def _words(kind: type[_Word], table: Table, key: str) -> tuple[_Word, ...]:
    return tuple(_word(kind, one, table) for one in table.ids(key))


def _word(kind: type[_Word], text: str, table: Table) -> _Word:
    try:
        return kind(text)
    except ValueError:
        table.refuse(
            f"has the unknown word {text[:40]!r}", f"Use one of {', '.join(one.value for one in kind)}"
        )
