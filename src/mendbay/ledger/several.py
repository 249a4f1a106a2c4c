"""What is asked of several cases at once."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Protocol, TypeVar


class OfCase(Protocol):
    """A record of a case."""

    @property
    def case(self) -> int: ...


Record = TypeVar("Record", bound=OfCase)


def listed(numbers: Iterable[int]) -> str:
    """Numbers as the one value that `json_each` makes rows of; what no case can be called is left out."""
    return json.dumps([one for one in numbers if 0 < one < 2**63])


def by_case(records: Iterable[Record]) -> dict[int, tuple[Record, ...]]:
    """Records by the case they are of, in their order."""
    found: dict[int, list[Record]] = {}
    for one in records:
        found.setdefault(one.case, []).append(one)
    return {case: tuple(each) for case, each in found.items()}
