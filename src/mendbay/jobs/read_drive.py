"""Read one drive of a case into its image, or go on with it."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from mendbay.case.records import Bay, Case, Event, Facts
from mendbay.core.coverage import Condition
from mendbay.core.errors import ForeignImage, Interrupted, MendbayError, NoSuchCase, SourceError, UsageError
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
from mendbay.jobs.bay_drive import note_connected, pictures_doubt, require_bays_drive, silent_drive_words
from mendbay.jobs.bench import Bench
from mendbay.jobs.consents import consents_of, refused
from mendbay.jobs.drive_condition import WORDS, ConditionsSaid, condition_of
from mendbay.jobs.drive_reading import DriveReading, Ending
from mendbay.jobs.events import Said
from mendbay.jobs.heat_guard import DriveThermometer, HeatGuard
from mendbay.jobs.image_figures import note_image
from mendbay.jobs.last_reading import ENDING, last_ending
from mendbay.jobs.ports import DriveLine, DriveReader, ImageStore
from mendbay.jobs.power_permit import AGAINST_NOTHING, Although, require_power
from mendbay.jobs.practice import DRIVE, note_practice
from mendbay.jobs.remembered import remembered
from mendbay.jobs.same_drive import between, likeness
from mendbay.jobs.stop_advice import NO_ADVICE, AdviceGiven, StopAdvice, given_words

NOTHING_LEFT = SpanSet()
OPEN_DRIVE = "open-drive"
"""The consent to head work in a laboratory (`consents.toml`)."""


@dataclass(frozen=True, slots=True)
class DriveAt:
    """Where a bay's drive is found (device, image file, simulated drive) and what it hangs on.

    `ask` says whether it may be asked about itself while it is read, which its temperature needs, unless its
    condition forbids that; `condition` what a person says it is like, None if nobody does.
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
    the other half of a mirror gave them, and are not counted as unread. `only_wanted` says that no more was
    to be read than what is wanted."""

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
    only_wanted: bool = False

    @property
    def ended(self) -> str:
        """Why the reading stopped, in words that are true of what was to be read."""
        if self.ending is Ending.DONE and self.only_wanted:
            return "what is wanted was tried"
        if self.ending is Ending.DONE and self.left_bytes:
            return "all was tried but what is left to the other half"
        return str(self.ending)

    @property
    def is_complete(self) -> bool:
        """Whether every byte of the drive is in the image."""
        return self.read_bytes == self.identity.size_bytes


@dataclass(frozen=True, slots=True)
class OpenDrive:
    """A drive being read, its image, the image as a source that reads through to the drive, and how likely
    the drive is to be lost by going on. `condition` is what the drive is read as, None where nobody and
    nothing tells."""

    bay: str
    reader: DriveReader
    reading: DriveReading
    store: ImageStore
    source: ImageSource
    hazard: Hazard
    condition: DriveCondition | None = None

    def read_as(self, bench: Bench, condition: DriveCondition) -> OpenDrive:
        """The same drive, read as one in another condition from now on, which is told. No read may be under
        way."""
        watched = self.reading.watches_heat
        self.reading.assume(condition)
        text = f"From now on the drive in bay {self.bay} is read as {WORDS[condition]}, as was said."
        if watched and not self.reading.watches_heat:
            text += (
                " It is asked nothing about itself while it is, so its temperature is not watched. Feel it "
                "now and then, keep a fan on it."
            )
        bench.tell(Said(text))
        return replace(self, condition=condition, hazard=HAZARDS[condition])


def unheard(found: object) -> None:
    """Nobody is told what a reading that broke off came to."""


def read_drive(
    bench: Bench,
    number: int,
    drive: DriveAt,
    *,
    seconds: float | None = None,
    wanted: Sequence[SpanSet] = (),
    rest: bool = True,
    although: Although = AGAINST_NOTHING,
    broken_off: Callable[[ReadResult], None] = unheard,
) -> ReadResult:
    """Reads a drive as far as it can be read, and notes it in the case.

    Args:
        number: of the case.
        seconds: how long it may take; None: until nothing is left to try.
        wanted: ranges of the drive that go first.
        rest: whether to go on with everything else.
        although: why it is read where the customer or triage is against power, or its serial number is.
        broken_off: is told what was read before an error ends it.

    Raises:
        HeldBack: the customer refused power or reading, or triage keeps the drive without it.
        NoSuchCase: the case has two other bays.
        WrongDrive: its serial number contradicts the label, or is that of another bay.
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
    with opened(bench, number, drive, although) as one:
        say_asked_anew(bench, one)
        try:
            ending = _run(bench, number, one, wanted, rest=rest, seconds=seconds)
        except MendbayError as trouble:
            result = finish_broken_off(bench, number, one, trouble)
            if result is not None:
                broken_off(result)
            raise
        return finish(bench, number, one, ending)


