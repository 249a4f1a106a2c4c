"""Pictures of a case as a whole, and of the drive and board of a bay, with what was read in them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from io import BytesIO
from typing import TYPE_CHECKING

from markupsafe import Markup
from starlette.datastructures import UploadFile

from mendbay.board.number_form import Kind
from mendbay.board.sighting import How
from mendbay.case.records import Bay
from mendbay.core.errors import UsageError
from mendbay.faces.picture_words import contradiction_words, percent_words
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer, Blob, Page
from mendbay.faces.web.card import card_of
from mendbay.faces.web.case_works import ShownWork, shown_works
from mendbay.faces.web.fields import choice, files, flag, line
from mendbay.faces.web.phone import phone_door
from mendbay.faces.web.picture_intake import take_pictures
from mendbay.faces.web.picture_reading import picture_reading
from mendbay.faces.web.preview_pool import NO_PICTURE, NO_PICTURE_TYPE, previews_of
from mendbay.faces.web.visit import Visit
from mendbay.jobs.case_pictures import (
    PICTURE_BYTES,
    case_pictures,
    picture_bytes,
    say_what_picture_shows,
    take_picture_back,
)
from mendbay.jobs.corrections import Word, said_of
from mendbay.jobs.picture_spots import PictureSpots, Spot, spots_of
from mendbay.jobs.preview_file import preview_kept
from mendbay.jobs.preview_port import NoPreview
from mendbay.jobs.read_pictures import (
    BoardLook,
    correct_identifier,
    tell_board,
    withdraw_correction,
    withdraw_picture,
)
from mendbay.jobs.work_port import Outcome, WorkKind
from mendbay.wiring import qr_code, shop_files

if TYPE_CHECKING:
    from mendbay.board.identifier import Identifier
    from mendbay.jobs.bench import Bench

BOOK = Book()
AT_ONCE = 40
KINDS = {str(one): str(one) for one in Kind}
UNDO = "“Put right” has a button that takes it back"
CLOSE_UPS = 3
"""Places of an identifier that are shown large beside what puts it right."""
AROUND = 0.6
"""What is shown around such a place, in heights of its writing (own choice)."""
BROKEN_OFF = (Outcome.FAILED, Outcome.STOPPED, Outcome.LOST)
LOOKED_AT = 20
"""Works of a case among which those that read pictures of a bay are looked for."""
TOLD_FOR = timedelta(days=1)
"""How long it is told that a reading broke off, unless others are sent before (own choice)."""
BAY = line("bay", "Bay", required=True)
REASON = line("reason", "Why", required=True)


@dataclass(frozen=True, slots=True)
class Shown:
    """An identifier as its row tells it.

    Args:
        place: where it was seen: how, and in which picture.
        more: in how many places beside.
        by_hand: whether a person said so.
        against: that this word stands against the pictures; empty if it does not.
        sure, others: how sure it is, and what else it may be, in words.
    """

    one: Identifier
    sure: str
    others: tuple[str, ...]
    place: str
    more: int
    by_hand: bool
    against: str


@dataclass(frozen=True, slots=True)
class Struck:
    """A number that a person said the drive does not have.

    Args:
        value: what the pictures show; empty if they show nothing of it any more.
        last: whether it is the last word on its kind, which alone can be taken back.
        now: what stands of its kind.
    """

    kind: Kind
    value: str
    by: str
    at: str
    last: bool
    now: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CloseUp:
    """A place of a picture, shown large.

    Args:
        box: left, top, width and height in pixels of the picture.
    """

    shot: PictureSpots
    spot: Spot
    box: tuple[float, float, float, float]


@BOOK.page(
    "/case/{case:int}/pictures",
    "pictures",
    "The pictures of a case, or of one bay with the identifiers read in them.",
    [
        line("bay", "Bay; empty for the case as a whole"),
        choice("kind", "Kind of the identifier to be put right", KINDS),
        line("read", "Its value"),
    ],
)
def pictures(visit: Visit) -> Answer:
    case, label = visit.path["case"], visit.said["bay"]
    with visit.bench() as bench:
        card = card_of(visit, bench, case)
        bay = bench.ledger.bay(case, label) if label else None
        facts = {
            "card": card,
            "bays": bench.ledger.bays(case),
            "bay": bay,
            # asked before what was read: what ends in between is then told as going on, and asked for again
            **_arriving(visit, case, label),
        }
        if bay is not None:
            return Page("pictures_bay.html", facts | _of_bay(visit, bench, bay))
        return Page("pictures.html", facts | {"pictures": case_pictures(bench, case)})


def _of_bay(visit: Visit, bench: Bench, bay: Bay) -> dict[str, object]:
    shop = shop_files(visit.desk.home)
    look = tell_board(bench, shop, bay.case, bay.bay)
    spots = spots_of(bench, shop, bay.case, bay.bay)
    asked = {one.kind for one in look.advice if one.needed}
    return {
        "look": look,
        "rows": [_row(one) for one in look.identifiers],
        "kinds": KINDS,
        "struck": _struck(look, said_of(bench, bay.case, bay.bay)),
        "spots": spots,
        "troubles": {one.picture: one.troubles[:2] for one in look.readings},
        "seen_there": {one.picture: _told_once(one) for one in spots},
        "fix": (visit.said["kind"], visit.said["read"]) if visit.said["kind"] else None,
        "close_ups": _close_ups(spots, visit.said["kind"], visit.said["read"]),
        "shown": _values(look, visit.said["kind"]),
        "doubtful": next((one for one in look.identifiers if not one.settled and one.kind in asked), None),
        "advice": [one for one in look.advice if one.kind is not None],
        "poor": [one for one in look.readings if one.troubles and not one.usable],
    }


def _row(one: Identifier) -> Shown:
    first = one.sightings[0] if one.sightings else None
    place = f"{first.how}: {first.picture}" if first else "typed"
    others = tuple(f"or {each.value} ({percent_words(each.probability)})" for each in one.alternatives[:3])
    return Shown(
        one,
        percent_words(one.confidence),
        others,
        place,
        more=max(0, len(one.sightings) - 1),
        by_hand=one.how == "hand",
        against=contradiction_words(one, UNDO),
    )


def _struck(look: BoardLook, words: Sequence[Word]) -> list[Struck]:
    """What was struck out by hand and stands nowhere else, the last word on each."""
    there = {(one.kind, text) for one in look.identifiers for text in (one.value, *one.read_as)}
    last = {one.correction.kind: one for one in words}
    found: dict[tuple[Kind, str], Struck] = {}
    for one in words:
        said = one.correction
        if said in look.corrections and not said.right_text and (said.kind, said.read_text) not in there:
            found[said.kind, said.read_text] = Struck(
                said.kind,
                said.read_text,
                one.note.who,
                one.note.at,
                last=one is last[said.kind],
                now=_values(look, said.kind),
            )
    return list(found.values())


def _close_ups(spots: tuple[PictureSpots, ...], kind: str, value: str) -> list[CloseUp]:
    """The places where an identifier was seen, the first of each picture; by it a person compares."""
    found: list[CloseUp] = []
    for shot in spots:
        there = [one for one in shot.spots if kind == one.kind and value in (one.value, one.corrected_to)]
        there.sort(key=lambda one: one.how is How.BARCODE)  # no person can compare a barcode
        seen = there[0] if there else None
        if seen is None or not shot.width:
            continue
        across, down = [x for x, _ in seen.corners], [y for _, y in seen.corners]
        margin = AROUND * max(8.0, min(max(across) - min(across), max(down) - min(down)))
        left, top = max(0.0, min(across) - margin), max(0.0, min(down) - margin)
        right = min(float(shot.width), max(across) + margin)
        low = min(float(shot.height), max(down) + margin)
        if right > left and low > top:
            found.append(CloseUp(shot, seen, (left, top, right - left, low - top)))
    return found[:CLOSE_UPS]


def _told_once(shot: PictureSpots) -> list[Spot]:
    """Each identifier of a picture, though it is seen in several places of it."""
    return list({(one.kind, one.value): one for one in reversed(shot.spots)}.values())[::-1]


def _values(look: BoardLook, kind: str) -> tuple[str, ...]:
    """What a form to put an identifier right is about, so that another's word is not overwritten."""
    return tuple(one.value for one in look.identifiers if one.kind == kind)


