"""Read the drives of a case together: descriptions first, then what is wanted, then the rest.

The file system is opened through the images being made, so that every sector it touches is kept. What it
says about the wanted files is mapped down through volume and pair to ranges on each drive, and these are
read before anything else. The halves of a mirror in step are read as one task, each place from one of them
(docs/decisions/0094); other drives each for itself, all at the same time.
"""

from __future__ import annotations

import os
import threading
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, wait
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from functools import partial

from mendbay.core.errors import CannotAssemble, Interrupted, MendbayError, NoFileSystem, UsageError
from mendbay.core.span import Span, SpanSet
from mendbay.files.verdict import Verdict
from mendbay.imaging.alike import Alike
from mendbay.imaging.image_source import ImageSource
from mendbay.imaging.layout import Want
from mendbay.imaging.values import WEIGHT_REST
from mendbay.jobs.bench import Bench
from mendbay.jobs.drive_reading import Ending
from mendbay.jobs.events import Event, Phase, Said
from mendbay.jobs.list_files import FileLine
from mendbay.jobs.one_task import Compared, OneTask
from mendbay.jobs.other_half import found_differing, sound
from mendbay.jobs.pair_values import PairValues, Wishes
from mendbay.jobs.ports import ImageStore
from mendbay.jobs.power_permit import AGAINST_NOTHING, Although, require_power
from mendbay.jobs.read_drive import DriveAt, OpenDrive, ReadResult, finish, opened, say_asked_anew
from mendbay.jobs.share_mirror import known_alike, note_compared, plan_together, shared_task
from mendbay.jobs.task_advice import TaskAdvice, task_advice, task_words
from mendbay.jobs.volume import OpenVolume, open_volume
from mendbay.pair.assemble import Assembled
from mendbay.pair.volume import Level

LOOK_SECONDS = 2.0
"""How often the case is looked at for other wishes while its drives are read."""


@dataclass(frozen=True, slots=True)
class PairResult:
    """What reading the drives together came to.

    `wanted` are the files asked for with their verdicts as they are now; `wanted_bytes` how many bytes of
    each bay's drive were read first for their sake. `compared` is None unless the drives were read as one
    task. `missing_bytes` are those that no drive gave though one might have, each place once; what was waived
    is not among them. `advice` is what going on with both would bring; None where nothing is left to try, or
    the drives were read each for itself.
    """

    assembled: Assembled
    drives: tuple[ReadResult, ...]
    wanted: tuple[FileLine, ...]
    wanted_bytes: Mapping[str, int]
    compared: Compared | None = None
    missing_bytes: int = 0
    advice: TaskAdvice | None = None

    @property
    def verdicts(self) -> Counter[Verdict]:
        """The wanted files of each verdict."""
        return Counter(line.judgement.verdict for line in self.wanted if line.judgement is not None)


