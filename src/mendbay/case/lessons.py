"""What the shop's own cases and swaps teach: how many went well, and how sure that makes one.

Shares are of small numbers of cases as they happened to come in; nobody drew lots. So a row always carries
its counts and interval, rows of few cases stand apart, and levels whose intervals overlap are said not to
be told apart. There are no tests of significance: with this many comparisons some would call out by chance.
"""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from mendbay.core.proportion import Proportion
from mendbay.core.quantity import counted

ENOUGH = 5
"""Cases from which a row is listed with the others: of four, the interval can still span two thirds of all
that is possible (own choice)."""

UNCOUNTED = frozenset({"declined", "enquiry answered"})
"""Ends before anything was tried: they say nothing of how well a job goes."""
GOOD_DATA = frozenset({"all", "most"})
GOOD_ENDS = frozenset({"repaired", "handed back"})
NO_DATA_ASKED = "not asked for"

NOT_KNOWN = "not known"
NOT_FOUND = "not found"
UNKNOWN = "unknown"
"""The level of an attribute of a swap that nobody knew."""


class Axis(StrEnum):
    """What cases or swaps are sorted by."""

    FAMILY = "family"
    DONOR = "donor"
    SYMPTOM = "symptom"
    FAULT = "fault"
    KIND = "kind"
    ENDING = "ending"
    """How all cases ended, and what came of their data."""


TITLES: Mapping[Axis, str] = {
    Axis.FAMILY: "By board and family of the drives",
    Axis.DONOR: "Swaps, by how donor and patient agreed",
    Axis.SYMPTOM: "By what was seen, heard or told",
    Axis.FAULT: "By what was found broken",
    Axis.KIND: "By what the case was about",
    Axis.ENDING: "How cases ended, and what came of the data",
}


@dataclass(frozen=True, slots=True)
class Ended:
    """A case whose outcome is on record.

    Args:
        kind: what it was about, in words; empty if not said.
        end, data: how it ended and what came of its data, as the outcome says.
        found: what was broken, in words; empty if that is not known.
        sure: whether that is sure.
        boards, families: of its drives, those that are known.
        symptoms: question and answer of triage, in words.
    """

    case: int
    kind: str
    end: str
    data: str
    found: frozenset[str] = frozenset()
    sure: bool = True
    boards: frozenset[str] = frozenset()
    families: frozenset[str] = frozenset()
    symptoms: frozenset[tuple[str, str]] = frozenset()


@dataclass(frozen=True, slots=True)
class Swapped:
    """A swap with a donor: what for, how the two agreed in each attribute, and whether it worked."""

    purpose: str
    agreement: tuple[tuple[str, str], ...]
    worked: bool


@dataclass(frozen=True, slots=True)
class Measured:
    """Something measured of one case or image.

    Args:
        measure: what, one of `MEASURES`.
        families: of the drives it is of.
        value: in the unit of the measure.
    """

    measure: str
    families: frozenset[str]
    value: float


DAYS, HOURS, GIVEN = (
    "days from take-in to the end",
    "hours from first to last read",
    "given of what was asked",
)
MEASURES: Mapping[str, str] = {DAYS: "days", HOURS: "hours", GIVEN: "%"}
"""What is measured, and its unit. Hours are by the clock, pauses included; given is the share of the bytes
asked for that the drive gave (those read, of those read or refused)."""
ALL_DRIVES = "all drives"


