"""Hold the image of a drive against the digests noted while it was read."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from mendbay.core.quantity import count_text, counted
from mendbay.core.span import Span, SpanSet
from mendbay.core.texts import require_characters
from mendbay.imaging.differences import Difference
from mendbay.jobs.bench import Bench
from mendbay.jobs.events import StepProgress, Tell
from mendbay.jobs.image_figures import note_image
from mendbay.jobs.imaging_record import image_of
from mendbay.jobs.nameless import require_nameless
from mendbay.jobs.note_changed import note_changed, taken
from mendbay.jobs.ports import ImageStore
from mendbay.jobs.remembered import remembered


@dataclass(frozen=True, slots=True)
class WrongPiece:
    """A piece of the image that no longer holds what the drive gave in `run` through `adapter`, or that the
    disk of the image does not give back (`is_readable` False). `read_at`: UTC."""

    span: Span
    run: int
    adapter: str
    read_at: str
    is_readable: bool


@dataclass(frozen=True, slots=True)
class Verified:
    """What holding an image against its digests showed. Bytes.

    `sha256_noted` and `sha256_found` are of the whole image, empty where none was noted. `doubted_bytes` is
    what was marked unread again.
    """

    bay: str
    checked_bytes: int
    without_digest_bytes: int
    wrong: tuple[WrongPiece, ...]
    differences: tuple[Difference, ...]
    sha256_noted: str
    sha256_found: str
    doubted_bytes: int = 0

    @property
    def holds(self) -> bool:
        """Whether nothing was found that is not what the drive gave."""
        return not self.wrong and self.sha256_noted == self.sha256_found

    @property
    def is_complete(self) -> bool:
        """Whether every byte that was read could be held against something."""
        return bool(self.sha256_noted) or not self.without_digest_bytes


def verify_image(bench: Bench, number: int, bay: str, *, read_again: str = "") -> Verified:
    """Reads a bay's image and compares it with the digests noted at reading. Which pieces are wrong is noted
    beside the image, and every verdict on a file reckons with it; the next look that finds them sound takes
    it back.

    Args:
        read_again: the reason for which pieces found wrong are marked unread, so that the next reading asks
            the drive for them; empty to ask for nothing again.

    Raises:
        NoSuchCase: the bay has no image.
        UsageError: the reason names the customer or cannot be kept.
        ImageBusy, DestinationError, DamagedCheckpoint: the image cannot be used.
        CaseForgotten: the case was forgotten.
    """
    require_characters(read_again, "reason")
    require_nameless(remembered(bench, number), read_again)
    store = image_of(bench, number, bay, writable=bool(read_again))
    try:
        found, suspects = _verified(bay, store, bench.tell)
        noted, doubted = store.changed(), SpanSet()
        if read_again and found.wrong:
            doubted = store.doubt(SpanSet(one.span for one in found.wrong), read_again)
            note_image(bench, number, bay, store)
    finally:
        store.close()
    if suspects - doubted != noted - doubted:
        note_changed(bench, number, bay, suspects - doubted, whole=True)
    return _told(bench, number, found, doubted.total_bytes, read_again)


def _verified(bay: str, store: ImageStore, tell: Tell) -> tuple[Verified, SpanSet]:
    """What was found, and which pieces may not be relied on: those that are wrong or, where only the digest
    of the whole tells that something is, those that have no digest of their own."""
    adapters = {run.number: run.adapter for run in store.runs()}
    coverage = store.coverage()
    noted = store.noted_digest() if coverage.read.covers(Span(0, coverage.size_bytes)) else ""
    whole = hashlib.sha256() if noted else None
    checked = without = 0
    wrong: list[WrongPiece] = []
    unvouched: list[Span] = []
    total = coverage.read.total_bytes
    for claim in store.claims():
        data = taken(store, claim)
        if whole is not None and data is not None:
            whole.update(data)
        if data is None or claim.is_held_by(data) is False:
            adapter = adapters[claim.run]
            wrong.append(WrongPiece(claim.span, claim.run, adapter, claim.at, data is not None))
        if claim.digest is None:
            without += claim.span.length
            unvouched.append(claim.span)
        else:
            checked += claim.span.length
        tell(StepProgress("verifying", checked + without, total, in_bytes=True))
    found = "" if whole is None else whole.hexdigest()
    suspects = [one.span for one in wrong] or (unvouched if found != noted else [])
    verified = Verified(bay, checked, without, tuple(wrong), store.differences(), noted, found)
    return verified, SpanSet(suspects)


def _told(bench: Bench, number: int, found: Verified, doubted: int, reason: str) -> Verified:
    """Notes the outcome in the case's story and in its custody log."""
    bytes_wrong = sum(one.span.length for one in found.wrong)
    if found.holds:
        outcome = f"{count_text(found.checked_bytes)} bytes are what the drive gave"
    elif found.wrong:
        outcome = (
            f"{counted(len(found.wrong), 'block')} ({count_text(bytes_wrong)} bytes) NOT what the drive gave"
        )
    else:
        outcome = "its SHA-256 is NOT the one noted; nothing says where it differs"
    if found.without_digest_bytes:
        outcome += f"; {count_text(found.without_digest_bytes)} bytes have no digest of their own"
    again = f"; {count_text(doubted)} bytes marked unread again: {reason}" if doubted else ""
    with bench.ledger.together():
        bench.note(
            number,
            "imaging",
            f"Image of bay {found.bay} verified: {outcome}{again}.",
            {"bay": found.bay, "wrong_bytes": bytes_wrong, "doubted_bytes": doubted},
        )
        bench.custody(number, f"image verified: {outcome}{again}", f"image of bay {found.bay}")
    return Verified(
        found.bay,
        found.checked_bytes,
        found.without_digest_bytes,
        found.wrong,
        found.differences,
        found.sha256_noted,
        found.sha256_found,
        doubted,
    )
