"""Quotes and bills against what is on record as done: kind of case and record, and the lines that follow."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from mendbay.board.description import BoardDescription
from mendbay.board.stock import Kind, StockItem
from mendbay.board.swap_odds import ATTRIBUTES, LEVELS, Agreement, Attribute, Level, Purpose
from mendbay.case.consents import Word
from mendbay.case.quote import BOARD_ALONE, Column, Quote, When
from mendbay.case.records import Bay, CaseKind, Image
from mendbay.core.errors import UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.bill_case import look_at_bill, make_bill
from mendbay.jobs.bill_record import held_against
from mendbay.jobs.consents import give_word
from mendbay.jobs.hand_repairs import BOARD_REPAIRS
from mendbay.jobs.keep_stock import add_items
from mendbay.jobs.letters import letter_words
from mendbay.jobs.money_papers import nothing_words
from mendbay.jobs.quote_case import By, decide, make_quote
from mendbay.jobs.quote_lines import ENQUIRY_ALONE, Wish
from mendbay.jobs.record_swaps import record_swap
from mendbay.jobs.take_in import take_in
from mendbay.jobs.triage_case import answer, enter_tried, tell_belief
from mendbay.jobs.work_on_record import on_record
from mendbay.triage.belief import Asked

PART = StockItem(0, Kind.BOARD, BoardDescription("TB-4471-200"), cost_minor=4000, currency="EUR")
AGREED = Agreement(Purpose.BOARD_SWAP, tuple(min(LEVELS[one]) for one in ATTRIBUTES[Purpose.BOARD_SWAP]))


def swapped(bench: Bench, worked: bool = True) -> None:
    (item,) = add_items(bench, bench.shop_files, [PART])
    record_swap(bench, item.number, 1, "1", AGREED, worked)


def swapped_and_failed_since(bench: Bench) -> None:
    swapped(bench)
    swapped(bench, worked=False)


def read(bench: Bench, *bays: str, left: int = 0) -> None:
    for bay in bays:
        path = f"bay-{bay}.img"
        bench.ledger.note_image(Image(1, bay, path, "port", bench.now(), read_bytes=4096, unread_bytes=left))


def handed_back(bench: Bench, given: int = 77) -> None:
    bench.note(1, "hand-back", "77 files.", {"whole": given, "folder": "/there"})


def certified(bench: Bench) -> None:
    bench.notes.add(Note(1, "1", NoteKind.CERTIFICATE, "plan-1", bench.now(), bench.who, "{}"))


def certified_after_another(bench: Bench) -> None:
    answer(bench, 1, Asked("swapped", "1"), "without-rom")
    certified(bench)


def burnt(bench: Bench) -> None:
    """Bay 1's supply is measured amiss, so that triage believes in mending it."""
    answer(bench, 1, Asked("sound", "1"), "silent")
    answer(bench, 1, Asked("supply-measured", "1"), "amiss")


def swapped_with_more_to_read(bench: Bench) -> None:
    burnt(bench)
    swapped(bench)


def all_done(bench: Bench) -> None:
    burnt(bench)
    swapped(bench)
    certified(bench)
    read(bench, "1", "2")
    handed_back(bench)


def tried(bench: Bench) -> None:
    burnt(bench)
    enter_tried(bench, 1, "mend-supply", "1")


def nothing(bench: Bench) -> None:
    pass


def steps_of(quote: Quote, *whens: When) -> set[str]:
    return {one.key for one in quote.lines if one.when in whens}


