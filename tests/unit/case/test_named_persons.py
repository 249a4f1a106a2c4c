"""What names a customer, and what only looks like it."""

from __future__ import annotations

import pytest

from mendbay.case.named_persons import names_person

NAME = "Quillmere Pottery"
CONTACT = "Anna, 555-0101 or 01632 960 123, kiln@quillmere.example, rings after eight"


@pytest.mark.parametrize(
    "text",
    [
        "Drive of QUILLMERE  pottery",
        "shelf of Quillmere",
        "Quillmere's box",
        "Anna 555-0101",
        "ask ANNA",
        "call 0101",
        "call 555 0101",
        "call 5550101",
        "01632960123",
        "kiln@quillmere.example",
        "\uff21nna",
    ],
)
def test_parts_of_name_and_contact_are_found(text: str) -> None:
    assert names_person(text, NAME, CONTACT)


@pytest.mark.parametrize(
    "text",
    [
        "two-bay box, pottery dust inside",
        "the annals of the drive",
        "board TB-0101, serial AL0101",
        "555 sectors",
        "rings after eight",
        "shelf B4",
        "",
    ],
)
def test_what_only_looks_like_it_passes(text: str) -> None:
    assert names_person(text, NAME, CONTACT) == ""


def test_a_name_of_ordinary_words_counts_as_a_whole() -> None:
    assert names_person("from the Drive Shop", "The Drive Shop") == "the drive shop"
    assert names_person("the drive", "The Drive Shop") == ""
    assert names_person("a black cable", "Bo", "") == ""
