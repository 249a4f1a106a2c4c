"""The tables: no number without an origin, and nothing that would make the model wrong in silence."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import replace

import pytest

from mendbay.core.errors import BadFormFile
from mendbay.triage.table_file import packaged_tables, packaged_texts, read_all
from mendbay.triage.tables import StepKind

TEXTS = packaged_texts()


def numbers_without_a_source(raw: object, path: str = "") -> Iterator[str]:
    """Every number of a parsed file that no source stands beside: an independent look."""
    if isinstance(raw, dict):
        sourced = bool(str(raw.get("source", "")).strip())
        for key, value in raw.items():
            if not (sourced and key in ("value", "values")):
                yield from numbers_without_a_source(value, f"{path}.{key}")
    elif isinstance(raw, list):
        for at, value in enumerate(raw):
            yield from numbers_without_a_source(value, f"{path}[{at}]")
    elif isinstance(raw, int | float) and not isinstance(raw, bool):
        yield path


@pytest.mark.parametrize("text", [TEXTS.faults, TEXTS.signs, TEXTS.steps], ids=["faults", "signs", "steps"])
def test_no_packaged_number_is_without_a_source(text: str) -> None:
    assert list(numbers_without_a_source(tomllib.loads(text))) == []
    assert list(numbers_without_a_source({"a": [{"value": 3}]})) == [".a[0].value"], "the look can fail"


def test_every_fault_has_a_repair_or_is_handed_on_and_every_sign_a_test() -> None:
    tables = packaged_tables()
    mended = {name for step in tables.steps.values() for name in step.fixes}
    handed_on = {"heads", "media-damage", "stuck"}
    assert set(tables.faults) - mended == handed_on
    seen_at_take_in = {"condition"}
    assert {step.reveals for step in tables.steps.values()} - {""} == set(tables.signs) - seen_at_take_in


def test_a_step_that_gives_power_shows_its_caution_and_its_harm() -> None:
    powered = [one for one in packaged_tables().steps.values() if one.powers]
    assert len(powered) > 15
    power = {"spinning-drive", "drives-in-box", "reading-drive"}
    assert all(len(power & set(one.cautions)) == 1 and one.harm for one in powered)
    heated = [
        one
        for one in packaged_tables().steps.values()
        if one.kind is StepKind.REPAIR and "hot-air" in one.cautions
    ]
    assert all({"lead", "static"} <= set(one.cautions) for one in heated)
    assert {"mend-supply", "swap-board", "move-rom"} <= {one.id for one in heated}


BREAKS = [
    ("faults", "strength = { value = 100,", "strength = { value = 0,", "has the strength 0"),
    ("signs", "strength = { value = 40,", "weight = { value = 10,", "lacks the number 'strength'"),
    ("faults", "sound = { value = 0.03,", "sound = { value = 0.04,", "the shares of the faults are 1.01"),
    ("faults", 'first = { value = 0.10, source = "practice" }', "first = 0.10", "has no source"),
    ("faults", 'source = "practice" }', 'source = "hearsay" }', "unknown source 'hearsay'"),
    ("faults", "heads = { value = 6,", "headz = { value = 6,", "names 'headz', which is no fault"),
    ("faults", "heads = { value = 6,", "heads = { value = 0,", "0 times as likely"),
    ("faults", '"heads", "media-damage", "stuck", "service-area"]', '"adapter"]', "no fault of a drive"),
    ("faults", 'id = "box-board"', 'id = "adapter"', "a name that is taken"),
    ("faults", 'seat = "box"', 'seat = "shelf"', "has the seat 'shelf'"),
    ("faults", "share = { value = 0.25,", "share = { value = 0.2,", "the shares of the layouts are 0.95"),
    ("signs", 'when = ["adapter"]', 'when = ["adaptor"]', "names nothing"),
    ("signs", 'when = ["any:dead"]', 'when = ["dead"]', "of no drive in particular"),
    ("signs", 'when = ["connectors"]', 'when = ["any:connectors"]', "of drives, which have none"),
    ("signs", 'when = ["any:dead"]', 'when = ["every:dead"]', "the condition 'every:dead'"),
    ("signs", "values = [0.83, 0.13, 0.04]", "values = [0.83, 0.13, 0.05]", "1 together"),
    ("signs", "values = [0.83, 0.13, 0.04]", "values = [0.83, 0.17]", "not 3, one for each answer"),
    ("signs", "values = [0.83, 0.13, 0.04]", "values = [0.96, 0.04, 0.0]", "above 0"),
    ("signs", 'when = ["box-board"]\n', "", "behind the row that always applies"),
    ("signs", 'when = ["box-board"]', 'when = ["adapter"]', "two rows with the same conditions"),
    ("steps", 'reveals = "history"', 'reveals = "story"', "no sign of the case"),
    ("steps", 'kind = "test"', 'kind = "repair"', "a test without a sign, or the reverse"),
    (
        "steps",
        'cautions = ["drives-in-box", "static", "isopropanol"]',
        'cautions = ["static"]',
        "without its caution",
    ),
    (
        "steps",
        'cautions = ["drives-in-box"]',
        'cautions = ["drives-in-box", "ghosts"]',
        "'ghosts', which is not there",
    ),
    ("steps", 'consents = ["power-on"]', "consents = []", "without the customer's word"),
    ("steps", 'reveals = "sound-alone"', 'reveals = "sound-alone"\nasked = true', "done from afar"),
    ("steps", 'id = "stop-and-send"', 'id = "stop-and-send"\nagain = true', "is no test"),
    ("steps", 'id = "give-back"', 'id = "give-back"\nconsents = ["shipping"]', "hands the job on without"),
    ("steps", 'needs = ["detected=right"]', 'needs = ["detected=left"]', "no sign"),
    ("steps", "adapter = { value = 0.97,", "heads = { value = 0.97,", "no fault of the box"),
    ("steps", "minutes = { value = 5,", "minutes = { value = -5,", "has -5 for 'minutes'"),
    ("steps", 'words = "Ask what happened', 'wordz = "Ask what happened', "has no text 'words'"),
]


@pytest.mark.parametrize(("file", "old", "new", "said"), BREAKS, ids=[one[3] for one in BREAKS])
def test_a_table_that_does_not_hold_together_is_refused(file: str, old: str, new: str, said: str) -> None:
    text = getattr(TEXTS, file)
    assert old in text
    with pytest.raises(BadFormFile, match=said):
        read_all(replace(TEXTS, **{file: text.replace(old, new, 1)}))


def test_stopping_must_be_possible() -> None:
    steps = TEXTS.steps.replace('kind = "hand on"', 'kind = "repair"')
    with pytest.raises(BadFormFile, match="no step that hands the job on"):
        read_all(replace(TEXTS, steps=steps))


def test_the_bay_of_a_step_stands_before_its_full_stop() -> None:
    for step in packaged_tables().steps.values():
        assert step.words_of("") == step.words
        assert step.words_of("2").endswith(" (bay 2).")
        assert step.words_of("2").count(".") == step.words.count(".")
