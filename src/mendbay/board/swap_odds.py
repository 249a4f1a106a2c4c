"""How likely a donor is to work, from common practice and the shop's own recorded swaps.

Bayesian logistic regression. Every attribute has a coefficient for each level of agreement (also for
"unknown", which is neither match nor mismatch), with a Gaussian prior from `match_priors.toml`. The
posterior is the Laplace approximation at the maximum found by Newton's method (D. J. Spiegelhalter, S. L.
Lauritzen, Networks 20 (1990) 579-605; D. J. C. MacKay, Neural Computation 4 (1992) 720-736; both from
memory); the chance is the logistic averaged over what remains uncertain in the log-odds.
"""

from __future__ import annotations

import math
import tomllib
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from importlib.resources import files

import numpy as np
import numpy.typing as npt

from mendbay.core.errors import BadFormFile, MendbayError, UsageError
from mendbay.core.quantity import chance_text

Floats = npt.NDArray[np.float64]

_PRIORS_LIMIT = 1 << 20
_REMEMBERED = 4096
"""Agreements whose odds are kept."""
_QUADRATURE = tuple(
    (one / scale).tolist()
    for one, scale in zip(np.polynomial.hermite_e.hermegauss(40), (1.0, math.sqrt(2 * math.pi)), strict=True)
)
"""Nodes and weights for averages over a standard normal."""
_Z_90 = 1.6448536269514722
"""95th percentile of the standard normal: the ends of a central 90 % interval."""


class Purpose(StrEnum):
    """What a donor is wanted for."""

    BOARD_SWAP = "board swap"
    HEAD_TRANSPLANT = "head transplant"


class Attribute(StrEnum):
    """What patient and donor are compared by."""

    BOARD_NUMBER = "board number"
    REVISION = "revision"
    CONTROLLER = "controller"
    MOTOR_DRIVER = "motor driver"
    FAMILY = "family"
    MODEL = "model"
    FIRMWARE = "firmware"
    SITE = "site"
    HEADS_MAP = "heads map"
    MADE_ON = "date"
    CONDITION = "condition"
    """Of the donor."""
    ROM = "ROM"
    """What is done with the unique board data."""


class Level(StrEnum):
    """How patient and donor agree in one attribute."""

    UNKNOWN = "unknown"
    DIFFERENT = "different"
    SAME = "same"
    LISTED = "listed alternative"
    """Different, but the shop's table says it can stand for the patient's."""
    FAR = "far"
    CLOSE = "close"
    NEAR = "near"
    UNTESTED = "untested"
    TESTED_GOOD = "tested good"
    REPAIRED = "repaired"
    ROM_MISSING = "ROM missing"
    DAMAGED = "damaged"
    MOVED = "moved"
    NOT_MOVED = "not moved"
    NOT_NEEDED = "need not be moved"


_TEXT_LEVELS = (Level.UNKNOWN, Level.DIFFERENT, Level.SAME, Level.LISTED)
LEVELS: Mapping[Attribute, tuple[Level, ...]] = {
    **dict.fromkeys(Attribute, _TEXT_LEVELS),
    Attribute.MADE_ON: (Level.UNKNOWN, Level.FAR, Level.CLOSE, Level.NEAR),
    Attribute.CONDITION: (
        Level.UNTESTED,
        Level.TESTED_GOOD,
        Level.REPAIRED,
        Level.ROM_MISSING,
        Level.DAMAGED,
    ),
    Attribute.ROM: (Level.UNKNOWN, Level.MOVED, Level.NOT_MOVED, Level.NOT_NEEDED),
}
"""The levels of each attribute; the first one is taken where a record does not mention the attribute."""

