"""Read the drives of a case together: descriptions first, then what is wanted, then the rest.

The file system is opened through the images being made, so that every sector it touches is kept. What it
says about the wanted files is mapped down through volume and pair to ranges on each drive, and these are
read before anything else. The halves of a mirror in step are read as one task, each place from one of them
(docs/decisions/0094); other drives each for itself, all at the same time.
"""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, wait
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field, replace
from functools import partial

from mendbay.core.errors import (
    CannotAssemble,
    Interrupted,
    MendbayError,
    NoFileSystem,
    NothingWanted,
    UsageError,
)
from mendbay.core.source import Source
from mendbay.core.span import Span, SpanSet
from mendbay.files.verdict import Verdict
from mendbay.files.wanted import METADATA, matcher
from mendbay.imaging.alike import Alike
from mendbay.imaging.hazard import Condition as DriveCondition
from mendbay.imaging.image_source import ImageSource
from mendbay.imaging.values import WEIGHT_REST, Want
from mendbay.jobs.bay_drive import require_bays_drive
from mendbay.jobs.bench import Bench
from mendbay.jobs.drive_condition import LOOK_SECONDS, ConditionsSaid
from mendbay.jobs.drive_reading import Ending
from mendbay.jobs.events import Event, Phase, Said
from mendbay.jobs.halves_compared import HalvesCompared, compare_all, with_known
from mendbay.jobs.list_files import FileLine
from mendbay.jobs.one_task import Compared, OneTask
from mendbay.jobs.other_half import alike_of, sound
from mendbay.jobs.pair_values import PairValues, Wishes
from mendbay.jobs.ports import ImageStore
from mendbay.jobs.power_permit import AGAINST_NOTHING, Although, require_power
from mendbay.jobs.read_drive import (
    DriveAt,
    OpenDrive,
    ReadResult,
    finish,
    finish_broken_off,
    foresee_drives,
    image_if_any,
    opened,
    say_asked_anew,
    unheard,
)
from mendbay.jobs.share_mirror import (
    KeptHalf,
    known_alike,
    note_compared,
    plan_together,
    shared_task,
    spared_words,
)
from mendbay.jobs.stop_advice import Among
from mendbay.jobs.task_advice import TaskAdvice, task_advice, task_words
from mendbay.jobs.volume import OpenVolume, open_volume, sources_of
from mendbay.pair.assemble import Assembled


@dataclass(frozen=True, slots=True)
class PairResult:
    """What reading the drives together came to.

    `wanted` are the files asked for with their verdicts as they are now; `wanted_bytes` how many bytes of
    each bay's drive were read first for their sake. `compared` is None unless the drives were read as one
    task. `missing_bytes` are those that no drive gave though one might have, each place once; what was waived
    is not among them. `alone_bytes` are those that one half of a mirror gave and the other lacks, where the
    halves were found to differ: nothing proves them. `halves` is what comparing all that both halves gave
    came to; None if they were not compared so. `unmatched` are patterns that no file matches, as far as the
    folders are known. `advice` is what going on with both would bring; None where nothing is left to try, or
    the drives were read each for itself.
    """

    assembled: Assembled
    drives: tuple[ReadResult, ...]
    wanted: tuple[FileLine, ...]
    wanted_bytes: Mapping[str, int]
    compared: Compared | None = None
    missing_bytes: int = 0
    halves: HalvesCompared | None = None
    unmatched: tuple[str, ...] = ()
    advice: TaskAdvice | None = None
    alone_bytes: int = 0

    @property
    def verdicts(self) -> Counter[Verdict]:
        """The wanted files of each verdict."""
        return Counter(line.judgement.verdict for line in self.wanted if line.judgement is not None)


@dataclass(frozen=True, slots=True)
class BrokenOff:
    """What reading the drives together came to before an error or a stop ended it: of each drive, and where
    one drive alone came to grief of all together; None where that is not known."""

    drives: tuple[ReadResult, ...]
    together: PairResult | None = None


