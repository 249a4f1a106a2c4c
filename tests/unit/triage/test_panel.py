"""The first step against what a practitioner would do, on a panel of invented cases (`panel.toml`)."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from mendbay.triage.belief import Asked, Belief
from mendbay.triage.next_step import NextStep, Offer, kept_off
from mendbay.triage.stakes import Stakes
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.worlds import Subject, Worlds

PANEL: list[dict[str, Any]] = tomllib.loads(Path(__file__).with_name("panel.toml").read_text())["case"]
WORLDS = {
    "box": Worlds(packaged_tables(), Subject(("1", "2"))),
    "drive": Worlds(packaged_tables(), Subject(("1",), box=False)),
}
AGREED = 56
"""Cases in which the first step is among the practitioner's; fewer would be a step back."""


def judged(case: dict[str, Any]) -> tuple[Belief, tuple[Offer, ...]]:
    known: dict[Asked, str] = {}
    for name, answer in case["known"].items():
        sign, _, bay = name.partition(":")
        known[Asked(sign, bay)] = answer
    belief = Belief(WORLDS[case["came"]], known)
    return belief, NextStep(belief, Stakes(float(case["worth"])), frozenset(case.get("refused", ()))).offers()


def test_the_panel_is_large_and_knows_its_steps() -> None:
    assert len(PANEL) >= 60
    steps = packaged_tables().steps
    assert {one.partition(":")[0] for case in PANEL for one in case["first"]} <= set(steps)


@pytest.mark.slow
def test_the_first_step_is_a_practitioners_in_most_cases() -> None:
    apart = []
    for case in PANEL:
        first = judged(case)[1][0]
        name = f"{first.step.id}:{first.bay}" if first.bay else first.step.id
        if name not in case["first"]:
            apart.append(f"{case['words']}: {name}, not {' or '.join(case['first'])}")
    assert len(PANEL) - len(apart) >= AGREED, "\n".join(apart)


@pytest.mark.slow
@pytest.mark.parametrize("case", PANEL, ids=[one["words"] for one in PANEL])
def test_what_must_not_get_power_gets_none(case: dict[str, Any]) -> None:
    belief, offers = judged(case)
    if "off" in case:
        assert sorted(kept_off(belief)) == sorted(case["off"])
    for bay in kept_off(belief):
        assert not (offers[0].step.powers and offers[0].bay in ("", bay))


def test_the_files_of_a_drive_alone_are_looked_at_once_something_of_it_was_read() -> None:
    """Nothing is to be put together before them, yet they are no sooner to be seen for that."""

    def offered(known: dict[Asked, str]) -> set[str]:
        return {one.step.id for one in NextStep(Belief(WORLDS["drive"], known), Stakes(3000)).offers()}

    assert "put-together" not in offered({Asked("refusals", "1"): "none"})
    assert "look-at-files" not in offered({Asked("detected", "1"): "right"})
    assert "look-at-files" in offered({Asked("detected", "1"): "right", Asked("refusals", "1"): "none"})
