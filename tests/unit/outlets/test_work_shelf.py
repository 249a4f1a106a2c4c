"""Works as folders: what is placed, what is asked, what is damaged, and who holds what."""

from __future__ import annotations

import json
import os
import resource
import threading
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.core.clock import SystemClock
from mendbay.core.errors import DestinationError, ImageBusy, LedgerError, UsageError
from mendbay.jobs.work_port import (
    JSON,
    Ask,
    Outcome,
    Question,
    Standing,
    Trouble,
    WorkKind,
    WorkOrder,
    WorkRequest,
    WorkState,
)
from mendbay.outlets.work_desk import FolderDesk, open_desk
from mendbay.outlets.work_folder import WorkFolder, is_name
from mendbay.outlets.work_json import NotOurs, order_from, state_from, state_json
from mendbay.outlets.work_shelf import WorkShelf
from support.works import order_of

FULL = WorkState(
    standing=Standing.ENDED,
    started_at="2026-11-29T01:00:00Z",
    updated_at="2026-11-29T01:00:09Z",
    ended_at="2026-11-29T01:00:09Z",
    progress={"1": {"phase": "reading", "now": [0, 512], "seconds_left": None}},
    step={"step": "copying", "done": 1, "total": 2, "now": "a", "in_bytes": False},
    said=("One.", "Two \udce4."),
    said_at=("2026-11-29T01:00:01Z", "2026-11-29T01:00:02Z"),
    said_count=70,
    advice={"1": {"go_on": False, "text": "Stop."}},
    question=Question(3, "power-cycle", "1", "Cut it."),
    outcome=Outcome.FAILED,
    trouble=Trouble("DriveVanished", "Gone.", "Cut its power.", 14),
    result={"bay": "1", "lists": [1, 2.5, None, True]},
    result_words=("It is gone.",),
)


@pytest.fixture
def shelf(tmp_path: Path) -> Iterator[WorkShelf]:
    made = WorkShelf(tmp_path / "home", SystemClock())
    yield made
    for one in made.orders():
        made.let_go(one.id)


def reading(shelf: WorkShelf, bay: str = "1", case: int = 1) -> WorkOrder:
    return order_of(shelf, WorkKind.READ_DRIVE, {"bay": bay, "source": "/dev/none"}, case)


def begun(shelf: WorkShelf, bay: str = "1", case: int = 1) -> WorkOrder:
    order = reading(shelf, bay, case)
    shelf.begin(order)
    return order


def folder_of(tmp_path: Path, order: WorkOrder) -> Path:
    return tmp_path / "home" / "works" / order.id


# ---------------------------------------------------------------------- orders and names


def test_an_order_is_kept_for_the_owner_alone_and_comes_back(shelf: WorkShelf, tmp_path: Path) -> None:
    order = begun(shelf)
    other = WorkShelf(tmp_path / "home", SystemClock())
    assert other.order(order.id) == order
    assert other.orders() == other.orders(1) == (order,)
    assert other.orders(2) == ()
    assert other.newest(1) == order
    assert other.newest(2) is None
    for path in (folder_of(tmp_path, order), folder_of(tmp_path, order).parent):
        assert path.stat().st_mode & 0o777 == 0o700
    assert (folder_of(tmp_path, order) / "order.json").stat().st_mode & 0o077 == 0


def test_the_newest_come_first(shelf: WorkShelf) -> None:
    orders = [begun(shelf, bay) for bay in "12345"]
    assert shelf.orders() == tuple(reversed(orders))


@pytest.mark.parametrize("there", ["20991231T235959.999Z-" + "0" * 12, "99991399T999999.999Z-" + "0" * 12])
def test_one_that_is_ordered_after_the_clock_was_set_back_is_the_newest(tmp_path: Path, there: str) -> None:
    (tmp_path / "works" / there).mkdir(parents=True)
    name = WorkShelf(tmp_path, SystemClock()).new_id()
    assert is_name(name)
    assert name > there or there.startswith("9999")


def test_a_new_name_is_one(shelf: WorkShelf) -> None:
    assert is_name(shelf.new_id())
    assert shelf.new_id() != shelf.new_id()


