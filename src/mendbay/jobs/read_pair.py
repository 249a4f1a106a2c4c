"""Read the drives of a case together: descriptions first, then what is wanted, then the rest.

The file system is opened through the images being made, so that every sector it touches is kept. What it
says about the wanted files is mapped down through volume and pair to ranges on each drive, and these are
read before anything else.
"""

from __future__ import annotations

import os
import threading
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, replace

from mendbay.core.errors import DriveVanished, Interrupted, UsageError
from mendbay.core.span import SpanSet
from mendbay.files.tree import Kind
from mendbay.files.verdict import Verdict
from mendbay.files.wanted import METADATA, ranges_of, select
from mendbay.imaging.image_source import ImageSource
from mendbay.jobs.bench import Bench
from mendbay.jobs.drive_reading import Ending
from mendbay.jobs.events import Event, Phase, Said
from mendbay.jobs.list_files import FileLine, judged
from mendbay.jobs.power_permit import AGAINST_NOTHING, Although, require_power
from mendbay.jobs.read_drive import DriveAt, OpenDrive, ReadResult, finish, opened, say_asked_anew
from mendbay.jobs.volume import OpenVolume, open_volume
from mendbay.pair.assemble import Assembled


@dataclass(frozen=True, slots=True)
class PairResult:
    """What reading the drives together came to.

    `wanted` are the files asked for with their verdicts as they are now; `wanted_bytes` how many bytes of
    each bay's drive were read first for their sake.
    """

    assembled: Assembled
    drives: tuple[ReadResult, ...]
    wanted: tuple[FileLine, ...]
    wanted_bytes: Mapping[str, int]

    @property
    def verdicts(self) -> Counter[Verdict]:
        """The wanted files of each verdict."""
        return Counter(line.judgement.verdict for line in self.wanted if line.judgement is not None)


class _Lane:
    """One drive under way. Once it has vanished for good the others go on without it."""

    def __init__(self, bench: Bench, drive: OpenDrive) -> None:
        self._tell = bench.tell
        self.drive = drive
        self.gone: DriveVanished | None = None
        self.ending = Ending.DONE
        self.source = ImageSource(drive.store, drive.bay, self._fetch)

    def _fetch(self, spans: SpanSet) -> None:
        self._while_there(lambda: self.drive.reading.fetch(spans))

    def read(self, wanted: Sequence[SpanSet], *, phase: Phase, rest: bool, seconds: float | None) -> None:
        def run() -> None:
            self.ending = self.drive.reading.run(wanted, rest=rest, seconds=seconds, phase=phase)

        self._while_there(run)

    def _while_there(self, do: Callable[[], None]) -> None:
        if self.gone is not None:
            return
        try:
            do()
        except DriveVanished as trouble:
            self.gone = trouble
            self._tell(Said(f"{trouble.what} The other drives are read on."))


def read_pair(
    bench: Bench,
    number: int,
    drives: Sequence[DriveAt],
    patterns: Sequence[str] = (),
    *,
    rest: bool = True,
    seconds: float | None = None,
    although: Although = AGAINST_NOTHING,
) -> PairResult:
    """Reads the drives of one case together.

    Args:
        drives: one for each bay at hand, usually two.
        patterns: what is wanted first (see `files.wanted`); the case's own wishes if empty.
        rest: whether to go on with everything else afterwards.
        seconds: how long the rest may take; None: until nothing is left to try.
        although: why they are read where the customer or triage is against power.

    Raises:
        HeldBack: the customer refused power or reading, or triage keeps one of the drives without it.
        CannotAssemble, NoFileSystem: the drives make no volume; what was read of them is kept.
        DriveVanished: one of them is gone, after the others were read.
        Interrupted: stopped by hand; everything read is kept.
        SourceError, DestinationError, ForeignImage, DamagedCheckpoint: nothing was begun.
    """
    if len({drive.bay for drive in drives}) != len(drives):
        raise UsageError("Two drives were given for one bay.", "Give each bay once.")
    require_power(bench, number, [drive.bay for drive in drives], although, reading=True)
    wishes = tuple(patterns) or bench.ledger.case(number).wanted
    bench = _for_threads(bench)
    with ExitStack() as stack:
        _refuse_same(bench, drives)
        lanes = [_Lane(bench, stack.enter_context(opened(bench, number, drive))) for drive in drives]
        for lane in lanes:
            say_asked_anew(bench, lane.drive)
        bench.tell(Said("Looking for the pair and its file system."))
        volume = open_volume({lane.drive.bay: lane.source for lane in lanes})
        first = _read_descriptions(bench, volume, lanes) if METADATA in wishes else {}
        named = [wish for wish in wishes if wish != METADATA]
        tree = (one for one in volume.system.walk() if one.path) if named else ()  # a walk reads the drives
        chosen = select(tree, wishes)
        wanted = volume.system.source.needs(ranges_of(volume.system, chosen.entries))
        _read_first(bench, lanes, wanted, Phase.WANTED)
        if rest:
            bench.tell(Said("What is wanted has been tried; reading the rest."))
            _read_rest(bench, lanes, wanted, seconds)
        lines = tuple(judged(volume, one) for one in chosen.entries if one.kind is Kind.FILE)
        results = tuple(finish(bench, number, lane.drive, lane.ending) for lane in lanes)
        for lane in lanes:
            if lane.gone is not None:
                raise lane.gone
        asked = {lane.drive.bay: _asked(lane.drive.bay, first, wanted) for lane in lanes}
        return PairResult(volume.assembled, results, lines, asked)


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


def _read_descriptions(bench: Bench, volume: OpenVolume, lanes: Sequence[_Lane]) -> Mapping[str, SpanSet]:
    needs = volume.system.source.needs(volume.system.metadata())
    _read_first(bench, lanes, needs, Phase.DESCRIPTION)
    return needs


def _read_first(bench: Bench, lanes: Sequence[_Lane], needs: Mapping[str, SpanSet], phase: Phase) -> None:
    """Reads ranges on every drive and nothing else."""
    for lane in lanes:
        spans = needs.get(lane.drive.bay, SpanSet())
        if spans:
            lane.read([spans], phase=phase, rest=False, seconds=None)
        if lane.ending is Ending.STOPPED:
            raise _stopped()


def _read_rest(
    bench: Bench, lanes: Sequence[_Lane], wanted: Mapping[str, SpanSet], seconds: float | None
) -> None:
    """Reads everything else, all drives at the same time, each in a thread of its own."""
    with ThreadPoolExecutor(len(lanes), "drive") as threads:
        running = [
            threads.submit(
                lane.read,
                [wanted.get(lane.drive.bay, SpanSet())],
                phase=Phase.REST,
                rest=True,
                seconds=seconds,
            )
            for lane in lanes
        ]
        for one in running:
            one.result()
    if any(lane.ending is Ending.STOPPED for lane in lanes):
        raise _stopped()


def _asked(bay: str, first: Mapping[str, SpanSet], wanted: Mapping[str, SpanSet]) -> int:
    return (first.get(bay, SpanSet()) | wanted.get(bay, SpanSet())).total_bytes


def _stopped() -> Interrupted:
    return Interrupted(
        "Stopped; everything read so far is kept.", "Run the same command again; it goes on from here."
    )


def _for_threads(bench: Bench) -> Bench:
    """The bench with what reaches the person made safe for several threads: one says or asks at a time."""
    lock = threading.RLock()

    def tell(event: Event) -> None:
        with lock:
            bench.tell(event)

    def power_cycle(bay: str) -> bool:
        with lock:
            return not bench.stop() and bench.power_cycle(bay)

    return replace(bench, tell=tell, power_cycle=power_cycle)