class _BrokenOff:
    """Tells what a reading came to that breaks off. `known` makes the result of all drives, once it is known
    what they hold together."""

    def __init__(self, tell: Callable[[BrokenOff], None]) -> None:
        self._tell = tell
        self.known: Callable[[Sequence[ReadResult]], PairResult] | None = None

    def __call__(self, drives: Sequence[ReadResult], *, of_one: bool) -> None:
        together = None
        if of_one and self.known is not None:
            with suppress(MendbayError):  # the trouble that ended it is what counts
                together = self.known(drives)
        self._tell(BrokenOff(tuple(drives), together))


class _Lane:
    """One drive under way. Once it has come to grief, or got too hot, the others go on without it."""

    def __init__(self, bench: Bench, drive: OpenDrive, *, only_wanted: bool) -> None:
        self._tell = bench.tell
        self.drive = drive
        self.only_wanted = only_wanted
        self.gone: MendbayError | None = None
        self.ending = Ending.DONE
        self.result: ReadResult | None = None
        self.task: OneTask | None = None
        self.is_through = False
        """Whether it has nothing left to try of anything."""
        self.held_elsewhere: Callable[[], SpanSet] = SpanSet
        self.source = ImageSource(drive.store, drive.bay, self._fetch)

    @property
    def has_left(self) -> bool:
        """Whether the drive is read no more."""
        return self.gone is not None or self.drive.reading.left_alone is not None

    def _fetch(self, spans: SpanSet) -> None:
        wanted = spans if self.task is not None else spans - self.held_elsewhere()
        if not wanted or self.has_left:
            return
        self._while_there(lambda: self.drive.reading.fetch(wanted))
        if self.has_left and self.task is not None:
            self.task.leave(self.drive.bay)

    def read(self, step: _Step) -> None:
        """Does one step; whatever ends it, the other half of a mirror learns of it."""

        def run() -> None:
            self.ending = self.drive.reading.run(
                wants=step.values.of(self.drive.bay),
                rest=step.rest,
                seconds=step.seconds,
                phase=step.phase,
                pause=step.pause.is_set,
            )

        goes_on = self.is_through = False
        try:
            self._while_there(run)
            goes_on = not self.has_left
            self.is_through = step.rest and self.ending is Ending.DONE
        finally:
            if self.task is not None and not goes_on:
                self.task.leave(self.drive.bay)

    def _while_there(self, do: Callable[[], None]) -> None:
        if self.gone is not None:
            return
        try:
            do()
        except Interrupted:
            raise
        except MendbayError as trouble:  # of the drive, or of its image: neither is a matter of the others
            self.gone = trouble
            self._tell(Said(f"{trouble.what} The other drives are read on."))


@dataclass(frozen=True, slots=True)
class _Values:
    """What is worth what, by bay."""

    wants: Mapping[str, Sequence[Want]]

    def of(self, bay: str) -> Sequence[Want]:
        return self.wants.get(bay, ())


@dataclass(frozen=True, slots=True)
class _Step:
    """One step for all drives: what is worth what, whether the rest is read too, and how long. `pause` is set
    when something else is wanted first."""

    phase: Phase
    values: _Values
    rest: bool = False
    seconds: float | None = None
    pause: threading.Event = field(default_factory=threading.Event)