class _Lane:
    """One drive under way. Once it has come to grief, or got too hot, the others go on without it."""

    def __init__(self, bench: Bench, drive: OpenDrive) -> None:
        self._tell = bench.tell
        self.drive = drive
        self.gone: MendbayError | None = None
        self.ending = Ending.DONE
        self.task: OneTask | None = None
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

        goes_on = False
        try:
            self._while_there(run)
            goes_on = not self.has_left
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
) -> PairResult:
    """Reads the drives of one case together.

    Args:
        drives: one for each bay at hand, usually two.
        patterns: what is wanted first (see `files.wanted`); the case's own wishes if empty. Those may change
            while the drives are read: then what is wanted now goes first.
        rest: whether to go on with everything else afterwards.
        seconds: how long the rest may take; None: until nothing is left to try.
        both_whole: read both halves of a mirror whole, instead of each place from one of them.
        waive_unallocated: leave what the file system says is free; else what was left before is read too.
        although: why they are read where the customer or triage is against power.

    Raises:
        HeldBack: the customer refused power or reading, or triage keeps one of the drives without it.
        CannotAssemble, NoFileSystem: the drives make no volume; what was read of them is kept.
        SourceError, DestinationError: one of the drives or its image failed (it vanished, another drive came
            back, the disk is full), after the others were read; or nothing was begun.
        ForeignImage, DamagedCheckpoint: nothing was begun.
        Interrupted: stopped by hand; everything read is kept.
    """
    if len({drive.bay for drive in drives}) != len(drives):
        raise UsageError("Two drives were given for one bay.", "Give each bay once.")
    require_power(bench, number, [drive.bay for drive in drives], although, reading=True)
    wishes = Wishes(bench, number, tuple(patterns))
    bench = _for_threads(bench)
    with ExitStack() as stack:
        _refuse_same(bench, drives)
        lanes = [_Lane(bench, stack.enter_context(opened(bench, number, drive))) for drive in drives]
        for lane in lanes:
            say_asked_anew(bench, lane.drive)
        if not both_whole and len(lanes) == 2:
            _spare_what_the_other_gave(bench, number, lanes)
        bench.tell(Said("Looking for the pair and its file system."))
        volume = _volume_of(lanes)
        opened_drives, sources = [lane.drive for lane in lanes], {one.drive.bay: one.source for one in lanes}
        if not both_whole:
            plan_together(opened_drives, sources, volume)
        values = PairValues(volume, wishes)
        may_share = not both_whole and volume.assembled.level is Level.MIRROR
        if rest or may_share:  # what both halves say of the files is compared first
            values.take_descriptions()
        if waive_unallocated:
            _waive(bench, lanes, values)
        else:
            for lane in lanes:
                lane.drive.reading.planner.take_up_waived()
        task = None
        if not both_whole:
            task = shared_task(bench, number, opened_drives, sources, volume, values.descriptions)
        for lane in lanes:
            lane.task = task
        if task is not None:
            _advise_together(lanes, task)
        try:
            _read(bench, lanes, task, values, rest=rest, seconds=seconds)
        finally:
            if task is not None:
                note_compared(bench, number, task)
        missing = _missing(lanes, task, waived_too=not waive_unallocated)
        advice = None if task is None else _task_advice(lanes, task, missing)
        left = {lane.drive.bay: lane.drive.reading.picker.left() for lane in lanes}
        results = tuple(
            finish(bench, number, lane.drive, lane.ending, left[lane.drive.bay]) for lane in lanes
        )
        if advice is not None:
            bench.note(number, "imaging", task_words(advice))
        for lane in lanes:
            if lane.gone is not None:
                raise lane.gone
        return PairResult(
            volume.assembled,
            results,
            values.judged(halves_differ=bool(found_differing(bench, number))),
            {lane.drive.bay: values.asked_bytes(lane.drive.bay) for lane in lanes},
            None if task is None else task.compared,
            missing,
            advice,
        )


def _task_advice(
    lanes: Sequence[_Lane], task: OneTask, missing_bytes: int | None = None
) -> TaskAdvice | None:
    """What was advised last of the drives that are still read, for both together; None where each is read
    for itself."""
    if task.is_whole:
        return None
    given = {lane.drive.bay: lane.drive.reading.advice for lane in lanes if not lane.has_left}
    advised = {bay: one.given.last for bay, one in given.items() if one is not None}
    return task_advice({bay: last for bay, last in advised.items() if last is not None}, missing_bytes)


def _advise_together(lanes: Sequence[_Lane], task: OneTask) -> None:
    """Has what is advised for one drive told with what both bring together, once that is known of both."""

    def words() -> str:
        found = _task_advice(lanes, task)
        return "" if found is None or len(found.dies) < len(lanes) else task_words(found)

    for lane in lanes:
        if lane.drive.reading.advice is not None:
            lane.drive.reading.advice.besides = words


def _volume_of(lanes: Sequence[_Lane]) -> OpenVolume:
    """The volume on the drives; where there is none because a drive failed meanwhile, that is told."""
    by_risk = sorted(lanes, key=lambda lane: lane.drive.hazard.per_hour)  # if nothing else decides, the first
    try:  # half is asked first
        return open_volume({lane.drive.bay: lane.source for lane in by_risk})
    except (CannotAssemble, NoFileSystem) as nothing:
        for lane in lanes:
            if lane.gone is not None:
                raise lane.gone from nothing
        raise


def _spare_what_the_other_gave(bench: Bench, number: int, lanes: Sequence[_Lane]) -> None:
    """Where the images say already that the drives are halves in step: what one has of what describes them is
    not asked of the other once more."""
    alike = known_alike(bench, number, [lane.drive for lane in lanes])
    if alike is None:
        return
    for side, lane in enumerate(lanes):
        other = lanes[1 - side].drive.store
        lane.held_elsewhere = partial(_held, alike, 1 - side, other)


def _held(alike: Alike, side: int, store: ImageStore) -> SpanSet:
    return alike.across(side, sound(store))


