"""Hand a customer's files back: copied, read again, put into a bag, and reported on."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from hashlib import sha256
from pathlib import Path

from mendbay.case.records import Bay, Case, CaseState, Facts
from mendbay.core.errors import DestinationError, Interrupted, NothingWanted, UsageError
from mendbay.core.quantity import count_text, counted
from mendbay.core.source import Mark, Outlook
from mendbay.core.span import SpanSet, union
from mendbay.files.tree import Entry, Kind, Layout, Proof
from mendbay.files.verdict import (
    Judgement,
    Verdict,
    file_outlook,
    file_readings,
    is_undescribed,
    judge,
    nothing_left,
)
from mendbay.files.wanted import MOST_PATTERNS, matcher
from mendbay.handback import facts as words
from mendbay.handback.advice import advice_for
from mendbay.handback.bag import PayloadFile, json_bytes, manifest
from mendbay.handback.facts import to_json
from mendbay.handback.keeping import is_over
from mendbay.handback.names import Named, links_json, names_json, plan_names
from mendbay.handback.words import moment
from mendbay.imaging.image_source import ImageSource
from mendbay.jobs.authority import concern
from mendbay.jobs.bench import Bench
from mendbay.jobs.events import Said, StepProgress
from mendbay.jobs.halves_apart import both_gave, mapped, noted_apart, one_half_alone
from mendbay.jobs.halves_compared import apart_in, joined, note_seen, open_case_volume
from mendbay.jobs.hand_back_choice import require_not_closed
from mendbay.jobs.hand_back_proof import against, proof_steps
from mendbay.jobs.hand_back_unread import StillUnread, still_unread
from mendbay.jobs.keep_copies import (
    HAND_BACK,
    HAND_BACK_BEGUN,
    NOT_CHOSEN,
    day_at_hand_back,
    folders_told,
    set_keep_until,
)
from mendbay.jobs.list_files import Piece, adapters_of, folder_problems, link_problems, trace
from mendbay.jobs.note_changed import note_changed
from mendbay.jobs.other_half import found_differing, left_to_other
from mendbay.jobs.ports import HandBackFolder, ImageStore, Papers
from mendbay.jobs.remembered import remembered
from mendbay.jobs.told_days import day_in_paper
from mendbay.jobs.volume import (
    OpenVolume,
    case_images,
    explanation,
    fresher_bay,
    part_of_stripe,
    sources_of,
)

OpenFolder = Callable[[Path, str], HandBackFolder]
REPORT_HTML, REPORT_PDF, REPORT_JSON = "report.html", "report.pdf", "report.json"
MOST_TOLD = 200
COPY_TRIES = 2
"""How often a copy that does not read back equal is made before the destination is given up on."""


@dataclass(frozen=True, slots=True)
class HandBackResult:
    """A finished hand-back: where it is, everything the report says, and what reading on may still bring."""

    folder: Path
    facts: words.HandBack
    unread: StillUnread


@dataclass(frozen=True, slots=True)
class _Item:
    """One file to be handed back, as the file system describes it and as it looks before reading."""

    entry: Entry
    layout: Layout
    outlook: Outlook
    before: Judgement

    @property
    def is_empty_handed(self) -> bool:
        """Whether not one stored byte of the file is at hand: no copy is made of nothing."""
        missing = SpanSet(gap.span for gap in self.before.gaps)
        return (
            self.before.verdict is Verdict.LOST
            or is_undescribed(self.entry)
            or nothing_left(self.layout, missing)
        )


@dataclass(frozen=True, slots=True)
class _Choice:
    """What is handed back: all entries of the volume, those that were asked for, the files among these, and
    the names of the copies in the order of `copied`."""

    everything: Sequence[Entry]
    entries: Sequence[Entry]
    items: Sequence[_Item]
    names: Sequence[Named]

    @property
    def all_files(self) -> int:
        """How many files there are on the volume."""
        return sum(one.kind is Kind.FILE and bool(one.path) for one in self.everything)

    @property
    def copied(self) -> Sequence[_Item]:
        """The files of which a copy is made."""
        return [one for one in self.items if not one.is_empty_handed]

    @property
    def sizes(self) -> dict[str, int]:
        """The size of every copy by its name in the bag."""
        return {name.path: one.layout.size_bytes for name, one in zip(self.names, self.copied, strict=True)}


def hand_back(
    bench: Bench,
    number: int,
    folder: Path,
    open_folder: OpenFolder,
    papers: Papers,
    *,
    patterns: Sequence[str] = (),
    shop: str = "",
    keep_until: str = "",
    bays: Sequence[str] = (),
) -> HandBackResult:
    """Copies the files that match the patterns (all without one) into a new bag, with reports.

    Every copy is read again from the destination and compared. Files of which nothing is at hand
    are listed, not made. What reading on may still bring is told before anything is copied. Interrupted, the
    same call goes on where it stopped. `keep_until`, the last day on which the shop keeps its copies, is
    noted of the case too; without one the rule of `keep_copies` gives it.

    Raises:
        UsageError: the case is closed.
        NothingWanted: no file matches.
        NoRoom, DestinationError: the destination; nothing copied is lost.
        Interrupted: stopped by hand.
    """
    case = remembered(bench, number)
    require_not_closed(case)
    until = keep_until or day_at_hand_back(bench, case)
    told_until = "" if is_over(until, bench.now()[:10]) else until  # due at once: not for customers
    with case_images(bench, case, bays) as stores:
        drives = sources_of(stores, check=True)
        volume = open_case_volume(bench, number, drives)
        if half := part_of_stripe(volume.assembled):
            bench.tell(Said(half))
        choice = _chosen(volume, patterns)
        judged = ((one.entry, one.before) for one in choice.items)
        unread = still_unread(number, volume, stores, choice.everything, judged)
        if unread.words:
            bench.tell(Said(unread.words))
        destination = open_folder(folder, case.folder)
        try:
            destination.expect(choice.sizes)
            _note_begun(bench, number, folder)
            made = _copy_all(bench, volume, destination, choice)
            volume = _compare_halves(bench, number, volume, made)
            files = _read_again(bench, volume, stores, destination, made)
            files += [_not_copied(one) for one in choice.items if one.is_empty_handed]
            wanted = tuple(patterns) or case.wanted
            is_wanted = _wish_test(wanted)
            files = [replace(one, is_wanted=is_wanted(one.raw_path)) for one in files]
            facts = _facts(bench, case, volume, stores, drives, choice, files)
            facts = replace(
                facts,
                wanted=wanted,
                shop=shop,
                keep_until=told_until,
                advice=advice_for(
                    facts.files, facts.bays, volume.assembled.level, told_until, facts.not_chosen
                ),
            )
            payload = _make_bag(bench, destination, papers, facts, choice.names)
        finally:
            destination.close()
        unsound = {bay: one.unsound - stores[bay].changed() for bay, one in drives.items()}
    changed = {bay: found for bay, found in unsound.items() if found}
    with bench.ledger.together():  # the copies are made: on record before an image is touched once more
        for bay, found in changed.items():
            _tell_changed(bench, number, bay, found)
        _note(bench, case, folder, facts, until, _manifest_sha256(payload))
    for bay, found in changed.items():
        note_changed(bench, number, bay, found, whole=False)
    return HandBackResult(folder, facts, unread)


# ---------------------------------------------------------------------- choosing and copying


def _chosen(volume: OpenVolume, patterns: Sequence[str]) -> _Choice:
    """What of the volume matches the patterns, all without one.

    Raises:
        NothingWanted: no file does.
    """
    everything = list(volume.system.walk(nameless=True))
    test = matcher(patterns) if patterns else None
    entries = [one for one in everything if one.path and (test is None or test(one.path))]
    if not any(one.kind is Kind.FILE for one in entries):
        raise _nothing_wanted(volume, everything, patterns)
    items = [_item(volume, entry) for entry in entries if entry.kind is Kind.FILE]
    names = plan_names([one.entry.path for one in items if not one.is_empty_handed])
    return _Choice(everything, entries, items, names)


def _wish_test(wishes: Sequence[str]) -> Callable[[bytes], bool]:
    """A test of raw paths against the wishes. One noted in the case that is no pattern is for no file: no
    hand-back fails of it, and reading says so."""
    usable = []
    for wish in wishes[:MOST_PATTERNS]:
        with suppress(UsageError):
            matcher([wish])
            usable.append(wish)
    return matcher(usable)


def _nothing_wanted(
    volume: OpenVolume, everything: Sequence[Entry], patterns: Sequence[str]
) -> NothingWanted:
    half = part_of_stripe(volume.assembled)
    if half:
        return NothingWanted(
            f"No such file can be seen on what there is; nothing was copied. {half}",
            "Hand back from the drives of all bays together, once both are read.",
        )
    if patterns:
        return NothingWanted(
            "No file on the volume matches what was asked for; nothing was copied.",
            "List the files to see what there is: mendbay files list.",
        )
    problems = [problem for one in everything for problem in one.problems]
    return NothingWanted(
        "There is no file on the volume that could be listed" + "".join(f"; {one}" for one in problems[:3]),
        "If the drives are only partly read, read more of them; see mendbay drive show.",
    )


def _item(volume: OpenVolume, entry: Entry) -> _Item:
    layout = volume.system.layout(entry)
    outlook = file_outlook(volume.system.source, layout)
    if volume.halves_differ:
        outlook = Outlook(outlook.gaps, outlook.marks + one_half_alone(volume.assembled, layout))
    return _Item(entry, layout, outlook, judge(entry, layout, outlook, volume.assembled.parted_at))


@dataclass(frozen=True, slots=True)
class _Made:
    """A copy, and whether it has been read again and was equal."""

    item: _Item
    copy: PayloadFile
    is_proven: bool


def _copy_all(bench: Bench, volume: OpenVolume, destination: HandBackFolder, choice: _Choice) -> list[_Made]:
    """Copies the files."""
    items = choice.copied
    made: list[_Made] = []
    for at, (item, name) in enumerate(zip(items, choice.names, strict=True)):
        if bench.stop():
            destination.settle()
            raise Interrupted(
                f"Stopped after {at} of {len(items)} files.",
                "Run the same command again; what is copied is kept.",
            )
        bench.tell(StepProgress("copying", at, len(items), name.path))
        made.append(_Made(item, *_copy(volume, destination, item, name.path)))
    destination.settle()
    return made


def _compare_halves(bench: Bench, number: int, volume: OpenVolume, made: Sequence[_Made]) -> OpenVolume:
    """Compares the halves wherever both gave bytes of these files, before any file is judged: that they
    differ in one moves the verdict on what one half gave alone of another.

    Returns:
        The volume with what is known of its halves now.
    """
    if not volume.assembled.halves_in_step:
        return volume
    looked: dict[SpanSet, str] = {}  # the names of one file lie at the same places: these are read once
    for one in made:
        looked.setdefault(mapped(one.item.layout), one.copy.path)
    found = []
    for at, (spans, path) in enumerate(looked.items()):
        if bench.stop():
            raise Interrupted(
                "Stopped while the halves of the mirror were compared; all files are copied.",
                "Run the same command again; what is copied is kept.",
            )
        bench.tell(StepProgress("comparing the halves", at, len(looked), path))
        found.append(apart_in(volume.assembled, spans))
    return note_seen(bench, number, volume, union(looked), joined(found), also_the_same=True)


def _read_again(
    bench: Bench,
    volume: OpenVolume,
    stores: dict[str, ImageStore],
    destination: HandBackFolder,
    made: Sequence[_Made],
) -> list[words.FileFacts]:
    """Reads every copy again; what is to be told of the files."""
    files = []
    adapters = adapters_of(stores)
    for at, one in enumerate(made):
        bench.tell(StepProgress("reading again", at, len(made), one.copy.path))
        good = one.copy if one.is_proven else _proven(volume, destination, one.item, one.copy)
        pieces = trace(volume.system, one.item.layout, stores, adapters)
        files.append(_file_facts(volume, pieces, one.item, good))
    bench.tell(StepProgress("reading again", len(made), len(made)))
    return files


def _make_bag(
    bench: Bench,
    destination: HandBackFolder,
    papers: Papers,
    facts: words.HandBack,
    names: Sequence[Named],
) -> tuple[PayloadFile, ...]:
    """Adds the reports and lists, and declares the folder a bag; what of it are copies."""
    links = [(one.raw_path, one.target) for one in facts.links]
    return destination.finish(
        bench.now()[:10],
        [("Source-Organization", facts.shop)] if facts.shop else [],
        {
            REPORT_HTML: papers.html(facts).encode(),
            REPORT_PDF: papers.pdf(facts),
            REPORT_JSON: json_bytes(to_json(facts)),
            "names.json": names_json(names),
            "links.json": links_json(links),
        },
    )


def _copy(
    volume: OpenVolume, destination: HandBackFolder, item: _Item, path: str
) -> tuple[PayloadFile, bool]:
    """The copy that is there already if it is of the same bytes, otherwise a new one; and whether it has
    been read again and found equal."""
    origin = f"inode {item.entry.inode} changed {item.entry.changed_at}"
    size, changed = item.layout.size_bytes, item.entry.modified_at
    kept = destination.kept(path, size, item.outlook.gaps, item.outlook.marks, changed, origin)
    if kept is not None:
        return kept, True
    return destination.put(path, file_readings(volume.system.source, item.layout), changed, origin), False


def _proven(volume: OpenVolume, destination: HandBackFolder, item: _Item, copy: PayloadFile) -> PayloadFile:
    """The copy, once it has been read again and found equal; made once more if it was not."""
    for attempt in range(1, COPY_TRIES + 1):
        if destination.verify(copy.path).equal:
            return copy
        if attempt == COPY_TRIES:
            break
        copy = destination.put(
            copy.path, file_readings(volume.system.source, item.layout), copy.modified_at, copy.origin
        )
        destination.settle()
    raise DestinationError(
        f"{copy.path} was written {COPY_TRIES} times and never read back as written.",
        "The destination medium is faulty: hand back onto another one.",
    )


# ---------------------------------------------------------------------- the facts


def _file_facts(
    volume: OpenVolume, pieces: Iterable[Piece], item: _Item, copy: PayloadFile
) -> words.FileFacts:
    marks = copy.marks + noted_apart(volume.apart, item.layout)
    if volume.halves_differ:
        marks += one_half_alone(volume.assembled, item.layout)
    verdict = judge(item.entry, item.layout, Outlook(copy.gaps, marks), volume.assembled.parted_at)
    return words.FileFacts(
        path=copy.path,
        raw_path=item.entry.path,
        size_bytes=item.layout.size_bytes,
        verdict=verdict.verdict,
        gaps=verdict.gaps,
        other_half=verdict.other_half,
        older=verdict.older,
        reasons=verdict.reasons,
        doubts=verdict.doubts,
        both_bytes=both_gave(volume.assembled, mapped(item.layout)).total_bytes,
        sha256=copy.sha256,
        sha512=copy.sha512,
        verified=True,
        modified_at=item.entry.modified_at,
        changed_at=item.entry.changed_at,
        trace=tuple(_trace_facts(piece) for piece in pieces),
    )


def _trace_facts(piece: Piece) -> words.TraceFacts:
    origin = piece.origin
    return words.TraceFacts(
        origin.span, origin.bay, origin.at.start, piece.run, piece.adapter, str(origin.mark or "")
    )


def _not_copied(item: _Item) -> words.FileFacts:
    return words.FileFacts(
        path="",
        raw_path=item.entry.path,
        size_bytes=item.layout.size_bytes,
        verdict=item.before.verdict,
        gaps=item.before.gaps,
        reasons=item.before.reasons,
        doubts=item.before.doubts,
        modified_at=item.entry.modified_at,
        changed_at=item.entry.changed_at,
        is_described=item.entry.is_described,
    )


def _facts(
    bench: Bench,
    case: Case,
    volume: OpenVolume,
    stores: dict[str, ImageStore],
    drives: Mapping[str, ImageSource],
    choice: _Choice,
    files: list[words.FileFacts],
) -> words.HandBack:
    system, assembled = volume.system.facts, volume.assembled
    described = sum(Proof.NONE not in (one.entry.proof, one.layout.proof) for one in choice.items)
    bays = {bay.bay: bay for bay in bench.ledger.bays(case.number)}
    files.sort(key=lambda one: one.raw_path)
    left = left_to_other(sources_of(stores), stores, volume)
    return words.HandBack(
        case_number=f"{case.number:04}",
        customer=case.customer,
        shop="",
        made_at=bench.now(),
        taken_in_at=case.opened_at,
        box=case.box,
        drives="; ".join(_drive_words(bays[bay]) for bay in stores if bay in bays),
        bays=tuple(
            _bay_facts(bay, bays.get(bay), store, files, drives[bay].unsound, left[bay])
            for bay, store in stores.items()
        ),
        files=tuple(files),
        pair=words.PairFacts(
            assembled.level,
            fresher_bay(assembled),
            tuple(map(_for_customers, (*explanation(assembled), *found_differing(bench, case.number)))),
            assembled.halves_in_step,
        ),
        file_system=words.FileSystemFacts(
            system.kind,
            system.label,
            system.uuid,
            system.size_bytes,
            system.has_checksums,
            (*system.remarks, *_damage(choice.everything)),
        ),
        links=tuple(
            words.LinkFacts(one.path, one.link_target)
            for one in choice.entries
            if one.kind is Kind.LINK and one.link_target is not None
        ),
        left_out=tuple(_left_out(choice.entries)),
        proof=proof_steps(volume, described, files, union(mapped(one.layout) for one in choice.copied)),
        not_chosen=max(0, choice.all_files - len(files)),
        unused=tuple(
            words.UnusedDrive(bay, bench.images.exists(case, bay)) for bay in bays if bay not in stores
        ),
    )


def _left_out(entries: Iterable[Entry]) -> Iterator[words.LeftOut]:
    """What there is besides files, folders and links, and links of which not even the target is known."""
    for one in entries:
        if one.kind is Kind.OTHER:
            yield words.LeftOut(one.path, "device node, pipe or socket", "It has no bytes of its own.")
        elif one.kind is Kind.LINK and one.link_target is None:
            why = "; ".join(one.problems) or "where it points cannot be read"
            yield words.LeftOut(one.path, "link", f"{why[:1].upper()}{why[1:]}.")


def _for_customers(text: str) -> str:
    """A sentence with its moments as a customer reads them."""
    return re.sub(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", lambda found: moment(found[0]), text)


def _damage(everything: Sequence[Entry]) -> list[str]:
    """What is wrong with the folders and links of a file system: a damaged list of names can hide files, a
    link may lead where it did before, and nothing may vanish in silence."""
    told = _at_most(list(folder_problems(everything)), "more folders have problems.")
    return told + _at_most(list(link_problems(everything)), "more links have problems.")


def _at_most(told: list[str], more: str) -> list[str]:
    if len(told) <= MOST_TOLD:
        return told
    return [*told[:MOST_TOLD], f"{len(told) - MOST_TOLD} {more}"]


def _drive_words(bay: Bay) -> str:
    named = " ".join(part for part in (bay.model, bay.serial and f"serial {bay.serial}") if part)
    return f"bay {bay.bay}: {named or 'no model or serial number known'}"


def _bay_facts(
    label: str,
    bay: Bay | None,
    store: ImageStore,
    files: Sequence[words.FileFacts],
    unsound: SpanSet,
    left: SpanSet,
) -> words.BayFacts:
    pieces = [part for one in files for part in one.trace if part.bay == label]

    def places(chosen: Iterable[words.TraceFacts]) -> SpanSet:
        found = list(chosen)
        return SpanSet.from_bounds(
            [part.drive_start for part in found], [part.drive_start + part.file_span.length for part in found]
        )

    return words.BayFacts(
        bay=label,
        model=bay.model if bay else "",
        serial=bay.serial if bay else "",
        coverage=store.coverage(),
        runs=tuple(
            words.RunFacts(
                run.number,
                run.adapter,
                run.started_at,
                run.ended_at,
                run.given_bytes,
                run.refused_reads,
                f"taken over from {run.taken_from}" if run.taken_from else "",
            )
            for run in store.runs()
        ),
        image_sha256="" if unsound else store.digest(compute=False),
        other_half=places(part for part in pieces if part.mark),
        older=places(part for one in files for part in _still_doubtful(one) if part.bay == label),
        wanted=places(pieces),
        remarks=(*((bay.condition,) if bay and bay.condition else ()), *against(store, unsound)),
        left=left,
    )


def _still_doubtful(one: words.FileFacts) -> Iterable[words.TraceFacts]:
    """The parts of a file that may be older, less what the verdict on it proved current."""
    for part in one.trace:
        if part.mark == Mark.POSSIBLY_OLDER:
            for span in one.older.clip(part.file_span):
                yield replace(
                    part, file_span=span, drive_start=part.drive_start + span.start - part.file_span.start
                )


def _tell_changed(bench: Bench, number: int, bay: str, found: SpanSet) -> None:
    """Puts down that an image was found to have changed while copies were made from it."""
    said = f"{counted(found.total_bytes, 'byte')} NOT what the drive gave, found while files were copied"
    with bench.ledger.together():
        facts: Facts = {"bay": bay, "wrong_bytes": found.total_bytes}
        bench.note(number, "imaging", f"Image of bay {bay}: {said}.", facts)
        bench.custody(number, f"image read for a hand-back: {said}", f"image of bay {bay}")


def _note_begun(bench: Bench, number: int, folder: Path) -> None:
    """Notes where copies are about to be made, so that they are known of if it is never finished. The story
    does not name the folder: where the shop puts it, its name may be the customer's."""
    place = str(folder.absolute())
    if place not in folders_told(bench, number, HAND_BACK_BEGUN):
        bench.note(number, HAND_BACK_BEGUN, "Hand-back begun.", {"folder": place})


