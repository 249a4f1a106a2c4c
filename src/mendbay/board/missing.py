"""What is still needed before a donor can be looked for, and what to photograph for it."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from enum import StrEnum

from mendbay.board.identifier import Identifier
from mendbay.board.number_form import Kind
from mendbay.board.sighting import PictureReading
from mendbay.core.quantity import counted

MATCHED_ON = (
    Kind.BOARD,
    Kind.REVISION,
    Kind.CONTROLLER,
    Kind.MODEL,
    Kind.ROM,
    Kind.MOTOR_DRIVER,
    Kind.FIRMWARE,
)
"""What donors are matched on, the most telling first (common practice, no source)."""

_WHERE = {
    Kind.BOARD: "the number etched or printed on the board, on the side with the chips or beside the edge",
    Kind.REVISION: "the board number with what stands beside it: the revision is often its last letter",
    Kind.CONTROLLER: "the largest chip on the board, with light from the side so that its marking stands out",
    Kind.MODEL: "the label of the drive, from straight above",
    Kind.ROM: "the small chip with eight legs near the largest one, as close as the camera focuses",
    Kind.MOTOR_DRIVER: "the second largest chip, near the contacts of the motor",
    Kind.FIRMWARE: "the label of the drive, where the firmware is printed",
}
_WHERE_ELSE = "the place where it is printed"


class Want(StrEnum):
    """Why something is asked for."""

    ABSENT = "not seen"
    DOUBTFUL = "not certain"
    UNREADABLE = "picture not usable"


@dataclass(frozen=True, slots=True)
class Advice:
    """One thing to do for the identification.

    Args:
        want: why.
        kind: what it is about; None for a picture as a whole.
        sentence: what to do, for a person.
        picture: the picture it concerns; empty if none.
        needed: whether a donor search is of little use without it.
    """

    want: Want
    kind: Kind | None
    sentence: str
    picture: str = ""
    needed: bool = True


_HELPFUL = (Kind.MOTOR_DRIVER, Kind.FIRMWARE)


def missing(
    identifiers: Sequence[Identifier], readings: Sequence[PictureReading], struck: Collection[Kind] = ()
) -> tuple[Advice, ...]:
    """What to photograph or type before looking for a donor; empty if all is known.

    First what was not seen or is not certain, the most telling first, then pictures that are too poor to be
    relied on and may hide what is missing. Pictures that gave all that is needed are not complained of.

    Args:
        struck: kinds of which a person said last that what the pictures show is none.
    """
    every = (_asked(kind, identifiers, readings, kind in struck) for kind in MATCHED_ON)
    asked = [advice for advice in every if advice is not None]
    if not any(one.needed for one in asked):
        return tuple(asked)
    return (*asked, *(_of_picture(one) for one in readings if not one.usable))


def _asked(
    kind: Kind, identifiers: Sequence[Identifier], readings: Sequence[PictureReading], struck: bool
) -> Advice | None:
    found = [one for one in identifiers if one.kind is kind]
    needed = kind not in _HELPFUL
    if any(one.settled for one in found):
        return None
    where = _WHERE.get(kind, _WHERE_ELSE)
    if not found and struck:
        sentence = f"The {kind.value} was struck out by hand. Type in what is right, or photograph {where}."
        return Advice(Want.ABSENT, kind, sentence, needed=needed)
    if not found:
        hidden = [one.picture for one in readings if not one.usable]
        more = f" and {counted(len(hidden) - 3, 'other picture')}" if len(hidden) > 3 else ""
        may = f"; it may be hidden in {', '.join(hidden[:3])}{more}" if hidden else ""
        return Advice(
            Want.ABSENT, kind, f"The {kind.value} was not seen{may}. Photograph {where}.", needed=needed
        )
    best = max(found, key=lambda one: one.confidence)
    why = f": {best.doubts[0]}" if best.doubts else ""
    picture = best.sightings[0].picture if best.sightings else ""
    trouble = _trouble_at(best, readings)
    again = trouble or f"Compare it with the part and type it in, or photograph {where} again."
    sentence = f"The {kind.value} {best.value} is not certain{why}. {again}"
    return Advice(Want.DOUBTFUL, kind, sentence, picture, needed)


def _trouble_at(identifier: Identifier, readings: Sequence[PictureReading]) -> str:
    """The advice of a trouble of the picture at the place where the number stands; empty if there is none."""
    for seen in identifier.sightings:
        for reading in readings:
            if reading.picture != seen.picture:
                continue
            for trouble in reading.troubles:
                if trouble.corners is None or _overlap(trouble.corners, seen.corners):
                    return trouble.advice
    return ""


def _overlap(one: Sequence[tuple[float, float]], two: Sequence[tuple[float, float]]) -> bool:
    """Whether the upright boxes around two places meet."""
    return all(
        min(corner[axis] for corner in one) <= max(corner[axis] for corner in two)
        and min(corner[axis] for corner in two) <= max(corner[axis] for corner in one)
        for axis in (0, 1)
    )


def _of_picture(reading: PictureReading) -> Advice:
    reasons = "; ".join(f"{one.fault.value} ({one.measured})" for one in reading.troubles[:3])
    advice = reading.troubles[0].advice if reading.troubles else "Take it again."
    said = f"{reading.picture} cannot be relied on{': ' + reasons if reasons else ''}. {advice}"
    return Advice(Want.UNREADABLE, None, said, reading.picture)
