"""Keep, with the record of an image, where it was found to hold no longer what the drive gave."""

from __future__ import annotations

from mendbay.core.errors import DamagedCheckpoint, DestinationError, ImageBusy
from mendbay.core.quantity import count_text
from mendbay.core.span import SpanSet
from mendbay.imaging.block_digests import Claim
from mendbay.jobs.bench import Bench
from mendbay.jobs.events import Said
from mendbay.jobs.image_figures import note_image
from mendbay.jobs.imaging_record import image_of
from mendbay.jobs.ports import ImageStore


def note_changed(bench: Bench, number: int, bay: str, suspects: SpanSet, *, whole: bool) -> None:
    """Notes which pieces of a bay's image are not what the drive gave, so that every later verdict reckons
    with them. Where that cannot be noted now, it is said instead.

    Args:
        suspects: pieces that were found to be wrong a moment ago; they are looked at once more.
        whole: the rest of the image was looked at too, and holds: what was noted of it counts no more.

    Raises:
        NoSuchCase: the bay has no image.
        CaseForgotten: the case was forgotten.
    """
    try:
        _note(bench, number, bay, suspects, whole=whole)
    except (DestinationError, ImageBusy, DamagedCheckpoint) as trouble:
        found = f"What was noted of the image of bay {bay} counts no more: it is what the drive gave."
        if suspects:
            found = (
                f"{count_text(suspects.total_bytes)} bytes of the image of bay {bay} are no longer what "
                "the drive gave."
            )
        bench.tell(Said(f"{found} That could not be noted beside it: {trouble.what}"))


def _note(bench: Bench, number: int, bay: str, suspects: SpanSet, *, whole: bool) -> None:
    store = image_of(bench, number, bay, writable=True)
    try:
        wrong = SpanSet(
            claim.span for span in suspects for claim in store.claims_in(span) if not _holds(store, claim)
        )
        found = wrong if whole else store.changed() | wrong
        if found != store.changed():
            store.note_changed(found)
            note_image(bench, number, bay, store)
    finally:
        store.close()


def _holds(store: ImageStore, claim: Claim) -> bool:
    """Whether a piece under suspicion proves to be what the drive gave: its digest must say so."""
    data = taken(store, claim)
    return data is not None and claim.is_held_by(data) is True


def taken(store: ImageStore, claim: Claim) -> bytes | None:
    """The bytes of a claim; None where the disk of the image does not give them."""
    try:
        return store.take(claim.span)
    except DestinationError:
        return None
