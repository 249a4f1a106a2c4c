"""What a meter shows, as a person types it, turned into exact numbers; and numbers turned back into text.

Nothing passes through a float. Letters in the place of the decimal sign (`4k7`, `0R8`) follow IEC 60062,
from memory; `OL` for a value beyond the meter's range is common practice, no source.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import NoReturn

from mendbay.core.errors import UsageError
from mendbay.core.quantity import THIN_SPACE

LONGEST_TEXT = 80
"""Characters of one typed entry: some repeated readings and their units."""
MOST_READINGS = 8
"""Repeated readings in one entry."""

INFINITE = Decimal("Infinity")

_LARGEST = Decimal("1e15")
_FINEST = Decimal("1e-12")
"""With these, differences of two values keep every digit (28 of them)."""


class Unit(StrEnum):
    """What a step is measured in."""

    OHM = "ohm"
    VOLT = "V"
    AMPERE = "A"
    CELSIUS = "C"
    CHOICE = "choice"
    """Nothing is measured: one of the step's words is chosen."""


@dataclass(frozen=True, slots=True)
class Reading:
    """What one entry says a value is: somewhere from `least` to `most`, in the unit itself, both included.

    The two are equal for a plain number and both infinite for `OL`. `>200` reaches from 200 to infinity,
    `<0.5` from 0 to 0.5. Repeated readings (`12,1; 12,0`) reach from the smallest to the largest, and
    `count` says how many there were. `resolution` is the step of the last digit typed, the coarsest of
    all readings, or 0 where no number was typed. `unsteady` says that the person saw the value wander, or
    that some of the repeated readings were beyond the meter's range and some not.
    """

    least: Decimal
    most: Decimal
    count: int = 1
    resolution: Decimal = Decimal(0)
    unsteady: bool = False

    @property
    def exact(self) -> Decimal | None:
        """The value if it is one finite number."""
        return self.least if self.least == self.most and self.least.is_finite() else None


_POWERS = {"": 0, "n": -9, "u": -6, "m": -3, "k": 3, "K": 3, "M": 6, "G": 9}
_NAMES = {
    Unit.OHM: "resistance in ohms",
    Unit.VOLT: "voltage in volts",
    Unit.AMPERE: "current in amperes",
    Unit.CELSIUS: "temperature in degrees Celsius",
}
_EXAMPLES = {
    Unit.OHM: "0.8, 0R8, 4k7, 34 MOhm or OL",
    Unit.VOLT: "12,1 V, 4.98 or 300 mV",
    Unit.AMPERE: "0.35 A or 350 mA",
    Unit.CELSIUS: "41.5 C",
}
_UNIT_WORDS = {
    Unit.OHM: r"(?:[RrΩ]|[Oo][Hh][Mm][Ss]?)",
    Unit.VOLT: r"(?:[Vv](?:olts?)?(?: ?[Dd][Cc])?)",
    Unit.AMPERE: r"(?:[Aa](?:mps?|mperes?)?(?: ?[Dd][Cc])?)",
    Unit.CELSIUS: r"(?:°? ?[Cc]|deg ?[Cc])",
}
_PREFIXES = {Unit.OHM: "[mkKMG]?", Unit.VOLT: "[umk]?", Unit.AMPERE: "[num]?", Unit.CELSIUS: ""}
_LETTERS = {Unit.OHM: "RrmkKMG", Unit.VOLT: "Vv", Unit.AMPERE: "Aa", Unit.CELSIUS: ""}

_DIGITS = r"[0-9]{1,12}(?:[.,][0-9]{0,12})?|[.,][0-9]{1,12}"
_PLAIN = {
    unit: re.compile(
        rf"(?P<sign>[+-]?) ?(?P<digits>{_DIGITS})(?:(?P<e>[eE])(?P<power>[+-]?[0-9]{{1,2}}))?"
        rf" ?(?P<prefix>{_PREFIXES[unit]}) ?{words}?"
    )
    for unit, words in _UNIT_WORDS.items()
}
_LETTER_CODE = {
    unit: re.compile(rf"(?P<whole>[0-9]{{0,9}})(?P<letter>[{letters}])(?P<part>[0-9]{{1,9}}) ?{words}?")
    for unit, words in _UNIT_WORDS.items()
    if (letters := _LETTERS[unit])
}
_BEYOND = re.compile(r"[o0]\.?l\.?|overload|over ?range|over|inf|infinite|infinity|∞|open", re.IGNORECASE)
_UNSTEADY = re.compile(r"unstable|unsteady|drifts|jumps|wanders", re.IGNORECASE)
_SAME = str.maketrans(
    {"\u2126": "Ω", "µ": "u", "μ": "u", "\u2212": "-", "\u2009": " ", "\u00a0": " ", "\u202f": " "}
)


def parse_reading(text: str, unit: Unit) -> Reading:
    """Reads what a person typed off a meter.

    Accepted, with a point or a comma as the decimal sign: plain numbers with or without prefix and unit,
    letters in the place of the decimal sign, `OL` and its like, a bound (`>20M`, `<0.1`), several
    readings apart by `;`, and the words `unstable`, `unsteady`, `drifts`, `jumps`, `wanders`. `m` is a
    thousandth and `M` a million. A single separator is always the decimal sign, also before three digits.

    Raises:
        UsageError: nothing typed, not a number, two separators, a unit of something else, a negative
            resistance, or a number written so that it can be read two ways.
        ValueError: a unit that is not measured.
    """
    if unit is Unit.CHOICE:
        raise ValueError("a choice is not read off a meter")
    cleaned = text[: LONGEST_TEXT + 1].translate(_SAME).strip()
    if not cleaned:
        _refuse(text, unit, "nothing was typed")
    if len(text) > LONGEST_TEXT:
        _refuse(text, unit, f"it has more than {LONGEST_TEXT} characters")
    if _UNSTEADY.fullmatch(cleaned):
        return Reading(_lowest(unit), INFINITE, unsteady=True)
    pieces = [piece.strip() for piece in cleaned.split(";")]
    if len(pieces) > MOST_READINGS:
        _refuse(text, unit, f"it has more than {MOST_READINGS} readings")
    return _together([_one(piece, text, unit) for piece in pieces])


