"""Reads of the chips of a bay in the browser: taken, judged, held against a family, taken back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from markupsafe import Markup

from mendbay.board.rom_map import RomMap
from mendbay.board.rom_reads import Verdict
from mendbay.board.rom_vote import MOST_READS, Vote
from mendbay.board.transfer_plan import Role
from mendbay.core.cautions import cautions_for
from mendbay.core.errors import UsageError
from mendbay.core.quantity import count_text, counted
from mendbay.faces.board_words import CHIP, ROLES, chip_sentences
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Page
from mendbay.faces.web.bay_choice import BAY, bay_choice, of_a_bay
from mendbay.faces.web.card import card_of
from mendbay.faces.web.case_works import ask_to_stop
from mendbay.faces.web.chip_works import (
    KINDS,
    clip_said,
    order_chip_work,
    require_chips_at_rest,
    said_before,
    works_of_chips,
)
from mendbay.faces.web.clip_form import CLIP, VOLTS
from mendbay.faces.web.fields import choice, files, line, number
from mendbay.faces.web.gate import Gate
from mendbay.faces.web.lately import Lately
from mendbay.faces.web.visit import Visit, seen
from mendbay.jobs.bench import Bench
from mendbay.jobs.judge_rom import LookedAtRom, forget_judged, judge_rom, look_at_reads
from mendbay.jobs.learn_rom import judge_by_family, look_by_family
from mendbay.jobs.own_names import own_name
from mendbay.jobs.rom_doubts import fitting_family
from mendbay.jobs.rom_reads import (
    DUMP_LIMIT_BYTES,
    READS,
    RomRead,
    doubts_of_sizes,
    keep_dumps,
    newest_sitting,
    read_under_both,
    rom_reads,
    withdraw_sitting,
)
from mendbay.jobs.work_port import WorkKind
from mendbay.wiring import rom_drawing, shop_files, transfer_journals

BOOK = Book()
ROLE = choice("chip", "Whose chip", {one.value: words for one, words in ROLES.items()}, required=True)
ON_CLIP = replace(ROLE, words="Whose chip is on the clip")
OF_DUMPS = replace(ROLE, words="Whose chip the dumps are of")
FAMILY = line("family", "Family it is held against", limit=200)
LOOKS_KEPT = 12
"""Judgements that the server holds: they take seconds, and the same reads always give the same."""
JUDGED_AT_ONCE = 2
"""Each holds all reads of a chip, and a processor for seconds (own choice)."""
MOST_WAITING = 6
TOO_MANY = "The reads of too many chips are being judged at once."
PLACES_SHOWN = 12
LINES_SHOWN = 40
"""Lines of what lies where; the others are folded away."""


@dataclass(frozen=True, slots=True)
class Sitting:
    """Reads of one chip in one go.

    Args:
        newest: whether it is the one that counts.
    """

    role: Role
    number: int
    reads: tuple[RomRead, ...]
    newest: bool

    @property
    def withdrawn(self) -> str:
        """Why it counts no longer; empty while it does."""
        return self.reads[0].withdrawn

    @property
    def alike(self) -> bool:
        """Whether all its reads are the same."""
        return len({one.file.sha256 for one in self.reads}) == 1


def _sittings(reads: Sequence[RomRead]) -> list[Sitting]:
    """The sittings, by chip and the newest first."""
    found = []
    for role in Role:
        of = [one for one in reads if one.role is role]
        standing = [one.sitting for one in of if not one.withdrawn]
        for at in sorted({one.sitting for one in of}, reverse=True):
            some = tuple(one for one in of if one.sitting == at)
            found.append(Sitting(role, at, some, bool(standing) and at == standing[-1]))
    return found


@BOOK.page(
    "/case/{case:int}/board/rom",
    "board-rom",
    "Every read kept of the chips of a bay, and how more are taken.",
    [BAY],
)
@of_a_bay
def rom(visit: Visit) -> Answer:
    case = visit.path["case"]
    with visit.bench() as bench:
        at = bay_choice(visit, bench, case)
        card = card_of(visit, bench, case)
        works = works_of_chips(visit, at.bay, WorkKind.READ_CHIP)  # first: one that ends now has said all
        reads = rom_reads(bench, case, at.bay, also_withdrawn=True)
        twice = read_under_both(bench, case, at.bay, Role.PATIENT)
    facts = {
        "card": card,
        "at_bay": at,
        "works": works,
        "busy": any(one.is_alive for one in works),
        "sittings": _sittings(reads),
        "twice": twice,
        "doubts": doubts_of_sizes([one for one in reads if not one.withdrawn]),
        "cautions": cautions_for(CHIP),
        "before": said_before(works, writes=False),
        "volts": VOLTS,
        "limit_bytes": DUMP_LIMIT_BYTES,
    }
    return Page("board_rom.html", facts)


@BOOK.page(
    "/case/{case:int}/board/reads",
    "board-reads",
    "What the newest reads of a chip are worth, where they differ, and what lies where.",
    [BAY, ROLE, FAMILY],
)
@of_a_bay
def reads(visit: Visit) -> Answer:
    case, role = visit.path["case"], Role(visit.said["chip"])
    with visit.bench() as bench:
        at = bay_choice(visit, bench, case)
        card = card_of(visit, bench, case)
        family = visit.said["family"] or _fitting(visit, bench, case, at.bay, role)
        looked = _looked(visit, bench, case, at.bay, role, family)
    found = looked.judgement
    runs = found.vote.bits.runs() if found.vote is not None and found.vote.disagreeing else ()
    asked = dict.fromkeys(str(one.kind) for one in found.questions)
    facts = {
        "card": card,
        "at_bay": at,
        "chip": visit.said["chip"],
        "chip_words": ROLES[role],
        "looked": looked,
        "found": found,
        "questions": list(asked) if found.verdict is not Verdict.UNUSABLE else [],
        "family": family,
        "places": runs[:PLACES_SHOWN],
        "more_places": max(0, len(runs) - PLACES_SHOWN),
        "doubt_map": doubt_map(found.vote) if runs and found.vote is not None else "",
        "lies": what_lies_where(looked.map) if looked.map is not None else None,
        "lines_shown": LINES_SHOWN,
        "facts_of_chip": _chip_facts(looked.reads[0]),
        "reads_mark": _reads_mark(looked.reads),
    }
    return Page("board_reads.html", facts)


def _reads_mark(reads: Sequence[RomRead]) -> str:
    return seen(*(one.file.sha256 for one in reads))


def _chip_facts(read: RomRead) -> list[str]:
    chip = read.chip()
    return [] if chip is None else chip_sentences(chip)


def _fitting(visit: Visit, bench: Bench, case: int, bay: str, role: Role) -> str:
    """The family that a chip's reads belong to; empty if none."""
    return fitting_family(bench, shop_files(visit.desk.home), case, bay, role)


