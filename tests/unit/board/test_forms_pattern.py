"""The pattern language of number forms, held against Python's own regular expressions where both can be."""

from __future__ import annotations

import re
from random import Random

import pytest

from mendbay.board.forms import load_forms
from mendbay.board.pattern import PatternError, compile_pattern
from support.number_samples import sample

PATTERNS = (
    r"TB-(?<series>\d{4})-(?<variant>\d{3})(?:[ -]?(?<revision>R\d))?",
    r"(?<a>AB|AC|B)(?<b>[A-C0-2]{1,3})?X?",
    r"A{2,4}|(?:B\d){1,3}-?",
    r"[A-Z.-]{1,5}\.\d?",
)


@pytest.mark.parametrize("text", PATTERNS)
def test_it_fits_what_the_same_regular_expression_fits(text: str) -> None:
    pattern = compile_pattern(text)
    judge = re.compile(text.replace("(?<", "(?P<"))
    random = Random(4)
    fitting = 0
    for _ in range(600):
        number = list(sample(pattern, random))
        if random.random() < 0.5:
            number.insert(random.randrange(len(number) + 1), random.choice("AB0-X."))
        if random.random() < 0.3:
            del number[random.randrange(len(number))]
        tried = "".join(number)
        expected = judge.fullmatch(tried)
        found = pattern.match(tried)
        assert (found is not None) == (expected is not None), tried
        if found is not None and expected is not None:
            fitting += 1
            named = {name: part for name, part in expected.groupdict().items() if part}
            assert dict(found.parts) == named
    assert 200 < fitting < 600


def test_lengths_are_those_of_the_numbers() -> None:
    random = Random(1)
    for form in load_forms().forms:
        lengths = [len(sample(form.pattern, random)) for _ in range(100)]
        assert min(lengths) >= form.pattern.shortest
        assert max(lengths) <= form.pattern.longest


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "0 characters"),
        ("A" * 301, "301 characters"),
        ("A*", "give a bound"),
        ("A|", "empty alternative"),
        ("(A", "`)` is missing"),
        ("A)", "without its"),
        ("[A", "must list its characters"),
        ("[^A]", "must list its characters"),
        ("[9-0]", "a set is empty"),
        ("[A-9]", "is no range"),
        ("A{3,2}", "smaller first"),
        ("A{99}", "at most 32"),
        ("A{1,2}{1,2}", "behind another"),
        ("(?<a>A){1,2}", "cannot be repeated"),
        ("(?<a>A(?<b>B))", "part inside a part"),
        ("(?<a>A)(?<a>B)", "used twice"),
        ("(?=A)", "must go on as"),
        ("A?", "fits the empty text"),
        ("\\w", "is not known"),
        ("\\", "is not known"),
        ("(((((((A)))))))", "nested deeper"),
        ("é", "numbers do not hold it"),
        ("A{", "a repetition is"),
        ("(?<", "no name of a part"),
    ],
)
def test_what_is_not_possible_is_refused_with_its_reason(text: str, words: str) -> None:
    with pytest.raises(PatternError, match=re.escape(words)):
        compile_pattern(text)