def read_pair(
    bench: Bench,
    number: int,
    drives: Sequence[DriveAt],
    patterns: Sequence[str] = (),
    *,
    rest: bool = True,
    seconds: float | None = None,
    both_whole: bool = False,
    waive_unallocated: bool = False,
    although: Although = AGAINST_NOTHING,
    broken_off: Callable[[BrokenOff], None] = unheard,
) -> PairResult:
    """Reads the drives of one case together.

    Args:
        drives: one for each bay at hand, usually two. Of a bay that is left out the image counts, if the case
            has one: of a mirror only what that lacks is read.
        patterns: what is wanted first (see `files.wanted`); the case's own wishes if empty. Those may change
            while the drives are read: then what is wanted now goes first.
        rest: whether to go on with everything else afterwards.
        seconds: how long the rest may take; None: until nothing is left to try.
        both_whole: read both halves of a mirror whole, instead of each place from one of them.
        waive_unallocated: leave what the file system says is free; else what was left before is read too.
        although: why they are read where the customer or triage is against power, or a serial number is.
        broken_off: is told what was read before an error or a stop ends it.

    Raises:
        HeldBack: the customer refused power or reading, or triage keeps one of the drives without it.
        WrongDrive: a serial number contradicts the label, or is that of another bay; nothing was begun.
        CannotAssemble, NoFileSystem: the drives make no volume; what was read of them is kept.
        NothingWanted: only what is wanted was to be read, and no file matches; what was read is kept.
        UsageError: a pattern cannot be used, or only what is wanted was to be read and nothing is; nothing
            was begun.
        SourceError, DestinationError: one of the drives or its image failed (it vanished, another drive came
            back, the disk is full), after the others were read; or nothing was begun.
        ForeignImage, DamagedCheckpoint: nothing was begun.
        Interrupted: stopped by hand; everything read is kept.
    """
    require_power(bench, number, [drive.bay for drive in drives], although, reading=True)
    foresee_drives(bench, number, [(drive.bay, drive.where) for drive in drives])
    wishes = Wishes(bench, number, tuple(patterns))
    matcher(wishes.now)  # a pattern that cannot be used is refused before any drive gets power
    if not rest and not wishes.now:
        raise UsageError(
            "Nothing is said to be wanted, so there is nothing to read.",
            "Say what is wanted, here or with the case, or have the rest read too.",
        )
    bench = _for_threads(bench)
    with ExitStack() as stack:
        _refuse_wrong(bench, number, drives, although)
        lanes = [
            _Lane(bench, stack.enter_context(opened(bench, number, one, although)), only_wanted=not rest)
            for one in drives
        ]
        told = _BrokenOff(broken_off)
        kept = _kept_half(bench, number, lanes, stack)  # closed after all is summed up
        stack.enter_context(_summed_up(bench, number, lanes, told))
        volume, kept = _volume_of(bench, number, lanes, kept, both_whole=both_whole)
        if not both_whole:
            plan_together(*_halves(lanes, kept), volume)
        values = PairValues(volume, wishes)
        may_share = not both_whole and volume.assembled.halves_in_step
        if rest or may_share:  # what both halves say of the files is compared first
            values.take_descriptions()
        if waive_unallocated:
            _waive(bench, lanes, values)
        else:
            for lane in lanes:
                lane.drive.reading.planner.take_up_waived()
        task = None if both_whole else _one_task(bench, number, lanes, kept, volume, values)
        _share_stakes(lanes, task)
        if task is None and not both_whole:
            _say_why_whole(bench, volume)
        result = partial(
            _result, bench, number, lanes, kept, volume, values, task, waived_too=not waive_unallocated
        )
        told.known = result
        try:
            said = ConditionsSaid(bench, number, {one.drive.bay: one.drive.condition for one in lanes})
            _read(bench, lanes, task, values, said, rest=rest, seconds=seconds)
        finally:
            if task is not None:
                note_compared(bench, number, task)
        advice = _advice_at_end(bench, lanes, kept, task, waived_too=not waive_unallocated, rest=rest)
        if advice is not None:
            bench.note(number, "imaging", task_words(advice))
        results = _finish(bench, number, lanes)
        halves = None
        if (task is None or task.is_whole) and all(lane.ending is Ending.DONE for lane in lanes):
            halves = _compare_halves(bench, number, _stores(lanes, kept))
        if not rest and not values.selected_files() and METADATA not in wishes.now:
            raise NothingWanted(
                f"No file on the volume matches {_or(values.unmatched())}.",
                "List the files to see what there is: mendbay files list.",
            )
        return result(results, halves, advice)


