"""How the drives of a case belong together, and what speaks for it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from mendbay.core.clock import iso_from_epoch
from mendbay.core.errors import CannotAssemble, NoFileSystem, NoSuchCase
from mendbay.core.quantity import bytes_text, count_text, in_sectors, memory_text
from mendbay.faces.reading_words import LEVELS, assembled_words, other_words, place_words
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Page
from mendbay.faces.web.card import card_of
from mendbay.faces.web.open_catalogues import catalogue_for
from mendbay.faces.web.visit import Visit
from mendbay.jobs.case_steps import StepName, StepState
from mendbay.jobs.files_apart import WALKED, FileApart, FilesApartSeen
from mendbay.jobs.look_at_pair import in_story_since, look_at_pair, why_not_taken
from mendbay.jobs.looks import NOTHING_TO_JOIN, stands_alone
from mendbay.jobs.pair_picture import PairSeen, PairsSeen, Turn
from mendbay.jobs.volume import fresher_bay
from mendbay.pair.volume import Level

if TYPE_CHECKING:
    from mendbay.jobs.catalogue_port import KeptCatalogue

BOOK = Book()
APART_SHOWN = 100
ROW, TOP = 34, 30
"""Height of a chunk in the drawing, and where the first begins."""


@BOOK.page("/case/{case:int}/pair", "pair", "How the drives belong together, and why.")
def pair(visit: Visit) -> Answer:
    case = visit.path["case"]
    kept: PairsSeen = visit.desk.keep("pairs seen", PairsSeen, of_cases=True)
    facts: dict[str, Any] = {"seen": None, "trouble": None}
    with visit.bench() as bench:
        facts["card"] = card = card_of(visit, bench, case)
        step = next(one for one in card.told.steps if one.name is StepName.PAIR)
        bays = bench.ledger.bays(case)
        facts["alone"] = NOTHING_TO_JOIN if stands_alone(card.told.case, bays) else ""
        facts["is_new"] = step.state in (StepState.NOT_STARTED, StepState.UNDER_WAY)
        try:
            facts |= _shown(seen := kept.of(bench, case))
            facts["told_at"] = in_story_since(bench, case, seen.candidates[0])
        except (CannotAssemble, NoSuchCase) as trouble:
            facts["trouble"] = trouble
    return Page("pair.html", facts)


def _shown(seen: PairSeen) -> dict[str, Any]:
    chosen = seen.candidates[0]
    first, *reasons = assembled_words(chosen)
    return {
        "seen": seen,
        "chosen": chosen,
        "first": first,
        "reasons": reasons,
        "members": [_member(one) for one in chosen.members],
        "others": [
            (other_words(one), why_not_taken(one, chosen, is_known=seen.facts is not None))
            for one in seen.candidates[1:]
        ],
        "fresher": fresher_bay(chosen),
        "parted_at": "" if chosen.parted_at is None else iso_from_epoch(chosen.parted_at),
        "drawing": drawing_of(seen),
        "apart": [(count_text(one.start), count_text(one.length)) for one in list(seen.apart)[:APART_SHOWN]],
        "apart_more": max(0, len(seen.apart) - APART_SHOWN),
    }


def _member(one: Any) -> dict[str, str]:
    return {
        "bay": one.bay,
        "place": place_words(one),
        "start": count_text(one.span.start),
        "bytes": bytes_text(one.span.length),
        "role": one.role,
        "standing": str(one.standing),
        "events": count_text(one.events) if one.events else "",
        "updated": iso_from_epoch(one.updated_at) if one.updated_at else "",
    }


# ---------------------------------------------------------------------- the drawing


@dataclass(frozen=True, slots=True)
class Chunk:
    """A box of the drawing: where it stands, its number in the volume's order, and what it is, in words."""

    x: int
    y: int
    number: int
    words: str
    is_second: bool


@dataclass(frozen=True, slots=True)
class DrawingOfPair:
    """Boxes on the columns of the bays and of the volume, and the threads that join them.

    Args:
        threads: ends of each line, and whether it comes from the second bay.
        rows: the same in words: the range of the volume, then where it lies.
    """

    columns: tuple[tuple[str, int], ...]
    chunks: tuple[Chunk, ...]
    threads: tuple[tuple[int, int, int, int, bool], ...]
    height: int
    words: str
    rows: tuple[tuple[str, str], ...]


LEFT, MIDDLE, RIGHT, WIDE = 10, 170, 330, 100
"""Where the columns begin, and how wide they are."""


