"""Items of the stock: what can be kept of them."""

from __future__ import annotations

from typing import Any

import pytest

from mendbay.board.description import BoardDescription
from mendbay.board.stock import LARGEST_NUMBER, Condition, Kind, StockItem, StockState
from mendbay.core.errors import UsageError
from mendbay.core.money import cost_text, minor_digits, read_cost


def item(**given: Any) -> StockItem:
    return StockItem(**{"number": 1, "kind": Kind.BOARD, "description": BoardDescription(), **given})


def test_an_item_in_full() -> None:
    kept = item(
        own_id="A-17",
        location="shelf 2",
        condition=Condition.ROM_MISSING,
        cost_minor=0,
        currency="EUR",
        state=StockState.USED,
        case=3,
        photos=("front side.jpg",),
        notes="two\nlines\tand a tab",
    )
    assert kept == item(**{name: getattr(kept, name) for name in StockItem.__dataclass_fields__})
    assert item().state is StockState.FREE
    assert item(number=LARGEST_NUMBER).number == LARGEST_NUMBER


@pytest.mark.parametrize(
    "given",
    [
        {"number": -1},
        {"number": LARGEST_NUMBER + 1},
        {"own_id": "two\nlines"},
        {"location": "x" * 201},
        {"cost_minor": 5},
        {"currency": "EUR"},
        {"cost_minor": -5, "currency": "EUR"},
        {"cost_minor": 5, "currency": "eur"},
        {"cost_minor": 5, "currency": "EURO"},
        {"case": 4},
        {"state": StockState.USED},
        {"state": StockState.REMOVED, "case": 1},
        {"state": StockState.RESERVED, "case": -4},
        {"state": StockState.RESERVED, "case": 2**31},
        {"photos": ("../secret",)},
        {"photos": ("a\\b",)},
        {"photos": ("..",)},
        {"photos": ("",)},
        {"photos": ("a.jpg",) * 101},
        {"notes": "\x1b[2J"},
        {"notes": "x" * 10_001},
        {"notes": "\ud800"},
    ],
)
def test_what_cannot_be_kept(given: dict[str, Any]) -> None:
    with pytest.raises(UsageError):
        item(**given)


def test_costs_in_words() -> None:
    """ISO 4217: no decimals for the yen, three for the Kuwaiti dinar, two for most."""
    assert cost_text(None, "") == ""
    assert [cost_text(1205, one) for one in ("EUR", "JPY", "KWD")] == ["12.05 EUR", "1205 JPY", "1.205 KWD"]
    assert cost_text(5, "EUR") == "0.05 EUR"
    assert [minor_digits(one) for one in ("XPF", "TND", "GBP")] == [0, 3, 2]


def test_an_item_is_called_by_what_is_known_of_it() -> None:
    full = BoardDescription(board_number="TB-4471-200", revision="R3", model="AL20-HX4")
    assert (item(description=full).name, item(description=full).full_name) == (
        "TB-4471-200 R3",
        "TB-4471-200 R3 AL20-HX4",
    )
    model = item(description=BoardDescription(model="AL20-HX4"))
    assert (model.name, model.full_name) == ("AL20-HX4", "AL20-HX4")
    assert (item().name, item().full_name) == ("", "board")


@pytest.mark.parametrize(
    ("text", "as_written", "cost"),
    [
        ("38.00 EUR", True, (3800, "EUR")),
        ("38,5 eur", True, (3850, "EUR")),
        ("1.500 KWD", True, (1500, "KWD")),
        ("0.500 KWD", True, (500, "KWD")),
        ("1,500.00 KWD", False, (1_500_000, "KWD")),
        ("1.500 JPY", False, (1500, "JPY")),
        ("", True, (None, "")),
    ],
)
def test_a_cost_is_read_as_it_is_written(text: str, as_written: bool, cost: tuple[int | None, str]) -> None:
    assert read_cost(text, as_written=as_written) == cost


@pytest.mark.parametrize(
    ("text", "said"), [("much", "not a cost"), ("5", "no currency"), ("$5", "'\\$'"), ("1.500 KWD", "in KWD")]
)
def test_what_is_no_cost_is_told(text: str, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        read_cost(text)