def _result(
    bench: Bench,
    number: int,
    lanes: Sequence[_Lane],
    kept: KeptHalf | None,
    volume: OpenVolume,
    values: PairValues,
    task: OneTask | None,
    results: Sequence[ReadResult],
    halves: HalvesCompared | None = None,
    advice: TaskAdvice | None = None,
    *,
    waived_too: bool,
) -> PairResult:
    """What the reading came to, by the images as they are now."""
    volume = with_known(bench, number, volume)
    stores = _stores(lanes, kept)
    alike = _said_alike(stores, volume, task)
    if alike is None:
        stores = _stores(lanes, None)
    return PairResult(
        volume.assembled,
        tuple(results),
        values.judged(volume),
        {lane.drive.bay: values.asked_bytes(lane.drive.bay) for lane in lanes},
        None if task is None else task.conclude(),
        _missing(stores, alike, waived_too=waived_too),
        halves,
        values.unmatched(),
        advice,
        _given_alone(stores, alike) if alike is not None and volume.halves_differ else 0,
    )


def _or(patterns: Sequence[str]) -> str:
    return " or ".join(f"'{one}'" for one in patterns)


def _kept_half(bench: Bench, number: int, lanes: Sequence[_Lane], stack: ExitStack) -> KeptHalf | None:
    """The image of the bay that is not read, if the case has one with bytes in it; closed with `stack`."""
    case = bench.ledger.case(number)
    named = {lane.drive.bay for lane in lanes}
    for one in bench.ledger.bays(number):
        store = None if one.bay in named else image_if_any(bench, case, one.bay, "is left out")
        if store is None:
            continue
        stack.callback(store.close)
        if store.coverage().read:
            return KeptHalf.of(one.bay, store, lanes[0].drive.hazard)
    return None


def _stores(lanes: Sequence[_Lane], kept: KeptHalf | None) -> dict[str, ImageStore]:
    """The images by bay, those being read first."""
    stores = {lane.drive.bay: lane.drive.store for lane in lanes}
    return stores if kept is None else {**stores, kept.bay: kept.store}


def _compare_halves(bench: Bench, number: int, stores: Mapping[str, ImageStore]) -> HalvesCompared | None:
    """Compares what both halves of a mirror gave, if the drives make one whose halves should be the same. No
    drive is asked for anything."""
    volume = with_known(bench, number, open_volume(sources_of(stores, check=True)))
    if not volume.assembled.halves_in_step:
        return None
    bench.tell(Said("All is tried; the images of both halves are compared. The drives are needed no more."))
    return compare_all(bench, number, volume)


def _said_alike(stores: Mapping[str, ImageStore], volume: OpenVolume, task: OneTask | None) -> Alike | None:
    """Which places of the two drives are one place of a mirror in step, so that what one of them gave is not
    missing; None if none are. Whether the two hold the same there is another matter."""
    if task is not None and not task.is_whole:
        return task.alike
    if not volume.assembled.halves_in_step:
        return None
    return alike_of(sources_of(stores), volume.assembled, volume.system.facts.size_bytes)


def _one_task(
    bench: Bench,
    number: int,
    lanes: Sequence[_Lane],
    kept: KeptHalf | None,
    volume: OpenVolume,
    values: PairValues,
) -> OneTask | None:
    """Has the drives read as one task from now on, if they are halves in step; None if they are not."""
    task = shared_task(bench, number, *_halves(lanes, kept), volume, values.descriptions)
    for lane in lanes:
        lane.task = task
    if task is not None and kept is None:
        _advise_together(bench, lanes, task)
    return task


