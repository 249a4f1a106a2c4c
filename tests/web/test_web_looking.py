"""Looking changes nothing: no page of the bench moves the ledger, whatever is filled in already."""

from __future__ import annotations

import itertools
import re
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from mendbay.case.agenda import WaitsFor
from mendbay.case.items import What
from mendbay.case.records import Bay
from mendbay.faces.web.app import book_of_all
from mendbay.jobs.keep_items import add_item, items_of
from mendbay.jobs.take_in import add_bay, take_in
from mendbay.jobs.waiting import wait
from support.web_client import Web, web_on

PAGES = [one for one in book_of_all().addresses.values() if one.method == "GET"]


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Web]:
    """A shop with a case that has bays older and newer than its first thing, and one that waits."""
    with web_on(tmp_path_factory.mktemp("looking") / "home") as web:
        with web.bench() as bench:
            take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1", "AL-1", "S1")])
            add_item(bench, 1, What.ADAPTER, "12 V")
            add_bay(bench, Bay(1, "2"))
            take_in(bench, "Ada")
            wait(bench, 2, WaitsFor.CUSTOMER, "a word")
        yield web


def ledger_of(home: Path) -> list[str]:
    """All that the ledger holds, as SQL."""
    with sqlite3.connect(f"file:{home / 'ledger.sqlite3'}?mode=ro", uri=True) as found:
        return list(found.iterdump())


@pytest.mark.parametrize("name", [one.name for one in PAGES])
@pytest.mark.parametrize("case", [1, 2])
def test_no_page_moves_the_ledger(filled: Web, name: str, case: int) -> None:
    address = book_of_all().addresses[name]
    path = address.url({part: case if whole else "1" for part, whole in address.parts()}, {})
    before = ledger_of(filled.home)
    for url in (path, f"{path}?bay=2"):
        filled.client.get(url, follow_redirects=True)
    assert ledger_of(filled.home) == before


@pytest.mark.parametrize("name", [one.name for one in PAGES])
@pytest.mark.parametrize("case", [1, 2])
def test_no_heading_is_left_out(filled: Web, name: str, case: int) -> None:
    address = book_of_all().addresses[name]
    path = address.url({part: case if whole else "1" for part, whole in address.parts()}, {})
    page = filled.client.get(path, follow_redirects=True)
    if "<main" not in page.text:
        return  # a piece of a page, or none
    steps = [int(one) for one in re.findall(r"<h([1-6])", page.text)]
    assert steps[0] == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(steps)), steps


def test_the_things_page_shows_the_drives_it_would_number(filled: Web) -> None:
    assert "0001-03" in filled.get("/case/1/things")
    with filled.bench() as bench:
        assert [one.bay for one in items_of(bench, 1)] == ["1", "", "2"]
