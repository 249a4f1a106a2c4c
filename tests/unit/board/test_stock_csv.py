"""Lists of the shop read in and the stock written out: no row lost in silence, nothing that runs."""

from __future__ import annotations

import csv
import io
import itertools
import time
from dataclasses import replace

import pytest

from mendbay.board import stock_csv
from mendbay.board.description import BoardDescription
from mendbay.board.stock import (
    NOTES_LIMIT,
    PHOTOS_LIMIT,
    Condition,
    Kind,
    StockItem,
    StockState,
)
from mendbay.board.stock_alike import Alike
from mendbay.board.stock_by_hand import Change, HandChange
from mendbay.board.stock_csv import Field, read_table, to_csv
from mendbay.board.stock_import import (
    ColumnMapping,
    DateOrder,
    Import,
    ImportPlan,
    guess_mapping,
    import_items,
    plan_import,
)
from mendbay.core.errors import UsageError
from mendbay.core.texts import LINE_LIMIT


def taken(text: str | bytes, currency: str = "EUR", order: DateOrder = DateOrder.UNDECIDED) -> Import:
    table = read_table(text.encode() if isinstance(text, str) else text)
    return import_items(table, replace(guess_mapping(table, currency), date_order=order))


def one(cells: dict[str, str]) -> StockItem | str:
    """The item that one row gives, or the reason why it gives none."""
    made = io.StringIO()
    writer = csv.DictWriter(made, ["Board", *cells])
    writer.writeheader()
    writer.writerow({"Board": "BX-1", **cells})
    found = taken(made.getvalue())
    return found.items[0][1] if found.items else found.troubles[0].reason


def an_item(number: int, **other: object) -> StockItem:
    given = {"kind": Kind.BOARD, "description": BoardDescription(board_number="BX-4471-02"), **other}
    return StockItem(number, **given)  # type: ignore[arg-type]


ITEMS = (
    an_item(
        1,
        kind=Kind.DRIVE,
        description=BoardDescription(
            *("BX-4471-02", "B", "K9, 2210", 'M"7', "W25", "Kestrel", "AL20-HX4", "FW\u00e9", "Tarn valley"),
            "2019-03-28",
            "0,1,2,3",
        ),
        own_id="A;17",
        location="shelf 2, drawer 3",
        condition=Condition.TESTED_GOOD,
        cost_minor=1250,
        currency="EUR",
        state=StockState.RESERVED,
        case=7,
        photos=("front.jpg", "back, of it.jpg"),
        notes='two lines,\nwith "quotes"',
    ),
    an_item(2, notes="=HYPERLINK(1)", location="+3", own_id="@here"),
    an_item(3, notes="'=kept", location="'-", cost_minor=700, currency="JPY"),
    an_item(4, notes="'tis plain", location="''x", state=StockState.USED, case=3),
)


def test_what_is_written_is_read_again_to_the_letter() -> None:
    found = taken(to_csv(ITEMS))
    assert tuple(item for _, item in found.items) == ITEMS
    assert found.troubles == ()
    plan = plan_import(ITEMS, found)
    assert (plan.new, plan.changed, plan.unchanged, plan.troubles) == ((), (), 4, ())


def test_unknown_words_doubtful_costs_and_blanks_count_only_in_rows_without_our_number() -> None:
    head = "mendbay item,board,own id,location,cost,photos,notes,made on\n"
    row = "BX-1,none, NA ,KWD 1.500,a;b.jpg,?,n/a"
    (_, ours), *_ = taken(f"{head}7,{row}\n").items
    assert (ours.own_id, ours.location, ours.notes, ours.description.made_on) == ("none", " NA ", "?", "")
    assert (ours.cost_minor, ours.currency, ours.photos) == (1500, "KWD", ("a;b.jpg",))
    doubtful = taken(f"{head},{row}\n").troubles[0]
    assert (doubtful.column, doubtful.reason) == (
        "cost", "'KWD 1.500' is not a cost in KWD. Write it as 38.00 EUR.",
    )  # fmt: skip
    (_, theirs), *_ = taken(f"{head},{row.replace('1.500', '1.5')}\n").items
    assert (theirs.own_id, theirs.location, theirs.notes, theirs.cost_minor) == ("", "", "", 1500)
    assert theirs.photos == ("a", "b.jpg")