def amount_text(value: Decimal, unit: Unit, *, plain: bool = False) -> str:
    """A value with the prefix that suits it: `4.7 kΩ`, `0.8 Ω`, `35 mA`; `OL` for an infinite one.

    No digit is rounded away: `parse_reading` gives the same value back. Thousandths are used only for
    values that would begin with `0.0`. `plain` keeps to ASCII.
    """
    if not value.is_finite():
        return "OL"
    used = {Unit.OHM: "mkMG", Unit.VOLT: "m", Unit.AMPERE: "um", Unit.CELSIUS: ""}[unit]
    letters = {0: ""} | {_POWERS[letter]: letter for letter in used}
    fitting = [one for one in letters if abs(value) >= Decimal(10) ** one]
    power = 0 if value == 0 or abs(value) >= Decimal("0.1") else min(letters)
    power = max([*fitting, power]) if value else 0
    digits = f"{value.scaleb(-power):f}"
    if "." in digits:
        digits = digits.rstrip("0").rstrip(".")
    return f"{digits}{' ' if plain else THIN_SPACE}{letters[power]}{_sign(unit, plain)}"


def _sign(unit: Unit, plain: bool) -> str:
    if unit is Unit.OHM:
        return "Ohm" if plain else "Ω"
    if unit is Unit.CELSIUS:
        return "C" if plain else "°C"
    return unit.value


def _one(piece: str, text: str, unit: Unit) -> Reading:
    side, rest = (piece[0], piece[1:].strip()) if piece[:1] in ("<", ">") else ("", piece)
    if not side and _BEYOND.fullmatch(rest):
        return Reading(INFINITE, INFINITE)
    value, resolution = _number(rest, text, unit)
    if side == ">":
        return Reading(value, INFINITE, resolution=resolution)
    if side == "<":
        if value < 0:
            _refuse(text, unit, "a bound must not be negative")
        return Reading(Decimal(0), value, resolution=resolution)
    return Reading(value, value, resolution=resolution)


def _number(piece: str, text: str, unit: Unit) -> tuple[Decimal, Decimal]:
    """The value and the step of its last digit, both in the unit itself."""
    value, resolution = _digits(piece, text, unit)
    if abs(value) > _LARGEST or resolution < _FINEST:
        _refuse(text, unit, "no meter shows a value of that size")
    return value, resolution


def _digits(piece: str, text: str, unit: Unit) -> tuple[Decimal, Decimal]:
    coded = _LETTER_CODE[unit].fullmatch(piece) if unit in _LETTER_CODE else None
    if coded:
        power = _POWERS.get(coded["letter"], 0)
        return _scaled(f"{coded['whole'] or 0}.{coded['part']}", power)
    plain = _PLAIN[unit].fullmatch(piece)
    if not plain:
        _explain(piece, text, unit)
    digits = plain["digits"].replace(",", ".")
    if plain["e"] == "E" and "." not in digits:
        _refuse(text, unit, "an E between digits can stand for a decimal sign or for a power of ten")
    value, resolution = _scaled(digits, int(plain["power"] or 0) + _POWERS[plain["prefix"]])
    if plain["sign"] != "-":
        return value, resolution
    if unit is Unit.OHM and value:
        _refuse(text, unit, "a resistance is never negative; the part is charged or still has power", True)
    return -value, resolution


def _scaled(digits: str, power: int) -> tuple[Decimal, Decimal]:
    number = Decimal(digits.removesuffix("."))
    exponent = number.as_tuple().exponent
    assert isinstance(exponent, int)
    return number.scaleb(power), Decimal(1).scaleb(exponent + power)


def _together(readings: list[Reading]) -> Reading:
    if len(readings) == 1:
        return readings[0]
    least, most = min(one.least for one in readings), max(one.most for one in readings)
    beyond = sum(not one.most.is_finite() for one in readings)
    return Reading(
        least,
        most,
        len(readings),
        max(one.resolution for one in readings),
        unsteady=0 < beyond < len(readings),
    )


def _lowest(unit: Unit) -> Decimal:
    return Decimal(0) if unit is Unit.OHM else -INFINITE


def _explain(piece: str, text: str, unit: Unit) -> NoReturn:
    """Refuses a piece that is no number of this unit, naming the commonest mistakes."""
    if piece.lower() in ("beep", "beeps", "continuity"):
        _refuse(text, unit, "a beep is no number: it sounds below a limit that differs from meter to meter")
    for other, pattern in _PLAIN.items():
        if other is not unit and pattern.fullmatch(piece):
            _refuse(text, unit, f"that is a {_NAMES[other]}, but this step asks for a {_NAMES[unit]}")
    if re.search(r"[0-9][., ][0-9]+[., ][0-9]", piece):
        _refuse(text, unit, "it has more than one separator; leave out those between thousands")
    _refuse(text, unit, f"that is no {_NAMES[unit]}")


def _refuse(text: str, unit: Unit, why: str, about_the_part: bool = False) -> NoReturn:
    next_step = (
        "Take the power off, let the part discharge, and measure again"
        if about_the_part
        else f"Type what the meter shows, like {_EXAMPLES[unit]}, or skip the step with a reason"
    )
    raise UsageError(f"{text[:40]!r} cannot be read: {why}", next_step)