def _looked(visit: Visit, bench: Bench, case: int, bay: str, role: Role, family: str) -> LookedAtRom:
    """The judgement, kept by what the reads hold.

    Raises:
        MendbayError: too many are judged at once already.
        Interrupted: whoever asks for the page has gone away.
    """
    looks: RomLooks = visit.desk.keep("rom-looks", lambda: RomLooks(LOOKS_KEPT), of_cases=True)
    shop = shop_files(visit.desk.home)
    rules = shop.text("families", family) if family else ""
    twice = read_under_both(bench, case, bay, role)
    key = (case, bay, role, rules, twice, tuple(newest_sitting(bench, case, bay, role)))
    found = looks.get(key)
    if found is not None:
        return found
    gate: Gate = visit.desk.keep("rom-gate", lambda: Gate(JUDGED_AT_ONCE, MOST_WAITING, refusal=TOO_MANY))
    with gate.through(visit.gone):
        found = looks.get(key)  # another may have had the same judged meanwhile
        if found is None:
            if family:
                found = look_by_family(bench, shop, case, bay, role, family)
            else:
                found = look_at_reads(bench, case, bay, role)
            looks.put(key, found)
    return found


class RomLooks(Lately[tuple[object, ...], LookedAtRom]):
    """Judgements; whoever lets go of them lets go of the reads that they were made of."""

    def close(self) -> None:
        super().close()
        forget_judged()


@dataclass(frozen=True, slots=True)
class Lies:
    """What lies where in a ROM: a curve over all of it, and a line for each region, with its bar."""

    textures: Markup
    curve: Markup
    curve_words: str
    lines: tuple[tuple[str, str, Markup], ...]
    total: str


def what_lies_where(rom: RomMap) -> Lies:
    """The drawing of a ROM, in the parts that its page puts in their places."""
    drawn = rom_drawing(rom, "rom")
    lines = tuple((one.place, one.words, Markup(one.bar)) for one in drawn.regions)  # noqa: S704 - drawn here
    textures, curve = Markup(drawn.textures), Markup(drawn.curve)  # noqa: S704 - of numbers and our own words
    return Lies(textures, curve, drawn.curve_words, lines, drawn.total)


def doubt_map(vote: Vote) -> Markup:
    """Where reads differ, from the first byte of a ROM on the left to its last on the right."""
    cells = vote.per_cell
    places = [int(one) for one in cells.nonzero()[0]]
    total = max(1, len(cells))
    marks = Markup("").join(
        Markup('<rect class="cell" x="{}" width="{}" height="20"/>').format(
            round(1000 * one / total, 2), round(max(2.0, 1000 / total), 2)
        )
        for one in places
    )
    words = (
        f"From the first byte on the left to the last on the right: of {total} blocks of 256 bytes "
        f"{count_text(len(places))} hold bits that differ"
    )
    return Markup(
        '<svg class="doubts" viewBox="0 0 1000 20" preserveAspectRatio="none" role="img" aria-label="{}">'
        '<rect class="ground" width="1000" height="20"/>{}</svg><p class="soft">{}.</p>'
    ).format(words, marks, words)


# ---------------------------------------------------------------------- changes


