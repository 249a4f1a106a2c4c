"""Whether the drive at hand is the one an image was begun with, by what the image holds of it.

For drives without a serial number. The halves of a mirror are alike almost everywhere, so the places that
tell them apart (partition tables and superblocks bear identifiers of their own) are among those compared, and
those where the images of two bays differ are held against both.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from mendbay.core.span import Span, SpanSet
from mendbay.imaging.attempt import Outcome
from mendbay.imaging.blend import proving_places
from mendbay.jobs.ports import DriveReader, ImageStore
from mendbay.pair.md import places as superblocks

SAMPLES = 8
"""How many sectors are compared to see that a drive without a serial number is the one of its image."""

TELLING_PLACES = (0, 512, 4096, 4096 + 512, (1 << 20) + 4096, (2 << 20) + 4096)
"""Bytes at which the halves of a mirror differ: the identifiers of the drive in its partition table (UEFI
2.10, 5.3.2: header at sector 1), and of the member in a superblock 4 KiB into the drive or its first
partition at 1 or 2 MiB (Linux kernel, drivers/md/md.c; partition starts: common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Likeness:
    """What comparing showed: how many sectors are the same, the byte of the first that is not (None if there
    is none), and whether the drive vanished over it."""

    compared: int
    unlike_at: int | None = None
    vanished: bool = False


def likeness(store: ImageStore, reader: DriveReader, most_not_given: int = 1 << 30) -> Likeness:
    """Reads a few sectors that the image holds and compares them. Nothing may be queued.

    Args:
        most_not_given: after so many that are refused or hang no more are asked for.
    """
    compared = not_given = 0
    for span, kept in _samples(store):
        if not_given >= most_not_given:
            break
        reader.ask(span)
        attempt = reader.answer()
        if attempt.outcome is Outcome.VANISHED:
            return Likeness(compared, vanished=True)
        if attempt.outcome is not Outcome.GIVEN:
            not_given += 1
        elif bytes(attempt.data) != kept:
            return Likeness(compared, span.start)
        else:
            compared += 1
    return Likeness(compared)


@dataclass(frozen=True, slots=True)
class Between:
    """Of the sectors in which two images differ, how many of those that the drive gave are as in each."""

    mine: int
    theirs: int


def between(mine: ImageStore, theirs: ImageStore, reader: DriveReader) -> Between:
    """Reads a few sectors in which two images differ, to see of which the drive is. Nothing may be queued.

    At most `SAMPLES` are read, of the places that tell the halves of a mirror apart and of others spread over
    all that both images hold.
    """
    as_mine = as_theirs = 0
    for span, here, there in _differing(mine, theirs):
        reader.ask(span)
        attempt = reader.answer()
        if attempt.outcome is not Outcome.GIVEN:
            break  # the drive is not asked for more over a doubt
        data = bytes(attempt.data)
        as_mine += data == here
        as_theirs += data == there
    return Between(as_mine, as_theirs)


def _differing(mine: ImageStore, theirs: ImageStore) -> Iterator[tuple[Span, bytes, bytes]]:
    """Up to `SAMPLES` sectors in which two images differ, with what each has."""
    one, other = mine.identity, theirs.identity
    if (one.size_bytes, one.sector_bytes) != (other.size_bytes, other.sector_bytes):
        return
    sector, size = one.sector_bytes, one.size_bytes
    common = _undisputed(mine) & _undisputed(theirs)
    telling = {at // sector * sector for at in (*TELLING_PLACES, *superblocks(size).values(), size - sector)}
    places = [Span.at(at, sector) for at in sorted(telling)]
    found = 0
    seen: set[int] = set()
    for place in (*(each for each in places if common.covers(each)), *proving_places(common, sector)):
        here, there = mine.take(place), theirs.take(place)
        if here == there:
            continue
        at = next(i for i, (a, b) in enumerate(zip(here, there, strict=True)) if a != b) // sector * sector
        if place.start + at in seen:
            continue
        seen.add(place.start + at)
        yield Span.at(place.start + at, sector), here[at : at + sector], there[at : at + sector]
        found += 1
        if found >= SAMPLES:
            return


def _undisputed(store: ImageStore) -> SpanSet:
    return store.coverage().read - store.two_answers() - store.changed()


def _samples(store: ImageStore) -> Iterator[tuple[Span, bytes]]:
    """What to compare: the sectors that tell halves of a mirror apart, and up to `SAMPLES` more, spread
    evenly, none twice; empty ones are left out, since they prove nothing, and those that gave two answers,
    since they would accuse the right drive."""
    read = _undisputed(store)
    sector, size = store.identity.sector_bytes, store.identity.size_bytes
    if not read:
        return
    places = [at for at in TELLING_PLACES if at + sector <= size] + [size - sector]
    ends = np.cumsum(read.stops - read.starts)
    for at in np.linspace(0, int(ends[-1]) - 1, 16 * SAMPLES).astype(np.int64).tolist():
        which = int(np.searchsorted(ends, at, side="right"))
        places.append(int(read.stops[which]) - (int(ends[which]) - at))
    found = 0
    seen: set[int] = set()
    for number, place in enumerate(places):
        span = Span.at(place // sector * sector, sector)
        telling = number <= len(TELLING_PLACES)
        if span.start in seen or not read.covers(span) or (not telling and found >= SAMPLES):
            continue
        seen.add(span.start)
        kept = store.take(span)
        if any(kept):
            yield span, kept
            found += not telling
