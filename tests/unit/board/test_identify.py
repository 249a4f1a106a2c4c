"""From the texts of whole pictures to identifiers. The labels are those of the demo's invented makers."""

from __future__ import annotations

import pytest

from mendbay.board.confusable import Confusions, Correction
from mendbay.board.forms import load_forms
from mendbay.board.identifier import Identifier, made_on
from mendbay.board.identify import correct, identify
from mendbay.board.number_form import Forms, Kind, Unit
from mendbay.board.sighting import How, PictureReading, Sighting
from support.number_samples import reading, text_at

SMALL_PRINT = "This drive holds data. Do not cover any breathing hole. Handle with care: fragile."


@pytest.fixture(scope="module")
def forms() -> Forms:
    return load_forms()


def code(text: str, x: float = 0, y: float = 0, picture: str = "label.jpg") -> Sighting:
    return text_at(text, x, y, How.BARCODE, 1.0, picture, "Code 128")


def drive_label(**changed: str) -> PictureReading:
    texts = {
        "model": "Model: AL20-HX4",
        "capacity": "2.0 TB",
        "serial": "S/N: QX4471R0A",
        "firmware": "FW: A12.3F7",
        "rest": "Date Code: 2312   Site: TK",
    } | changed
    places = {"model": 180, "capacity": 55, "serial": 440, "firmware": 300, "rest": 680}
    return reading(
        text_at("ALDER", 60, 10),
        *(text_at(text, 60, places[name]) for name, text in texts.items()),
        text_at("5VDC 0.60A  12VDC 0.45A", 60, 790),
        text_at(SMALL_PRINT, 60, 880),
    )


def of(kind: Kind, found: tuple[Identifier, ...]) -> Identifier:
    (one,) = (each for each in found if each.kind is kind)
    return one


def test_a_drive_label(forms: Forms) -> None:
    found = identify([drive_label()], forms)
    assert {one.kind: one.value for one in found} == {
        Kind.MODEL: "AL20-HX4",
        Kind.SERIAL: "QX4471R0A",
        Kind.FIRMWARE: "A12.3F7",
        Kind.CAPACITY: "2 TB",
        Kind.DATE: "2312",
        Kind.SITE: "TK",
    }
    model = of(Kind.MODEL, found)
    assert (model.form, model.family, model.how) == ("demo-alder-model", "ALdd-HX4", How.TEXT)
    assert model.sightings[0].corners[0] == (60, 180)
    assert model.amount(Unit.GB) == 2000
    assert model.settled
    assert str(made_on(of(Kind.DATE, found))) == "2023-03-20"


def test_a_board_with_its_revision_beside_the_number(forms: Forms) -> None:
    found = identify(
        [
            reading(
                text_at("TB-4471-200", 80, 945),
                text_at("R3", 303, 945),
                text_at("KL5120B", 560, 300),
                text_at("2312 AB12", 560, 350),
                text_at("MV3041CT", 150, 500),
                text_at("W25Q16JV", 1080, 640),
                text_at("R12", 470, 300),
                text_at("C5", 430, 640),
            )
        ],
        forms,
    )
    assert [(one.kind, one.value) for one in found] == [
        (Kind.BOARD, "TB-4471-200"),
        (Kind.REVISION, "R3"),
        (Kind.CONTROLLER, "KL5120B"),
        (Kind.MOTOR_DRIVER, "MV3041CT"),
        (Kind.ROM, "W25Q16JV"),
    ]
    assert len(of(Kind.BOARD, found).sightings) == 2
    assert of(Kind.ROM, found).amount(Unit.MBIT) == 16


def test_a_revision_far_from_the_number_is_a_resistor(forms: Forms) -> None:
    found = identify([reading(text_at("TB-4471-200", 80, 945), text_at("R3", 700, 300))], forms)
    assert [one.kind for one in found] == [Kind.BOARD]


