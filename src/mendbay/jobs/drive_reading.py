"""Reading one drive into its image: the loop that ties planner, reader and image together."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from mendbay.core.clock import Clock, iso
from mendbay.core.errors import DriveDied, DriveVanished, Interrupted, MendbayError, SourceChanged
from mendbay.core.quantity import count_text
from mendbay.core.span import Span, SpanSet, union
from mendbay.imaging.adapter_odds import AdapterOdds
from mendbay.imaging.assumptions import Assumptions
from mendbay.imaging.attempt import Attempt, Outcome
from mendbay.imaging.going_on import Left
from mendbay.imaging.hazard import Condition
from mendbay.imaging.planner import Planner
from mendbay.imaging.trouble import Trouble
from mendbay.imaging.units import LastPieces, in_units
from mendbay.imaging.values import WEIGHT_REST, WEIGHT_WANTED, Want
from mendbay.jobs.events import Phase, Resting, Said, Tell, Why
from mendbay.jobs.picking import Alone, Picker
from mendbay.jobs.ports import (
    DriveReader,
    HeatWatch,
    ImageStore,
    PowerAsked,
    PowerCycle,
    never,
    no_power_cycle,
    nobody_asks,
)
from mendbay.jobs.reading_account import ReadingAccount
from mendbay.jobs.same_drive import likeness
from mendbay.jobs.stop_advice import StopAdvice

COMMIT_SECONDS = 1.0
"""How often the checkpoint is renewed while all goes well; at most this much is read again after a crash."""
REST_SLICE_SECONDS = 0.2
"""How often a drive at rest looks whether it is to be read again."""
CALM_READS = 64
"""How many reads in a row must have been given before reads are queued ahead again."""
DEAD_AFTER = 32
"""Refusals in a row after which the drive is asked for something it gave before, and if that is refused for
something it gave elsewhere: without both it is taken for dead (own choice). One place may have grown bad."""
DEAD_FROM_START_AFTER = 3 * DEAD_AFTER
"""The same where there is nothing it ever gave (own choice)."""

NOT_GIVEN_ON_RETURN = 2
"""Sectors given before that a drive which is back may refuse, or hang on, until no more are compared: each is
wear, and a hang costs the whole patience (own choice)."""


class Ending(StrEnum):
    """Why a reading stopped."""

    DONE = "everything was tried"
    TIME_UP = "the time allowed is over"
    STOPPED = "stopped by hand"
    TOO_HOT = "the drive got too hot"
    HEAT_UNKNOWN = "the drive was hot and no longer tells how warm it is"
    WORSE = "the drive refuses too much of what it gave before"
    PAUSED = "something else is wanted first"
    GONE = "the drive no longer answers"
    DIED = "the drive refuses everything"
    BROKEN_OFF = "broken off"

    @classmethod
    def of(cls, trouble: MendbayError) -> Ending:
        """The ending of a reading that came to grief."""
        if isinstance(trouble, Interrupted):
            return cls.STOPPED
        if isinstance(trouble, DriveDied):
            return cls.DIED
        return cls.GONE if isinstance(trouble, DriveVanished) else cls.BROKEN_OFF


@dataclass(frozen=True, slots=True)
class Happening:
    """What befell a drive while it was read, for the case's story: when (UTC, as records carry it), in a
    sentence, whether its power was cut and restored, and whether a person wanted that of a drive that was
    there."""

    at: str
    text: str
    is_power: bool
    was_asked: bool = False


class DriveReading:
    """One drive being read into one image.

    `run` reads what the planner chooses; `fetch` reads given ranges at once, for a file system being
    looked at through the image. Both keep what is given, note what is refused, and survive a drive that
    vanishes if its power can be cycled. `happenings` are what befell the drive meanwhile, in order; whoever
    runs the reading takes them, since a reading may run in a thread of its own. `left_alone` says why the
    drive is left alone for its heat, for good; None while nothing showed that. `rested_seconds` is how long
    it rested so far, which counts neither as time of reading nor as time of the bench.

    Args:
        bay: label of the bay, for events and messages.
        reader: the drive.
        store: its image; a run must have been begun on it.
        assumed: the planner's priors and limits.
        power_cycle: how to get a vanished drive back.
        stop: asked before every read whether to stop; everything read so far is then made durable.
        heat: looks after the drive's temperature, with no read under way; None where nothing can.
        elsewhere: the chances of sectors that only other adapters refused; None where there are none.
        advice: weighs now and then whether to go on; None where nobody asks.
        hold: asked before every read whether the drive is to rest: what is under way is then taken in, all is
            made durable, and the drive is asked for nothing until it says no, or `stop` yes. Nor is it asked
            how warm it is: it makes less heat than while it was read, and each question is a try more for
            it. That is asked before the first read after the rest, if it was due meanwhile.
        power_asked: asked before every read whether a person wants its power cut and restored.
        wait: sleeps; tests let the time pass.
    """

    def __init__(
        self,
        bay: str,
        reader: DriveReader,
        store: ImageStore,
        clock: Clock,
        tell: Tell,
        assumed: Assumptions | None = None,
        power_cycle: PowerCycle = no_power_cycle,
        stop: Callable[[], bool] = never,
        heat: HeatWatch | None = None,
        elsewhere: AdapterOdds | None = None,
        advice: StopAdvice | None = None,
        hold: Callable[[], bool] = never,
        power_asked: PowerAsked = nobody_asks,
        wait: Callable[[float], None] = time.sleep,
    ) -> None:
        self.bay = bay
        self._reader = reader
        self._store = store
        self._clock = clock
        self._tell = tell
        base = assumed or Assumptions()
        largest = min(base.largest_read_bytes, reader.largest_read_bytes)
        self._assumed = replace(base, largest_read_bytes=largest)
        self._power_cycle = power_cycle
        self._stop = stop
        self._heat = heat
        self._may_be_asked = True
        self._hold = hold
        self._power_asked = power_asked
        self._wait = wait
        self.rested_seconds = 0.0
        self.advice = advice
        self.happenings: list[Happening] = []
        self.left_alone: Ending | None = None
        self._tried_elsewhere = elsewhere
        self._pieces: deque[Span] = deque()
        self._last_pieces: LastPieces | None = None
        self._was_shared = False
        self.picker: Picker
        self.plan_by(store.identity.unit_bytes)
        self._queue: deque[Span] = deque()
        self._calm = CALM_READS
        self._refused_in_a_row = 0
        self._given: Span | None = None
        self._last_commit = clock.steady_seconds()
        self._account = ReadingAccount(bay, store, clock, self._assumed)
        self._returns = 0
        self._is_told = False
        self._wanted = SpanSet()

    def plan_by(self, unit_bytes: int) -> None:
        """Plans from the record, for a drive that is read in ranges of whole units and gives or refuses each
        as one. Nothing may be under way. What this reading learned from what was given is learned anew, and
        what is waived is what the record says.

        Args:
            unit_bytes: a sector, or what the identity of the drive says of its units.
        """
        self.unit_bytes = unit_bytes
        store, elsewhere = self._store, self._tried_elsewhere
        if elsewhere is not None:
            elsewhere = elsewhere.by_units(unit_bytes // store.identity.sector_bytes)
        known = in_units(store.coverage_here(), unit_bytes)
        self.planner = Planner(known, store.refused_reads(), assumed=self._assumed, elsewhere=elsewhere)
        self.picker = Alone(self.planner)
        self._last_pieces = None

    # ------------------------------------------------------------------ the two ways to read

    def run(
        self,
        wanted: Sequence[SpanSet] = (),
        *,
        rest: bool = True,
        seconds: float | None = None,
        phase: Phase | None = None,
        wants: Sequence[Want] = (),
        pause: Callable[[], bool] = never,
    ) -> Ending:
        """Reads what is wanted and, with `rest`, everything else, as the planner orders it.

        Args:
            wanted: ranges of the drive that go first.
            rest: whether to go on with everything else.
            seconds: how long it may take; None: until nothing is left to try.
            phase: what to call it in events.
            wants: further ranges, each with a weight of its own.
            pause: asked before every read whether to leave off for now.

        Returns:
            Why it ended. Whatever the reason, everything read is durable.

        Raises:
            DriveVanished: the drive is gone and could not be brought back.
            Interrupted: stopped by hand while it was gone.
            SourceChanged: another drive came back in its place.
            DriveDied: it refuses everything, also what it gave before.
            NoRoom, DestinationError: the image cannot grow.
        """
        told = [Want(spans, WEIGHT_WANTED) for spans in wanted if spans] + list(wants)
        self.picker.begin(told, WEIGHT_REST if rest else 0.0)
        everything = SpanSet([Span(0, self._store.identity.size_bytes)])
        self._wanted = union(one.spans for one in told)
        aim = everything if rest else self._wanted
        after = Phase.REST if told else Phase.WHOLE
        first = union(one.spans for one in told if one.weight == WEIGHT_WANTED)
        self._account.begin(phase or (after if rest else Phase.WANTED), aim, first)
        self._pieces.clear()
        self._last_pieces = None
        started = self.read_seconds
        try:
            while True:
                self._rest(pause)
                self._cut_power_if_asked()
                if (heat := self.heat_ending()) is not None:
                    return heat
                if self._stop():
                    return Ending.STOPPED
                if seconds is not None and self.read_seconds - started >= seconds:
                    return Ending.TIME_UP
                if pause():
                    return Ending.PAUSED
                if not self._step(self.picker.choose):
                    self._store.commit_soon()  # it may be long until the next answer
                    if not self.picker.waits() and not self._step(self._choose_piece):
                        return Ending.DONE
        finally:
            self._settle()
            if self.advice is not None:
                self.advice.at_end(self.picker.ahead, self._left())

    def fetch(self, spans: SpanSet) -> None:
        """Reads the given ranges now, as far as the drive gives them; each of their sectors, or units, is
        tried until it is given or has been refused alone once. A drive that got too hot is left alone: what
        is missing then stays unread.

        Raises:
            Interrupted: stopped by hand.
            DriveVanished, DriveDied, NoRoom, DestinationError: as `run`.
        """
        wanted = spans.clip(Span(0, self._store.identity.size_bytes)).widen(self.unit_bytes)
        self._account.begin(Phase.FETCH, wanted, SpanSet())
        self._is_told = False
        try:
            while self._may_fetch():
                if self._stop():  # perhaps in a pause for its heat: not one read more
                    raise Interrupted(
                        f"Stopped while reading from the drive in bay {self.bay}.",
                        "Order the same again; it goes on from here.",
                    )
                if not self._step(lambda: self.picker.choose_within(wanted)):
                    break
        finally:
            self._drain()
            if self._is_told:  # else it stands told as under way, however long nothing more is fetched
                self._tell_account(self._nothing_asked())
                self._is_told = False

    def _may_fetch(self) -> bool:
        """Rests and cuts the power if that is wanted; whether the drive may be read then."""
        self._rest()
        self._cut_power_if_asked()
        return self.heat_ending() is None

    @property
    def watches_heat(self) -> bool:
        """Whether the drive is asked how warm it is while it is read."""
        return self._heat is not None and self._may_be_asked

    def assume(self, condition: Condition) -> None:
        """Reads the drive as one in this condition from now on. Nothing may be under way. One that bears no
        questions is not asked how warm it is while it is read so."""
        self._assumed = Assumptions.of(condition, self._assumed)
        self._may_be_asked = condition.bears_questions
        self.planner.assume(self._assumed)
        if self.advice is not None:
            self.advice.assume(condition)

    # ------------------------------------------------------------------ what a person wants meanwhile

    def _rest(self, pause: Callable[[], bool] = never) -> None:
        """Lets the drive rest as long as that is wanted, with all durable and no read under way."""
        if not self._hold():
            return
        self._drain()
        self._store.commit()
        begun = self._clock.steady_seconds()
        self._tell_account(self._nothing_asked())
        self._tell(Resting(self.bay, is_resting=True))
        while self._hold() and not self._stop() and not pause():
            self._cut_power_if_asked()
            self._wait(REST_SLICE_SECONDS)
        rested = self._clock.steady_seconds() - begun
        self.rested_seconds += rested
        self._account.rested(rested)
        if self.advice is not None:
            self.advice.rested(rested)
        self._tell(Resting(self.bay, is_resting=False))

    def _cut_power_if_asked(self) -> None:
        """Has the power of a drive that is there cut and restored if a person wants that."""
        if not self._power_asked(self.bay):
            return
        before = self._returns
        self._drain()
        if self._returns == before:  # else it vanished meanwhile, and its power was cut for that
            self.bring_back(was_asked=True)

    def heat_ending(self) -> Ending | None:
        """Why the drive must be left alone for its heat; None while it may be read. It is asked with nothing
        queued and all durable: a drive may hang when it is asked under load, and a pause may be long."""
        if self._heat is None or self.left_alone is not None or not self._heat.is_due():
            return self.left_alone
        if not self._may_be_asked:
            return None
        self._drain()
        self._store.commit()
        if not self._heat.may_go_on():
            self.left_alone = Ending.HEAT_UNKNOWN if self._heat.fell_silent else Ending.TOO_HOT
        return self.left_alone

    def with_celsius(self, attempt: Attempt) -> Attempt:
        """What came of a read, with the drive's temperature where it told one lately; for the record."""
        if attempt.celsius is not None or self._heat is None:
            return attempt
        celsius = self._heat.celsius
        return attempt if celsius is None else replace(attempt, celsius=float(celsius))

    # ------------------------------------------------------------------ one step

    def _step(self, choose: Callable[[], Span | None]) -> bool:
        """Queues as many reads as are safe now and takes in one answer. False when nothing is left."""
        ahead = self._reader.depth if self._calm >= CALM_READS else 1
        while len(self._queue) < ahead:
            span = choose()
            if span is None:
                break
            self._reader.ask(span)
            self._queue.append(span)
        if not self._queue:
            return False
        self._account_if_due()
        self._take_answer()
        return True

    def _take_answer(self) -> None:
        attempt = self.with_celsius(self._reader.answer())
        expected = self._queue.popleft()
        assert attempt.span == expected, f"asked for {expected}, answered for {attempt.span}"
        if attempt.outcome is Outcome.VANISHED:
            fall = fall_of(attempt)
            self._account.fell(fall)
            self._store.note(fall)
            self._learn(fall)
            self._give_back_queued()
            self.bring_back()
            return
        if attempt.outcome is Outcome.GIVEN:
            self._store.keep(attempt.span, attempt.data, attempt.seconds, attempt.celsius)
            self._calm += 1
            self._refused_in_a_row = 0
            self._given = attempt.span
        else:
            self._store.note(attempt)
            self._calm = 0
            self._refused_in_a_row += 1
        self._learn(attempt)
        if (
            self.advice is not None
            and self.advice.spent(attempt.seconds)
            and self._account.phase is not Phase.FETCH
        ):
            self.advice.look(self.picker.ahead, self._left())
        if attempt.outcome is not Outcome.GIVEN:
            self._give_back_queued()
            if self._refused_in_a_row % DEAD_AFTER == 0:
                self._check_alive()
        self._tick(attempt)

    def _give_back_queued(self) -> None:
        """Reads queued behind one that failed were dropped untried: the planner may choose anew."""
        assert self._reader.queued == 0
        while self._queue:
            self._give_back(self._queue.popleft())

    def _choose_piece(self) -> Span | None:
        """A sector of a unit that was refused to the end, once nothing else is left; None if there is none to
        be asked for."""
        if not self._pieces and self.unit_bytes > self._store.identity.sector_bytes:
            if self._last_pieces is None or self._was_shared != self.picker.is_shared:
                self._last_pieces = self._refused_to_the_end()
            self._pieces.extend(self._last_pieces.next_unit())
        return self._pieces.popleft() if self._pieces else None

    def _refused_to_the_end(self) -> LastPieces:
        """What is to be asked for in pieces, by the record. It stands until something else is read, or the
        task is shared no more: what is left to the other half does not change while neither has anything to
        read but pieces."""
        self._was_shared = self.picker.is_shared
        within = self._account.aim - self.planner.waived - self.picker.left() - SpanSet(self._queue)
        known, refused = self._store.coverage_here(), self._store.refused_here()
        return LastPieces(known, refused, self.unit_bytes, self._assumed.most_tries, within)

    def _is_piece(self, span: Span) -> bool:
        """Whether a read is of a part of a unit: no planner's, which reads whole ones."""
        return self._store.identity.sector_bytes < self.unit_bytes > span.length

    def _learn(self, attempt: Attempt) -> None:
        if not self._is_piece(attempt.span):
            self._last_pieces = None
            self.picker.learn(attempt)
        elif self._last_pieces is not None:
            self._last_pieces.asked(attempt.span, is_given=attempt.outcome is Outcome.GIVEN)

    def _give_back(self, span: Span) -> None:
        if not self._is_piece(span):
            self.picker.give_back(span)
        elif self._last_pieces is not None:  # else it is found again by the record
            self._last_pieces.give_back(span)

    def _check_alive(self) -> None:
        """After a long row of refusals: does the drive still give what it gave before?"""
        if self._given is None and not self._store.coverage().read:
            if self._refused_in_a_row < DEAD_FROM_START_AFTER:
                return
            raise DriveDied(
                f"The drive in bay {self.bay} refused {self._refused_in_a_row} reads in a row and never gave "
                "any.",
                "Power it off: every try wears it. Weigh its board, and head work in a clean room, first.",
            )
        row, self._refused_in_a_row = self._refused_in_a_row, 0
        sector, size = self._store.identity.sector_bytes, self._store.identity.size_bytes
        asked: list[int] = []
        for place in self._given_before():
            asked.append(place)
            self._reader.ask(Span(place, min(place + sector, size)))
            attempt = self._reader.answer()
            if attempt.outcome is Outcome.VANISHED:
                self.bring_back()
            if attempt.outcome in (Outcome.VANISHED, Outcome.GIVEN):
                return
        places = " and ".join(map(count_text, asked))
        raise DriveDied(
            f"The drive in bay {self.bay} refused {row} reads in a row, and now also what it gave before, at "
            f"{'byte' if len(asked) == 1 else 'bytes'} {places}.",
            "Power it off. What was read is kept; weigh head work in a clean room before more attempts.",
        )

    def _given_before(self) -> Iterator[int]:
        """First bytes of one or two sectors that the drive gave, far apart. The second costs a look at the
        whole record, so it is worked out only when it is wanted."""
        if self._given is not None:
            yield (first := self._given.start)
        read, sector = self._store.coverage().read, self._store.identity.sector_bytes
        ends = (int(read.starts[0]), (int(read.stops[-1]) - 1) // sector * sector)
        if self._given is None:
            yield (first := ends[0])
        far = max(ends, key=lambda place: abs(place - first))
        if far != first:
            yield far

    def bring_back(self, *, was_asked: bool = False) -> None:
        """The drive vanished: make what there is durable, have its power cycled, see whether it returns.
        Nothing may be queued.

        Args:
            was_asked: it did not vanish, a person wants its power cut. If that is not done after all, the
                drive counts as never gone.

        Raises:
            DriveVanished: it does not.
            Interrupted: stopped by hand meanwhile.
            SourceChanged: another returned.
        """
        self._store.commit()
        self._returns += 1
        self._calm = 0
        if was_asked:
            self._tell(Said(f"The power of the drive in bay {self.bay} is to be cut, as was asked."))
        else:
            self._tell(Said(f"The drive in bay {self.bay} no longer answers."))
            self._happened(f"The drive in bay {self.bay} no longer answered.")
        is_there = was_asked
        while not self._stop() and self._power_cycle(self.bay):
            is_there = False
            text = f"The power of the drive in bay {self.bay} was cut and restored."
            self.happenings.append(Happening(iso(self._clock.now()), text, True, was_asked))
            if self._reader.returned() and self._is_the_same():
                if self._heat is not None:
                    self._heat.begin_anew()
                now, then = (
                    ("it rests", "it rested") if self._hold() else ("reading goes on", "reading went on")
                )
                self._tell(Said(f"The drive in bay {self.bay} is back; {now}."))
                self._happened(f"The drive in bay {self.bay} was back; {then}.")
                self._account.was_away()
                return
            self._tell(Said(f"The drive in bay {self.bay} still does not answer."))
            self._happened(f"The drive in bay {self.bay} still did not answer.")
        if is_there:
            if not self._stop():
                now = "it rests" if self._hold() else "reading goes on"
                self._tell(Said(f"The power of the drive in bay {self.bay} was not cut; {now}."))
            self._account.was_away()
            return
        if self._stop():  # it may be there again: nobody waited for it
            raise Interrupted(
                f"Stopped while the drive in bay {self.bay} did not answer; everything read so far is kept.",
                "Look whether it has power, then order the same reading again; it goes on from here.",
            )
        raise DriveVanished(
            f"The drive in bay {self.bay} no longer answers; everything read so far is kept.",
            "Cut its power and wait until it stands still. If it is to be read on, restore the power and "
            "order the same reading again: it goes on from here.",
        )

    def _happened(self, text: str) -> None:
        self.happenings.append(Happening(iso(self._clock.now()), text, False))

    def _is_the_same(self) -> bool:
        """Whether a drive that answers again is the one that vanished, as far as it can be told; False if it
        vanishes while it is asked. Size and serial number are the reader's to compare; without a serial
        number what the drive gave before is.

        Raises:
            SourceChanged: it is another.
        """
        if self._reader.identity.serial:
            return True
        found = likeness(self._store, self._reader, NOT_GIVEN_ON_RETURN)
        if found.unlike_at is not None:
            raise SourceChanged(
                f"The drive that is back in bay {self.bay} holds other bytes at "
                f"{count_text(found.unlike_at)} than the one that vanished had given; nothing of it was read "
                "into the image.",
                "Connect the drive that was there before, then run the same command again.",
            )
        if not found.compared and not found.vanished:
            self._tell(
                Said(
                    f"Nothing shows that the drive that is back in bay {self.bay} is the one that vanished: "
                    "it has no serial number, and nothing could be compared. Make sure of it."
                )
            )
        return not found.vanished

    # ------------------------------------------------------------------ keeping the books

    def _tick(self, attempt: Attempt) -> None:
        now = self._clock.steady_seconds()
        if attempt.outcome is not Outcome.GIVEN or now - self._last_commit >= COMMIT_SECONDS:
            self._last_commit = now
            self._store.commit_soon()
        self._account.answered(attempt, now)

    @property
    def read_seconds(self) -> float:
        """A clock that stands still while the drive rests."""
        return self._clock.steady_seconds() - self.rested_seconds

    def _account_if_due(self) -> None:
        """Tells now and then how far the reading is, and why it asks for what is under way: while the drive
        has the read before it, so that nobody waits for the account, and a person sees what a drive hangs
        over."""
        if self._account.is_due:
            span = self._queue[0]
            self._is_told = True
            self._tell_account(span, None if self._is_piece(span) else self._account.why(self.picker, span))

    def _tell_account(self, span: Span, why: Why | None = None) -> None:
        celsius = None if self._heat is None else self._heat.celsius
        self._tell(self._account.make(self.picker, self.planner.waived, span, why, celsius))

    def _left(self) -> Left:
        """What the present run is to read, and what of that neither it nor the other half of a mirror has, as
        the planner counts."""
        coverage, sector = self._store.coverage(), self.unit_bytes
        wanted = self._wanted - self.planner.waived  # not the record's: what was waived can be taken up again
        rest = self._account.aim - self.planner.waived - wanted
        read = coverage.read | self.picker.left()
        return Left(
            wanted.total_bytes // sector,
            (wanted - read).total_bytes // sector,
            rest.total_bytes // sector,
            (rest - read).total_bytes // sector,
            sector,
        )

    def _drain(self) -> None:
        """Takes in every read still under way."""
        while self._queue and self._reader.queued:
            self._take_answer()
        while self._queue:
            self._give_back(self._queue.popleft())

    def _settle(self) -> None:
        try:
            self._drain()
        finally:
            self._store.commit()
        self._tell_account(self._nothing_asked())

    def _nothing_asked(self) -> Span:
        """The empty range behind what was given last: nothing is asked for now."""
        at = 0 if self._given is None else self._given.stop
        return Span(at, at)


def fall_of(attempt: Attempt) -> Attempt:
    """A read over which the drive vanished, as the record keeps it: its place may be what throws the drive
    off the bus, so it is remembered like a hang, and comes last."""
    return replace(
        attempt,
        outcome=Outcome.HUNG,
        error=attempt.error or "vanished",
        trouble=attempt.trouble or Trouble.GONE,
    )
