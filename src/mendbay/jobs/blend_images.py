"""Take over into a bay's image what another image of the same drive holds: read at another bench, through
another adapter, on another day."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from mendbay.core.coverage import Condition
from mendbay.core.errors import ForeignImage
from mendbay.core.span import SpanSet
from mendbay.imaging.blend import proving_places, worth_taking
from mendbay.jobs.bench import Bench
from mendbay.jobs.ports import ImageStore
from mendbay.jobs.read_drive import note_image


@dataclass(frozen=True, slots=True)
class BlendResult:
    """What a blend brought. Bytes; `compared_bytes` is how much of the overlap was compared and equal."""

    bay: str
    other: str
    taken_bytes: int
    compared_bytes: int
    read_bytes: int
    size_bytes: int


def blend_image(bench: Bench, number: int, bay: str, other: Path) -> BlendResult:
    """Blends the image file `other` into the image of a bay.

    Raises:
        ForeignImage: sizes or serial numbers differ, or bytes that both have differ.
        DestinationError, DamagedCheckpoint, ImageBusy: one of the images cannot be used.
    """
    case = bench.ledger.case(number)
    bench.ledger.bay(number, bay)
    store = bench.images.reopen(case, bay, writable=True)
    compared: list[int] = []
    try:

        def spans(source: ImageStore) -> SpanSet:
            compared.append(_must_agree(store, source, other))
            return worth_taking(store.coverage(), source.coverage())

        taken = bench.images.blend(store, other, spans)
        store.digest()
        note_image(bench, number, bay, store)
        read = store.coverage().total_bytes(Condition.READ)
    finally:
        store.close()
    result = BlendResult(bay, str(other), taken.total_bytes, sum(compared), read, store.identity.size_bytes)
    bench.note(
        number,
        "imaging",
        f"{result.taken_bytes} bytes taken over from another image into the image of bay {bay}; "
        f"{result.compared_bytes} bytes that both hold were compared and are equal.",
        {"bay": bay, "taken_bytes": result.taken_bytes, "compared_bytes": result.compared_bytes},
    )
    bench.custody(number, "image blended with another of the same drive", f"image of bay {bay}")
    return result


def _must_agree(store: ImageStore, source: ImageStore, other: Path) -> int:
    """Refuses an image of another drive; returns how many bytes were compared."""
    mine, theirs = store.identity, source.identity
    if mine.size_bytes != theirs.size_bytes or mine.sector_bytes != theirs.sector_bytes:
        raise _foreign(
            other,
            f"it is of a drive of {theirs.size_bytes} bytes in sectors of {theirs.sector_bytes}, this one "
            f"has {mine.size_bytes} in sectors of {mine.sector_bytes}",
        )
    if mine.serial and theirs.serial and mine.serial != theirs.serial:
        raise _foreign(other, f"its drive has the serial number {theirs.serial}, this one {mine.serial}")
    compared = 0
    for span in proving_places(store.coverage().read & source.coverage().read, mine.sector_bytes):
        here, there = store.take(span), source.take(span)
        if here != there:
            at = next(i for i, (one, two) in enumerate(zip(here, there, strict=True)) if one != two)
            raise _foreign(other, f"the two differ at byte {span.start + at}, which both hold")
        if any(here):  # places that are empty on both prove nothing
            compared += span.length
    if not compared and not (mine.serial and theirs.serial) and store.coverage().read:
        raise _foreign(
            other,
            "the two have no range in common and no serial numbers, so nothing shows they belong together",
        )
    return compared


def _foreign(other: Path, found: str) -> ForeignImage:
    return ForeignImage(
        f"{other} cannot be blended in: {found}.", "Blend only images of one and the same drive."
    )
