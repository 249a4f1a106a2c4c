"""What the customer's no to using parts up holds back, and what goes on all the same with a reason."""

from __future__ import annotations

import pytest

from mendbay.board.description import BoardDescription
from mendbay.board.stock import Kind, StockItem, StockState
from mendbay.board.swap_odds import ATTRIBUTES, LEVELS, Agreement, Purpose
from mendbay.case.agenda import WaitsFor
from mendbay.case.consents import Word
from mendbay.case.records import CaseState
from mendbay.core.errors import CustodyBroken, HeldBack, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.consents import give_word
from mendbay.jobs.find_donor import cautions_before
from mendbay.jobs.keep_stock import add_items, reserve
from mendbay.jobs.quote_case import By, decide, make_quote, quotes_of
from mendbay.jobs.quote_lines import Wish
from mendbay.jobs.record_swaps import outcomes, record_swap
from mendbay.jobs.triage_case import answer, tell_triage
from mendbay.jobs.waiting import wait
from mendbay.outlets.shop_files import ShopFolder
from mendbay.triage.belief import Asked

WHY = "they asked for this one part in writing"
SWAP = Wish(lines=(("swap-board", ""),), odds=False)
PART = StockItem(0, Kind.BOARD, BoardDescription("TB-4471-200"), cost_minor=3800, currency="EUR")


def agreed(purpose: Purpose) -> Agreement:
    return Agreement(purpose, tuple(min(LEVELS[one]) for one in ATTRIBUTES[purpose]))


def swapped(bench: Bench, purpose: Purpose = Purpose.BOARD_SWAP, *, although: str = "") -> StockItem:
    return record_swap(bench, 1, 1, "1", agreed(purpose), worked=True, although=although)


def told(bench: Bench) -> tuple[object, ...]:
    return bench.notes.last_number(), bench.ledger.events(1), bench.ledger.custody(1)


@pytest.mark.parametrize(
    ("consent", "purpose", "title"),
    [
        ("parts", Purpose.BOARD_SWAP, "using parts up"),
        ("parts", Purpose.HEAD_TRANSPLANT, "using parts up"),
        ("board-swap", Purpose.BOARD_SWAP, "fitting another board"),
    ],
)
def test_no_part_is_noted_as_used(bench: Bench, consent: str, purpose: Purpose, title: str) -> None:
    add_items(bench, bench.shop_files, [PART])
    give_word(bench, 1, consent, Word.NO)
    before = told(bench)
    with pytest.raises(HeldBack, match=f"refused {title}") as held:
        swapped(bench, purpose)
    assert f"case consent 1 {consent} yes" in held.value.next_step
    assert "--although-refused REASON" in held.value.next_step
    with pytest.raises(UsageError, match="names the customer"):
        swapped(bench, purpose, although="Quillmere said so")
    assert told(bench) == before
    assert (bench.shelf.item(1).state, outcomes(bench)) == (StockState.FREE, ())
    assert swapped(bench, purpose, although=WHY).state is StockState.USED
    last = bench.ledger.custody(1)[-1]
    assert last.what.startswith(f"{purpose} made although the customer refused {title}")
    assert last.item == f"donor 1; {WHY}"
    swapped(bench, purpose)  # its outcome put right: it is used up already


def test_a_swap_that_needs_another_word_is_not_held_back(bench: Bench) -> None:
    add_items(bench, bench.shop_files, [PART])
    give_word(bench, 1, "board-swap", Word.NO)
    assert swapped(bench, Purpose.HEAD_TRANSPLANT).state is StockState.USED
    assert not any("although" in one.what for one in bench.ledger.custody(1))


def test_a_part_is_noted_where_the_customer_was_asked_who_wants_to_be(bench: Bench) -> None:
    add_items(bench, bench.shop_files, [PART])
    give_word(bench, 1, "parts", Word.ASK)
    before = told(bench)
    with pytest.raises(HeldBack, match="asked each time before using parts up") as held:
        swapped(bench)
    assert "--customer-asked" in held.value.next_step
    with pytest.raises(HeldBack, match="asked each time before using parts up"):
        wait(bench, 1, WaitsFor.PART, "donor board TB-4471", although=WHY)
    assert told(bench) == before
    assert bench.shelf.item(1).state is StockState.FREE
    wait(bench, 1, WaitsFor.CUSTOMER, "their word on a part")
    assert not any("asked this time" in one.what for one in bench.ledger.custody(1))
    wait(bench, 1, WaitsFor.PART, "donor board TB-4471", asked=True)
    record_swap(bench, 1, 1, "1", agreed(Purpose.BOARD_SWAP), worked=True, asked=True)
    noted = [one.item for one in bench.ledger.custody(1) if "asked this time, and said yes" in one.what]
    assert noted == ["a part that is waited for; using parts up", "donor 1; using parts up"]
    swapped(bench)  # its outcome put right: it is used up already


