"""The unique board data: whether it moves, where it sits, what to expect, and the odds of a transfer."""

from __future__ import annotations

import pytest

from mendbay.board.description import BoardDescription
from mendbay.board.swap_odds import Level
from mendbay.board.unique_data import (
    PRIOR_FAILED,
    PRIOR_WORKED,
    FamilyNote,
    Need,
    Pictures,
    Seat,
    TransferOutcome,
    Work,
    transfer_odds,
    unique_data,
)
from mendbay.core.errors import UsageError
from mendbay.core.proportion import beta_quantile

PATIENT = BoardDescription(board_number="BX-4471-02", family="Kestrel")
WITH_CHIP = BoardDescription(rom_chip="W25X40", family="Kestrel")
INSIDE = FamilyNote("kestrel", Seat.IN_CONTROLLER, Need.MUST, "opened three of them")


def test_it_must_move_unless_something_says_otherwise() -> None:
    found = unique_data(PATIENT, Work.BOARD_SWAP)
    assert (found.need, found.rom_level) == (Need.MUST, Level.MOVED)
    assert "not detected" in found.if_not_moved
    assert "never a substitute" in found.never
    assert found.odds is not None


@pytest.mark.parametrize("work", [Work.BOARD_REPAIR, Work.HEAD_TRANSPLANT])
def test_it_stays_with_the_patients_own_board(work: Work) -> None:
    found = unique_data(PATIENT, work, notes=[INSIDE])
    assert (found.need, found.rom_level, found.odds, found.if_not_moved) == (
        Need.NOT,
        Level.NOT_NEEDED,
        None,
        "",
    )
    assert "own board" in found.need_reason
    assert "never a substitute" in found.never


def test_a_note_on_the_family_decides_the_need() -> None:
    for need, level in ((Need.MAY, Level.MOVED), (Need.NOT, Level.NOT_NEEDED)):
        note = FamilyNote("Kestrel", Seat.UNKNOWN, need, "swapped two without")
        found = unique_data(PATIENT, Work.BOARD_SWAP, notes=[note])
        assert (found.need, found.rom_level) == (need, level)
        assert "swapped two without" in found.need_reason
    other = FamilyNote("Merlin", Seat.IN_CONTROLLER, Need.NOT, "x")
    assert unique_data(PATIENT, Work.BOARD_SWAP, notes=[other]).need is Need.MUST
    assert unique_data(BoardDescription(), Work.BOARD_SWAP, notes=[other]).need is Need.MUST


@pytest.mark.parametrize(
    ("patient", "pictures", "notes", "seat", "said"),
    [
        (WITH_CHIP, Pictures.NONE, [], Seat.SEPARATE_CHIP, "W25X40"),
        (WITH_CHIP, Pictures.NO_CHIP_SEEN, [], Seat.SEPARATE_CHIP, "W25X40"),
        (WITH_CHIP, Pictures.NONE, [INSIDE], Seat.SEPARATE_CHIP, "look again"),
        (PATIENT, Pictures.NONE, [INSIDE], Seat.IN_CONTROLLER, "opened three"),
        (PATIENT, Pictures.NO_CHIP_SEEN, [], Seat.IN_CONTROLLER, "Maybe"),
        (
            PATIENT,
            Pictures.NO_CHIP_SEEN,
            [FamilyNote("Kestrel", Seat.SEPARATE_CHIP, Need.MUST, "seen on five")],
            Seat.SEPARATE_CHIP,
            "taken off",
        ),
        (PATIENT, Pictures.NONE, [], Seat.UNKNOWN, "Photograph both sides"),
        (BoardDescription(rom_chip=" - "), Pictures.NONE, [], Seat.UNKNOWN, "Photograph both sides"),
    ],
)
def test_where_it_sits(
    patient: BoardDescription, pictures: Pictures, notes: list[FamilyNote], seat: Seat, said: str
) -> None:
    found = unique_data(patient, Work.BOARD_SWAP, pictures=pictures, notes=notes)
    assert found.seat is seat
    assert said in found.seat_reason
    assert found.how


def test_transfer_odds_before_any_outcome_are_over_95_per_cent() -> None:
    odds = transfer_odds([])
    assert odds.chance > 0.95
    assert odds.low < 0.95 < odds.high
    assert beta_quantile(PRIOR_WORKED, PRIOR_FAILED, 0.2) > 0.95  # over four fifths lie above
    assert "common practice alone" in odds.words()


def test_transfer_odds_follow_the_outcomes() -> None:
    """The mean of a Beta posterior: (a + worked) / (a + b + all)."""
    every = [TransferOutcome(True, at < 6) for at in range(10)] + [TransferOutcome(False, False)] * 4
    odds = transfer_odds(every)
    assert odds.chance == pytest.approx((PRIOR_WORKED + 6) / (PRIOR_WORKED + PRIOR_FAILED + 10))
    assert (odds.outcomes, odds.worked, odds.unreadable) == (10, 6, 4)
    assert "10 transfers of this shop, 6 of which worked; 4 more could not be read" in odds.words()
    assert odds.low < odds.chance < odds.high


def test_what_cannot_be_recorded() -> None:
    with pytest.raises(UsageError):
        TransferOutcome(False, True)
    with pytest.raises(UsageError):
        FamilyNote("-", Seat.UNKNOWN, Need.MUST, "basis")
    with pytest.raises(UsageError):
        FamilyNote("Kestrel", Seat.UNKNOWN, Need.MUST, " ")
