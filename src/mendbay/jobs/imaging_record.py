"""What the record beside a bay's image says: how far, through what, why not, and where reads differ."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

from mendbay.core.coverage import Coverage
from mendbay.core.csv_cells import csv_bytes
from mendbay.core.errors import MendbayError, NoSuchCase
from mendbay.core.source import Identity
from mendbay.core.span import SpanSet
from mendbay.imaging.adapter_odds import SecondChance
from mendbay.imaging.differences import Difference
from mendbay.imaging.lacking import Lacking, LackingRanges, Refusal
from mendbay.jobs.adapters_tried import record_of
from mendbay.jobs.bench import Bench
from mendbay.jobs.image_figures import left_of
from mendbay.jobs.ports import ImageStore, Run
from mendbay.jobs.remembered import remembered

DEVICES = "/dev/"
"""Where block devices are."""
LEFT = "left"
"""What an unread range is called that the other half of a mirror gave."""


@dataclass(frozen=True)
class ImagingRecord:
    """The record of one image: the drive, its coverage, the runs that read it, every read that was not given,
    every difference between two reads, what other adapters gave of what one refused, and
    the pieces found to be no longer what the drive gave. `left` is unread because the other half of a mirror
    gave it."""

    bay: str
    identity: Identity
    coverage: Coverage
    runs: tuple[Run, ...]
    refusals: tuple[Refusal, ...]
    differences: tuple[Difference, ...]
    chances: tuple[SecondChance, ...]
    changed: SpanSet
    left: SpanSet = field(default_factory=SpanSet)

    @cached_property
    def lacking(self) -> LackingRanges:
        """Every range that is not read, from first to last, cut where something left to the other half begins
        or ends."""
        adapters = {run.number: run.adapter for run in self.runs}
        return LackingRanges(self.coverage, self.refusals, adapters, self.left)

    def condition_of(self, one: Lacking) -> str:
        """The condition of a range that is not read, in a word; `left` if it was left to the other half."""
        return LEFT if self.left.overlaps(one.span) else str(one.condition)

    def adapter(self, run: int) -> str:
        """Through which adapter a run read."""
        return next(one.adapter for one in self.runs if one.number == run)


def imaging_record(bench: Bench, number: int, bay: str, *, chances: bool = True) -> ImagingRecord:
    """The record of a bay's image.

    Args:
        chances: False for who shows none of them: where there were several adapters they take a look at every
            row of the log.

    Raises:
        NoSuchCase: the bay has no image.
        DestinationError, DamagedCheckpoint: the image cannot be looked at.
        CaseForgotten: the case was forgotten.
    """
    store = image_of(bench, number, bay, writable=False)
    try:
        return _record(bay, store, left_of(bench, number, bay, store), chances=chances)
    finally:
        store.close()


def image_of(bench: Bench, number: int, bay: str, *, writable: bool) -> ImageStore:
    """The image of a bay, to be closed.

    Raises:
        NoSuchCase: the bay has no image.
        DestinationError, ImageBusy, DamagedCheckpoint: it cannot be used.
        CaseForgotten: the case was forgotten.
    """
    case = remembered(bench, number)
    if bay not in {one.bay for one in bench.ledger.bays(number)} or not bench.images.exists(case, bay):
        raise NoSuchCase(
            f"Bay {bay} of case {number} has no image.", "Read the drive first: mendbay drive read."
        )
    return bench.images.reopen(case, bay, writable=writable)


def was_read_from_device(bench: Bench, number: int, bay: str) -> bool:
    """Whether the image of a bay was read from a block device before; False also where there is none, or it
    cannot be looked at.

    Raises:
        CaseForgotten, NoSuchCase: there is no such case any more.
    """
    case = remembered(bench, number)
    if not bench.images.exists(case, bay):
        return False
    try:
        store = bench.images.reopen(case, bay, writable=False)
    except MendbayError:
        return False
    try:
        return any(run.source.startswith(DEVICES) for run in store.runs())
    finally:
        store.close()


def _record(bay: str, store: ImageStore, left: SpanSet, *, chances: bool) -> ImagingRecord:
    return ImagingRecord(
        bay=bay,
        identity=store.identity,
        coverage=store.coverage(),
        runs=store.runs(),
        refusals=store.refusals(),
        differences=store.differences(),
        chances=record_of(store).second_chances() if chances else (),
        changed=store.changed(),
        left=left,
    )


LACKING_COLUMNS = (
    "case",
    "bay",
    "condition",
    "first_byte",
    "last_byte",
    "bytes",
    "first_sector",
    "last_sector",
    "sectors",
    "sector_bytes",
    "tries",
    "trouble",
    "error",
    "last_tried_at",
    "adapter",
    "celsius",
)


def lacking_csv(record: ImagingRecord, number: int) -> bytes:
    """Every range that is not read of a drive of case `number`, as a list (`docs/formats/refused.md`)."""
    sector = record.coverage.sector_bytes
    return csv_bytes(
        LACKING_COLUMNS,
        (
            (
                number,
                record.bay,
                record.condition_of(one),
                one.span.start,
                one.span.stop - 1,
                one.span.length,
                one.span.start // sector,
                (one.span.stop - 1) // sector,
                -(-one.span.length // sector),
                sector,
                one.tries,
                "" if one.trouble is None else one.trouble.value,
                one.error,
                one.at,
                one.adapter,
                one.celsius,
            )
            for one in record.lacking
        ),
    )
