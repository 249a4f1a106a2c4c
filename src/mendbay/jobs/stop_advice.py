"""Watches whether reading a drive is still worth its risk, and says so. It never stops anything."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from fractions import Fraction

from mendbay.core.money import Money
from mendbay.core.quantity import bytes_text, counted, duration_text, share_text
from mendbay.imaging.ahead import Ahead
from mendbay.imaging.assumptions import Assumptions
from mendbay.imaging.going_on import STEP_SECONDS, Advice, Left, Stakes, advise
from mendbay.imaging.hazard import Condition
from mendbay.jobs.events import Advised, Tell

LOOK_EVERY_SECONDS = 60.0
"""Of bench time (own choice): a look takes some hundredths of a second."""
LEAST_TOLD_BYTES = 512
"""No drive gives less: an expectation below it is told in words."""
SURE_AFTER = 2
"""Looks in a row that must agree before something is said: one unlucky minute is none (own choice)."""


@dataclass(frozen=True, slots=True)
class AdviceGiven:
    """What was advised in a reading.

    Attributes:
        last: the advice at the end; None where nothing was left to weigh.
        stopped_at: seconds of bench time at which stopping was first advised, None if it never was.
        stop: that advice.
    """

    last: Advice | None = None
    stopped_at: float | None = None
    stop: Advice | None = None


NO_ADVICE = AdviceGiven()


@dataclass(frozen=True, slots=True)
class Among:
    """How a drive stands among those that are read at once.

    Attributes:
        drives: how many of them are still read: they share the hour of the bench.
        of_worth: the share of the stated worth that lies on this drive; 1 for a half of a mirror, which holds
            what the other holds.
    """

    drives: int = 1
    of_worth: float = 1.0

    def stakes(self, stated: Stakes) -> Stakes:
        """What of the stakes of the whole task counts for this drive."""
        return replace(
            stated,
            worth=stated.worth and stated.worth.times(Fraction(self.of_worth).limit_denominator(1_000_000)),
            bench_hour=stated.bench_hour and stated.bench_hour.times(Fraction(1, self.drives)),
        )


@dataclass(frozen=True, slots=True)
class SharedAdvice(Advice):
    """The advice for one of several drives that are read at once; `bench` and `costs` are its share."""


class StopAdvice:
    """The advice for one drive being read. Bench time is what passed on the clock, or what the drive says its
    reads took where that is more, as with a simulated drive.

    Args:
        bay: for events.
        assumed: holds how likely the drive is lost.
        stakes: what is at stake.
        tell: hears of the advice, when it is first sure and whenever it changes.
        now: seconds of a steady clock.
    """

    def __init__(
        self, bay: str, assumed: Assumptions, stakes: Stakes, tell: Tell, now: Callable[[], float]
    ) -> None:
        self._bay = bay
        self._assumed = assumed
        self._stakes = stakes
        self._tell = tell
        self._now = now
        self._began = now()
        self._read_seconds = 0.0
        self._due_at = LOOK_EVERY_SECONDS
        self._said: bool | None = None
        self._agreeing = 0
        self._given = AdviceGiven()
        self.among: Callable[[], Among] = Among
        """How the drive stands among others that are read with it; asked in the thread that looks."""
        self.besides: Callable[[], str] = str
        """What is to be said along with an advice; asked in the thread that looks."""

    def assume(self, condition: Condition) -> None:
        """Weighs the drive as one in this condition from now on."""
        self._assumed = Assumptions.of(condition, self._assumed)

    def rested(self, seconds: float) -> None:
        """The drive rested so long, which is no time of reading."""
        self._began += seconds

    @property
    def given(self) -> AdviceGiven:
        """What was advised so far."""
        return self._given

    @property
    def bench_seconds(self) -> float:
        """How long the drive has been read."""
        return max(self._now() - self._began, self._read_seconds)

    def spent(self, seconds: float) -> bool:
        """Notes how long a read took; whether it is time to look ahead."""
        self._read_seconds += seconds
        return self.bench_seconds >= self._due_at

    def look(self, ahead: Callable[[float], Ahead], left: Left) -> None:
        """Weighs what the next stretch brings, and says what follows once it is sure.

        Args:
            ahead: what so many seconds are expected to bring.
            left: what is still to be read.
        """
        self._due_at = self.bench_seconds + LOOK_EVERY_SECONDS
        before = self._given.last
        found = self._weigh(ahead, left)
        self._given = AdviceGiven(found, self._given.stopped_at, self._given.stop)
        if found is None:
            return
        same = before is not None and before.go_on == found.go_on
        self._agreeing = self._agreeing + 1 if same else 1
        if self._agreeing >= SURE_AFTER and found.go_on != self._said:
            self._said = found.go_on
            if not found.go_on and self._given.stop is None:
                self._given = AdviceGiven(found, self.bench_seconds, found)
            words = f"{advice_words(self._bay, found)} {self.besides()}".rstrip()
            self._tell(Advised(self._bay, found, words))

    def at_end(self, ahead: Callable[[float], Ahead], left: Left) -> None:
        """Weighs once more, when a reading has ended for whatever reason; says nothing."""
        self._given = AdviceGiven(self._weigh(ahead, left), self._given.stopped_at, self._given.stop)

    def _weigh(self, ahead: Callable[[float], Ahead], left: Left) -> Advice | None:
        if left.lacking <= 0:
            return None
        assumed, among = self._assumed, self.among()
        stakes = among.stakes(self._stakes)
        found = advise(ahead(STEP_SECONDS), left, assumed.hazard_per_hour, assumed.hazard_per_refusal, stakes)
        if found is None or among.drives == 1:
            return found
        return SharedAdvice(**{one.name: getattr(found, one.name) for one in fields(found)})


def advice_words(bay: str, one: Advice) -> str:
    """An advice with its numbers and the reason, for a person."""
    if one.go_on:
        return f"Bay {bay}, recommended: go on. {numbers_of(one)}"
    return (
        f"Bay {bay}, recommended: stop here, power the drive off. {numbers_of(one)} {_reason(one)} "
        "You decide; until you stop it, reading goes on."
    )


def _reason(one: Advice) -> str:
    if one.risks >= one.costs:
        return "Head work in a clean room would have more to gain."
    return "That is not worth the bench."


def numbers_of(one: Advice) -> str:
    """The numbers behind an advice, in a few sentences."""
    amounts = brings_words(one.seconds, one.brings_bytes, one.lacking_bytes, of_wanted=one.of_wanted)
    brings = f"{amounts} still lacking, with {refusals_words(one.refusals)}"
    if one.is_weighted:
        brings += (
            f"; as wanted files count nine in ten, {share_text(one.brings)} of the worth of what is lacking"
        )
    dies = f"The chance that the drive is lost meanwhile is {share_text(one.dies)}"
    costs = _price_words(one)
    if one.head_work_gives <= 0:
        return f"{brings}. {dies}; head work is no option.{costs}"
    of_it = "that worth" if one.is_weighted else "what is lacking"
    return (
        f"{brings}. {dies}; head work might still give {share_text(one.head_work_gives)} of what is lacking, "
        f"so {share_text(one.risks)} of {of_it} is at risk.{costs}"
    )


def _price_words(one: Advice) -> str:
    """What the stretch costs and is worth in money, as far as that was stated."""
    if one.gain is None:
        return ""
    whose = "its share of the bench" if isinstance(one, SharedAdvice) else "the bench"
    return price_words(one.gain, one.bench, whose, is_more=one.costs > 1)


def price_words(gain: Money, bench: Money | None, whose: str, *, is_more: bool) -> str:
    """What a stretch is expected to bring and costs in money, as a sentence with a blank before it.

    Args:
        whose: the bench, or a share of it.
        is_more: whether it costs more than all that is lacking is worth.
    """
    worth = f" What comes is worth {gain.shown}"
    if bench is None:
        return f"{worth}."
    more = ", more than all that is lacking is worth" if is_more else ""
    return f"{worth}; {whose} costs {bench.shown} meanwhile{more}."


def brings_words(seconds: float, brings_bytes: int, lacking_bytes: int, *, of_wanted: bool) -> str:
    """What a stretch is expected to bring, to be followed by what the bytes lacking are.

    Args:
        of_wanted: no more than what is wanted is to be read, and the bytes are of that.
    """
    is_whole = seconds >= STEP_SECONDS
    left = "What is left to try of what is wanted" if of_wanted else "What is left to try"
    stretch = "The next hour" if is_whole else f"{left}, about {duration_text(seconds)},"
    amount = bytes_text(brings_bytes) if brings_bytes >= LEAST_TOLD_BYTES else "hardly a sector"
    wanted = " wanted and" if of_wanted else ""
    return f"{stretch} is expected to bring {amount} of the {bytes_text(lacking_bytes)}{wanted}"


def refusals_words(refusals: float) -> str:
    """How many reads are expected to be refused, at most: hopeless places fill what is left of the time."""
    refused = round(refusals)
    return f"up to {counted(refused, 'refused read')}" if refused else "hardly a refused read"


def given_words(given: AdviceGiven) -> str:
    """What was advised in a reading, as sentences for its story; empty where there is nothing to tell."""
    told = ""
    if given.stop is not None and given.stopped_at is not None:
        told = (
            f"Stopping was recommended after {duration_text(given.stopped_at)}: {numbers_of(given.stop)} "
            f"{_reason(given.stop)}"
        )
    if given.last is not None and (given.last.go_on or not told):
        word = "Going on" if given.last.go_on else "Leaving it at that, with its power off,"
        told = f"{told} {word} is recommended at the end: {numbers_of(given.last)}".strip()
    return told
