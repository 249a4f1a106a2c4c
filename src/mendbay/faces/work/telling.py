"""What a work tells and what is asked of it, between the threads of its job and its folder."""

from __future__ import annotations

import math
import threading
import time
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass, replace

from mendbay.core.clock import Clock, iso
from mendbay.core.errors import Interrupted
from mendbay.core.span import Span
from mendbay.jobs.events import Advised, Event, ReadingProgress, Said, StepProgress
from mendbay.jobs.work_port import (
    JSON,
    Ask,
    Desk,
    Outcome,
    Question,
    Standing,
    Trouble,
    WorkRequest,
    WorkState,
)

WRITE_SECONDS = 0.25
"""The least time between two writings of the state, but for what must be seen at once."""
LOOK_SECONDS = 0.1
"""How often it is looked at what is asked."""
END_TRIES = 3
END_SECONDS = 1.0
"""How often, and how long apart, the end is tried to be written: a disk may be full for a moment."""
SAID_SHOWN = 50
"""Sentences in the state; all of them are in what was told."""
SENTENCE_LIMIT = 4000
POWER_CYCLE = "power-cycle"


class Telling:
    """The hooks of a bench for a job that nobody watches at a terminal.

    Any thread may call them. One thread of its own looks at what is asked and writes what changed, so that
    both happen also while a read hangs.

    Args:
        desk: where the work is.
        clock: of the machine.
        stops_when_telling: whether the job asks nobody whether to stop, so that it is stopped, or held, where
            it tells how far it is.
    """

    def __init__(self, desk: Desk, clock: Clock, *, stops_when_telling: bool = False) -> None:
        self._desk = desk
        self._clock = clock
        self._stops_when_telling = stops_when_telling
        self._changed = threading.Condition(threading.RLock())
        self._asking = threading.Lock()
        self._state = WorkState(standing=Standing.RUNS, started_at=iso(clock.now()))
        self._progress: dict[str, ReadingProgress] = {}
        self._step: StepProgress | None = None
        self._said: deque[tuple[str, str]] = deque(maxlen=SAID_SHOWN)
        self._said_count = 0
        self._advice: dict[str, dict[str, JSON]] = {}
        self._questions = 0
        self._question: Question | None = None
        self._answer: bool | None = None
        self._resting = self._stopping = self._ended = False
        self._power_asked: set[str] = set()
        self._is_unwritten = False
        self._written_at = -math.inf
        self._told_to_end = False
        self._over = threading.Event()
        self._watcher = threading.Thread(target=self._watch, name="work-watch", daemon=True)

    def begin(self) -> None:
        """Writes the first state, and begins to look at what is asked."""
        with self._changed:
            self._write()
        self._watcher.start()

    def told_to_end(self) -> None:
        """For a signal: asks for a clean stop. It takes no lock: the thread it interrupts may hold it."""
        self._told_to_end = True

    # ------------------------------------------------------------------ the hooks of a bench

    def tell(self, event: Event) -> None:
        """Takes an event of the job into the state."""
        with self._changed:
            at_once = self._take(event)
            self._is_unwritten = True
            if at_once:
                self._write()
        if self._stops_when_telling and isinstance(event, StepProgress) and self.stop():
            raise Interrupted("Stopped.", "Order the same again: only what was not kept is done once more.")

    def stop(self) -> bool:
        """Whether the job should stop; it returns only once the work rests no longer."""
        if self._resting:
            with self._changed:
                while self._resting and not self._stopping:
                    self._changed.wait(LOOK_SECONDS)
        return self._stopping

    def hold(self) -> bool:
        """Whether the work is to rest."""
        return self._resting and not self._stopping

    def stop_asked(self) -> bool:
        """Whether the job should stop, at once."""
        return self._stopping

    def power_asked(self, bay: str) -> bool:
        """Whether somebody asked for this bay's power to be cut and restored; told once."""
        with self._changed:
            is_asked = bay in self._power_asked
            self._power_asked.discard(bay)
        return is_asked

    def power_cycle(self, bay: str) -> bool:
        """Asks for a drive's power to be cut and restored, one question at a time, and waits for the answer.

        Returns:
            Whether it was done; False also once the work is to stop.
        """
        with self._asking, self._changed:
            if self._stopping:
                return False
            self._questions += 1
            text = f"Cut the power of the drive in bay {bay}, wait until it stands still, restore it."
            self._question = Question(self._questions, POWER_CYCLE, bay, text)
            self._answer = None
            self._write()
            while self._answer is None and not self._stopping:
                self._changed.wait(LOOK_SECONDS)
            self._question = None
            self._write()
            return self._answer is True

    # ------------------------------------------------------------------ the end

    def end(
        self,
        outcome: Outcome,
        *,
        trouble: Trouble | None = None,
        result: Mapping[str, object] | None = None,
        words: Sequence[str] = (),
    ) -> bool:
        """Writes how the work ended.

        Returns:
            Whether that could be written.
        """
        self._over.set()
        if self._watcher.is_alive():
            self._watcher.join()
        with self._changed:
            self._ended = True
            self._question = None
            self._state = replace(
                self._state,
                ended_at=iso(self._clock.now()),
                outcome=outcome,
                trouble=trouble,
                result=plain(result),
                result_words=tuple(words),
            )
            for _ in range(END_TRIES):
                if self._write():
                    return True
                time.sleep(END_SECONDS)
            return False

    # ------------------------------------------------------------------ inside

    def _take(self, event: Event) -> bool:
        """Takes in an event; returns whether it is to be seen at once."""
        match event:
            case ReadingProgress():
                before = self._progress.get(event.bay)
                self._progress[event.bay] = event
                return before is None or before.phase is not event.phase
            case StepProgress():
                last, self._step = self._step, event
                return last is None or last.step != event.step
            case Advised():
                at, progress = iso(self._clock.now()), self._progress.get(event.bay)
                self._advice[event.bay] = _advice_json(event, at, progress)
                self._say(event.text)
                return True
            case Said():
                self._say(event.text)
        return False

    def _say(self, text: str) -> None:
        text = text[:SENTENCE_LIMIT]
        at = iso(self._clock.now())
        self._said.append((at, text))
        self._said_count += 1
        self._desk.say(at, text)

    def _watch(self) -> None:
        while not self._over.wait(LOOK_SECONDS):
            asked = self._desk.requests()
            with self._changed:
                if self._told_to_end and not self._stopping:
                    asked = [*asked, WorkRequest(Ask.STOP)]
                for one in asked:
                    self._heed(one)
                is_due = self._clock.steady_seconds() - self._written_at >= WRITE_SECONDS
                if asked or (self._is_unwritten and is_due):
                    self._write()
                if asked:
                    self._changed.notify_all()

    def _heed(self, request: WorkRequest) -> None:
        match request.ask:
            case Ask.STOP:
                self._stopping = True
            case Ask.REST:
                self._resting = True
            case Ask.GO_ON:
                self._resting = False
            case Ask.ANSWER:
                if self._question is not None and self._question.number == request.number:
                    self._answer = request.yes
            case Ask.POWER_CYCLE:
                self._power_asked.add(request.bay)

    def _standing(self) -> Standing:
        if self._ended:
            return Standing.ENDED
        if self._question is not None:
            return Standing.WAITS
        return Standing.RESTS if self._resting and not self._stopping else Standing.RUNS

    def _write(self) -> bool:
        self._written_at = self._clock.steady_seconds()
        self._is_unwritten = False
        self._state = replace(
            self._state,
            standing=self._standing(),
            updated_at=iso(self._clock.now()),
            progress={bay: _fields_json(one) for bay, one in self._progress.items()},
            step=None if self._step is None else _fields_json(self._step),
            said=tuple(text for _, text in self._said),
            said_at=tuple(at for at, _ in self._said),
            said_count=self._said_count,
            advice=dict(self._advice),
            question=self._question,
        )
        is_written = self._desk.write(self._state)
        self._is_unwritten = not is_written  # tried again when the time has come
        return is_written


