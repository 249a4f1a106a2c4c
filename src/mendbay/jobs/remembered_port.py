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

    def add(self, results: Mapping[str, Any]) -> None:
        """Remembers these beside the others, if that can be done."""
        ...


class Forgetful(Remembered):
    """Remembers nothing."""

    def recall(self) -> Mapping[str, Any]:
        return {}

    def some(self, keys: Iterable[str]) -> Mapping[str, Any]:
        return {}

    def keep(self, results: Mapping[str, Any]) -> None:
        return

    def add(self, results: Mapping[str, Any]) -> None:
        return