def test_the_place_decides_between_letter_and_digit(forms: Forms) -> None:
    found = identify([reading(text_at("TB-447I-2O0 R3"))], forms)
    board = of(Kind.BOARD, found)
    assert board.value == "TB-4471-200"
    assert board.repairs == ("read as TB-447I-2O0 R3: I taken for 1, O taken for 0",)
    assert board.confidence > 0.9


def test_where_both_are_possible_it_is_not_guessed_in_silence(forms: Forms) -> None:
    board = of(Kind.BOARD, identify([reading(text_at("XY12345-B12B"))], forms))
    assert board.value == "XY12345-B12B"
    assert not board.settled
    assert "the B at place 12 may be 8: both are possible there" in board.doubts
    assert ("XY12345-B128") in [one.value for one in board.alternatives]


def test_low_confidence_in_one_character_shows_there(forms: Forms) -> None:
    sure = tuple([0.99] * 11)
    unsure = (*sure[:11], 0.3)
    clear = of(Kind.BOARD, identify([reading(text_at("XY12345-B12B", characters=(*sure, 0.99)))], forms))
    vague = of(Kind.BOARD, identify([reading(text_at("XY12345-B12B", characters=unsure))], forms))
    assert vague.confidence < clear.confidence
    assert vague.alternatives[0].probability > clear.alternatives[0].probability


def test_a_barcode_that_repeats_the_print_raises_confidence(forms: Forms) -> None:
    printed = of(Kind.SERIAL, identify([drive_label()], forms))
    label = drive_label()
    both = PictureReading(
        label.picture, label.sha256, 1, 1, (*label.sightings, code("QX4471R0A", 60, 320)), (), True, 0.1
    )
    found = of(Kind.SERIAL, identify([both], forms))
    assert found.confidence > printed.confidence
    assert "the Code 128 repeats what is printed" in found.agreements
    assert found.how is How.BARCODE
    assert found.settled


def test_a_barcode_that_differs_wins_and_the_difference_is_told(forms: Forms) -> None:
    same = of(
        Kind.SERIAL, identify([reading(text_at("S/N: AH4K-20719C"), code("AH4K-20719C", 0, 80))], forms)
    )
    differing = reading(text_at("S/N: AH4K-20779C"), code("AH4K-20719C", 0, 80))
    found = of(Kind.SERIAL, identify([differing], forms))
    assert found.value == "AH4K-20719C"
    assert found.confidence < same.confidence
    assert found.doubts[0] == "the text in label.jpg reads AH4K-20779C"
    assert not found.settled


def test_two_codes_that_differ_are_two_numbers(forms: Forms) -> None:
    found = identify([reading(code("AH4K-20719C"), code("AH4K-20733F", 0, 80))], forms)
    assert [one.value for one in found] == ["AH4K-20719C", "AH4K-20733F"]
    assert all("another serial number" in one.doubts[-1] for one in found)
    assert not any(one.settled for one in found)


def test_two_pictures_say_more_than_one_but_less_than_two_sources(forms: Forms) -> None:
    one = reading(text_at("AL20-HX4"))
    two = reading(text_at("AL20-HX4", picture="b.jpg"), picture="b.jpg")
    code_too = reading(text_at("AL20-HX4"), code("AL20-HX4", 0, 80))
    by = [of(Kind.MODEL, identify(each, forms)).confidence for each in ([one], [one, two], [code_too])]
    assert by[0] < by[1] <= by[2]
    assert "read alike in 2 pictures" in of(Kind.MODEL, identify([one, two], forms)).agreements


@pytest.mark.parametrize("place", [(150.0, 0.0), (0.0, 40.0)], ids=["beside", "below"])
def test_a_caption_in_a_text_of_its_own(forms: Forms, place: tuple[float, float]) -> None:
    found = identify([reading(text_at("S/N:"), text_at("ZK81R4420", *place))], forms)
    assert of(Kind.SERIAL, found).value == "ZK81R4420"
    far = identify([reading(text_at("S/N:"), text_at("ZK81R4420", 900, 700))], forms)
    assert not any("caption" in said for one in far for said in one.agreements)