def _share_stakes(lanes: Sequence[_Lane], task: OneTask | None) -> None:
    """Has each drive weighed with its part of the stakes, which are those of the whole reading: an hour of
    the bench reads all drives that are still under way. The halves of one task hold the same, so either has
    all of the worth; of drives that are read each for itself each has its part by its bytes."""
    sizes = {lane.drive.bay: lane.drive.store.identity.size_bytes for lane in lanes}

    def among(bay: str) -> Among:
        under_way = sum(not (lane.has_left or lane.is_through) for lane in lanes)
        is_one = task is not None and not task.is_whole
        return Among(max(1, under_way), 1.0 if is_one else sizes[bay] / sum(sizes.values()))

    for lane in lanes:
        if lane.drive.reading.advice is not None:
            lane.drive.reading.advice.among = partial(among, lane.drive.bay)


def _say_why_whole(bench: Bench, volume: OpenVolume) -> None:
    """Says, before they are read, why the halves of a mirror are read whole, where one of them is behind."""
    made = volume.assembled
    if len(made.halves) > 1 and made.stale_bays:
        why = " ".join(f"{text.rstrip('.')}." for text in made.freshness)
        bench.tell(Said(f"The halves of the mirror are not in step: each is read whole. {why}"))


def _halves(
    lanes: Sequence[_Lane], kept: KeptHalf | None
) -> tuple[list[OpenDrive | KeptHalf], dict[str, Source]]:
    """The drives, and the image of one that is not read; and by bay what is read of each."""
    sources: dict[str, Source] = {lane.drive.bay: lane.source for lane in lanes}
    drives: list[OpenDrive | KeptHalf] = [lane.drive for lane in lanes]
    if kept is not None:
        sources[kept.bay] = ImageSource(kept.store, kept.bay)
        drives.append(kept)
    return drives, sources


def _advice_at_end(
    bench: Bench,
    lanes: Sequence[_Lane],
    kept: KeptHalf | None,
    task: OneTask | None,
    *,
    waived_too: bool,
    rest: bool,
) -> TaskAdvice | None:
    """What going on with both drives would bring; None where they are not read as one task."""
    if task is None or kept is not None:
        return None
    if not rest:  # then what is missing beyond the wishes is no matter of the advice
        return _task_advice(bench, lanes, task)
    alike = None if task.is_whole else task.alike
    return _task_advice(bench, lanes, task, _missing(_stores(lanes, kept), alike, waived_too=waived_too))


def _task_advice(
    bench: Bench, lanes: Sequence[_Lane], task: OneTask, missing_bytes: int | None = None
) -> TaskAdvice | None:
    """What was advised last of the drives that are still read, for both together; None where each is read
    for itself."""
    if task.is_whole:
        return None
    given = {lane.drive.bay: lane.drive.reading.advice for lane in lanes if not lane.has_left}
    advised = {bay: one.given.last for bay, one in given.items() if one is not None}
    found = {bay: last for bay, last in advised.items() if last is not None}
    return task_advice(found, missing_bytes, bench.stakes)


def _advise_together(bench: Bench, lanes: Sequence[_Lane], task: OneTask) -> None:
    """Has what is advised for one drive told with what both bring together, once that is known of both."""

    def words() -> str:
        found = _task_advice(bench, lanes, task)
        return "" if found is None or len(found.dies) < len(lanes) else task_words(found)

    for lane in lanes:
        if lane.drive.reading.advice is not None:
            lane.drive.reading.advice.besides = words


def _finish(bench: Bench, number: int, lanes: Sequence[_Lane]) -> tuple[ReadResult, ...]:
    """Sums up what was read of every drive and notes it; then what one of them came to grief over goes on."""
    left = [lane.drive.reading.picker.left() for lane in lanes]
    for lane, its in zip(lanes, left, strict=True):
        ending = lane.ending if lane.gone is None else Ending.of(lane.gone)
        lane.result = finish(bench, number, lane.drive, ending, its, lane.gone, only_wanted=lane.only_wanted)
    for lane in lanes:
        if lane.gone is not None:
            raise lane.gone
    return tuple(lane.result for lane in lanes if lane.result is not None)