@pytest.mark.parametrize(
    "name",
    [
        "",
        ".",
        "..",
        "../cases",
        "/etc",
        "20261129T015356.248Z-bad84f5a10dc/..",
        "20261129T015356.248Z-bad84f5a10dc\n",
        "../20261129T015356.248Z-bad84f5a10dc",
        "20261129T015356.248Z-BAD84F5A10DC",
        "２0261129T015356.248Z-bad84f5a10dc",
        "20261129T015356.248Z-bad84f5a10dc\0",
    ],
)
def test_a_name_that_leads_elsewhere_is_refused(shelf: WorkShelf, tmp_path: Path, name: str) -> None:
    begun(shelf)
    for look in (shelf.order, shelf.state, shelf.told, shelf.is_alive):
        with pytest.raises(UsageError):
            look(name)
    with pytest.raises(UsageError):
        shelf.ask(name, WorkRequest(Ask.STOP))
    with pytest.raises(UsageError):
        shelf.begin(WorkOrder(name, WorkKind.CATALOGUE, 1, "Ina", ""))
    with pytest.raises(UsageError), open_desk(tmp_path / "home", name, None):
        pass


@given(st.text(max_size=60))
def test_no_name_with_a_separator_is_one(name: str) -> None:
    assert not (is_name(name) and set(name) & set("/\\\0\n"))


def test_a_link_in_the_place_of_a_work_is_not_followed(shelf: WorkShelf, tmp_path: Path) -> None:
    order = begun(shelf)
    name = shelf.new_id()
    (tmp_path / "home" / "works" / name).symlink_to(folder_of(tmp_path, order))
    with pytest.raises(UsageError):
        shelf.state(name)
    assert shelf.orders() == (order,)


def test_what_is_no_option_is_refused_before_anything_is_placed(shelf: WorkShelf) -> None:
    wrong: list[dict[str, JSON]] = [
        {},
        {"bay": "1"},
        {"bay": "1", "source": ""},
        {"bay": 1, "source": "x"},
        {"bay": "1", "source": "x", "colour": "red"},
        {"bay": "1", "source": "x", "minutes": -1},
        {"bay": "1", "source": "x", "minutes": "5"},
        {"bay": "1", "source": "x", "minutes": True},
        {"bay": "1", "source": "x", "tries": 2.5},
        {"bay": "1", "source": "x", "sector": 513},
        {"bay": "1", "source": "x", "condition": "tired"},
        {"bay": "1", "source": "x", "ask_nothing": "yes"},
        {"bay": "1", "source": "x\n"},
        {"bay": "1", "source": "x", "worth": "much"},
        {"bay": "1", "source": "x", "bench_hour": "60 EUR"},
    ]
    for options in wrong:
        with pytest.raises(UsageError):
            shelf.begin(order_of(shelf, WorkKind.READ_DRIVE, options))
    assert shelf.orders() == ()


def test_a_folder_or_a_picture_is_named_from_the_root_on(shelf: WorkShelf) -> None:
    for kind, options in (
        (WorkKind.HAND_BACK, {"folder": "out"}),
        (WorkKind.READ_PICTURES, {"bay": "1", "places": ["a.jpg"]}),
        (WorkKind.READ_PICTURES, {"bay": "1", "places": ["/a.jpg"], "names": ["a", "b"]}),
        (WorkKind.BLEND_IMAGES, {"bay": "1", "images": ["a.img"]}),
        (WorkKind.BLEND_IMAGES, {"bay": "1", "images": []}),
        (WorkKind.HAND_BACK, {"folder": "/out", "keep_until": "soon"}),
    ):
        with pytest.raises(UsageError):
            shelf.begin(order_of(shelf, kind, options))


# ---------------------------------------------------------------------- who holds what


def test_a_work_lives_from_its_first_moment_until_nobody_holds_it(shelf: WorkShelf, tmp_path: Path) -> None:
    order = begun(shelf)
    other = WorkShelf(tmp_path / "home", SystemClock())
    assert shelf.is_alive(order.id)
    assert other.is_alive(order.id)
    assert other.state(order.id).standing is Standing.BEGUN
    before = other.revision()
    shelf.let_go(order.id)
    assert not other.is_alive(order.id)
    assert other.revision() != before
    lost = other.state(order.id)
    assert lost.outcome is Outcome.LOST
    assert lost.trouble is not None
    assert "full disk" in lost.trouble.what, "a work whose end could not be written looks the same"


