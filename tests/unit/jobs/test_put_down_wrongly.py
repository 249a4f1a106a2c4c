"""Things entered and hand-overs put down by mistake: taken back with a reason, and told."""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path

import pytest

from mendbay.case.hand_over import Role
from mendbay.case.items import Owner, What, Where
from mendbay.core.errors import DestinationError, NoSuchItem, UsageError
from mendbay.jobs.bench import Bench
from mendbay.jobs.check_custody import check_custody
from mendbay.jobs.hand_over_items import hand_over_paper, hand_overs_of, keep_signed, receive, release
from mendbay.jobs.keep_items import add_item, item_named, items_of, items_to_label, move_item
from mendbay.jobs.put_down_wrongly import call_off, withdraw_item
from mendbay.jobs.write_receipt import write_receipt


@pytest.fixture
def adapter(bench: Bench) -> str:
    return add_item(bench, 1, What.ADAPTER, marks="12 V 3 A", place="shelf B4").code


def custody(bench: Bench) -> list[str]:
    check, entries = check_custody(bench, 1)
    assert check.holds
    return [f"{one.what} ({one.item})" for one in entries]


def test_an_item_entered_twice_is_taken_back(bench: Bench, adapter: str) -> None:
    twice = add_item(bench, 1, What.ADAPTER, marks="12 V 3 A")
    withdraw_item(bench, 1, twice.code, " entered twice ")
    for found in (items_of(bench, 1), items_to_label(bench, 1, ()), write_receipt(bench, 1).items):
        codes = [one.code for one in found]
        assert adapter in codes
        assert twice.code not in codes
    assert f"taken back, added by mistake: entered twice ({twice.traceable})" in custody(bench)
    with pytest.raises(NoSuchItem):
        withdraw_item(bench, 1, twice.code, "once more")
    assert add_item(bench, 1, What.CABLE).number == twice.number + 1, "its label may be printed"


def test_an_item_that_was_there_is_not_taken_back(bench: Bench, adapter: str, tmp_path: Path) -> None:
    before = custody(bench)
    for reason in ("", f"of {bench.ledger.case(1).customer}"):
        with pytest.raises(UsageError):
            withdraw_item(bench, 1, adapter, reason)
    with pytest.raises(UsageError, match="is the drive of bay 1") as caught:
        withdraw_item(bench, 1, "1", "no such drive")
    assert "--amend" in caught.value.next_step
    assert custody(bench) == before
    release(bench, 1, [adapter], Role.CUSTOMER)
    with pytest.raises(UsageError, match="stands in hand-over 1") as caught:
        withdraw_item(bench, 1, adapter, "entered twice")
    assert "case call-off 1 1 --reason REASON" in caught.value.next_step
    call_off(bench, 1, 1, "nobody came")
    withdraw_item(bench, 1, adapter, "entered twice")
    assert adapter not in [one.code for one in items_of(bench, 1)]


def test_a_hand_over_that_never_was_is_called_off(bench: Bench, adapter: str) -> None:
    cable = add_item(bench, 1, What.CABLE, owner=Owner.LENT).code
    move_item(bench, 1, cable, Where.HERE, "drawer 2")
    release(bench, 1, [adapter, cable], Role.LAB)
    over = call_off(bench, 1, 1, "the courier did not come")
    assert [item_named(bench, 1, one).whereabouts for one in (adapter, cable)] == [
        "here, shelf B4",
        "here, drawer 2",
    ]
    assert hand_overs_of(bench, 1) == (over,)
    assert over.called_off == "the courier did not come"
    told = custody(bench)[-1]
    assert told.startswith("hand-over 1 called off: the courier did not come (")
    assert "sent to the laboratory -> here, shelf B4" in told
    with pytest.raises(UsageError, match="called off already"):
        call_off(bench, 1, 1, "again")
    with pytest.raises(UsageError, match="was called off"):
        hand_over_paper(bench, 1, 1)
    assert release(bench, 1, [adapter], Role.CUSTOMER).done.number == 2


