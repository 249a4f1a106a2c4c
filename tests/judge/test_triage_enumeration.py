"""The model against a plain enumeration written apart from it, which reads the tables' text by itself."""

from __future__ import annotations

import random
import tomllib
from importlib.resources import files
from itertools import combinations
from typing import Any

import pytest

from mendbay.triage.belief import Asked, Belief, all_signs
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.worlds import Subject, Worlds

FOLDER = files("mendbay.triage")
FAULTS: dict[str, Any] = tomllib.loads(FOLDER.joinpath("faults.toml").read_text(encoding="utf-8"))
SIGNS = {
    one["id"]: one for one in tomllib.loads(FOLDER.joinpath("signs.toml").read_text(encoding="utf-8"))["sign"]
}
GROUPS = {one["id"]: one["faults"] for one in FAULTS["group"]}
SEATS = {one["id"]: one["seat"] for one in FAULTS["fault"]}

World = tuple[str, str, tuple[tuple[str, str], ...], float]


def plain_worlds(bays: tuple[str, ...], box: bool) -> list[World]:
    places = []
    for one in FAULTS["fault"]:
        if one["seat"] == "bay":
            places += [(one, bay) for bay in bays]
        elif box or one["id"] == "file-system":
            places.append((one, ""))
    found: list[World] = []
    for event in FAULTS["event"]:
        times = {name: float(one["value"]) for name, one in event.get("times", {}).items()}

        def first(one: dict[str, Any], times: dict[str, float] = times) -> float:
            return float(one["first"]["value"]) * times.get(one["id"], 1.0)

        def odds(one: dict[str, Any], times: dict[str, float] = times) -> float:
            chance = min(0.5, float(one["besides"]["value"]) * times.get(one["id"], 1.0))
            return chance / (1 - chance)

        sets: list[tuple[tuple[tuple[str, str], ...], float]] = [((), float(FAULTS["sound"]["value"]))]
        sets += [(((one["id"], bay),), first(one)) for one, bay in places]
        for (one, bay), (other, there) in combinations(places, 2):
            both = ((one["id"], bay), (other["id"], there))
            sets.append((both, first(one) * odds(other) + first(other) * odds(one)))
        total = sum(weight for _, weight in sets)
        for layout in FAULTS["layout"]:
            share = float(event["share"]["value"]) * float(layout["share"]["value"])
            found += [(event["id"], layout["id"], broken, share * weight / total) for broken, weight in sets]
    return found


def applies(term: str, world: World, bays: tuple[str, ...], bay: str) -> bool:
    event, layout, broken, _ = world
    if term.startswith("not "):
        return not applies(term.removeprefix("not "), world, bays, bay)
    scope, _, name = term.rpartition(":")
    if scope == "layout":
        return layout == name
    if scope == "event":
        return event == name
    members = GROUPS.get(name, [name])

    def of(where: str) -> bool:
        return any((one, where if SEATS[one] == "bay" else "") in broken for one in members)

    if scope == "any":
        return any(of(one) for one in bays)
    if scope == "both":
        return all(of(one) for one in bays)
    if scope == "other":
        return any(of(one) for one in bays if one != bay)
    return of(bay)


def plain_posterior(
    worlds: list[World], bays: tuple[str, ...], answers: dict[Asked, str]
) -> tuple[dict[tuple[str, str], float], float]:
    """The chance of each place, and that nothing is broken."""
    chances: dict[tuple[str, str], float] = {}
    total = sound = 0.0
    for world in worlds:
        weight = world[3]
        for asked, answer in answers.items():
            sign = SIGNS[asked.sign]
            row = next(
                one
                for one in sign["row"]
                if all(applies(term, world, bays, asked.bay) for term in one.get("when", []))
            )
            weight *= row["chances"]["values"][[one["id"] for one in sign["answer"]].index(answer)]
        total += weight
        sound += weight if not world[2] else 0.0
        for place in world[2]:
            chances[place] = chances.get(place, 0.0) + weight
    return {place: weight / total for place, weight in chances.items()}, sound / total


@pytest.mark.parametrize(
    ("bays", "box", "rounds"), [(("1",), False, 900), (("1", "2"), True, 100)], ids=["drive", "box"]
)
@pytest.mark.slow
def test_the_model_equals_a_plain_enumeration(bays: tuple[str, ...], box: bool, rounds: int) -> None:
    plain, worlds = plain_worlds(bays, box), Worlds(packaged_tables(), Subject(bays, box))
    assert len(plain) == worlds.count
    signs = all_signs(worlds)
    chance = random.Random(20261128)
    for _ in range(rounds):
        asked = chance.sample(signs, chance.randint(0, min(6, len(signs))))
        answers = {one: chance.choice(packaged_tables().signs[one.sign].answers).id for one in asked}
        belief = Belief(worlds, answers)
        expected, sound = plain_posterior(plain, bays, answers)
        for place, found in belief.ranked():
            assert found == pytest.approx(expected[place.fault, place.bay], rel=1e-9), (answers, place)
        assert belief.sound() == pytest.approx(sound, rel=1e-9)
