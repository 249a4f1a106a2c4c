"""Every step of triage names the cautions that what it does asks for.

What is asked for is derived here from what a step says and does, apart from the tables. The rules are common
practice, no source.
"""

from __future__ import annotations

import re

import pytest

from mendbay.core.cautions import cautions_for, packaged_cautions
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.tables import Seat, Step

STEPS = packaged_tables().steps

ASKED_BY_WORDS = {
    r"adapter": {"mains-adapter"},
    r"(try|fit) another adapter": {"mains-adapter", "other-adapter"},
    r"adapter gives at its plug": {"mains-adapter", "polarity"},
    r"switch the box on|fan": {"mains-adapter"},
    r"clean the contacts|clean or replace the contacts": {"isopropanol", "static"},
    r"replace the .*part|move the .*ROM": {"hot-air", "lead", "static"},
    r"\bROM\b": {"static", "clip"},
    r"pictures of both sides|the board off the drive|donor board|part of the board": {"static"},
    r"electrical sheet": {"power-off"},
    r"current limited": {"current-limit", "polarity"},
    r"suppress|shorted or open part": {"power-off"},
    r"without the box|connect the drive alone|give the drive alone": {"polarity", "static"},
}
"""What words of a step ask for."""

NOT_NEEDED = {
    ("smell", "mains-adapter"): "the adapter is unplugged and only smelt at",
}
"""What the words would ask for and the step does not need, each with the reason."""


OF_A_BOARD = ("board", "solder", "nozzle", "5 V contacts")
"""Words of cautions that are for hands on the board of a drive."""


READING = r"^read (both|this|the drive's)|image|descriptions alone|connect the drive"
"""Words of steps in which a drive is read, not in its box."""


def power_caution(step: Step) -> str:
    """What is to be read before a drive of the step turns, by how it gets its power."""
    if re.search(READING, step.words, re.IGNORECASE):
        return "reading-drive"
    return "drives-in-box" if step.seat is Seat.BOX else "spinning-drive"


@pytest.mark.parametrize("name", ["try-adapter", "new-adapter", "look-for-box", "mend-network", "make-room"])
def test_work_at_the_box_is_not_cautioned_of_the_boards_of_drives(name: str) -> None:
    for caution in cautions_for(STEPS[name].cautions):
        said = f"{caution.title} {caution.text}"
        assert not [one for one in OF_A_BOARD if one in said], said


def test_another_adapter_is_fitted_with_all_that_its_printing_and_its_plug_tell_in_mind() -> None:
    said = " ".join(one.text for one in cautions_for(STEPS["new-adapter"].cautions))
    for word in ("polarity", "voltage", "at least the current", "earth", "one hand", "Never open", "level"):
        assert word in said, word


@pytest.mark.parametrize("name", list(STEPS))
def test_a_step_names_the_cautions_that_it_asks_for(name: str) -> None:
    step = STEPS[name]
    asked = {power_caution(step)} if step.powers else set[str]()
    for words, cautions in ASKED_BY_WORDS.items():
        if re.search(words, step.words, re.IGNORECASE):
            asked |= cautions
    excused = {caution for one, caution in NOT_NEEDED if one == name}
    assert excused <= asked, "an excuse that nothing asks for"
    assert asked - excused <= set(step.cautions)
    assert set(step.cautions) <= set(packaged_cautions())


def test_every_rule_is_met_by_a_step() -> None:
    unmet = [one for one in ASKED_BY_WORDS if not any(re.search(one, s.words, re.I) for s in STEPS.values())]
    assert unmet == []
    assert {one for one, _ in NOT_NEEDED} <= set(STEPS)
