"""What two drives that are read as one task bring together, from what was advised for each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import prod

from mendbay.core.money import Money
from mendbay.core.quantity import share_text
from mendbay.imaging.going_on import STEP_SECONDS, Advice, Stakes
from mendbay.jobs.stop_advice import brings_words, price_words, refusals_words

NOT_STATED = Stakes()


@dataclass(frozen=True, slots=True)
class TaskAdvice:
    """The next stretch of a task.

    Attributes:
        go_on: by bay, what is advised for each drive that still has something to try.
        seconds: the stretch looked at, at most an hour.
        brings_bytes: what is expected of both together in it.
        lacking_bytes: what neither has given.
        refusals: reads that are expected to be refused, of both.
        dies: by bay, the chance that the drive is lost in it.
        bench: what the bench costs in the stretch, once for both; None where that or the worth is not stated.
        gain: what is expected to come, by the worth stated; None where it is not.
        all_worth: what all that is lacking is worth; likewise.
        of_wanted: no more than what is wanted is to be read, and the bytes are of that alone.
    """

    go_on: Mapping[str, bool]
    seconds: float
    brings_bytes: int
    lacking_bytes: int
    refusals: float
    dies: Mapping[str, float]
    bench: Money | None = None
    gain: Money | None = None
    all_worth: Money | None = None
    of_wanted: bool = False

    @property
    def all_die(self) -> float:
        """The chance that every drive that is read is lost in the stretch."""
        return prod(self.dies.values())


def task_advice(
    advised: Mapping[str, Advice], lacking_bytes: int | None = None, stakes: Stakes = NOT_STATED
) -> TaskAdvice | None:
    """What follows for a task from the advice for its drives; None where none of them has anything to try.

    Each advice is that of a drive which reads alone; together none reads what the other gave, so they need
    less of their time, and bear less of their refusals and risk. In an hour that is too short for either they
    bring both shares. Where one would be through sooner, what is left is what it refuses, and the other
    brings of that its own share, as if their damage had nothing to do with each other (own choice, no
    source). What comes is worth what the same rule makes of their shares of the worth: the halves hold the
    same, so the worth of all counts once, as does the hour of the bench.

    Args:
        advised: by bay, of the drives that still have something to try.
        lacking_bytes: what neither gave; None for the most that is lacking on one of them.
        stakes: of the whole task.
    """
    found = list(advised.values())
    lacking = max((one.lacking_bytes for one in found), default=0) if lacking_bytes is None else lacking_bytes
    if not found or not lacking:
        return None
    alone = sum(one.brings_bytes for one in found)
    is_short = all(one.seconds >= STEP_SECONDS for one in found)
    shares = [min(1.0, one.brings_bytes / max(1, one.lacking_bytes)) for one in found]
    brings = min(lacking, alone) if is_short else lacking * _either(shares)
    seconds = max(one.seconds for one in found)
    if alone > brings:
        seconds = min(seconds, brings / sum(one.brings_bytes / one.seconds for one in found))
    worths = [min(1.0, one.brings) for one in found]
    gains = min(1.0, sum(worths)) if is_short else _either(worths)
    all_worth = stakes.worth.times(_exact(max(one.lacking for one in found))) if stakes.worth else None
    worked = {bay: min(1.0, seconds / one.seconds) for bay, one in advised.items()}
    return TaskAdvice(
        go_on={bay: one.go_on for bay, one in advised.items()},
        seconds=seconds,
        brings_bytes=round(brings),
        lacking_bytes=lacking,
        refusals=sum(one.refusals * worked[bay] for bay, one in advised.items()),
        dies={bay: 1 - (1 - one.dies) ** worked[bay] for bay, one in advised.items()},
        bench=stakes.bench_hour.times(_exact(seconds / 3600)) if stakes.worth and stakes.bench_hour else None,
        gain=None if all_worth is None else all_worth.times(_exact(gains)),
        all_worth=all_worth,
        of_wanted=all(one.of_wanted for one in found),
    )


def _either(shares: Sequence[float]) -> float:
    """The share that comes where each brings its own of what the others do not, as if by chance."""
    return 1 - prod(1 - one for one in shares)


def _exact(number: float) -> Fraction:
    return Fraction(number).limit_denominator(1_000_000)


def task_words(one: TaskAdvice) -> str:
    """The advice for a task with its numbers, for a person."""
    on = [f"bay {bay}" for bay, goes_on in one.go_on.items() if goes_on]
    if not on:
        advised = "stop here, power the drives off"
    elif len(on) == len(one.go_on) > 1:
        advised = "go on"
    else:
        advised = f"go on with {on[0]} only"
    lost = ", ".join(f"{share_text(dies)} that bay {bay} is lost meanwhile" for bay, dies in one.dies.items())
    both = f", {share_text(one.all_die)} that both are" if len(one.dies) > 1 else ""
    brings = brings_words(one.seconds, one.brings_bytes, one.lacking_bytes, of_wanted=one.of_wanted)
    return (
        f"Both drives together, recommended: {advised}. {brings} that neither half gave "
        f"({refusals_words(one.refusals)}). The chances: {lost}{both}.{_price_words(one)}"
    )


def _price_words(one: TaskAdvice) -> str:
    if one.gain is None:
        return ""
    is_more = one.bench is not None and one.all_worth is not None and one.all_worth < one.bench
    return price_words(one.gain, one.bench, "the bench", is_more=is_more)
