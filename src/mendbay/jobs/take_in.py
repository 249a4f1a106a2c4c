"""Take a case in, tell its story, and check its custody log."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from hashlib import sha256

from mendbay.board.number_form import Kind
from mendbay.case.custody import CustodyCheck, CustodyEntry, verify
from mendbay.case.items import Item
from mendbay.case.records import Bay, Case, CaseState, Event, Image, Intake
from mendbay.case.secret_text import require_no_secret
from mendbay.core.coverage import Coverage
from mendbay.core.errors import MendbayError, UsageError
from mendbay.core.span import SpanSet
from mendbay.core.texts import require_characters
from mendbay.files.wanted import matcher
from mendbay.jobs.bench import Bench
from mendbay.jobs.check_custody import held_against_papers
from mendbay.jobs.earlier_wishes import EarlierWishes, earlier_wishes
from mendbay.jobs.image_figures import left_of
from mendbay.jobs.keep_items import items_of, number_items, thing_of_bay
from mendbay.jobs.measure_board import Measured, begun_sheet
from mendbay.jobs.noted_twice import NotedTwice, noted_twice, tell_noted_twice
from mendbay.jobs.ports import Run
from mendbay.jobs.read_pictures import identifiers_of
from mendbay.jobs.remembered import remembered
from mendbay.jobs.said_serials import said_serial
from mendbay.jobs.set_aside import asides


@dataclass(frozen=True, slots=True)
class ImageStory:
    """An image as it is on disk now; `trouble` says why it could not be looked at, if so. `left` is unread
    because the other half of a mirror gave it."""

    bay: str
    path: str
    coverage: Coverage | None
    runs: tuple[Run, ...]
    trouble: str = ""
    left: SpanSet = field(default_factory=SpanSet)


@dataclass(frozen=True, slots=True)
class CaseStory:
    """The whole story of a case."""

    case: Case
    folder: str
    bays: tuple[Bay, ...]
    images: tuple[ImageStory, ...]
    sheets: Mapping[str, Measured]
    """The electrical sheets that were begun, by bay."""
    noted_images: tuple[Image, ...]
    events: tuple[Event, ...]
    custody: tuple[CustodyEntry, ...]
    check: CustodyCheck
    by_pictures: Mapping[str, str] = field(default_factory=dict)
    """Model and serial number of drives not described at take-in, as far as pictures show them, by bay."""
    items: tuple[Item, ...] = ()
    said_serials: Mapping[str, str] = field(default_factory=dict)
    """What drives say is their serial number, by bay, where their labels say otherwise."""
    asides: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """The images that were set aside, by bay."""
    noted_twice: tuple[NotedTwice, ...] = ()
    """Its drives whose serial number is noted of others that are at the shop too."""
    earlier_wishes: tuple[EarlierWishes, ...] = ()
    """What was wanted first until something else was told."""


def take_in(
    bench: Bench,
    customer: str,
    *,
    contact: str = "",
    box: str = "",
    wanted: Sequence[str] = (),
    notes: str = "",
    bays: Sequence[Bay] = (),
) -> Case:
    """Opens a case with what is known of its bays; the first custody entry says what came in.

    Args:
        bays: with any case number; the new case's is put in.

    Raises:
        UsageError: no customer, a text that cannot be kept, one that seems to hold a password, or an empty
            pattern; a bay is named twice, or the label of its drive has several lines.
    """
    require_no_secret(notes, box)
    matcher(wanted)
    labels = [one.bay for one in bays]
    if twice := [one for one in labels if labels.count(one) > 1]:
        raise UsageError(
            f"Bay {twice[0]} is named twice.", "Give each drive the label of its own bay: 1, 2, left."
        )
    for one in bays:
        _require_label(one.model, one.serial)
    intake = Intake(bench.now(), customer, contact, box, tuple(wanted), notes)
    with bench.ledger.together():
        case = bench.ledger.open_case(intake)
        came = described(box) if box else "item not described"
        bench.custody(case.number, "taken in", came)
        bench.note(case.number, "take-in", f"Taken in: {came}.")
        for bay in bays:
            bench.ledger.add_bay(replace(bay, case=case.number))
            bench.custody(
                case.number,
                "taken in",
                f"drive of bay {bay.bay}: {bay.model} {bay.serial}".strip().rstrip(":"),
            )
    tell_noted_twice(bench, case.number, labels)
    return case


def described(box: str) -> str:
    """What custody says of what came in: not the words, which may name people, but their digest, by which
    they can be recognised."""
    return f"what the customer brought, described in words with SHA-256 {sha256(box.encode()).hexdigest()}"


def add_bay(bench: Bench, bay: Bay) -> None:
    """Adds a drive that came in later, or was found out of its box; custody notes it. A bay that is there and
    of which nothing is known is described by it.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: the case has a bay of that label, and something is known of its drive, or nothing is said
            of it now; or what its label says has several lines.
    """
    _require_label(bay.model, bay.serial)
    with bench.ledger.together():
        known = next((one for one in bench.ledger.bays(bay.case) if one.bay == bay.bay), None)
        if known is not None and (bay.model or bay.serial) and not (known.model or known.serial):
            amend_bay(bench, bay.case, bay.bay, bay.model, bay.serial)
            return
        if known is not None:
            raise UsageError(
                f"Case {bay.case} already has a bay {bay.bay}.",
                "Give the other drive a label of its own, or put right what this one's label says: mendbay "
                f"case bay {bay.case} {bay.bay}=MODEL/SERIAL --amend.",
            )
        bench.ledger.add_bay(bay)
        what = thing_of_bay(bench, bay.case)
        described = f"{what} of bay {bay.bay}: {bay.model} {bay.serial}".strip().rstrip(":")
        bench.custody(bay.case, "taken in", described)
        bench.note(bay.case, "take-in", f"Bay {bay.bay} added.", {"bay": bay.bay})
        if bench.ledger.case(bay.case).state is CaseState.CLOSED:
            number_items(bench, bay.case)  # as closing does of what is in the bays then
    tell_noted_twice(bench, bay.case, [bay.bay])


def _require_label(model: str, serial: str) -> None:
    """Refuses what would break the lines of lists and stories in which a drive is named.

    Raises:
        UsageError: a control character or a line break in it.
    """
    require_characters(model, "model")
    require_characters(serial, "serial number")


def amend_bay(
    bench: Bench, case: int, label: str, model: str | None = None, serial: str | None = None
) -> tuple[Bay, tuple[str, ...]]:
    """Puts right what a drive's label says; custody tells the old and the new word.

    Args:
        label: the bay's.
        model, serial: what they are from now on; an empty text clears one, None leaves it as it is.

    Returns:
        The bay as it is now, and what changed, as `model X -> Y`; nothing if it was noted so already.

    Raises:
        NoSuchCase: there is no such case or bay.
        UsageError: neither model nor serial is given, or a text that cannot be kept.
    """
    if model is None and serial is None:
        raise UsageError(
            "Nothing is said that would change.",
            "Write it as 1=MODEL/SERIAL; 1=MODEL/ clears the serial number.",
        )
    _require_label(model or "", serial or "")
    with bench.ledger.together():
        known = bench.ledger.bay(case, label)
        amended = replace(
            known,
            model=known.model if model is None else model,
            serial=known.serial if serial is None else serial,
        )
        pairs = (("model", known.model, amended.model), ("serial", known.serial, amended.serial))
        changes = tuple(
            f"{what} {old or '(nothing)'} -> {new or '(nothing)'}" for what, old, new in pairs if old != new
        )
        if changes:
            bench.ledger.amend_bay(amended)
            said = "; ".join(changes)
            bench.custody(case, "label put right", f"{thing_of_bay(bench, case)} of bay {label}: {said}")
            bench.note(case, "take-in", f"Bay {label} put right: {said}.", {"bay": label})
    tell_noted_twice(bench, case, [label])
    return amended, changes


def tell_case(bench: Bench, number: int) -> CaseStory:
    """Everything the ledger and the case's folder say of it, with the custody log checked.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
    """
    case = remembered(bench, number)
    bays = bench.ledger.bays(number)
    custody = bench.ledger.custody(number)
    return CaseStory(
        case=case,
        folder=str(bench.images.folder(case)),
        bays=bays,
        images=tuple(_image(bench, case, bay.bay) for bay in bays if bench.images.exists(case, bay.bay)),
        sheets={bay.bay: sheet for bay in bays if (sheet := begun_sheet(bench, number, bay.bay))},
        noted_images=bench.ledger.images(number),
        events=bench.ledger.events(number),
        custody=custody,
        check=held_against_papers(bench, number, verify(custody), custody),
        items=items_of(bench, number),
        by_pictures=told_by_pictures(bench, bays),
        said_serials={
            bay.bay: said
            for bay in bays
            if (said := said_serial(bench, number, bay.bay)) not in ("", bay.serial)
        },
        noted_twice=noted_twice(bench, number),
        earlier_wishes=earlier_wishes(bench, number),
        asides={bay.bay: found for bay in bays if (found := asides(bench, number, bay.bay))},
    )


def told_by_pictures(bench: Bench, bays: Iterable[Bay]) -> dict[str, str]:
    """What the pictures of bays tell of their drives, by bay, where nothing else is noted of them."""
    return {
        one.bay: named
        for one in bays
        if not (one.model or one.serial) and (named := named_by_pictures(bench, one.case, one.bay))
    }


def named_by_pictures(bench: Bench, case: int, bay: str) -> str:
    """Model and serial number of a bay's drive as far as its pictures, or a person's corrections of them,
    settle them; empty if they do not.

    Raises:
        NoSuchCase: there is no such case or bay.
    """
    settled = [one for one in identifiers_of(bench, case, bay) if one.settled]
    found = (
        next((one.value for one in settled if one.kind is kind), "") for kind in (Kind.MODEL, Kind.SERIAL)
    )
    return " ".join(one for one in found if one)


def _image(bench: Bench, case: Case, bay: str) -> ImageStory:
    name = bench.images.name(bay)
    try:
        store = bench.images.reopen(case, bay, writable=False)
    except MendbayError as trouble:
        return ImageStory(bay, name, None, (), trouble.what)
    try:
        left = left_of(bench, case.number, bay, store)
        return ImageStory(bay, name, store.coverage(), store.runs(), left=left)
    finally:
        store.close()
