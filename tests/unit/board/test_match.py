"""Donors against a patient: what agrees, what rules out, in which order, and in which words."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from mendbay.board.description import BoardDescription, comparison_key, number_shape, revision_key
from mendbay.board.match import Alternative, Match, StopReason, Wanted, judge, rank, strength_words
from mendbay.board.stock import Condition, Kind, StockItem, StockState
from mendbay.board.swap_odds import Attribute, Level, Purpose, SwapOdds, packaged_priors
from mendbay.core.errors import UsageError

PATIENT = BoardDescription(
    "BX-4471-02",
    "B",
    "K9-2210",
    "M7",
    "W25X40",
    "Kestrel",
    "AL20-HX4",
    "FW12",
    "Tarn",
    "2019-03-28",
    "0,1,2,3",
)
SWAP = SwapOdds(Purpose.BOARD_SWAP, packaged_priors())
HEADS = SwapOdds(Purpose.HEAD_TRANSPLANT, packaged_priors())


def donor(number: int = 1, **other: object) -> StockItem:
    """A tested board that agrees in everything, but for what is given."""
    described = {key: other.pop(key) for key in tuple(other) if hasattr(PATIENT, key)}
    item = StockItem(
        number,
        Kind.BOARD,
        replace(PATIENT, **described),
        condition=Condition.TESTED_GOOD,  # type: ignore[arg-type]
    )
    return replace(item, **other)  # type: ignore[arg-type]


def against(wanted: Wanted, item: StockItem) -> Match:
    return judge(wanted, item, SWAP if wanted.purpose is Purpose.BOARD_SWAP else HEADS)


def part(match: Match, attribute: Attribute) -> tuple[Level, str]:
    found = next(one for one in match.parts if one.attribute is attribute)
    return found.level, found.words


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("BX-4471-02", "bx 4471.02", True),
        ("BX-4471-02", "BX4471/02", True),
        ("BX-4471-02", "BX-447-102", False),
        ("BX-4471-02", "BX-4471-03", False),
        ("ＢＸ－４４７１", "BX 4471", True),
        ("0,1,2,3", "0 1 2 3", True),
        ("0,1,2,3", "01 23", False),
        ("A–1", "A-1", True),
    ],
)
def test_when_two_spellings_are_the_same_marking(one: str, other: str, same: bool) -> None:
    assert (comparison_key(one) == comparison_key(other)) is same


def test_keys_of_revisions_and_shapes_of_numbers() -> None:
    assert {revision_key(one) for one in ("B", "rev B", "Rev. b", "REVISION-B")} == {"b"}
    assert revision_key("rev") == "rev"
    assert comparison_key(" -- / ") == ""
    assert number_shape("BX-4471-02") == "AA9999-99"


@pytest.mark.parametrize("text", ["x" * 201, "two\nlines", "\x00", "tab\tbed", "\ud800", "line\u2028break"])
def test_descriptions_refuse_what_no_label_can_show(text: str) -> None:
    with pytest.raises(UsageError):
        BoardDescription(family=text)


@pytest.mark.parametrize(
    "text", ["2019-02-29", "28.3.2019", "2019-3-28", "20190328", "0000-01-01", "2019-W13-4"]
)
def test_descriptions_refuse_what_is_no_iso_date(text: str) -> None:
    with pytest.raises(UsageError):
        BoardDescription(made_on=text)


def test_a_donor_that_agrees_in_everything() -> None:
    found = against(Wanted(PATIENT), donor())
    assert found.fits
    assert found.days_apart == 0
    assert {one.level for one in found.parts} == {Level.SAME, Level.CLOSE, Level.TESTED_GOOD, Level.MOVED}
    assert part(found, Attribute.BOARD_NUMBER)[1].startswith(
        "Same board number (BX-4471-02): strongly raises"
    )
    assert found.start + sum(one.log_odds for one in found.parts) == pytest.approx(found.odds.log_odds)
    assert found.sum_chance / (1 - found.sum_chance) == pytest.approx(math.exp(found.odds.log_odds))
    assert 0.5 < found.odds.chance < found.sum_chance


def test_unknown_is_neither_match_nor_mismatch() -> None:
    found = against(Wanted(PATIENT), donor(controller="", firmware=" - ", made_on=""))
    assert found.fits
    assert part(found, Attribute.CONTROLLER) == (
        Level.UNKNOWN,
        "Controller of the donor is not known: not knowing it slightly lowers the odds (× 0.95).",
    )
    assert part(found, Attribute.FIRMWARE)[0] is Level.UNKNOWN
    assert part(found, Attribute.MADE_ON)[0] is Level.UNKNOWN
    nothing = against(Wanted(BoardDescription()), donor())
    assert [one.reason for one in nothing.stops] == [StopReason.NOTHING_SHARED]
    assert "of the patient is not known" in part(nothing, Attribute.BOARD_NUMBER)[1]
    assert (
        "of either is not known"
        in part(against(Wanted(BoardDescription()), donor(family="")), Attribute.FAMILY)[1]
    )


@pytest.mark.parametrize(
    ("purpose", "attribute", "stops"),
    [
        (Purpose.BOARD_SWAP, "board_number", True),
        (Purpose.BOARD_SWAP, "controller", True),
        (Purpose.BOARD_SWAP, "motor_driver", True),
        (Purpose.BOARD_SWAP, "revision", False),
        (Purpose.BOARD_SWAP, "family", False),
        (Purpose.BOARD_SWAP, "firmware", False),
        (Purpose.BOARD_SWAP, "site", False),
        (Purpose.HEAD_TRANSPLANT, "family", True),
        (Purpose.HEAD_TRANSPLANT, "heads_map", True),
        (Purpose.HEAD_TRANSPLANT, "model", False),
        (Purpose.HEAD_TRANSPLANT, "firmware", False),
    ],
)
def test_what_rules_out_and_what_only_lowers_the_odds(purpose: Purpose, attribute: str, stops: bool) -> None:
    best = against(Wanted(PATIENT, purpose), donor(kind=Kind.DRIVE))
    other = against(Wanted(PATIENT, purpose), donor(kind=Kind.DRIVE, **{attribute: "ZZ"}))
    assert best.fits
    assert (not other.fits) is stops
    assert other.odds.chance < best.odds.chance
    if stops:
        assert other.stops[0].reason is StopReason.ATTRIBUTE
        assert "no alternative is listed" in other.stops[0].words


def test_another_form_of_number_is_said() -> None:
    same_form = against(Wanted(PATIENT), donor(board_number="BX-4471-03")).stops[0].words
    other_form = against(Wanted(PATIENT), donor(board_number="T99")).stops[0].words
    assert "form of the number" not in same_form
    assert "form of the number" in other_form


def test_what_is_not_to_be_had_is_ruled_out() -> None:
    reserved = donor(state=StockState.RESERVED, case=7)
    assert [one.reason for one in against(Wanted(PATIENT), reserved).stops] == [StopReason.RESERVED]
    own = against(Wanted(PATIENT, case=7), reserved)
    assert own.fits
    assert "Already reserved for this case." in own.notes
    removed = donor(state=StockState.REMOVED)
    assert [one.reason for one in against(Wanted(PATIENT, case=7), removed).stops] == [StopReason.REMOVED]
    used = donor(state=StockState.USED, case=7, condition=Condition.DAMAGED)
    assert {one.reason for one in against(Wanted(PATIENT, case=7), used).stops} == {
        StopReason.USED,
        StopReason.DAMAGED,
    }
    heads = against(Wanted(PATIENT, Purpose.HEAD_TRANSPLANT), donor())
    assert [one.reason for one in heads.stops] == [StopReason.NO_HEADS]


def test_a_donor_without_its_chip_fits_with_a_warning() -> None:
    found = against(Wanted(PATIENT), donor(condition=Condition.ROM_MISSING))
    assert found.fits
    assert any("patient's own chip must be moved" in one for one in found.notes)


def test_listed_alternatives_stand_for_the_patients_value() -> None:
    other = donor(board_number="BX-4480-01")
    row = Alternative(Attribute.BOARD_NUMBER, "BX 4471 02", "bx-4480-01", reason="swapped in case 3")
    found = against(Wanted(PATIENT, alternatives=(row,)), other)
    assert found.fits
    assert part(found, Attribute.BOARD_NUMBER)[0] is Level.LISTED
    assert "is listed as standing for BX-4471-02" in part(found, Attribute.BOARD_NUMBER)[1]
    reverse = replace(row, wanted=row.donor, donor=row.wanted)
    assert not against(Wanted(PATIENT, alternatives=(reverse,)), other).fits
    assert against(Wanted(PATIENT, alternatives=(replace(reverse, both_ways=True),)), other).fits
    chip = Alternative(Attribute.CONTROLLER, "K9-2210", "K9-2211", board_number="BX-9")
    newer = donor(controller="K9-2211")
    assert not against(Wanted(PATIENT, alternatives=(chip,)), newer).fits
    assert against(Wanted(PATIENT, alternatives=(replace(chip, board_number="BX-4471-02"),)), newer).fits


def test_a_revision_counts_only_on_the_same_board() -> None:
    row = Alternative(Attribute.BOARD_NUMBER, "BX-4471-02", "BX-4480-01")
    other = against(Wanted(PATIENT, alternatives=(row,)), donor(board_number="BX-4480-01", revision="C"))
    level, words = part(other, Attribute.REVISION)
    assert level is Level.UNKNOWN
    assert "cannot be compared" in words


@pytest.mark.parametrize(
    ("made_on", "level", "said"),
    [
        ("2019-03-27", Level.CLOSE, "1 day apart"),
        ("2019-06-28", Level.CLOSE, "about 3 months"),  # 92 days
        ("2019-06-29", Level.NEAR, "about 3 months"),
        ("2020-03-28", Level.NEAR, "about 12 months"),  # 366 days
        ("2020-03-29", Level.FAR, "about 12 months"),
        ("2009-03-28", Level.FAR, "about 10 years"),
    ],
)
def test_distance_in_date(made_on: str, level: Level, said: str) -> None:
    found = part(against(Wanted(PATIENT), donor(made_on=made_on)), Attribute.MADE_ON)
    assert found[0] is level
    assert said in found[1]


def test_the_order_of_donors() -> None:
    stock = [
        donor(9, state=StockState.USED, case=1),
        donor(8, controller="other"),
        donor(7, controller="other", motor_driver="other"),
        donor(6, revision="C"),
        donor(5, made_on=""),
        donor(4, made_on="2019-03-20"),
        donor(3, made_on="2019-03-29"),
        donor(2),
        donor(1, made_on="2019-03-20"),
    ]
    found = rank(Wanted(PATIENT), stock, SWAP, limit=20)
    assert [one.item.number for one in found.fitting] == [2, 3, 1, 4, 5, 6]
    assert [one.item.number for one in found.stopped] == [9, 8, 7]
    short = rank(Wanted(PATIENT), stock, SWAP, limit=2)
    assert [one.item.number for one in short.fitting] == [2, 3]
    assert (short.fitting_total, short.stopped_total) == (6, 3)


def test_what_is_done_with_the_rom_counts() -> None:
    moved, not_moved = (against(Wanted(PATIENT, rom=rom), donor()) for rom in (Level.MOVED, Level.NOT_MOVED))
    assert moved.odds.chance > 0.8
    assert not_moved.odds.chance < 0.2
    assert "is not moved: strongly lowers" in part(not_moved, Attribute.ROM)[1]


def test_strength_in_words() -> None:
    assert strength_words(0.0) == "hardly moves the odds"
    assert strength_words(0.6931) == "clearly raises the odds (× 2)"
    assert strength_words(-3.0) == "strongly lowers the odds (× 0.05)"


def test_what_cannot_be_asked() -> None:
    for bad in ((Attribute.MADE_ON, "a", "b"), (Attribute.SITE, "", "b"), (Attribute.SITE, "a", "-")):
        with pytest.raises(UsageError):
            Alternative(*bad)
    with pytest.raises(UsageError):
        Wanted(PATIENT, rom=Level.CLOSE)
    with pytest.raises(ValueError, match="rank"):
        rank(Wanted(PATIENT), [], SWAP, limit=0)
    with pytest.raises(ValueError, match="rank"):
        rank(Wanted(PATIENT), [], HEADS)