@BOOK.page(
    "/case/{case:int}/pictures/arriving",
    "arriving",
    "What arrives from a telephone, and how far the reading of a bay's pictures is; a piece of a page.",
    [line("bay", "Bay; empty for the case as a whole")],
)
def arriving(visit: Visit) -> Answer:
    case, label = visit.path["case"], visit.said["bay"]
    with visit.bench() as bench:
        bench.ledger.case(case)
    return Page("pictures_arriving.html", _arriving(visit, case, label))


def _arriving(visit: Visit, case: int, label: str) -> dict[str, object]:
    door = phone_door(visit.desk).standing(case, label)
    code = Markup(qr_code(door.url, "Code for the phone")) if door else ""  # noqa: S704 - drawn here, of squares
    reading = picture_reading(visit.desk)
    standing = reading.standing(case, label)
    broken = None if reading.knows(case, label) else _broken_off(visit, label)
    return {"label": label, "door": door, "code": code, "standing": standing, "broken": broken}


def _broken_off(visit: Visit, label: str) -> ShownWork | None:
    """The newest reading of a bay's pictures that went on without a server, if it broke off lately."""
    for one in shown_works(visit, (WorkKind.READ_PICTURES,), LOOKED_AT):
        if one.order.options.get("bay") == label:
            is_late = datetime.now(UTC) - datetime.fromisoformat(one.order.at) > TOLD_FOR
            return None if is_late or one.state.outcome not in BROKEN_OFF else one
    return None