def drawing_of(seen: PairSeen) -> DrawingOfPair | None:
    """How the bytes of the drives take turns in the volume; None where one drive alone makes it."""
    chosen = seen.candidates[0]
    bays = sorted({bay for turn in seen.turns for bay, _ in turn.on})[:2]
    if not bays or chosen.level is Level.SINGLE:
        return None
    places = {bay: (LEFT if at == 0 else RIGHT) for at, bay in enumerate(bays)}
    down, is_stripe = dict.fromkeys(bays, 0), chosen.level is Level.STRIPE
    chunks, threads = [], []
    for at, turn in enumerate(seen.turns):
        y = TOP + at * ROW
        owners = [bay for bay, _ in turn.on]
        second = bool(owners) and owners[0] != bays[0]
        chunks.append(Chunk(MIDDLE, y, at + 1, _range(turn, is_stripe), second))
        for bay, span in turn.on:
            if bay not in places:
                continue
            mine = TOP + down[bay] * ROW
            down[bay] += 1
            is_second = bay != bays[0]
            told = f"bay {bay}: {_long(span.length, is_stripe)} from byte {count_text(span.start)} on"
            chunks.append(Chunk(places[bay], mine, at + 1, told, is_second))
            from_x = places[bay] + (WIDE if bay == bays[0] else 0)
            to_x = MIDDLE if bay == bays[0] else MIDDLE + WIDE
            threads.append((from_x, mine + ROW // 2 - 3, to_x, y + ROW // 2 - 3, is_second))
    columns = [*((f"bay {bay}", places[bay]) for bay in bays), ("volume", MIDDLE)]
    rows = tuple((_range(turn, is_stripe), _lies(turn)) for turn in seen.turns)
    height = TOP + max(1, len(seen.turns)) * ROW + 6
    return DrawingOfPair(tuple(columns), tuple(chunks), tuple(threads), height, _words(seen), rows)


def _range(turn: Turn, is_stripe: bool) -> str:
    return f"{_long(turn.span.length, is_stripe)} from byte {count_text(turn.span.start)} on"


def _long(length: int, is_stripe: bool) -> str:
    """How long a range is: of a stripe it is a unit, or what is left of one."""
    return memory_text(length) if is_stripe else bytes_text(length)


def _lies(turn: Turn) -> str:
    found = [f"bay {bay}, from byte {count_text(span.start)} on" for bay, span in turn.on]
    return " and ".join(found) or "on a drive that is not here"


def _words(seen: PairSeen) -> str:
    level, sector = LEVELS[seen.candidates[0].level], seen.candidates[0].volume.sector_bytes
    if seen.candidates[0].level is Level.MIRROR:
        return f"{level}: each part of the volume lies on both drives."
    if seen.turn_bytes:
        return f"{level}: the drives take turns every {in_sectors(seen.turn_bytes, sector)}."
    return f"{level}: the parts follow each other."


@BOOK.page("/case/{case:int}/pair/apart", "pair-apart", "Which files lie where the halves differ.")
def files_where_apart(visit: Visit) -> Answer:
    case = visit.path["case"]
    kept: FilesApartSeen = visit.desk.keep("files apart", FilesApartSeen, of_cases=True)
    with visit.bench() as bench:
        facts: dict[str, Any] = {"card": card_of(visit, bench, case), "trouble": None, "walked": WALKED}
        try:
            found = kept.of(bench, case)
        except (CannotAssemble, NoFileSystem, NoSuchCase) as trouble:
            return Page("pair_apart.html", {**facts, "trouble": trouble})
        catalogue = catalogue_for(visit, bench)
    rows = [_row(visit, one, catalogue) for one in found.files]
    return Page("pair_apart.html", {**facts, "found": found, "rows": rows, "has_list": catalogue is not None})


def _row(visit: Visit, one: FileApart, kept: KeptCatalogue | None) -> dict[str, object]:
    number = None if kept is None else kept.catalogue.number_of(one.path)
    url = ""
    if kept is not None and number is not None:
        url = visit.url("file", {"number": number, "generation": kept.generation})
    return {
        "path": one.path or b"/",
        "url": url,
        "is_folder": one.is_folder,
        "size": one.size_bytes,
        "differ": one.differ_bytes,
    }


@BOOK.change("/case/{case:int}/pair/keep", "pair-keep", "Puts what the images show into the case's story.")
def keep(visit: Visit) -> Answer:
    with visit.bench() as bench:
        look_at_pair(bench, visit.path["case"])
    return visit.go("pair", "What the images show is in the case's story, and triage knows it.")