def _run(
    bench: Bench,
    number: int,
    one: OpenDrive,
    wanted: Sequence[SpanSet],
    *,
    rest: bool,
    seconds: float | None,
) -> Ending:
    """Reads the drive; leaves off for a moment whenever something else is said of it, and goes on by that."""
    said = ConditionsSaid(bench, number, {one.bay: one.condition})
    left = seconds
    while True:
        begun = one.reading.read_seconds
        ending = one.reading.run(
            wanted, rest=rest, seconds=left, pause=lambda: not bench.hold() and said.soon_changed()
        )
        if ending is not Ending.PAUSED:
            return ending
        if left is not None:
            left = max(0.0, left - (one.reading.read_seconds - begun))
        for condition in said.take().values():
            one = one.read_as(bench, condition)


def foresee_drives(bench: Bench, number: int, drives: Sequence[tuple[str, str]]) -> None:
    """Passes where the drives, each a bay and where it is, can be read as drives of the case, as far as that
    shows before one is opened; for what is said before.

    Raises:
        UsageError: a label or a third bay, or one drive or bay twice.
        SourceError or one of its kinds: a drive cannot be used.
        NoSuchCase, CaseForgotten: there is no such case any more.
    """
    remembered(bench, number)
    seen: dict[str, str] = {}
    for bay, where in drives:
        if bay in seen.values():
            raise UsageError("Two drives were given for one bay.", "Give each bay once.")
        Bay(number, bay)
        _refuse_third_bay(bench, number, bay)
        name = os.path.realpath(bench.drives.look(where).name)
        if name in seen:
            raise UsageError(
                f"Bay {seen[name]} and bay {bay} are given the same drive, {name}.",
                "Name the drive of each bay; leave out a bay whose drive is not at hand: its image counts.",
            )
        seen[name] = bay


@contextmanager
def opened(
    bench: Bench, number: int, drive: DriveAt, although: Although = AGAINST_NOTHING
) -> Iterator[OpenDrive]:
    """The drive and its image, checked to belong to the bay and together, with a run begun; closed in any
    case. What befell the drive is noted in the case; what ended its reading is for the caller to note."""
    case = remembered(bench, number)
    Bay(number, drive.bay)  # its label becomes part of a file name: refuse an unusable one first
    _refuse_third_bay(bench, number, drive.bay)
    condition = condition_of(bench, number, drive.bay, drive.condition)
    if condition is not None:
        drive = replace(drive, condition=condition, ask=drive.ask and condition.bears_questions)
    if last_ending(bench, number, drive.bay) is Ending.DIED:
        bench.tell(
            Said(
                f"The last reading of the drive in bay {drive.bay} ended because it refused everything. If "
                "that goes on, power it off: every try wears it."
            )
        )
    reader = bench.drives.open(drive.where)
    heat: HeatGuard | None = None
    try:
        against = require_bays_drive(bench, number, drive.bay, drive.where, reader.identity, although)
        heat = _heat_guard(bench, drive)
        store, taken_for = _image_for(bench, case, drive, reader)
        try:
            adapter = drive.adapter.strip() or NOT_STATED
            nobody_knows = "" if taken_for else silent_drive_words(bench, number, drive.bay, reader.identity)
            doubted = pictures_doubt(bench, number, drive.bay, reader.identity)
            note_connected(bench, number, drive.bay, reader.identity, adapter, against, although)
            if bench.drives.is_simulated(drive.where):
                note_practice(bench, number, drive.bay, DRIVE)
            for words in (nobody_knows, doubted):
                if words:
                    bench.tell(Said(words))
            run = store.begin_run(adapter, str(Path(reader.identity.name).absolute()))
            if taken_for:
                bench.tell(Said(taken_for))
                bench.note(number, "imaging", f"Run {run}: {taken_for}", {"bay": drive.bay, "run": run})
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
                bench.hold,
                bench.power_asked,
            )
            source = ImageSource(store, drive.bay, reading.fetch)
            try:
                hazard = HAZARDS[drive.condition or DriveCondition.REFUSES]
                yield OpenDrive(drive.bay, reader, reading, store, source, hazard, drive.condition)
            finally:
                note_happenings(bench, number, reading)
                store.commit()
                note_image(bench, number, drive.bay, store, reading.picker.left())
        finally:
            store.close()
    finally:
        if heat is not None:
            heat.close()
        reader.close()


