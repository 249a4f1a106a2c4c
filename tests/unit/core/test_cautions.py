"""Cautions: whole, sourced, and there for whatever the sheet asks a person to do."""

from __future__ import annotations

import pytest

from mendbay.board.electrical_form_file import packaged_form
from mendbay.core.cautions import cautions_for, packaged_cautions, parse_cautions
from mendbay.core.errors import BadFormFile
from mendbay.triage.table_file import packaged_tables

GOOD = """
deferral = "Local rules come first."
[sources]
maker = "Data sheet of the part"
[[caution]]
id = "hot"
title = "Hot"
text = "It reaches {most}."
[caution.figures]
most = { value = 11.7, unit = "°C", source = "maker" }
"""


def test_figures_stand_in_the_text_with_their_source() -> None:
    (hot,) = parse_cautions(GOOD).values()
    assert hot.text == "It reaches 11.7\u2009°C."
    assert hot.figures["most"].source == "Data sheet of the part"
    assert hot.deferral == "Local rules come first."


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        (
            "It reaches {most}.",
            "It reaches {most}, or 20.",
            "caution 'hot' has a number without a source in 'text'",
        ),
        (
            'unit = "°C", source = "maker"',
            'unit = "°C"',
            "caution 'hot', figures, the number 'most' has no source",
        ),
        ('source = "maker"', 'source = ""', "the number 'most' has no source"),
        ('source = "maker"', 'source = "nobody"', "the unknown source 'nobody'"),
        ('{ value = 11.7, unit = "°C", source = "maker" }', "11.7", "the number 'most' has no source"),
        ("value = 11.7", "value = nan", "is not a number to compare with"),
        ("value = 11.7", "value = true", "has no value"),
        ("{most}", "{least}", "names the figure 'least', which it lacks"),
        ("reaches {most}", "is hot", "has the figure 'most' that no text uses"),
        ('title = "Hot"', "", "has no text 'title'"),
        ('title = "Hot"', 'title = "Hot"\ntitel = "Hot"', "has the unknown key 'titel'"),
        ('id = "hot"', 'id = "Hot part"', "has the id 'Hot part'"),
        ('deferral = "Local rules come first."', "", "has no text 'deferral'"),
        ("[[caution]]", "[[caution", "is not TOML"),
    ],
)
def test_a_wrong_file_is_refused_by_the_name_of_the_entry(old: str, new: str, why: str) -> None:
    assert old in GOOD
    with pytest.raises(BadFormFile) as refused:
        parse_cautions(GOOD.replace(old, new, 1))
    assert why in refused.value.what


def test_hostile_files_end_in_the_same_error() -> None:
    entry = GOOD[GOOD.index("[[caution]]") :]
    for text in (
        GOOD + entry,
        "x = " + "[" * 5_000,
        "x = " + "9" * 5_000,
        "#" * 300_000,
        'caution = "a"',
        "",
    ):
        with pytest.raises(BadFormFile):
            parse_cautions(text)


def test_the_packaged_cautions_cover_the_hazards_of_the_bench() -> None:
    cautions = packaged_cautions()
    needed = {
        *("static", "mains-adapter", "hot-air", "isopropanol", "lead", "magnets", "glass-platters"),
        *("batteries", "clip", "polarity", "current-limit", "no-suppressor"),
    }
    assert needed <= set(cautions)
    assert all("Local rules and licensed practice come first" in one.deferral for one in cautions.values())


def test_every_caution_named_exists_and_every_caution_is_used() -> None:
    form, cautions = packaged_form(), packaged_cautions()
    named = {one for step in form.steps.values() for one in step.cautions}
    named |= {one for rule in form.rules for one in rule.cautions}
    named |= {one for step in packaged_tables().steps.values() for one in step.cautions}
    assert named | {"reading-drive", "clicking-drive"} == set(cautions), "the commands that read show them"


def test_cautions_of_a_step_in_order_and_once() -> None:
    found = cautions_for(["clip", "static", "clip"])
    assert [one.id for one in found] == ["clip", "static"]
    with pytest.raises(KeyError):
        cautions_for(["nobody"])
