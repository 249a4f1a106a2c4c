"""What was worked out once and need not be again. Wiring hands in what fulfils it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Protocol


class Remembered(Protocol):
    """Results by the key that stands for all they were made of. Losing them costs time and nothing else."""

    def recall(self) -> Mapping[str, Any]:
        """All that is remembered; empty when there is nothing, or it cannot be read."""
        ...

    def some(self, keys: Iterable[str]) -> Mapping[str, Any]:
        """Of these keys what is remembered; the rest is not read."""
        ...

    def keep(self, results: Mapping[str, Any]) -> None:
        """Remembers these in the place of all others, if that can be done."""
        ...

    def add(self, results: Mapping[str, Any], case: int = 0) -> None:
        """Remembers these beside the others, if that can be done.

        Args:
            case: of which they are all: what else is remembered of it goes. 0 for none.
        """
        ...

    def forget(self, case: int) -> None:
        """Remembers nothing of a case any more, nor what cannot be told to be of another."""
        ...


def key_of(case: int, made_of: str) -> str:
    """The key of a result that is of one case.

    Args:
        made_of: stands for all that it was made of.
    """
    return f"{case}:{made_of}"


def case_of(key: str) -> int:
    """The case that a result is of; 0 if it is of none."""
    number, colon, _ = key.partition(":")
    return int(number) if colon and number.isascii() and number.isdigit() else 0


class Forgetful(Remembered):
    """Remembers nothing."""

    def recall(self) -> Mapping[str, Any]:
        return {}

    def some(self, keys: Iterable[str]) -> Mapping[str, Any]:
        return {}

    def keep(self, results: Mapping[str, Any]) -> None:
        return

    def add(self, results: Mapping[str, Any], case: int = 0) -> None:
        return

    def forget(self, case: int) -> None:
        return
