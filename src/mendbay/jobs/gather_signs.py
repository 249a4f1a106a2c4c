"""What the case already knows that triage would ask: from the electrical sheet, the images, the reads of
the ROM, the swaps, and what was said of a drive on its way to be read."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from mendbay.board.electrical import Entry
from mendbay.board.electrical_findings import Finding
from mendbay.board.electrical_form import ValueClass
from mendbay.board.electrical_steps import StepState
from mendbay.board.rom_reads import Verdict
from mendbay.board.swap_odds import Attribute, Level, Purpose
from mendbay.board.transfer_plan import Role
from mendbay.core.coverage import Coverage
from mendbay.core.errors import MendbayError
from mendbay.core.note import NoteKind
from mendbay.core.span import Span
from mendbay.imaging.hazard import Condition
from mendbay.jobs.bench import Bench
from mendbay.jobs.drive_reading import Ending
from mendbay.jobs.drive_records import recorded
from mendbay.jobs.last_reading import last_ending
from mendbay.jobs.looks import looks
from mendbay.jobs.measure_board import Measured, begun_sheet
from mendbay.jobs.note_bodies import body_of
from mendbay.jobs.record_swaps import last_swaps_of
from mendbay.jobs.rom_reads import newest_sitting
from mendbay.jobs.said_condition import condition_in
from mendbay.jobs.triage_subject import is_box
from mendbay.jobs.withdraw import standing_notes
from mendbay.triage.belief import Asked
from mendbay.triage.next_step import CONDITION

SUPPLY = frozenset({"suppressor-5v", "suppressor-12v", "link-5v", "link-12v", "rail-5v", "rail-12v"})
DRIVER = frozenset({"motor-driver-pins", "motor-outputs"})
MOTOR = frozenset({"motor-windings", "motor-isolation"})
OF_IMAGES = ("detected", "refusals")
"""Signs that an image gives, of the time it was read."""
CONDITIONS = {
    "rattles": "rattles",
    "wet": "wet",
    "opened": "opened",
    "seal-broken": "opened",
    "dented": "dented",
    "sound": "nothing",
}
"""What take-in puts down of a condition as an answer of triage, the gravest first: one answer
counts, and take-in may have several."""
BURNT = "burnt"
"""What take-in puts down of a burn, or the smell of one. No answer of the sign `condition` says it."""
FEWEST_BYTES = 16 << 20
"""A drive that was asked for less says nothing yet of how it reads (own choice)."""
MOST = 0.5
"""Share refused from which most was (own choice)."""
PLACE_BYTES = 64 << 10
"""A refused stretch up to which it is a single place (own choice)."""


FEWEST_BANDS = 6
"""Long stretches in a row, evenly apart, that are taken for bands (own choice). Two distances between
places at random agree within `STEADY` once in nine times, so four pairs in a row hardly ever do."""
STEADY = 1.25
"""Ratio of one distance to the next up to which they count as even (own choice; the bands of a head drift
slowly, as zones change)."""


@dataclass(frozen=True, slots=True)
class Gathered:
    """An answer that the case gives itself, and where from.

    Args:
        said_at: when a person said it, not being asked: it stands against what was answered before. Empty
            for what nobody said, which stands against no person's word.
        measured_at: when all of it was measured, so that a repair before it is known; empty where that is not
            told.
    """

    answer: str
    origin: str
    said_at: str = ""
    measured_at: str = ""


def gathered_signs(bench: Bench, case: int) -> Mapping[Asked, Gathered]:
    """All that is known of a case's bays without asking.

    Raises:
        NoSuchCase: there is no such case.
    """
    found: dict[Asked, Gathered] = {}
    for bay in bench.ledger.bays(case):
        found.update(_of_said(bench, case, bay.bay))
        found.update(_of_sheet(bench, case, bay.bay))
        found.update(_of_swaps(bench, case, bay.bay))
        found.update(_of_image(bench, case, bay.bay))
        found.update(_of_rom(bench, case, bay.bay))
        found.update(_of_records(bench, case, bay.bay))
    for asked, one in _of_condition(bench, case):
        found.setdefault(asked, one)  # what was looked for under a lens tells more
    for sign, look in looks(bench, case).items():
        if look.answer:
            found[Asked(sign)] = Gathered(look.answer, f"a look at the images, {look.at[:10]}")
    return found


def _of_condition(bench: Bench, case: int) -> Iterator[tuple[Asked, Gathered]]:
    """What take-in saw. Where something is graver than that it is wet, the water counts as what happened. A
    burn, or its smell, is that of a box, or of the board of a drive that came alone; of a drive in a box it
    says nothing. Who saw that alone looked for the rest and saw nothing of it."""
    notes = standing_notes(bench, NoteKind.INTAKE, case, "", CONDITION)
    values = body_of(notes[-1], "take-in").get("values") if notes else None
    if not isinstance(values, list):
        return
    origin = f"take-in: {notes[-1].who}, {notes[-1].at}"
    answers = [answer for value, answer in CONDITIONS.items() if value in values]
    if answers:
        yield Asked(CONDITION), Gathered(answers[0], origin)
    elif BURNT in values:
        yield Asked(CONDITION), Gathered("nothing", f"besides a burn or its smell; {origin}")
    if "wet" in answers[1:]:
        yield Asked("history"), Gathered("water", origin)
    if BURNT not in values:
        return
    bays = bench.ledger.bays(case)
    if is_box(bench, case):
        yield Asked("smell"), Gathered("burnt", origin)
    elif len(bays) == 1:
        yield Asked("burn", bays[0].bay), Gathered("seen", origin)


def _of_sheet(bench: Bench, case: int, bay: str) -> Iterator[tuple[Asked, Gathered]]:
    measured = begun_sheet(bench, case, bay)
    if measured is None:
        return
    findings = {one.observation: one for one in measured.standing.findings}
    asked = {
        one.step.observation for one in measured.standing.steps if one.state is not StepState.NOT_FOR_THIS
    }
    for sign, observations in (
        ("supply-measured", SUPPLY),
        ("driver-measured", DRIVER),
        ("motor-measured", MOTOR),
    ):
        spoken = [findings[one] for one in sorted(observations & findings.keys())]
        amiss = [one for one in spoken if one.speaks_against]
        if amiss:
            at = _measured_at(measured, amiss[:1])
            yield Asked(sign, bay), Gathered("amiss", f"electrical sheet: {amiss[0].words}", "", at)
        elif len(spoken) == len(observations & asked) > 0 and all(
            one.value_class is ValueClass.WITHIN for one in spoken
        ):
            yield Asked(sign, bay), Gathered("sound", "electrical sheet", "", _measured_at(measured, spoken))
    burns = findings.get("burns")
    if burns is not None:
        seen = "none" if burns.value_class is ValueClass.WITHIN else "seen"
        at = _measured_at(measured, [burns])
        yield Asked("burn", bay), Gathered(seen, f"electrical sheet: {burns.words}", "", at)


def _measured_at(measured: Measured, findings: Sequence[Finding]) -> str:
    """When the earliest of what findings rest on was measured, each step the last time."""
    last = {one.step: one.at for one in measured.sheet.records if isinstance(one, Entry)}
    return min((last[step] for one in findings for step in one.steps if step in last), default="")


def _of_swaps(bench: Bench, case: int, bay: str) -> Iterator[tuple[Asked, Gathered]]:
    """A swap without the ROM that did not help is a sign, as it points to the ROM. One with the ROM is not:
    that this bench made it says nothing of what was wrong when the case came in."""
    for body in last_swaps_of(bench, case, bay):
        unmoved = body["agreement"].get(str(Attribute.ROM)) == str(Level.NOT_MOVED)
        if body["purpose"] == Purpose.BOARD_SWAP and unmoved and not body["worked"]:
            yield Asked("swapped", bay), Gathered("without-rom", "a swap noted with donor used")


def _of_rom(bench: Bench, case: int, bay: str) -> Iterator[tuple[Asked, Gathered]]:
    """The newest reads of the patient's ROM, held against its family. Without a family, reads that agree say
    nothing of whose ROM it is, and reads that differ may be the clip's."""
    judged = [
        one.facts
        for one in bench.ledger.events(case)
        if one.kind == "rom" and one.facts.get("bay") == bay and one.facts.get("role") == str(Role.PATIENT)
    ]
    newest = newest_sitting(bench, case, bay, Role.PATIENT)
    if not judged or not newest or judged[-1].get("first_read") != newest[0].file.path:
        return
    last = judged[-1]
    if last.get("by_family") and last.get("verdict") == str(Verdict.AGREE):
        yield Asked("rom-read", bay), Gathered("sound", "reads that agree and pass their family's rules")
    elif last.get("failed") and last.get("verdict") == str(Verdict.DOUBTFUL):
        yield Asked("rom-read", bay), Gathered("amiss", "reads that fail their family's rules")


