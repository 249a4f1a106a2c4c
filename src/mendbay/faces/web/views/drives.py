"""The drives of a case: how far they were read, as rings and in words, and what is under way with them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from mendbay import wiring
from mendbay.core.cautions import cautions_for
from mendbay.core.errors import HeldBack, MendbayError, NoSuchCase, UsageError
from mendbay.core.quantity import bytes_text, count_text, counted
from mendbay.core.span import Span
from mendbay.faces import wording
from mendbay.faces.reading_caution_words import CLICKS, DRIVE
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Blob, Page, Unchanged
from mendbay.faces.web.card import card_of
from mendbay.faces.web.fields import choice, line, number
from mendbay.faces.web.reading_form import (
    SLOTS,
    forms_looked_at,
    said_by,
    sent,
    sources_in,
    speaks_against,
)
from mendbay.faces.web.reading_view import WorkSeen, works_of
from mendbay.faces.web.visit import Visit, seen
from mendbay.imaging.differences import Difference
from mendbay.imaging.hazard import Condition
from mendbay.imaging.lacking import Lacking
from mendbay.jobs.copies_erased import copies_erased_on
from mendbay.jobs.drive_condition import said_condition
from mendbay.jobs.drive_picture import DriveSeen, DrivesSeen
from mendbay.jobs.drive_rings_port import DriveRings
from mendbay.jobs.drives_at_hand import drives_at_hand, more_words
from mendbay.jobs.imaging_record import DEVICES, LEFT, ImagingRecord, imaging_record, lacking_csv
from mendbay.jobs.power_permit import Although, foresee_reading, harm_of_power, reasons_due
from mendbay.jobs.set_aside import asides

if TYPE_CHECKING:
    from mendbay.core.source import Identity
    from mendbay.jobs.bench import Bench
    from mendbay.jobs.ports import Run

BOOK = Book()
CASE = "/case/{case:int}/drives"
RANGES_SHOWN = 200
WORDS_SHOWN = 60
WIDER = 12


@dataclass(frozen=True, slots=True)
class DriveShown:
    """A drive on the page.

    Args:
        bay: its label.
        seen: its record; None if it has no image.
        trouble: why the record cannot be looked at; empty where it can.
        rings: its picture; None without a record.
    """

    bay: str
    seen: DriveSeen | None
    trouble: str
    rings: DriveRings | None

    @property
    def name(self) -> str:
        """What the drive calls itself."""
        return "" if self.seen is None else wording.drive_name(self.seen.record.identity)

    @property
    def rows(self) -> list[tuple[str, str, str, str]]:
        """Word, bytes, share and ranges of each condition."""
        if self.seen is None:
            return []
        record = self.seen.record
        return [one for one in wording.coverage_rows(record.coverage, record.left) if one[1] != "0"]


# ---------------------------------------------------------------------- all drives


@BOOK.page(
    CASE,
    "drives",
    "The drives of a case: how far they were read, and what is under way.",
    [
        line("bay", "Bay"),
        number("from", "From byte"),
        number("to", "To byte"),
    ],
)
def drives(visit: Visit) -> Answer:
    if visit.said["bay"]:
        return one_drive(visit)
    case = visit.path["case"]
    with visit.bench() as bench:
        card = card_of(visit, bench, case)
        found = works_of(visit, case)
        shown = drives_shown(visit, bench, found)
        at_hand = _at_hand(bench, case, found)
        kept = forms_looked_at(visit).get(case, visit.who)
        facts = {
            "card": card,
            "kept": kept is not None,
            "before": dict(sent(kept)).get if kept is not None else {}.get,
            "works": found,
            "asks_mark": _asks_mark(found),
            "ends_mark": _ends_mark(found),
            "drives": shown,
            "sector_bytes": _sectors(shown),
            "at_hand": at_hand,
            "slots": _slots(shown, found, at_hand) if kept is None else _slots_said(kept, at_hand),
            "conditions": [(one.bay, said_condition(bench, case, one.bay)) for one in shown],
            "no_power": _no_power(bench, case, found),
            "clicks": cautions_for(CLICKS),
            "clicking": [one.bay for one in shown if _clicks(bench, case, one.bay)],
            "wanted": card.case.wanted,
            "is_open": bool(visit.desk.rules.key),
            "cautions": cautions_for(DRIVE),
        }
    return Page("drives.html", facts)


PARTS = {
    "reading": "what is under way",
    "asked": "what can be asked of it",
    "ended": "what came of readings",
    "record": "the tables",
    "drive": "what was done with one drive",
}


@BOOK.page(
    CASE + "/now",
    "drives-now",
    "A part of the page of drives, as things stand.",
    [
        choice("part", "Which part", PARTS, default="reading"),
        line("bay", "Bay"),
        line("was", "What of it the page shows"),
    ],
)
def now(visit: Visit) -> Answer:
    """A part as it stands. One with buttons is drawn only where it is something else than the page shows:
    drawn anew, an alert would be read out anew, and focus and what was typed be lost."""
    case, part = visit.path["case"], visit.said["part"]
    with visit.bench() as bench:
        bench.ledger.case(case)
        found = works_of(visit, case)
        of_drive = _works_facts(visit.said["bay"], found)
        if visit.said["was"] in (_asks_mark(found), _ends_mark(found), of_drive["works_mark"]):
            return Unchanged()
        shown = drives_shown(visit, bench, found) if part in ("reading", "record") else []
        erased_on = copies_erased_on(bench, bench.ledger.case(case))
        no_power = _no_power(bench, case, found) if part in ("asked", "ended") else {}
    if part == "drive":
        return Page("drives_now.html", {"part": part, **of_drive})
    facts = {
        "part": part,
        "erased_on": erased_on,
        "works": found,
        "asks_mark": _asks_mark(found),
        "ends_mark": _ends_mark(found),
        "drives": shown,
        "sector_bytes": _sectors(shown),
        "case": case,
        "no_power": no_power,
        "cautions": cautions_for(DRIVE),
    }
    return Page("drives_now.html", facts)


def _no_power(bench: Bench, case: int, found: tuple[WorkSeen, ...]) -> dict[str, str]:
    """By bay, why a drive gets no power by what is known now: of those that a reading waits or rests with, or
    that could be read on. It takes a triage, so of no others."""
    bays = {bay for one in found if one.is_over and one.is_last and one.is_reading for bay in one.bays}
    for one in found:
        if not one.is_over and one.is_reading:
            bays |= {
                *([one.state.question.bay] if one.state.question else ()),
                *(one.bays if one.rests else ()),
            }
    return harm_of_power(bench, case, sorted(bays)) if bays else {}


def _asks_mark(found: tuple[WorkSeen, ...]) -> str:
    return seen("asked", *(one.asks_mark for one in found if not one.is_over))


def _ends_mark(found: tuple[WorkSeen, ...]) -> str:
    return seen("ended", *(one.end_mark for one in found if one.is_over))


def _works_facts(bay: str, found: tuple[WorkSeen, ...]) -> dict[str, Any]:
    """What was and is done with the drive of a bay."""
    works = tuple(one for one in found if bay in one.bays)
    steps = [f"{one.asks_mark} {one.end_mark} {one.state.step}" for one in works]
    return {"bay": bay, "works": works, "works_mark": seen("drive", *steps), "shown": WORDS_SHOWN}


def drives_shown(visit: Visit, bench: Bench, found: tuple[WorkSeen, ...]) -> list[DriveShown]:
    """The drives of a case with their pictures; the needle is where one is being read."""
    case = visit.path["case"]
    needles = _needles(found)
    return [_shown(visit, bench, case, one.bay, needles) for one in bench.ledger.bays(case)]


def _needles(found: tuple[WorkSeen, ...]) -> dict[str, int]:
    """By bay, the byte that is being read."""
    at: dict[str, int] = {}
    for work in found:
        if not work.is_over:
            at |= {one.bay: one.at for one in work.now({}) if one.now}
    return at


def _shown(visit: Visit, bench: Bench, case: int, bay: str, needles: dict[str, int]) -> DriveShown:
    seen_drives: DrivesSeen = visit.desk.keep("drives seen", DrivesSeen, of_cases=True)
    try:
        seen = seen_drives.of(bench, case, bay)
    except MendbayError as trouble:
        return DriveShown(bay, None, f"{trouble.what} {trouble.next_step}", None)
    if seen is None:
        return DriveShown(bay, None, "", None)
    rings = wiring.drive_rings(
        seen.facts,
        f"bay{_key(bay)}",
        needle_at=needles.get(bay),
        link=lambda span: _zoomed(visit, bay, span),
    )
    return DriveShown(bay, seen, "", rings)


def _key(bay: str) -> str:
    return bay.encode().hex()


def _zoomed(visit: Visit, bay: str, span: Span) -> str:
    return visit.url("drives", {"bay": bay, "from": str(span.start), "to": str(span.stop)})


def _sectors(shown: list[DriveShown]) -> dict[str, int]:
    return {one.bay: one.seen.record.coverage.sector_bytes for one in shown if one.seen is not None}


@dataclass(frozen=True, slots=True)
class AtHand:
    """The drives that are plugged into this machine, each with its words.

    Args:
        offered: those that can be chosen, by where they are.
        not_now: the others, with why.
        bays: by bay, where the drive is that says its serial number.
        more: how many are not listed, as a sentence; empty for none.
    """

    offered: Mapping[str, str]
    not_now: tuple[tuple[str, str], ...]
    bays: Mapping[str, str]
    more: str = ""

    def filled_in(self, where: str) -> dict[str, str]:
        """What the fields of a place begin with, for a drive that was there last: chosen from the list if it
        is in it. The path of a device that is not in it is left out: another one will be chosen."""
        is_offered = where in self.offered
        is_gone = bool(self.offered) and where.startswith(DEVICES)
        return {"device": where if is_offered else "", "source": "" if is_offered or is_gone else where}


def _at_hand(bench: Bench, case: int, found: tuple[WorkSeen, ...]) -> AtHand:
    busy = {where for one in found if not one.is_over for where in sources_in(one.order.options).values()}
    offered: dict[str, str] = {}
    bays: dict[str, str] = {}
    not_now: list[tuple[str, str]] = []
    at_hand = drives_at_hand(bench, case)
    for one in at_hand.offered:
        words = wording.at_hand_words(one.drive)
        against = "It is being read now." if one.drive.where in busy else one.against
        if against:
            not_now.append((words, against))
            continue
        offered[one.drive.where] = f"{words}, the drive of bay {one.bay}" if one.bay else words
        if one.bay:
            bays.setdefault(one.bay, one.drive.where)
    return AtHand(offered, tuple(not_now), bays, more_words(at_hand.more))


def _slots(shown: list[DriveShown], found: tuple[WorkSeen, ...], at_hand: AtHand) -> list[dict[str, Any]]:
    """What the form of a reading begins with: the bays, and where their drives were last time."""
    last = next((said_by(one.order) for one in found if one.is_reading), {})
    before = {last.get(f"bay_{at}"): at for at in SLOTS}
    bays = [one.bay for one in shown] or ["1", "2"]
    slots = []
    for at, bay in zip(SLOTS, bays, strict=False):
        was = before.get(bay)
        drive = next((one for one in shown if one.bay == bay), None)
        where = at_hand.bays.get(bay) or (last[f"source_{was}"] if was else _last_device(drive))
        slots.append(
            {
                "at": at,
                "bay": bay,
                **at_hand.filled_in(where),
                "adapter": last[f"adapter_{was}"] if was else "",
                "condition": "",
            }
        )
    return slots


def _slots_said(said: Mapping[str, Any], at_hand: AtHand) -> list[dict[str, Any]]:
    """The same as it was said and looked at."""
    return [
        {
            "at": at,
            "bay": said[f"bay_{at}"],
            **at_hand.filled_in(said[f"device_{at}"] or said[f"source_{at}"]),
            "adapter": said[f"adapter_{at}"],
            "condition": said[f"condition_{at}"],
        }
        for at in SLOTS
    ]


# ---------------------------------------------------------------------- one drive


def one_drive(visit: Visit) -> Answer:
    """One drive, or a range of it."""
    case, bay = visit.path["case"], visit.said["bay"]
    with visit.bench() as bench:
        card = card_of(visit, bench, case)
        if bay not in {one.bay for one in bench.ledger.bays(case)}:
            raise NoSuchCase(f"Case {case} has no bay {bay[:40]}.", "Go back to its drives.")
        found = works_of(visit, case)
        shown = _shown(visit, bench, case, bay, {})
        facts = {
            "card": card,
            "drive": shown,
            **_works_facts(bay, found),
            "asides": asides(bench, case, bay),
            "asides_there": bench.images.asides(card.case, bay),
            "held": _held(bench, case, bay),
            "due_power": reasons_due(bench, case, [bay], reading=False),
            "due_reading": reasons_due(bench, case, [bay], reading=True),
            "against_power": ("power", *speaks_against(bench, case, [bay], reading=False)),
            "against_reading": ("reading", *speaks_against(bench, case, [bay], reading=True)),
            "cautions": cautions_for((*DRIVE, *_clicks(bench, case, bay))),
            "image_mark": _mark(shown),
            **_place_facts(bench, case, bay, shown, found),
        }
    return Page("drive.html", {**facts, **_zoom_facts(visit, shown, _needles(found).get(bay))})


def image_said(identity: Identity, runs: Sequence[Run]) -> tuple[object, ...]:
    """What stays the same as long as a bay's image is the same one, however much is read into it."""
    return identity.serial, identity.size_bytes, runs[0].started_at if runs else ""