def test_a_word_that_custody_tells_otherwise_is_not_rested_on(bench: Bench) -> None:
    add_items(bench, bench.shop_files, [PART])
    give_word(bench, 1, "parts", Word.NO)
    changed = '{"word": "yes", "by": "customer", "how": "in person"}'
    bench.notes.add(Note(1, "", NoteKind.CONSENT, "parts", bench.now(), bench.who, changed))
    with pytest.raises(CustodyBroken):
        swapped(bench)


def test_reserving_a_part_uses_none_up_and_is_cautioned(bench: Bench, shop: ShopFolder) -> None:
    add_items(bench, shop, [PART])
    before = cautions_before(bench, shop, 1, 1, Purpose.HEAD_TRANSPLANT)
    give_word(bench, 1, "parts", Word.NO)
    assert reserve(bench, 1, 1).state is StockState.RESERVED
    after = cautions_before(bench, shop, 1, 1, Purpose.HEAD_TRANSPLANT)
    assert after == ("The customer refused using parts up.", *before)


def test_no_part_is_waited_for(bench: Bench) -> None:
    give_word(bench, 1, "parts", Word.NO)
    before = told(bench)
    with pytest.raises(HeldBack, match="refused using parts up"):
        wait(bench, 1, WaitsFor.PART, "donor board TB-4471")
    assert told(bench) == before
    assert wait(bench, 1, WaitsFor.CUSTOMER, "their word on a part").state is CaseState.WAITING
    wait(bench, 1, WaitsFor.PART, "donor board TB-4471", although=WHY)
    last = bench.ledger.custody(1)[-1]
    assert last.what == "part waited for although the customer refused using parts up"
    assert last.item.endswith(WHY)


def test_triage_and_quotes_leave_out_what_needs_a_part(bench: Bench) -> None:
    answer(bench, 1, Asked("supply-measured", "1"), "amiss")

    def parts() -> tuple[set[str], set[str]]:
        offers = tell_triage(bench, 1).offers
        refused = {one.step.id for one in offers if one.refused == "parts"}
        return refused, {one.key.partition(":")[0] for one in make_quote(bench, 1, Wish())[0].lines}

    refused, quoted = parts()
    assert refused == set()
    assert quoted & {"mend-supply", "swap-board"}
    give_word(bench, 1, "parts", Word.NO)
    refused, quoted = parts()
    assert refused >= {"mend-supply", "swap-board"}
    assert not quoted & {"mend-supply", "swap-board", "new-fan"}
    with pytest.raises(UsageError, match="refused using parts up"):
        make_quote(bench, 1, SWAP)


def test_a_quote_with_parts_is_accepted_for_a_reason_alone(bench: Bench) -> None:
    make_quote(bench, 1, SWAP)
    give_word(bench, 1, "parts", Word.NO)
    before = told(bench)
    with pytest.raises(HeldBack, match="refused using parts up") as held:
        decide(bench, 1, 1, True, By.PHONE)
    assert held.value.next_step.startswith("mendbay case quote 1 makes one without it; ")
    assert told(bench) == before
    decide(bench, 1, 1, False, By.PHONE)
    decide(bench, 1, 1, True, By.PHONE, although_refused=WHY)
    assert [one.accepted for one in quotes_of(bench, 1)] == [True]
    last = bench.ledger.custody(1)[-1]
    assert "although they refused using parts up" in last.what
    assert last.item == f"quote 1; {WHY}"


def test_a_part_from_the_stock_in_a_quote_rests_on_that_word_too(bench: Bench) -> None:
    add_items(bench, bench.shop_files, [PART])
    swapped(bench)
    hour = Wish(lines=(("hour", "1"),), odds=False)
    quote, _ = make_quote(bench, 1, hour)
    assert quote.line("stock:1") is not None
    give_word(bench, 1, "parts", Word.NO)
    with pytest.raises(HeldBack, match="refused using parts up"):
        decide(bench, 1, 1, True, By.PHONE)
    quote, _ = make_quote(bench, 1, hour)
    assert quote.line("stock:1") is None
    assert quote.remarks[0] == (
        "Part 1 from the stock is used and not counted: the customer refused using parts up."
    )
    decide(bench, 1, 2, True, By.PHONE)