@pytest.mark.parametrize(
    ("record", "done", "never"),
    [
        (nothing, set(), set()),
        (swapped, {"swap-board:1", "stock:1"}, {"mend-supply:1", "swap-board:1", "move-rom:1"}),
        (swapped_with_more_to_read, {"swap-board:1", "stock:1"}, {"mend-supply:1", "move-rom:1"}),
        (lambda bench: swapped(bench, worked=False), {"swap-board:1:in vain", "stock:1"}, set()),
        (swapped_and_failed_since, {"swap-board:1:in vain", "stock:1", "stock:2"}, set()),
        (certified, {"swap-board:1"}, set()),
        (certified_after_another, {"move-rom:1"}, set()),
        (tried, {"mend-supply:1"}, set()),
        (
            lambda bench: read(bench, "1"),
            {"read-gently:1"},
            {"read-both", "swap-board:1", "mend-supply:1", "move-rom:1"},
        ),
        (lambda bench: read(bench, "1", left=512), set(), set()),
        (
            lambda bench: read(bench, "1", "2"),
            {"read-both"},
            {"read-gently:1", "read-gently:2", "new-adapter", "swap-board:2", "new-fan"},
        ),
        (handed_back, set(), {"read-both", "stop-and-send", "copy-out"}),
        (lambda bench: handed_back(bench, given=0), set(), set()),
        (all_done, {"swap-board:1", "stock:1", "read-both"}, set()),
    ],
)
def test_what_is_done_is_sure_and_what_can_no_longer_be_is_out(
    bench: Bench, record: Callable[[Bench], None], done: set[str], never: set[str]
) -> None:
    record(bench)
    quote, _ = make_quote(bench, 1, Wish())
    assert steps_of(quote, When.DONE) == done
    assert steps_of(quote, When.NEEDED).isdisjoint(never)
    lines = [one for one in quote.lines if one.when is When.DONE]
    assert all(one.chance == pytest.approx(1.0) for one in lines)
    assert all(
        any(one.words.removesuffix(", without the part") in it for it in quote.remarks)
        for one in lines
        if not one.key.startswith("stock")
    )
    keys = [one.key for one in quote.lines]
    assert len(keys) == len(set(keys))


def test_once_files_are_handed_back_only_what_was_done_is_quoted(bench: Bench) -> None:
    all_done(bench)
    quote, _ = make_quote(bench, 1, Wish())
    assert steps_of(quote, When.NEEDED) == set()
    work = 4500 + 14000 + 4600 + 22000
    assert {quote.totals[one].gross.minor for one in (Column.LOW, Column.LIKELY, Column.HIGH)} == {work}
    assert any("copied out" in one for one in quote.remarks)
    assert not quote.odds, "nothing is left to chance, and its paper does not speak of one in ten jobs"


@pytest.mark.parametrize(
    ("kind", "keys"),
    [
        (CaseKind.ENQUIRY, {"diagnosis"}),
        (CaseKind.BOARD_SWAP, {"diagnosis", "swap-board"}),
        (CaseKind.BOARD_REPAIR, {"diagnosis", "mend-supply", "swap-board"}),
    ],
)
@pytest.mark.parametrize("described", [False, True])
def test_without_a_drive_no_work_on_one_is_quoted(
    bench: Bench, kind: CaseKind, keys: set[str], described: bool
) -> None:
    number = take_in(bench, "Ostlund Mill", bays=[Bay(0, "1")] if described else []).number
    bench.ledger.amend_case(number, kind=kind)
    quote, _ = make_quote(bench, number, Wish())
    assert {one.key.partition(":")[0] for one in quote.lines} == keys
    assert quote.remarks[0] == (ENQUIRY_ALONE if kind is CaseKind.ENQUIRY else BOARD_ALONE)
    assert all("bay" not in one.words for one in quote.lines)
    assert ("the board" in nothing_words(quote)) == (kind is not CaseKind.ENQUIRY)


