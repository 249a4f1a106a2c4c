"""What is no TOML is said in our words, with the place."""

from __future__ import annotations

import pytest

from mendbay.core.toml_text import NotToml, parse_toml


def test_tables_are_read() -> None:
    assert parse_toml("a = 1\n[b]\nc = 'd'") == {"a": 1, "b": {"c": "d"}}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("a = 1\nform!", "line 2 cannot be read from column 5 on"),
        ("a = [1,", "breaks off"),
        ("a = " + "[" * 100_000, "TOML"),
    ],
)
def test_where_it_breaks_is_told_without_the_parsers_words(text: str, words: str) -> None:
    with pytest.raises(NotToml) as caught:
        parse_toml(text)
    assert words in str(caught.value)
    assert "key/value" not in str(caught.value)
