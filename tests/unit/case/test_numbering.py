"""Folder names of cases: safe whatever the customer is called."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.case.numbering import SLUG_LIMIT, folder_name, slug_of


@pytest.mark.parametrize(
    ("customer", "slug"),
    [
        ("Kiln & Clay Studio", "kiln-clay-studio"),
        ("  Töpferei Grün / Weiß  ", "topferei-grun-weiss"),
        ("O'Neill's Pots", "oneills-pots"),
        ("Łódź Æther Ørsted", "lodz-aether-orsted"),
        ("../../etc/passwd", "etc-passwd"),
        ("a\0b\nc", "a-b-c"),
        ("陶器", "case"),
        ("...", "case"),
        ("", "case"),
        ("CON", "con"),
        ("№ 5", "no-5"),
        ("The Very Long Established Pottery and Glaze Studio", "the-very-long-established-pottery-and"),
        ("x" * 100, "x" * 40),
        ("ab " + "x" * 100, "ab-" + "x" * 37),
    ],
)
def test_slugs(customer: str, slug: str) -> None:
    assert slug_of(customer) == slug


@given(st.text(max_size=200), st.integers(1, 10**6))
def test_any_name_gives_a_safe_folder(customer: str, number: int) -> None:
    slug = slug_of(customer)
    assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", slug)
    assert len(slug) <= SLUG_LIMIT
    assert slug_of(slug) == slug
    assert folder_name(number, slug) == f"{number:04d}-{slug}"


def test_the_number_outgrows_four_digits() -> None:
    assert folder_name(17, "kiln") == "0017-kiln"
    assert folder_name(12_345, "kiln") == "12345-kiln"


@pytest.mark.parametrize(
    ("number", "slug"),
    [(0, "kiln"), (-1, "kiln"), (1, ""), (1, "../x"), (1, "a--b"), (1, "A"), (1, "x" * 41)],
)
def test_no_folder_name_from_what_slug_of_never_makes(number: int, slug: str) -> None:
    with pytest.raises(ValueError, match="cannot"):
        folder_name(number, slug)
