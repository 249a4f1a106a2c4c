"""Take over into a bay's image what other images of the same drive hold: read at another bench, through
another adapter, on another day."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

from mendbay.case.records import Case
from mendbay.core.coverage import Condition
from mendbay.core.errors import ForeignImage, MendbayError
from mendbay.core.quantity import count_text
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.blend import foreign_by_content, foreign_by_identity, proving_places, worth_taking
from mendbay.imaging.differences import Difference
from mendbay.jobs.bench import Bench
from mendbay.jobs.compare_images import Comparison, compare_images
from mendbay.jobs.image_figures import note_image
from mendbay.jobs.ports import ImageStore
from mendbay.jobs.remembered import remembered
from mendbay.jobs.same_drive import TELLING_PLACES


@dataclass(frozen=True, slots=True)
class BlendedIn:
    """What one image brought. `unsound` is where it, or the image of the bay, no longer holds what the drive
    gave; nothing is taken over from there."""

    other: str
    taken_bytes: int
    compared_bytes: int
    differences: tuple[Difference, ...]
    unsound: SpanSet


@dataclass(frozen=True, slots=True)
class BlendResult:
    """What a blend brought. Bytes; `compared_bytes` is how much of the overlap was compared."""

    bay: str
    images: tuple[BlendedIn, ...]
    read_bytes: int
    size_bytes: int

    @property
    def taken_bytes(self) -> int:
        return sum(one.taken_bytes for one in self.images)

    @property
    def compared_bytes(self) -> int:
        return sum(one.compared_bytes for one in self.images)


def blend_images(bench: Bench, number: int, bay: str, others: Sequence[Path]) -> BlendResult:
    """Blends image files into the image of a bay, one after the other; where several hold the same, the
    first counts.

    Raises:
        ForeignImage: sizes or serial numbers differ, or bytes that two have differ, or nothing shows that
            they belong together, or one is the image of the bay itself; nothing was changed.
        DestinationError, DamagedCheckpoint, ImageBusy: one of the images cannot be used.
        NoRoom: the disk is full; what was taken over until then stays, and is in story and custody.
        CaseForgotten: the case was forgotten.
    """
    case = remembered(bench, number)
    bench.ledger.bay(number, bay)
    with ExitStack() as stack:
        store = bench.images.reopen(case, bay, writable=True)
        stack.callback(store.close)
        sources: dict[str, ImageStore] = {}
        for path in others:
            sources[str(path)] = bench.images.other(path)
            stack.callback(sources[str(path)].close)
        _must_belong(store, sources)
        images = tuple(_blend_and_tell(bench, case, bay, store, name, one) for name, one in sources.items())
        store.digest()
        note_image(bench, number, bay, store)
        read = store.coverage().total_bytes(Condition.READ)
        return BlendResult(bay, images, read, store.identity.size_bytes)


def _blend_and_tell(
    bench: Bench, case: Case, bay: str, store: ImageStore, name: str, other: ImageStore
) -> BlendedIn:
    """Blends one image in and puts down what that did, also where it breaks off."""
    before = _Content.of(store)
    try:
        done = _blend_one(bench, store, name, other)
    except BaseException:
        _tell_broken_off(bench, case, bay, store, before)
        raise
    with bench.ledger.together():
        _tell(bench, case.number, bay, done)
    note_image(bench, case.number, bay, store)
    return done


def _blend_one(bench: Bench, store: ImageStore, name: str, other: ImageStore) -> BlendedIn:
    comparison = compare_images(store, other, bench.tell)
    wanted = worth_taking(store.coverage(), other.coverage())
    brought = bench.images.blend(store, other, wanted)
    found = _note_differences(bench, store, comparison, brought.runs)
    unsound = brought.unsound | comparison.unsound
    return BlendedIn(name, brought.taken.total_bytes, comparison.compared_bytes, found, unsound)


def _note_differences(
    bench: Bench, store: ImageStore, comparison: Comparison, runs: Mapping[int, int]
) -> tuple[Difference, ...]:
    """Notes the differences that are not noted yet; returns all."""
    known = {(one.span, one.first_run, one.second_run) for one in store.differences()}
    found = [Difference(one.span, one.my_run, runs[one.their_run], bench.now()) for one in comparison.unlike]
    for one in found:
        if (one.span, one.first_run, one.second_run) not in known:
            store.note_difference(one)
    store.commit()
    return tuple(found)


@dataclass(frozen=True, slots=True)
class _Content:
    """What an image holds, to see whether it changed."""

    read: SpanSet
    runs: int
    refusals: int
    differences: int

    @classmethod
    def of(cls, store: ImageStore) -> _Content:
        return cls(store.coverage().read, len(store.runs()), len(store.refusals()), len(store.differences()))


def _tell(bench: Bench, number: int, bay: str, one: BlendedIn) -> None:
    unlike = SpanSet(found.span for found in one.differences).total_bytes
    bench.note(
        number,
        "imaging",
        f"{count_text(one.taken_bytes)} bytes taken over from another image into the image of "
        f"bay {bay}; {count_text(one.compared_bytes)} bytes that both hold were compared, "
        + (f"{count_text(unlike)} of them in sectors that differ." if unlike else "no read differs.")
        + (f" {count_text(one.unsound.total_bytes)} bytes no longer prove sound." if one.unsound else ""),
        {
            "bay": bay,
            "taken_bytes": one.taken_bytes,
            "compared_bytes": one.compared_bytes,
            "unlike_bytes": unlike,
            "unsound_bytes": one.unsound.total_bytes,
        },
    )
    bench.custody(
        number,
        f"image blended with another image of the same drive: {count_text(one.taken_bytes)} bytes taken over",
        f"image of bay {bay}",
    )


def _tell_broken_off(bench: Bench, case: Case, bay: str, store: ImageStore, before: _Content) -> None:
    """Puts down what a blend that broke off has changed: what the image claims, not what was meant."""
    with suppress(MendbayError):
        store.commit()
    durable = bench.images.reopen(case, bay, writable=False)
    try:
        after = _Content.of(durable)
        if after == before:
            return
        taken = (after.read - before.read).total_bytes
        said = f"{count_text(taken)} bytes taken over before it broke off"
        with bench.ledger.together():
            bench.note(
                case.number,
                "imaging",
                f"Taking over another image into the image of bay {bay}: {said}.",
                {"bay": bay, "taken_bytes": taken},
            )
            bench.custody(
                case.number,
                f"image blended with another image of the same drive: {said}",
                f"image of bay {bay}",
            )
        note_image(bench, case.number, bay, durable)
    finally:
        durable.close()


# ---------------------------------------------------------------------- whether they belong together


def _must_belong(store: ImageStore, others: Mapping[str, ImageStore]) -> None:
    """Refuses images of other drives: by what the drives say of themselves, then by content, every two of
    them against each other; and those that nothing joins to the others, directly or through one another."""
    for name, one in others.items():
        if store.path.samefile(one.path):
            raise ForeignImage(f"{name} is the image of this bay itself.", "Name the image to be blended in.")
    stores = {"": store, **others}
    joined: dict[str, set[str]] = {name: {name} for name in stores}
    for first, second in combinations(stores, 2):
        if _agree(stores[first], stores[second], second):
            together = joined[first] | joined[second]
            for name in together:
                joined[name] = together
    # An image that holds nothing and has no serial number can be joined to none: then the others must be
    # joined to one another, and the first stands for the drive.
    says_something = bool(store.coverage().read or store.identity.serial)
    anchor = "" if says_something else next(iter(others), "")
    for name in others:
        if name not in joined[anchor]:
            raise _foreign(
                name,
                f"it has no range in common with {anchor or 'the image of the bay'} and there are no two "
                "serial numbers, so nothing shows that they belong together",
            )


def _agree(one: ImageStore, other: ImageStore, name: str) -> bool:
    """Whether something shows that two images are of one drive.

    Raises:
        ForeignImage: something shows that they are not.
    """
    trouble = foreign_by_identity(one.identity, other.identity)
    if trouble:
        raise _foreign(name, trouble)
    same_serial = bool(one.identity.serial and other.identity.serial)
    sector = one.identity.sector_bytes
    common = one.coverage().read & other.coverage().read
    telling = [Span.at(at // sector * sector, sector) for at in TELLING_PLACES]
    places = [span for span in telling if common.covers(span)] + list(proving_places(common, sector))
    compared = 0
    unlike: list[int] = []
    for span in places:
        here, there = one.take(span), other.take(span)
        compared += any(here) or any(there)  # places that are empty on both prove nothing
        if here != there:
            at = next(i for i, (a, b) in enumerate(zip(here, there, strict=True)) if a != b)
            unlike.append(span.start + at)
    trouble = foreign_by_content(compared, len(unlike), min(unlike, default=0), same_serial=same_serial)
    if trouble:
        raise ForeignImage(
            f"{name} cannot be blended in: {trouble}.",
            "Blend only images of one and the same drive. If both are, drive verify says which has changed.",
        )
    return same_serial or compared > 0


def _foreign(other: str, found: str) -> ForeignImage:
    return ForeignImage(
        f"{other} cannot be blended in: {found}.", "Blend only images of one and the same drive."
    )
