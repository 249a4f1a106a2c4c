"""Patterns over raw paths."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.core.errors import UsageError
from mendbay.files.wanted import matcher, name_matcher


@pytest.mark.parametrize(
    ("pattern", "path", "matches"),
    [
        ("*.xlsx", b"office/Kiln log.XLSX", True),
        ("t\u00f6pferei", "To\u0308pferei/glaze.txt".encode(), True),
        ("/to\u0308pferei/*.txt", "T\u00f6pferei/glaze.txt".encode(), True),
        ("t?pferei", "To\u0308pferei".encode(), True),
        ("*.xlsx", b"Kiln log.xlsx", True),
        ("*.xlsx", b"Kiln log.xlsx.old", False),
        ("kiln*", b"office/kilns/2026/a.txt", True),
        ("glaze photos", b"studio/Glaze photos/tile 1.jpg", True),
        ("glaze photos", b"studio/Glaze photos of others/tile 1.jpg", False),
        ("photos/*.jpg", b"photos/a.jpg", True),
        ("photos/*.jpg", b"photos/deep/a.jpg", False),
        ("photos/*.jpg", b"more/photos/a.jpg", False),
        ("photos/**/*.jpg", b"photos/deep/er/a.jpg", True),
        ("photos/**/*.jpg", b"photos/a.jpg", True),
        ("**/tmp", b"a/b/tmp/x", True),
        ("a?c", b"x/abc", True),
        ("a?c", b"x/a/c", False),
        ("[draft]*", b"[draft] letter", True),
        ("[draft]*", b"d", False),
        ("*.txt", b"caf\xe9.txt", True),
        ("*", b"line\nbreak", True),
        ("metadata", b"metadata", False),
        ("a.c", b"abc", False),
        ("office/", b"a/office/x", True),
        ("/office/", b"office", True),
        ("/office/", b"a/office", False),
    ],
)
def test_patterns(pattern: str, path: bytes, matches: bool) -> None:
    assert matcher([pattern])(path) is matches


def test_any_of_several_patterns_is_enough() -> None:
    test = matcher(["metadata", "*.jpg", "office/**"])
    assert test(b"x/y.jpg")
    assert test(b"office/a")
    assert not test(b"x/y.png")


@pytest.mark.parametrize("bad", ["", "   ", "/"])
def test_an_empty_pattern_is_refused(bad: str) -> None:
    with pytest.raises(UsageError):
        matcher([bad])


def _naive(pattern: str, text: str) -> bool:
    """Whether a part of a pattern fits a name, by definition: a star is any letters, a question mark one."""
    if not pattern:
        return not text
    if pattern[0] == "*":
        return any(_naive(pattern[1:], text[at:]) for at in range(len(text) + 1))
    return bool(text) and pattern[0] in ("?", text[0]) and _naive(pattern[1:], text[1:])


PARTS = st.text("ab?*", min_size=1, max_size=8).filter(lambda one: "**" not in one)


@given(PARTS, st.text("ab", max_size=9))
def test_a_part_fits_what_its_definition_says(pattern: str, name: str) -> None:
    assert name_matcher(pattern)(name.encode()) is _naive(pattern, name)
    assert matcher([f"/x/{pattern}"])(f"x/{name}".encode()) is (_naive(pattern, name))


def test_many_stars_and_a_hostile_name_end_soon() -> None:
    name = b"ab" + b"a" * 250
    for pattern in ("*a*a*a*a*a*a*a*ab*b", "/f/*a*a*a*a*a*a*a*ab*b"):
        assert not matcher([pattern])(b"f/" + name)
    assert not name_matcher("*a*a*a*a*a*a*a*ab*b")(name)


def test_too_many_deep_stars_are_refused() -> None:
    assert matcher(["a/**/b/**/c"])(b"a/x/y/b/c")
    with pytest.raises(UsageError, match=r"more than 4 times"):
        matcher(["**a**b**c**d**"])
