"""Make the catalogue of a case's files: every entry with its verdict, kept to be scrolled and searched."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from mendbay.case.records import Case
from mendbay.core.errors import Interrupted, NothingWanted
from mendbay.core.quantity import count_text
from mendbay.files.catalogue_build import CatalogueBuilder
from mendbay.files.catalogue_rows import VERDICTS, Columns
from mendbay.files.tree import Kind
from mendbay.files.verdict import Verdict
from mendbay.jobs.bench import Bench
from mendbay.jobs.catalogue_port import CatalogueFacts, Catalogues, DamagedCatalogue, KeptCatalogue
from mendbay.jobs.events import Said, StepProgress
from mendbay.jobs.files_seen import note_files
from mendbay.jobs.halves_compared import open_case_volume, uncompared_bytes
from mendbay.jobs.list_files import folder_problems, judged, note_look
from mendbay.jobs.other_half import left_to_other
from mendbay.jobs.remembered import remembered
from mendbay.jobs.volume import OpenVolume, case_images, explanation, sources_of

TOLD_EVERY = 2000
"""Entries between two words of how far it is."""
MOST_HIDDEN = 1000
"""Sentences on damaged folders that are kept; of more, their number is told."""
STEP = "judging files"
ARRANGING = "putting the catalogue in order"


@dataclass(frozen=True, slots=True)
class CatalogueMade:
    """A catalogue that was made and kept. `generation` names it; `facts` are kept with it."""

    generation: str
    facts: CatalogueFacts


def catalogue_files(bench: Bench, catalogues: Catalogues, number: int) -> CatalogueMade:
    """Walks the volume of a case, judges every file by what was read so far, and keeps the result. What no
    folder leads to any more is searched for too. Nothing of the files is read.

    Raises:
        NoSuchCase: there is no such case, or it has no image.
        CaseForgotten: it was forgotten; nothing is kept.
        CannotAssemble, NoFileSystem: as `jobs.volume.open_volume`.
        Interrupted: stopped by hand; the earlier catalogue stays.
        DestinationError, NoRoom: it cannot be kept.
    """
    case = remembered(bench, number)
    events = len(bench.ledger.events(number))
    with case_images(bench, case) as stores:
        sources = sources_of(stores)
        volume = open_case_volume(bench, number, sources)
        coverages = {bay: store.coverage() for bay, store in stores.items()}
        left = left_to_other(sources, stores, volume)
        unread = {bay: (one.unread - left[bay]).total_bytes for bay, one in coverages.items()}
        columns, hidden = _walked(bench, volume)
        uncompared = uncompared_bytes(bench, number, volume)
    lost = _verdict_counts(columns).get(Verdict.LOST, 0) > 0
    before = len(bench.ledger.events(number))
    note_look(bench, number, lost=lost, hidden=hidden, unread=unread)
    note_files(bench, number, _verdict_counts(columns))
    own = len(bench.ledger.events(number)) - before  # what this adds itself makes the catalogue no older
    facts = CatalogueFacts(
        made_at=bench.now(),
        volume={
            "kind": volume.system.facts.kind,
            "label": volume.system.facts.label,
            "uuid": volume.system.facts.uuid,
        },
        read_bytes={bay: one.read.total_bytes for bay, one in coverages.items()},
        events=events + own,
        verdicts=_verdict_counts(columns),
        entries=columns.entries,
        hidden=hidden,
        unread=unread,
        uncompared_bytes=uncompared,
        explanation=explanation(volume.assembled),
        remarks=volume.system.facts.remarks,
    )
    return CatalogueMade(catalogues.keep(case, columns, facts), facts)


def open_catalogue(bench: Bench, catalogues: Catalogues, number: int) -> KeptCatalogue | None:
    """The catalogue of a case; None if there is none that can be used. That one was damaged is told.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
    """
    case = remembered(bench, number)
    try:
        return catalogues.open(case)
    except DamagedCatalogue as trouble:
        bench.tell(Said(f"The catalogue of case {number} cannot be used: {trouble.why}. Make it again."))
        return None


def read_since(bench: Bench, case: Case, facts: CatalogueFacts) -> int:
    """How many bytes of the case's drives were read since a catalogue was made; some that were read before
    and are set aside now count as none.

    Raises:
        NoSuchCase: it has no image any more.
        CaseForgotten: it was forgotten.
    """
    with case_images(bench, case) as stores:
        return sum(
            max(0, store.coverage().read.total_bytes - facts.read_bytes.get(bay, 0))
            for bay, store in stores.items()
        )


def require_wanted(bench: Bench, kept: KeptCatalogue | None, case: Case, patterns: Sequence[str]) -> None:
    """Refuses patterns of which a catalogue tells that no file is for them, before anything long is begun.
    Where there is none, or more was read since it was made, only the volume itself can tell.

    Raises:
        NothingWanted: no file is.
        NoSuchCase: it has no image any more.
        CaseForgotten: it was forgotten.
    """
    if kept is None or not patterns or read_since(bench, case, kept.facts):
        return
    if not kept.catalogue.wanted(patterns).size:
        raise NothingWanted(
            f"No file on the volume matches {', '.join(patterns)[:200]}.",
            f"List the files to see what there is: mendbay files list {case.number}.",
        )


def _walked(bench: Bench, volume: OpenVolume) -> tuple[Columns, tuple[str, ...]]:
    builder = CatalogueBuilder()
    hidden: list[str] = []
    more = 0
    seen = 0
    for seen, entry in enumerate(volume.system.walk(nameless=True), 1):
        if seen % TOLD_EVERY == 1:
            if bench.stop():
                raise Interrupted("Stopped before the catalogue was made.", "Run the same again.")
            bench.tell(StepProgress(STEP, seen - 1, 0))
        builder.add(entry, judged(volume, entry).judgement)
        if entry.problems and entry.kind is Kind.FOLDER:
            problems = list(folder_problems([entry]))
            more += max(0, len(hidden) + len(problems) - MOST_HIDDEN)
            hidden = (hidden + problems)[:MOST_HIDDEN]
    bench.tell(StepProgress(ARRANGING, seen, seen))
    columns = builder.columns()
    if more:
        hidden.append(f"{count_text(more)} more such folders' problems are not listed here.")
    return columns, tuple(hidden)


def _verdict_counts(columns: Columns) -> dict[str, int]:
    whole = columns.folder_sums[0]
    return {str(one): int(whole[at]) for at, one in enumerate(VERDICTS[1:])}