def test_a_caption_turned_with_the_picture(forms: Forms) -> None:
    def turned(text: str, x: float) -> Sighting:
        wide, high = 18.0 * len(text), 30.0
        corners = ((500, x), (500, x + wide), (500 - high, x + wide), (500 - high, x))
        return Sighting("label.jpg", text, How.TEXT, 0.95, corners)

    found = identify([reading(turned("S/N:", 0), turned("0047113355", 100))], forms)
    assert of(Kind.SERIAL, found).value == "0047113355"


@pytest.mark.parametrize("text", ["S/N:ZK81R4420", "SN ZK81R4420", "5/N: ZK81R4420", "SERlAL NO. ZK81R4420"])
def test_captions_as_they_are_printed_and_misread(forms: Forms, text: str) -> None:
    assert of(Kind.SERIAL, identify([reading(text_at(text))], forms)).value == "ZK81R4420"


def test_a_value_that_only_its_caption_explains(forms: Forms) -> None:
    found = of(Kind.SERIAL, identify([reading(text_at("S/N: 12/34#5"))], forms))
    assert (found.value, found.form, found.family) == ("12/34#5", "", "dd/dd#d")
    assert "it has a caption but fits no known form" in found.doubts
    assert not found.settled


def test_prefixes_inside_codes(forms: Forms) -> None:
    found = identify([reading(code("SAH4K-20719C\x1d1PAL20-HX4\x1d10D2607"))], forms)
    assert [(one.kind, one.value) for one in found] == [
        (Kind.MODEL, "AL20-HX4"),
        (Kind.SERIAL, "AH4K-20719C"),
        (Kind.DATE, "2607"),
    ]


@pytest.mark.parametrize(
    ("second", "place"), [("-200 R3", (140.0, 0.0)), ("200 R3", (0.0, 36.0))], ids=["beside", "below"]
)
def test_a_number_broken_over_two_texts(forms: Forms, second: str, place: tuple[float, float]) -> None:
    first = "TB-4471" if second.startswith("-") else "TB-4471-"
    board = of(Kind.BOARD, identify([reading(text_at(first), text_at(second, *place))], forms))
    assert board.value == "TB-4471-200"
    assert [one.text for one in board.sightings] == [first, second]
    assert identify([reading(text_at(first), text_at(second, 900, 700))], forms) == ()


def test_a_lost_digit_stays_unknown(forms: Forms) -> None:
    board = of(Kind.BOARD, identify([reading(text_at("TB-447-200 R3"))], forms))
    assert "?" in board.value
    assert board.confidence < 0.5
    assert "a character is missing or cannot be read (`?`)" in board.doubts


def test_words_are_no_numbers(forms: Forms) -> None:
    words = (SMALL_PRINT, "WARRANTY VOID IF REMOVED", "ALDER", "Input 12V DC 4.0A", "MAC 0A-1B-2C-3D-4E-5F")
    assert identify([reading(*(text_at(one, 0, 50 * at) for at, one in enumerate(words)))], forms) == ()


@pytest.mark.parametrize(
    ("changed", "words", "agrees"),
    [
        ({}, "the 20 in the model AL20-HX4 says 2 TB, as the label does", True),
        ({"capacity": "4.0 TB"}, "the 20 in the model AL20-HX4 says 2 TB, the label 4 TB", False),
        ({"rest": "LBA 3907029168"}, "exactly the standard's count for 2\u2009TB", True),
        ({"rest": "LBA 976773168"}, "but the label says 2\u2009TB", False),
    ],
)
def test_capacity_model_and_count_are_held_against_each_other(
    forms: Forms, changed: dict[str, str], words: str, agrees: bool
) -> None:
    found = [one for one in identify([drive_label(**changed)], forms) if one.kind is Kind.CAPACITY]
    said = [text for one in found for text in (one.agreements if agrees else one.doubts)]
    assert any(words in text for text in said), said
    if not agrees:
        assert not any(one.settled for one in found)


