"""What of the files of a case is to be handed back, and whether any may be."""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum

from mendbay.case.records import Case, CaseState
from mendbay.core.errors import UsageError
from mendbay.jobs.remembered import reopening


class WhatGoes(StrEnum):
    """What of the files of a case goes out."""

    ALL = "all"
    WANTED = "wanted"
    PATTERNS = "patterns"

    @property
    def words(self) -> str:
        """In words of a form in which patterns can be typed below."""
        return {
            WhatGoes.ALL: "all files",
            WhatGoes.WANTED: "what is wanted first",
            WhatGoes.PATTERNS: "what the patterns below select",
        }[self]


def require_not_closed(case: Case) -> None:
    """
    Raises:
        UsageError: the case is closed.
    """
    if case.state is CaseState.CLOSED:
        raise UsageError(
            f"Case {case.number} is closed: how it ended would no longer be true after another hand-back.",
            reopening(case),
        )


def patterns_of(what: WhatGoes, typed: Sequence[str], wanted: Sequence[str]) -> tuple[str, ...]:
    """The patterns that select what goes; none for all files.

    Args:
        typed: the patterns that were typed, each as it stands.
        wanted: what is wanted first by the case.

    Raises:
        UsageError: patterns are typed and something else is to go: either may be the slip, and more must not
            go out than was asked for. Or nothing selects what goes.
    """
    said = tuple(one.strip() for one in typed if one.strip())
    if said and what is not WhatGoes.PATTERNS:
        raise UsageError(
            f"The pattern {said[0][:80]!r} is typed, and {what.words} would go.",
            f"Choose “{WhatGoes.PATTERNS.words}”, or leave the patterns out.",
        )
    chosen = tuple(wanted) if what is WhatGoes.WANTED else said
    if what is not WhatGoes.ALL and not chosen:
        raise UsageError("Nothing is said to be wanted.", "Write a pattern, or hand all files back.")
    return chosen