def _mark(shown: DriveShown) -> str:
    if shown.seen is None:
        return ""
    return seen(*image_said(shown.seen.record.identity, shown.seen.record.runs))


def _clicks(bench: Bench, case: int, bay: str) -> tuple[str, ...]:
    """The caution for a drive that is said to click."""
    return CLICKS if said_condition(bench, case, bay) is Condition.CLICKS else ()


def _held(bench: Bench, case: int, bay: str) -> HeldBack | None:
    """What speaks against reading it, by the customer's word or by triage; that they want to be asked each
    time stands in the forms."""
    try:
        foresee_reading(bench, case, [bay], Although(asked=True))
    except HeldBack as held:
        return held
    return None


def _place_facts(
    bench: Bench, case: int, bay: str, shown: DriveShown, found: tuple[WorkSeen, ...]
) -> dict[str, Any]:
    """The drives at hand, and where that of the bay is."""
    at_hand = _at_hand(bench, case, found)
    where = at_hand.bays.get(bay) or _last_device(shown)
    return {"at_hand": at_hand, **at_hand.filled_in(where)}


def _last_device(shown: DriveShown | None) -> str:
    """The device that the image was read from last; empty for none. What a simulated drive calls itself is
    the file of its content, and not the drive."""
    runs = () if shown is None or shown.seen is None else shown.seen.record.runs
    return runs[-1].source if runs and runs[-1].source.startswith(DEVICES) else ""


