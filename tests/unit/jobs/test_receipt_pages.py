"""The receipt on paper: one page for an ordinary box with all that belongs to it, and clean breaks beyond."""

from __future__ import annotations

import io

import pypdf
import pytest

from mendbay.case.authority import Whose
from mendbay.case.consents import How, Word, packaged_risks
from mendbay.case.items import What
from mendbay.case.records import CaseKind
from mendbay.jobs.authority import set_authority
from mendbay.jobs.bench import Bench
from mendbay.jobs.consents import give_word
from mendbay.jobs.keep_items import add_item
from mendbay.jobs.take_in import amend_bay, take_in
from mendbay.jobs.take_in_form import tell
from mendbay.jobs.write_receipt import write_receipt
from mendbay.outlets.shop_files import ShopFolder

AGREED = ["Call before anything is sent."]
HEADINGS = ("What is here", "What was agreed", "What to leave alone", "To check later")


@pytest.fixture
def box(bench: Bench, shop: ShopFolder) -> Bench:
    """Case 1 with all that an ordinary take-in of a two-bay box puts down."""
    shop.keep(
        "settings", "shop", 'name = "The bench at the mill"\nlines = ["3 Mill Lane", "tel. 555 0100"]\n'
    )
    for bay in ("1", "2"):
        amend_bay(bench, 1, bay, "AL20-HX4", f"K-011{bay}-77")
    for question, said in (
        ("came-in", "two-bay box, does not start, adapter and one cable with it"),
        ("kind", "two-bay-box"),
        ("bays", "both"),
        ("condition", "dented"),
        ("wanted", "*.xlsx, glazes/*.jpg"),
        ("due", "2031-12-24"),
        ("keep-days", "30"),
    ):
        tell(bench, 1, question, said)
    words = {"open-drive": Word.ASK, "shipping": Word.NO}
    for consent in packaged_risks():
        word = words.get(consent, Word.YES)
        give_word(bench, 1, consent, word, how=How.PHONE if word is Word.ASK else How.IN_PERSON)
    set_authority(bench, 1, Whose.OWN)
    add_item(bench, 1, What.ADAPTER, marks="12 V 3 A, TN-3600", condition="cable kinked near the plug")
    add_item(bench, 1, What.CABLE, marks="network, 1 m, grey", condition="sound")
    add_item(bench, 1, What.ENVELOPE, "with two screws")
    return bench


def letter_sizes(page: pypdf.PageObject) -> set[float]:
    """Sizes of the letters on a page, in points."""
    found: set[float] = set()

    def seen(text: str, _: list[float], matrix: list[float], __: object, size: float) -> None:
        if text.strip():
            found.add(round(abs(size * matrix[3]), 1))

    page.extract_text(visitor_text=seen)
    return found


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_an_ordinary_box_with_all_that_belongs_to_it_is_one_page(
    box: Bench, shop: ShopFolder, paper: str
) -> None:
    shop.keep("settings", "shop", (shop.text("settings", "shop") or "") + f'page = "{paper}"\n')
    made = write_receipt(box, 1, AGREED)
    (only,) = pypdf.PdfReader(io.BytesIO(made.pdf)).pages
    words = " ".join(only.extract_text().split())
    assert len(made.items) == 6
    for said in (
        "You said yes to giving power to a failing drive; long reading that may finish",
        "We ask you before opening by a laboratory with a clean room (by telephone, ",
        "You said no to sending things by a carrier (in person, ",
        made.head,
        "page 1 of 1",
        *HEADINGS,
    ):
        assert said in words
    sizes = letter_sizes(only)
    assert max(one for one in sizes if one < 11) >= 9.5, "what is read"
    assert min(sizes) >= 7.2, "the case's number in the foot, as on every paper"


@pytest.mark.parametrize(
    ("kind", "told", "silent"),
    [
        (CaseKind.BOX, ("any other drive of the same box", "Keep the mains adapter"), ("belongs to",)),
        (CaseKind.DRIVE, ("another drive that belongs to it",), ("same box", "mains adapter")),
        (CaseKind.BOARD_SWAP, ("the drive that the board belongs to",), ("same box", "mains adapter")),
    ],
)
def test_what_to_leave_alone_is_told_of_what_came(
    bench: Bench, kind: CaseKind, told: tuple[str, ...], silent: tuple[str, ...]
) -> None:
    case = take_in(bench, "Quillmere Pottery").number
    bench.ledger.amend_case(case, kind=kind)
    pages = pypdf.PdfReader(io.BytesIO(write_receipt(bench, case).pdf)).pages
    words = " ".join(" ".join(one.extract_text() for one in pages).split())
    assert [one in words for one in told] == [True] * len(told)
    assert [one in words for one in silent] == [False] * len(silent)
    assert "Do not open a drive" in words


def test_beyond_a_page_nothing_is_parted_from_what_it_belongs_to(box: Bench) -> None:
    pages = set[int]()
    for _ in range(14):
        for _ in range(2):
            add_item(box, 1, What.OTHER, "drive without a box", marks="AL20-HX4")
        read = pypdf.PdfReader(io.BytesIO(write_receipt(box, 1, AGREED).pdf)).pages
        pages.add(len(read))
        for number, one in enumerate(read):
            lines = [line for line in one.extract_text().splitlines() if line.strip()]
            body = [line for line in lines if not line.startswith(("The bench", "Receipt", "case"))]
            first, last = " ".join(body[:2]), body[-1]
            assert number == 0 or "name, date, signature" not in first, "signatures alone"
            assert "mendbay case custody" not in first, "a code without a word on it"
            assert not last.startswith(HEADINGS), "a heading without what is under it"
    assert pages == {1, 2}, "both were tried"