def _of_records(bench: Bench, case: int, bay: str) -> Iterator[tuple[Asked, Gathered]]:
    """What the drive said of itself when it was last asked."""
    told = recorded(bench, case, bay)
    if told is None:
        return
    for sign, answer in (
        ("detected", told.detected),
        ("smart", told.records),
        ("link-errors", told.link_errors),
    ):
        if answer:
            yield Asked(sign, bay), Gathered(answer, f"the drive's own word, {told.at[:10]}")


def _of_said(bench: Bench, case: int, bay: str) -> Iterator[tuple[Asked, Gathered]]:
    """What a person said the drive is like to read: that it clicks is heard at the bench. Whatever else is
    said later takes that back."""
    said = condition_in(bench.ledger.events(case), bay)
    if said is not None and said[0] is Condition.CLICKS:
        yield (
            Asked("sound-alone", bay),
            Gathered("clicks", f"said of the drive to be read, {said[1][:10]}", said[1]),
        )


def _of_image(bench: Bench, case: int, bay: str) -> Iterator[tuple[Asked, Gathered]]:
    record = bench.ledger.case(case)
    if not bench.images.exists(record, bay):
        return
    try:
        store = bench.images.reopen(record, bay, writable=False)
    except MendbayError:
        return  # `case show` tells what is wrong with it; it answers nothing here
    try:
        coverage = store.coverage()
    finally:
        store.close()
    if coverage.read.total_bytes > 0:
        yield Asked("detected", bay), Gathered("right", "it is being read")
    refusals = refusals_of(coverage)
    if last_ending(bench, case, bay) is Ending.DIED:
        yield (
            Asked("refusals", bay),
            Gathered("most", "its last reading, which refused everything in the end"),
        )
    elif refusals:
        yield Asked("refusals", bay), Gathered(refusals, "the image so far")