def test_an_item_of_which_only_the_place_is_known_comes_back_and_can_be_moved() -> None:
    item = an_item(5, description=BoardDescription(), location="shelf 4")
    assert [one for _, one in taken(to_csv([item])).items] == [item]
    moved = planned([item], "mendbay item,location\n5,shelf 6\n,shelf 7\n")
    assert moved.changed == (replace(item, location="shelf 6"),)
    assert [one.line for one in moved.troubles] == []
    assert "neither a board" in taken("mendbay item,location\n,shelf 7\n").troubles[0].reason


def test_the_longest_cells_that_an_item_can_have_come_back() -> None:
    item = an_item(
        1,
        notes="=" + "\n" * (NOTES_LIMIT - 1),
        photos=tuple(f"{at:0{LINE_LIMIT}}" for at in range(PHOTOS_LIMIT)),
    )
    assert [one for _, one in taken(to_csv([item])).items] == [item]


def test_no_cell_is_a_formula() -> None:
    """OWASP, "CSV Injection": cells that begin with = + - @ tab or return are run by spreadsheets."""
    rows = list(csv.reader(io.StringIO(to_csv(ITEMS).decode("utf-8-sig"), newline="")))
    assert any("HYPERLINK" in cell for row in rows for cell in row)
    assert not [cell for row in rows for cell in row if cell[:1] in tuple("=+-@\t\r＝＋－＠")]


def test_rfc_4180_quotes_and_missing_last_line_break() -> None:
    found = taken(b'board,notes\r\nBX-1,"a""b,c"\r\nBX-2,"x\r\ny"\r\nBX-3,z')
    assert [item.notes for _, item in found.items] == ['a"b,c', "x\ny", "z"]
    assert [line for line, _ in found.items] == [2, 3, 5]


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252"])
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_delimiters_and_encodings(delimiter: str, encoding: str, ending: str) -> None:
    rows = [("Board No.", "Drawer", "Price"), ("BX-1", "Schl\u00e4fli", "5,50"), ("BX-2", "1, 2; 3", "6")]
    made = io.StringIO()
    csv.writer(made, delimiter=delimiter, lineterminator=ending).writerows(rows)
    table = read_table(made.getvalue().encode(encoding))
    assert (table.delimiter, table.encoding) == (delimiter, encoding)
    found = import_items(table, guess_mapping(table, "EUR"))
    assert [(item.location, item.cost_minor) for _, item in found.items] == [
        ("Schl\u00e4fli", 550),
        ("1, 2; 3", 600),
    ]


def test_after_a_quote_never_closed_rows_are_told_and_not_taken() -> None:
    """Nobody can tell them from the inside of the cell that the quote begins."""
    good = [f"BX-{one},fine\r\n" for one in range(2_000)]
    text = "board,notes\r\n" + "".join(good[:250]) + 'BX-9,"never closed\r\n' + "".join(good[250:])
    found = taken(text)
    assert len(found.items) == 250
    assert [trouble.line for trouble in found.troubles] == list(range(252, 2_003))
    assert "never closed" in found.troubles[0].reason
    assert {one.reason.split(":")[0] for one in found.troubles[1:]} == {
        "It may be the inside of a cell of line 252"
    }
    assert found.rows == 2_001
    assert len(taken(text.replace("closed\r\n", 'closed"\r\n')).items) == 2_001