@BOOK.change(
    "/case/{case:int}/board/keep-dumps",
    "board-keep-dumps",
    "Keeps dumps that any programmer made, as reads of one sitting.",
    [
        BAY,
        OF_DUMPS,
        files("dumps", "Files of one sitting", limit=MOST_READS),
        line("chip_id", "The chip's id as the programmer shows it", limit=60),
    ],
)
def keep(visit: Visit) -> Answer:
    case, role = visit.path["case"], Role(visit.said["chip"])
    dumps = []
    for one in visit.said["dumps"]:
        if (one.size or 0) > DUMP_LIMIT_BYTES:
            raise UsageError("No board carries a ROM that large: nothing was kept.", "Choose the right file.")
        dumps.append((own_name(one.filename or "") or "dump", one.file.read(DUMP_LIMIT_BYTES + 1)))
    with visit.bench() as bench:
        at = bay_choice(visit, bench, case)
        kept = keep_dumps(bench, case, at.bay, role, dumps, visit.said["chip_id"])
    doubts = doubts_of_sizes(kept)
    said = f"Kept: {counted(len(kept), 'read')} of {ROLES[role]}, sitting {kept[0].sitting}."
    return visit.go("board-rom", " ".join((said, *(f"DOUBTFUL: {one}" for one in doubts))), {"bay": at.bay})


@BOOK.change(
    "/case/{case:int}/board/read-chip",
    "board-read-chip",
    "Orders that the chip on a clip is read through an adapter, several times.",
    [BAY, ON_CLIP, number("times", "Whole reads", least=2, most=MOST_READS, default=READS), *CLIP],
)
def read(visit: Visit) -> Answer:
    clip = clip_said(visit)
    with visit.bench() as bench:
        at = bay_choice(visit, bench, visit.path["case"])
        require_chips_at_rest(visit, at.bay)
        options = {"bay": at.bay, "role": visit.said["chip"], "times": visit.said["times"], **clip}
        order_chip_work(visit, bench, WorkKind.READ_CHIP, options)
    said = "The reading has begun; this page shows how far it is. Leave the clip untouched."
    return visit.go("board-rom", said, {"bay": at.bay})


@BOOK.change(
    "/case/{case:int}/board/stop-clip",
    "board-stop-clip",
    "Stops the reading or the writing of a chip between two of its blocks.",
    [BAY, line("work", "Work", required=True)],
)
def stop(visit: Visit) -> Answer:
    with visit.bench() as bench:
        at = bay_choice(visit, bench, visit.path["case"])
    living = {one.shown.order.id: one for one in works_of_chips(visit, at.bay) if one.is_alive}
    work = living.get(visit.said["work"])
    if work is None:
        raise UsageError("It has ended already.", "Load the page again, and see how the chip stands.")
    ask_to_stop(visit, visit.said["work"], *KINDS)
    said = "It is told to stop, and says how the chip stands once it has."
    return visit.go("board-transfer" if work.writes else "board-rom", said, {"bay": at.bay})


@BOOK.change(
    "/case/{case:int}/board/judge",
    "board-judge",
    "Puts down what the newest reads of a chip are worth; a voted dump is kept.",
    [BAY, ROLE, FAMILY],
)
def judge(visit: Visit) -> Answer:
    case, role, family = visit.path["case"], Role(visit.said["chip"]), visit.said["family"]
    with visit.bench() as bench:
        at = bay_choice(visit, bench, case)
        family = family or _fitting(visit, bench, case, at.bay, role)
        _looked(visit, bench, case, at.bay, role, family)  # takes seconds, and is at hand below
        with bench.ledger.together():
            now = newest_sitting(bench, case, at.bay, role)
            visit.require_unchanged("what was read", *(one.file.sha256 for one in now))
            if family:
                judged = judge_by_family(bench, shop_files(visit.desk.home), case, at.bay, role, family)
            else:
                judged = judge_rom(bench, case, at.bay, role)
    said = f"Put down: {counted(len(judged.reads), 'read')}, {judged.judgement.verdict}."
    if judged.voted is not None:
        said += f" The voted dump is kept with the case, as {judged.voted.path}."
    query = {"bay": at.bay, "chip": role.value, "family": visit.said["family"]}
    return visit.go("board-reads", said, query)


@BOOK.change(
    "/case/{case:int}/board/withdraw-sitting",
    "board-withdraw-sitting",
    "Takes back that a sitting of reads is of that chip; files and record stay.",
    [
        BAY,
        ROLE,
        number("sitting", "Sitting", required=True, least=1, most=10**6),
        line("reason", "Why it is taken back", required=True, limit=500),
    ],
)
def take_back(visit: Visit) -> Answer:
    case, role, sitting = visit.path["case"], Role(visit.said["chip"]), visit.said["sitting"]
    with visit.bench() as bench, bench.ledger.together():
        at = bay_choice(visit, bench, case)
        require_chips_at_rest(visit, at.bay)
        journals = transfer_journals(visit.desk.home)
        gone = withdraw_sitting(bench, journals, case, at.bay, role, sitting, visit.said["reason"])
    said = f"Sitting {sitting} of {ROLES[role]}, {counted(len(gone), 'read')}, counts no longer."
    return visit.go("board-rom", said, {"bay": at.bay})
