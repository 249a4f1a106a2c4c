"""One-time keys by which a telephone may send pictures for one case, and nothing else."""

from __future__ import annotations

import hashlib
import hmac
import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass, field

from mendbay.core.clock import passing_seconds

KEY_SECONDS = 15 * 60
MOST_PICTURES = 200
"""Of one key."""
MOST_KEYS = 8
"""Open at once."""


@dataclass(slots=True)
class PhoneKey:
    """What a key opens.

    Args:
        key: as it stands in the address.
        case, bay: for what pictures are sent; an empty bay for the case as a whole.
        who: opened it at the bench, and stands for what arrives.
        until: by the clock of `PhoneKeys`.
        device: the digest of the first device's mark; empty as long as none came.
        arrived: pictures taken.
        turned_away: how often another device asked.
        said: what became of the pictures that were sent last, in a sentence.
    """

    key: str
    case: int
    bay: str
    who: str
    until: float
    device: str = field(default="", repr=False)
    arrived: int = 0
    turned_away: int = 0
    said: str = ""


class PhoneKeys:
    """The keys that are open.

    Args:
        clock: in seconds, never backwards; also while the machine sleeps, as a key that lies on a table then
            is to be no key any more.
    """

    def __init__(self, clock: Callable[[], float] = passing_seconds) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._open: dict[str, PhoneKey] = {}

    def open(self, case: int, bay: str, who: str) -> PhoneKey:
        """A new key; one that was open for the same place is closed, and so is the oldest of too many."""
        with self._lock:
            self._drop_late()
            for one in [one for one in self._open.values() if (one.case, one.bay) == (case, bay)]:
                del self._open[one.key]
            while len(self._open) >= MOST_KEYS:
                del self._open[next(iter(self._open))]
            made = PhoneKey(secrets.token_urlsafe(18), case, bay, who, self._clock() + KEY_SECONDS)
            self._open[made.key] = made
            return made

    def find(self, key: str) -> PhoneKey | None:
        """The open key of that text."""
        with self._lock:
            self._drop_late()
            return self._open.get(key)

    def of(self, case: int, bay: str) -> PhoneKey | None:
        """The open key of a place."""
        with self._lock:
            self._drop_late()
            return next((one for one in self._open.values() if (one.case, one.bay) == (case, bay)), None)

    def of_case(self, case: int | None) -> tuple[PhoneKey, ...]:
        """The open keys of a case, whichever place they are for; of None all."""
        with self._lock:
            self._drop_late()
            return tuple(one for one in self._open.values() if case in (None, one.case))

    def close(self, key: str) -> None:
        """Closes one; nothing happens if it is closed."""
        with self._lock:
            self._open.pop(key, None)

    @property
    def any_open(self) -> bool:
        """Whether one is."""
        with self._lock:
            self._drop_late()
            return bool(self._open)

    def seconds_left(self, one: PhoneKey) -> float:
        """How long it is open still."""
        return max(0.0, one.until - self._clock())

    def bind(self, one: PhoneKey) -> str:
        """Gives the key to the device that asks; its mark, or nothing if another device has it."""
        mark = secrets.token_urlsafe(24)
        with self._lock:
            if one.device:
                one.turned_away += 1
                return ""
            one.device = _digest(mark)
            return mark

    def is_bound_to(self, one: PhoneKey, mark: str) -> bool:
        """Whether a device with that mark has the key."""
        return bool(one.device) and hmac.compare_digest(one.device, _digest(mark))

    def turn_away(self, one: PhoneKey) -> None:
        """Counts a device that has it not."""
        with self._lock:
            one.turned_away += 1

    def count(self, one: PhoneKey, pictures: int) -> bool:
        """Counts pictures before they are taken, so that two who send at once do not both fit.

        Returns:
            Whether they fit and the key is open still: it may have been closed, or its time been over, while
            they were on their way. Otherwise none is counted.
        """
        with self._lock:
            self._drop_late()
            if self._open.get(one.key) is not one or one.arrived + pictures > MOST_PICTURES:
                return False
            one.arrived += pictures
            return True

    def give_back(self, one: PhoneKey, pictures: int) -> None:
        """Counts no longer what could not be taken."""
        with self._lock:
            one.arrived -= pictures

    def _drop_late(self) -> None:
        now = self._clock()
        for one in [one for one in self._open.values() if one.until <= now]:
            del self._open[one.key]


def _digest(mark: str) -> str:
    return hashlib.sha256(mark.encode()).hexdigest()
