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
from mendbay.core.errors import DestinationError, ForeignImage, MendbayError, NoSuchCase
from mendbay.core.quantity import count_text
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.blend import foreign_by_content, foreign_by_identity, proving_places, worth_taking
from mendbay.imaging.differences import Difference
from mendbay.jobs.bench import Bench
from mendbay.jobs.compare_images import Comparison, compare_images
from mendbay.jobs.image_figures import note_image
from mendbay.jobs.nameless import require_nameless
from mendbay.jobs.ports import ImageStore
from mendbay.jobs.remembered import remembered
from mendbay.jobs.same_drive import TELLING_PLACES


@dataclass(frozen=True, slots=True)
class BlendedIn:
    """What one image brought. `unsound` is where it, or the image of the bay, no longer holds what the drive
    gave; nothing is taken over from there. `serials` tells, as a sentence, that only one of the two has a
    serial number, and `other_case` in which other case's folder it lies."""

    other: str
    taken_bytes: int
    compared_bytes: int
    differences: tuple[Difference, ...]
    unsound: SpanSet
    serials: str = ""
    other_case: int | None = None


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


def blend_images(
    bench: Bench, number: int, bay: str, others: Sequence[Path], although_other_case: str = ""
) -> BlendResult:
    """Blends image files into the image of a bay, one after the other; where several hold the same, the
    first counts.

    Args:
        although_other_case: why also from the folder of another case; custody keeps it.

    Raises:
        UsageError: the reason names the customer or holds a password.
        ForeignImage: one lies in the folder of another case, and no reason is given; sizes or serial numbers
            differ, or bytes that two have differ, or nothing shows that they belong together, or one is the
            image of the bay itself; nothing was changed.
        DestinationError, DamagedCheckpoint, ImageBusy: one of the images cannot be used.
        NoRoom: the disk is full; what was taken over until then stays, and is in story and custody.
        CaseForgotten: the case was forgotten.
    """
    case = remembered(bench, number)
    bench.ledger.bay(number, bay)
    strange = _require_own(bench, case, others, although_other_case)
    with ExitStack() as stack:
        store = bench.images.reopen(case, bay, writable=True)
        stack.callback(store.close)
        sources: dict[str, ImageStore] = {}
        for path in others:
            sources[str(path)] = bench.images.other(path)
            stack.callback(sources[str(path)].close)
        _must_belong(store, sources)
        images = tuple(
            _blend_and_tell(
                bench, case, bay, store, _Other(name, one, strange.get(name), although_other_case.strip())
            )
            for name, one in sources.items()
        )
        store.digest()
        note_image(bench, number, bay, store)
        read = store.coverage().total_bytes(Condition.READ)
        return BlendResult(bay, images, read, store.identity.size_bytes)


def foresee_blending(
    bench: Bench, number: int, bay: str, others: Sequence[Path], although_other_case: str = ""
) -> None:
    """Passes where nothing that can be seen without opening an image speaks against blending.

    Raises:
        NoSuchCase: there is no such case or bay, or it has no image.
        DestinationError: one of the others is not there.
        UsageError, ForeignImage, CaseForgotten: as `blend_images`.
    """
    case = remembered(bench, number)
    bench.ledger.bay(number, bay)
    if not bench.images.exists(case, bay):
        raise NoSuchCase(f"Bay {bay} of case {number} has no image.", "Read its drive first.")
    for path in others:
        if not path.is_file():
            raise DestinationError(f"{path} is not there, or is no file.", "Check the path of the image.")
    _require_own(bench, case, others, although_other_case)


def _require_own(bench: Bench, case: Case, others: Sequence[Path], although: str) -> dict[str, int]:
    """Passes where each lies with its own case, or a reason is given; those of other cases."""
    strange = _of_other_cases(bench, case, others)
    require_nameless(case, although)
    if strange and not although.strip():
        first, whose = next(iter(strange.items()))
        raise ForeignImage(
            f"{first} lies in the folder of {_called(whose)}: its bytes may be another customer's.",
            f"Name an image of the drive of case {case.number}; if it is one: --although-other-case REASON, "
            "which custody keeps.",
        )
    return strange


UNKNOWN_CASE = 0
"""Stands for a folder beside those of the cases that the ledger does not know."""


def _of_other_cases(bench: Bench, case: Case, others: Sequence[Path]) -> dict[str, int]:
    """Those of the images that lie in the folder of another case, links followed, with its number."""
    own = bench.images.folder(case)
    cases = own.parent.resolve()
    found: dict[str, int] = {}
    for path in others:
        real = path.resolve()
        if cases not in real.parents:
            continue
        folder = real.relative_to(cases).parts[0]
        if folder != own.name and own.resolve() not in real.parents:
            known = (one.number for one in bench.ledger.cases() if one.folder == folder)
            found[str(path)] = next(known, UNKNOWN_CASE)
    return found


