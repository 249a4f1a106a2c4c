"""What happened in a case, told for every face."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

from mendbay.case.records import Event


@dataclass(frozen=True, slots=True)
class Happened:
    """Something that happened, once or several times in a row.

    Args:
        at, first: the last time and the first.
        times: how often in a row.
    """

    at: str
    first: str
    times: int
    text: str

    @property
    def sentence(self) -> str:
        """With the last time, and with the first if it happened more than once."""
        again = f" ({self.times} times from {self.first})" if self.times > 1 else ""
        return f"{self.at} {self.text}{again}"


def happened(events: Sequence[Event]) -> Iterator[Happened]:
    """The events one after the other; what was told several times in a row stands once."""
    for text, same in groupby(events, key=lambda one: one.text):
        times = [one.at for one in same]
        yield Happened(times[-1], times[0], len(times), text)
