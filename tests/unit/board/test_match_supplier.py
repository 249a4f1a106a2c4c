"""What is asked of suppliers when nothing in the stock fits."""

from __future__ import annotations

from dataclasses import replace

import pytest

from mendbay.board.description import BoardDescription
from mendbay.board.match import Alternative
from mendbay.board.supplier_text import supplier_text
from mendbay.board.swap_odds import Attribute, Purpose, packaged_priors
from mendbay.core.errors import UsageError

PRIORS = packaged_priors()
PATIENT = BoardDescription(
    "BX-4471-02", "B", "K9-2210", "", "W25X40", "Kestrel", "AL20-HX4", "FW12", "Tarn", "2019-03-28", "0,1,2,3"
)
ROWS = (
    Alternative(Attribute.BOARD_NUMBER, "BX-4471-02", "BX-4480-01"),
    Alternative(Attribute.BOARD_NUMBER, "BX 4480 09", "bx 4471 02", both_ways=True),
    Alternative(Attribute.BOARD_NUMBER, "BX-1", "BX-2"),
    Alternative(Attribute.CONTROLLER, "K9-2210", "K9-9999", board_number="BX-1"),
)


def test_a_board_is_asked_for_with_musts_wishes_and_alternatives() -> None:
    found = supplier_text(PATIENT, ROWS, PRIORS)
    assert found.must == (
        "board number: BX-4471-02 (also accepted: BX-4480-01, BX 4480 09)",
        "controller: K9-2210",
    )
    assert found.nice == (
        "family: Kestrel",
        "revision: B",
        "firmware: FW12",
        "place of manufacture: Tarn",
        "made on or near: 2019-03-28",
    )
    assert found.missing == ("motor driver",)
    assert found.searches == (
        "BX-4471-02 B hard drive circuit board",
        "BX-4480-01 hard drive circuit board",
        "BX 4480 09 hard drive circuit board",
    )
    assert all(one in found.text for one in (*found.must, *found.nice, *found.missing))
    assert "BX-2" not in found.text
    assert "K9-9999" not in found.text


def test_heads_are_asked_for_as_a_whole_drive() -> None:
    found = supplier_text(PATIENT, (), PRIORS, Purpose.HEAD_TRANSPLANT)
    assert found.must == ("family: Kestrel", "heads map: 0,1,2,3")
    assert found.searches[0] == "Kestrel AL20-HX4 0,1,2,3 hard drive"
    assert "BX-4471-02" not in found.text


def test_little_and_nothing_known() -> None:
    found = supplier_text(BoardDescription(family="Kestrel"), (), PRIORS)
    assert found.must == ()
    assert "Must be" not in found.text
    assert found.searches == ("Kestrel hard drive circuit board",)
    for nothing in (BoardDescription(), BoardDescription(model="AL20-HX4", made_on="2019-03-28")):
        with pytest.raises(UsageError):
            supplier_text(replace(nothing), (), PRIORS)
