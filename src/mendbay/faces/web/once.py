"""Each press of a form is done once: not again where a key was held down, a button was clicked twice, or the
answer was lost on its way and the form was sent again; nor where the server was started anew meanwhile, or
another server of the same home did it.

Where a server ended between the change and putting down what it led to, or within the change, nobody knows
whether it was done. It is then neither done again nor taken as done: the person is shown the page as it
stands, with what they typed, and judges.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from starlette.datastructures import UploadFile

from mendbay.core.clock import passing_seconds
from mendbay.core.errors import ChangedMeanwhile
from mendbay.faces.web.addresses import Address
from mendbay.faces.web.answers import Answer, Go
from mendbay.faces.web.fields import ONCE
from mendbay.faces.web.lately import Lately
from mendbay.jobs.presses_port import KEPT_SECONDS, MOST, Led, Presses

PIECE_BYTES = 1 << 20
DONE_BEFORE = "This form was sent before, and was done then."
"""In the place of what was told then, as no words of a case are kept on the disk."""


@dataclass(frozen=True, slots=True)
class Press:
    """One press of one form, with one set of words.

    Args:
        case: that it is of; None for of none.
        digest: of its address, its mark and all that it says.
    """

    case: int | None
    digest: str


def press_of(address: Address, url: str, sent: Sequence[tuple[str, Any]], case: int | None) -> Press | None:
    """The press that a form says it is; None if it carries no mark, as those of programs."""
    if not any(name == ONCE and one for name, one in sent):
        return None
    said = [
        (name, one.filename, _digest(one)) if isinstance(one, UploadFile) else (name, one)
        for name, one in sent
    ]
    return Press(case, hashlib.sha256(repr((address.name, url, said)).encode()).hexdigest())


def _digest(sent: UploadFile) -> str:
    """Of what a file holds: dumps of a chip are alike in name and size, and are none of each other."""
    sent.file.seek(0)
    found = hashlib.sha256()
    while piece := sent.file.read(PIECE_BYTES):
        found.update(piece)
    sent.file.seek(0)
    return found.hexdigest()


class Once:
    """Remembers what the last presses led to. Any thread may use it.

    Args:
        presses: what is remembered beyond the end of this server.
        clock: in seconds, never backwards, and not still while the machine sleeps.
    """

    def __init__(self, presses: Presses, clock: Callable[[], float] = passing_seconds) -> None:
        self._presses = presses
        self._clock = clock
        self._done: Lately[Press, tuple[float, Go]] = Lately(MOST, lambda press: press.case)
        self._under_way: set[Press] = set()
        self._changed = threading.Condition()

    def answer(self, press: Press | None, change: Callable[[], Answer]) -> Answer:
        """What a change answers; where the same press was done already, or is being done, what that answered.
        One that was refused is tried again.

        Raises:
            ChangedMeanwhile: a server ended while it did this.
            MendbayError: what the change raises.
        """
        if press is None:
            return change()
        with self._changed:
            while press in self._under_way:
                self._changed.wait()
            done = self._done.get(press)
            if done is not None and self._clock() - done[0] < KEPT_SECONDS:
                return done[1]
            self._under_way.add(press)
        try:
            made = self._held(press, change)
            if isinstance(made, Go):
                self._done.put(press, (self._clock(), made))
            return made
        finally:
            with self._changed:
                self._under_way.discard(press)
                self._changed.notify_all()

    def _held(self, press: Press, change: Callable[[], Answer]) -> Answer:
        """What a change answers, while no other server is at it."""
        with self._presses.hold(press.case, press.digest) as held:
            if held.led is not None:
                return Go(held.led.url, DONE_BEFORE, held.led.clears)
            if held.is_doubtful:
                raise ChangedMeanwhile(
                    "It was not done again: the server ended while it did this the first time, so it may be "
                    "done already, or not. Look before you send it once more.",
                    "Load the page again, look whether it is there, and fill the form in again if it is not.",
                )
            made = change()
            if isinstance(made, Go):
                held.keep(Led(made.url, made.clears))
            return made

    def forget(self, case: int | None) -> None:
        """Keeps nothing more of a case, or of anything."""
        if case is None:
            self._done.close()
        self._done.forget(case)
        self._presses.forget(case)

    def tidy(self) -> None:
        """Keeps nothing more of what is too old."""
        self._presses.tidy()