def note_happenings(bench: Bench, number: int, reading: DriveReading) -> None:
    """Notes what befell a drive in the case, and in custody that its power was cut; each once."""
    happenings, reading.happenings = reading.happenings, []
    for one in happenings:
        bench.ledger.note_event(number, Event(one.at, "imaging", one.text, {}))
        if one.is_power:
            why = "as a person at the bench asked" if one.was_asked else "since the drive did not answer"
            what = f"power cut and restored at {one.at}, {why}"
            bench.custody(number, what, f"drive of bay {reading.bay}")


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
        raise NoSuchCase(
            f"Case {number} has the bays {' and '.join(known)}, not {label}.",
            "Name one of them; a drive of another box belongs to another case.",
        )


def _assumed(bench: Bench, drive: DriveAt) -> Assumptions:
    return bench.assumed if drive.condition is None else Assumptions.of(drive.condition, bench.assumed)


def finish(
    bench: Bench,
    number: int,
    one: OpenDrive,
    ending: Ending,
    left: SpanSet = NOTHING_LEFT,
    trouble: MendbayError | None = None,
    *,
    only_wanted: bool = False,
) -> ReadResult:
    """Sums up a reading and notes it in the case.

    Args:
        left: what was not read here because the other half of a mirror gave it.
        trouble: what this drive, or its image, came to grief over. Nothing is advised then of going on, and
            no adapter for a drive that refuses everything.
        only_wanted: no more was to be read than what is wanted.
    """
    note_happenings(bench, number, one.reading)
    worth = () if ending is Ending.DIED else what_is_worth_trying(bench, number, one.bay, one.store)
    advice = NO_ADVICE if one.reading.advice is None or trouble is not None else one.reading.advice.given
    result = replace(result_of(one, ending, left), worth_trying=worth, advice=advice, only_wanted=only_wanted)
    text = (
        f"Drive of bay {one.bay} read: {count_text(result.read_bytes)} of "
        f"{count_text(result.identity.size_bytes)} bytes are in the image, "
        f"{count_text(result.refused_bytes)} refused, {count_text(result.unread_bytes)} unread; "
        f"{result.ended}."
    )
    if trouble is not None:
        text += f" {trouble.what}"
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
        ENDING: ending.name,
    }
    bench.note(number, "imaging", text, facts)
    return result


def finish_broken_off(
    bench: Bench,
    number: int,
    one: OpenDrive,
    trouble: MendbayError,
    left: SpanSet = NOTHING_LEFT,
    *,
    only_wanted: bool = False,
) -> ReadResult | None:
    """Sums up a reading that an error or a person ended, and notes it in the case; None where the image
    cannot be summed up any more, and the trouble alone is noted."""
    of_the_drive = None if isinstance(trouble, Interrupted) else trouble
    try:
        return finish(bench, number, one, Ending.of(trouble), left, of_the_drive, only_wanted=only_wanted)
    except MendbayError:
        bench.note(number, "imaging", f"Bay {one.bay}: {trouble.what}")
        return None


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


