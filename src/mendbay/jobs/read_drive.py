"""Read one drive of a case into its image, or go on with it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from mendbay.case.records import Bay, Case, Facts
from mendbay.core.coverage import Condition
from mendbay.core.errors import ForeignImage, MendbayError, NoSuchCase, SourceError, UsageError
from mendbay.core.quantity import count_text, counted
from mendbay.core.source import Identity
from mendbay.core.span import SpanSet
from mendbay.imaging.adapter_odds import WorthTrying
from mendbay.imaging.adapters import NOT_STATED, asked_anew
from mendbay.imaging.assumptions import Assumptions
from mendbay.imaging.hazard import HAZARDS, Hazard
from mendbay.imaging.hazard import Condition as DriveCondition
from mendbay.imaging.image_source import ImageSource
from mendbay.jobs.adapters_tried import odds_for, what_is_worth_trying, worth_trying_words
from mendbay.jobs.bench import Bench
from mendbay.jobs.consents import consents_of, refused
from mendbay.jobs.drive_reading import DriveReading, Ending
from mendbay.jobs.events import Said
from mendbay.jobs.heat_guard import DriveThermometer, HeatGuard
from mendbay.jobs.image_figures import note_image
from mendbay.jobs.ports import DriveLine, DriveReader, ImageStore
from mendbay.jobs.power_permit import AGAINST_NOTHING, Although, require_power
from mendbay.jobs.remembered import remembered
from mendbay.jobs.same_drive import likeness
from mendbay.jobs.stop_advice import NO_ADVICE, AdviceGiven, StopAdvice, given_words

NOTHING_LEFT = SpanSet()
OPEN_DRIVE = "open-drive"
"""The consent to head work in a laboratory (`consents.toml`)."""


@dataclass(frozen=True, slots=True)
class DriveAt:
    """Where a bay's drive is found (device, image file, simulated drive) and what it hangs on.

    `ask` says whether it may be asked about itself while it is read, which its temperature needs;
    `condition` what it is like, None for what the bench assumes of all.
    """

    bay: str
    where: str
    adapter: str = ""
    ask: bool = True
    condition: DriveCondition | None = None


@dataclass(frozen=True, slots=True)
class ReadResult:
    """What one reading of a drive came to. Bytes; `sha256` is empty unless every byte is there, as
    the drive gave it; `changed_bytes` are no longer. `worth_trying` are adapters that may give what is
    refused, the best first; `advice` is what was advised of going on. `left_bytes` were not read here because
    the other half of a mirror gave them, and are not counted as unread."""

    bay: str
    ending: Ending
    identity: Identity
    image: str
    read_bytes: int
    refused_bytes: int
    unread_bytes: int
    waived_bytes: int
    sha256: str
    changed_bytes: int = 0
    worth_trying: tuple[WorthTrying, ...] = ()
    advice: AdviceGiven = NO_ADVICE
    left_bytes: int = 0

    @property
    def is_complete(self) -> bool:
        """Whether every byte of the drive is in the image."""
        return self.read_bytes == self.identity.size_bytes


@dataclass(frozen=True, slots=True)
class OpenDrive:
    """A drive being read, its image, the image as a source that reads through to the drive, and how likely
    the drive is to be lost by going on."""

    bay: str
    reader: DriveReader
    reading: DriveReading
    store: ImageStore
    source: ImageSource
    hazard: Hazard


def read_drive(
    bench: Bench,
    number: int,
    drive: DriveAt,
    *,
    seconds: float | None = None,
    wanted: Sequence[SpanSet] = (),
    rest: bool = True,
    although: Although = AGAINST_NOTHING,
) -> ReadResult:
    """Reads a drive as far as it can be read, and notes it in the case.

    Args:
        number: of the case.
        seconds: how long it may take; None: until nothing is left to try.
        wanted: ranges of the drive that go first.
        rest: whether to go on with everything else.
        although: why it is read where the customer or triage is against power.

    Raises:
        HeldBack: the customer refused power or reading, or triage keeps the drive without it.
        SourceError, DestinationError, ForeignImage, DamagedCheckpoint: nothing was begun.
        DriveVanished: it is gone; what was read is kept.
    """
    require_power(bench, number, [drive.bay], although, reading=True)
    wishes = bench.ledger.case(number).wanted
    if wishes and not wanted and rest:
        bench.tell(
            Said(
                f"The drive is read as it lies: what the case wants first ({', '.join(wishes)}) does not "
                f"count here. Wanted files first: mendbay pair read {number} {drive.bay}={drive.where}"
            )
        )
    with opened(bench, number, drive) as one:
        say_asked_anew(bench, one)
        ending = one.reading.run(wanted, rest=rest, seconds=seconds)
        return finish(bench, number, one, ending)


@contextmanager
def opened(bench: Bench, number: int, drive: DriveAt) -> Iterator[OpenDrive]:
    """The drive and its image, checked to belong together, with a run begun; closed in any case."""
    case = remembered(bench, number)
    Bay(number, drive.bay)  # its label becomes part of a file name: refuse an unusable one first
    _refuse_third_bay(bench, number, drive.bay)
    reader = bench.drives.open(drive.where)
    heat: HeatGuard | None = None
    try:
        heat = _heat_guard(bench, drive)
        store = _image_for(bench, case, drive, reader)
        try:
            _note_bay(bench, case, drive, reader.identity)
            adapter = drive.adapter.strip() or NOT_STATED
            store.begin_run(adapter, str(Path(reader.identity.name).absolute()))
            bench.custody(number, f"connected for reading (adapter: {adapter})", f"drive of bay {drive.bay}")
            reading = DriveReading(
                drive.bay,
                reader,
                store,
                bench.clock,
                bench.tell,
                _assumed(bench, drive),
                bench.power_cycle,
                bench.stop,
                heat,
                odds_for(bench, number, drive.bay, store),
                _stop_advice(bench, number, drive),
            )
            source = ImageSource(store, drive.bay, reading.fetch)
            try:
                hazard = HAZARDS[drive.condition or DriveCondition.REFUSES]
                yield OpenDrive(drive.bay, reader, reading, store, source, hazard)
            except MendbayError as trouble:
                bench.note(number, "imaging", f"Bay {drive.bay}: {trouble.what}")
                raise
            finally:
                store.commit()
                note_image(bench, number, drive.bay, store, reading.picker.left())
        finally:
            store.close()
    finally:
        if heat is not None:
            heat.close()
        reader.close()


def say_asked_anew(bench: Bench, one: OpenDrive) -> None:
    """Says, before a drive is read, how many sectors that had all their tries are asked for again."""
    count = asked_anew(one.store.coverage(), one.store.coverage_here(), bench.assumed.most_tries)
    if count:
        are = "is" if count == 1 else "are"
        bench.tell(
            Said(
                f"{counted(count, 'refused sector')} of the drive in bay {one.bay} {are} asked for again, "
                f"because the adapter “{one.store.runs()[-1].adapter}” has not had its tries. If it is one "
                "of before, stop and name it as then."
            )
        )


def _heat_guard(bench: Bench, drive: DriveAt) -> HeatGuard | None:
    """What looks after the drive's temperature, for a partition that of the drive it lies on; None where
    there is no drive to ask."""

    def line_to_it() -> DriveLine:
        return bench.drives.line(bench.drives.drive_behind(drive.where))

    try:
        line = line_to_it()
    except SourceError as trouble:
        bench.tell(Said(f"The temperature of the drive in bay {drive.bay} is not watched: {trouble.what}"))
        return None
    if not line.is_present:
        line.close()
        return None
    if not drive.ask:
        line.close()
        bench.tell(
            Said(
                f"The drive in bay {drive.bay} is asked nothing about itself, so its temperature is not "
                "watched. Feel it now and then, keep a fan on it."
            )
        )
        return None
    thermometer = DriveThermometer(line, line_to_it)
    return HeatGuard(drive.bay, thermometer, bench.clock, bench.tell, bench.stop)


def _stop_advice(bench: Bench, number: int, drive: DriveAt) -> StopAdvice:
    """What weighs whether to go on. Head work that the customer refused is no other way."""
    stakes = bench.stakes
    if OPEN_DRIVE in refused(consents_of(bench, number)):
        stakes = replace(stakes, head_work_gives=0.0)
    return StopAdvice(drive.bay, _assumed(bench, drive), stakes, bench.tell, bench.clock.steady_seconds)


def _refuse_third_bay(bench: Bench, number: int, label: str) -> None:
    """A box has two bays: a third label is a slip of the finger, and would be paired with the others."""
    known = [bay.bay for bay in bench.ledger.bays(number)]
    if label not in known and len(known) >= 2:
        raise UsageError(
            f"Case {number} has the bays {' and '.join(known)}, not {label}.",
            "Name one of them; a drive of another box belongs to another case.",
        )


def _assumed(bench: Bench, drive: DriveAt) -> Assumptions:
    return bench.assumed if drive.condition is None else Assumptions.of(drive.condition, bench.assumed)


def finish(
    bench: Bench, number: int, one: OpenDrive, ending: Ending, left: SpanSet = NOTHING_LEFT
) -> ReadResult:
    """Sums up a reading and notes it in the case.

    Args:
        left: what was not read here because the other half of a mirror gave it.
    """
    worth = what_is_worth_trying(bench, number, one.bay, one.store)
    advice = NO_ADVICE if one.reading.advice is None else one.reading.advice.given
    result = replace(result_of(one, ending, left), worth_trying=worth, advice=advice)
    text = (
        f"Drive of bay {one.bay} read: {count_text(result.read_bytes)} of "
        f"{count_text(result.identity.size_bytes)} bytes are in the image, "
        f"{count_text(result.refused_bytes)} refused, {count_text(result.unread_bytes)} unread; {ending}."
    )
    if result.left_bytes:
        text += f" {count_text(result.left_bytes)} bytes are left to the other half, which gave them."
    if result.changed_bytes:
        text += (
            f" {count_text(result.changed_bytes)} bytes of the image are no longer what the drive gave, so "
            "it has no SHA-256."
        )
    if result.worth_trying:
        text += f" {worth_trying_words(result.worth_trying[0])}"
    text = f"{text} {given_words(result.advice)}".rstrip()
    facts: Facts = {
        "bay": one.bay,
        "read_bytes": result.read_bytes,
        "refused_bytes": result.refused_bytes,
        "unread_bytes": result.unread_bytes,
        "left_bytes": result.left_bytes,
    }
    bench.note(number, "imaging", text, facts)
    return result


def result_of(one: OpenDrive, ending: Ending, left: SpanSet = NOTHING_LEFT) -> ReadResult:
    """The figures of an image after a reading; `left` as for `finish`."""
    coverage = one.store.coverage()
    left_here = left & coverage.unread
    return ReadResult(
        bay=one.bay,
        ending=ending,
        identity=one.store.identity,
        image=str(one.store.path),
        read_bytes=coverage.total_bytes(Condition.READ),
        refused_bytes=coverage.total_bytes(Condition.REFUSED),
        unread_bytes=(coverage.unread - left_here).total_bytes,
        waived_bytes=coverage.total_bytes(Condition.WAIVED),
        sha256=one.store.digest(),
        changed_bytes=one.store.changed().total_bytes,
        left_bytes=left_here.total_bytes,
    )


def _image_for(bench: Bench, case: Case, drive: DriveAt, reader: DriveReader) -> ImageStore:
    """The bay's image, made if there is none, refused if it is of another drive."""
    folder, identity = bench.images.folder(case), reader.identity
    name = bench.images.name(drive.bay)
    if not bench.images.exists(case, drive.bay):
        bench.drives.guard(drive.where, folder, identity.size_bytes, name)
        return bench.images.create(case, drive.bay, identity)
    store = bench.images.reopen(case, drive.bay, writable=True)
    try:
        _must_be_same(store, identity, drive)
        left = identity.size_bytes - store.coverage().total_bytes(Condition.READ)
        bench.drives.guard(drive.where, folder, left, name)
        if not (identity.serial and store.identity.serial):
            _compare_samples(bench, store, reader, drive)
        return store
    except BaseException:
        store.close()
        raise