@contextmanager
def _summed_up(
    bench: Bench,
    number: int,
    lanes: Sequence[_Lane],
    broken_off: _BrokenOff,
) -> Iterator[None]:
    """Sums up and notes what was read of every drive also where an error or a stop ends the reading. What one
    drive came to grief over is noted of that drive alone."""
    try:
        yield
    except MendbayError as trouble:
        of_one = any(trouble is lane.gone for lane in lanes)
        for lane in lanes:
            if lane.result is not None:
                continue
            drive, left = lane.drive, lane.drive.reading.picker.left()
            its = lane.gone or (None if of_one else trouble)
            if its is None:
                with suppress(MendbayError):
                    ending, only = Ending.BROKEN_OFF, lane.only_wanted
                    lane.result = finish(bench, number, drive, ending, left, only_wanted=only)
            else:
                only = lane.only_wanted
                lane.result = finish_broken_off(bench, number, drive, its, left, only_wanted=only)
        broken_off([lane.result for lane in lanes if lane.result is not None], of_one=of_one)
        raise


def _volume_of(
    bench: Bench, number: int, lanes: Sequence[_Lane], kept: KeptHalf | None, *, both_whole: bool
) -> tuple[OpenVolume, KeptHalf | None]:
    """The volume on the drives; where there is none because a drive failed meanwhile, that is told.

    Args:
        kept: the image of a drive that is not read, which is asked before any drive.

    Returns:
        The volume, and `kept` if it could be put together with that.

    Raises:
        CannotAssemble, NoFileSystem: the drives make none.
        SourceError, DestinationError: what a drive or its image came to grief over.
    """
    for lane in lanes:
        say_asked_anew(bench, lane.drive)
    if not both_whole:
        _spare_what_the_other_gave(bench, number, lanes, kept)
    bench.tell(Said("Looking for the pair and its file system."))
    by_risk = sorted(lanes, key=lambda lane: lane.drive.hazard.per_hour)  # if nothing else decides, the first
    sources = {lane.drive.bay: lane.source for lane in by_risk}  # half is asked first
    if kept is not None:
        try:
            whole = {kept.bay: ImageSource(kept.store, kept.bay), **sources}
            return open_volume(whole), kept
        except (CannotAssemble, NoFileSystem) as nothing:
            bench.tell(Said(f"The image of bay {kept.bay} is left out: {nothing.what}"))
    try:
        return open_volume(sources), None
    except (CannotAssemble, NoFileSystem) as nothing:
        for lane in lanes:
            if lane.gone is not None:
                raise lane.gone from nothing
        raise


def _spare_what_the_other_gave(
    bench: Bench, number: int, lanes: Sequence[_Lane], kept: KeptHalf | None
) -> None:
    """Where the images say already that the drives are halves in step: what one has of what describes them is
    not asked of the other once more."""
    halves: list[OpenDrive | KeptHalf] = [lane.drive for lane in lanes]
    if kept is not None:
        halves.append(kept)
    alike = known_alike(bench, number, halves)
    if alike is None:
        return
    for side, lane in enumerate(lanes):
        other = halves[1 - side].store
        lane.held_elsewhere = partial(_held, alike, 1 - side, other)


def _held(alike: Alike, side: int, store: ImageStore) -> SpanSet:
    return alike.across(side, sound(store))