def test_it_lives_on_with_the_one_it_was_handed_over_to(shelf: WorkShelf, tmp_path: Path) -> None:
    order = begun(shelf)
    lock = os.dup(shelf.hand_over(order.id))
    shelf.let_go(order.id)
    with open_desk(tmp_path / "home", order.id, lock) as desk:
        assert desk.order == order
        assert shelf.is_alive(order.id)
    assert not shelf.is_alive(order.id)


def test_a_desk_takes_no_descriptor_for_its_lock_that_is_another(shelf: WorkShelf, tmp_path: Path) -> None:
    order, other = begun(shelf), begun(shelf, "2")
    with pytest.raises(ImageBusy), open_desk(tmp_path / "home", order.id, shelf.hand_over(other.id)):
        pass


def test_the_bay_of_a_living_work_is_refused(shelf: WorkShelf, tmp_path: Path) -> None:
    begun(shelf)
    others: list[tuple[WorkKind, dict[str, JSON]]] = [
        (WorkKind.READ_DRIVE, {"bay": "1", "source": "x"}),
        (WorkKind.COMPARE_DRIVE, {"bay": "1", "source": "x"}),
        (WorkKind.ASK_DRIVE, {"bay": "1", "source": "x"}),
        (WorkKind.VERIFY_IMAGE, {"bay": "1"}),
        (WorkKind.BLEND_IMAGES, {"bay": "1", "images": ["/a.img"]}),
        (WorkKind.READ_PAIR, {"sources": {"2": "x", "1": "y"}}),
    ]
    for kind, options in others:
        with pytest.raises(ImageBusy, match="Bay 1 of case 1"):
            WorkShelf(tmp_path / "home", SystemClock()).begin(order_of(shelf, kind, options))


def test_the_clip_of_a_living_work_is_refused_whatever_the_case(shelf: WorkShelf, tmp_path: Path) -> None:
    def chip(case: int, programmer: str) -> WorkOrder:
        options = {"bay": "1", "role": "patient", "programmer": programmer}
        return order_of(shelf, WorkKind.READ_CHIP, options, case)

    first = chip(1, "ftdi://a/1")
    shelf.begin(first)
    other = WorkShelf(tmp_path / "home", SystemClock())
    with pytest.raises(ImageBusy, match="This clip is in use, for case 1,"):
        other.begin(chip(2, "ftdi://a/1"))
    shelf.begin(chip(2, "ftdi://b/1"))
    shelf.let_go(first.id)
    shelf.begin(chip(3, "ftdi://a/1"))


def test_other_bays_cases_and_what_only_looks_are_not(shelf: WorkShelf) -> None:
    begun(shelf)
    begun(shelf, "2")
    begun(shelf, "1", case=2)
    shelf.begin(order_of(shelf, WorkKind.HAND_BACK, {"folder": "/out"}))
    shelf.begin(order_of(shelf, WorkKind.CATALOGUE, {}))
    assert len(shelf.orders()) == 5


def test_the_very_same_is_not_done_twice_at_once(shelf: WorkShelf) -> None:
    order = order_of(shelf, WorkKind.HAND_BACK, {"folder": "/out"})
    shelf.begin(order)
    with pytest.raises(ImageBusy, match="same"):
        shelf.begin(order_of(shelf, WorkKind.HAND_BACK, {"folder": "/out"}))
    shelf.begin(order_of(shelf, WorkKind.HAND_BACK, {"folder": "/other"}))
    shelf.begin(order_of(shelf, WorkKind.HAND_BACK, {"folder": "/out"}, case=2))
    shelf.let_go(order.id)
    shelf.begin(order_of(shelf, WorkKind.HAND_BACK, {"folder": "/out"}))


def test_a_work_that_ended_holds_its_bay_no_more_though_its_process_still_goes(
    shelf: WorkShelf, desk: FolderDesk
) -> None:
    desk.write(FULL)
    assert shelf.is_alive(desk.order.id)
    begun(shelf)