ATTRIBUTES: Mapping[Purpose, tuple[Attribute, ...]] = {
    Purpose.BOARD_SWAP: (
        Attribute.BOARD_NUMBER,
        Attribute.REVISION,
        Attribute.CONTROLLER,
        Attribute.MOTOR_DRIVER,
        Attribute.FAMILY,
        Attribute.FIRMWARE,
        Attribute.SITE,
        Attribute.MADE_ON,
        Attribute.CONDITION,
        Attribute.ROM,
    ),
    Purpose.HEAD_TRANSPLANT: (
        Attribute.FAMILY,
        Attribute.MODEL,
        Attribute.HEADS_MAP,
        Attribute.FIRMWARE,
        Attribute.SITE,
        Attribute.MADE_ON,
        Attribute.CONDITION,
    ),
}
"""What counts for each purpose. The patient's own board stays with moved heads, so boards and ROM do not
count there."""


@dataclass(frozen=True, slots=True)
class Agreement:
    """How one patient and one donor agree: a level for each of `ATTRIBUTES[purpose]`, in that order.

    Raises:
        UsageError: a level that its attribute does not have, or not as many as attributes.
    """

    purpose: Purpose
    levels: tuple[Level, ...]

    def __post_init__(self) -> None:
        wanted = ATTRIBUTES[self.purpose]
        if len(self.levels) != len(wanted):
            raise UsageError(f"{len(self.levels)} levels for {len(wanted)} attributes.", "Give one for each.")
        for attribute, level in zip(wanted, self.levels, strict=True):
            if level not in LEVELS[attribute]:
                raise UsageError(f"The {attribute} cannot be '{level}'.", _known(LEVELS[attribute]))

    @classmethod
    def from_words(cls, purpose: Purpose, words: Mapping[str, str]) -> Agreement:
        """The agreement that `as_words` wrote; an attribute that is not mentioned is unknown (a condition:
        untested).

        Raises:
            UsageError: an attribute or a level that the purpose does not have.
        """
        attributes = ATTRIBUTES[purpose]
        strange = set(words) - set(attributes)
        if strange:
            raise UsageError(f"A {purpose} is not judged by {min(strange)[:40]!r}.", _known(attributes))
        try:
            levels = tuple(Level(words.get(one, LEVELS[one][0])) for one in attributes)
        except ValueError as trouble:
            raise UsageError(f"An agreement cannot be read: {trouble}.", _known(Level)) from trouble
        return cls(purpose, levels)

    def as_words(self) -> dict[str, str]:
        """Attribute to level as plain texts, for a ledger or JSON."""
        return {str(a): str(b) for a, b in zip(ATTRIBUTES[self.purpose], self.levels, strict=True)}

    def level(self, attribute: Attribute) -> Level:
        """The level of one attribute.

        Raises:
            ValueError: the purpose does not count it.
        """
        return self.levels[ATTRIBUTES[self.purpose].index(attribute)]


def _known(words: Iterable[str]) -> str:
    return f"Use one of: {', '.join(words)}."


@dataclass(frozen=True, slots=True)
class SwapOutcome:
    """One swap the shop has made: how patient and donor agreed (what was done with the ROM and the donor's
    condition included) and whether the drive then gave its data."""

    agreement: Agreement
    worked: bool


@dataclass(frozen=True, slots=True)
class Coefficient:
    """Gaussian prior of one coefficient, in log-odds, and where it comes from."""

    mean: float
    deviation: float
    basis: str


@dataclass(frozen=True, slots=True)
class Priors:
    """What is assumed before the shop's own outcomes, and what rules a donor out, for each purpose.

    `stops[purpose]` are attributes whose difference rules a donor out unless an alternative is listed;
    a date is close up to `close_days` apart and near up to `near_days`.
    """

    intercept: Mapping[Purpose, Coefficient]
    coefficients: Mapping[Purpose, Mapping[tuple[Attribute, Level], Coefficient]]
    stops: Mapping[Purpose, frozenset[Attribute]]
    close_days: int
    near_days: int


@cache
def packaged_priors() -> Priors:
    """The priors that come with Mendbay; they are read once."""
    text = (files("mendbay.board") / "match_priors.toml").read_text(encoding="utf-8")
    return read_priors(text)