def _called(case: int) -> str:
    return f"case {case}" if case else "another case"


@dataclass(frozen=True, slots=True)
class _Other:
    """An image to be blended in: as it was named, and in which other case it lies, None for none, with the
    reason why it is taken all the same."""

    name: str
    store: ImageStore
    case: int | None
    reason: str

    @property
    def origin(self) -> str:
        """What its runs are called by in the image that takes them over; without the name of a customer, as
        the folder of another case bears one."""
        parts = [self.store.path.name]
        if self.case is not None:
            parts.append(f"of {_called(self.case)}")
        return " ".join(parts)


def _blend_and_tell(bench: Bench, case: Case, bay: str, store: ImageStore, other: _Other) -> BlendedIn:
    """Blends one image in and puts down what that did, also where it breaks off."""
    before = _Content.of(store)
    try:
        done = _blend_one(bench, bay, store, other)
    except BaseException:
        _tell_broken_off(bench, case, bay, store, before)
        raise
    with bench.ledger.together():
        _tell(bench, case.number, bay, done, other.reason)
    note_image(bench, case.number, bay, store)
    return done


def _blend_one(bench: Bench, bay: str, store: ImageStore, other: _Other) -> BlendedIn:
    comparison = compare_images(store, other.store, bench.tell)
    wanted = worth_taking(store.coverage(), other.store.coverage())
    serials = _serials(bay, store, other.store, comparison.compared_bytes)
    there = other.store.identity.serial
    numbers = f" ({f'serial {there}' if there else 'no serial number'})" if serials else ""
    brought = bench.images.blend(store, other.store, wanted, f"{other.origin}{numbers}")
    found = _note_differences(bench, store, comparison, brought.runs)
    unsound = brought.unsound | comparison.unsound
    return BlendedIn(
        other.name,
        brought.taken.total_bytes,
        comparison.compared_bytes,
        found,
        unsound,
        serials,
        other.case,
    )


def _serials(bay: str, store: ImageStore, other: ImageStore, compared_bytes: int) -> str:
    """That only one of two images has a serial number, and on what they are taken for one drive; empty if
    both or none have."""
    here, there = store.identity.serial, other.identity.serial
    if bool(here) == bool(there):
        return ""
    has, has_not = (
        ("The image of bay " + bay, "the other") if here else ("The other", "the image of bay " + bay)
    )
    words = f"{has} is of serial number {here or there}, {has_not} gives none"
    if not compared_bytes:
        return f"{words}; they have no byte in common, so only a third image joins them: make sure of it."
    return (
        f"{words}; they are taken for one drive, as {count_text(compared_bytes)} bytes of both were compared."
    )


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


def _tell(bench: Bench, number: int, bay: str, one: BlendedIn, reason: str) -> None:
    unlike = SpanSet(found.span for found in one.differences).total_bytes
    origin = "another image" if one.other_case is None else f"an image of {_called(one.other_case)}"
    why = "" if one.other_case is None else f"; of {_called(one.other_case)}, taken all the same: {reason}"
    serials = f"; {one.serials[:-1]}" if one.serials else ""
    bench.note(
        number,
        "imaging",
        f"{count_text(one.taken_bytes)} bytes taken over from {origin} into the image of "
        f"bay {bay}; {count_text(one.compared_bytes)} bytes that both hold were compared, "
        + (f"{count_text(unlike)} of them in sectors that differ." if unlike else "no read differs.")
        + (f" {count_text(one.unsound.total_bytes)} bytes no longer prove sound." if one.unsound else "")
        + (f" {one.serials}" if one.serials else ""),
        {
            "bay": bay,
            "taken_bytes": one.taken_bytes,
            "compared_bytes": one.compared_bytes,
            "unlike_bytes": unlike,
            "unsound_bytes": one.unsound.total_bytes,
            "other_case": one.other_case,
        },
    )
    bench.custody(
        number,
        f"image blended with another image of the same drive: {count_text(one.taken_bytes)} bytes taken over",
        f"image of bay {bay}{why}{serials}",
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
            "Blend only images of one and the same drive. If both are, verifying them tells which changed.",
        )
    return same_serial or compared > 0


def _foreign(other: str, found: str) -> ForeignImage:
    return ForeignImage(
        f"{other} cannot be blended in: {found}.", "Blend only images of one and the same drive."
    )
