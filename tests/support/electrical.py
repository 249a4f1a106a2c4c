"""Sheets for tests, filled in step by step as a person would."""

from __future__ import annotations

from mendbay.board.electrical import Sheet
from mendbay.board.electrical_form import Size, Step, ValueClass
from mendbay.board.electrical_form_file import packaged_form
from mendbay.board.electrical_units import Unit

AT = "2026-11-25T07:10:00Z"
WHO = "Ines"

SOUND = {
    "leads": "0.3",
    "wrist-strap": "1M2",
    "rom-rated": "3.3 V",
    "motor-contacts": "4",
    "motor-common-a": "1.1",
    "motor-common-b": "1.1",
    "motor-common-c": "1.1",
    "motor-a-b": "1.9",
    "motor-b-c": "1.9",
    "motor-c-a": "1.9",
    "motor-case": "OL",
    "coil-case": "OL",
    "coil": "8.1",
    "link-5v": "0.4",
    "link-12v": "0.4",
    "amps-12v": "20 mA",
    "amps-spin": "1.4",
    "volts-12v-drive": "11.2",
    "limit-5v": "0.5",
    "limit-12v": "0.5",
    "amps-5v": "0.31",
    "regulator-core": "1.1",
    "regulator-1v8": "1.8",
    "regulator-2v5": "2.5",
    "regulator-3v3": "3.3",
    "rom-volts": "3.28",
    "supply-5v": "5.02",
    "supply-12v": "12,1 V",
    "volts-5v": "4.95",
    "volts-5v-drive": "4.9",
    "volts-12v": "12.0",
    "pin-3": "0.0",
    "suppressor-5v-forward": "0.52",
    "suppressor-12v-forward": "0.52",
}
"""A sound value for every step that is not simply some thousand ohms, lukewarm, or a first choice."""


def sound_value(step: Step) -> str:
    if step.id in SOUND:
        return SOUND[step.id]
    if step.unit is Unit.CHOICE:
        return next(one.word for one in step.choices if one.value_class is ValueClass.WITHIN)
    return {Unit.OHM: "4k7", Unit.CELSIUS: "31"}[step.unit]


def entered(sheet: Sheet, **values: str) -> Sheet:
    """The sheet with values entered in the order given; underscores in the names stand for hyphens."""
    for step, text in values.items():
        sheet = sheet.with_entry(step.replace("_", "-"), text, at=AT, who=WHO)
    return sheet


def followed(sheet: Sheet, upto: str = "", **values: str) -> Sheet:
    """The sheet filled in as it asks for, soundly but for `values`, before the step `upto` or to the end.

    Ends also where the sheet only asks for something to be measured again.
    """
    given = {step.replace("_", "-"): text for step, text in values.items()}
    while (suggestion := sheet.standing().next) and not suggestion.again and suggestion.step.id != upto:
        step = suggestion.step
        sheet = sheet.with_entry(step.id, given.get(step.id, sound_value(step)), at=AT, who=WHO)
    return sheet


def filled(sheet: Sheet, upto: str = "", **values: str) -> Sheet:
    """Like `followed`, and fails if the sheet stops before `upto`."""
    sheet = followed(sheet, upto, **values)
    suggestion = sheet.standing().next
    assert (suggestion.step.id if suggestion else "") == upto
    return sheet


def large() -> Sheet:
    return Sheet(Size.LARGE, form=packaged_form())