def _manifest_sha256(payload: Sequence[PayloadFile]) -> str:
    """SHA-256 of the bag's `manifest-sha256.txt`, by which a copy of it is known."""
    return sha256(manifest([(one.path, one.digest("sha256")) for one in payload]).encode()).hexdigest()


def _told_of_copies(facts: words.HandBack) -> tuple[str, str]:
    """How many of the files of a volume were handed back, as a sentence; and what the copies are."""
    kept = {word: count.files - facts.awaited[word].files for word, count in facts.tallies.items()}
    lost = kept.pop("lost")
    copies = ", ".join(f"{count_text(count)} {word}" for word, count in kept.items() if count)
    copied = facts.copied.files
    without = (
        (lost, "lost"),
        (facts.awaited_files, "not read yet"),
        (facts.not_chosen, "not chosen"),
    )
    others = ", ".join(f"{count_text(count)} {why}" for count, why in without if count)
    all_files = facts.total.files + facts.not_chosen
    of_all = f"{count_text(copied)} of {counted(all_files, 'file')}" if others else counted(copied, "file")
    said = f"A hand-back of {of_all}{f': {copies}' if copies else ''}"
    return f"{said}{f'; without a copy: {others}' if others else ''}.", copies or "no copies"


def _note(
    bench: Bench,
    case: Case,
    folder: Path,
    facts: words.HandBack,
    until: str,
    manifest_sha256: str,
) -> None:
    tally = {word: count.files for word, count in facts.tallies.items()}
    told, copies = _told_of_copies(facts)
    with bench.ledger.together():
        # by these what the shop still holds is found, and a copy of it on another medium is known
        where = {"folder": str(folder.absolute()), "manifest_sha256": manifest_sha256}
        left = {NOT_CHOSEN: facts.not_chosen}  # as the report has it; letters tell the same
        bench.note(case.number, HAND_BACK, told, {**tally, **where, **left, **day_in_paper(facts.keep_until)})
        unsettled = concern(bench, case.number)
        if unsettled:
            bench.custody(case.number, "files copied for a hand-back with the authority unsettled", unsettled)
        bench.custody(case.number, f"files copied for a hand-back ({copies})", "copies of files")
        if bench.ledger.case(case.number).state is not CaseState.CLOSED:  # meanwhile, by somebody else
            bench.ledger.amend_case(case.number, state=CaseState.HANDED_BACK)
        set_keep_until(bench, case, until)
