"""A form changes values of a text, and nothing else of it."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.core.toml_values import NotInPlace, quoted, with_table, with_values, without_table

TEXT = """\
# remark = "kept"
name = "a # b"  # beside
long = '''
[not.a.table]
x = 1'''
many = [
  "one", "two",  # within
]
[tax] # of the head
rate = "19"   # per cent

# before the first
[[price]]
id = "x"
amount = "1.00"
# between
[[price]]
id = "y]#\\"z"   # last
"""


def test_only_the_value_changes() -> None:
    changed = with_values(TEXT, {("tax", "rate"): "7.7", ("name",): 'say "b"', ("price", 1, "id"): "q"})
    meant = TEXT.replace('"19"', '"7.7"').replace('"a # b"', '"say \\"b\\""').replace('"y]#\\"z"', '"q"')
    assert changed == meant


def test_a_key_that_is_not_there_comes_to_the_end_of_its_table() -> None:
    changed = with_values(TEXT, {("price", 0, "b"): True, ("price", 0, "c"): 2, ("top",): ["l", "m"]})
    meant = TEXT.replace('"1.00"\n', '"1.00"\nb = true\nc = 2\n').replace(
        "]\n[tax]", ']\ntop = ["l", "m"]\n[tax]'
    )
    assert changed == meant
    assert with_values("# only this", {("a",): 1}) == "a = 1\n# only this\n"


def test_values_are_of_the_kind_that_is_meant() -> None:
    assert tomllib.loads(with_values("a = 1", {("a",): True}))["a"] is True
    assert tomllib.loads(with_values("a = 1", {("a",): 1.5}))["a"] == 1.5


@pytest.mark.parametrize(
    ("text", "place"),
    [
        (TEXT, ("many",)),  # a remark would be lost
        ("tax = {rate = '3'}", ("tax", "rate")),
        ("price = [{id = 'x'}]", ("price", 0, "id")),
        ('"na\\u006de" = "x"', ("name",)),
        ("a = 1", ("b", "c")),
        ("[[price]]\nid = 1", ("price", 3, "id")),
        ("[[price]]\nid = 1", ("price", "id")),
    ],
)
def test_what_cannot_be_changed_where_it_stands_is_refused(text: str, place: tuple[str | int, ...]) -> None:
    with pytest.raises(NotInPlace):
        with_values(text, {place: "new"})


def test_a_dotted_key_and_another_end_of_line_are_known() -> None:
    assert with_values("tax . 'rate' = 1\r\nb=2\r\n", {("tax", "rate"): 3}) == "tax . 'rate' = 3\r\nb=2\r\n"


def test_a_table_is_added_and_taken_out_again() -> None:
    more = with_table(TEXT, "price", {"id": "z", "rate": 3, "list": ["a"]})
    assert more == f'{TEXT}\n[[price]]\nid = "z"\nrate = 3\nlist = ["a"]\n'
    assert without_table(more, "price", 2).rstrip() == TEXT.rstrip()
    assert tomllib.loads(without_table(TEXT, "price", 0))["price"] == [{"id": 'y]#"z'}]
    assert "# between" in without_table(TEXT, "price", 0)
    assert "price" not in tomllib.loads(without_table("[[price]]\nid=1", "price", 0))
    for text in ("price = [{id = 'x'}]", "price = 3"):
        with pytest.raises(NotInPlace):
            with_table(text, "price", {"id": "z"})
    with pytest.raises(NotInPlace):
        without_table("[[price]]\nid=1\n[price.more]\nx=1", "price", 0)
    with pytest.raises(NotInPlace):
        without_table(TEXT, "price", 2)


WORDS = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)


@given(WORDS, WORDS, st.lists(WORDS, max_size=3))
def test_any_text_comes_back(one: str, other: str, listed: list[str]) -> None:
    text = f"a = {quoted(one)} # r\nb = 1\n[t]\nc = {quoted(other)}\n"
    changed = with_values(text, {("a",): other, ("t", "c"): one, ("b",): listed})
    assert tomllib.loads(changed) == {"a": other, "b": listed, "t": {"c": one}}
