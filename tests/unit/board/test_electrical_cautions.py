"""Every step of the electrical sheet names the cautions that what it does asks for.

What is asked for is derived here from the phase, the unit and the words of a step, apart from its own list.
The rules are common practice, no source.
"""

from __future__ import annotations

import re

import pytest

from mendbay.board.electrical_form import Phase, Step
from mendbay.board.electrical_form_file import packaged_form

POWERED = {"static", "polarity", "current-limit", "slipping-probe", "hot-board"}
BY_PHASE = {
    Phase.BENCH: set[str](),  # the bench itself: neither board nor drive is there
    Phase.BOARD: {"static", "power-off"},
    Phase.DRIVE: {"static"},  # without its board nothing in it can have power
    Phase.SUPPLY: set[str](),  # the supply alone, see below
    Phase.FIVE: POWERED,
    Phase.BOTH: POWERED,
    Phase.ATTACHED: POWERED | {"spinning-drive", "no-suppressor"},
}
BY_WORDS = {
    r"earth contact of a socket": {"mains-adapter"},
    r"isopropanol": {"isopropanol"},
    r"hot air|solder|take .* off the board|lift": {"hot-air", "lead"},
    r"\bclip\b": {"clip"},
    r"\barm\b": {"magnets", "glass-platters"},
}


def asked(step: Step) -> set[str]:
    found = set(BY_PHASE[step.phase])
    if step.phase is Phase.SUPPLY:
        found |= {"current-limit"} if str(step.unit) == "A" else {"polarity"}
    for words, cautions in BY_WORDS.items():
        if re.search(words, f"{step.question} {step.how}", re.IGNORECASE):
            found |= cautions
    return found


@pytest.mark.parametrize("step", packaged_form().steps.values(), ids=lambda step: step.id)
def test_a_step_names_the_cautions_that_it_asks_for(step: Step) -> None:
    assert asked(step) <= set(step.cautions), f"{step.question} {step.how}"


def test_power_and_phases_go_together() -> None:
    for step in packaged_form().steps.values():
        assert step.powered == (step.phase in (Phase.FIVE, Phase.BOTH, Phase.ATTACHED))
    assert set(BY_PHASE) == set(Phase)