def _zoom_facts(visit: Visit, shown: DriveShown, needle_at: int | None) -> dict[str, Any]:
    if shown.seen is None:
        return {"within": None, "rings": None, "lacking": [], "more": 0, "ways": []}
    record, bay = shown.seen.record, shown.bay
    within = range_asked(
        visit.said["from"], visit.said["to"], record.coverage.size_bytes, record.coverage.sector_bytes
    )
    whole = Span(0, record.coverage.size_bytes)
    rings = wiring.drive_rings(
        shown.seen.facts,
        f"zoom{_key(bay)}",
        needle_at=needle_at,
        within=None if within == whole else within,
        link=None
        if within.length <= record.coverage.sector_bytes
        else lambda span: _zoomed(visit, bay, span),
    )
    inside = record.lacking.within(within)
    return {
        "within": within,
        "is_whole": within == whole,
        "place": _place(within, record.coverage.sector_bytes),
        "rings": rings,
        "lacking": [
            lacking_row(record, one) | {"link": _zoomed(visit, bay, one.span)}
            for one in map(record.lacking.__getitem__, inside[:RANGES_SHOWN])
        ],
        "more": max(0, len(inside) - RANGES_SHOWN),
        "ways": _ways(visit, bay, within, whole, record.coverage.sector_bytes),
        "differences": [_difference_row(record, one) for one in record.differences[:RANGES_SHOWN]],
    }