def test_a_living_work_is_none_that_ended_while_no_file_can_be_opened(
    shelf: WorkShelf, tmp_path: Path
) -> None:
    order = begun(shelf)
    other = WorkShelf(tmp_path / "home", SystemClock())
    limits = resource.getrlimit(resource.RLIMIT_NOFILE)
    held: list[int] = []
    resource.setrlimit(resource.RLIMIT_NOFILE, (len(os.listdir("/proc/self/fd")) + 40, limits[1]))
    try:
        with suppress(OSError):
            while True:
                held.append(os.open("/dev/null", os.O_RDONLY))
        assert other.is_alive(order.id)
        os.close(held.pop())  # the folder can be opened, its lock cannot
        assert other.is_alive(order.id)
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, limits)
        for one in held:
            os.close(one)
    assert other.state(order.id).standing is Standing.BEGUN
    with pytest.raises(ImageBusy):
        other.begin(reading(other))


def test_the_bay_of_a_lost_work_is_free(shelf: WorkShelf) -> None:
    shelf.let_go(begun(shelf).id)
    begun(shelf)


def test_of_many_who_begin_at_once_one_gets_the_bay(tmp_path: Path) -> None:
    shelves = [WorkShelf(tmp_path / "home", SystemClock()) for _ in range(8)]
    ready, placed, refused = threading.Barrier(8), list[str](), list[ImageBusy]()

    def begin(one: WorkShelf) -> None:
        order = reading(one)
        ready.wait()
        try:
            one.begin(order)
            placed.append(order.id)
        except ImageBusy as trouble:
            refused.append(trouble)

    threads = [threading.Thread(target=begin, args=(one,)) for one in shelves]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert (len(placed), len(refused)) == (1, 7)
    for one in shelves:
        one.let_go(placed[0])


HOLD: list[tuple[WorkKind, dict[str, JSON]]] = [
    (WorkKind.READ_DRIVE, {"bay": "2", "source": "x"}),
    (WorkKind.READ_PAIR, {"sources": {"1": "x", "2": "y"}}),
    (WorkKind.READ_CHIP, {"bay": "2", "role": "patient", "programmer": "ftdi://a/1"}),
]


def hurt(order: bytes, how: str) -> bytes:
    """An order that cannot be read any more, or whose options are none."""
    facts = json.loads(order)
    facts["options"] = {"bay": "1"} if how == "options" else facts["options"]
    return json.dumps(facts).encode() if how == "options" else order[:-2]


@pytest.mark.parametrize("how", ["cut", "options"])
def test_a_living_work_whose_order_cannot_be_read_may_use_any_drive(
    shelf: WorkShelf, desk: FolderDesk, tmp_path: Path, how: str
) -> None:
    place = folder_of(tmp_path, desk.order) / "order.json"
    place.write_bytes(hurt(place.read_bytes(), how))
    other = WorkShelf(tmp_path / "home", SystemClock())
    for kind, options in HOLD:
        for case in (1, 2):
            with pytest.raises(ImageBusy, match=f"{desk.order.id} is under way.*cannot be read") as told:
                other.begin(order_of(other, kind, options, case))
            assert "Wait until it has ended" in told.value.next_step
    only_looks = order_of(other, WorkKind.CATALOGUE, {})
    other.begin(only_looks)
    other.let_go(only_looks.id)
    desk.write(FULL)  # it says that it ended, though its process still goes
    read = order_of(other, *HOLD[0])
    other.begin(read)
    other.let_go(read.id)


def test_a_lost_work_whose_order_cannot_be_read_holds_nothing(shelf: WorkShelf, tmp_path: Path) -> None:
    order = begun(shelf)
    (folder_of(tmp_path, order) / "order.json").write_bytes(b"?")
    shelf.let_go(order.id)
    other = WorkShelf(tmp_path / "home", SystemClock())
    fresh = reading(other)
    other.begin(fresh)
    other.let_go(fresh.id)


def test_no_case_is_forgotten_beside_a_living_work_that_may_be_of_it(
    shelf: WorkShelf, tmp_path: Path
) -> None:
    order = begun(shelf)
    (folder_of(tmp_path, order) / "order.json").write_bytes(b"?")
    other = WorkShelf(tmp_path / "home", SystemClock())
    with pytest.raises(DestinationError, match=f"{order.id}.* may be of case 2"):
        other.forget(2)
    shelf.let_go(order.id)
    assert other.forget(2) == 1