def test_of_a_loose_board_what_was_tried_in_vain_leads_on_to_another_board(bench: Bench) -> None:
    number = take_in(bench, "Ostlund Mill", bays=[Bay(0, "1")]).number
    bench.ledger.amend_case(number, kind=CaseKind.BOARD_REPAIR)
    before, _ = make_quote(bench, number, Wish())
    swap = before.line("swap-board:1")
    assert swap is not None
    assert swap.chance == pytest.approx(0.2), "as often as mending its supply does not help"
    enter_tried(bench, number, "mend-supply", "1")
    after, _ = make_quote(bench, number, Wish())
    assert [(one.key, one.when, one.chance) for one in after.lines[1:]] == [
        ("mend-supply:1", When.DONE, 1.0),
        ("swap-board:1", When.NEEDED, 1.0),
    ]
    give_word(bench, number, "board-swap", Word.NO)
    refused, _ = make_quote(bench, number, Wish())
    assert refused.line("swap-board:1") is None


@pytest.mark.parametrize(
    "name", ["read-both", "read-gently", "stop-and-send", "copy-out", "drive-read", "new-fan"]
)
def test_work_on_a_drive_cannot_be_picked_for_a_board_alone(bench: Bench, name: str) -> None:
    bench.ledger.amend_case(1, kind=CaseKind.BOARD_SWAP)
    with pytest.raises(UsageError, match="is of a board alone") as refused:
        make_quote(bench, 1, Wish(lines=((name, ""),), odds=False))
    assert name not in refused.value.what
    assert "case tell 1 kind drive" in refused.value.next_step
    make_quote(
        bench, 1, Wish(lines=tuple((one, "") for one in (*BOARD_REPAIRS, "hour", "clean-casing")), odds=False)
    )
    bench.ledger.amend_case(1, kind=CaseKind.DRIVE)
    make_quote(bench, 1, Wish(lines=((name, ""),), odds=False))


def test_a_drive_that_came_later_is_in_the_next_quote(bench: Bench) -> None:
    bench.ledger.amend_case(1, kind=CaseKind.BOARD_SWAP)
    assert on_record(bench, 1).loose
    read(bench, "1")
    assert not on_record(bench, 1).loose
    quote, _ = make_quote(bench, 1, Wish())
    assert steps_of(quote, When.DONE) == {"read-gently:1"}


@pytest.mark.parametrize(
    ("record", "picked", "keys"),
    [
        (burnt, (("mend-supply", ""),), ["mend-supply:2", "mend-supply:picked-1"]),
        (nothing, (("read-both", ""),), ["read-both:picked-1"]),
        (all_done, (("swap-board", ""),), ["swap-board:1"]),
        (all_done, (("swap-board", "2"),), ["swap-board:1", "swap-board:picked-1"]),
        (all_done, (("read-both", ""), ("read-both", "")), ["read-both"]),
    ],
)
def test_picked_work_stands_once(
    bench: Bench, record: Callable[[Bench], None], picked: tuple[tuple[str, str], ...], keys: list[str]
) -> None:
    record(bench)
    quote, _ = make_quote(bench, 1, Wish(lines=picked))
    step = picked[0][0]
    found = [one for one in quote.lines if one.key.partition(":")[0] == step]
    assert sorted(one.key for one in found) == sorted(keys)
    assert all(one.quantity == 1 for one in found)
    assert any("stands once" in one or "is done already" in one for one in quote.remarks)


def test_what_is_picked_may_be_needed_at_the_other_drive_too(bench: Bench) -> None:
    for bay in ("1", "2"):
        answer(bench, 1, Asked("sound", bay), "silent")
        answer(bench, 1, Asked("supply-measured", bay), "amiss")
    quote, _ = make_quote(bench, 1, Wish(lines=(("mend-supply", ""),)))
    found = [one.key for one in quote.lines if one.key.startswith("mend-supply")]
    assert len(found) == 2
    assert "mend-supply:picked-1" in found


def test_a_quantity_that_is_none_is_told_in_the_words_of_the_price(bench: Bench) -> None:
    with pytest.raises(UsageError, match="'zwei' is no quantity of “Supply of the drive's board mended”"):
        make_quote(bench, 1, Wish(lines=(("mend-supply", "zwei"),)))


