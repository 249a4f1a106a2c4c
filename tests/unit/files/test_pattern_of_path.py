"""A path that was picked becomes a pattern that selects it, and that a case can keep."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.core.errors import UsageError
from mendbay.core.texts import require_line
from mendbay.files.wanted import METADATA, matcher, pattern_of

NAME = st.binary(min_size=1, max_size=40).filter(lambda one: b"/" not in one and b"\0" not in one)
PATH = st.lists(NAME, min_size=1, max_size=6).map(b"/".join)


@given(PATH)
def test_it_selects_its_path_and_can_be_kept(path: bytes) -> None:
    pattern = pattern_of(path)
    require_line(pattern, "pattern")
    assert "," not in pattern
    assert pattern == pattern.strip() != METADATA
    assert matcher([pattern])(path)


@given(PATH, NAME)
def test_of_a_folder_it_selects_all_below(path: bytes, name: bytes) -> None:
    pattern = pattern_of(path, is_folder=True)
    assert matcher([pattern])(path + b"/" + name)
    assert not matcher([pattern])(b"elsewhere-" + name)


@pytest.mark.parametrize(
    ("path", "pattern"),
    [
        (b"photos/a.jpg", "/photos/a.jpg"),
        (b"metadata", "/metadata"),
        (b"a, b*?.txt", "/a? b??.txt"),
        (b"ends ", "/ends?"),
        (b"\xff\x1b[2J", "/??[2J"),
    ],
)
def test_what_a_pattern_cannot_hold_is_any_letter(path: bytes, pattern: str) -> None:
    assert pattern_of(path) == pattern
    assert not matcher([pattern])(b"other/" + path)


def test_long_paths_are_cut_and_deep_ones_refused() -> None:
    path = b"/".join([b"a" * 120, b"b" * 90, b"c.txt"])
    pattern = pattern_of(path)
    assert len(pattern) <= 200
    assert pattern.endswith("/c.txt")
    assert matcher([pattern])(path)
    for refused in (b"", b"/".join([b"abc"] * 90)):
        with pytest.raises(UsageError):
            pattern_of(refused)