def test_a_work_is_not_begun_twice(shelf: WorkShelf, tmp_path: Path) -> None:
    order = begun(shelf)
    with pytest.raises(UsageError):
        shelf.begin(order)
    lock = os.dup(shelf.hand_over(order.id))
    with open_desk(tmp_path / "home", order.id, lock) as desk:
        desk.write(WorkState(standing=Standing.RUNS))
    shelf.let_go(order.id)
    with pytest.raises(UsageError, match="begun before"), open_desk(tmp_path / "home", order.id, None):
        pass


# ---------------------------------------------------------------------- states


@pytest.fixture
def desk(shelf: WorkShelf, tmp_path: Path) -> Iterator[FolderDesk]:
    """The desk of a work on bay 1."""
    order = begun(shelf)
    lock = os.dup(shelf.hand_over(order.id))
    with open_desk(tmp_path / "home", order.id, lock) as opened:
        yield opened


def test_a_state_comes_back_word_for_word(shelf: WorkShelf, desk: FolderDesk) -> None:
    for state in (FULL, WorkState(standing=Standing.RUNS), WorkState(standing=Standing.RESTS)):
        assert desk.write(state)
        assert shelf.state(desk.order.id) == state


def test_every_state_written_is_another_revision(shelf: WorkShelf, desk: FolderDesk) -> None:
    seen = {shelf.revision()}
    for _ in range(20):
        desk.write(WorkState(standing=Standing.RUNS))
        assert shelf.revision() == shelf.revision()
        assert shelf.revision() not in seen
        seen = {shelf.revision()}


def test_nobody_ever_reads_half_a_state(shelf: WorkShelf, desk: FolderDesk) -> None:
    over = threading.Event()

    def write() -> None:
        for number in range(300):
            words = tuple(str(number) for _ in range(number))
            desk.write(WorkState(standing=Standing.RUNS, said=words, said_count=number))
        over.set()

    desk.write(WorkState(standing=Standing.RUNS))
    writer = threading.Thread(target=write)
    writer.start()
    while not over.is_set():
        state = shelf.state(desk.order.id)
        assert not state.damage
        assert len(state.said) == state.said_count
    writer.join()


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"{",
        b"[]",
        b"null",
        b'"text"',
        b"{}",
        b"\xff\xfe",
        b"[" * 200_000,
        json.dumps({**state_json(FULL), "standing": "dances"}).encode(),
        json.dumps({**state_json(FULL), "outcome": None}).encode(),
        json.dumps({**state_json(FULL), "said": "One."}).encode(),
        json.dumps({**state_json(FULL), "said_count": True}).encode(),
        json.dumps({**state_json(FULL), "progress": {"1": 7}}).encode(),
        json.dumps({**state_json(FULL), "question": [1]}).encode(),
        json.dumps({**state_json(FULL), "trouble": {"kind": "x"}}).encode(),
        b" " * ((16 << 20) + 1),
    ],
)
def test_a_damaged_state_is_told(shelf: WorkShelf, desk: FolderDesk, tmp_path: Path, data: bytes) -> None:
    (folder_of(tmp_path, desk.order) / "state.json").write_bytes(data)
    state = shelf.state(desk.order.id)
    assert state.damage
    assert state.standing is Standing.RUNS
    shelf.revision()


def test_a_damaged_state_of_a_dead_work_is_told_and_the_work_lost(shelf: WorkShelf, tmp_path: Path) -> None:
    order = begun(shelf)
    (folder_of(tmp_path, order) / "state.json").write_bytes(b"{")
    shelf.let_go(order.id)
    state = shelf.state(order.id)
    assert state.damage
    assert state.outcome is Outcome.LOST


@pytest.mark.parametrize("make", [Path.mkdir, lambda path: path.symlink_to("/etc/hostname"), os.mkfifo])
def test_what_is_no_file_in_the_place_of_a_state_is_told(
    shelf: WorkShelf, desk: FolderDesk, tmp_path: Path, make: object
) -> None:
    assert callable(make)
    make(folder_of(tmp_path, desk.order) / "state.json")
    assert shelf.state(desk.order.id).damage


