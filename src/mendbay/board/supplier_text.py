"""What to ask suppliers for when nothing in the stock fits.

It names only what describes the part: no customer, no case, no serial number, and no supplier.
"""

from __future__ import annotations

from dataclasses import dataclass

from mendbay.board.description import BoardDescription
from mendbay.board.match import Alternative, Wanted, key_of, text_of
from mendbay.board.swap_odds import ATTRIBUTES, LEVELS, Attribute, Level, Priors, Purpose
from mendbay.core.errors import UsageError

_SOUGHT = {
    Purpose.BOARD_SWAP: "circuit board of a hard drive (the board alone, or a whole drive that carries it)",
    Purpose.HEAD_TRANSPLANT: "whole hard drive as a donor of heads (a board alone does not help)",
}
_IN_SEARCH = {
    Purpose.BOARD_SWAP: (Attribute.BOARD_NUMBER, Attribute.REVISION),
    Purpose.HEAD_TRANSPLANT: (Attribute.FAMILY, Attribute.MODEL, Attribute.HEADS_MAP),
}
_SEARCHED_ALTERNATIVES = 5


@dataclass(frozen=True, slots=True)
class SupplierText:
    """What to ask for.

    Args:
        searches: short lines to type into a search, the best first.
        must, nice: attributes as `name: value` that have to agree, and that raise the odds.
        missing: attributes that should have to agree but are not known of the patient.
        text: the whole as a message to send.
    """

    searches: tuple[str, ...]
    must: tuple[str, ...]
    nice: tuple[str, ...]
    missing: tuple[str, ...]
    text: str


def supplier_text(
    description: BoardDescription,
    alternatives: tuple[Alternative, ...],
    priors: Priors,
    purpose: Purpose = Purpose.BOARD_SWAP,
) -> SupplierText:
    """What to ask suppliers for: the attributes that rule a donor out as musts, the others that count as
    wishes in the order of their weight, with the alternatives that are accepted.

    Raises:
        UsageError: nothing is known to search by, or too many alternatives.
    """
    wanted = Wanted(description, purpose, alternatives=alternatives)
    must = [one for one in ATTRIBUTES[purpose] if one in priors.stops[purpose]]
    nice = [one for one in ATTRIBUTES[purpose] if one not in must and _asked_for(one)]
    nice.sort(key=lambda one: priors.coefficients[purpose][one, Level.DIFFERENT].mean)
    known = {one: _value(wanted, one) for one in (*must, *nice)}
    if not any(known.values()):
        raise UsageError(
            "Nothing is known of the board or drive to search by.", "Read its numbers first, or type them in."
        )
    must_lines = tuple(_line(wanted, one, known[one]) for one in must if known[one])
    nice_lines = [_line(wanted, one, known[one]) for one in nice if known[one]]
    if description.made_on:
        nice_lines.append(f"made on or near: {description.made_on}")
    missing = tuple(str(one) for one in must if not known[one])
    text = _message(purpose, must_lines, tuple(nice_lines), missing)
    return SupplierText(_searches(wanted), must_lines, tuple(nice_lines), missing, text)


def _asked_for(attribute: Attribute) -> bool:
    return Level.SAME in LEVELS[attribute]


def _value(wanted: Wanted, attribute: Attribute) -> str:
    return text_of(wanted.patient, attribute) if wanted.keys[attribute] else ""


def _line(wanted: Wanted, attribute: Attribute, value: str) -> str:
    others = _spelled(wanted, attribute)
    accepted = f" (also accepted: {', '.join(others)})" if others else ""
    name = "place of manufacture" if attribute is Attribute.SITE else attribute
    return f"{name}: {value}{accepted}"


def _spelled(wanted: Wanted, attribute: Attribute) -> list[str]:
    """The accepted alternatives as the shop's table writes them, each once."""
    found: dict[str, str] = {}
    for one in wanted.alternatives:
        if one.attribute is attribute:
            for text in (one.donor, one.wanted):
                key = key_of(attribute, text)
                if key in wanted.accepted[attribute]:
                    found.setdefault(key, text)
    return list(found.values())


def _searches(wanted: Wanted) -> tuple[str, ...]:
    """The full search first, then one for each accepted alternative of the leading value."""
    leading = [one for one in _IN_SEARCH[wanted.purpose] if _value(wanted, one)]
    kind = "hard drive circuit board" if wanted.purpose is Purpose.BOARD_SWAP else "hard drive"
    if not leading:
        leading = [one for one in ATTRIBUTES[wanted.purpose] if _asked_for(one) and _value(wanted, one)]
    if not leading:
        return ()
    full = " ".join([*(_value(wanted, one) for one in leading), kind])
    others = _spelled(wanted, leading[0])[:_SEARCHED_ALTERNATIVES]
    return (full, *(f"{other} {kind}" for other in others))


def _message(purpose: Purpose, must: tuple[str, ...], nice: tuple[str, ...], missing: tuple[str, ...]) -> str:
    parts = [f"Wanted: {_SOUGHT[purpose]}."]
    if must:
        parts += ["", "Must be the same:", *(f"- {one}" for one in must)]
    if nice:
        parts += ["", "Should be the same if there is a choice:", *(f"- {one}" for one in nice)]
    if missing:
        parts += ["", f"Not known here, please tell us of your part: {', '.join(missing)}."]
    parts += [
        "",
        "Please send a picture of both sides in which every number can be read, and say whether the part "
        "has been tested.",
    ]
    return "\n".join(parts) + "\n"