def test_a_capacity_in_a_shape_that_makers_share_contradicts_nothing(forms: Forms) -> None:
    found = identify([reading(text_at("XY2000AB001"), text_at("4TB", 0, 80))], forms)
    assert not any("says" in said for one in found for said in one.doubts)


def test_corrections_are_used_and_told(forms: Forms) -> None:
    picture = [reading(text_at("TB-447I-200 R3"))]
    before = of(Kind.BOARD, identify(picture, forms))
    lesson = Correction(Kind.BOARD, "TB-882I-100 R1", "TB-8821-100", ("b" * 64,))
    after = of(Kind.BOARD, identify(picture, forms, Confusions([lesson] * 3)))
    assert after.repairs == ("read as TB-447I-200 R3: I taken for 1 (3 earlier corrections)",)
    assert after.confidence > before.confidence


def test_the_same_reading_is_corrected_by_itself_the_next_time(forms: Forms) -> None:
    picture = [reading(text_at("XY12345-B128"))]
    assert of(Kind.BOARD, identify(picture, forms)).value == "XY12345-B128"
    lesson = Correction(Kind.BOARD, "XY12345-B128", "XY12345-B12B", ("c" * 64,))
    found = of(Kind.BOARD, identify(picture, forms, Confusions([lesson] * 3)))
    assert found.value == "XY12345-B12B"
    assert found.repairs == ("read as XY12345-B128, as in 3 earlier corrections",)


def test_what_a_remembered_correction_does_not_speak_of_stays_as_read(forms: Forms) -> None:
    lesson = Correction(Kind.BOARD, "TB-4471-200 R3", "TB-4411-200", ("c" * 64,))
    found = identify([reading(text_at("TB-4471-200 R3"))], forms, Confusions([lesson] * 3))
    assert of(Kind.BOARD, found).value == "TB-4411-200"
    assert of(Kind.REVISION, found).value == "R3"
    assert of(Kind.REVISION, found).confidence > 0.8


def test_a_correction_by_hand_overrides_and_keeps_the_evidence(forms: Forms) -> None:
    found = identify([drive_label(serial="S/N: QX4471R0B")], forms)
    word = Correction(Kind.SERIAL, "QX4471R0B", "QX4471R08", ("d" * 64,))
    after = correct(found, word, forms)
    serial = of(Kind.SERIAL, after)
    assert (serial.value, serial.how, serial.confidence) == ("QX4471R08", How.HAND, 1)
    assert serial.sightings == of(Kind.SERIAL, found).sightings
    assert serial.repairs == ("read as QX4471R0B",)
    assert (serial.form, serial.family) == ("demo-alder-serial-short", "QX")
    assert serial.settled
    assert len(after) == len(found)


def test_a_number_typed_without_a_picture_and_one_taken_out(forms: Forms) -> None:
    found = identify([drive_label()], forms)
    more = correct(found, Correction(Kind.BOARD, "", "TB-4471-200"), forms)
    assert of(Kind.BOARD, more).agreements == ("typed by hand",)
    assert of(Kind.BOARD, more).sightings == ()
    less = correct(more, Correction(Kind.SERIAL, "QX4471R0A", ""), forms)
    assert {one.kind for one in more} - {one.kind for one in less} == {Kind.SERIAL}


def test_confirming_by_hand(forms: Forms) -> None:
    found = identify([drive_label()], forms)
    after = correct(found, Correction(Kind.SERIAL, "QX4471R0A", "QX4471R0A"), forms)
    assert of(Kind.SERIAL, after).agreements == ("confirmed by hand",)


def test_competing_kinds_are_listed(forms: Forms) -> None:
    found = identify([reading(text_at("P/N: AB12345"))], forms)
    assert found
    assert not found[0].settled


def test_nothing_seen(forms: Forms) -> None:
    assert identify([], forms) == ()
    assert identify([reading()], forms) == ()


def test_no_form_and_no_caption_at_all() -> None:
    assert identify([drive_label()], Forms((), ())) == ()
