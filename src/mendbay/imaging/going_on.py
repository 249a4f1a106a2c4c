"""Whether the next stretch of reading is worth its risk, where head work in a clean room is the other way.

One step looked ahead, with `core.loss_odds.going_on_gains`. All is reckoned in shares of what is still
wanted, so that nothing need be worth money; where the shop states what the data are worth, the bench's time
counts too. What is wanted counts 9 in 10 of all, the rest of the drive 1 in 10 (own choice, no source), each
by its bytes. The planner orders reads from best to worst, so the yield falls, and one step ahead is enough.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from mendbay.core.loss_odds import death_chance, going_on_gains
from mendbay.core.money import Money
from mendbay.imaging.ahead import Ahead

STEP_SECONDS = 3600.0
"""How far is looked ahead."""
WANTED_COUNTS = 0.9
HEAD_WORK_GIVES = 0.5
"""Share of what is not read that head work may be expected to give while the drive lives (own choice, no
source)."""


@dataclass(frozen=True, slots=True)
class Stakes:
    """What is at stake, as the shop states it.

    Args:
        worth: of everything that is to be read; None where nobody says.
        bench_hour: what an hour of the bench costs; counts only beside `worth`.
        head_work_gives: share of what is not read that head work may give; 0 where it is no option.

    Raises:
        ValueError: amounts in two currencies or below zero, or a share outside 0 to 1.
    """

    worth: Money | None = None
    bench_hour: Money | None = None
    head_work_gives: float = HEAD_WORK_GIVES

    def __post_init__(self) -> None:
        stated = [one for one in (self.worth, self.bench_hour) if one is not None]
        if any(one.minor < 0 for one in stated) or len({one.currency for one in stated}) > 1:
            raise ValueError("worth and cost are amounts of one currency, from 0 up")
        if not 0 <= self.head_work_gives <= 1:
            raise ValueError(f"{self.head_work_gives} is no share")


@dataclass(frozen=True, slots=True)
class Left:
    """Sectors that are to be read, and of these the ones that are not; what is wanted and the rest. A sector
    here is what the planner counts, of `sector_bytes`."""

    wanted: int
    wanted_lacking: int
    rest: int
    rest_lacking: int
    sector_bytes: int = 512

    def share(self, wanted: float, rest: float) -> float:
        """What so many sectors are of the worth of everything, 0 to 1."""
        if not self.wanted or not self.rest:
            return (wanted + rest) / max(1, self.wanted + self.rest)
        return WANTED_COUNTS * wanted / self.wanted + (1 - WANTED_COUNTS) * rest / self.rest

    @property
    def lacking(self) -> float:
        """The share of the worth that is not read."""
        return self.share(self.wanted_lacking, self.rest_lacking)


@dataclass(frozen=True, slots=True)
class Advice:
    """Whether to go on, and the numbers behind it. Shares are of the worth that is still lacking.

    Attributes:
        go_on: whether what it brings outweighs what it risks and costs.
        seconds: the stretch looked at, at most `STEP_SECONDS`.
        brings: share that the stretch is expected to bring.
        refusals: reads that are expected to be refused in it.
        dies: chance that the drive is lost in it.
        risks: share that is expected to be lost with it: what head work would have given.
        costs: of the bench, as a share; 0 where the worth is not stated.
        lacking: share of the whole worth that is still lacking.
        head_work_gives: as stated.
        brings_bytes: how many bytes the stretch is expected to bring.
        lacking_bytes: how many are still lacking.
        bench: what the bench costs in the stretch; None where the worth is not stated.
        gain: what is expected to come, by the worth stated; None where it is not.
        of_wanted: no more than what is wanted is to be read, and the bytes are of that alone.
        is_weighted: both what is wanted and more is lacking, so that a share of the worth is none of the
            bytes.
    """

    go_on: bool
    seconds: float
    brings: float
    refusals: float
    dies: float
    risks: float
    costs: float
    lacking: float
    head_work_gives: float
    brings_bytes: int
    lacking_bytes: int
    bench: Money | None = None
    gain: Money | None = None
    of_wanted: bool = False
    is_weighted: bool = False


def advise(ahead: Ahead, left: Left, per_hour: float, per_refusal: float, stakes: Stakes) -> Advice | None:
    """The advice for a stretch; None where nothing is lacking or left to try, or so little was read that
    nothing can be told yet.

    Args:
        per_hour, per_refusal: chance that the drive is lost in a powered hour, and by a refusal.
    """
    lacking = left.lacking
    if ahead.seconds <= 0 or lacking <= 0 or ahead.too_early:
        return None
    hours = ahead.seconds / 3600
    wanted = min(ahead.wanted_sectors, left.wanted_lacking)
    rest = min(ahead.rest_sectors, left.rest_lacking)
    brings = left.share(wanted, rest) / lacking
    hazard = per_hour + per_refusal * ahead.refusals / hours
    cost = 0.0
    if stakes.worth is not None and stakes.bench_hour is not None:
        cost = stakes.bench_hour.minor / max(1.0, stakes.worth.minor * lacking)
    gains = going_on_gains(hours, brings / hours, cost, hazard, stakes.head_work_gives)
    dies = death_chance(hours, 1 / hazard) if hazard > 0 else 0.0
    return Advice(
        go_on=gains > 0,
        seconds=ahead.seconds,
        brings=brings,
        refusals=ahead.refusals,
        dies=dies,
        risks=dies * stakes.head_work_gives,
        costs=cost * hours,
        lacking=lacking,
        head_work_gives=stakes.head_work_gives,
        brings_bytes=round((wanted + rest) * left.sector_bytes),
        lacking_bytes=(left.wanted_lacking + left.rest_lacking) * left.sector_bytes,
        bench=stakes.bench_hour.times(_exact(hours)) if stakes.worth and stakes.bench_hour else None,
        gain=stakes.worth.times(_exact(brings * lacking)) if stakes.worth else None,
        of_wanted=left.wanted > 0 and not left.rest,
        is_weighted=left.wanted_lacking > 0 and left.rest_lacking > 0,
    )


def _exact(number: float) -> Fraction:
    return Fraction(number).limit_denominator(1_000_000)
