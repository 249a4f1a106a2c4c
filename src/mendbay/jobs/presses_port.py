"""What forms of the bench in the browser led to, beyond a server's end. Wiring hands in what keeps it."""

from __future__ import annotations

from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Protocol

MOST = 500
"""Presses that are remembered (own choice)."""
KEPT_SECONDS = 600.0
"""How long; who presses later means it (own choice)."""


@dataclass(frozen=True, slots=True)
class Led:
    """What a press led to. Of the sentence that told it nothing is kept, as it may name whom the case is of.

    Args:
        url: the page it led to.
        clears: whether browsers were to drop what they keep.
    """

    url: str
    clears: bool = False


class Held(Protocol):
    """One press that nobody else is at while it is held, in no server of this home."""

    @property
    def led(self) -> Led | None:
        """What it led to before; None where it was not done, or that is not known."""
        ...

    @property
    def is_doubtful(self) -> bool:
        """Whether it was begun before and its server ended meanwhile: it may have been done, or not."""
        ...

    def keep(self, led: Led) -> None:
        """Puts down what it led to, if that can be done; without that it counts as not done once it ends."""
        ...


class Presses(Protocol):
    """The last presses of all servers of one home; none is looked for when a page is shown."""

    def hold(self, case: int | None, digest: str) -> AbstractContextManager[Held]:
        """Waits until nobody else is at the same press, and is at it until its end. Where nothing can be
        kept it is one that was never done, whatever was.

        Args:
            case: that it is of; None for of none.
            digest: of all that it says, 64 hexadecimal digits.
        """
        ...

    def forget(self, case: int | None) -> None:
        """Keeps nothing more of a case, or of anything; but for what somebody is at."""
        ...

    def tidy(self) -> None:
        """Keeps nothing more of what is too old or too much."""
        ...


class _Nothing:
    led: Led | None = None
    is_doubtful = False

    def keep(self, led: Led) -> None:
        return


NOTHING_HELD: Held = _Nothing()
"""A press of which nothing can be kept."""
