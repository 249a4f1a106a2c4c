"""List what is on a case's volume, as far as it was read, with a verdict for each file."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from mendbay.core.errors import NothingWanted
from mendbay.core.quantity import grouped_bytes
from mendbay.core.source import Mark, Origin, Outlook
from mendbay.core.span import Span
from mendbay.files.tree import Entry, FileSystem, Kind, Layout, VolumeFacts
from mendbay.files.verdict import Judgement, Verdict, file_outlook, file_readings, judge
from mendbay.files.wanted import matcher
from mendbay.handback.names import shown
from mendbay.jobs.bench import Bench
from mendbay.jobs.events import StepProgress
from mendbay.jobs.files_seen import note_files
from mendbay.jobs.halves_apart import mapped, noted_apart, one_half_alone
from mendbay.jobs.halves_compared import apart_in, note_seen, open_case_volume, uncompared_bytes
from mendbay.jobs.looks import remember
from mendbay.jobs.other_half import left_to_other
from mendbay.jobs.ports import ImageStore
from mendbay.jobs.volume import OpenVolume, case_images, sources_of
from mendbay.pair.assemble import Assembled

READING = "reading the file"


@dataclass(frozen=True, slots=True)
class FileLine:
    """One entry of a listing. Only files have a judgement."""

    entry: Entry
    judgement: Judgement | None


@dataclass(frozen=True, slots=True)
class Listing:
    """What is on a volume. `verdicts` counts the files of each verdict. `hidden` are sentences on what may
    hide further files (a list of names that is damaged or not read); `unread` is, by bay, how many bytes
    have never been asked for; what the other half of a mirror gave is not counted. `uncompared_bytes` were
    given by both halves of a mirror and not compared; 0 if most were."""

    facts: VolumeFacts
    assembled: Assembled
    lines: tuple[FileLine, ...]
    hidden: tuple[str, ...] = ()
    unread: Mapping[str, int] = field(default_factory=dict)
    uncompared_bytes: int = 0

    @property
    def verdicts(self) -> Counter[Verdict]:
        return Counter(line.judgement.verdict for line in self.lines if line.judgement is not None)


@dataclass(frozen=True, slots=True)
class Piece:
    """Where a range of a file came from: bay and place on its drive, run, adapter."""

    origin: Origin
    run: int
    adapter: str


@dataclass(frozen=True, slots=True)
class FileDetail:
    """Everything known of one file: verdict, layout, and the thread of evidence for its bytes."""

    line: FileLine
    layout: Layout
    pieces: tuple[Piece, ...]


def list_files(
    bench: Bench,
    number: int,
    patterns: Sequence[str] = (),
    *,
    nameless: bool = False,
    bays: Sequence[str] = (),
) -> Listing:
    """The entries that match any of the patterns (all without one), judged by what was read so far.

    Args:
        nameless: also search for files that no folder leads to any more.
        bays: look at the drives of these alone; at all without one.
    """
    case = bench.ledger.case(number)
    with case_images(bench, case, bays) as stores:
        volume = open_case_volume(bench, number, sources_of(stores))
        test = matcher(patterns) if patterns else None
        everything, lines = _walked(volume, test, nameless=nameless)
        coverages = {bay: store.coverage() for bay, store in stores.items()}
        left = left_to_other(sources_of(stores), stores, volume)
        unread = {bay: (one.unread - left[bay]).total_bytes for bay, one in coverages.items()}
        hidden = tuple(folder_problems(everything))
        if test is None and not bays:
            lost = any(one.judgement is not None and one.judgement.verdict is Verdict.LOST for one in lines)
            note_look(bench, number, lost=lost, hidden=hidden, unread=unread)
            note_files(bench, number, Counter(str(one.judgement.verdict) for one in lines if one.judgement))
        uncompared = uncompared_bytes(bench, number, volume)
        return Listing(volume.system.facts, volume.assembled, lines, hidden, unread, uncompared)


def _walked(
    volume: OpenVolume, test: Callable[[bytes], bool] | None, *, nameless: bool
) -> tuple[list[Entry], tuple[FileLine, ...]]:
    """Every entry, and lines for those that are asked for, each judged as soon as it is given: what is known
    of it is at hand then."""
    everything, lines = [], []
    for entry in volume.system.walk(nameless=nameless):
        everything.append(entry)
        if entry.path and (test is None or test(entry.path)):
            lines.append(judged(volume, entry))
    return everything, tuple(lines)


def note_look(
    bench: Bench, case: int, *, lost: bool, hidden: Sequence[str], unread: Mapping[str, int]
) -> None:
    """Remembers what the file system is like after all its files were judged. Damage is told from what is
    merely unread only once all is read.

    Args:
        lost: a file of it is.
        hidden, unread: as in `Listing`.
    """
    answer, words = "", "The images do not tell yet whether the file system is damaged."
    if not hidden and not lost:
        answer, words = "whole", "The file system on the images reads well."
    elif not any(unread.values()):
        answer, words = "damaged", "The file system on the images is damaged."
    remember(bench, case, "files-found", answer, words)


def folder_problems(entries: Iterable[Entry]) -> Iterator[str]:
    """What is wrong with folders, in sentences: a damaged list of names can hide files."""
    for one in entries:
        if one.kind is Kind.FOLDER:
            name = shown(one.path) or "at the top"
            yield from (f"Folder {name}: {problem}." for problem in one.problems)


def link_problems(entries: Iterable[Entry]) -> Iterator[str]:
    """What is wrong with links whose target is known all the same, in sentences: it may be an older one."""
    for one in entries:
        if one.kind is Kind.LINK and one.link_target is not None:
            name = one.path.decode("utf-8", "backslashreplace")
            yield from (f"Link {name}: {problem}." for problem in one.problems)


def show_file(bench: Bench, number: int, path: bytes, bays: Sequence[str] = ()) -> FileDetail:
    """One file with the thread of evidence for its bytes. They are read: held against the digests noted when
    the drives gave them and, where the halves of a mirror are in step, compared with those of the other half;
    what is found to differ is noted.

    Raises:
        NothingWanted: there is no such path.
    """
    case = bench.ledger.case(number)
    with case_images(bench, case, bays) as stores:
        volume = open_case_volume(bench, number, sources_of(stores, check=True))
        entry = entry_at(volume.system, number, path)
        layout = volume.system.layout(entry)
        pieces = tuple(trace(volume.system, layout, stores, adapters_of(stores)))
        for part in file_readings(volume.system.source, layout):  # each piece is held against its digest
            bench.tell(StepProgress(READING, part.span.stop, layout.size_bytes, in_bytes=True))
        here = mapped(layout)
        volume = note_seen(bench, number, volume, here, apart_in(volume.assembled, here))
        return FileDetail(judged(volume, entry), layout, pieces)


def look_at_file(bench: Bench, number: int, path: bytes, bays: Sequence[str] = ()) -> FileDetail:
    """The same without reading it: quick however large it is, nothing is noted, and what only reading can
    tell (bytes that are no longer what the drive gave, halves that differ) is told as far as it is known.

    Raises:
        NothingWanted: there is no such path.
    """
    case = bench.ledger.case(number)
    with case_images(bench, case, bays) as stores:
        volume = open_case_volume(bench, number, sources_of(stores))
        entry = entry_at(volume.system, number, path)
        layout = volume.system.layout(entry)
        pieces = tuple(trace(volume.system, layout, stores, adapters_of(stores)))
        return FileDetail(judged(volume, entry), layout, pieces)


def told_reasons(detail: FileDetail) -> tuple[str, ...]:
    """The reasons of a file's verdict with its numbers of bytes in groups of three, and with the bay of the
    half that a reason speaks of."""
    judgement = detail.line.judgement
    if judgement is None:
        return ()
    marks = (Mark.OTHER_HALF, Mark.POSSIBLY_OLDER)
    bays = sorted({one.origin.bay for one in detail.pieces if one.origin.mark in marks})
    halves = re.compile(r"the (?:other half of the mirror|half that fell behind)")
    where = f" (bay {', '.join(bays)})" if bays else ""
    return tuple(
        halves.sub(lambda found: f"{found[0]}{where}", grouped_bytes(one), count=1)
        for one in judgement.reasons
    )


def entry_at(system: FileSystem, number: int, path: bytes) -> Entry:
    """The entry at a path on the volume of case `number`: by its folders, or, where only that can tell, by a
    walk over everything.

    Raises:
        NothingWanted: there is no such path.
    """
    wanted = path.strip(b"/")
    entry = system.find(wanted)
    if entry is None:
        entry = next((one for one in system.walk(nameless=True) if one.path == wanted), None)
    if entry is None:
        raise NothingWanted(
            f"There is nothing at {path.decode('utf-8', 'backslashreplace')} on the volume of case {number}.",
            "List the files to see the paths: mendbay files list.",
        )
    return entry


def judged(volume: OpenVolume, entry: Entry) -> FileLine:
    """An entry with its verdict by what was read so far and is known of the halves, if it is a file. Nothing
    of it is read."""
    if entry.kind is not Kind.FILE:
        return FileLine(entry, None)
    layout = volume.system.layout(entry)
    outlook = file_outlook(volume.system.source, layout)
    outlook = Outlook(outlook.gaps, outlook.marks + noted_apart(volume.apart, layout))
    if volume.halves_differ:
        outlook = Outlook(outlook.gaps, outlook.marks + one_half_alone(volume.assembled, layout))
    return FileLine(entry, judge(entry, layout, outlook, volume.assembled.parted_at))


def adapters_of(stores: Mapping[str, ImageStore]) -> dict[str, dict[int, str]]:
    """The adapter of every run, by bay and number."""
    return {bay: {run.number: run.adapter for run in store.runs()} for bay, store in stores.items()}


def trace(
    system: FileSystem,
    layout: Layout,
    stores: Mapping[str, ImageStore],
    adapters: Mapping[str, Mapping[int, str]],
) -> Iterator[Piece]:
    """Where a file's bytes came from, in order; `origin.span` is in bytes of the file. Neighbours that came
    the same way are one piece."""
    before: Piece | None = None
    for piece in _pieces(system, layout, stores, adapters):
        if before is not None and _follows(before, piece):
            before = _joined(before, piece)
            continue
        if before is not None:
            yield before
        before = piece
    if before is not None:
        yield before


def _pieces(
    system: FileSystem,
    layout: Layout,
    stores: Mapping[str, ImageStore],
    adapters: Mapping[str, Mapping[int, str]],
) -> Iterator[Piece]:
    for extent in layout.extents:
        where = extent.volume_span
        if where is None:
            continue
        delta = extent.file_span.start - where.start
        for origin in system.source.trace(where):
            for at, run in stores[origin.bay].provenance(origin.at):
                span = at.shift(origin.span.start - origin.at.start + delta)
                yield Piece(Origin(span, origin.bay, at, origin.mark), run, adapters[origin.bay].get(run, ""))


def _follows(one: Piece, other: Piece) -> bool:
    mine, theirs = one.origin, other.origin
    same_way = (mine.bay, mine.mark, one.run) == (theirs.bay, theirs.mark, other.run)
    return same_way and mine.span.stop == theirs.span.start and mine.at.stop == theirs.at.start


def _joined(one: Piece, other: Piece) -> Piece:
    mine, theirs = one.origin, other.origin
    origin = Origin(
        Span(mine.span.start, theirs.span.stop), mine.bay, Span(mine.at.start, theirs.at.stop), mine.mark
    )
    return Piece(origin, one.run, one.adapter)