def _read(
    bench: Bench,
    lanes: Sequence[_Lane],
    task: OneTask | None,
    values: PairValues,
    *,
    rest: bool,
    seconds: float | None,
) -> None:
    """Step by step, and again from what is wanted whenever that has changed meanwhile."""
    left = seconds
    changed = described = False
    while True:
        if not described:
            described = _describe(bench, lanes, task, values)
        _select(lanes, values)
        if changed:
            now = values.selected_words()
            bench.tell(Said(f"The wishes of the case have changed: what is wanted now ({now}) goes first."))
        if not described:
            described = _describe(bench, lanes, task, values)
        step = _Step(Phase.WANTED, _Values(values.of_wanted()))
        changed = _together(bench, lanes, task, step, values)
        if not changed and rest:
            bench.tell(Said("What is wanted has been tried; reading the rest."))
            begun = bench.clock.steady_seconds()
            step = _Step(Phase.REST, _Values(values.of_everything()), rest=True, seconds=left)
            changed = _together(bench, lanes, task, step, values)
            if left is not None:
                left = max(0.0, left - (bench.clock.steady_seconds() - begun))
        if not changed:
            return


def _describe(bench: Bench, lanes: Sequence[_Lane], task: OneTask | None, values: PairValues) -> bool:
    """Reads what describes the files, if it is known; whether it was."""
    if values.descriptions:
        _together(bench, lanes, task, _Step(Phase.DESCRIPTION, _Values(values.of_descriptions())), values)
    return bool(values.descriptions)


def _select(lanes: Sequence[_Lane], values: PairValues) -> None:
    """Looks for what is wanted; again if a drive failed or got too hot over it: the other then gives what it
    was spared."""
    before = [lane.has_left for lane in lanes]
    values.select()
    if [lane.has_left for lane in lanes] != before:
        values.select()


def _together(
    bench: Bench, lanes: Sequence[_Lane], task: OneTask | None, step: _Step, values: PairValues
) -> bool:
    """Does a step on all drives at the same time, each in a thread of its own.

    Returns:
        Whether it was left off because something else is wanted.
    """
    if task is not None:
        wants = (step.values.of(task.bays[0]), step.values.of(task.bays[1]))
        gone = [lane.drive.bay for lane in lanes if lane.has_left]
        task.begin(wants, WEIGHT_REST if step.rest else 0.0, gone)
    with ThreadPoolExecutor(len(lanes), "drive") as threads:
        running = [threads.submit(lane.read, step) for lane in lanes]
        try:
            while wait(running, LOOK_SECONDS).not_done:
                if (
                    step.phase is not Phase.DESCRIPTION
                    and not step.pause.is_set()
                    and values.wishes.changed()
                ):
                    step.pause.set()
        except BaseException:
            step.pause.set()  # nobody looks any more: the drives leave off after the read under way
            raise
        for one in running:
            one.result()
    if any(lane.ending is Ending.STOPPED for lane in lanes):
        raise Interrupted(
            "Stopped; everything read so far is kept.", "Run the same command again; it goes on from here."
        )
    return step.pause.is_set()


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


def _missing(lanes: Sequence[_Lane], task: OneTask | None, *, waived_too: bool) -> int:
    """How many bytes no drive gave though one might have; those waived count if they were asked for."""
    total = 0
    seen = SpanSet()
    for side, lane in enumerate(lanes):
        coverage = lane.drive.store.coverage()
        lacks = coverage.read.complement(Span(0, coverage.size_bytes))
        if not waived_too:
            lacks = lacks - coverage.waived
        if task is not None and not task.is_whole:
            lacks = lacks - task.alike.across(1 - side, sound(lanes[1 - side].drive.store))
            if side == 1:
                lacks = lacks - task.alike.across(0, seen)
        seen = lacks
        total += lacks.total_bytes
    return total


def _refuse_same(bench: Bench, drives: Sequence[DriveAt]) -> None:
    """One drive given for two bays would be read twice and taken for a mirror of itself."""
    seen: dict[str, str] = {}
    for drive in drives:
        name = os.path.realpath(bench.drives.look(drive.where).name)
        if name in seen:
            raise UsageError(
                f"Bay {seen[name]} and bay {drive.bay} are given the same drive, {name}.",
                "Name the drive of each bay; leave out a bay whose drive is not at hand.",
            )
        seen[name] = drive.bay


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
