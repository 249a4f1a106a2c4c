"""The transfer in the browser lets no step be skipped: what its page does not offer is refused, and changes
nothing at all."""

from __future__ import annotations

import hashlib
import io
import re
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from html import unescape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pypdf import PdfReader

from mendbay.case.consents import Word
from mendbay.case.records import Bay
from mendbay.core.clock import SystemClock
from mendbay.core.note import NoteKind
from mendbay.faces.web import case_works
from mendbay.faces.web.views import board_rom, board_transfer
from mendbay.faces.web.visit import Visit
from mendbay.jobs import judge_rom
from mendbay.jobs.consents import give_word
from mendbay.jobs.take_in import take_in
from mendbay.jobs.transfer_rom import Planned
from mendbay.jobs.work_port import WorkKind, WorkOrder
from mendbay.outlets.work_shelf import WorkShelf
from mendbay.wiring import works
from support.flash_bench import SMALL_BYTES, rom
from support.web_client import Web, ledger_is_held, text_of, web_on
from support.works import work_here

if TYPE_CHECKING:
    pass

PATIENT, DONOR = rom(1), rom(2)
BOARD = "/case/1/board"
CLIP = {"volts": ["1.8", "3.3"], "marked": "yes", "ready": "yes", "bay": "1"}
CUT = "{ power_lost_at = 120 }"
"""In the middle of writing so small a chip."""


@dataclass
class Bench:
    """A case whose two chips are files."""

    web: Web
    folder: Path

    def clip(self, on_clip: str, **more: object) -> dict[str, object]:
        return {**CLIP, "programmer": f"simulated:{self.folder / on_clip}.toml", **more}

    def describe(self, chip: str, faults: str = "") -> None:
        said = f'memory = "{chip}.bin"\nid = "c2 99 0d"\n' + (f"faults = {faults}\n" if faults else "")
        (self.folder / f"{chip}.toml").write_text(said)

    def content(self, chip: str) -> bytes:
        return (self.folder / f"{chip}.bin").read_bytes()

    def form(self, action: str) -> dict[str, object]:
        """All that a person in good order would send."""
        forms: dict[str, dict[str, object]] = {
            "plan": {"bay": "1", "target": "donor"},
            "write": self.clip("donor", patient_away="yes", roles_checked="yes"),
            "restore": self.clip("donor"),
            "abandon": {"bay": "1", "reason": "the chip is dead"},
        }
        return forms[action]

    def post(self, action: str, status: int = 303, **more: object) -> str:
        return self.web.post(f"{BOARD}/{action}", {**self.form(action), **more}, status=status).text

    def page(self) -> str:
        return self.web.get(f"{BOARD}/transfer?bay=1")

    def offered(self) -> set[str]:
        """The changes for which the page has a form."""
        found = re.findall(r'<form method="post" action="([^"]*)"', self.page())
        return {unescape(one).removeprefix(f"{BOARD}/") for one in found} & set(ACTIONS)

    def everything(self) -> str:
        """A mark of the ledger, the case's folder and the chips."""
        digest = hashlib.sha256()
        with sqlite3.connect(self.web.home / "ledger.sqlite3") as ledger:
            for line in ledger.iterdump():
                digest.update(line.encode())
        for place in (self.web.home / "cases", self.folder):
            for one in sorted(place.rglob("*")):
                digest.update(str(one).encode())
                if one.is_file():
                    digest.update(one.read_bytes())
        return digest.hexdigest()

    def read(self, chip: str) -> None:
        self.web.post(f"{BOARD}/read-chip", self.clip(chip, chip=chip, times="2"))

    def both_read(self) -> None:
        self.read("patient")
        self.read("donor")

    def planned(self) -> None:
        self.both_read()
        self.post("plan")

    def refused(self) -> None:
        """The donor's chip is the patient's own."""
        (self.folder / "donor.bin").write_bytes(PATIENT)
        self.planned()

    def cut_off(self) -> None:
        self.planned()
        self.describe("donor", CUT)
        self.post("write")
        self.describe("donor")
        assert self.content("donor") not in (PATIENT, DONOR)

    def given_up(self) -> None:
        self.cut_off()
        self.post("abandon")

    def restored(self) -> None:
        self.cut_off()
        self.post("restore")

    def done(self) -> None:
        self.planned()
        self.post("write")

    def nothing(self) -> None:
        """As it begins."""