def refusals_of(coverage: Coverage) -> str:
    """What a drive refused: `none`, `scattered`, `bands` (stretches that come back, as of one head) or
    `most`; empty while too little was asked for, and where stretches are longer than single places but do
    not come back: what they are is a person's to see."""
    tried = coverage.read.total_bytes + coverage.refused.total_bytes
    if tried < min(FEWEST_BYTES, coverage.size_bytes):
        return ""
    if not coverage.refused:
        return "none"
    if coverage.refused.total_bytes > MOST * tried:
        return "most"
    if max(one.length for one in coverage.refused) <= PLACE_BYTES:
        return "scattered"
    return "bands" if _come_back(coverage) else ""


def _come_back(coverage: Coverage) -> bool:
    """Whether long refused stretches follow each other at a slowly changing distance, with all between them
    tried. What lies between two of one head is given by the others."""
    starts, stops = coverage.refused.starts, coverage.refused.stops
    long = stops - starts > PLACE_BYTES
    starts, stops = starts[long], stops[long]
    if len(starts) < FEWEST_BANDS:
        return False
    periods, unread = np.diff(starts), coverage.unread
    tried = np.array(
        [not unread.overlaps(Span(a, b)) for a, b in zip(stops.tolist(), starts[1:].tolist(), strict=False)]
    )
    alike = np.maximum(periods[1:], periods[:-1]) <= STEADY * np.minimum(periods[1:], periods[:-1])
    steady = alike & tried[1:] & tried[:-1]
    longest = run = 0
    for one in steady.tolist():
        run = run + 1 if one else 0
        longest = max(longest, run)
    return longest + 2 >= FEWEST_BANDS
