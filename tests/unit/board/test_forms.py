"""Number forms: the packaged files, the shop's own, and what is refused with which words."""

from __future__ import annotations

import pytest

from mendbay.board.form_file import FormText
from mendbay.board.forms import load_forms, packaged_texts
from mendbay.board.number_form import Kind, Unit, fill, shape
from mendbay.core.errors import BadFormFile

GOOD = """
[[form]]
id = "own-board"
kind = "board number"
pattern = 'QX-(?<series>\\d{3})(?: (?<revision>R\\d))?'
normal = "QX-{series}"
family = "QX-{series:shape}"
parts.series = { means = "series" }
parts.revision = { means = "revision", kind = "board revision" }
examples = ["QX-123 R4"]
counter_examples = ["QX-12"]
provenance = "our shelf"
"""


def loaded(text: str) -> object:
    return load_forms((FormText("own.toml", text),))


def test_packaged_forms_load_and_cover_every_kind() -> None:
    forms = load_forms()
    assert {one.kind for one in forms.forms} == set(Kind)
    assert len({one.id for one in forms.forms}) == len(forms.forms) > 40
    assert all(one.provenance for one in forms.forms)


@pytest.mark.parametrize("text", packaged_texts(), ids=lambda one: one.name)
def test_every_packaged_file_is_sound_by_itself(text: FormText) -> None:
    forms = load_forms((text,))
    assert forms.forms or forms.captions


def test_sizes_of_serial_flash_are_in_mbit() -> None:
    forms = load_forms()
    for marking, mbit in (
        ("W25Q16JVSIG", 16),
        ("W25X05CL", 0.5),
        ("W25Q01JV", 1024),
        ("MX25L8006E", 8),
        ("MX25L5121E", 0.5),
        ("MX25L51245G", 512),
        ("GD25Q80CSIG", 8),
        ("IS25LP064A", 64),
        ("AT25DF041A", 4),
        ("SST25VF016B-50-4C", 16),
        ("N25Q00AA13", 1024),
    ):
        sizes = set()
        for form in forms.forms:
            match = form.pattern.match(marking)
            if form.kind is Kind.ROM and match is not None:
                sizes |= {
                    form.parts[name].amount(text)
                    for name, text in match.parts
                    if form.parts[name].unit is Unit.MBIT
                }
        assert sizes == {mbit}, marking


def test_a_form_of_the_shop_replaces_a_packaged_one_and_can_switch_one_off() -> None:
    board = GOOD.replace("own-board", "demo-alder-board")
    off = '[[form]]\nid = "board-9"\noff = true\n'
    forms = load_forms((*packaged_texts(), FormText("own.toml", board), FormText("off.toml", off)))
    changed = forms.by_id("demo-alder-board")
    assert changed is not None
    assert changed.pattern.match("QX-123") is not None
    assert forms.by_id("board-9") is None
    assert len(forms.forms) == len(load_forms().forms) - 1


def test_normal_shape_and_family() -> None:
    form = load_forms((FormText("own.toml", GOOD),)).forms[0]
    assert form.value("QX-123 R4", {"series": "123", "revision": "R4"}) == "QX-123"
    assert form.family_of("QX-123 R4", {"series": "123"}) == "QX-ddd"
    assert fill("{a}[ Rev {b:shape}]", {"a": "1"}) == "1"
    assert fill("{a}[ Rev {b:shape}]", {"a": "1", "b": "C2"}) == "1 Rev Ld"
    assert shape("TB-4471-200 R3") == "LL-dddd-ddd Ld"


REFUSED = {
    "not TOML": ("[[form]\n", "line 1"),
    "unknown key": (GOOD + "colour = 'red'\n", "`colour` is not known"),
    "unknown top key": ("[[shape]]\nid = 'x'\n", "`shape` is not known"),
    "no id": (GOOD.replace('id = "own-board"', 'id = "Own Board"'), "`id` is no id"),
    "no pattern": (GOOD.replace("pattern =", "#"), "`pattern` is missing"),
    "unbounded": (GOOD.replace("\\d{3}", "\\d+"), "give a bound such as `{1,8}`"),
    "nested repeats": (GOOD.replace("\\d{3}", "(?:(?:\\d{1,32}){1,32}){1,32}"), "places"),
    "any sign": (GOOD.replace("\\d{3}", ".{3}"), "write `\\.` for the sign itself"),
    "small letters": (GOOD.replace("'QX-", "'qx-"), "write capitals"),
    "part without meaning": (GOOD.replace("parts.series =", "# "), "`parts.series` is missing"),
    "meaning without part": (GOOD + 'parts.site = { means = "site" }\n', "`parts.site` is no part"),
    "example does not fit": (GOOD.replace("QX-123 R4", "QX-1234"), "does not fit the pattern"),
    "counter-example fits": (GOOD.replace('["QX-12"]', '["QX-124"]'), "fits the pattern"),
    "unknown kind": (GOOD.replace('kind = "board number"', 'kind = "colour"'), "Use one of model"),
    "unknown unit": (GOOD.replace('means = "series"', 'means = "s", unit = "kg"'), "`unit` is 'kg'"),
    "code missing": (
        GOOD.replace('means = "series"', 'means = "s", unit = "GB", codes = { 124 = 1 }'),
        "gives no amount for '123'",
    ),
    "code table missing": (
        GOOD.replace('means = "series"', 'means = "s", unit = "GB", codes = "sizes"'),
        "names no table `sizes`",
    ),
    "template": (GOOD.replace("QX-{series}", "QX-{site}"), "names `site`, which is no part"),
    "bracket": (GOOD.replace('"QX-{series}"', '"QX-[{series}"'), "has a bracket"),
    "twice": (GOOD + GOOD, "`id` is used twice"),
    "prior": (GOOD + "prior = -1\n", "`prior` must be a number above 0"),
    "caption": ("[[caption]]\ntexts = ['s/n']\nkinds = ['serial number']\n", "holds 's/n'"),
    "caption kinds": ("[[caption]]\ntexts = ['S/N']\nkinds = []\n", "`kinds` must list"),
    "too long": ("#" * 200_001, "200001 characters"),
    "deep": ("a = " + "[" * 50_000, "not TOML"),
    "a table for a list": ("form = 3\n", "`form` must be"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_refused_files_say_where_and_what_to_do(case: str) -> None:
    text, words = REFUSED[case]
    with pytest.raises(BadFormFile) as trouble:
        loaded(text)
    assert words in f"{trouble.value} {trouble.value.next_step}"
    assert trouble.value.what.startswith("own.toml")
    assert trouble.value.next_step


def test_the_line_of_the_form_is_named() -> None:
    second = GOOD.replace("own-board", "other").replace("QX-123 R4", "nothing")
    with pytest.raises(BadFormFile, match=r"own\.toml, line 14, form other"):
        loaded(GOOD + second)