ACTIONS = ("plan", "write", "restore", "abandon")
STATES: dict[str, tuple[Callable[[Bench], None], set[str]]] = {
    "nothing": (Bench.nothing, set()),
    "patient read": (lambda bench: bench.read("patient"), set()),
    "both read": (Bench.both_read, {"plan"}),
    "refused": (Bench.refused, {"plan"}),
    "planned": (Bench.planned, {"plan", "write"}),
    "cut off": (Bench.cut_off, {"write", "restore", "abandon"}),
    "given up": (Bench.given_up, {"plan"}),
    "restored": (Bench.restored, {"plan", "write"}),
    "done": (Bench.done, {"plan"}),
}
"""How to come to each state, and what may be done in it."""


def _bench(web: Web, folder: Path) -> Bench:
    folder.mkdir()
    bench = Bench(web, folder)
    for chip, content in (("patient", PATIENT), ("donor", DONOR)):
        (folder / f"{chip}.bin").write_bytes(content)
        bench.describe(chip)
    with web.bench() as shop:
        take_in(shop, "Quillmere Pottery", bays=[Bay(0, "1")])
    return bench


@pytest.fixture
def bench(web: Web, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    """What is ordered is done at once."""
    monkeypatch.setattr(case_works, "start_work", work_here)
    return _bench(web, tmp_path / "chips")


@pytest.mark.parametrize("state", STATES)
def test_what_is_not_the_next_step_is_refused_and_changes_nothing(bench: Bench, state: str) -> None:
    reach, may = STATES[state]
    reach(bench)
    assert bench.offered() == may
    before = bench.everything()
    for action in set(ACTIONS) - may:
        said = text_of(bench.post(action, 409))
        assert "Not done" in said
        assert bench.everything() == before, action


@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.sampled_from(["read patient", "read donor", "cut", *ACTIONS]), min_size=3, max_size=9))
def test_no_way_through_the_steps_changes_what_the_page_does_not_offer(
    tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch, way: list[str]
) -> None:
    monkeypatch.setenv("MENDBAY_WHO", "Kim")
    monkeypatch.setattr(case_works, "start_work", work_here)
    folder = tmp_path_factory.mktemp("way")
    with web_on(folder / "home") as web:
        bench = _bench(web, folder / "chips")
        for action in way:
            offered, before = bench.offered(), bench.everything()
            if action.startswith("read"):
                bench.read(action.partition(" ")[2])
                continue
            if action == "cut":
                if "write" in offered:
                    bench.describe("donor", CUT)
                    bench.web.client.post(
                        f"{BOARD}/write",
                        data=bench.form("write"),
                        headers={"origin": "http://127.0.0.1:8437"},
                    )
                    bench.describe("donor")
                continue
            answer = bench.web.client.post(
                f"{BOARD}/{action}",
                data=bench.form(action),
                headers={"origin": "http://127.0.0.1:8437"},
                follow_redirects=False,
            )
            if action not in offered:
                assert answer.status_code == 409
                assert bench.everything() == before
            assert bench.content("patient") == PATIENT, "it is only ever read"


def test_a_transfer_from_the_first_read_to_the_certificate(bench: Bench) -> None:
    bench.both_read()
    bench.post("plan")
    page = bench.page()
    said = text_of(page)
    assert "Write the patient's data" in said
    assert page.index("Before you do it") < page.index("Write the donor&#39;s chip"), "cautions come first"
    answer = bench.post("write")
    assert bench.content("donor") == PATIENT
    assert "Done and proven" in text_of(bench.page())
    assert answer == ""
    with bench.web.bench() as shop:
        told = [one.what for one in shop.ledger.custody(1)]
        who = {one.who for one in shop.ledger.custody(1)}
    assert any(one.startswith("ROM written: read back and proven") for one in told)
    assert who == {"Kim"}
    bench.web.post("/settings/shop/keep", {"name": "Quillmere Repairs", "lines": "", "page": "A4"})
    paper = bench.web.client.get(f"{BOARD}/certificate?bay=1")
    assert "Quillmere Repairs" in PdfReader(io.BytesIO(paper.content)).pages[0].extract_text()
    assert paper.headers["content-type"] == "application/pdf"
    assert paper.headers["content-disposition"].startswith("attachment")
    assert paper.content.startswith(b"%PDF")