def test_what_was_refused_and_is_done_all_the_same_is_told_and_not_counted(bench: Bench) -> None:
    swapped(bench)
    give_word(bench, 1, "board-swap", Word.NO)
    quote, _ = make_quote(bench, 1, Wish())
    assert quote.line("swap-board:1") is None
    assert any("is done and not counted: the customer refused" in one for one in quote.remarks)


# ---------------------------------------------------------------------- the bill


def agreed_on(bench: Bench, *lines: str, odds: bool = False) -> Quote:
    quote, _ = make_quote(bench, 1, Wish(lines=tuple((one, "") for one in lines), media_gb=10, odds=odds))
    decide(bench, 1, quote.number, True, By.PHONE)
    return quote


@pytest.mark.parametrize(
    ("lines", "record", "unbilled", "unshown"),
    [
        (("swap-board", "read-both"), all_done, {"swap-board:1"}, set()),
        (("swap-board",), lambda bench: swapped(bench), {"swap-board:1"}, {"medium"}),
        (("hour",), all_done, {"swap-board:1", "read-both"}, set()),
        (("drive-read",), lambda bench: read(bench, "1", "2"), set(), {"medium"}),
        (("read-gently",), lambda bench: read(bench, "1"), set(), {"medium"}),
        (("mend-supply",), nothing, set(), {"medium"}),
        (("read-both",), nothing, set(), {"read-both:picked-1", "medium"}),
    ],
)
def test_a_bill_is_held_against_the_record(
    bench: Bench,
    lines: tuple[str, ...],
    record: Callable[[Bench], None],
    unbilled: set[str],
    unshown: set[str],
) -> None:
    quote = agreed_on(bench, *lines)
    record(bench)
    bill = look_at_bill(bench, 1, {})
    found = held_against(bench, 1, quote, bill)
    assert {one.key for one in found.unbilled} == unbilled
    assert {key for key, _ in found.unshown} == unshown
    assert all(one.rests_on for one in found.shown)


def test_work_on_record_is_billed_or_said_to_be_left_off(bench: Bench) -> None:
    agreed_on(bench, "swap-board")
    swapped(bench)
    read(bench, "1", "2")
    with pytest.raises(UsageError, match="On record as done and not on the bill") as refused:
        make_bill(bench, 1, {})
    assert "“Donor board fitted, ROM moved to it” (the board of item 1 worked" in refused.value.what
    assert "“Both drives read and put together”" in refused.value.what
    assert "swap-board:picked-1, read-both" in refused.value.next_step
    with pytest.raises(UsageError, match="Both drives read") as refused:
        make_bill(bench, 1, {"swap-board:picked-1": "200.00"})
    assert "Donor board" not in refused.value.what
    account, _ = make_bill(bench, 1, {"swap-board:picked-1": "200.00"}, not_done=["read-both"])
    assert account.bill is not None
    assert account.bill.total.gross.minor == 4500 + 20000 + 1200
    told = bench.ledger.events(1)[-1].text
    assert "Left off though on record as done: “Both drives read and put together”" in told


def test_a_quote_made_when_all_is_done_is_billed_whole(bench: Bench) -> None:
    all_done(bench)
    quote = agreed_on(bench, odds=True)
    account, _ = make_bill(bench, 1, {})
    assert account.bill is not None
    assert account.bill.total.gross == quote.totals[Column.HIGH].gross
    assert {one.key for one in account.bill.lines} >= {"swap-board:1", "stock:1", "read-both", "medium"}


def test_both_readings_quoted_one_by_one_are_billed_one_by_one(bench: Bench) -> None:
    quote, _ = make_quote(bench, 1, Wish(lines=(("read-gently", "2"),), odds=False))
    decide(bench, 1, quote.number, True, By.PHONE)
    read(bench, "1", "2")
    account, _ = make_bill(bench, 1, {})
    assert account.bill is not None
    found = held_against(bench, 1, quote, account.bill)
    assert (found.unbilled, found.unshown) == ((), ())


