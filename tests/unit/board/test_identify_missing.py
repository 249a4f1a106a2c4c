"""What is asked for before a donor search."""

from __future__ import annotations

from dataclasses import replace

from mendbay.board.confusable import Correction
from mendbay.board.forms import load_forms
from mendbay.board.identify import correct, identify
from mendbay.board.missing import Want, missing
from mendbay.board.number_form import Kind
from mendbay.board.sighting import PictureFault, PictureReading, Trouble
from support.number_samples import reading, text_at

FORMS = load_forms()


def whole() -> PictureReading:
    return reading(
        text_at("Model: AL20-HX4"),
        text_at("FW: A12.KKP", 700, 0),
        text_at("TB-4471-200 R3", 0, 100),
        text_at("KL5120B", 0, 300),
        text_at("MV3041CT", 0, 500),
        text_at("W25Q16JV", 700, 700),
    )


def test_nothing_is_asked_when_all_is_known() -> None:
    assert missing(identify([whole()], FORMS), [whole()]) == ()


def test_a_poor_picture_does_not_matter_when_all_is_known() -> None:
    poor = PictureReading("dark.jpg", "0" * 64, 1, 1, (), (), False, 0.1)
    assert missing(identify([whole(), poor], FORMS), [whole(), poor]) == ()


def test_what_was_not_seen_is_asked_for_in_the_order_of_its_weight() -> None:
    label = reading(text_at("Model: AL20-HX4"))
    asked = missing(identify([label], FORMS), [label])
    assert [(one.kind, one.want) for one in asked if one.needed] == [
        (Kind.BOARD, Want.ABSENT),
        (Kind.REVISION, Want.ABSENT),
        (Kind.CONTROLLER, Want.ABSENT),
        (Kind.ROM, Want.ABSENT),
    ]
    assert {one.kind for one in asked if not one.needed} == {Kind.MOTOR_DRIVER, Kind.FIRMWARE}
    assert "eight legs" in next(one.sentence for one in asked if one.kind is Kind.ROM)


def test_a_poor_picture_may_hide_what_is_missing() -> None:
    glare = Trouble(PictureFault.GLARE, "40 % white", "Turn the lamp away from the board.")
    poor = PictureReading("board.jpg", "0" * 64, 1, 1, (), (glare,), False, 0.1)
    asked = missing((), [poor])
    assert asked[0].sentence.startswith("The board number was not seen; it may be hidden in board.jpg.")
    assert asked[-1].want is Want.UNREADABLE
    assert asked[-1].sentence.endswith("glare (40 % white). Turn the lamp away from the board.")
    assert asked[-1].picture == "board.jpg"


def test_the_trouble_at_the_place_of_a_doubtful_number_is_named() -> None:
    seen = text_at("XY12345-B12B", 100, 100)
    here = Trouble(
        PictureFault.BLURRED, "sharpness 9", "Hold still.", ((90, 90), (400, 90), (400, 200), (90, 200))
    )
    there = replace(here, corners=((900, 900), (950, 900), (950, 950), (900, 950)))
    for trouble, words in ((here, "Hold still."), (there, "Compare it with the part and type it in")):
        picture = replace(reading(seen), troubles=(trouble,))
        board = next(one for one in missing(identify([picture], FORMS), [picture]) if one.kind is Kind.BOARD)
        assert board.want is Want.DOUBTFUL
        assert board.picture == "label.jpg"
        assert "XY12345-B12B is not certain: the B at place 12 may be 8" in board.sentence
        assert words in board.sentence


def test_a_word_by_hand_settles_it() -> None:
    picture = reading(text_at("XY12345-B12B", 100, 100))
    found = correct(identify([picture], FORMS), Correction(Kind.BOARD, "XY12345-B12B", "XY12345-B12B"), FORMS)
    assert Kind.BOARD not in {one.kind for one in missing(found, [picture])}