@BOOK.page(
    "/case/{case:int}/pictures/preview",
    "kept-preview",
    "A picture kept with a case, made anew and small, without anything of its file's own bytes.",
    [
        line("path", "Its place in the case's folder", required=True, limit=500),
        line("is", "Its SHA-256: an address with it means that picture for ever, and no other", limit=64),
        flag("large", "Up to 1600 pixels on its longer side"),
    ],
)
def preview(visit: Visit) -> Answer:
    with visit.bench() as bench:
        made = preview_kept(
            bench,
            previews_of(visit.desk),
            visit.path["case"],
            visit.said["path"],
            sha256_hex=visit.said["is"],
            large=visit.said["large"],
        )
    if isinstance(made, NoPreview):
        return Blob(NO_PICTURE, NO_PICTURE_TYPE)
    return Blob(made.data, made.mime, lasting=bool(visit.said["is"]))


@BOOK.change(
    "/case/{case:int}/pictures/add",
    "add-pictures",
    "Keeps pictures of a case as a whole, or has those of a bay's drive and board read.",
    [
        line("bay", "Bay; empty for the case as a whole"),
        line("of", "What they show"),
        files("pictures", "Pictures", limit=AT_ONCE, each_bytes=PICTURE_BYTES),
    ],
)
def add_pictures(visit: Visit) -> Answer:
    said = take_pictures(
        visit.desk,
        visit.path["case"],
        visit.said["bay"],
        visit.who,
        visit.said["pictures"],
        visit.said["of"],
    )
    return visit.go("pictures", said, {"bay": visit.said["bay"]})


@BOOK.change(
    "/case/{case:int}/pictures/take-back",
    "take-picture-back",
    "Takes a picture of the case as a whole back; its file is removed.",
    [line("picture", "Picture", required=True), REASON],
)
def take_back(visit: Visit) -> Answer:
    with visit.bench() as bench:
        gone = take_picture_back(bench, visit.path["case"], visit.said["picture"], visit.said["reason"])
    told = f"Taken back: {gone.kept.path}. The file is gone; custody keeps its SHA-256."
    return replace(visit.go("pictures", told), clears=True)


@BOOK.change(
    "/case/{case:int}/pictures/say",
    "say-picture",
    "Puts down what a kept picture of the case as a whole shows.",
    [line("picture", "Picture", required=True), line("of", "What it shows")],
)
def say(visit: Visit) -> Answer:
    case, said = visit.path["case"], visit.said
    with visit.bench() as bench, bench.ledger.together():
        of = {one.kept.path: one.of for one in case_pictures(bench, case)}.get(said["picture"], "")
        visit.require_unchanged("what the picture shows", of)
        told = say_what_picture_shows(bench, case, said["picture"], said["of"])
    shows = f"{told.kept.path} shows: {told.of}" if told.of else f"{told.kept.path}: not said what it shows"
    return visit.go("pictures", f"{shows}.")