def _must_be_same(store: ImageStore, found: Identity, drive: DriveAt) -> None:
    noted = store.identity
    differences = [
        f"{what}: {before} then, {now} now"
        for what, before, now in (
            ("size in bytes", noted.size_bytes, found.size_bytes),
            ("sector size", noted.sector_bytes, found.sector_bytes),
            ("serial number", noted.serial, found.serial),
        )
        if before and now and before != now
    ]
    if differences:
        raise ForeignImage(
            f"The image of bay {drive.bay} is not of the drive at {drive.where}: {'; '.join(differences)}.",
            "Connect the drive the image was begun with, or name the right bay.",
        )


def _compare_samples(bench: Bench, store: ImageStore, reader: DriveReader, drive: DriveAt) -> None:
    """Reads a few sectors again that the image already holds; on a difference it is another drive."""
    found = likeness(store, reader)
    if found.unlike_at is not None:
        raise ForeignImage(
            f"The drive at {drive.where} holds other bytes at {found.unlike_at} than the image of bay "
            f"{drive.bay} has from before.",
            "It is another drive, or something wrote to it since. Connect the right one.",
        )
    if not found.compared:
        bench.tell(
            Said(
                f"Nothing shows that the drive at {drive.where} is the one that the image of bay "
                f"{drive.bay} was begun with: it has no serial number, and nothing could be compared. "
                "Make sure of it."
            )
        )


def _note_bay(bench: Bench, case: Case, drive: DriveAt, identity: Identity) -> None:
    """Notes what the drive says of itself, without losing what the label said."""
    seen = Bay(
        case.number,
        drive.bay,
        identity.model,
        identity.serial,
        identity.size_bytes,
        identity.sector_bytes,
        identity.physical_bytes,
    )
    try:
        known = bench.ledger.bay(case.number, drive.bay)
    except NoSuchCase:
        bench.ledger.add_bay(seen)
        return
    bench.ledger.amend_bay(
        replace(
            seen,
            model=seen.model or known.model,
            serial=seen.serial or known.serial,
            condition=known.condition,
        )
    )