def read_priors(text: str) -> Priors:
    """Priors from a data file in the form of `match_priors.toml`.

    Raises:
        BadFormFile: not TOML, a coefficient missing, given twice or without basis, or a number that
            cannot be one.
    """
    try:
        if len(text) > _PRIORS_LIMIT:
            raise ValueError(f"{len(text)} characters are too many")
        table = tomllib.loads(text)
        days = table["days"]
        purposes = {one: table[str(one).replace(" ", "_")] for one in Purpose}
        return Priors(
            {one: _coefficient(given["intercept"]) for one, given in purposes.items()},
            {one: _coefficients(one, given["rows"]) for one, given in purposes.items()},
            {one: _stops(one, given["stops"]) for one, given in purposes.items()},
            _whole_days(days["close"], 0),
            _whole_days(days["near"], days["close"]),
        )
    except KeyError as trouble:
        raise BadFormFile(f"The match priors lack {trouble}.", "Compare with the packaged file.") from trouble
    except (ValueError, TypeError, AttributeError) as trouble:  # a TOML error is a ValueError
        raise BadFormFile(
            f"The match priors cannot be used: {trouble}.", "Compare with the packaged file."
        ) from trouble


def _coefficient(row: Mapping[str, object]) -> Coefficient:
    mean, deviation, basis = row["mean"], row["deviation"], row["basis"]
    numbers = all(isinstance(one, (int, float)) and not isinstance(one, bool) for one in (mean, deviation))
    if not numbers or not isinstance(basis, str) or not basis.strip():
        raise ValueError(f"a coefficient needs two numbers and a basis, not {dict(row)!r:.120}")
    centre, spread = float(str(mean)), float(str(deviation))
    if not (abs(centre) <= 50 and 1e-3 <= spread <= 50):
        raise ValueError(f"mean {centre} and deviation {spread} are no log-odds")
    return Coefficient(centre, spread, basis)


def _coefficients(
    purpose: Purpose, rows: Sequence[Mapping[str, object]]
) -> dict[tuple[Attribute, Level], Coefficient]:
    found: dict[tuple[Attribute, Level], Coefficient] = {}
    for row in rows:
        what = Attribute(str(row["attribute"])), Level(str(row["level"]))
        if what in found:
            raise ValueError(f"{what[0]} '{what[1]}' of the {purpose} is given twice")
        found[what] = _coefficient(row)
    wanted = [(one, level) for one in ATTRIBUTES[purpose] for level in LEVELS[one]]
    odd = set(found).symmetric_difference(wanted)
    if odd:
        attribute, level = min(odd)
        raise ValueError(f"{attribute} '{level}' of the {purpose} is missing or not counted")
    return {what: found[what] for what in wanted}


def _stops(purpose: Purpose, words: Sequence[str]) -> frozenset[Attribute]:
    stops = frozenset(Attribute(one) for one in words)
    if not all(one in ATTRIBUTES[purpose] and LEVELS[one] is _TEXT_LEVELS for one in stops):
        raise ValueError(f"not everything in {list(words)!r:.120} can rule out a donor for a {purpose}")
    return stops


def _whole_days(days: object, least: object) -> int:
    if not isinstance(days, int) or not isinstance(least, int) or not least <= days <= 36525:
        raise ValueError(f"{days!r:.40} is not a number of days from {least!r:.40} up")
    return days


@dataclass(frozen=True, slots=True)
class Posterior:
    """Gaussian approximation of the posterior: `mean` (d), `covariance` (d, d), in log-odds."""

    mean: Floats
    covariance: Floats