@dataclass(frozen=True, slots=True)
class Row:
    """One level of what is sorted by: `group` is the question or attribute, empty where there is but one."""

    group: str
    what: str
    proportion: Proportion

    @property
    def enough(self) -> bool:
        """Whether it is of cases enough to be read beside others."""
        return self.proportion.counted >= ENOUGH


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of one axis.

    Args:
        unit: what is counted: `case` or `swap`.
        counted: how many there are in all.
        left_out: how many more say nothing here, as nothing was tried.
        rows: by group, then falling by count.
        remarks: what the rows do and do not say, in sentences.
    """

    axis: Axis
    unit: str
    counted: int
    left_out: int
    rows: tuple[Row, ...]
    remarks: tuple[str, ...]

    @property
    def title(self) -> str:
        return TITLES[self.axis]


@dataclass(frozen=True, slots=True)
class Spread:
    """A measure over several cases or images: its middle value and its ends."""

    measure: str
    family: str
    counted: int
    median: float
    least: float
    most: float

    @property
    def unit(self) -> str:
        return MEASURES[self.measure]


def went_well(end: str, data: str) -> bool | None:
    """Whether a case went well: all or most of the data was had; where none was asked for, the thing was
    repaired or handed back. None where nothing was tried (`UNCOUNTED`)."""
    if end in UNCOUNTED:
        return None
    return end in GOOD_ENDS if data == NO_DATA_ASKED else data in GOOD_DATA


def table_of_cases(axis: Axis, cases: Sequence[Ended]) -> Table:
    """The cases sorted by an axis other than that of donors; a case of several levels counts in each."""
    if axis is Axis.ENDING:
        return _endings(cases)
    tried = [(one, well) for one in cases if (well := went_well(one.end, one.data)) is not None]
    pairs = [(level, well) for one, well in tried for level in _levels(axis, one)]
    rows = _rows(pairs)
    remarks = [*_comparisons(rows)]
    if axis is Axis.FAULT:
        unsure = sum(1 for one, _ in tried if one.found and not one.sure)
        if unsure:
            remarks.append(f"What was found was not sure in {counted(unsure, 'case')}, counted all the same.")
    if any(_several(_levels(axis, one)) for one, _ in tried):
        remarks.append("A case with several drives or faults stands in several rows.")
    return Table(axis, "case", len(tried), len(cases) - len(tried), rows, tuple(remarks))


def table_of_swaps(swaps: Sequence[Swapped]) -> Table:
    """The swaps sorted by the level of each attribute; one of which nothing was ever known is left out."""
    pairs = [
        ((f"{one.purpose}: {attribute}", level), one.worked)
        for one in swaps
        for attribute, level in one.agreement
    ]
    known = {group for (group, level), _ in pairs if level != UNKNOWN}
    rows = _rows(pair for pair in pairs if pair[0][0] in known)
    remarks = [*_comparisons(rows)]
    unknown = [group for group in dict.fromkeys(group for (group, _), _ in pairs) if group not in known]
    if unknown:
        remarks.append(f"Never known so far, and left out: {', '.join(unknown)}.")
    if rows:
        remarks.append(
            "Attributes go together (the same revision is often the same site), so a row does not show that "
            "its attribute made the difference; donor find weighs them all at once."
        )
    return Table(Axis.DONOR, "swap", len(swaps), 0, rows, tuple(remarks))


def _endings(cases: Sequence[Ended]) -> Table:
    pairs = []
    for group, words in (("End", [one.end for one in cases]), ("Data", [one.data for one in cases])):
        for what in dict.fromkeys(words):
            pairs += [((group, what), one == what) for one in words]
    rows = _rows(pairs)
    remarks = ("Each row is the share of all cases that ended so.",) if rows else ()
    return Table(Axis.ENDING, "case", len(cases), 0, rows, remarks)


def _levels(axis: Axis, case: Ended) -> list[tuple[str, str]]:
    if axis is Axis.FAMILY:
        boards, families = (sorted(one) or [NOT_KNOWN] for one in (case.boards, case.families))
        return [("Board", one) for one in boards] + [("Family", one) for one in families]
    if axis is Axis.SYMPTOM:
        return sorted(case.symptoms)
    if axis is Axis.FAULT:
        return [("", one) for one in sorted(case.found or {NOT_FOUND})]
    return [("", case.kind or "not said")]


def _several(levels: Sequence[tuple[str, str]]) -> bool:
    """Whether two levels are of one group."""
    return len({group for group, _ in levels}) < len(levels)


def _rows(pairs: Iterable[tuple[tuple[str, str], bool]]) -> tuple[Row, ...]:
    found: dict[tuple[str, str], list[bool]] = {}
    for level, well in pairs:
        found.setdefault(level, []).append(well)
    groups = list(dict.fromkeys(group for group, _ in found))
    rows = [Row(*level, Proportion(sum(all_of), len(all_of))) for level, all_of in found.items()]
    return tuple(
        sorted(
            rows,
            key=lambda row: (
                groups.index(row.group),
                -row.proportion.counted,
                -row.proportion.good,
                row.what,
            ),
        )
    )


def _comparisons(rows: Sequence[Row]) -> list[str]:
    """For each group of at least two rows of cases enough, which can be told apart."""
    said: list[str] = []
    pairs_looked_at = apart_found = 0
    for group in dict.fromkeys(row.group for row in rows):
        told = [row for row in rows if row.group == group and row.enough]
        pairs = [(one, other) for at, one in enumerate(told) for other in told[at + 1 :]]
        apart = [pair for pair in pairs if pair[0].proportion.apart_from(pair[1].proportion)]
        pairs_looked_at += len(pairs)
        apart_found += len(apart)
        where = group + (" " if group.endswith("?") else ": ") if group else ""
        if len(pairs) == 1 and not apart:
            said.append(
                f"{where}the two rows with {ENOUGH} or more cannot be told apart: their intervals overlap."
            )
        elif pairs and not apart:
            said.append(
                f"{where}no two of the {len(told)} rows with {ENOUGH} or more can be told apart: their "
                "intervals overlap."
            )
        for one, other in apart:
            better, worse = sorted((one, other), key=lambda row: -row.proportion.share)
            said.append(f"{where}{better.what} did better than {worse.what}: their intervals do not overlap.")
        if apart and len(apart) < len(pairs):
            said.append(f"{where}the other pairs cannot be told apart: their intervals overlap.")
    if apart_found and pairs_looked_at > 1:
        said.append(
            f"{pairs_looked_at} pairs were compared: among many, some differ by chance alone, and cases "
            "are not dealt out evenly."
        )
    return [one[:1].upper() + one[1:] for one in said]


def spreads_of(measured: Iterable[Measured]) -> tuple[Spread, ...]:
    """Every measure over all drives and over each family; the families by falling count."""
    found: dict[tuple[str, str], list[float]] = {}
    for one in measured:
        for family in (ALL_DRIVES, *sorted(one.families)):
            found.setdefault((one.measure, family), []).append(one.value)
    spreads = [
        Spread(measure, family, len(values), statistics.median(values), min(values), max(values))
        for (measure, family), values in found.items()
    ]
    order = list(MEASURES)
    return tuple(
        sorted(
            spreads,
            key=lambda one: (order.index(one.measure), one.family != ALL_DRIVES, -one.counted, one.family),
        )
    )