def test_a_declined_quote_is_billed_for_the_examination_whatever_is_done(bench: Bench) -> None:
    all_done(bench)
    quote, _ = make_quote(bench, 1, Wish())
    decide(bench, 1, quote.number, False, By.PHONE)
    account, _ = make_bill(bench, 1, {})
    assert account.bill is not None
    assert [one.key for one in account.bill.lines] == ["diagnosis"]


def test_whether_another_board_works_is_what_triage_is_told_of_it(bench: Bench) -> None:
    burnt(bench)
    swapped(bench)
    assert on_record(bench, 1).works == {"1"}
    swapped(bench, worked=False)
    recorded = on_record(bench, 1)
    assert not recorded.works, "the last word on that board is that it failed"
    assert tell_belief(bench, 1).mended == ()
    assert recorded.may_be_needed("mend-supply", "1"), "so work on the board is quoted again"


def test_what_rests_on_an_item_is_told_of_its_board_not_of_its_heads(bench: Bench) -> None:
    (item,) = add_items(bench, bench.shop_files, [PART])
    levels = (
        Level.NOT_MOVED if one is Attribute.ROM else min(LEVELS[one])
        for one in ATTRIBUTES[Purpose.BOARD_SWAP]
    )
    record_swap(bench, item.number, 1, "1", Agreement(Purpose.BOARD_SWAP, tuple(levels)), True)
    heads = tuple(min(LEVELS[one]) for one in ATTRIBUTES[Purpose.HEAD_TRANSPLANT])
    record_swap(bench, item.number, 1, "1", Agreement(Purpose.HEAD_TRANSPLANT, heads), False)
    (done,) = on_record(bench, 1).done
    assert "worked without the ROM" in done.rests_on


def test_boards_fitted_one_after_another_are_each_counted(bench: Bench) -> None:
    for _ in range(2):
        swapped(bench, worked=False)
    (done,) = (one for one in make_quote(bench, 1, Wish())[0].lines if one.key == "swap-board:1:in vain")
    assert done.quantity == 2
    picked, _ = make_quote(bench, 1, Wish(lines=(("swap-board", "3"),)))
    (further,) = (one for one in picked.lines if one.key.startswith("swap-board:picked"))
    assert further.quantity == 1, "two of the three are done"
    used = {one.key: one.when for one in picked.lines if one.key.startswith("stock:")}
    assert used == {"stock:1": When.DONE, "stock:2": When.DONE}


@pytest.mark.parametrize(
    ("bays", "picked", "lines"),
    [
        (("1",), ("read-both", "1"), {"read-gently:1", "read-gently:picked-1"}),
        (("1", "2"), ("read-both", "1"), {"read-both"}),
        (("1", "2"), ("read-gently", "2"), {"read-both"}),
        ((), ("read-both", "1"), {"read-both:picked-1"}),
    ],
)
def test_a_reading_that_is_done_stands_once_however_it_is_picked(
    bench: Bench, bays: tuple[str, ...], picked: tuple[str, str], lines: set[str]
) -> None:
    read(bench, *bays)
    quote, _ = make_quote(bench, 1, Wish(lines=(picked,)))
    sure = {one.key for one in quote.lines if one.when in (When.ALWAYS, When.DONE)}
    assert sure == {"diagnosis", *lines}
    assert not any(one.key.startswith("read-both") and one.when is When.NEEDED for one in quote.lines)


def test_what_a_swap_has_overtaken_is_no_reason_to_say_that_nothing_is_known(bench: Bench) -> None:
    nothing_known = "Nothing is known yet of what is broken: the odds are those of any case."
    assert nothing_known in make_quote(bench, 1, Wish())[0].remarks
    answer(bench, 1, Asked("supply-measured", "1"), "amiss")
    swapped(bench)
    told = tell_belief(bench, 1)
    assert (told.known, told.is_examined) == ({}, True)
    assert nothing_known not in make_quote(bench, 1, Wish())[0].remarks
    assert "not examined it yet" not in letter_words(bench, 1)
