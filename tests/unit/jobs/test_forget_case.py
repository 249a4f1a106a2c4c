"""A forgotten case: nothing that names a person is left, what was learned counts on."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from dataclasses import replace
from hashlib import sha256
from pathlib import Path
from shutil import rmtree

import pytest

from mendbay.board.stock import StockState
from mendbay.board.swap_odds import ATTRIBUTES, LEVELS, Agreement, Purpose
from mendbay.case.authority import Whose
from mendbay.case.items import Owner, What, Where
from mendbay.case.outcome import DataBack, End, said
from mendbay.case.records import Case, CaseState
from mendbay.core.clock import SystemClock
from mendbay.core.errors import CaseForgotten, DestinationError, UsageError
from mendbay.core.note import NoteKind
from mendbay.jobs.agenda import tell_agenda
from mendbay.jobs.authority import authority_of, set_authority, take_authority_back
from mendbay.jobs.bench import Bench
from mendbay.jobs.check_custody import check_custody
from mendbay.jobs.close_case import close_case, look_at_closing, reopen_case
from mendbay.jobs.corrections import lessons
from mendbay.jobs.forget_case import ForgetPlan, copies_among, plan_forgetting, words_in
from mendbay.jobs.keep_copies import EXPORT, HAND_BACK, HAND_BACK_BEGUN
from mendbay.jobs.keep_items import add_item, move_item
from mendbay.jobs.keep_stock import change_item, free, reserve
from mendbay.jobs.learn_triage import AT_CLOSING, closed_cases, table_numbers
from mendbay.jobs.lessons import tell_lessons
from mendbay.jobs.measure_board import tell_sheet
from mendbay.jobs.ports import HeldFile
from mendbay.jobs.presses_port import Led
from mendbay.jobs.record_swaps import outcomes, record_swap
from mendbay.jobs.remembered_port import key_of
from mendbay.jobs.take_in import take_in, tell_case
from mendbay.jobs.triage_case import tell_triage
from mendbay.jobs.work_port import WorkKind
from mendbay.outlets.case_files import CaseCabinet
from mendbay.outlets.work_shelf import WorkShelf
from mendbay.wiring import open_bench, presses
from support.full_case import CUSTOMER, SECRETS, SERIAL, copies_of, forget, full_home, held_below
from support.works import order_of

WHY = "asked by its owner"
UNKNOWN = Agreement(Purpose.BOARD_SWAP, tuple(min(LEVELS[one]) for one in ATTRIBUTES[Purpose.BOARD_SWAP]))


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return full_home(tmp_path / "home")


def planned(bench: Bench, number: int) -> ForgetPlan:
    return plan_forgetting(bench, copies_of(bench), number)


def named_in(home: Path) -> set[str]:
    held = held_below(home)
    return {one for one in SECRETS if one.encode() in held}


def test_nothing_that_names_anybody_is_left_anywhere(home: Path) -> None:
    assert named_in(home) == set(SECRETS), "the search finds what is there"
    with open_bench(home) as bench:
        head = bench.ledger.custody(2)[-1]
        bench.remembered.add({key_of(2, "a state"): SECRETS[0], key_of(1, "a state"): "of another"})
        done = forget(bench, 2, WHY)
        assert bench.remembered.recall() == {key_of(1, "a state"): "of another"}
        assert (done.entries, done.head) == (head.sequence, head.hash)
        assert named_in(home) == set()
        assert sorted(one.name for one in (home / "cases").iterdir()) == []
        bench.ledger.check()  # type: ignore[attr-defined]
    assert named_in(home) == set()


def test_works_of_the_case_go_and_those_of_others_stay(home: Path) -> None:
    shelf = WorkShelf(home, SystemClock())
    for number in (1, 2):
        order = order_of(shelf, WorkKind.HAND_BACK, {"folder": f"/out/{SECRETS[0]} {number}"}, number)
        shelf.begin(order)
        shelf.let_go(order.id)
    assert SECRETS[0].encode() in held_below(home / "works")
    with open_bench(home) as bench:
        forget(bench, 2, WHY)
    assert [one.case for one in shelf.orders()] == [1]
    assert f"{SECRETS[0]} 2".encode() not in held_below(home / "works")


def test_what_its_forms_led_to_goes_and_that_of_others_stays(home: Path) -> None:
    for number in (1, 2):
        with presses(home).hold(number, "a" * 64) as held:
            held.keep(Led(f"/case/{number}/things"))
    with open_bench(home) as bench:
        forget(bench, 2, WHY)
    assert [one.name for one in (home / "presses").iterdir()] == [f"0001-{'a' * 64}"]


def test_what_was_learned_counts_on(home: Path) -> None:
    with open_bench(home) as bench:
        before, taught = outcomes(bench), lessons(bench)
        forget(bench, 2, WHY)
        assert outcomes(bench) == before
        assert len(before) == 1
        assert [(one.correction.read_text, one.correction.right_text) for one in taught] == [
            ("AL2O-HX4", "AL20-HX4"),
            ("K-O113-77", SERIAL),
        ]
        left = lessons(bench)
        assert [(one.number, one.correction.right_text) for one in left] == [(taught[0].number, "AL20-HX4")]
        assert bench.notes.of(NoteKind.SIGN, 2, "1", "sound")[-1].body == '{"answer": "clicks"}'
        with pytest.raises(CaseForgotten):
            tell_triage(bench, 2)
        with pytest.raises(CaseForgotten):
            tell_sheet(bench, 2, "1")
        assert "0.3" in bench.notes.of(NoteKind.MEASUREMENT, 2)[-1].body
        assert bench.shelf.item(1).case == 2
        assert [one.body for one in bench.notes.of(NoteKind.FORGETTING)] == [f'{{"reason": "{WHY}"}}']


def test_parts_of_a_forgotten_case_can_still_be_put_right_and_freed(home: Path) -> None:
    with open_bench(home) as bench:
        reserve(bench, 2, 2)
        forget(bench, 2, WHY)
        assert free(bench, 2).state is StockState.FREE
        changed, _ = change_item(bench, bench.shop_files, 1, {}, {"cost_minor": 1300})
        assert (changed.cost_minor, changed.case) == (1300, 2)
        assert bench.ledger.events(2) == ()
        with pytest.raises(CaseForgotten):
            record_swap(bench, 2, 2, "1", UNKNOWN, worked=True)
        assert bench.shelf.item(2).state is StockState.FREE


def test_papers_on_authority_go_also_those_taken_back(home: Path, tmp_path: Path) -> None:
    paper = tmp_path / "scan.pdf"
    paper.write_bytes(b"%PDF-1.7\n" + CUSTOMER.encode())
    with open_bench(home) as bench:
        reopen_case(bench, 2, "a paper came late")
        set_authority(bench, 2, Whose.EMPLOYER, document=paper)
        gone = bench.images.folder(bench.ledger.case(2)) / authority_path(bench)
        left = gone.read_bytes()
        take_authority_back(bench, 2, "of another case")
        assert not gone.exists()
        gone.write_bytes(left)  # as an earlier take-back, or a copy put back by hand, leaves it
        set_authority(bench, 2, Whose.OWN, document=paper)
        close_case(bench, 2, HEADS)
        assert {one.path for one in planned(bench, 2).files if "authority" in one.path} == {
            "papers/authority/1.pdf",
            "papers/authority/2.pdf",
        }
        digest = sha256(left).hexdigest().encode()
        assert digest in held_below(home), "custody and the story tell it until then"
        forget(bench, 2, WHY)
        assert not list((home / "cases").iterdir())
        assert digest not in held_below(home)


def authority_path(bench: Bench) -> str:
    said_so = authority_of(bench, 2)
    assert said_so is not None
    return said_so.document


HEADS = said(["heads:1"], end=End.SENT_ON, data=DataBack.NONE)


def test_a_case_that_was_closed_properly_teaches_on_and_stops_nothing(home: Path) -> None:
    with open_bench(home) as bench:
        close_case(bench, 2, HEADS)
        taught, numbers = closed_cases(bench), table_numbers(bench)
        assert [one.answers for one in taught] == [(("sound", "1", "clicks"),)]
        forget(bench, 2, WHY)
        assert closed_cases(bench) == taught
        assert table_numbers(bench) == numbers
        tell_whole_shop(bench)
        close_case(bench, 1, HEADS)
        assert [one.number for one in closed_cases(bench)] == [1, 2]


def test_a_closing_that_was_reduced_to_less_teaches_nothing_and_stops_nothing(home: Path) -> None:
    """As forgetting once left it."""
    with open_bench(home) as bench:
        close_case(bench, 2, HEADS)
        note = bench.notes.of(NoteKind.SUBJECT, 2, "", AT_CLOSING)[-1]
        bench.notes.add(replace(note, body=json.dumps({"box": True, "bays": ["1", "2"]})))
        forget(bench, 2, WHY)
        assert closed_cases(bench) == ()
        tell_whole_shop(bench)


def tell_whole_shop(bench: Bench) -> None:
    """Every job that reads notes of all cases."""
    for case in (1, 3):
        tell_triage(bench, case)
    tell_agenda(bench)
    tell_lessons(bench, bench.shop_files)
    table_numbers(bench)
    outcomes(bench)
    lessons(bench)
    look_at_closing(bench, 1)


def test_other_cases_stay_as_they_are(home: Path) -> None:
    with open_bench(home) as bench:
        bench.files.keep(bench.ledger.case(1), "photos/bay-1/a.jpg", b"theirs")
        before = [(tell_case(bench, case), bench.notes.all_of(case)) for case in (1, 3)]
        forget(bench, 2, WHY)
        assert [(tell_case(bench, case), bench.notes.all_of(case)) for case in (1, 3)] == before
        assert (home / "cases/0001-harrow-mill/photos/bay-1/a.jpg").read_bytes() == b"theirs"


def test_the_plan_is_what_then_happens(home: Path) -> None:
    with open_bench(home) as bench:
        plan = planned(bench, 2)
        assert plan.refusals == ()
        assert plan.by_folder.keys() == {"erasures", "papers", "photos", "roms"}
        assert plan.by_folder["roms"][0] == 2
        assert plan.stock == (1,)
        forget(bench, 2, WHY)
        left = dict.fromkeys(NoteKind, 0)
        for note in bench.notes.all_of(2):
            left[note.kind] += 1
        assert left.pop(NoteKind.FORGETTING) == 1
        assert {kind: count for kind, count in left.items() if count} == {
            one.kind: one.staying for one in plan.notes if one.staying
        }


def test_afterwards_it_is_said_with_the_head(home: Path) -> None:
    with open_bench(home) as bench:
        head = bench.ledger.custody(2)[-1]
        forget(bench, 2, WHY)
        for ask in (tell_case, check_custody, planned):
            with pytest.raises(CaseForgotten) as caught:
                ask(bench, 2)
            assert f"{head.sequence}: {head.hash[:8]} " in caught.value.what
            assert CUSTOMER not in str(caught.value)


def test_an_open_case_is_not_forgotten(home: Path) -> None:
    with open_bench(home) as bench:
        for state in (CaseState.OPEN, CaseState.WAITING, CaseState.HANDED_BACK):
            bench.ledger.amend_case(2, state=state)
            with pytest.raises(UsageError, match=str(state)) as caught:
                forget(bench, 2, WHY)
            assert "case close 2" in caught.value.next_step
        assert named_in(home) == set(SECRETS)


@pytest.mark.parametrize(
    ("place", "step"),
    [
        ("bay-1.img", "case erase-plan 2"),
        ("copies/again.img", "by hand"),
        ("back/bagit.txt", "by hand"),
        ("back/handback.progress", "by hand"),
    ],
)
def test_while_copies_are_held_nothing_is_forgotten(home: Path, place: str, step: str) -> None:
    path = home / "cases/0002-quillmere-pottery" / place
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(b"bytes of the customer")
    with open_bench(home) as bench:
        with pytest.raises(UsageError) as caught:
            forget(bench, 2, WHY)
        assert step in caught.value.next_step
        if step == "by hand":
            assert str(path.parent) in caught.value.what
        assert path.exists()
        assert bench.ledger.forgotten(2) is None
        path.unlink()
        forget(bench, 2, WHY)


@pytest.mark.parametrize(
    ("kind", "step"), [(HAND_BACK, "case erase-plan 2"), (HAND_BACK_BEGUN, "by hand"), (EXPORT, "")]
)
@pytest.mark.parametrize("inside", [False, True])
def test_a_copy_beside_the_cases_is_met(home: Path, kind: str, step: str, inside: bool) -> None:
    back = home / "cases/0002-quillmere-pottery/back" if inside else home / "back"
    (back / "data").mkdir(parents=True)
    (back / "data/kiln log.xlsx").write_bytes(b"bytes of the customer")
    (back / "bagit.txt").write_bytes(b"a bag")
    with open_bench(home) as bench:
        bench.note(2, kind, "Made.", {"folder": str(back)})
        plan = planned(bench, 2)
        if kind == EXPORT:
            assert str(back) in plan.elsewhere
            assert bool(plan.refusals) is inside
            return
        ((what, told),) = plan.refusals
        assert str(back) in what
        assert step in told
        with pytest.raises(UsageError):
            forget(bench, 2, WHY)
        rmtree(back)
        assert planned(bench, 2).refusals == ()


@pytest.mark.parametrize("where", [Where.HERE, Where.SENT])
def test_while_a_thing_of_the_customer_is_not_with_them_nothing_is_forgotten(
    home: Path, where: Where
) -> None:
    with open_bench(home) as bench:
        move_item(bench, 2, "3", where, "shelf B2", mistake="it was never fetched")
        ((what, step),) = planned(bench, 2).refusals
        assert "0002-03" in what
        assert "case release 2" in step
        with pytest.raises(UsageError):
            forget(bench, 2, WHY)
        add_item(bench, 2, What.CABLE, owner=Owner.SHOP)
        move_item(bench, 2, "3", Where.CUSTOMER, mistake="it was fetched")
        forget(bench, 2, WHY)


class Meddling(CaseCabinet):
    """Case folders into which another process reaches while they are cleared."""

    def __init__(self, root: Path, meddle: Callable[[], object]) -> None:
        super().__init__(root)
        self._meddle = meddle

    def clear(self, case: Case) -> None:
        super().clear(case)
        meddle, self._meddle = self._meddle, lambda: None
        meddle()


def test_a_case_that_is_opened_again_meanwhile_is_not_forgotten(home: Path) -> None:
    def reopen() -> None:
        with open_bench(home) as other:
            reopen_case(other, 2, "it came back")

    with open_bench(home) as bench:
        with pytest.raises(UsageError, match="is open"):
            forget(replace(bench, files=Meddling(home / "cases", reopen)), 2, WHY)
        assert bench.ledger.forgotten(2) is None
        assert bench.ledger.case(2).customer == CUSTOMER


def test_what_comes_into_the_folder_meanwhile_goes_too(home: Path) -> None:
    late = home / "cases/0002-quillmere-pottery/papers/late.pdf"

    def keep() -> None:
        late.parent.mkdir(parents=True, exist_ok=True)
        late.write_bytes(CUSTOMER.encode())

    with open_bench(home) as bench:
        forget(replace(bench, files=Meddling(home / "cases", keep)), 2, WHY)
        assert named_in(home) == set()
        keep()
        forget(bench, 2, "")
    assert named_in(home) == set()


def test_a_copy_that_came_meanwhile_is_left_and_told(home: Path) -> None:
    image = home / "cases/0002-quillmere-pottery/bay-1.img"
    with open_bench(home) as bench:
        done = forget(bench, 2, WHY)
        image.parent.mkdir()
        image.write_bytes(b"bytes of the customer")
        with pytest.raises(DestinationError, match=r"is forgotten, but 'bay-1\.img'"):
            forget(bench, 2, WHY)
        assert image.exists()
        image.unlink()
        assert forget(bench, 2, WHY) == done
    assert not image.parent.exists()


def test_everything_in_a_hand_back_is_a_copy() -> None:
    held = [
        HeldFile(path, 1, True)
        for path in ("a/bagit.txt", "a/data/x", "ab/x", "b/c/handback.progress", "b/x")
    ]
    assert [one.path for one in copies_among(held)] == ["a/bagit.txt", "a/data/x", "b/c/handback.progress"]
    left = HeldFile("erased-0123456789abcdef", 1, True)  # of an image, when its erasure was ended early
    assert copies_among([left, HeldFile("erased-notes.txt", 1, True)]) == (left,)
    assert len(copies_among([HeldFile("bagit.txt", 1, True), HeldFile("x/y", 1, True)])) == 2


@pytest.mark.parametrize(
    "reason",
    [
        "",
        "  ",
        f"{CUSTOMER} asked",
        "the POTTERY asked",
        f"drive {SERIAL} is gone",
        "write to quill@mere.example",
        "mere.example is no more",
    ],
)
def test_a_reason_that_is_none_or_names_somebody_is_refused(home: Path, reason: str) -> None:
    with open_bench(home) as bench:
        with pytest.raises(UsageError):
            forget(bench, 2, reason)
        assert bench.ledger.forgotten(2) is None
    assert (home / "cases/0002-quillmere-pottery").is_dir()


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("Anna wrote", True),
        ("ANNA, by letter", True),
        ("said by 555-0101", True),
        ("said by 5550101", True),
        ("said by 0044 555 0101", True),
        ("said by anna@kiln.example", True),
        ("at Mill Lane no more", True),
        ("keeping time over after 10 years", False),
        ("annals are kept elsewhere", False),
        ("asked on 2026-11-28", False),
    ],
)
def test_words_and_numbers_of_name_and_contact_are_found(text: str, named: bool) -> None:
    assert bool(words_in(text, "Kiln", "Anna Quill, 555-0101, 7 Mill Lane; anna@kiln.example")) is named


def test_links_go_and_what_they_lead_to_stays(home: Path, tmp_path: Path) -> None:
    folder = home / "cases/0002-quillmere-pottery"
    outside = tmp_path / "outside"
    (outside / "deep").mkdir(parents=True)
    (outside / "deep/kept.txt").write_text("not of the case")
    (folder / "away").symlink_to(outside)
    (folder / "photos/file").symlink_to(outside / "deep/kept.txt")
    os.mkfifo(folder / "pipe")
    (folder / os.fsdecode(b"\xff\xfe")).write_text("odd")
    with open_bench(home) as bench:
        forget(bench, 2, WHY)
    assert not folder.exists()
    assert (outside / "deep/kept.txt").read_text() == "not of the case"


def test_a_folder_that_is_a_link_itself_is_left_and_told(home: Path, tmp_path: Path) -> None:
    folder = home / "cases/0002-quillmere-pottery"
    folder.rename(tmp_path / "elsewhere")
    folder.symlink_to(tmp_path / "elsewhere")
    with open_bench(home) as bench:
        with pytest.raises(DestinationError, match="cannot be removed"):
            forget(bench, 2, WHY)
        assert bench.ledger.forgotten(2) is None
    assert (tmp_path / "elsewhere/papers/receipt.pdf").exists()


def test_a_case_without_anything_can_be_forgotten_and_again(home: Path) -> None:
    with open_bench(home) as bench:
        number = take_in(bench, "Nobody Else").number
        bench.ledger.amend_case(number, state=CaseState.CLOSED)
        done = forget(bench, number, WHY)
        assert forget(bench, number, "") == done


def test_a_case_opened_afterwards_is_a_new_one(home: Path) -> None:
    with open_bench(home) as bench:
        forget(bench, 2, WHY)
        assert take_in(bench, CUSTOMER).number == 4


def test_only_the_bench_of_its_own_folder_is_asked(bench: Bench) -> None:
    """A case whose folder never came to be."""
    for item in ("1", "2"):
        move_item(bench, 1, item, Where.CUSTOMER, mistake="it never came")
    bench.ledger.amend_case(1, state=CaseState.CLOSED)
    assert planned(bench, 1).files == ()
    assert forget(bench, 1, WHY).entries == 5
