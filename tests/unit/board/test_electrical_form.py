"""The form of the sheet: no number without an origin, and nothing that could lead into harm."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

import pytest

from mendbay.board.electrical_form import Gate, Phase
from mendbay.board.electrical_form_file import packaged_form, packaged_text, parse_form
from mendbay.core import cautions
from mendbay.core.errors import BadFormFile

TEXT = packaged_text()
DOCUMENT = Path(__file__).parents[3] / "docs" / "formats" / "expected-readings.md"


def numbers_outside_figures(raw: object, path: str = "") -> Iterator[str]:
    """Every number of a parsed file that does not stand beside a source: an independent look."""
    if isinstance(raw, dict):
        for key, value in raw.items():
            if not (key == "value" and str(raw.get("source", "")).strip()):
                yield from numbers_outside_figures(value, f"{path}.{key}")
    elif isinstance(raw, list):
        for at, value in enumerate(raw):
            yield from numbers_outside_figures(value, f"{path}[{at}]")
    elif isinstance(raw, int | float) and not isinstance(raw, bool):
        yield path


@pytest.mark.parametrize("text", [TEXT, cautions.packaged_text()], ids=["form", "cautions"])
def test_no_packaged_number_is_without_a_source(text: str) -> None:
    raw = tomllib.loads(text)
    assert list(numbers_outside_figures(raw)) == []
    assert list(numbers_outside_figures({"a": [{"value": 3}]})) == [".a[0].value"], "the look can fail"


def test_figures_carry_the_words_of_their_source() -> None:
    form = packaged_form()
    figures = [one for step in form.steps.values() for expected in step.expected for one in expected.figures]
    figures += [one for step in form.steps.values() for one in step.figures.values()]
    figures += [one for group in form.groups for one in (group.share, group.at_most)]
    assert len(figures) > 120
    assert {one.source for one in figures} == set(tomllib.loads(TEXT)["sources"].values())


def changed(old: str, new: str) -> str:
    assert old in TEXT, old
    return TEXT.replace(old, new, 1)


BREAKS = [
    (
        'at_most = { value = 0.5, source = "practice" }',
        "at_most = 0.5",
        "step 'leads', expected number 1, the number 'at_most' has no source",
    ),
    (
        'short_below = { value = 10, source = "practice" }',
        "short_below = { value = 10 }",
        "step 'rail-5v', expected number 1, the number 'short_below' has no source",
    ),
    (
        'short_below = { value = 10, source = "practice" }',
        'short_below = { value = 10, source = "hearsay" }',
        "step 'rail-5v', expected number 1, the number 'short_below' has the unknown source 'hearsay'",
    ),
    ("wait up to {wait}", "wait up to 10 s", "step 'rail-5v' has a number without a source in 'how'"),
    ("wait up to {wait}", "wait a little", "step 'rail-5v' has the figure 'wait' that no text uses"),
    (
        'cautions = ["static", "power-off"]',
        'cautions = ["static", "courage"]',
        "step 'burns' names the unknown caution 'courage'",
    ),
    ('cautions = ["static", "power-off"]', "", "step 'burns' has no caution"),
    (
        'at_least = { value = 100, source = "practice" }',
        'at_least = { value = 1, source = "practice" }',
        "step 'rail-5v', expected number 1 has limits in the wrong order",
    ),
    ('observation = "burns"', 'observation = "scorches"', "names the unknown observation 'scorches'"),
    (
        'needs = ["5 V"]\nafter = ["rail-5v", "supply-polarity", "supply-5v", "limit-5v"]',
        'needs = ["5 V"]',
        "step 'amps-5v' is powered but comes after nothing",
    ),
    (
        'after = ["rail-5v", "supply-polarity", "supply-5v", "limit-5v"]',
        'after = ["leads"]',
        "sends power through 5 V before anything that guards it was measured",
    ),
    ('needs = ["5 V"]', "", "step 'amps-5v' needs a gate without power, or none with it"),
    ('guards = ["5 V"]', 'guards = ["5 volts"]', "has the unknown word '5 volts'"),
    ('id = "floor"', 'id = "leads"', "has two entries 'leads'"),
    ('phase = "bench"', 'phase = "five"', "step 'leads' needs a gate without power"),
    (
        'depends_on = "rom-rated"',
        'depends_on = "crystal"',
        "step 'rom-volts' comes after 'crystal', which does not",
    ),
    ('depends_on = "rom-rated"', "", "step 'rom-volts' expects by a choice nobody is asked"),
    (
        'only_if = { step = "motor-contacts", choice = "4" }',
        'only_if = { step = "motor-contacts", choice = "5" }',
        "applies only after a choice nobody is asked",
    ),
    ('unit = "ohm"', 'unit = "choice"', "step 'leads' mixes choices and numbers"),
    ('leads = "leads"', 'leads = "burns"', "does not say how much the leads of a meter have"),
    ('strap = "wrist-strap"', 'strap = "no-such"', "has no step 'no-such' for the wrist strap"),
    (
        'weights = { within = "weak", amiss = "strong" }',
        'weights = { within = "sure", amiss = "strong" }',
        "has the weight 'sure'",
    ),
    (
        '{ observation = "link-5v", classes = ["open"] }',
        '{ observation = "link-5v", classes = ["short"] }',
        "rule 'wrong-adapter-5v', when number 2 asks for a class that the observation gives no weight",
    ),
    ("[steady.C]", "[steady.D]", "steady, C is not a table"),
]


@pytest.mark.parametrize(("old", "new", "why"), BREAKS)
def test_a_wrong_form_is_refused_by_the_name_of_the_entry(old: str, new: str, why: str) -> None:
    with pytest.raises(BadFormFile) as refused:
        parse_form(changed(old, new))
    assert why in refused.value.what


def test_power_comes_last_and_in_the_order_five_then_twelve_then_drive() -> None:
    steps = list(packaged_form().steps.values())
    phases = [one.phase for one in steps]
    assert phases == sorted(phases, key=list(Phase).index)
    first = {gate: next(at for at, one in enumerate(steps) if gate in one.needs) for gate in Gate}
    assert first[Gate.FIVE] < first[Gate.TWELVE] < first[Gate.DRIVE]
    assert all(one.unit.value == "A" for one in (steps[at] for at in first.values())), (
        "the current is watched first"
    )


def test_the_multimeter_is_not_asked_about_the_crystal() -> None:
    crystal = packaged_form().steps["crystal"]
    assert "multimeter cannot" in crystal.how
    unknown = crystal.choice("no oscilloscope")
    assert unknown is not None
    assert unknown.value_class.value == "cannot be judged"


def test_the_document_lists_the_vocabulary() -> None:
    text = DOCUMENT.read_text(encoding="utf-8")
    text = text[text.index("| observation | classes |") : text.index("## What findings say together")]
    listed = dict(re.findall(r"^\| `([a-z0-9-]+)` \| ([a-z, ]+) \|", text, re.MULTILINE))
    written = {one.id: ", ".join(one.weights) for one in packaged_form().observations.values()}
    assert listed == written


def test_the_document_describes_every_key() -> None:
    text = DOCUMENT.read_text(encoding="utf-8")
    raw = tomllib.loads(TEXT, parse_float=Decimal)
    keys = {key for table in ("step", "group", "observation", "rule") for row in raw[table] for key in row}
    keys |= {
        key
        for row in raw["step"]
        for inner in (*row.get("expected", []), *row.get("choices", []))
        for key in inner
    }
    assert [key for key in sorted(keys) if f"`{key}`" not in text] == []
