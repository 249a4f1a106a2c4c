"""Does the job of a work, by the same checks as the command of the same name."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any, assert_never

from mendbay.core.errors import ImageChanged, Interrupted, MendbayError
from mendbay.faces import wording
from mendbay.faces.blend_words import blended_json, blended_words
from mendbay.faces.drive_facts_words import facts_json, facts_words
from mendbay.faces.handback_words import is_whole, made_json, made_words
from mendbay.faces.picture_words import look_json, look_words
from mendbay.faces.reading_words import (
    broken_off_words,
    compared_json,
    compared_words,
    differences_words,
    is_complete,
    pair_json,
    pair_words,
    verified_json,
    verified_words,
)
from mendbay.faces.work import office
from mendbay.faces.work.before import say_before_reading
from mendbay.faces.work.chips import read_a_chip, write_a_chip
from mendbay.faces.work.file_works import CameTo, check_a_hand_back, read_a_file
from mendbay.faces.work.sent import remove_sent
from mendbay.faces.work.telling import Telling
from mendbay.jobs.ask_drive import InCase, ask_drive, foresee_asking
from mendbay.jobs.authority import concern
from mendbay.jobs.bench import Bench
from mendbay.jobs.blend_images import blend_images
from mendbay.jobs.catalogue_files import catalogue_files
from mendbay.jobs.chip_work_options import ReadChip, WriteChip
from mendbay.jobs.compare_drive import compare_drive
from mendbay.jobs.drive_reading import Ending
from mendbay.jobs.file_work_options import CheckHandBack, ReadFile
from mendbay.jobs.hand_back import hand_back
from mendbay.jobs.imaging_record import image_of, imaging_record
from mendbay.jobs.power_permit import foresee_reading
from mendbay.jobs.read_drive import ReadResult, foresee_drives, read_drive
from mendbay.jobs.read_pair import BrokenOff, read_pair
from mendbay.jobs.read_pictures import BoardLook, read_pictures
from mendbay.jobs.remembered import remembered
from mendbay.jobs.verify_image import verify_image
from mendbay.jobs.work_options import (
    AskDrive,
    BlendImages,
    Catalogue,
    CompareDrive,
    HandBack,
    Options,
    ReadDrive,
    ReadPair,
    ReadPictures,
    Terms,
    VerifyImage,
)
from mendbay.jobs.work_options_office import EraseCopies, ExportCase, LearnFamily, PlanErasure
from mendbay.jobs.work_port import Outcome, WorkKind, WorkOrder
from mendbay.wiring import (
    catalogues,
    home_folder,
    open_bench,
    open_handback_folder,
    papers,
    read_pictures_with,
    shop_files,
)

TELLS_TO_STOP = frozenset(
    {
        WorkKind.VERIFY_IMAGE,
        WorkKind.BLEND_IMAGES,
        WorkKind.READ_PICTURES,
        WorkKind.READ_FILE,
        WorkKind.CHECK_HAND_BACK,
    }
)
"""Kinds whose job asks nobody whether to stop, but tells how far it is."""
HOLDS = frozenset({WorkKind.READ_PAIR, WorkKind.READ_DRIVE})
"""Kinds whose job lets the drives rest by itself; others rest where they ask whether to stop."""
AGAIN = "Order the same again: it goes on from there."


class Runner:
    """Does one work. What it came to is in `result` and `words`, also where the job broke off.

    Args:
        home: the shop's home.
        telling: its hooks.
    """

    def __init__(self, home: Path, order: WorkOrder, telling: Telling) -> None:
        self._home = home
        self._order = order
        self._telling = telling
        self.result: Mapping[str, object] | None = None
        self.words: list[str] = []

    def do(self, options: Options) -> Outcome:
        """Does the job.

        Returns:
            `done` or `incomplete`.

        Raises:
            Interrupted: it was stopped.
            MendbayError: whatever the job raises.
        """
        match options:
            case ReadPair():
                return self._read_pair(options)
            case ReadDrive():
                return self._read_drive(options)
            case CompareDrive():
                return self._compare_drive(options)
            case VerifyImage():
                return self._verify_image(options)
            case AskDrive():
                return self._ask_drive(options)
            case BlendImages():
                return self._blend_images(options)
            case HandBack():
                return self._hand_back(options)
            case ReadPictures():
                return self._read_pictures(options)
            case ReadChip():
                return self._read_chip(options)
            case WriteChip():
                return self._write_chip(options)
            case Catalogue():
                return self._catalogue()
            case ExportCase():
                return self._keep(office.export(self._office(), self._order.case, options))
            case PlanErasure():
                return self._keep(office.plan(self._office(), self._order.case, options))
            case EraseCopies():
                return self._keep(office.erase(self._office(), self._order.case, options))
            case LearnFamily():
                return self._keep(office.learn(self._office(), options))
            case ReadFile():
                return self._of_files(lambda bench: read_a_file(bench, self._order.case, options))
            case CheckHandBack():
                return self._of_files(lambda bench: check_a_hand_back(bench, self._home, options))
        assert_never(options)

    @contextmanager
    def _bench(self, terms: Terms | None = None) -> Iterator[Bench]:
        holds = self._order.kind in HOLDS
        hooks: dict[str, Any] = {
            "tell": self._telling.tell,
            "stop": self._telling.stop_asked if holds else self._telling.stop,
        }
        if terms is not None:
            hooks |= {
                "power_cycle": self._telling.power_cycle,
                "assumed": terms.assumed,
                "stakes": terms.stakes,
                "patience_seconds": terms.patience_seconds,
                "sector_bytes": terms.sector_bytes,
                "question_seconds": terms.question_seconds,
            }
        with open_bench(self._home, who=self._order.who, **hooks) as bench:
            if holds:
                bench = replace(bench, hold=self._telling.hold, power_asked=self._telling.power_asked)
            yield bench

    def _office(self) -> office.Office:
        return office.Office(self._home, self._order.who, self._telling)

    def _keep(self, made: office.Made) -> Outcome:
        self._came_to(made.result, made.words)
        return _done(made.is_complete)

    def _came_to(self, result: Mapping[str, object], words: list[str]) -> None:
        self.result, self.words = result, words

    # ------------------------------------------------------------------ drives

    def _read_pair(self, options: ReadPair) -> Outcome:
        case, terms, drives = self._order.case, options.terms, options.drives

        def broken_off(found: BrokenOff) -> None:
            whole = None if found.together is None else pair_json(found.together)
            parts = {"drives": [wording.read_result_json(one) for one in found.drives]}
            self._came_to(whole or parts, broken_off_words(found))

        with self._bench(terms) as bench:
            foresee_drives(bench, case, [(one.bay, one.where) for one in drives])
            foresee_reading(bench, case, [one.bay for one in drives], terms.although)
            sources = {one.bay: one.where for one in drives}
            say_before_reading(bench, case, sources, {one.bay: one.condition for one in drives})
            result = read_pair(
                bench,
                case,
                drives,
                options.want,
                rest=not options.only_wanted,
                seconds=terms.seconds,
                both_whole=options.both_whole,
                waive_unallocated=options.waive_unallocated,
                although=terms.although,
                broken_off=broken_off,
            )
        self._came_to(pair_json(result), pair_words(result))
        return _done(is_complete(result, only_wanted=options.only_wanted))

    def _read_drive(self, options: ReadDrive) -> Outcome:
        case, terms, drive = self._order.case, options.terms, options.drive

        def keep(result: ReadResult) -> None:
            self._came_to(wording.read_result_json(result), wording.read_result_words(result))

        with self._bench(terms) as bench:
            foresee_drives(bench, case, [(drive.bay, drive.where)])
            foresee_reading(bench, case, [drive.bay], terms.although)
            say_before_reading(bench, case, {drive.bay: drive.where}, {drive.bay: drive.condition})
            result = read_drive(
                bench, case, drive, seconds=terms.seconds, although=terms.although, broken_off=keep
            )
        keep(result)
        if result.ending is Ending.STOPPED:
            raise Interrupted("Stopped; everything read so far is kept.", AGAIN)
        return _done(result.is_complete)

    def _compare_drive(self, options: CompareDrive) -> Outcome:
        case, terms, drive = self._order.case, options.terms, options.drive
        with self._bench(terms) as bench:
            image_of(bench, case, drive.bay, writable=False).close()  # else there is nothing to compare with
            foresee_drives(bench, case, [(drive.bay, drive.where)])
            foresee_reading(bench, case, [drive.bay], terms.although)
            say_before_reading(bench, case, {drive.bay: drive.where}, {})
            found = compare_drive(bench, case, drive, seconds=terms.seconds, although=terms.although)
            record = imaging_record(bench, case, drive.bay)
        words = [*compared_words(found, record), *differences_words(found.differences)]
        self._came_to(compared_json(found), words)
        if found.ending is Ending.STOPPED:
            raise Interrupted("Stopped; what was compared so far is kept.", "Order it again to begin anew.")
        return _done(not (found.refused_bytes or found.left_bytes))

    def _verify_image(self, options: VerifyImage) -> Outcome:
        with self._bench() as bench:
            found = verify_image(bench, self._order.case, options.bay, read_again=options.read_again)
        words = [*verified_words(found), *differences_words(found.differences)]
        self._came_to(verified_json(found), words)
        if not found.holds:
            raise ImageChanged(
                f"The image of bay {options.bay} no longer holds what the drive gave.",
                "Check the disk it lies on, and who had access to it; then have what is wrong read again.",
            )
        return _done(found.is_complete)

    def _ask_drive(self, options: AskDrive) -> Outcome:
        case, bay = self._order.case, options.bay
        in_case = InCase(case, bay, options.terms.although)
        with self._bench(options.terms) as bench:
            foresee_asking(bench, options.source, in_case, options.label)
            say_before_reading(bench, case, {bay: options.source}, {})
            told = ask_drive(bench, options.source, in_case, options.label)
        self._came_to(facts_json(told), facts_words(told))
        return _done(told.answers is not None)

    def _blend_images(self, options: BlendImages) -> Outcome:
        case, bay = self._order.case, options.bay
        with self._bench() as bench:
            found = blend_images(bench, case, bay, options.images, options.although_other_case)
        self._came_to(blended_json(found), blended_words(found))
        return _done(not any(one.unsound for one in found.images))

    # ------------------------------------------------------------------ the rest

    def _hand_back(self, options: HandBack) -> Outcome:
        case = self._order.case
        with self._bench() as bench:
            result = hand_back(
                bench,
                case,
                options.folder,
                open_handback_folder,
                papers(self._home),
                patterns=options.want,
                shop=options.shop,
                keep_until=options.keep_until,
                bays=options.bays,
            )
            unsettled = concern(bench, case)
        words = made_words(result, options.folder, case)
        if unsettled:
            words.append(f"Mind: {unsettled}")
        said = {**made_json(result, options.folder), "authority_concern": unsettled or None}
        self._came_to(said, words)
        return _done(is_whole(result.facts))

    def _read_pictures(self, options: ReadPictures) -> Outcome:
        try:
            with self._bench() as bench:
                look = self._look_at_pictures(bench, options)
        finally:  # also of a reading that failed: nobody reads them again
            remove_sent(self._home, options.places)
        self._came_to(look_json(look), look_words(look))
        return _done(not look.incomplete)

    def _look_at_pictures(self, bench: Bench, options: ReadPictures) -> BoardLook:
        case, bay = self._order.case, options.bay
        folder = home_folder(self._home) / "cases" / remembered(bench, case).folder
        places = options.places or (folder / "photos" / f"bay-{bay}",)
        names = dict(zip(options.places, options.names, strict=bool(options.names)))
        return read_pictures(bench, shop_files(self._home), read_pictures_with, case, bay, places, names)

    # ------------------------------------------------------------------ chips

    def _read_chip(self, options: ReadChip) -> Outcome:
        with self._bench() as bench:
            result, words = read_a_chip(bench, self._order.case, options)
        self._came_to(result, words)
        return Outcome.DONE

    def _write_chip(self, options: WriteChip) -> Outcome:
        with self._bench() as bench:
            result, words, proven = write_a_chip(self._home, bench, self._order.case, options)
        self._came_to(result, words)
        return _done(proven)

    def _catalogue(self) -> Outcome:
        with self._bench() as bench:
            found = catalogue_files(bench, catalogues(self._home), self._order.case)
        self._came_to(asdict(found), [])
        return Outcome.DONE

    def _of_files(self, work: Callable[[Bench], CameTo]) -> Outcome:
        with self._bench() as bench:
            outcome, result, words = work(bench)
        self._came_to(result, words)
        return outcome


def _done(is_complete: bool) -> Outcome:
    return Outcome.DONE if is_complete else Outcome.INCOMPLETE


def trouble_of(problem: Exception) -> MendbayError:
    """A trouble as a person may be told of it, whatever it was."""
    if isinstance(problem, MendbayError):
        return problem
    return MendbayError(
        f"Something unforeseen happened inside Mendbay: {type(problem).__name__}: {problem}.",
        "Nothing durable is lost. Order it again; errors.txt in the folder of this work tells more.",
    )