@BOOK.change(
    "/case/{case:int}/pictures/of-bay",
    "picture-of-bay",
    "Has a kept picture of the case as a whole read as one of a bay's drive or board; it stays here too.",
    [line("picture", "Picture", required=True), BAY],
)
def of_bay(visit: Visit) -> Answer:
    case, bay = visit.path["case"], visit.said["bay"]
    with visit.bench() as bench:
        picture, data = picture_bytes(bench, case, visit.said["picture"])
    name = picture.named or picture.kept.path.rpartition("/")[2]
    said = take_pictures(visit.desk, case, bay, visit.who, [UploadFile(BytesIO(data), filename=name)])
    return visit.go("pictures", said, {"bay": bay})


@BOOK.change(
    "/case/{case:int}/pictures/withdraw",
    "withdraw-picture",
    "Takes a picture out of what a bay is known by; the file stays.",
    [BAY, line("picture", "Picture", required=True), REASON],
)
def withdraw(visit: Visit) -> Answer:
    bay = visit.said["bay"]
    with visit.bench() as bench:
        withdraw_picture(
            bench,
            shop_files(visit.desk.home),
            visit.path["case"],
            bay,
            visit.said["picture"],
            visit.said["reason"],
        )
    return visit.go(
        "pictures",
        f"{visit.said['picture']} counts no longer for bay {bay}; the file stays with the case.",
        {"bay": bay},
    )


@BOOK.change(
    "/case/{case:int}/pictures/correct",
    "correct-identifier",
    "Puts an identifier right.",
    [
        BAY,
        choice("kind", "What it is", KINDS, required=True),
        line("value", "What it says"),
        line("read", "Instead of"),
    ],
)
def correct(visit: Visit) -> Answer:
    kind, value = visit.said["kind"], visit.said["value"]
    if not value:
        raise UsageError(
            f"Nothing was typed: what does the {kind} say?",
            "Type it as the part shows it; if it has no such number, “It has none” below says so.",
        )
    return _said(visit, value, f"The {kind} of bay {visit.said['bay']} is {value} by your word.")


@BOOK.change(
    "/case/{case:int}/pictures/strike",
    "strike-identifier",
    "Says that a drive has no such number as was read.",
    [
        BAY,
        choice("kind", "What it is", KINDS, required=True),
        line("read", "What was read", required=True),
    ],
)
def strike(visit: Visit) -> Answer:
    bay, kind, read = visit.said["bay"], visit.said["kind"], visit.said["read"]
    return _said(
        visit,
        "",
        f"Bay {bay} has no {kind} {read} by your word; what was read stands below, to be taken back.",
    )


def _said(visit: Visit, value: str, done: str) -> Answer:
    """A person's word on an identifier, put down."""
    bay, kind = visit.said["bay"], visit.said["kind"]
    shop = shop_files(visit.desk.home)
    with visit.bench() as bench, bench.ledger.together():
        look = tell_board(bench, shop, visit.path["case"], bay)
        visit.require_unchanged(f"the {kind} of bay {bay}", *_values(look, kind))
        correct_identifier(bench, shop, visit.path["case"], bay, Kind(kind), value, visit.said["read"])
    return visit.go("pictures", done, {"bay": bay})


@BOOK.change(
    "/case/{case:int}/pictures/uncorrect",
    "uncorrect-identifier",
    "Takes the last correction of a kind of identifier back.",
    [BAY, choice("kind", "What it is", KINDS, required=True), REASON],
)
def uncorrect(visit: Visit) -> Answer:
    bay, kind = visit.said["bay"], visit.said["kind"]
    shop = shop_files(visit.desk.home)
    with visit.bench() as bench, bench.ledger.together():
        look = tell_board(bench, shop, visit.path["case"], bay)
        visit.require_unchanged(f"the {kind} of bay {bay}", *_values(look, kind))
        _, gone = withdraw_correction(bench, shop, visit.path["case"], bay, Kind(kind), visit.said["reason"])
    return visit.go(
        "pictures",
        f"Taken back: that the {kind} of bay {bay} is {gone or 'none'}. It teaches nothing any more.",
        {"bay": bay},
    )
