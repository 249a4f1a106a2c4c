"""A case of which everything is kept that can name somebody, for tests of exporting and forgetting it.

Every note is written by its job. Pictures, plans and certificates of chips have none here, as they take a
camera or a programmer; that they go whatever they hold is tested beside the rulings.
"""

from __future__ import annotations

import shutil
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from mendbay.board.confusable import Correction
from mendbay.board.description import BoardDescription
from mendbay.board.match import Alternative
from mendbay.board.number_form import Kind as Identified
from mendbay.board.stock import Kind, StockItem
from mendbay.board.swap_odds import Attribute, Level, Purpose
from mendbay.board.transfer_plan import Role
from mendbay.board.unique_data import FamilyNote, Need, Seat
from mendbay.case.agenda import WaitsFor
from mendbay.case.consents import Word
from mendbay.case.hand_over import Role as Hand
from mendbay.case.items import What
from mendbay.case.outcome import DataBack, End, said
from mendbay.case.records import Bay, Case, Forgotten
from mendbay.handback.erasure import Sort
from mendbay.jobs import forget_case
from mendbay.jobs.alternatives import accept_alternative
from mendbay.jobs.bench import Bench
from mendbay.jobs.bill_case import How as PaidHow
from mendbay.jobs.bill_case import make_bill, pay, unpay
from mendbay.jobs.close_case import close_case
from mendbay.jobs.consents import give_word
from mendbay.jobs.corrections import note_correction
from mendbay.jobs.erasure_port import Copies
from mendbay.jobs.find_donor import agreement_with
from mendbay.jobs.hand_over_items import receive, release
from mendbay.jobs.keep_items import add_item
from mendbay.jobs.keep_stock import add_items
from mendbay.jobs.keep_stock import change_item as change_stock
from mendbay.jobs.know_family import note_family
from mendbay.jobs.letters import letter_mail
from mendbay.jobs.measure_board import enter
from mendbay.jobs.plan_erasure import plan_erasure
from mendbay.jobs.quote_case import By, decide, make_quote
from mendbay.jobs.quote_lines import Wish
from mendbay.jobs.record_swaps import record_swap
from mendbay.jobs.rom_reads import keep_files
from mendbay.jobs.take_in import take_in
from mendbay.jobs.take_in_form import tell
from mendbay.jobs.triage_case import answer, describe, note_tried
from mendbay.jobs.waiting import go_on, wait
from mendbay.jobs.work_on_record import on_record
from mendbay.triage.belief import Asked
from mendbay.wiring import open_bench, shop_copies
from support.scratch import scratch

CUSTOMER = "Quillmere Pottery"
SERIAL = "K-0113-77"
CONTACT = "quill@mere.example"
SECRETS = (
    CUSTOMER,
    "quillmere",
    SERIAL,
    CONTACT,
    "kiln log",
    "dented by the cat",
    "Mr Quill",
    "its owner was glad",
)
OTHER = "Harrow Mill"
"""The customer of another case, who must never be met in anything of this one."""
SHOPS_OWN = "bought of Weir and Sons"
"""What the shop noted of a part of its own."""
ROM = b"ROM of " + SERIAL.encode()
DUMP_BYTES = 64 << 10


def full_home(home: Path) -> Path:
    """A shop's home made there: its case 2 is closed and without copies, cases 1 and 3 are another
    customer's."""
    shutil.copytree(_made() / "home", home)
    return home


@cache
def _made() -> Path:
    """The folder that holds the home which is copied, as making one takes seconds."""
    folder = scratch("full-case")
    with open_bench(folder / "home") as bench:
        _full_case(bench)
    return folder


def _full_case(bench: Bench) -> None:
    take_in(bench, OTHER, contact="harrow@mill.example", box="a box", bays=[Bay(0, "1", "AL20-HX4", "H-1")])
    case = take_in(
        bench,
        CUSTOMER,
        contact=CONTACT,
        box="two-bay box, dented by the cat",
        wanted=("kiln log*.xlsx",),
        notes="Mr Quill called",
        bays=[Bay(0, "1", "AL20-HX4", SERIAL), Bay(0, "2", "AL20-HX4")],
    )
    take_in(bench, OTHER, bays=[Bay(0, "1")])
    adapter = tell_all(bench, case)
    release(bench, 2, (adapter, "1", "2"), Hand.CUSTOMER, person="Mr Quill")
    close_case(bench, 2, said(["heads:1"], end=End.SENT_ON, data=DataBack.NONE, remark="they were told"))


