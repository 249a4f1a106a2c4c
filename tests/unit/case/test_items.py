"""Things of a case: their codes, and the ways they can and cannot go."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.case.hand_over import (
    MOST_ITEMS,
    Direction,
    HandOver,
    Role,
    Signed,
    hand_over_record,
    read_hand_over,
    received,
    released,
)
from mendbay.case.items import (
    ITEMS_LIMIT,
    LARGEST_CASE,
    MOVES,
    Item,
    Owner,
    What,
    Where,
    code_of,
    item_record,
    label_text,
    moved,
    number_named,
    parse_code,
    read_item,
)
from mendbay.core.errors import UsageError

AT = "2026-11-25T07:10:00Z"
LINES = st.text(st.characters(exclude_categories=["Cs", "Cc", "Zl", "Zp"]), max_size=30)


def item(where: Where = Where.HERE, number: int = 1, owner: Owner = Owner.CUSTOMER) -> Item:
    place = "the laboratory" if where is Where.SENT else ""
    return Item(7, number, What.DRIVE, bay="1", marks="AL20-HX4 QM-1", where=where, place=place, owner=owner)


def over(number: int, *items: Item) -> HandOver:
    return HandOver(7, number, Direction.RECEIVED, Role.CUSTOMER, items, AT, "Ada")


@st.composite
def some_items(draw: st.DrawFn) -> Item:
    where = draw(st.sampled_from(Where))
    place = draw(LINES.filter(str.strip)) if where is Where.SENT else ""
    return Item(
        draw(st.integers(1, LARGEST_CASE)),
        draw(st.integers(1, ITEMS_LIMIT)),
        draw(st.sampled_from(What)),
        *(draw(LINES) for _ in range(4)),
        where,
        draw(LINES) if where is Where.HERE else place,
        draw(st.sampled_from(Owner)),
    )


@given(some_items())
def test_a_code_names_its_item_however_it_is_written(one: Item) -> None:
    named = (one.case, one.number)
    for text in (one.code, label_text(one), f" {label_text(one).upper()}\n", f"{one.case}-{one.number}"):
        assert parse_code(text) == named
        assert number_named(one.case, text) == one.number
    assert number_named(one.case, str(one.number)) == one.number


@given(some_items(), st.data())
def test_records_read_back_as_they_were(one: Item, data: st.DataObject) -> None:
    assert read_item(json.loads(json.dumps(item_record(one)))) == one
    signed = Signed("papers/x.png", "0" * 64, 5, AT)
    given_ = HandOver(
        one.case,
        data.draw(st.integers(1, 99)),
        data.draw(st.sampled_from(Direction)),
        data.draw(st.sampled_from(Role)),
        (one,),
        AT,
        "Ada",
        data.draw(LINES),
        "two\nlines",
        "1: x",
        (signed,) * data.draw(st.integers(0, 2)),
    )
    assert read_hand_over(one.case, json.loads(json.dumps(hand_over_record(given_)))) == given_


@pytest.mark.parametrize(
    "text", ["", "7", "7-0", "0-1", "7-1000", "0007-01-1", "mendbay:stock:000001", "٧-١"]
)
def test_what_is_no_code(text: str) -> None:
    with pytest.raises(UsageError, match="not the code"):
        parse_code(text)


def test_a_code_of_another_case_is_told() -> None:
    assert code_of(12_345, 100) == "12345-100"
    with pytest.raises(UsageError, match="0008-01 is an item of case 8"):
        number_named(7, "8-1")


def test_moves_go_only_where_they_make_sense() -> None:
    """The table written out again: what is not in it is refused."""
    sound = {
        (Where.HERE, Where.HERE), (Where.HERE, Where.USED), (Where.HERE, Where.DESTROYED),
        (Where.SENT, Where.SENT), (Where.SENT, Where.CUSTOMER), (Where.SENT, Where.DESTROYED),
    }  # fmt: skip
    for start in Where:
        for end in Where:
            place = "the courier" if end is Where.SENT else ""
            if (start, end) in sound:
                assert moved(item(start), end, place).where is end
            else:
                with pytest.raises(UsageError, match="cannot become"):
                    moved(item(start), end, place)
    assert set(MOVES) == set(Where)


def test_a_place_only_where_there_is_one() -> None:
    assert moved(item(), Where.HERE, " shelf B4 ").whereabouts == "here, shelf B4"
    with pytest.raises(UsageError, match="no place"):
        moved(item(), Where.USED, "shelf B4")
    with pytest.raises(UsageError, match="not said where"):
        moved(item(Where.SENT), Where.SENT)


def test_only_what_is_here_is_released() -> None:
    assert [one.whereabouts for one in released([item()], Role.CUSTOMER)] == ["with the customer"]
    assert [one.whereabouts for one in released([item()], Role.LAB)] == ["sent to the laboratory"]
    assert [one.whereabouts for one in released([item()], Role.COURIER)] == ["sent to the courier"]
    for where in set(Where) - {Where.HERE}:
        with pytest.raises(UsageError, match="cannot be handed over"):
            released([item(), item(where, 2)], Role.CUSTOMER)


def test_what_came_in_is_received_once_and_what_was_away_again() -> None:
    assert received([item()], []) == (item(),)
    (back,) = received([item(Where.SENT)], [over(1, item())], "shelf B4")
    assert back.whereabouts == "here, shelf B4"
    assert received([item(Where.CUSTOMER)], [over(1, item())]) == (item(),)
    with pytest.raises(UsageError, match="here already since hand-over 1"):
        received([item()], [over(1, item())])
    with pytest.raises(UsageError, match="here already"):
        received([item(owner=Owner.LENT)], [])
    for where in (Where.USED, Where.DESTROYED):
        with pytest.raises(UsageError, match="cannot be handed over"):
            received([item(where)], [])


def test_each_item_once_and_not_too_many() -> None:
    for hand in (lambda items: released(items, Role.LAB), lambda items: received(items, [])):
        with pytest.raises(UsageError, match="named twice"):
            hand([item(), item()])
    with pytest.raises(UsageError, match="too many"):
        over(1, *(item(number=one) for one in range(1, MOST_ITEMS + 2)))
    with pytest.raises(UsageError, match="Nothing"):
        over(1)


def test_the_largest_hand_over_fits_an_entry_of_custody() -> None:
    widest = replace(item(), case=LARGEST_CASE, what=What.ADAPTER, bay="b" * 32, marks="m" * 200)
    _, things = over(1, *(replace(widest, number=one + 100) for one in range(MOST_ITEMS))).custody_words
    assert len(things) <= 10_000


@pytest.mark.parametrize(
    "bad",
    [
        {"number": 0}, {"number": ITEMS_LIMIT + 1}, {"case": 0}, {"words": "a\nb"}, {"marks": "m" * 201},
        {"place": "\x1b[2J"}, {"where": Where.USED, "place": "shelf"}, {"where": Where.SENT},
    ],
)  # fmt: skip
def test_what_cannot_be_an_item(bad: dict[str, object]) -> None:
    with pytest.raises(UsageError):
        replace(item(), **bad)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "bad",
    [
        None, [], {}, {"number": True}, {"number": "1"}, {"what": "ship"}, {"words": 5}, {"words": "\n"},
        {"where": "here", "more": 1},
    ],
)  # fmt: skip
def test_a_record_that_mendbay_did_not_write(bad: object) -> None:
    record = {**item_record(item()), **bad} if isinstance(bad, dict) and bad else bad
    with pytest.raises(ValueError, match=r"."):
        read_item(record)


@pytest.mark.parametrize(
    ("changed", "value"),
    [
        ("items", 5),
        ("items", []),
        ("signed", [{}]),
        ("signed", [5]),
        ("at", "today"),
        ("role", "x"),
        ("number", "1"),
    ],
)
def test_a_hand_over_that_mendbay_did_not_write(changed: str, value: object) -> None:
    with pytest.raises(ValueError, match=r"."):
        read_hand_over(7, {**hand_over_record(over(1, item())), changed: value})