@pytest.mark.parametrize("data", [b"", b"{}", b"[1]", b'{"id": 3}'])
def test_a_damaged_order_is_told_and_left_out(shelf: WorkShelf, tmp_path: Path, data: bytes) -> None:
    sound, order = begun(shelf), begun(shelf, "2")
    (folder_of(tmp_path, order) / "order.json").write_bytes(data)
    other = WorkShelf(tmp_path / "home", SystemClock())
    assert other.orders() == (sound,)
    assert len(other.damaged()) == 1
    assert order.id in other.damaged()[0]
    with pytest.raises(LedgerError):
        other.order(order.id)
    assert other.state(order.id).standing is Standing.BEGUN


def test_an_order_of_another_name_is_not_taken(shelf: WorkShelf, tmp_path: Path) -> None:
    one, other = begun(shelf), begun(shelf, "2")
    text = (folder_of(tmp_path, one) / "order.json").read_bytes()
    (folder_of(tmp_path, other) / "order.json").write_bytes(text)
    assert WorkShelf(tmp_path / "home", SystemClock()).orders() == (one,)


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)


@given(st.dictionaries(st.sampled_from(sorted(state_json(FULL))), _JSON))
def test_no_change_of_a_state_brings_down_who_reads_it(changes: dict[str, object]) -> None:
    try:
        state_from({**state_json(FULL), **changes})
    except NotOurs:
        return


@given(_JSON)
def test_nothing_brings_down_who_reads_an_order(found: object) -> None:
    with pytest.raises(NotOurs):
        order_from(found, "20261129T015356.248Z-bad84f5a10dc")


def test_all_that_was_said_is_told_but_for_torn_lines(
    shelf: WorkShelf, desk: FolderDesk, tmp_path: Path
) -> None:
    assert shelf.told(desk.order.id) == ()
    for text in ("One.", "Two\nlines.", "\udce4"):
        desk.say("2026-11-29T01:00:00Z", text)
    with (folder_of(tmp_path, desk.order) / "told.jsonl").open("ab") as file:
        file.write(b'7\n{"text": 7}\n{}\n{"at": "2026-11')
    assert shelf.told(desk.order.id) == ("One.", "Two\nlines.", "\udce4")


def test_a_lost_work_tells_the_last_its_process_wrote(shelf: WorkShelf, tmp_path: Path) -> None:
    order = begun(shelf)
    (folder_of(tmp_path, order) / "errors.txt").write_text("Traceback\nMemoryError\n\n")
    shelf.let_go(order.id)
    trouble = shelf.state(order.id).trouble
    assert trouble is not None
    assert "MemoryError" in trouble.what


# ---------------------------------------------------------------------- requests


def test_requests_come_in_the_order_they_were_asked_each_once(shelf: WorkShelf, desk: FolderDesk) -> None:
    asked = [
        WorkRequest(Ask.REST),
        WorkRequest(Ask.GO_ON),
        WorkRequest(Ask.ANSWER, number=3, yes=True),
        WorkRequest(Ask.POWER_CYCLE, bay="2"),
        *(WorkRequest(Ask.ANSWER, number=number) for number in range(9)),
        WorkRequest(Ask.STOP),
    ]
    for one in asked:
        shelf.ask(desk.order.id, one)
    assert list(desk.requests()) == asked
    assert list(desk.requests()) == []
    shelf.ask(desk.order.id, asked[0])
    assert list(desk.requests()) == asked[:1]