def test_the_paper_of_a_hand_over_that_was_called_off_goes(bench: Bench, adapter: str) -> None:
    first = release(bench, 1, [adapter], Role.LAB)
    receive(bench, 1, [adapter], Role.LAB)
    made = release(bench, 1, [adapter], Role.COURIER, person="a name")
    folder = bench.images.folder(bench.ledger.case(1))
    other = bench.files.keep(bench.ledger.case(1), made.path, b"%PDF of another wording")
    link = folder / "papers" / "hand-over-3-3.pdf"
    link.symlink_to(folder / first.path)
    call_off(bench, 1, 3, "nobody came")
    link.unlink()
    left = {one.path for one in bench.files.held(bench.ledger.case(1))}
    assert left == {first.path, "papers/hand-over-2.pdf"}
    for data in (made.pdf, b"%PDF of another wording"):
        assert sha256(data).hexdigest() in custody(bench)[-1]
    assert other.path == "papers/hand-over-3-2.pdf"


def test_where_the_paper_cannot_go_nothing_is_called_off(
    bench: Bench, adapter: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = release(bench, 1, [adapter], Role.CUSTOMER)
    before = custody(bench), items_of(bench, 1), hand_overs_of(bench, 1)

    def fail(self: object, case: object, kept: object) -> None:
        raise DestinationError("It cannot be removed.", "Check its rights.")

    with monkeypatch.context() as patch:
        patch.setattr(type(bench.files), "remove", fail)
        with pytest.raises(DestinationError):
            call_off(bench, 1, 1, "nobody came")
    assert (custody(bench), items_of(bench, 1), hand_overs_of(bench, 1)) == before
    assert (bench.images.folder(bench.ledger.case(1)) / made.path).exists()


def test_a_thing_put_right_by_hand_does_not_keep_a_hand_over_from_being_called_off(
    bench: Bench, adapter: str
) -> None:
    cable = add_item(bench, 1, What.CABLE, owner=Owner.LENT).code
    release(bench, 1, [adapter, cable], Role.CUSTOMER)
    move_item(bench, 1, adapter, Where.HERE, mistake="it lies here")
    with pytest.raises(UsageError, match="and is here; before it was here, shelf B4") as caught:
        call_off(bench, 1, 1, "nobody came")
    advice = f"case item-move 1 {adapter} here --place 'shelf B4' --mistake REASON"
    assert advice in caught.value.next_step
    move_item(bench, 1, adapter, Where.HERE, "shelf B4", mistake="it lies here")
    call_off(bench, 1, 1, "nobody came")
    assert [item_named(bench, 1, one).whereabouts for one in (adapter, cable)] == ["here, shelf B4", "here"]
    told = custody(bench)[-1]
    assert "12 V 3 A: here, shelf B4, put right already" in told
    assert f"{cable} (cable): with the customer -> here" in told


def test_what_was_received_by_mistake_can_be_received_again(bench: Bench, adapter: str) -> None:
    receive(bench, 1, [adapter], Role.CUSTOMER, place="shelf C1")
    call_off(bench, 1, 1, "wrong thing")
    assert item_named(bench, 1, adapter).place == "shelf B4"
    assert receive(bench, 1, [adapter], Role.CUSTOMER).done.number == 2


def test_a_hand_over_that_took_place_stays(bench: Bench, adapter: str, tmp_path: Path) -> None:
    release(bench, 1, [adapter], Role.CUSTOMER)
    receive(bench, 1, [adapter], Role.CUSTOMER)
    with pytest.raises(UsageError, match="went on in hand-over 2"):
        call_off(bench, 1, 1, "never was")
    move_item(bench, 1, adapter, Where.HERE, "shelf D")
    with pytest.raises(UsageError, match="was moved since hand-over 2"):
        call_off(bench, 1, 2, "never was")
    for reason in ("", f"of {bench.ledger.case(1).customer}"):
        with pytest.raises(UsageError):
            call_off(bench, 1, 2, reason)
    scan = tmp_path / "scan.pdf"
    scan.write_bytes(b"%PDF-1.7")
    keep_signed(bench, 1, 2, scan)
    with pytest.raises(UsageError, match="is signed, so it took place"):
        call_off(bench, 1, 2, "never was")
    call = custody(bench)
    with pytest.raises(NoSuchItem):
        call_off(bench, 1, 9, "never was")
    assert custody(bench) == call


def test_nothing_is_signed_of_one_called_off(bench: Bench, adapter: str, tmp_path: Path) -> None:
    release(bench, 1, [adapter], Role.CUSTOMER)
    call_off(bench, 1, 1, "nobody came")
    scan = tmp_path / "scan.pdf"
    scan.write_bytes(b"%PDF-1.7")
    before = bench.files.held(bench.ledger.case(1))
    with pytest.raises(UsageError, match="was called off"):
        keep_signed(bench, 1, 1, scan)
    assert bench.files.held(bench.ledger.case(1)) == before
