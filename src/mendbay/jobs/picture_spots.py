"""Where in the pictures of a bay each identifier was seen, so that the spots can be outlined in them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from mendbay.board.confusable import Confusions, Correction, compact
from mendbay.board.identifier import Identifier
from mendbay.board.identify import correct, identify
from mendbay.board.number_form import Forms, Kind
from mendbay.board.sighting import Corners, How
from mendbay.jobs.bench import Bench
from mendbay.jobs.board_ports import ShopFiles
from mendbay.jobs.corrections import lessons
from mendbay.jobs.read_pictures import BoardLook, picture_place, shop_forms, tell_board


@dataclass(frozen=True, slots=True)
class Spot:
    """One place in one picture at which an identifier was seen.

    Args:
        kind, value: the identifier as the pictures have it, before what people said of it.
        sure: 0 to 1, that kind and value are right; 1 if a person said so.
        corners: in pixels of the picture as it is shown, its Exif orientation applied.
        read: what was read at this place, which may be a part of the number.
        how: by barcode or as text.
        standing: whether the identifier still counts as it stands.
        corrected_to: what a person said it is, if that is another text; empty if it counts, or if a person
            said that it is no such number.
    """

    kind: Kind
    value: str
    sure: float
    corners: Corners
    read: str
    how: How
    standing: bool
    corrected_to: str = ""


@dataclass(frozen=True, slots=True)
class PictureSpots:
    """One kept picture with what was seen in it.

    Args:
        picture: its name.
        path: its place in the case's folder.
        width, height: in pixels, as it is shown; 0 if it could not be read.
        spots: by kind, the surest first.
    """

    picture: str
    path: str
    sha256: str
    width: int
    height: int
    spots: tuple[Spot, ...]


def spots_of(bench: Bench, shop: ShopFiles, case: int, bay: str) -> tuple[PictureSpots, ...]:
    """The pictures of a bay that count, in the order they came, each with every place where an identifier was
    seen; also one that a person corrected or took out.

    Raises:
        NoSuchCase: there is no such case or bay.
        BadFormFile: a number form of the shop breaks a rule.
    """
    look = tell_board(bench, shop, case, bay)
    forms = shop_forms(shop)
    # what people said of this bay would else make the pictures say the same, and hide what was corrected
    taught = [one.correction for one in lessons(bench) if (one.case, one.bay) != (case, bay)]
    found: dict[str, list[Spot]] = {one.picture: [] for one in look.readings}
    for one in identify(look.readings, forms, Confusions(taught)):
        now = _now(one, look, forms)
        standing = now is not None and compact(now.value) == compact(one.value)
        said = "" if now is None or standing else now.value
        sure = now.confidence if now is not None and standing else one.confidence
        for seen in one.sightings:
            spot = Spot(one.kind, one.value, sure, seen.corners, seen.text, seen.how, standing, said)
            found[seen.picture].append(spot)
    return tuple(
        PictureSpots(
            one.picture,
            picture_place(bay, one.picture),
            one.sha256,
            one.width,
            one.height,
            tuple(found[one.picture]),
        )
        for one in look.readings
    )


def _now(pictured: Identifier, look: BoardLook, forms: Forms) -> Identifier | None:
    """What became of an identifier by what people said; None if it is none."""
    now: Identifier | None = pictured
    for said in look.corrections:
        if said.kind is pictured.kind:
            now = _after(now, said, pictured, forms)
    return now


def _after(now: Identifier | None, said: Correction, pictured: Identifier, forms: Forms) -> Identifier | None:
    before: Sequence[Identifier] = () if now is None else (now,)
    after = correct(before, said, forms, (pictured,))
    if now is not None:
        # what was not meant stays beside what was said of another
        return now if now in after else next(iter(after), None)
    again = {compact(one) for one in (pictured.value, *pictured.read_as)}
    return next((one for one in after if compact(one.value) in again), None)
