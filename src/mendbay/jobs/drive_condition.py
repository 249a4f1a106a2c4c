"""What the drive of a bay is like to read: as was said, as it was read last, or as triage sees it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from mendbay.case.records import Event
from mendbay.core.errors import MendbayError
from mendbay.imaging.hazard import Condition
from mendbay.jobs.bench import Bench
from mendbay.jobs.events import Said
from mendbay.jobs.said_condition import CONDITION, condition_in
from mendbay.jobs.triage_case import kept_without_power

LOOK_SECONDS = 2.0
"""How often it is looked whether something else is said, while the drive is read."""
WORDS = {
    Condition.HEALTHY: "a healthy one",
    Condition.REFUSES: "one that refuses reads",
    Condition.CLICKS: "one that clicks",
}


def condition_of(bench: Bench, case: int, bay: str, said: Condition | None = None) -> Condition | None:
    """What the drive of a bay, about to be read, is like; None if nobody and nothing tells.

    What a person says now is kept for the next reading. Where nobody says anything, the last word counts;
    where nobody ever did, one that triage keeps without power counts as one that clicks. Which of both it
    was is told.

    Args:
        said: by a person, now.
    """
    last = said_condition(bench, case, bay)
    if said is not None:
        say_condition(bench, case, bay, said)
        return said
    if last is not None:
        _tell(bench, bay, last, "as was said of it before")
        return last
    if kept_without_power(bench, case, bay) is not None:
        _tell(bench, bay, Condition.CLICKS, "because triage keeps it without power")
        return Condition.CLICKS
    return None


def say_condition(bench: Bench, case: int, bay: str, condition: Condition) -> bool:
    """Keeps what a person says the drive of a bay is like. A reading that is under way, in whatever process,
    finds it within seconds and goes on by it.

    Returns:
        Whether that is something else than was said last.

    Raises:
        NoSuchCase, CaseForgotten: there is no such case any more.
    """
    if said_condition(bench, case, bay) is condition:
        return False
    text = f"The drive of bay {bay} is read as {WORDS[condition]}, as was said."
    bench.note(case, "imaging", text, {"bay": bay, CONDITION: str(condition)})
    return True


def said_condition(bench: Bench, case: int, bay: str) -> Condition | None:
    """What a person last said the drive of a bay is like; None if nobody did."""
    return _said_in(bench.ledger.events(case), bay)


class ConditionsSaid:
    """What is said of drives while they are read.

    Args:
        read_as: by bay, what each drive is read as; None where nobody and nothing tells.
    """

    def __init__(self, bench: Bench, case: int, read_as: Mapping[str, Condition | None]) -> None:
        self._bench = bench
        self._case = case
        self._read_as = dict(read_as)
        self._fresh: dict[str, Condition] = {}
        self._due_at = bench.clock.steady_seconds() + LOOK_SECONDS
        self._told = False

    def soon_changed(self) -> bool:
        """As `changed`, but looks only every `LOOK_SECONDS`, so that it may be asked before every read."""
        now = self._bench.clock.steady_seconds()
        if not self._fresh and now >= self._due_at:
            self._due_at = now + LOOK_SECONDS
            return self.changed()
        return bool(self._fresh)

    def changed(self) -> bool:
        """Whether something else is said of one of them than it is read as; `take` then tells what. Where the
        ledger cannot tell, which is said once, nothing is."""
        try:
            events = self._bench.ledger.events(self._case)
        except MendbayError as trouble:
            if not self._told:
                self._told = True
                self._bench.tell(Said(f"{trouble.what} The drives are read on as before."))
            return bool(self._fresh)
        said = {bay: _said_in(events, bay) for bay in self._read_as}
        self._fresh = {
            bay: now for bay, now in said.items() if now is not None and now is not self._read_as[bay]
        }
        return bool(self._fresh)

    def take(self) -> Mapping[str, Condition]:
        """What is said anew, by bay; from now on they are read as that."""
        fresh, self._fresh = self._fresh, {}
        self._read_as |= fresh
        return fresh


def _said_in(events: Sequence[Event], bay: str) -> Condition | None:
    said = condition_in(events, bay)
    return said[0] if said else None


def _tell(bench: Bench, bay: str, condition: Condition, why: str) -> None:
    bench.tell(
        Said(
            f"The drive in bay {bay} is read as {WORDS[condition]}, {why}. If it is otherwise, say what it "
            "is like: now, or at the next reading."
        )
    )