def _fields_json(event: ReadingProgress | StepProgress) -> dict[str, JSON]:
    """An event's fields by name, but for the bay that it is kept under."""
    return {one.name: plain(getattr(event, one.name)) for one in fields(event) if one.name != "bay"}


def _advice_json(one: Advised, at: str, progress: ReadingProgress | None) -> dict[str, JSON]:
    """An advice, and what was read when it was given, by which its figures age."""
    read = None
    if progress is not None:
        read = progress.wanted_read_bytes if one.advice.of_wanted else progress.read_bytes
    return {
        "go_on": bool(one.advice.go_on),
        "text": one.text,
        "at": at,
        "of_wanted": bool(one.advice.of_wanted),
        "lacking_bytes": int(one.advice.lacking_bytes),
        "read_bytes": None if read is None else int(read),
    }


def _number(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)


LIST_LIMIT = 500


def plain(facts: object) -> JSON:
    """Facts as JSON can hold them: records by their fields, a span as `[start, stop]`, no number that is no
    number, and of a long list its first entries alone."""
    if isinstance(facts, Span):
        return [int(facts.start), int(facts.stop)]
    if is_dataclass(facts) and not isinstance(facts, type):
        return {one.name: plain(getattr(facts, one.name)) for one in fields(facts)}
    if isinstance(facts, Mapping):
        return {str(name): plain(one) for name, one in facts.items()}
    if isinstance(facts, (list, tuple)):
        return [plain(one) for one in facts[:LIST_LIMIT]]
    if isinstance(facts, float):
        return _number(facts)
    if isinstance(facts, str):
        return str(facts)
    if facts is None or isinstance(facts, (bool, int)):
        return facts
    return plain(facts.item()) if hasattr(facts, "item") else str(facts)  # a number of an array, or a path