def fit(design: Floats, tries: Floats, successes: Floats, mean: Floats, deviation: Floats) -> Posterior:
    """Logistic regression with independent Gaussian priors: Newton's method to the maximum of the
    posterior, then its curvature there (Laplace approximation).

    The posterior is strictly log-concave, so the maximum is unique; steps are halved while they overshoot.

    Args:
        design: (n, d) one row for each distinct case.
        tries, successes: (n) how often each case was tried and how often it worked.
        mean, deviation: (d) of the priors.

    Raises:
        MendbayError: no convergence, which is a defect here.
    """
    precision = 1.0 / deviation**2

    def height(at: Floats) -> float:
        log_odds = design @ at
        likelihood = successes @ log_odds - tries @ np.logaddexp(0.0, log_odds)
        return float(likelihood - 0.5 * precision @ (at - mean) ** 2)

    at, now = mean.astype(np.float64), height(mean)
    for _ in range(200):
        chance = _logistic(design @ at)
        slope = design.T @ (successes - tries * chance) - precision * (at - mean)
        curvature = (design.T * (tries * chance * (1.0 - chance))) @ design + np.diag(precision)
        step = np.linalg.solve(curvature, slope)
        if float(np.max(np.abs(step))) < 1e-9:
            return Posterior(at, np.asarray(np.linalg.inv(curvature), dtype=np.float64))
        size = 1.0
        slack = 1e-12 * (1.0 + abs(now))  # beside the maximum, heights differ by their rounding alone
        while (then := height(at + size * step)) < now - slack and size > 1e-9:
            size /= 2
        at, now = at + size * step, then
    raise MendbayError("The odds of the swaps could not be fitted.", "Report this with the recorded swaps.")


def _logistic(log_odds: Floats) -> Floats:
    return np.exp(-np.logaddexp(0.0, -log_odds))


@dataclass(frozen=True, slots=True)
class Odds:
    """The chance that a swap works, and what it rests on.

    Args:
        chance: 0 to 1, averaged over what is not known about the coefficients.
        low, high: ends of the central 90 % interval of that chance.
        log_odds, deviation: the same as mean and standard deviation in log-odds.
        outcomes: the shop's recorded swaps for this purpose.
        alike, alike_worked: those with the very same agreement, and how many of these worked.
    """

    chance: float
    low: float
    high: float
    log_odds: float
    deviation: float
    outcomes: int
    alike: int
    alike_worked: int

    def words(self) -> str:
        """The chance, its interval and what they rest on, in one sentence."""
        low, high = chance_text(self.low), chance_text(self.high)
        chance = f"{chance_text(self.chance)} (9 in 10 between {low} and {high})"
        if not self.outcomes:
            return f"{chance}; rests on common practice alone, no swap of this shop is recorded yet"
        swaps = "swap" if self.outcomes == 1 else "swaps"
        alike = f"{self.alike} with the same agreement"
        worked = f", {self.alike_worked} of which worked" if self.alike else ""
        return f"{chance}; rests on common practice and {self.outcomes} {swaps} of this shop, {alike}{worked}"


