"""What is known of model families, and the ROM rules that the shop learns from good dumps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from mendbay.board.flash_id import size_text
from mendbay.board.rules.family import LARGEST_DUMP, MOST_BYTES
from mendbay.board.unique_data import FamilyNote, Need, Seat
from mendbay.core.errors import UsageError
from mendbay.faces import lesson_words
from mendbay.faces.family_words import few_words, revisions_of_family, rules_of_family
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Page
from mendbay.faces.web.case_works import ShownWork, order_work, shown_works
from mendbay.faces.web.fields import choice, files, flag, line
from mendbay.faces.web.uploads import take_uploads
from mendbay.faces.web.visit import Visit
from mendbay.jobs.know_family import KnownFamily, known_families, note_family, withdraw_family
from mendbay.jobs.learn_rom import DUMPS_LIMIT, LearnedFamily, families, foresee_learning, unlearn_dump
from mendbay.jobs.work_options import options_of
from mendbay.jobs.work_options_office import LearnFamily
from mendbay.jobs.work_port import Ask, Outcome, WorkKind, WorkRequest
from mendbay.wiring import shop_files

BOOK = Book()
NEEDS = {"must": Need.MUST, "may": Need.MAY, "not": Need.NOT}
SEATS = {"chip": Seat.SEPARATE_CHIP, "controller": Seat.IN_CONTROLLER, "unknown": Seat.UNKNOWN}
SHOWN_WORKS = 3


@BOOK.page("/lessons/families", "families", "What is known of model families and of the ROMs of boards.")
def families_(visit: Visit) -> Answer:
    with visit.bench() as bench:
        known = known_families(bench)
        learned, broken = families(bench, shop_files(visit.desk.home))
    works = shown_works(visit, (WorkKind.LEARN_FAMILY,), SHOWN_WORKS, case=0)
    facts = {
        "works": works,
        "again": _again(works),
        "dumps_limit": DUMPS_LIMIT,
        "dump_limit": size_text(LARGEST_DUMP),
        "limit": size_text(MOST_BYTES),
        "known": [
            (one.note.family, lesson_words.family_words(one), one, _known_mark([one])) for one in known
        ],
        "known_mark": _known_mark(known),
        "learned_mark": _all_learned_mark(learned),
        "learned": [
            {
                "name": one.name,
                "size": size_text(one.family.size),
                "dumps": one.family.dumps,
                "revisions": list(revisions_of_family(one)),
                "rules": rules_of_family(one),
                "few": few_words(one),
                "mark": _learned_mark(one),
                "withdrawn": bool(one.withdrawn),
                "from": one.dumps or (),
            }
            for one in learned
        ],
        "broken": broken,
    }
    return Page("lessons_families.html", facts)


@dataclass(frozen=True, slots=True)
class Again:
    """What the form of a learning begins with, after one that came to nothing.

    Args:
        names: of the dumps, which a browser lets nobody choose but the person.
    """

    name: str = ""
    names: tuple[str, ...] = ()
    also_withdrawn: bool = False
    in_its_place: bool = False


def _again(works: Sequence[ShownWork]) -> Again:
    """What was said last, where nothing came of it; but for the word that all dumps are good, which is given
    for those that are sent."""
    last = next(iter(works), None)
    if last is None or last.is_alive or last.state.outcome in (Outcome.DONE, Outcome.INCOMPLETE):
        return Again()
    try:
        said = options_of(last.order)
    except UsageError:  # damaged
        return Again()
    if not isinstance(said, LearnFamily):
        return Again()
    return Again(said.name, said.names, said.also_withdrawn, said.in_its_place)


@BOOK.change(
    "/lessons/families/note",
    "note-family",
    "Notes whether the ROM of a model family must move, and how that is known.",
    [
        line("family", "Model family", required=True),
        choice("need", "Its ROM", {name: str(one) for name, one in NEEDS.items()}, required=True),
        choice("seat", "It sits", {name: str(one) for name, one in SEATS.items()}, required=True),
        line("basis", "From where that is known", required=True),
    ],
)
def note(visit: Visit) -> Answer:
    said = visit.said
    with visit.bench() as bench, bench.ledger.together():
        visit.require_unchanged("what is noted of families", *_known_mark(known_families(bench)))
        known = note_family(
            bench, FamilyNote(said["family"], SEATS[said["seat"]], NEEDS[said["need"]], said["basis"])
        )
    return visit.go("families", f"Noted: {lesson_words.family_words(known)}.")


@BOOK.change(
    "/lessons/families/forget",
    "forget-family",
    "Takes back what was noted of a family: its ROM must move again.",
    [line("family", "Model family", required=True), line("reason", "Why it was a mistake", required=True)],
)
def forget_family(visit: Visit) -> Answer:
    with visit.bench() as bench, bench.ledger.together():
        family = visit.said["family"]
        now = [one for one in known_families(bench) if one.note.family == family]
        visit.require_unchanged("what is noted of the family", *_known_mark(now))
        gone = withdraw_family(bench, visit.said["family"], visit.said["reason"])
    return visit.go(
        "families",
        f"Taken back: of family {gone.note.family} that the ROM {gone.note.need}. Nothing is noted of it "
        "now, so the ROM must move.",
    )


@BOOK.change(
    "/lessons/families/unlearn",
    "unlearn-dump",
    "Takes back that a dump is a good one: its family judges nothing until it is learned anew.",
    [
        line("family", "Board family", required=True),
        line("dump", "Dump", required=True),
        line("reason", "Why it is not good", required=True),
    ],
)
def unlearn_rom(visit: Visit) -> Answer:
    said, shop = visit.said, shop_files(visit.desk.home)
    with visit.bench() as bench, bench.ledger.together():
        now = [one for one in families(bench, shop)[0] if one.name == said["family"]]
        visit.require_unchanged("the family", *(one for each in now for one in _learned_mark(each)))
        learned, gone = unlearn_dump(bench, shop, said["family"], said["dump"], said["reason"])
    family, left = said["family"], [one.name for one in learned.dumps or () if not one.withdrawn]
    return visit.go(
        "families",
        f"{gone.name} is no longer taken for a good dump of {family}, which judges nothing now. Learn it "
        f"anew from the others: {', '.join(left) or 'there are none'}.",
    )


@BOOK.change(
    "/lessons/families/learn",
    "learn-family",
    "Begins to learn the rules of a board family from good dumps; an earlier one of its name is kept.",
    [
        line("family", "Board family", required=True, limit=80),
        files("dumps", "Good dumps of it", limit=DUMPS_LIMIT, each_bytes=LARGEST_DUMP),
        flag("also_withdrawn", "Take dumps that were taken back for good again"),
        flag(
            "also_doubtful",
            "On my word all these dumps are good, also those of an open case",
        ),
        flag("in_its_place", "Put it in the place of the family of this name"),
    ],
)
def learn(visit: Visit) -> Answer:
    said, desk = visit.said, visit.desk
    shop_files(desk.home).check_name(said["family"])
    taken = take_uploads(desk.home, said["dumps"], LARGEST_DUMP)
    try:
        if sum(one.path.stat().st_size for one in taken.files) > MOST_BYTES:
            raise UsageError(
                f"The dumps are more than {size_text(MOST_BYTES)} together, which is what rules are learned "
                "from at once.",
                "Send fewer, of different drives.",
            )
        options = {
            "name": said["family"],
            "places": [str(one.path.absolute()) for one in taken.files],
            "names": [one.named for one in taken.files],
            **{one: said[one] for one in ("also_withdrawn", "also_doubtful", "in_its_place")},
        }
        with visit.bench() as bench:
            if said["in_its_place"]:
                now, _ = families(bench, shop_files(desk.home))
                visit.require_unchanged("what is learned of families", *_all_learned_mark(now))
            foresee_learning(
                bench,
                shop_files(desk.home),
                said["family"],
                taken.paths,
                also_withdrawn=said["also_withdrawn"],
                also_doubtful=said["also_doubtful"],
                in_its_place=said["in_its_place"],
                names={one.path: one.named for one in taken.files},
            )
            order_work(visit, bench, WorkKind.LEARN_FAMILY, options, case=0)
    except BaseException:
        taken.remove()
        raise
    return visit.go("families", f"{said['family']} is being learned; this page shows what came of it.")


@BOOK.change(
    "/lessons/families/stop",
    "stop-learning",
    "Stops the learning of a family; nothing of it is kept.",
    [line("work", "Work", required=True)],
)
def stop_learning(visit: Visit) -> Answer:
    shelf, work = visit.desk.works, visit.said["work"]
    if shelf.order(work).kind is not WorkKind.LEARN_FAMILY:
        raise UsageError("That work learns no family.", "Load the page again.")
    shelf.ask(work, WorkRequest(Ask.STOP))
    return visit.go("families", "It is told to stop; nothing of it is kept.")


def _known_mark(known: Sequence[KnownFamily]) -> list[str]:
    return [f"{one.note} {one.at} {one.who}" for one in known]


def _all_learned_mark(learned: Sequence[LearnedFamily]) -> list[str]:
    return [one for each in learned for one in _learned_mark(each)]


def _learned_mark(one: LearnedFamily) -> list[str]:
    return [one.name, *(f"{dump.sha256} {dump.withdrawn}" for dump in one.dumps or ())]
