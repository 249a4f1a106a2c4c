"""Orders, states and requests of works as JSON (docs/formats/works.md). What is read may be damaged."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import Any, TypeVar

from mendbay.jobs.work_port import (
    JSON,
    OF_THE_SHOP,
    Ask,
    Outcome,
    Question,
    Standing,
    Trouble,
    WorkKind,
    WorkOrder,
    WorkRequest,
    WorkState,
)

FORMAT = 1
_Word = TypeVar("_Word", bound=StrEnum)


class NotOurs(ValueError):
    """What was read is not what was written here."""


def order_json(order: WorkOrder) -> dict[str, JSON]:
    """An order as it is kept."""
    return {
        "format": FORMAT,
        "id": order.id,
        "kind": str(order.kind),
        "case": order.case,
        "who": order.who,
        "at": order.at,
        "options": order.options,
    }


def order_from(found: object, work: str) -> WorkOrder:
    """An order that was kept as that of `work`.

    Raises:
        NotOurs: it is damaged, or that of another.
    """
    of = _Found(found)
    if of.text("id") != work:
        raise NotOurs("it names another work")
    kind = of.one_of("kind", WorkKind)
    case = of.number("case")
    if case < (0 if kind in OF_THE_SHOP else 1):
        raise NotOurs("it names no case")
    return WorkOrder(work, kind, case, of.text("who"), of.text("at"), of.mapping("options"))


def state_json(state: WorkState) -> dict[str, JSON]:
    """A state as it is kept."""
    question, trouble = state.question, state.trouble
    return {
        "format": FORMAT,
        "standing": str(state.standing),
        "started_at": state.started_at,
        "updated_at": state.updated_at,
        "ended_at": state.ended_at,
        "progress": state.progress,
        "step": state.step,
        "said": list(state.said),
        "said_at": list(state.said_at),
        "said_count": state.said_count,
        "advice": state.advice,
        "question": None
        if question is None
        else {
            "number": question.number,
            "kind": question.kind,
            "bay": question.bay,
            "text": question.text,
        },
        "outcome": None if state.outcome is None else str(state.outcome),
        "trouble": None
        if trouble is None
        else {
            "kind": trouble.kind,
            "what": trouble.what,
            "next_step": trouble.next_step,
            "exit_code": trouble.exit_code,
        },
        "result": state.result,
        "result_words": list(state.result_words),
    }


def state_from(found: object) -> WorkState:
    """A state that was kept.

    Raises:
        NotOurs: it is damaged.
    """
    of = _Found(found)
    standing = of.one_of("standing", Standing)
    outcome = of.one_of("outcome", Outcome) if of.has("outcome") else None
    if (outcome is None) == (standing is Standing.ENDED):
        raise NotOurs("it says that it ended without how, or how it ended before it did")
    return WorkState(
        standing=standing,
        started_at=of.text("started_at"),
        updated_at=of.text("updated_at"),
        ended_at=of.text("ended_at"),
        progress=of.mappings("progress"),
        step=of.mapping("step") if of.has("step") else None,
        said=of.texts("said"),
        said_at=of.texts("said_at") if of.has("said_at") else (),
        said_count=of.number("said_count"),
        advice=of.mappings("advice"),
        question=_question(of.inner("question")) if of.has("question") else None,
        outcome=outcome,
        trouble=_trouble(of.inner("trouble")) if of.has("trouble") else None,
        result=of.any("result"),
        result_words=of.texts("result_words"),
    )


def request_json(request: WorkRequest) -> dict[str, JSON]:
    """A request as it is placed."""
    return {"ask": str(request.ask), "number": request.number, "yes": request.yes, "bay": request.bay}


def request_from(found: object) -> WorkRequest:
    """A request that was placed.

    Raises:
        NotOurs: it is damaged.
    """
    of = _Found(found)
    return WorkRequest(of.one_of("ask", Ask), of.number("number"), of.flag("yes"), of.text("bay"))


def _question(of: _Found) -> Question:
    return Question(of.number("number"), of.text("kind"), of.text("bay"), of.text("text"))


def _trouble(of: _Found) -> Trouble:
    return Trouble(of.text("kind"), of.text("what"), of.text("next_step"), of.number("exit_code"))


class _Found:
    """An object that was read, whose fields are asked for by what they must be."""

    def __init__(self, found: object) -> None:
        if not isinstance(found, dict):
            raise NotOurs("it is no object")
        self._found: dict[str, Any] = found

    def has(self, name: str) -> bool:
        return self._found.get(name) is not None

    def any(self, name: str) -> Any:
        return self._found.get(name)

    def text(self, name: str) -> str:
        return str(self._of(name, str))

    def flag(self, name: str) -> bool:
        return bool(self._of(name, bool))

    def number(self, name: str) -> int:
        value = self._of(name, int)
        if isinstance(value, bool):
            raise NotOurs(f"{name} is no number")
        return int(value)

    def texts(self, name: str) -> tuple[str, ...]:
        value = self._of(name, list)
        if not all(isinstance(one, str) for one in value):
            raise NotOurs(f"{name} holds something else than texts")
        return tuple(value)

    def mapping(self, name: str) -> Mapping[str, JSON]:
        value: dict[str, JSON] = self._of(name, dict)
        return value

    def mappings(self, name: str) -> Mapping[str, Mapping[str, JSON]]:
        value: dict[str, dict[str, JSON]] = self._of(name, dict)
        if not all(isinstance(one, dict) for one in value.values()):
            raise NotOurs(f"{name} holds something else than objects")
        return value

    def inner(self, name: str) -> _Found:
        return _Found(self._of(name, dict))

    def one_of(self, name: str, words: type[_Word]) -> _Word:
        try:
            return words(self.text(name))
        except ValueError as trouble:
            raise NotOurs(f"{name} is a word that is not known") from trouble

    def _of(self, name: str, kind: type) -> Any:
        value = self._found.get(name)
        if not isinstance(value, kind):
            raise NotOurs(f"{name} is missing or no {kind.__name__}")
        return value