def _read(
    bench: Bench,
    lanes: Sequence[_Lane],
    task: OneTask | None,
    values: PairValues,
    said: ConditionsSaid,
    *,
    rest: bool,
    seconds: float | None,
) -> None:
    """Step by step, and again from what is wanted whenever that has changed meanwhile."""
    left = seconds
    changed = described = False
    while True:
        if not described:
            described = _describe(bench, lanes, task, values, said)
        _select(lanes, values)
        if changed:
            now = values.selected_words()
            bench.tell(Said(f"The wishes of the case have changed: what is wanted now ({now}) goes first."))
        if not described:
            described = _describe(bench, lanes, task, values, said)
        step = _Step(Phase.WANTED, _Values(values.of_wanted()))
        changed = _together(bench, lanes, task, step, values, said)
        if not changed and rest:
            bench.tell(Said(_before_the_rest(values)))
            begun = _read_seconds(bench, lanes)
            step = _Step(Phase.REST, _Values(values.of_everything()), rest=True, seconds=left)
            changed = _together(bench, lanes, task, step, values, said)
            if left is not None:
                left = max(0.0, left - (_read_seconds(bench, lanes) - begun))
        if not changed:
            return


def _read_seconds(bench: Bench, lanes: Sequence[_Lane]) -> float:
    """A clock without the time in which the drives rested, which they do together."""
    return bench.clock.steady_seconds() - max(lane.drive.reading.rested_seconds for lane in lanes)


def _before_the_rest(values: PairValues) -> str:
    if not values.wishes.now:
        return "Nothing is said to be wanted first; reading the rest."
    if values.selected_files() or METADATA in values.wishes.now:
        return "What is wanted has been tried; reading the rest."
    return "No file matches what is wanted first; reading the rest."


def _describe(
    bench: Bench, lanes: Sequence[_Lane], task: OneTask | None, values: PairValues, said: ConditionsSaid
) -> bool:
    """Reads what describes the files, if it is known; whether it was."""
    if values.descriptions:
        step = _Step(Phase.DESCRIPTION, _Values(values.of_descriptions()))
        _together(bench, lanes, task, step, values, said)
    return bool(values.descriptions)


def _select(lanes: Sequence[_Lane], values: PairValues) -> None:
    """Looks for what is wanted; again if a drive failed or got too hot over it: the other then gives what it
    was spared."""
    before = [lane.has_left for lane in lanes]
    values.select()
    if [lane.has_left for lane in lanes] != before:
        values.select()


def _together(
    bench: Bench,
    lanes: Sequence[_Lane],
    task: OneTask | None,
    step: _Step,
    values: PairValues,
    said: ConditionsSaid,
) -> bool:
    """Does a step on all drives at the same time, and goes on with it by what is said anew of one of them.

    Returns:
        Whether it was left off because something else is wanted.
    """
    left = step.seconds
    while True:
        begun = _read_seconds(bench, lanes)
        wished = _until_something_changes(bench, lanes, task, step, values, said)
        fresh = said.take()
        if fresh:
            _take_conditions(bench, lanes, task, fresh)
        if wished or not fresh:
            return wished
        if left is not None:
            left = max(0.0, left - (_read_seconds(bench, lanes) - begun))
        step = replace(step, seconds=left, pause=threading.Event())


def _take_conditions(
    bench: Bench, lanes: Sequence[_Lane], task: OneTask | None, fresh: Mapping[str, DriveCondition]
) -> None:
    """Has drives read by what is said of them now; no read may be under way. A half of which only the image
    is there runs no hazard of its own."""
    for lane in lanes:
        if lane.drive.bay in fresh:
            lane.drive = lane.drive.read_as(bench, fresh[lane.drive.bay])
    if task is None:
        return
    hazards = {lane.drive.bay: lane.drive.hazard.per_hour / 3600 for lane in lanes}
    first, second = (hazards.get(bay, lanes[0].drive.hazard.per_hour / 3600) for bay in task.bays)
    task.risk((first, second))
    spared = "" if task.is_whole or len(lanes) < 2 else spared_words(task.bays, (first, second))
    if spared:
        bench.tell(Said(spared))