def _image_for(bench: Bench, case: Case, drive: DriveAt, reader: DriveReader) -> tuple[ImageStore, str]:
    """The bay's image, made if there is none, refused if it is of another drive; and on what the two are
    taken to belong together, where only one has a serial number."""
    folder, identity = bench.images.folder(case), reader.identity
    name = bench.images.name(drive.bay)
    if not bench.images.exists(case, drive.bay):
        bench.drives.guard(drive.where, folder, identity.size_bytes, name)
        return bench.images.create(case, drive.bay, identity), ""
    store = bench.images.reopen(case, drive.bay, writable=True)
    try:
        _must_be_same(store, identity, drive)
        left = identity.size_bytes - store.coverage().total_bytes(Condition.READ)
        bench.drives.guard(drive.where, folder, left, name)
        if identity.serial and store.identity.serial:
            return store, ""
        return store, _compare_samples(bench, case, store, reader, drive)
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


def _compare_samples(bench: Bench, case: Case, store: ImageStore, reader: DriveReader, drive: DriveAt) -> str:
    """Reads a few sectors again that the image already holds, where no two serial numbers say whose it is.

    Returns:
        What the drive is taken for and why, where only one side has a serial number; else empty.

    Raises:
        ForeignImage: it is another drive, or rather the one of another bay.
    """
    found = likeness(store, reader)
    other = _fits_better(bench, case, store, reader, drive)
    if found.unlike_at is not None:
        also = f" It holds what the image of bay {other} has." if other else ""
        raise ForeignImage(
            f"The drive at {drive.where} holds other bytes at {count_text(found.unlike_at)} than the "
            f"image of bay {drive.bay} has from before.{also}",
            "It is another drive, or something wrote to it since. Connect the right one.",
        )
    if other:
        raise ForeignImage(
            f"Where the images of bay {drive.bay} and bay {other} differ, the drive at {drive.where} holds "
            f"what that of bay {other} has.",
            f"The drives are mixed up: connect that of bay {drive.bay}, or name bay {other}.",
        )
    here, there = reader.identity.serial, store.identity.serial
    if not (here or there):
        if not found.compared:
            bench.tell(
                Said(
                    f"Nothing shows that the drive at {drive.where} is the one that the image of bay "
                    f"{drive.bay} was begun with: it has no serial number, and nothing could be compared. "
                    "Make sure of it."
                )
            )
        return ""
    words = (
        f"The source for bay {drive.bay} gives no serial number; its image is of {there}."
        if there
        else f"The drive for bay {drive.bay} says serial number {here}; its image was begun from a source "
        "without one."
    )
    if not found.compared:
        return f"{words} It is taken for the same drive, though nothing could be compared: make sure of it."
    are = "is" if found.compared == 1 else "are"
    sectors = counted(found.compared, "compared sector")
    return f"{words} It is taken for the same drive, as {sectors} {are} the same."


def image_if_any(bench: Bench, case: Case, bay: str, trouble: str) -> ImageStore | None:
    """The image of a bay to look at, to be closed; None where there is none, or it cannot be used.

    Args:
        trouble: what is said of the image in the latter case, before the reason.
    """
    if not bench.images.exists(case, bay):
        return None
    try:
        return bench.images.reopen(case, bay, writable=False)
    except MendbayError as found:
        bench.tell(Said(f"The image of bay {bay} {trouble}: {found.what}"))
        return None


def _fits_better(bench: Bench, case: Case, store: ImageStore, reader: DriveReader, drive: DriveAt) -> str:
    """The other bay whose image the drive fits better where the two differ; empty for none."""
    for bay in bench.ledger.bays(case.number):
        if bay.bay == drive.bay:
            continue
        other = image_if_any(bench, case, bay.bay, "could not be compared with")
        if other is None:
            continue
        try:
            found = between(store, other, reader)
        finally:
            other.close()
        if found.theirs > found.mine:
            return bay.bay
    return ""