def test_of_many_who_ask_at_once_all_are_heard(shelf: WorkShelf, desk: FolderDesk, tmp_path: Path) -> None:
    shelves = [WorkShelf(tmp_path / "home", SystemClock()) for _ in range(8)]

    def ask(number: int) -> None:
        for count in range(10):
            shelves[number].ask(desk.order.id, WorkRequest(Ask.ANSWER, number=10 * number + count))

    threads = [threading.Thread(target=ask, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    numbers = [one.number for one in desk.requests()]
    assert sorted(numbers) == list(range(80))
    for first in range(0, 80, 10):  # those of one, in the order it asked
        assert [one for one in numbers if first <= one < first + 10] == list(range(first, first + 10))


def test_too_many_requests_are_refused(shelf: WorkShelf, desk: FolderDesk) -> None:
    for _ in range(100):
        shelf.ask(desk.order.id, WorkRequest(Ask.REST))
    with pytest.raises(UsageError):
        shelf.ask(desk.order.id, WorkRequest(Ask.REST))
    assert len(desk.requests()) == 100
    shelf.ask(desk.order.id, WorkRequest(Ask.REST))


def test_damaged_requests_are_dropped(shelf: WorkShelf, desk: FolderDesk, tmp_path: Path) -> None:
    asked = folder_of(tmp_path, desk.order) / "asked"
    for number, data in enumerate((b"", b"{", b"[]", b'{"ask": "dance"}', b"x" * 5000), 1):
        (asked / f"{number:06}").write_bytes(data)
    (asked / "000006").symlink_to("/etc/hostname")
    (asked / "other").write_bytes(b"{}")
    shelf.ask(desk.order.id, WorkRequest(Ask.STOP))
    assert list(desk.requests()) == [WorkRequest(Ask.STOP)]
    assert [one.name for one in asked.iterdir()] == ["other"]


def test_nothing_is_asked_of_a_work_that_ended(shelf: WorkShelf, desk: FolderDesk) -> None:
    desk.write(FULL)
    with pytest.raises(UsageError):
        shelf.ask(desk.order.id, WorkRequest(Ask.STOP))


# ---------------------------------------------------------------------- tidying


def test_tidying_keeps_the_newest_and_those_that_live(shelf: WorkShelf, tmp_path: Path) -> None:
    alive = begun(shelf, "1")
    dead = []
    for number in range(4):
        dead.append(begun(shelf, f"x{number}"))
        shelf.let_go(dead[-1].id)
    (tmp_path / "home" / "works" / ".new-left").mkdir()
    (folder_of(tmp_path, dead[0]) / "link").symlink_to(folder_of(tmp_path, alive))
    kept = sorted((one.id for one in dead), reverse=True)[:2]
    assert shelf.tidy(2) == 2
    assert {one.id for one in shelf.orders()} == {alive.id, *kept}
    assert sorted(os.listdir(tmp_path / "home" / "works")) == sorted([alive.id, *kept])
    assert shelf.tidy(0) == 2
    assert shelf.orders() == (alive,)


def test_forgetting_removes_the_works_of_a_case_and_what_nobody_can_read(
    shelf: WorkShelf, tmp_path: Path
) -> None:
    gone, other, damaged = begun(shelf, "1"), begun(shelf, "1", case=2), begun(shelf, "2", case=2)
    for one in (gone, other, damaged):
        shelf.let_go(one.id)
    (folder_of(tmp_path, damaged) / "order.json").write_bytes(b"?")
    fresh = WorkShelf(tmp_path / "home", SystemClock())
    assert fresh.forget(1) == 2
    assert fresh.orders() == (other,)


def test_a_case_with_a_living_work_is_not_forgotten(shelf: WorkShelf) -> None:
    order = begun(shelf)
    with pytest.raises(DestinationError):
        shelf.forget(1)
    assert shelf.forget(2) == 0
    assert shelf.orders() == (order,)


def test_what_cannot_be_removed_is_told(shelf: WorkShelf, monkeypatch: pytest.MonkeyPatch) -> None:
    shelf.let_go(begun(shelf).id)

    def refuse(path: Path, **how: object) -> None:
        """As a disk that cannot be written."""

    monkeypatch.setattr("mendbay.outlets.work_shelf.shutil.rmtree", refuse)
    with pytest.raises(DestinationError):
        shelf.forget(1)


def test_without_any_work_there_is_nothing(tmp_path: Path) -> None:
    shelf = WorkShelf(tmp_path / "home", SystemClock())
    assert shelf.orders() == shelf.damaged() == ()
    assert shelf.tidy(0) == shelf.forget(1) == 0
    assert shelf.revision() == shelf.revision()
    assert not (tmp_path / "home").exists()


def test_a_lock_is_seen_by_all_who_look_at_once(shelf: WorkShelf, tmp_path: Path) -> None:
    order = begun(shelf)
    shelf.let_go(order.id)
    with closing(WorkFolder(tmp_path / "home" / "works", order.id)) as folder:
        wrong = list[bool]()

        def look() -> None:
            wrong.extend(one for one in (folder.is_locked() for _ in range(200)) if one)

        threads = [threading.Thread(target=look) for _ in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert wrong == []
