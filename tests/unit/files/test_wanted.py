"""Patterns over raw paths."""

from __future__ import annotations

import pytest

from mendbay.core.errors import UsageError
from mendbay.files.wanted import matcher


@pytest.mark.parametrize(
    ("pattern", "path", "matches"),
    [
        ("*.xlsx", b"office/Kiln log.XLSX", True),
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