@pytest.mark.parametrize("lines", [150, 300, 30_000])
def test_the_inside_of_a_cell_never_becomes_an_item(lines: int) -> None:
    """A cell of too many characters, of any number of lines, is skipped to its end."""
    notes = "\n".join([*["x" * (30_000 // lines)] * lines, "B-666,free,", 'with "quotes", too', ""])
    made = io.StringIO(newline="")
    csv.writer(made).writerows([("board", "location", "notes"), ("B-5", "s", notes), ("B-6", "s", "last")])
    found = taken(made.getvalue())
    assert [item.description.board_number for _, item in found.items] == ["B-6"]
    assert [(one.line, "characters" in one.reason) for one in found.troubles] == [(2, True)]


def test_lines_between_wrong_quotes_are_told_and_not_taken() -> None:
    found = taken('board,notes\nB-1,"begun\nB-666,free\n\nB-2,"x"\nB-3,"sound"\nB-4,"one" more\nB-5,\n')
    assert [item.description.board_number for _, item in found.items] == ["B-3", "B-5"]
    assert [one.line for one in found.troubles] == [2, 3, 5, 7]
    assert "a quote ends a cell on line 5" in found.troubles[0].reason


def test_every_row_is_an_item_or_a_trouble() -> None:
    found = taken(
        "board,made on,price,condition\n"
        "BX-1,2019-03-28,5,good\n"
        "\n"
        "BX-2,2019-02-30,5,good\n"  # no such day
        "BX-3,,five,good\n"
        "BX-4,,5\n"  # a cell short
        "BX-5,,5,shiny\n"
        ",,5,good\n"  # names nothing
        'BX-6,x,y,z"q"\n'
        "BX-7\x07,,,\n"
        "BX-8,,,,\n"  # an empty cell more is no harm
    )
    assert [item.description.board_number for _, item in found.items] == ["BX-1", "BX-8"]
    assert [one.line for one in found.troubles] == [4, 5, 6, 7, 8, 9, 10]
    assert [one.column for one in found.troubles][:4] == ["made on", "cost", "", "condition"]
    assert all(one.reason for one in found.troubles)


@pytest.mark.parametrize(
    ("cell", "date"),
    [
        ("2019-03-28", "2019-03-28"),
        ("2019/03/28", "2019-03-28"),
        ("20190328", "2019-03-28"),
        ("2019-03", "2019-03-01"),
        ("2026-W48", "2026-11-23"),  # ISO 8601 week: 2026-W48-3 is 2026-11-25
        ("28.3.2019", "2019-03-28"),
        ("3.4.2019", "2019-04-03"),
        ("28/3/2019", "2019-03-28"),
        ("3/28/2019", "2019-03-28"),
        ("5/5/2019", "2019-05-05"),
        ("n/a", ""),
    ],
)
def test_dates(cell: str, date: str) -> None:
    item = one({"date": cell})
    assert isinstance(item, StockItem)
    assert item.description.made_on == date


@pytest.mark.parametrize(
    "cell", ["28/3/19", "2019-13-01", "31.4.2019", "2019-W54", "spring 2019", "0/0/2019"]
)
def test_no_dates(cell: str) -> None:
    assert "is not a date" in str(one({"date": cell}))


def test_a_doubtful_date_is_settled_by_the_column_or_the_mapping() -> None:
    assert "can be 2019-04-03 or 2019-03-04" in str(one({"date": "3/4/2019"}))
    rows = "board,date\nBX-1,3/4/2019\nBX-2,{}\n"
    for other, meant in (("28/3/2019", "2019-04-03"), ("3/28/2019", "2019-03-04")):
        assert taken(rows.format(other)).items[0][1].description.made_on == meant
    said = taken(rows.format("3/5/2019"), order=DateOrder.MONTH_FIRST)
    assert said.items[0][1].description.made_on == "2019-03-04"
    nonsense = taken("board,date\nA,28/28/2019\nB,3/28/2019\nC,3/4/2019\n")  # proves no order itself
    assert [item.description.made_on for _, item in nonsense.items] == ["2019-03-28", "2019-03-04"]
    assert len(taken("board,date\nA,28/3/2019\nB,3/28/2019\nC,3/4/2019\n").troubles) == 1


@pytest.mark.parametrize(
    ("cell", "minor", "currency"),
    [
        ("12.50", 1250, "EUR"),
        ("12,5", 1250, "EUR"),
        ("1,234.50", 123450, "EUR"),
        ("1.234,50", 123450, "EUR"),
        ("1 234", 123400, "EUR"),
        ("1.234", 123400, "EUR"),
        ("1234567", 123456700, "EUR"),
        ("£ 3", 300, "GBP"),
        ("7 usd", 700, "USD"),
        ("JPY 1200", 1200, "JPY"),
        ("KWD 1.5", 1500, "KWD"),
    ],
)
def test_costs(cell: str, minor: int, currency: str) -> None:
    item = one({"price": cell})
    assert isinstance(item, StockItem)
    assert (item.cost_minor, item.currency) == (minor, currency)


@pytest.mark.parametrize(
    "cell", ["-5", "1.2.3", "$ 5", "12.345,6.7", "0.500", "KWD 1.234", "JPY 1.5", "9" * 40]
)
def test_no_costs(cell: str) -> None:
    assert isinstance(one({"price": cell}), str)


def test_mappings_are_guessed_edited_and_told_apart_by_header() -> None:
    first = read_table(b"Main Chip;PCB no.;whatever;FW\nK9;BX-1;z;A1\n")
    mapping = guess_mapping(first)
    assert mapping.columns == (Field.CONTROLLER, Field.BOARD_NUMBER, None, Field.FIRMWARE)
    assert read_table(b"main chip,PCB NO,Whatever,fw\na,b,c,d\n").fingerprint == mapping.fingerprint
    assert read_table(b"main chip,PCB NO,fw\na,b,c\n").fingerprint != mapping.fingerprint
    edited = mapping.assigned(2, Field.BOARD_NUMBER)
    assert edited.columns == (Field.CONTROLLER, None, Field.BOARD_NUMBER, Field.FIRMWARE)
    assert import_items(first, edited).items[0][1].description.board_number == "z"
    with pytest.raises(UsageError):
        ColumnMapping("", (Field.NOTES, Field.NOTES))
    with pytest.raises(UsageError):
        import_items(first, ColumnMapping("", (None, None, None, None)))


def test_reading_a_list_twice_changes_nothing() -> None:
    text = "our id,board,shelf\n17,BX-1,A\n18,BX-2,A\n,BX-3,A\n,BX-3,A\n"
    first = plan_import((), taken(text))
    stock = [replace(item, number=at) for at, item in enumerate(first.new, 1)]
    assert (len(stock), first.unchanged) == (4, 0)
    stock[0] = replace(stock[0], state=StockState.USED, case=5, photos=("a.jpg",))
    again = plan_import(stock, taken(text))
    assert (again.new, again.changed, again.unchanged, again.troubles) == ((), (), 4, ())
    moved = plan_import(stock, taken(text.replace("17,BX-1,A", "17,BX-1,B") + ",BX-3,A\n17,BX-9,A\n"))
    assert moved.changed == (replace(stock[0], location="B"),)
    assert (len(moved.new), moved.unchanged) == (1, 3)
    assert [one.line for one in moved.troubles] == [7]


@pytest.mark.parametrize(
    ("state", "case", "gone"),
    [(StockState.REMOVED, 0, "removed (sold)"), (StockState.USED, 5, "used in case 5")],
)
def test_a_new_part_with_the_own_id_of_one_that_is_gone_is_told_and_not_taken(
    state: StockState, case: int, gone: str
) -> None:
    stock = [
        replace(one, state=state, case=case) for one in stocked("own id,board,model,shelf\nA1,BX-1,M1,A\n")
    ]
    sold = HandChange(Change(Field.STATE, "free", "removed: sold"), "2026-03-01T10:00:00Z", "Ada")
    head = "own id,board,model,shelf,state\n"
    mine = f"A1,BX-1,M1,B,{state}\n"
    for rows, why in (
        (f"{head}A1,BX-1,M1,B,in stock\n", "the row says free"),
        (f"{head}A1,BX-2,M1,B,\n", "the row names another board number or model"),
        ("own id,board,model\nA1,BX-1,M2\n", "the row names another board number or model"),
    ):
        table = read_table(rows.encode())
        mapping = guess_mapping(table)
        by_hand = {1: (sold,)} if state is StockState.REMOVED else None
        plan = plan_import(stock, import_items(table, mapping), mapping.columns, by_hand=by_hand)
        (told,) = plan.troubles
        assert (plan.new, plan.changed, plan.unchanged, told.column) == ((), (), 0, "own id")
        assert told.reason.startswith(
            f"The own id 'A1' belongs to item 1, {gone}, and {why}: give the new part"
        )
    for rows in (f"{head}A1,bx 1,M1,B,\n", "own id,shelf\nA1,B\n", *([head + mine] if not case else [])):
        plan = planned(stock, rows)
        assert [one.location for one in plan.changed] == ["B"], "it is that item still"
        assert plan.troubles == ()


def test_two_rows_for_one_item_are_told_however_they_name_it() -> None:
    stock = stocked("own id,board,shelf\nA,BX-1,1\n")
    rows = ["1,,BX-1,2", ",A,BX-1,3"]
    for order in (rows, rows[::-1]):
        plan = planned(stock, "\n".join(["mendbay item,own id,board,shelf", *order]))
        assert [one.location for one in plan.changed] == [order[0][-1]]
        assert [(one.line, one.reason) for one in plan.troubles] == [(3, "Item 1 stands already on line 2.")]


def test_an_own_id_given_twice_in_a_list_costs_the_second_row_alone() -> None:
    stock = stocked("own id,board\nP,BX-1\nQ,BX-2\n")
    head = "mendbay item,own id,board\n"
    plan = planned(stock, head + "2,X,BX-2\n,X,BX-9\n1,X,BX-1\n,,BX-10\n")
    assert [(one.number, one.own_id) for one in plan.changed] == [(2, "X")]
    assert [one.description.board_number for one in plan.new] == ["BX-10"]
    assert [one.reason for one in plan.troubles] == ["The own id 'X' stands already on line 2."] * 2
    turned = planned(stock, head + ",X,BX-9\n2,X,BX-2\n")
    assert [one.own_id for one in turned.new] == ["X"]
    assert [one.line for one in turned.troubles] == [3]
    refused = planned(stock, head + "1,Q,BX-1\n,Q,BX-2\n")
    assert [one.line for one in refused.troubles] == [2]
    assert refused.unchanged == 1, "a row that is refused claims no own id"


UNNAMED = "board,made,shelf,cost,currency\nBX-1,2020-01-01,A,3,EUR\nBX-1,2020-01-01,B,3,EUR\nBX-2,,A,,\n"


def stocked(text: str) -> list[StockItem]:
    return [replace(item, number=at) for at, item in enumerate(plan_import((), taken(text)).new, 1)]


def planned(stock: list[StockItem], text: str, alike: Alike = Alike.ASK) -> ImportPlan:
    table = read_table(text.encode())
    mapping = guess_mapping(table)
    return plan_import(stock, import_items(table, mapping), mapping.columns, alike=alike)


def test_rows_without_an_id_are_found_in_any_order_spelling_and_choice_of_columns() -> None:
    stock = stocked(UNNAMED)
    head, *rows = UNNAMED.splitlines()
    for order in itertools.permutations(rows):
        plan = planned(stock, "\n".join((head, *order)))
        assert (plan.new, plan.changed, plan.unchanged, plan.troubles) == ((), (), 3, ())
    few = planned(stock, "shelf,board\nB,BX-1\nA,BX-2\nA,BX-1\n")
    assert (few.new, few.changed, few.unchanged, few.troubles) == ((), (), 3, ())
    spelled = planned(stock, UNNAMED.replace("BX-2", "bx 2"))
    assert [one.number for one in spelled.changed] == [3]
    assert (spelled.new, spelled.unchanged, spelled.troubles) == ((), 2, ())


def test_a_list_without_a_kind_column_doubles_no_donor_drive() -> None:
    stock = stocked("kind,model,shelf\ndrive,M-77,A\nboard,M-78,A\n")
    plan = planned(stock, "shelf,model\nA,M-78\nA,M-77\n")
    assert (plan.new, plan.changed, plan.unchanged, plan.troubles) == ((), (), 2, ())
    moved = planned(stock, "model,shelf\nM-77,B\n", Alike.SAME)
    assert moved.changed == (replace(stock[0], location="B"),)
    other = planned(stock, "kind,model,shelf\nboard,M-77,A\n")
    assert (len(other.new), other.unchanged) == (1, 0)


def test_one_more_of_the_same_is_new_and_one_used_is_not_moved() -> None:
    stock = stocked(UNNAMED)
    more = planned(stock, UNNAMED + "BX-1,2020-01-01,C,3,EUR\nBX-2,2021-01-01,A,,\n")
    assert ([one.location for one in more.new], more.unchanged, more.troubles) == (["C", "A"], 3, ())
    stock[0] = replace(stock[0], state=StockState.USED, case=1)
    other = planned(stock, UNNAMED.replace("2020-01-01,A,", "2020-01-01,D,"))
    assert ([one.location for one in other.new], other.troubles) == (["D"], ())


def test_a_row_that_may_be_an_item_moved_or_another_one_is_asked_about() -> None:
    stock = stocked(UNNAMED)
    text = UNNAMED.replace("2020-01-01,A,3", "2020-01-01,D,4")
    asked = planned(stock, text)
    assert (asked.new, asked.changed, asked.unchanged) == ((), (), 2)
    (trouble,) = asked.troubles
    assert trouble.line == 2
    assert "may be item 1, which differs in location, cost alone" in trouble.reason
    same = planned(stock, text, Alike.SAME)
    assert (same.new, same.troubles) == ((), ())
    assert same.changed == (replace(stock[0], location="D", cost_minor=400),)
    new = planned(stock, text, Alike.NEW)
    assert ([one.location for one in new.new], new.changed, new.troubles) == (["D"], (), ())
    named = planned(stock, f"mendbay item,{text}".replace("\nBX", "\n,BX").replace("\n,BX", "\n1,BX", 1))
    assert (named.changed, named.troubles) == (same.changed, ()), "a number written into the list decides"


def test_of_several_the_one_that_differs_least_has_moved_and_the_rest_are_new() -> None:
    stock = stocked(UNNAMED)
    text = "board,made,shelf,cost,currency\n" + "".join(
        f"BX-1,2020-01-01,{shelf},{cost},EUR\n" for shelf, cost in (("B", 9), ("E", 8), ("F", 7))
    )
    plan = planned(stock, text, Alike.SAME)
    assert {one.number: one.location for one in plan.changed} == {2: "B", 1: "E"}
    assert [one.location for one in plan.new] == ["F"]
    asked = planned(stock, text)
    assert len(asked.troubles) == 3
    assert "item 1 or 2" in asked.troubles[0].reason


def test_many_rows_alike_are_paired_soon() -> None:
    head = "board,shelf\n"
    stock = stocked(head + "".join(f"BX-1,A{at}\n" for at in range(20_000)))
    started = time.monotonic()
    plan = planned(stock, head + "".join(f"BX-1,B{at}\n" for at in range(20_000)), Alike.SAME)
    assert (len(plan.changed), plan.new) == (20_000, ())
    assert time.monotonic() - started < 20


@pytest.mark.parametrize("data", [b"", b"\r\n\r\n", "board\nBX".encode("utf-16"), b"board\n\x81\x8d\n"])
def test_what_is_no_list(data: bytes) -> None:
    with pytest.raises(UsageError):
        read_table(data)


def test_hostile_lists_end_soon(monkeypatch: pytest.MonkeyPatch) -> None:
    started = time.monotonic()
    with pytest.raises(UsageError, match="cannot be split"):
        read_table(b"board,notes\n" + b'BX,"x\n' * 20_000)
    assert taken("board\n" + "x" * 200_000 + "\nBX-1\n").troubles[0].line == 2
    assert len(taken('board,notes\n"BX-1' + '\n"",BX\n' * 100_000).troubles) > 100_000
    assert time.monotonic() - started < 5
    monkeypatch.setattr(stock_csv, "ROWS_LIMIT", 3)
    with pytest.raises(UsageError, match="rows"):
        read_table(b"board\n1\n2\n3\n4\n")
    monkeypatch.setattr(stock_csv, "FILE_LIMIT_BYTES", 3)
    with pytest.raises(UsageError, match="too large"):
        read_table(b"board\n")