def range_asked(start: int | None, stop: int | None, size_bytes: int, sector_bytes: int) -> Span:
    """The range that is asked for, between sectors and within the drive; without bounds the whole drive.

    Raises:
        UsageError: it begins behind the drive's end, or ends before it begins.
    """
    first = 0 if start is None else start // sector_bytes * sector_bytes
    last = size_bytes if stop is None else min(size_bytes, -(-stop // sector_bytes) * sector_bytes)
    if first >= size_bytes:
        raise UsageError(
            f"The drive ends at byte {count_text(size_bytes)}.", "Ask for a range that begins before that."
        )
    if last <= first:
        raise UsageError("A range that ends where it begins holds nothing.", "Ask for a later end.")
    return Span(first, last)


def _place(within: Span, sector_bytes: int) -> str:
    first, last = within.start // sector_bytes, (within.stop - 1) // sector_bytes
    many = counted(last - first + 1, "sector")
    where = (
        f"Sector {count_text(first)}"
        if first == last
        else f"Sectors {count_text(first)} to {count_text(last)}: {many}"
    )
    return f"{where}, {bytes_text(within.length)} from byte {count_text(within.start)} on"


def _ways(visit: Visit, bay: str, within: Span, whole: Span, sector_bytes: int) -> list[tuple[str, str]]:
    """Where one can go from a range."""
    if within == whole:
        return []
    room = within.length * (WIDER - 1) // 2 // sector_bytes * sector_bytes
    wider = Span(max(0, within.start - room), min(whole.stop, within.stop + room))
    ways = [("Whole drive", visit.url("drives", {"bay": bay}))]
    if wider != whole:
        ways.append(("Up: a wider range", _zoomed(visit, bay, wider)))
    if within.start > 0:
        before = Span(max(0, within.start - within.length), within.start)
        ways.append(("Range before", _zoomed(visit, bay, before)))
    if within.stop < whole.stop:
        after = Span(within.stop, min(whole.stop, within.stop + within.length))
        ways.append(("Range after", _zoomed(visit, bay, after)))
    return ways


def lacking_row(record: ImagingRecord, one: Lacking) -> dict[str, str]:
    """A range that is not read, in words."""
    sector = record.coverage.sector_bytes
    condition = record.condition_of(one)
    return {
        "start": count_text(one.span.start // sector),
        "sectors": count_text(-(-one.span.length // sector)),
        "bytes": count_text(one.span.length),
        "condition": wording.LEFT_WORDS if condition == LEFT else condition,
        "tries": str(one.tries or ""),
        "trouble": str(one.trouble or ""),
        "adapter": "" if condition == LEFT else one.adapter,
        "at": one.at,
    }


def _difference_row(record: ImagingRecord, one: Difference) -> dict[str, str]:
    return {
        "start": count_text(one.span.start),
        "bytes": count_text(one.span.length),
        "first": f"{one.first_run} {record.adapter(one.first_run)}",
        "second": f"{one.second_run} {record.adapter(one.second_run)}",
    }


@BOOK.page(CASE + "/{bay}/not-read.csv", "drive-not-read", "What of a drive is not read, as a list.")
def not_read(visit: Visit) -> Answer:
    case, bay = visit.path["case"], visit.path["bay"]
    with visit.bench() as bench:
        record = imaging_record(bench, case, bay)
    return Blob(lacking_csv(record, case), "text/csv; charset=utf-8", f"case-{case}-bay-{bay}-not-read.csv")