def tell_all(bench: Bench, case: Case) -> str:
    """Tells all that can be told of a case with two bays that was just taken in, but not how it ends; the
    code of the adapter that came with it."""
    _tell_triage(bench, case.number)
    _tell_board(bench, case)
    return _agree(bench, case.number)


def _tell_triage(bench: Bench, number: int) -> None:
    describe(bench, number, box=True, worth=5000)
    answer(bench, number, Asked("sound", "1"), "clicks")
    note_tried(bench, number, "swap-board", "1")
    answer(bench, number, Asked("sound", "1"), "clicks")
    tell(bench, number, "story", "Mr Quill let it fall")
    tell(bench, number, "due", "2031-01-20")


def _tell_board(bench: Bench, case: Case) -> None:
    number = case.number
    enter(bench, number, "1", "leads", "0.3", note="Mr Quill watched")
    shop = bench.shop_files
    (item, _) = add_items(
        bench,
        shop,
        [
            StockItem(
                0, Kind.BOARD, BoardDescription(one, "R3"), location="B2", cost_minor=3800, currency="EUR"
            )
            for one in ("TB-4471-200", "TB-4471-201")
        ],
    )
    agreement = agreement_with(bench, shop, number, "1", item.number, Purpose.BOARD_SWAP, Level.MOVED)
    record_swap(bench, item.number, number, "1", agreement, worked=True, remark="its owner was glad")
    change_stock(bench, shop, item.number, {}, {"cost_minor": 1200, "notes": SHOPS_OWN})
    note_family(bench, FamilyNote("AL20", Seat.SEPARATE_CHIP, Need.MUST, "seen at the bench"))
    accept_alternative(bench, Alternative(Attribute.BOARD_NUMBER, "TB-4471-200", "TB-4471-201"))
    for kind, read, right in (
        (Identified.MODEL, "AL2O-HX4", "AL20-HX4"),
        (Identified.SERIAL, "K-O113-77", SERIAL),
    ):
        note_correction(bench, number, "1", Correction(kind, read, right, ()), misread=True)
    for role in (Role.PATIENT, Role.DONOR):
        with TemporaryDirectory() as folder:
            made = Path(folder) / "read.bin"
            made.write_bytes((ROM + role.encode()).ljust(DUMP_BYTES, b"\xff"))
            keep_files(bench, number, "1", role, [made])
    bench.files.keep(case, "photos/bay-1/label.jpg", b"picture of " + SERIAL.encode())
    bench.files.keep(case, "papers/receipt.pdf", b"receipt for " + CUSTOMER.encode())


def _agree(bench: Bench, number: int) -> str:
    give_word(bench, number, "open-drive", Word.YES)
    adapter = add_item(bench, number, What.ADAPTER, "with a blue ring", condition="cable kinked")
    receive(bench, number, (adapter.code, "1"), person="Mr Quill", words="to be called before noon")
    make_quote(bench, number, Wish(lines=(("hour", "0.5"),), odds=False))
    decide(bench, number, 1, True, By.PHONE)
    make_bill(bench, number, {}, not_done=[one.key for one in on_record(bench, number).done])
    pay(bench, number, "20.00", PaidHow.CASH)
    pay(bench, number, "1.00", PaidHow.CASH)
    unpay(bench, number, 2, "put down for the wrong case")
    wait(bench, number, WaitsFor.CUSTOMER, "Mr Quill is away")
    go_on(bench, number)
    letter_mail(bench, number)
    plan_erasure(
        bench,
        copies_of(bench),
        number,
        sorts=(Sort.PICTURES,),
        reason="Mr Quill asked for it",
        unproven="Mr Quill wants nothing back",
    )
    return adapter.code


def copies_of(bench: Bench) -> Copies:
    """What looks at the copies of the bench's own home."""
    return shop_copies(bench.images.folder(bench.ledger.case(1)).parent.parent)


def forget(bench: Bench, number: int, reason: str) -> Forgotten:
    """Forgets a case of the bench."""
    return forget_case.forget(bench, copies_of(bench), number, reason)


def held_below(folder: Path) -> bytes:
    """The bytes of every file below a folder, with the names of files and folders."""
    found = sorted(folder.rglob("*"))
    names = "\n".join(str(one.relative_to(folder)) for one in found).encode()
    return names + b"".join(one.read_bytes() for one in found if one.is_file())