def test_one_chip_to_be_written_is_enough_to_plan(bench: Bench) -> None:
    bench.read("patient")
    said = text_of(bench.page())
    assert "One of these ways is enough" in said
    assert said.count("Nothing can be planned") == len(board_transfer.TARGETS)
    bench.read("donor")
    page = bench.page()
    assert "Done: a transfer to the donor's chip can be planned." in text_of(page)
    assert "Nothing can be planned" not in text_of(page)
    assert page.count('<li class="open">') == 1, "the step that is due, and no way that nobody needs"


def test_a_transfer_is_given_up_in_the_step_of_the_ledger_that_compares_what_was_seen(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.cut_off()
    held: list[bool] = []
    compare = Visit.require_unchanged

    def compared(visit: Visit, what: str, *now: object) -> None:
        held.append(ledger_is_held(bench.web.home))
        compare(visit, what, *now)

    monkeypatch.setattr(Visit, "require_unchanged", compared)
    before = bench.everything()
    bench.post("abandon", 409, seen="of another plan")
    assert bench.everything() == before
    bench.post("abandon")
    assert held == [True, True]


def test_a_chip_read_while_a_transfer_is_given_up_leaves_it_as_it_is(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.cut_off()
    look = board_transfer.tell_plan

    def looking(shop: Any, *others: Any) -> Planned:
        found = look(shop, *others)
        shop.notes.add(shop.notes.of(NoteKind.PLAN, 1, "1")[-1])
        return found

    monkeypatch.setattr(board_transfer, "tell_plan", looking)
    assert "it is not given up" in " ".join(text_of(bench.post("abandon", 409)).split())
    monkeypatch.undo()
    with bench.web.bench() as shop:
        assert "ROM transfer given up" not in [one.what for one in shop.ledger.custody(1)]


def test_no_certificate_before_there_is_one(bench: Bench) -> None:
    bench.planned()
    assert "certified yet" in bench.web.get(f"{BOARD}/certificate?bay=1", status=409)


@pytest.mark.parametrize("left_out", ["ready", "patient_away"])
def test_a_write_without_a_persons_word_is_refused(bench: Bench, left_out: str) -> None:
    bench.planned()
    before = bench.everything()
    bench.post("write", 422, **{left_out: ""})
    assert bench.everything() == before


def test_whose_chip_is_whose_needs_a_word_where_no_number_tells(bench: Bench) -> None:
    bench.planned()
    assert "each chip was read under its own name" in text_of(bench.page())
    said = text_of(bench.post("write", 409, roles_checked=""))
    assert "--roles-checked" not in said
    assert bench.content("donor") == DONOR


def test_the_customers_word_is_asked_for_before_the_chip_is_written(bench: Bench) -> None:
    bench.planned()
    about = "fitting another board and moving the ROM"
    assert f"Nobody asked the customer yet about {about}" in text_of(bench.page())
    with bench.web.bench() as shop:
        give_word(shop, 1, "board-swap", Word.NO)
    page = bench.page()
    assert "Nobody asked the customer yet" not in page
    assert 'name="although"' in page
    before = bench.everything()
    said = text_of(bench.post("write", 409))
    assert f"The customer refused {about} in case 1." in said
    assert "--" not in said
    assert bench.everything() == before
    with bench.web.bench() as shop:
        give_word(shop, 1, "board-swap", Word.ASK)
    said = text_of(bench.post("write", 409))
    assert "wants to be asked each time" in said
    assert "--" not in said
    assert 'name="customer_asked"' in bench.page()
    bench.post("write", customer_asked="yes")
    assert bench.content("donor") == PATIENT


def test_no_supply_is_given_that_was_not_ticked(bench: Bench) -> None:
    said = text_of(
        bench.web.done(f"{BOARD}/read-chip", {**bench.clip("patient", chip="patient"), "volts": ["1.8"]})
    )
    assert "Nobody has confirmed that the chip may have 3.3 V" in said
    assert "--" not in said
    assert "No ROM of this bay was read yet" in text_of(bench.web.get(f"{BOARD}/rom?bay=1"))


def test_of_a_reading_that_was_refused_nothing_but_ticks_is_said_twice(bench: Bench) -> None:
    said = bench.clip("donor", chip="donor", times="7")
    page = bench.web.done(f"{BOARD}/read-chip", {**said, "volts": ["1.8"]})
    assert read_form_of(page) == {
        "chip": "donor",
        "times": "7",
        "programmer": "ftdi://ftdi:232h/1",
        "practice": str(bench.folder / "donor.toml"),
    }
    assert not re.search(r"<input[^>]* checked", page)
    page = bench.web.done(f"{BOARD}/read-chip", said)
    assert read_form_of(page)["chip"] == "", "that chip is read, the next may be another"
    assert read_form_of(page)["practice"] == ""
    assert read_form_of(page)["times"] == "7"


def test_what_is_written_on_is_never_taken_from_what_was_read(bench: Bench) -> None:
    bench.planned()
    fresh = 'id="write-practice" name="practice" value=""'
    assert fresh in bench.page()
    bench.describe("donor", CUT)
    bench.post("write")
    named = f'name="practice" value="{bench.folder / "donor.toml"}"'
    assert f'id="write-practice" {named}' in bench.page()
    bench.read("patient")
    assert str(bench.folder / "patient.toml") not in bench.page()


def test_the_adapter_that_was_named_stands_there_again(bench: Bench) -> None:
    page = bench.web.done(f"{BOARD}/read-chip", {**CLIP, "chip": "patient", "programmer": "none://a"})
    assert read_form_of(page)["programmer"] == "none://a"
    assert read_form_of(page)["practice"] == ""


def read_form_of(page: str) -> dict[str, str]:
    """What the form of a reading says before anybody types in it."""
    form = re.search(r'action="[^"]*/read-chip".*?</form>', page, re.DOTALL)
    assert form is not None
    inputs = dict(re.findall(r'<input id="[^"]*" name="(\w+)" value="([^"]*)"', form[0]))
    chosen = re.search(r'<option value="(\w*)" selected', form[0])
    return {"chip": chosen[1] if chosen else "", **inputs}


def test_a_form_of_a_plan_that_was_drawn_anew_is_refused(bench: Bench) -> None:
    bench.planned()
    mark = re.search(r'action="[^"]*/write".*?name="seen" value="(\w+)"', bench.page(), re.DOTALL)
    assert mark is not None
    bench.read("donor")
    bench.post("plan")
    said = text_of(bench.post("write", 409, seen=mark[1]))
    assert "changed by somebody else" in said
    assert bench.content("donor") == DONOR


def test_more_judgements_than_may_be_at_once_are_told(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(board_rom, "JUDGED_AT_ONCE", 0)
    monkeypatch.setattr(board_rom, "MOST_WAITING", 0)
    sent = [("dumps", ("a.bin", PATIENT)), ("dumps", ("b.bin", PATIENT))]
    bench.web.post(f"{BOARD}/keep-dumps", {"bay": "1", "chip": "patient"}, files=sent)
    said = bench.web.get(f"{BOARD}/reads?bay=1&chip=patient", status=409)
    assert board_rom.TOO_MANY in text_of(said)
    bench.web.post(f"{BOARD}/judge", {"bay": "1", "chip": "patient"}, status=409)
    with bench.web.bench() as shop:
        assert not any("judged" in one.text for one in shop.ledger.events(1))


def test_what_was_judged_is_let_go_of_with_the_reads(bench: Bench) -> None:
    sent = [("dumps", ("a.bin", PATIENT)), ("dumps", ("b.bin", PATIENT))]
    bench.web.post(f"{BOARD}/keep-dumps", {"bay": "1", "chip": "patient"}, files=sent)
    bench.web.get(f"{BOARD}/reads?bay=1&chip=patient")
    assert judge_rom._judged_alone.cache_info().currsize
    board_rom.RomLooks(1).close()
    assert not judge_rom._judged_alone.cache_info().currsize


def test_dumps_are_kept_judged_and_taken_back(bench: Bench) -> None:
    sent = [
        ("dumps", ("../../<script>alert(1)</script>.bin", PATIENT)),
        ("dumps", ("b.bin", PATIENT[:-1] + b"\0")),
    ]
    said = bench.web.post(f"{BOARD}/keep-dumps", {"bay": "1", "chip": "patient"}, files=sent)
    page = bench.web.get(said.headers["location"])
    assert "<script>alert" not in page
    assert "they differ, and no transfer may rest on them; from script>.bin, b.bin," in re.sub(
        r" ,", ",", text_of(page)
    )
    assert "sitting 1 (script>.bin, b.bin)." in text_of(bench.web.get("/case/1/record"))
    kept = {one.parent for one in (bench.web.home / "cases").rglob("*.bin")}
    assert {one.name for one in kept} == {"patient-1"}
    before = bench.everything()
    judged = bench.web.get(f"{BOARD}/reads?bay=1&chip=patient")
    assert "Where the reads differ" in judged
    assert "reads: doubtful" in text_of(judged)
    assert 'aria-hidden="true">?</span>' in judged
    assert 'class="rom-regions"' in judged
    assert not re.search(r"<[^>]* style=", judged), "a style attribute would be refused by the browser"
    assert bench.everything() == before, "a look changes nothing"
    bench.web.done(f"{BOARD}/judge", {"bay": "1", "chip": "patient"})
    with bench.web.bench() as shop:
        assert any("judged" in one.text for one in shop.ledger.events(1))
    gone = {"bay": "1", "chip": "patient", "sitting": "1", "reason": "of another drive"}
    assert "Withdrawn: of another drive" in text_of(bench.web.done(f"{BOARD}/withdraw-sitting", gone))
    bench.web.post(f"{BOARD}/withdraw-sitting", gone, status=422)


def test_a_mark_of_reads_says_whether_they_may_be_used(bench: Bench) -> None:
    flipped = [bytes([*PATIENT[:at], PATIENT[at] ^ 1, *PATIENT[at + 1 :]]) for at in range(0, 2500, 500)]
    poor = [("dumps", (f"{at}.bin", one)) for at, one in enumerate(flipped)]
    sound = [("dumps", (f"{at}.bin", PATIENT)) for at in range(3)]
    for sent, mark, words in (
        (poor, "✕", "5 reads: repaired, but no transfer may rest on reads that differ"),
        (sound, "✓", "3 reads: agree."),
    ):
        bench.web.post(f"{BOARD}/keep-dumps", {"bay": "1", "chip": "patient"}, files=sent)
        page = bench.web.get(f"{BOARD}/reads?bay=1&chip=patient")
        assert words in text_of(page).replace(" ,", ",").replace(" .", ".")
        assert re.findall(r'<span class="mark[^>]*>(.)</span>', page) == [mark]
    older = re.findall(r'<span class="mark[^>]*>(.)</span> ([^;]*);', bench.web.get(f"{BOARD}/rom?bay=1"))
    assert older == [("✕", "they differ, and no transfer may rest on them")]


@pytest.mark.parametrize(
    ("data", "words"),
    [(b"", "empty"), (b"only some words\n" * 900, "plain text"), (b"\0\1\2", "no ROM chip")],
)
def test_what_is_no_dump_is_not_kept(bench: Bench, data: bytes, words: str) -> None:
    before = bench.everything()
    answer = bench.web.post(
        f"{BOARD}/keep-dumps", {"bay": "1", "chip": "patient"}, files=[("dumps", ("a.bin", data))], status=422
    )
    assert words in text_of(answer.text)
    assert bench.everything() == before


def test_a_family_is_found_and_told_with_the_reads(bench: Bench) -> None:
    bench.read("patient")
    assert len(PATIENT) == SMALL_BYTES
    assert "No learned family it belongs to is known" in bench.web.get(f"{BOARD}/reads?bay=1&chip=patient")
    bench.web.get(f"{BOARD}/reads?bay=1&chip=patient&family=nobody", status=422)
    bench.web.get(f"{BOARD}/reads?bay=1&chip=donor", status=409)


# ---------------------------------------------------------------------- while a work is on the clip


@pytest.fixture
def held(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[], list[WorkOrder]]]:
    """From its call on, what is ordered is begun and never ends; gives the orders."""
    shelf, orders = WorkShelf(bench.web.home, SystemClock()), list[WorkOrder]()

    def begin(home: Path | None, order: WorkOrder) -> None:
        shelf.begin(order)
        orders.append(order)

    def hold() -> list[WorkOrder]:
        monkeypatch.setattr(case_works, "start_work", begin)
        return orders

    yield hold
    for one in orders:
        shelf.let_go(one.id)


@pytest.mark.parametrize("state", ["planned", "cut off"])
def test_nothing_is_done_twice_or_undone_while_it_is_written(
    bench: Bench, held: Callable[[], list[WorkOrder]], state: str
) -> None:
    STATES[state][0](bench)
    orders = held()
    bench.post("write")
    page = bench.page()
    assert "Writing the chip as planned" in text_of(page)
    assert 'id="transfer-steps" hx-get' in page, "the steps follow by themselves"
    assert bench.offered() == set()
    before = bench.everything()
    for action in ACTIONS:
        said = text_of(bench.post(action, 409))
        assert "on the clip now: writing the chip as planned" in said or action == "plan"
    bench.web.post(f"{BOARD}/read-chip", bench.clip("patient", chip="patient"), status=409)
    gone = {"bay": "1", "chip": "donor", "sitting": "1", "reason": "of another drive"}
    bench.web.post(f"{BOARD}/withdraw-sitting", gone, status=409)
    assert bench.everything() == before
    assert len(orders) == 1
    assert orders[0].options["plan"]
    assert "The clip is in use" in text_of(bench.web.get(f"{BOARD}/rom?bay=1"))


def test_a_work_on_the_clip_is_told_to_stop_by_its_own_bay_alone(
    bench: Bench, held: Callable[[], list[WorkOrder]]
) -> None:
    orders = held()
    bench.read("patient")
    work = orders[0].id
    page = bench.web.get(f"{BOARD}/rom?bay=1")
    assert "Reading the patient&#39;s chip" in page
    assert "Stop reading" in page
    bench.web.post(
        f"{BOARD}/stop-clip", {"bay": "1", "work": "20261129T015356.248Z-bad84f5a10dc"}, status=422
    )
    assert list((bench.web.home / "works" / work / "asked").iterdir()) == []
    bench.web.post(f"{BOARD}/stop-clip", {"bay": "1", "work": work})
    assert len(list((bench.web.home / "works" / work / "asked").iterdir())) == 1


def test_a_family_that_is_being_learned_is_told_where_a_transfer_is_planned(
    bench: Bench, held: Callable[[], list[WorkOrder]]
) -> None:
    assert "being learned now" not in text_of(bench.page())
    held()
    number = works(bench.web.home).new_id()
    options: dict[str, Any] = {
        "name": "TB-<4471>",
        "places": ["/known-good.bin"],
        "names": ["known-good.bin"],
    }
    order = WorkOrder(number, WorkKind.LEARN_FAMILY, 0, "Kim", "", options)
    case_works.start_work(bench.web.home, order)
    assert "The rules of TB-<4471> are being learned now." in text_of(bench.page())


def test_one_clip_is_on_one_chip_at_a_time(bench: Bench, held: Callable[[], list[WorkOrder]]) -> None:
    with bench.web.bench() as shop:
        take_in(shop, "Another shop", bays=[Bay(0, "1")])
    orders = held()
    bench.read("patient")
    other = bench.clip("patient", chip="patient", times="2")
    said = text_of(bench.web.post("/case/2/board/read-chip", other, status=409).text)
    assert "This clip is in use, for case 1, by what" in said
    assert len(orders) == 1


def test_no_clip_goes_onto_a_board_whose_drive_is_worked_on(
    bench: Bench, held: Callable[[], list[WorkOrder]]
) -> None:
    held()
    options = {"bay": "1", "source": "/dev/there-is-none"}
    case_works.start_work(
        bench.web.home, WorkOrder(works(bench.web.home).new_id(), WorkKind.READ_DRIVE, 1, "Kim", "", options)
    )
    said = text_of(
        bench.web.post(f"{BOARD}/read-chip", bench.clip("patient", chip="patient"), status=409).text
    )
    assert "The drive of bay 1, or its image, is in use: reading a drive." in said
    assert "read-drive" not in said


def test_a_killed_work_is_told_with_what_the_journal_says(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.planned()

    def killed(home: Path | None, order: WorkOrder) -> None:
        shelf = WorkShelf(bench.web.home, SystemClock())
        shelf.begin(order)
        shelf.let_go(order.id)

    monkeypatch.setattr(case_works, "start_work", killed)
    bench.post("write")
    said = text_of(bench.page())
    assert "Its process is gone without a word" in said
    assert "the steps below say it" in said
    assert bench.offered() == {"plan", "write"}, "nothing was begun"


# ---------------------------------------------------------------------- words and races


def test_a_chip_to_practise_on_is_named_by_its_file_alone(bench: Bench) -> None:
    for place in ("rom", "transfer"):
        page = bench.web.get(f"{BOARD}/{place}?bay=1")
        assert "simulated:" not in page
        assert "Practise on a simulated chip" in page or place == "transfer"
    form = {**CLIP, "programmer": "ftdi://ftdi:232h/1", "chip": "patient", "times": "2"}
    for wrong in ("patient.toml", str(bench.folder / "no-such.toml"), "\u202e", "simulated:x"):
        bench.web.post(f"{BOARD}/read-chip", {**form, "practice": wrong}, status=422)
    said = bench.web.done(f"{BOARD}/read-chip", {**form, "practice": str(bench.folder / "patient.toml")})
    assert "Kept: 2 reads of the patient's chip" in text_of(said)
    bench.web.post(f"{BOARD}/read-chip", {**form, "programmer": ""}, status=422)


def test_a_clip_without_a_supply_is_refused_before_anything_begins(bench: Bench) -> None:
    form = {one: value for one, value in bench.clip("patient", chip="patient").items() if one != "volts"}
    assert "No supply is ticked" in text_of(bench.web.post(f"{BOARD}/read-chip", form, status=422).text)
    assert not (bench.web.home / "works").exists()


def test_a_new_chip_is_called_one(bench: Bench) -> None:
    bench.read("patient")
    said = text_of(bench.page())
    assert "the new chip of bay 1 was never read" in said
    assert "new's" not in said


def test_a_plan_is_not_drawn_up_from_what_was_read_since(bench: Bench) -> None:
    bench.both_read()
    mark = re.search(r'action="[^"]*/plan".*?name="seen" value="(\w+)"', bench.page(), re.DOTALL)
    assert mark is not None
    bench.read("donor")
    said = text_of(bench.post("plan", 409, seen=mark[1]))
    assert "What was read or planned was changed" in said
    bench.post("plan")


@pytest.mark.parametrize("action", ["judge", "withdraw-sitting", "plan"])
def test_nobody_comes_between_the_look_and_the_writing(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, action: str
) -> None:
    bench.both_read()
    view, job, form = {
        "judge": (board_rom, "judge_rom", {"chip": "patient"}),
        "withdraw-sitting": (
            board_rom,
            "withdraw_sitting",
            {"chip": "donor", "sitting": "1", "reason": "of another drive"},
        ),
        "plan": (board_transfer, "plan_transfer", {"target": "donor"}),
    }[action]
    real, held = getattr(view, job), []

    def change(*words: object, **more: object) -> object:
        held.append(ledger_is_held(bench.web.home))
        return real(*words, **more)

    monkeypatch.setattr(view, job, change)
    bench.web.post(f"{BOARD}/{action}", {"bay": "1", **form})
    assert held == [True]
