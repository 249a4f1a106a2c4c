"""How a case ended: what turned out to be broken, how sure that is, and what became of the data."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from mendbay.core.errors import UsageError
from mendbay.core.texts import require_text

MOST_FOUND = 8
"""Things that can be said to have been broken in one case (own choice: more is a list for the remark)."""

_FAULT = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+){0,9}")
_BAY = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]{0,31}")
_KEYS = {"found", "known", "sure", "end", "data", "remark"}


class End(StrEnum):
    """What became of the job."""

    HANDED_BACK = "handed back"
    """The customer got the files."""
    REPAIRED = "repaired"
    """The thing itself works again."""
    SENT_ON = "sent on"
    """Somebody better equipped has it now."""
    GIVEN_BACK = "given back"
    """It went back as it came."""
    DECLINED = "declined"
    """The customer did not want the work."""
    ANSWERED = "enquiry answered"
    """Nothing came but a question."""


class DataBack(StrEnum):
    """How much of the wanted data the customer has."""

    ALL = "all"
    MOST = "most"
    PART = "part"
    NONE = "none"
    NOT_ASKED = "not asked for"


@dataclass(frozen=True, slots=True, order=True)
class Found:
    """One thing that was broken, by the name triage has for it; `bay` is empty for the box's own."""

    fault: str
    bay: str = ""

    @property
    def text(self) -> str:
        """As a person types it: `heads:1`, `adapter`."""
        return f"{self.fault}:{self.bay}" if self.bay else self.fault


@dataclass(frozen=True, slots=True)
class Outcome:
    """
    Args:
        found: what was broken; empty for nothing, or while it is not known.
        known: whether it is known what was broken, nothing being an answer too.
        sure: proven by a repair that helped or by a measurement; otherwise only likely.

    Raises:
        UsageError: it contradicts itself, names something twice or something that cannot be a name, or has a
            remark that cannot be kept.
    """

    found: tuple[Found, ...]
    known: bool
    sure: bool
    end: End
    data: DataBack
    remark: str = ""

    def __post_init__(self) -> None:
        if self.found and not self.known:
            raise UsageError(
                "Something was found and yet it is not known what was broken.", "Say one of them."
            )
        if self.sure and not self.known:
            raise UsageError("What is not known cannot be sure.", "Leave one of them out.")
        if len(set(self.found)) != len(self.found) or len(self.found) > MOST_FOUND:
            raise UsageError(
                f"{len(self.found)} things are named as broken, too many or one of them twice.",
                f"Name each once, at most {MOST_FOUND}.",
            )
        for one in self.found:
            if len(one.fault) > 60 or not _FAULT.fullmatch(one.fault):
                raise UsageError(
                    f"{one.fault[:40]!r} cannot be a fault.", "Write it like heads:1 or adapter."
                )
            if one.bay and not _BAY.fullmatch(one.bay):
                raise UsageError(f"{one.bay[:40]!r} cannot be a bay.", "Write it like heads:1.")
        require_text(self.remark)


def said(
    found: Sequence[str],
    *,
    nothing_broken: bool = False,
    not_known: bool = False,
    likely: bool = False,
    end: End | None = None,
    data: DataBack | None = None,
    remark: str = "",
) -> Outcome:
    """The outcome that a person says.

    Args:
        found: what was broken, like `heads:1` or `adapter`.

    Raises:
        UsageError: not exactly one of what was broken, that nothing was, and that it is not known; no end, or
            nothing said of the data; or as `Outcome`.
    """
    if bool(found) + nothing_broken + not_known != 1:
        raise UsageError(
            "A case is closed with what was broken, or that nothing was, or that it is not known.",
            "Give --found FAULT:BAY, or --nothing-broken, or --not-known; one of them.",
        )
    if end is None or data is None:
        what, option, words = (
            ("how it ended", "--end", End) if end is None else ("of the data", "--data", DataBack)
        )
        raise UsageError(
            f"Nothing is said {what}." if end is not None else f"It is not said {what}.",
            f"Add {option} with one of: {', '.join(one.replace(' ', '-') for one in words)}.",
        )
    if likely and not_known:
        raise UsageError("What is not known cannot be likely.", "Leave one of them out.")
    sure = not (likely or not_known)
    return Outcome(tuple(map(found_of, found)), not not_known, sure, end, data, remark.strip())


def found_of(text: str) -> Found:
    """What `heads:1` or `adapter` means; `Outcome` refuses what cannot be a name."""
    fault, _, bay = text.strip().partition(":")
    return Found(fault.strip(), bay.strip())


def to_json(outcome: Outcome) -> str:
    """An outcome as its note holds it."""
    body = {
        "found": [[one.fault, one.bay] for one in outcome.found],
        "known": outcome.known,
        "sure": outcome.sure,
        "end": str(outcome.end),
        "data": str(outcome.data),
        "remark": outcome.remark,
    }
    return json.dumps(body, ensure_ascii=False)


def from_json(text: str) -> Outcome:
    """The outcome of a note.

    Raises:
        UsageError: it is not one that `to_json` wrote.
    """
    try:
        body = json.loads(text)
    except (ValueError, RecursionError):
        body = None
    if not isinstance(body, dict) or set(body) != _KEYS or not _sound(body):
        raise UsageError("That is not the outcome of a case.", "Close the case again.")
    return Outcome(
        tuple(Found(fault, bay) for fault, bay in body["found"]),
        body["known"],
        body["sure"],
        End(body["end"]),
        DataBack(body["data"]),
        body["remark"],
    )


def _sound(body: Mapping[str, Any]) -> bool:
    found = body["found"]
    return (
        isinstance(found, list)
        and all(
            isinstance(one, list) and len(one) == 2 and all(isinstance(part, str) for part in one)
            for one in found
        )
        and isinstance(body["known"], bool)
        and isinstance(body["sure"], bool)
        and body["end"] in [str(one) for one in End]
        and body["data"] in [str(one) for one in DataBack]
        and isinstance(body["remark"], str)
    )
