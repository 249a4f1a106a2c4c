"""The stock, through the browser."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from mendbay.board.stock import StockState
from mendbay.jobs.alternatives import accepted
from mendbay.jobs.import_stock import export_stock
from mendbay.jobs.keep_stock import changes_by_hand
from support.web_client import Web, text_of

BOARD = {"kind": "board", "condition": "untested", "board_number": "TB-4471", "revision": "R2"}


def seen_of(page: str, action: str) -> str:
    found = re.search(rf'action="{re.escape(action)}".*?name="seen" value="(\w+)"', page, re.DOTALL)
    assert found, action
    return found[1]


def test_an_item_is_put_on_the_shelf_and_found(web: Web) -> None:
    assert "The stock is empty." in web.get("/stock")
    page = web.done("/stock/add/now", {**BOARD, "cost": "38.00 EUR", "notes": "<script>alert(1)</script>"})
    assert "Item 1 is on the shelf." in page
    assert "<script>alert" not in page
    with web.bench() as bench:
        item = bench.shelf.item(1)
        assert (item.name, item.cost_minor, item.currency) == ("TB-4471 R2", 3800, "EUR")
    for words, count in (("tb-44", 1), ("R2 4471", 1), ("mendbay:stock:000001", 1), ("nowhere", 0)):
        found = web.client.get("/stock", params={"words": words}).text
        assert found.count('href="/stock/item/1"') == count, words


def test_what_names_nothing_is_refused(web: Web) -> None:
    web.post("/stock/add/now", {"kind": "board", "condition": "untested"}, status=422)
    web.post("/stock/add/now", {**BOARD, "cost": "many"}, status=422)
    web.post("/stock/add/now", {**BOARD, "kind": "boat"}, status=422)
    with web.bench() as bench:
        assert list(bench.shelf.items()) == []


def test_a_mark_used_twice_is_refused_as_any_other_slip(web: Web) -> None:
    web.done("/stock/add/now", {**BOARD, "own_id": "D-999"})
    refused = web.post("/stock/add/now", {**BOARD, "own_id": "D-999"}, status=422).text
    assert "Not done" in refused
    assert "belongs to item 1 already" in text_of(refused)
    assert 'data-head="Own mark">D-999<' in web.get("/stock")


def test_the_list_comes_in_pages(web: Web) -> None:
    rows = "".join(f"board,TB-{at:04}\n" for at in range(130))
    list_in(web, f"kind,board number\n{rows}")
    first = web.get("/stock")
    assert "130 items, 1 to 50" in text_of(first)
    assert first.count('href="/stock/item/') == 50
    last = web.get("/stock?start=100")
    assert last.count('href="/stock/item/') == 30
    assert "130 items, 101 to 130" in text_of(last)


def test_only_what_differs_is_put_right(web: Web) -> None:
    page = web.done("/stock/add/now", BOARD)
    seen = seen_of(page, "/stock/item/1/change")
    same = web.done("/stock/item/1/change", {**BOARD, "seen": seen})
    assert "Nothing changed" in same
    changed = web.done(
        "/stock/item/1/change", {**BOARD, "revision": "R3", "location": "shelf 4", "seen": seen}
    )
    assert "revision R2 → R3" in changed
    with web.bench() as bench:
        assert [one.change.words() for one in changes_by_hand(bench, 1)[1]] == [
            "revision R2 -> R3",
            "location (nothing) -> shelf 4",
        ]
    stale = web.post("/stock/item/1/change", {**BOARD, "revision": "R9", "seen": seen}, status=409)
    assert "changed by somebody else" in stale.text
    web.get("/stock/item/77", status=404)


def test_it_is_kept_freed_and_taken_off(web: Web) -> None:
    web.post("/cases/open", {"customer": "Fern"})
    web.post("/stock/add/now", {**BOARD, "condition": "damaged"})
    kept = web.done("/stock/item/1/reserve", {"case": "1", "purpose": "board"})
    assert "The donor is damaged." in kept
    assert "Item 1 is reserved for case 1" in kept
    web.post("/stock/item/1/remove", {"reason": "sold"}, status=422)
    web.post("/stock/item/1/free")
    web.post("/stock/item/1/remove", {}, status=422)
    web.post("/stock/item/1/remove", {"reason": "sold"})
    with web.bench() as bench:
        assert bench.shelf.item(1).state is StockState.REMOVED
    assert 'href="/stock/item/1"' not in web.get("/stock")
    assert 'href="/stock/item/1"' in web.get("/stock?state=removed")
    web.get("/stock/labels?item=1", status=422)
    web.post("/stock/item/1/free")
    with web.bench() as bench:
        assert bench.shelf.item(1).state is StockState.FREE
    web.post("/stock/item/1/reserve", {"case": "9", "purpose": "board"}, status=404)


def test_labels_and_the_list_are_attachments(web: Web) -> None:
    web.post("/stock/add/now", BOARD)
    labels = web.client.get("/stock/labels?item=mendbay:stock:000001&paper=Letter&skip=2")
    assert labels.content.startswith(b"%PDF")
    assert "attachment" in labels.headers["content-disposition"]
    web.get("/stock/labels", status=422)
    web.get("/stock/labels?item=1&skip=500", status=422)
    answer = web.client.get("/stock/export")
    with web.bench() as bench:
        assert answer.content == export_stock(bench)
    assert "attachment" in answer.headers["content-disposition"]


def list_in(web: Web, text: str, **said: object) -> str:
    """The page after a list was looked at and taken in."""
    answer = web.post("/stock/list/look", files={"list": ("list.csv", text.encode(), "text/csv")})
    there = answer.headers["location"]
    return web.done(f"{there}/take", {"then": "take", "alike": "ask", **said})


def test_a_list_is_looked_at_before_it_is_taken_in(web: Web, tmp_path: Path) -> None:
    text = "kind,board number,shelf,thing\nboard,TB-1,s1,<b>\nboat,TB-2,s2,\n"
    answer = web.post("/stock/list/look", files={"list": ("<i>.csv", text.encode(), "text/csv")})
    there = answer.headers["location"]
    looked = web.get(there)
    assert "1 item would be added" in text_of(looked)
    assert ">TB-1</td>" in looked, "a value of the list stands beside its column"
    assert "&lt;b&gt;" in looked
    assert "line 3, kind" in text_of(looked)
    assert "<i>.csv" not in looked
    with web.bench() as bench:
        assert list(bench.shelf.items()) == []
    taken = web.done(f"{there}/take", {"then": "take", "alike": "ask", "column": ["4=notes", "3=location"]})
    assert "1 item added" in text_of(taken)
    with web.bench() as bench:
        (item,) = bench.shelf.items()
        assert (item.location, item.notes) == ("s1", "<b>")
    again = web.done(f"{there}/take", {"then": "take", "alike": "ask", "column": ["4=notes", "3=location"]})
    assert "0 items added" in text_of(again)
    web.post(f"{there}/take", {"then": "take", "alike": "ask", "column": ["x"]}, status=422)
    web.post(f"{there}/take", {"then": "take", "alike": "ask", "column": ["3=boat"]}, status=422)


def test_a_list_that_is_none(web: Web) -> None:
    web.post("/stock/list/look", files={"list": ("list.csv", b"", "text/csv")}, status=422)
    web.post("/stock/list/look", {}, status=422)
    web.get("/stock/list/0011223344556677", status=404)
    web.post("/stock/list/0011223344556677/take", {"then": "take", "alike": "ask"}, status=404)


def test_what_can_stand_for_what(web: Web) -> None:
    said = {"attribute": "firmware", "wanted": "<b>1.04", "donor": "1.05", "both_ways": "yes"}
    page = web.done("/stock/stand-ins/accept", said)
    assert "firmware 1.05 for &lt;b&gt;1.04, and the reverse" in page
    with web.bench() as bench:
        (row,) = accepted(bench)
    web.post(f"/stock/stand-ins/{row.number}/back", {}, status=422)
    web.post(f"/stock/stand-ins/{row.number}/back", {"reason": "a slip"})
    with web.bench() as bench:
        assert accepted(bench) == ()
    web.post("/stock/stand-ins/99/back", {"reason": "a slip"}, status=422)
    web.post("/stock/stand-ins/accept", {**said, "attribute": "colour"}, status=422)


def test_who_acts_on_an_item_that_changed_meanwhile_is_told(web: Web) -> None:
    web.post("/cases/open", {"customer": "Fern"})
    page = web.done("/stock/add/now", BOARD)
    item = "/stock/item/1"
    before = {one: seen_of(page, f"{item}/{one}") for one in ("reserve", "remove")}
    web.post(f"{item}/change", {**BOARD, "location": "shelf 4"})
    web.post(f"{item}/remove", {"reason": "sold", "seen": before["remove"]}, status=409)
    web.post(f"{item}/reserve", {"case": "1", "purpose": "board", "seen": before["reserve"]}, status=409)
    with web.bench() as bench:
        assert bench.shelf.item(1).state is StockState.FREE
    kept = web.done(f"{item}/reserve", {"case": "1", "purpose": "board"})
    free = seen_of(kept, f"{item}/free")
    web.post(f"{item}/change", {**BOARD, "location": "shelf 5"})
    web.post(f"{item}/free", {"seen": free}, status=409)
    with web.bench() as bench:
        assert bench.shelf.item(1).state is StockState.RESERVED


def test_labels_read_the_stock_once_at_most(web: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    for at in range(4):
        web.post("/stock/add/now", {**BOARD, "own_id": f"M-{at}"})
    asked = []
    with web.bench() as bench:
        shelf = type(bench.shelf)
    whole = shelf.items
    monkeypatch.setattr(shelf, "items", lambda self: asked.append(1) or whole(self))
    web.client.get("/stock/labels?item=M-1&item=M-2&item=M-3").raise_for_status()
    assert len(asked) == 1
    web.client.get("/stock/labels?item=mendbay:stock:000001&item=mendbay:stock:000002").raise_for_status()
    assert len(asked) == 1