class SwapOdds:
    """The odds for one purpose after the outcomes so far.

    Outcomes of other purposes are left out, so all that is recorded can be handed in.
    """

    def __init__(self, purpose: Purpose, priors: Priors, outcomes: Iterable[SwapOutcome] = ()) -> None:
        self.purpose = purpose
        self.priors = priors
        self._starts: dict[Attribute, int] = {}
        given = [priors.intercept[purpose]]
        for attribute in ATTRIBUTES[purpose]:
            self._starts[attribute] = len(given)
            given += [priors.coefficients[purpose][attribute, level] for level in LEVELS[attribute]]
        mean = np.array([one.mean for one in given])
        deviation = np.array([one.deviation for one in given])
        counted = [one for one in outcomes if one.agreement.purpose is purpose]
        self._tries = Counter(one.agreement for one in counted)
        self._worked = Counter(one.agreement for one in counted if one.worked)
        self._found: dict[Agreement, Odds] = {}
        self.outcomes = len(counted)
        self.posterior = fit(*self._cases(len(given)), mean, deviation)

    def _cases(self, width: int) -> tuple[Floats, Floats, Floats]:
        """Distinct agreements as (n, width) rows of zeros and ones, with their tries and successes."""
        design = np.zeros((len(self._tries), width))
        for row, agreement in enumerate(self._tries):
            design[row, self._places(agreement)] = 1.0
        tries = np.array(list(self._tries.values()), dtype=np.float64)
        return design, tries, np.array([float(self._worked[one]) for one in self._tries])

    def _places(self, agreement: Agreement) -> list[int]:
        pairs = zip(ATTRIBUTES[self.purpose], agreement.levels, strict=True)
        return [0, *(self._starts[one] + LEVELS[one].index(level) for one, level in pairs)]

    def contribution(self, attribute: Attribute, level: Level) -> float:
        """What one attribute adds to the log-odds at this level."""
        return float(self.posterior.mean[self._starts[attribute] + LEVELS[attribute].index(level)])

    @property
    def start(self) -> float:
        """The log-odds before any attribute is looked at."""
        return float(self.posterior.mean[0])

    def moments(self, places: npt.NDArray[np.integer]) -> tuple[Floats, Floats]:
        """Mean and variance (n) of the log-odds of n agreements.

        `places` (n, attributes) holds for each attribute of the purpose the place of its level in `LEVELS`.
        Sums are made term by term in a fixed order, so an agreement has the same numbers to the last bit
        whatever else is asked in the same call: a ranking depends on it.
        """
        columns = [np.zeros(len(places), dtype=np.intp)]
        for at, attribute in enumerate(ATTRIBUTES[self.purpose]):
            columns.append(places[:, at].astype(np.intp) + self._starts[attribute])
        mean, variance = np.zeros(len(places)), np.zeros(len(places))
        for first, one in enumerate(columns):
            mean += self.posterior.mean[one]
            variance += self.posterior.covariance[one, one]
            for other in columns[:first]:
                variance += 2.0 * self.posterior.covariance[one, other]
        return mean, np.maximum(variance, 0.0)

    def scores(self, places: npt.NDArray[np.integer]) -> Floats:
        """The chance of success (n) of n agreements, which is what donors are ranked by: the logistic of the
        log-odds, averaged over their Gaussian uncertainty by Gauss-Hermite quadrature. See `moments` for
        `places`."""
        mean, variance = self.moments(places)
        return _average_chance(mean, np.sqrt(variance))

    def score(self, agreement: Agreement) -> float:
        """See `scores`."""
        return self.odds(agreement).chance

    def odds(self, agreement: Agreement) -> Odds:
        """The chance for one agreement, with its interval and what it rests on.

        Raises:
            ValueError: the agreement is for another purpose.
        """
        if agreement.purpose is not self.purpose:
            raise ValueError(f"an agreement for a {agreement.purpose} among odds of a {self.purpose}")
        if agreement not in self._found:
            if len(self._found) >= _REMEMBERED:
                self._found.clear()
            self._found[agreement] = self._odds(agreement)
        return self._found[agreement]

    def _odds(self, agreement: Agreement) -> Odds:
        mean, variance = self.moments(_as_places(agreement))
        deviation = np.sqrt(variance)
        ends = _logistic(np.concatenate((mean - _Z_90 * deviation, mean + _Z_90 * deviation)))
        return Odds(
            float(_average_chance(mean, deviation)[0]),
            float(ends[0]),
            float(ends[1]),
            float(mean[0]),
            float(deviation[0]),
            self.outcomes,
            self._tries[agreement],
            self._worked[agreement],
        )


def _average_chance(mean: Floats, deviation: Floats) -> Floats:
    """The logistic averaged over Gaussian log-odds (n), node by node: the order of the sum counts."""
    chance = np.zeros(len(mean))
    for node, weight in zip(*_QUADRATURE, strict=True):
        chance += weight / (1.0 + np.exp(-np.clip(mean + node * deviation, -700.0, 700.0)))
    return chance


def _as_places(agreement: Agreement) -> npt.NDArray[np.intp]:
    pairs = zip(ATTRIBUTES[agreement.purpose], agreement.levels, strict=True)
    return np.array([[LEVELS[one].index(level) for one, level in pairs]], dtype=np.intp)