def _until_something_changes(
    bench: Bench,
    lanes: Sequence[_Lane],
    task: OneTask | None,
    step: _Step,
    values: PairValues,
    said: ConditionsSaid,
) -> bool:
    """Does a step on all drives at the same time, each in a thread of its own, until it is done, or something
    else is wanted, or said of a drive. Nothing is looked for while the drives rest.

    Returns:
        Whether it was left off because something else is wanted.
    """
    wished = False
    if task is not None:
        wants = (step.values.of(task.bays[0]), step.values.of(task.bays[1]))
        gone = [lane.drive.bay for lane in lanes if lane.has_left]
        task.begin(wants, WEIGHT_REST if step.rest else 0.0, gone)
    with ThreadPoolExecutor(len(lanes), "drive") as threads:
        running = [threads.submit(lane.read, step) for lane in lanes]
        try:
            while wait(running, LOOK_SECONDS).not_done:
                if step.pause.is_set() or bench.hold():
                    continue
                wished = step.phase is not Phase.DESCRIPTION and values.wishes.changed()
                if said.changed() or wished:
                    step.pause.set()
        except BaseException as trouble:
            step.pause.set()  # nobody looks any more: the drives leave off after the read under way
            if isinstance(trouble, KeyboardInterrupt):  # or, where a person waits no longer, at once
                for lane in lanes:
                    lane.drive.reader.break_off()
            raise
        for one in running:
            one.result()
    if any(lane.ending is Ending.STOPPED for lane in lanes):
        raise Interrupted(
            "Stopped; everything read so far is kept.", "Order the same again; it goes on from here."
        )
    return wished


def _waive(bench: Bench, lanes: Sequence[_Lane], values: PairValues) -> None:
    """Notes what is free on each drive as left on purpose; it is not read from now on."""
    free = values.unallocated()
    if free is None:
        bench.tell(Said("The file system does not tell what is free: nothing is waived."))
        return
    for lane in lanes:
        spans = free.get(lane.drive.bay, SpanSet()) & lane.drive.store.coverage().unread
        lane.drive.store.waive(spans)
        lane.drive.reading.planner.waive(spans.narrow(lane.drive.reading.unit_bytes))


def _missing(stores: Mapping[str, ImageStore], alike: Alike | None, *, waived_too: bool) -> int:
    """How many bytes no drive gave though one might have; those waived count if they were asked for.

    Args:
        alike: what the two drives hold alike, each place of which counts once.
    """
    total = 0
    seen = SpanSet()
    each = list(stores.values())
    for side, store in enumerate(each):
        coverage = store.coverage()
        lacks = coverage.read.complement(Span(0, coverage.size_bytes))
        if not waived_too:
            lacks = lacks - coverage.waived
        if alike is not None:
            lacks = lacks - alike.across(1 - side, sound(each[1 - side]))
            if side == 1:
                lacks = lacks - alike.across(0, seen)
        seen = lacks
        total += lacks.total_bytes
    return total


def _given_alone(stores: Mapping[str, ImageStore], alike: Alike) -> int:
    """How many bytes one of two halves gave and the other lacks."""
    total = 0
    each = list(stores.values())
    for side, store in enumerate(each):
        coverage = store.coverage()
        lacks = coverage.read.complement(Span(0, coverage.size_bytes))
        total += (lacks & alike.across(1 - side, sound(each[1 - side]))).total_bytes
    return total


def _refuse_wrong(bench: Bench, number: int, drives: Sequence[DriveAt], although: Although) -> None:
    """Refuses a drive that is not that of its bay, before anything is begun of the other."""
    for drive in drives:
        found = bench.drives.look(drive.where)
        require_bays_drive(bench, number, drive.bay, drive.where, found, although)


def _for_threads(bench: Bench) -> Bench:
    """The bench with what reaches the person made safe for several threads: one says and one asks at a time.
    Bringing a drive back may take minutes: what the other drive says does not wait for it."""
    lock, asking = threading.RLock(), threading.RLock()

    def tell(event: Event) -> None:
        with lock:
            bench.tell(event)

    def power_cycle(bay: str) -> bool:
        with asking:
            return not bench.stop() and bench.power_cycle(bay)

    return replace(bench, tell=tell, power_cycle=power_cycle)
