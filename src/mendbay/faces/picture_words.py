"""What pictures show of a drive and its board, for every face: sentences not wrapped yet, and JSON."""

from __future__ import annotations

from mendbay.board.confusable import align
from mendbay.board.identifier import Identifier
from mendbay.board.number_form import Kind
from mendbay.board.sighting import How
from mendbay.faces import wording
from mendbay.jobs.picture_files import LeftOut
from mendbay.jobs.read_pictures import BoardLook

SEVERAL = 2
"""Places from which on it is told that a person's word stands against them."""


def look_words(look: BoardLook) -> list[str]:
    """What is known of a bay's drive and board: each identifier, what is to be said of it, what lacks."""
    found = [f"{one.kind}: {one.value} ({sure_words(one)})." for one in look.identifiers]
    names = ", ".join(one.picture for one in look.readings)
    pictures = [f"{wording.counted(len(look.readings), 'picture')}: {names}"] if look.readings else []
    return [*(found or ["Nothing was identified yet."]), *remark_words(look), *pictures, *left_words(look)]


def remark_words(look: BoardLook) -> list[str]:
    """What stands against identifiers and pictures."""
    lines = [f"CAUTION: {one}" for one in look.clashes]
    lines += look.withdrawn
    for one in look.identifiers:
        told = [*one.repairs, *one.doubts]
        told += [f"or {other.value} ({percent_words(other.probability)})" for other in one.alternatives[:3]]
        if told:
            lines.append(f"{one.kind} {one.value}: {'; '.join(told)}.")
    for reading in look.readings:
        if not reading.usable and reading.troubles:
            first = reading.troubles[0]
            lines.append(f"{reading.picture}: {first.fault} ({first.measured}). {first.advice}")
    return lines


def left_words(look: BoardLook) -> list[str]:
    """What was left out, what is still needed, and whether the ROM must move."""
    lines = _left_out(look.left_out)
    lines += [one.sentence for one in look.advice if one.kind is not None]
    if look.rom is not None:
        family = next((one.family for one in look.identifiers if one.kind is Kind.MODEL and one.family), "")
        of = f" of family {family}" if family else ""
        lines.append(f"ROM{of}: {look.rom.need}. {look.rom.need_reason}")
    return lines


def _left_out(left_out: tuple[LeftOut, ...]) -> list[str]:
    """Files that were not read, those with the same reason together."""
    names: dict[tuple[str, str], list[str]] = {}
    for one in left_out:
        names.setdefault((one.why, one.next_step), []).append(one.name)
    return [
        f"Left out: {', '.join(found)} ({why.removesuffix('.')}). {step}".rstrip()
        for (why, step), found in names.items()
    ]


def sure_words(one: Identifier) -> str:
    """How sure an identifier is."""
    return "by hand" if one.how == "hand" else percent_words(one.confidence)


def contradiction_words(one: Identifier, undo: str = "board uncorrect takes it back") -> str:
    """That a person's word stands against several places of the pictures, character by character; empty if it
    does not.

    Args:
        undo: how a slip is undone where this is said.
    """
    read = one.read_as[0] if one.how is How.HAND and one.read_as else ""
    apart = [(true, seen) for true, seen in align(read, one.value) if true != seen] if read else []
    if not apart or len(one.sightings) < SEVERAL:
        return ""
    said = ", ".join(
        f"{seen or 'nothing'} is read for {true or 'nothing'}" for true, seen in dict.fromkeys(apart)
    )
    places = wording.counted(len(one.sightings), "place")
    typed = f"{one.kind} {one.value} was typed against {places} that say {read}: {said}."
    return f"{typed} If it was a slip, {undo}."


def percent_words(share: float) -> str:
    """A share as it is told: nothing is certain."""
    return "over 99 %" if share > 0.99 else f"{100 * share:.0f} %"


def look_json(look: BoardLook) -> dict[str, object]:
    """What is known of a bay's drive and board."""
    return {
        "identifiers": [
            {
                "kind": str(one.kind),
                "value": one.value,
                "form": one.form or None,
                "family": one.family or None,
                "confidence": round(one.confidence, 4),
                "how": str(one.how),
                "settled": one.settled,
                "seen": [
                    {
                        "picture": seen.picture,
                        "text": seen.text,
                        "how": str(seen.how),
                        "code": seen.code or None,
                        "confidence": round(seen.confidence, 4),
                        "corners": [[round(x, 1), round(y, 1)] for x, y in seen.corners],
                    }
                    for seen in one.sightings
                ],
                "parts": [{"name": part.name, "text": part.text, "means": part.means} for part in one.parts],
                "repairs": list(one.repairs),
                "agreements": list(one.agreements),
                "doubts": list(one.doubts),
                "alternatives": [
                    {"kind": str(x.kind), "value": x.value, "probability": round(x.probability, 4)}
                    for x in one.alternatives
                ],
            }
            for one in look.identifiers
        ],
        "pictures": [
            {
                "picture": one.picture,
                "sha256": one.sha256,
                "width": one.width,
                "height": one.height,
                "usable": one.usable,
                "sightings": len(one.sightings),
                "troubles": [
                    {"fault": str(x.fault), "measured": x.measured, "advice": x.advice} for x in one.troubles
                ],
            }
            for one in look.readings
        ],
        "advice": [
            {
                "why": str(one.want),
                "kind": str(one.kind) if one.kind else None,
                "sentence": one.sentence,
                "picture": one.picture or None,
                "needed": one.needed,
            }
            for one in look.advice
        ],
        "left_out": [
            {"name": one.name, "why": one.why, "next_step": one.next_step or None, "missing": one.missing}
            for one in look.left_out
        ],
        "clashes": list(look.clashes),
        "withdrawn": list(look.withdrawn),
        "rom": None
        if look.rom is None
        else {
            "need": str(look.rom.need),
            "need_reason": look.rom.need_reason,
            "seat": str(look.rom.seat),
            "seat_reason": look.rom.seat_reason,
        },
    }
