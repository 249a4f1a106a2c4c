"""What a correction that stands against the pictures is told."""

from __future__ import annotations

from mendbay.board.identifier import Identifier
from mendbay.board.number_form import Kind
from mendbay.board.sighting import How, Sighting
from mendbay.faces.cli.board import _seen
from mendbay.faces.picture_words import contradiction_words


def typed(value: str, places: int) -> Identifier:
    corners = ((0.0, 0.0), (9.0, 0.0), (9.0, 9.0), (0.0, 9.0))
    seen = tuple(Sighting(f"{at}.jpg", "TB-4471-200", How.TEXT, 0.9, corners) for at in range(places))
    return Identifier(Kind.BOARD, value, "", "", 1.0, How.HAND, seen, ("TB-4471-200",))


def test_what_was_said_by_hand_is_not_said_to_be_read() -> None:
    assert _seen(typed("TB-4471-200", 3)) == "by hand"


def test_a_word_against_several_places_names_the_characters() -> None:
    told = contradiction_words(typed("TB-4471-2OO", 3))
    told = " ".join(told.split())
    assert "typed against 3 places that say TB-4471-200" in told
    assert "0 is read for O" in told
    assert "board uncorrect" in told


def test_one_place_or_the_same_word_is_no_contradiction() -> None:
    assert contradiction_words(typed("TB-4471-2OO", 1)) == ""
    assert contradiction_words(typed("TB-4471-200", 3)) == ""
