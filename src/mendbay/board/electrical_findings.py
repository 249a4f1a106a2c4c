"""What a sheet's judgements are evidence of, for triage, and what they say together, for a person."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from mendbay.board.electrical_form import ElectricalForm, Observation, Rule, Step, ValueClass
from mendbay.board.electrical_form_file import WEIGHTS
from mendbay.board.electrical_judge import Judgement

_PHRASES = {
    ValueClass.SHORT: "is shorted",
    ValueClass.LOW: "is too low",
    ValueClass.WITHIN: "is as it should be",
    ValueClass.HIGH: "is too high",
    ValueClass.OPEN: "is open",
    ValueClass.UNEQUAL: "is not like its fellows",
    ValueClass.AMISS: "is not as it should be",
    ValueClass.UNSTABLE: "does not hold still",
    ValueClass.NOT_MEASURED: "was not measured",
    ValueClass.CANNOT_BE_JUDGED: "cannot be judged",
}
_GRAVER = (
    *(ValueClass.OPEN, ValueClass.SHORT, ValueClass.AMISS, ValueClass.UNEQUAL),
    *(ValueClass.HIGH, ValueClass.LOW, ValueClass.UNSTABLE),
)

TELLING = frozenset({"decisive", "strong"})
"""Weights of findings that answer a question; weaker ones leave it open."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One piece of evidence.

    Args:
        observation: an id of the form's vocabulary, such as `suppressor-5v`.
        value_class: what it was found to be; observation and class together are the term that diagnosis
            knows.
        weight: `decisive`, `strong`, `fair` or `weak`.
        words: both as a clause: `the suppressor of the 5 V rail is shorted`.
        why: the reasons of the judgements behind it.
        steps: the steps it rests on.
    """

    observation: str
    value_class: ValueClass
    weight: str
    words: str
    why: str
    steps: tuple[str, ...]

    @property
    def speaks_against(self) -> bool:
        """Whether it is not sound, and weighs enough to say so alone."""
        return self.value_class is not ValueClass.WITHIN and self.weight in TELLING


@dataclass(frozen=True, slots=True)
class Statement:
    """What findings say together: `rule` is its stable id, `cautions` are ids, `findings` its grounds."""

    rule: str
    text: str
    cautions: tuple[str, ...]
    findings: tuple[Finding, ...]


def find(
    form: ElectricalForm, judgements: Mapping[str, Judgement], asked: Iterable[Step]
) -> tuple[Finding, ...]:
    """The findings of a sheet, in the order of the vocabulary.

    Args:
        form: the form of the sheet.
        judgements: of the latest entries, by step.
        asked: the steps that apply and are neither optional nor under power; an observation is only found
            to be sound when all of them that speak of it were judged and none speaks against it.
    """
    expected: dict[str, set[str]] = {}
    for step in asked:
        expected.setdefault(step.observation, set()).add(step.id)
    by_observation: dict[str, list[Judgement]] = {}
    for judged in judgements.values():
        by_observation.setdefault(judged.observation, []).append(judged)
    found = (
        _finding(one, by_observation.get(one.id, []), expected.get(one.id, set()))
        for one in form.observations.values()
    )
    return tuple(one for one in found if one is not None)


def state(form: ElectricalForm, findings: Sequence[Finding]) -> tuple[Statement, ...]:
    """The sentences of the form that hold, in its order."""
    by_observation = {one.observation: one for one in findings}
    stated = (_statement(rule, by_observation) for rule in form.rules)
    return tuple(one for one in stated if one is not None)


def _finding(observation: Observation, judged: Sequence[Judgement], needed: set[str]) -> Finding | None:
    speaking = [one for one in judged if one.value_class in observation.weights]
    against = [one for one in speaking if one.value_class is not ValueClass.WITHIN]
    if against:
        worst = min(against, key=lambda one: _rank(observation, one.value_class)).value_class
        return _made(observation, worst, [one for one in against if one.value_class is worst])
    sound = {one.step for one in speaking}
    doubtful = [one for one in judged if one.value_class not in observation.weights]
    if sound and needed <= sound and not doubtful:
        return _made(observation, ValueClass.WITHIN, speaking)
    return None


def _rank(observation: Observation, value_class: ValueClass) -> tuple[int, int]:
    return WEIGHTS.index(observation.weights[value_class]), _GRAVER.index(value_class)


def _made(observation: Observation, value_class: ValueClass, judged: Sequence[Judgement]) -> Finding:
    phrase = observation.phrases.get(value_class, _PHRASES[value_class])
    return Finding(
        observation.id,
        value_class,
        observation.weights[value_class],
        f"{observation.subject} {phrase}",
        " ".join(dict.fromkeys(one.why for one in judged)),
        tuple(one.step for one in judged),
    )


def _statement(rule: Rule, findings: Mapping[str, Finding]) -> Statement | None:
    resting: list[Finding] = []
    for clause in rule.clauses:
        found = findings.get(clause.observation)
        if found is None or found.value_class not in clause.classes:
            return None
        resting.append(found)
    return Statement(rule.id, rule.text, rule.cautions, tuple(resting))
