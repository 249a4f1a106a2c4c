from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jinja2 import Template
from jinja2.sandbox import ImmutableSandboxedEnvironment

from mendbay.core.errors import BadFormFile
from mendbay.outlets.wording_blocks import (
    WIDTH,
    Block,
    Run,
    blocks_of,
    check_wording,
    described_facts,
    filled,
    plain_text,
)

VALUES = st.text(
    st.characters(exclude_categories=["Cs", "Cc"], exclude_characters="\ue000\u2028\u2029\x85"), max_size=60
).map(str.strip)


def made(wording: str, **facts: object) -> tuple[Block, ...]:
    return blocks_of(filled("trial", wording, facts))


def said(block: Block) -> str:
    return "".join(one.text for one in block.words)


@given(VALUES.filter(bool))
def test_what_is_filled_in_stays_what_it_is(value: str) -> None:
    (block,) = made("Dear {{ value }}", value=value)
    assert (block.kind, said(block)) == ("paragraph", f"Dear {value}")
    (block,) = made("| a | b |\n|---|---|\n| x | {{ value }} |", value=value)
    assert "".join(one.text for one in block.rows[1][1]) == value
    assert all(not one.strong and not one.emphasis for one in block.rows[1][1])
    (block,) = made("x `{{ value }}` y", value=value)
    assert said(block) == f"x {value} y" or "`" in value
    (block,) = made("```\n{{ value }}\n```", value=value)
    assert (block.kind, block.text) == ("exact", value)


@given(st.lists(VALUES.filter(bool), min_size=2, max_size=4))
def test_lines_of_a_value_stay_lines_also_in_a_table(lines: list[str]) -> None:
    value = "\n".join(lines)
    (block,) = made("| a | b |\n|---|---|\n| x | {{ value }} |", value=value)
    assert "".join(one.text or "\n" for one in block.rows[1][1]) == value


def test_blocks_of_every_kind() -> None:
    wording = """# Quote {{ n }}

Some **strong** and *other* words.

- one
- two `x`

1. first

|   |   |
|---|--:|
| Sum | 12.00 |

> Careful.

---

```signatures
Technician: name, date, signature
Customer
```

```qr
mendbay:{{ n }}
```
"""
    found = made(wording, n="7")
    kinds = [one.kind for one in found]
    assert kinds == [
        *("heading", "paragraph", "list", "list", "table", "caution", "rule", "signatures", "qr"),
    ]
    assert found[1].words == (
        *(Run("Some "), Run("strong", strong=True), Run(" and "), Run("other", emphasis=True)),
        Run(" words."),
    )
    assert (found[2].level, found[3].level) == (0, 1)
    assert found[4].align == ("left", "right")
    assert found[8].text == "mendbay:7"
    text = plain_text(found)
    assert text.startswith("Quote 7\n=======\n")
    assert "- one\n- two x\n" in text
    assert "Sum  12.00\n" in text
    assert "Please note: Careful.\n" in text
    assert ">" not in text
    assert "mendbay:7" not in text
    assert all(len(line) <= WIDTH for line in text.split("\n"))


def test_a_wide_table_becomes_lines() -> None:
    wording = "| what | said |\n|---|---|\n| {{ a }} | {{ b }} |"
    text = plain_text(made(wording, a="x" * 30, b="word " * 30))
    assert text.startswith("what: xxx")
    assert all(len(line) <= WIDTH for line in text.split("\n"))


@pytest.mark.parametrize(
    "wording",
    [
        "{{ unknown }}",
        "{% if %}",
        "{{ 1 / 0 }}",
        "{{ ().__class__.__base__.__subclasses__() }}",
        "{% for one in range(999999) %}x{% endfor %}",
        "{{ value.append(1) }}",
        "{% include '/etc/passwd' %}",
        "{{ '%(a)s' % {} }}",
        "{{ 'x'.encode('zz') }}",
        "{{ lipsum(n=300000) }}",
        "{{ 'x' * 300000 }}",
        "{{ value.nothing.at_all }}",
    ],
)
def test_a_wording_that_cannot_be_filled_is_told(wording: str) -> None:
    with pytest.raises(BadFormFile, match="trial"):
        filled("trial", wording, {"value": [1]})


def test_html_is_text() -> None:
    (block,) = made("a <b onload=x>b</b>")
    assert said(block) == "a <b onload=x>b</b>"


@pytest.mark.parametrize(
    "wording", ["{{ a }} {{ title }}", "{{ also }}", "{% set b = a %}{{ b }}", "Dear you"]
)
def test_a_wording_may_ask_for_what_there_is(wording: str) -> None:
    check_wording("trial", wording, "{#\nalso  and more\n#}{{ a }}")


@pytest.mark.parametrize(
    ("wording", "words"),
    [
        ("{{ secret }}", "asks for 'secret'"),
        ("{% for x in a %}{{ y }}{% endfor %}", "asks for 'y'"),
        ("{{ range(9) }}", "asks for 'range'"),
        ("{{ more }}", "asks for 'more'"),  # a word of a remark is no fact
        ("{% if %}", "line 1 cannot be filled"),
        ("{{ a", "cannot be filled"),
        ("{# a #}", "says nothing"),
        ("{{ a }}\n\x1b]8;;x\x07", "line 2, holds the character U+001B"),
        ("{{ a }}\x9b31m", "line 1, holds the character U+009B"),
        ("{{ " + "(" * 5000, "cannot be filled"),
        ("{% include 'x' %}{{ a }}", "takes another one in"),
        ("{{ a|colour }}", "cannot be filled"),
    ],
)
def test_what_can_be_no_wording_is_told_before_it_is_kept(wording: str, words: str) -> None:
    with pytest.raises(BadFormFile, match=re.escape(words)):
        check_wording("trial", wording, "{#\nalso  and more\n#}{{ a }}")


def test_facts_are_described_line_by_line() -> None:
    text = "{# Of it.\n\na      the first: one,\n       two\nb_2  the last\nno row\n#}{{ c }}{# d  within #}"
    assert described_facts(text) == {"a": "the first: one, two", "b_2": "the last"}


def test_a_wording_is_made_ready_once_and_filled_with_the_facts_of_each_time(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    made_ready: list[str] = []
    from_string = ImmutableSandboxedEnvironment.from_string

    def counted(self: ImmutableSandboxedEnvironment, source: str) -> Template:
        made_ready.append(source)
        return from_string(self, source)

    monkeypatch.setattr(ImmutableSandboxedEnvironment, "from_string", counted)
    wording = "Only here: {{ value }}."
    said = [filled("trial", wording, {"value": one}) for one in ("a", "b")]
    assert said == ["Only here: a.", "Only here: b."]
    assert made_ready == [wording]
    assert filled("trial", wording + " And now.", {"value": "c"}) == "Only here: c. And now."
    for _ in range(2):
        with pytest.raises(BadFormFile, match="no_such"):
            filled("trial", "{{ no_such }}", {})
