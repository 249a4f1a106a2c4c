"""From the drives of a case to the file system on them: members, pair, volume, files."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

from mendbay.case.records import Case
from mendbay.core.errors import NoFileSystem, NoSuchCase
from mendbay.core.quantity import count_text
from mendbay.core.source import Source
from mendbay.core.span import SpanSet
from mendbay.files.readers.ext import open_ext
from mendbay.files.tree import FileSystem
from mendbay.imaging.image_source import ImageSource
from mendbay.jobs.bench import Bench
from mendbay.jobs.ports import ImageStore
from mendbay.jobs.remembered import remembered
from mendbay.jobs.twins import twins_as_mirror
from mendbay.pair.assemble import Assembled, assemble
from mendbay.pair.volume import Level


@dataclass(frozen=True, slots=True)
class OpenVolume:
    """A volume with a file system on it, and how it was put together. `halves_differ`: its halves were
    found to differ although they count as being in step, so that either may be the older; `apart` is where,
    in bytes of the volume, as far as the case knows (`jobs.halves_compared`)."""

    assembled: Assembled
    system: FileSystem
    halves_differ: bool = False
    apart: SpanSet = field(default_factory=SpanSet)


def open_volume(drives: Mapping[str, Source]) -> OpenVolume:
    """The largest volume on the drives (by bay label) that holds a file system.

    Raises:
        CannotAssemble: the drives do not make a volume.
        NoFileSystem: no volume holds a file system that can be read here.
    """
    candidates = candidates_on(drives)
    for assembled in candidates:
        system = open_ext(assembled.volume)
        if system is not None:
            left = left_out(drives, assembled)
            return OpenVolume(replace(assembled, remarks=assembled.remarks + left), system)
    found = (
        ", ".join(f"{one.level} of {count_text(one.volume.size_bytes)} bytes" for one in candidates)
        or "nothing"
    )
    raise NoFileSystem(
        f"No ext2, ext3 or ext4 file system was found. Looked at: {found}.",
        "If the drives are only partly read, read more of them; other file systems cannot be read yet.",
    )


def candidates_on(drives: Mapping[str, Source]) -> tuple[Assembled, ...]:
    """The volumes that the drives make, the largest first.

    Raises:
        CannotAssemble: there is none, or the drives belong to different sets.
    """
    largest = assemble(drives)
    found = (largest, *largest.others)
    if largest.level is Level.SINGLE and len(drives) > 1:
        twins = twins_as_mirror(found)
        if twins is not None:
            return (twins, *found)
    return found


def left_out(drives: Mapping[str, Source], chosen: Assembled) -> tuple[str, ...]:
    """A sentence for every bay whose drive has no part in the chosen volume."""
    return tuple(
        f"Bay {bay} has NO part in this volume: its drive belongs to another one or to none, and nothing of "
        "it is listed here. It can be looked at alone."
        for bay in drives
        if bay not in chosen.bays
    )


def part_of_stripe(assembled: Assembled) -> str:
    """That a stripe is looked at without all its drives, and what follows, as a sentence; empty if it is not
    so."""
    if assembled.level is not Level.STRIPE or assembled.is_complete:
        return ""
    bays = " and ".join(assembled.bays)
    return (
        f"A stripe needs both drives, and bay {bays} alone is looked at: whatever lies on the other one is "
        "lacking, so a file is whole only where all of it lies on this one."
    )


def fresher_bay(assembled: Assembled) -> str:
    """The bay that is preferred because the other half is behind; empty if neither is."""
    return assembled.members[0].bay if assembled.stale_bays else ""


def explanation(assembled: Assembled) -> tuple[str, ...]:
    """Why the members stand as they do and what is worth telling of them, in whole sentences."""
    told = (*assembled.freshness, *assembled.remarks)
    return tuple(text if text.endswith((".", "!", "?")) else f"{text}." for text in told)


@contextmanager
def case_images(bench: Bench, case: Case, bays: Sequence[str] = ()) -> Iterator[dict[str, ImageStore]]:
    """The images of a case by bay, to look at; closed in any case.

    Args:
        bays: only these; all without one.

    Raises:
        NoSuchCase: the case has no image.
        CaseForgotten: it was forgotten.
    """
    remembered(bench, case.number)
    stores: dict[str, ImageStore] = {}
    try:
        for bay in bench.ledger.bays(case.number):
            if bench.images.exists(case, bay.bay) and (not bays or bay.bay in bays):
                stores[bay.bay] = bench.images.reopen(case, bay.bay, writable=False)
        if not stores:
            raise NoSuchCase(
                f"Case {case.number} has no image of a drive yet"
                + (f" in bay {', '.join(bays)}." if bays else "."),
                "Read its drives first: mendbay pair read, or mendbay drive read for one alone.",
            )
        yield stores
    finally:
        for store in stores.values():
            store.close()


def sources_of(stores: Mapping[str, ImageStore], *, check: bool = False) -> dict[str, ImageSource]:
    """The images as sources that show what was read and fetch nothing.

    Args:
        check: hold what is read from them against the digests of the drive's answers.
    """
    return {bay: ImageSource(store, bay, check=check) for bay, store in stores.items()}
