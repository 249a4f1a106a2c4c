"""The tree of files in a real browser: scrolled through a million rows, searched, walked by keyboard, picked
from; and the pages beside it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from mendbay.core.source import Gap, Lack
from mendbay.core.span import Span, SpanSet
from mendbay.files.verdict import Judgement, Verdict
from mendbay.wiring import open_bench
from support.browser import NARROW, WHY_NOT, WIDE, chromium, opened, require_sound
from support.file_trees import listed_home, many, named, read_home
from support.web_server import served

pytestmark = [pytest.mark.slow, pytest.mark.skipif(bool(WHY_NOT), reason=WHY_NOT)]
WAIT = 20_000
MILLION = 1_000_000
SEEN = """() => {
  const tree = document.getElementById("tree"), box = tree.getBoundingClientRect();
  return [...tree.querySelectorAll(".f-row")].filter((one) => {
    const row = one.getBoundingClientRect();
    return row.top >= box.top - 1 && row.bottom <= box.bottom + 1;
  }).map((one) => [Number(one.dataset.index), Number(one.dataset.number || -1)]).sort((a, b) => a[0] - b[0]);
}"""
"""The rows that are wholly seen: their places, and the numbers of what stands there."""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as found:
        yield found


@pytest.fixture(scope="module")
def million(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("million") / "home"
    listed_home(home, list(many(MILLION)))
    return home


def seen(page: Page) -> list[list[int]]:
    """The rows that are seen, once all of them have come."""
    page.wait_for_function(f"(({SEEN})()).every((one) => one[1] >= 0)", timeout=WAIT)
    found: list[list[int]] = page.evaluate(SEEN)
    places = [one[0] for one in found]
    assert places == list(range(places[0], places[0] + len(places)))
    assert all(number == place + 1 for place, number in found)  # everything is open: rows are numbers
    return found


def row(page: Page, index: int) -> Any:
    return page.locator(f"#row-{index}[data-number]")


def test_a_million_rows_scroll_and_jump(browser: Browser, million: Path) -> None:
    with served(million) as found, opened(browser, f"{found.url}case/1/files?all=yes") as page:
        expect(row(page, 0)).to_be_visible(timeout=WAIT)
        tree = page.locator("#tree")
        assert page.evaluate("document.querySelector('.f-space').offsetHeight") < 1e7
        for share in (0.1, 0.5, 0.97, 1.0, 0.0):
            page.evaluate(
                "(share) => { const t = document.getElementById('tree');"
                "t.scrollTop = share * (t.scrollHeight - t.clientHeight); }",
                share,
            )
            page.wait_for_timeout(200)
            first, last = seen(page)[0][0], seen(page)[-1][0]
            assert abs((first + last) / 2 / MILLION - share) < 0.03
        assert seen(page)[0][0] == 0
        # a little by wheel is a little in the list, in the middle too
        page.evaluate("document.getElementById('tree').scrollTop = 4e6")
        page.wait_for_timeout(300)
        before = seen(page)[0][0]
        tree.hover()
        for _ in range(20):
            page.mouse.wheel(0, 220)
            page.wait_for_timeout(30)
        page.wait_for_timeout(300)
        assert abs(seen(page)[0][0] - before - 100) <= 2
        assert page.locator(".f-row").count() < 120


def test_the_keyboard_reaches_both_ends(browser: Browser, million: Path) -> None:
    with served(million) as found, opened(browser, f"{found.url}case/1/files?all=yes") as page:
        expect(row(page, 0)).to_be_visible(timeout=WAIT)
        tree = page.locator("#tree")
        tree.focus()
        page.keyboard.press("End")
        expect(row(page, MILLION - 1)).to_be_visible(timeout=WAIT)
        expect(tree).to_have_attribute("aria-activedescendant", f"row-{MILLION - 1}")
        expect(tree).to_have_attribute("aria-rowcount", str(MILLION))
        page.keyboard.press("PageUp")
        page.keyboard.press("ArrowUp")
        at = int(str(tree.get_attribute("aria-activedescendant")).removeprefix("row-"))
        assert MILLION - 40 < at < MILLION - 3
        expect(row(page, at)).to_be_visible(timeout=WAIT)
        page.keyboard.press("Home")
        expect(row(page, 0)).to_be_visible(timeout=WAIT)
        expect(tree).to_be_focused()


def test_search_as_you_type(browser: Browser, million: Path) -> None:
    with served(million) as found, opened(browser, f"{found.url}case/1/files") as page:
        expect(row(page, 0)).to_be_visible(timeout=WAIT)
        page.get_by_label("Search names").press_sequentially("pot 09999", delay=30)
        expect(page.locator("#found")).to_have_text("120 rows", timeout=WAIT)
        expect(page.locator("#tree")).to_contain_text("pot 0009999.jpg in shelf 00049", timeout=WAIT)
        assert "search=pot+09999" in page.url
        page.get_by_label("holed").check()
        expect(page.locator("#found")).not_to_have_text("120 rows", timeout=WAIT)
        page.get_by_label("Search names").fill("a " * 40)
        expect(page.locator("#trouble")).to_contain_text("more than can be searched", timeout=WAIT)


def test_folders_open_by_keyboard_and_what_is_ticked_is_wanted(browser: Browser, tmp_path: Path) -> None:
    home = tmp_path / "home"
    listed_home(home, named(b"kiln/", b"kiln/<i>log.txt", b"kiln/raku/", b"kiln/raku/a.jpg", b"z.txt"))
    with served(home) as found, opened(browser, f"{found.url}case/1/files") as page:
        expect(row(page, 1)).to_be_visible(timeout=WAIT)
        page.locator("#tree").focus()
        page.keyboard.press("ArrowRight")
        expect(row(page, 3)).to_be_visible(timeout=WAIT)
        expect(page.locator("#row-0")).to_have_attribute("aria-expanded", "true")
        expect(page.locator("#tree")).to_contain_text("<i>log.txt")
        page.keyboard.press("ArrowRight")
        page.keyboard.press(" ")
        expect(page.locator("#row-1")).to_have_attribute("aria-selected", "true")
        expect(page.locator("#row-1")).to_have_attribute("aria-level", "2")
        page.keyboard.press("ArrowLeft")
        expect(page.locator("#tree")).to_have_attribute("aria-activedescendant", "row-0")
        page.keyboard.press("ArrowLeft")
        expect(page.locator("#found")).to_have_text("2 rows", timeout=WAIT)
        page.keyboard.press("End")
        page.keyboard.press(" ")
        expect(page.locator("#picked")).to_have_text("2 ticked")
        page.get_by_role("button", name="Read what is ticked first").click()
        expect(page.locator(".notice")).to_contain_text("/z.txt", timeout=WAIT)
        expect(row(page, 1)).to_contain_text("wanted", timeout=WAIT)
        with open_bench(home) as bench:
            assert bench.ledger.case(1).wanted == ("/kiln/raku/**", "/z.txt")
        page.get_by_role("button", name="Take back /z.txt").click()
        expect(page.locator(".notice")).to_contain_text("No longer wanted", timeout=WAIT)
        expect(row(page, 1)).not_to_contain_text("wanted", timeout=WAIT)


def test_a_new_listing_loads_the_page_again(browser: Browser, tmp_path: Path) -> None:
    home = tmp_path / "home"
    listed_home(home, named(b"kiln/", b"kiln/a.txt"))
    with served(home) as found, opened(browser, f"{found.url}case/1/files") as page:
        expect(row(page, 0)).to_be_visible(timeout=WAIT)
        listed_home(home, named(b"kiln/", b"kiln/a.txt", b"new.txt"))
        row(page, 0).locator(".f-name").click()
        expect(page.locator("#tree")).to_contain_text("new.txt", timeout=WAIT)


def test_without_script_there_is_a_table(browser: Browser, tmp_path: Path) -> None:
    home = tmp_path / "home"
    listed_home(home, named(b"kiln/", b"kiln/a.txt", b"z.txt"))
    with served(home) as found, opened(browser, f"{found.url}case/1/files", script=False) as page:
        page.get_by_role("link", name="kiln/").click()
        expect(page.get_by_role("link", name="a.txt")).to_be_visible()
        page.get_by_label("Want a.txt").check()
        page.get_by_role("button", name="Read what is ticked first").click()
        expect(page.locator(".notice")).to_contain_text("/kiln/a.txt")
        page.get_by_label("Search names").fill("z.")
        page.get_by_role("button", name="Show").click()
        expect(page.get_by_role("link", name="z.txt")).to_be_visible()


@pytest.mark.parametrize("text_size", ["100%", "200%"])
def test_what_a_folder_holds_is_read_whole_on_a_narrow_screen(
    browser: Browser, tmp_path: Path, text_size: str
) -> None:
    home = tmp_path / "home"
    gap = (Gap(Span(0, 512), Lack.REFUSED),)
    entries = named(b"photographs/")
    for state, gaps in ((Verdict.WHOLE, ()), (Verdict.HOLED, gap), (Verdict.UNPROVEN, ())):
        judged = Judgement(state, gaps, SpanSet(), SpanSet(), ())
        names = (b"photographs/%s %d.jpg" % (str(state).encode(), at) for at in range(120))
        entries += [(named(one)[1][0], judged) for one in names]
    listed_home(home, entries)
    width = NARROW if text_size == "100%" else 2 * NARROW
    with served(home) as found, opened(browser, f"{found.url}case/1/files", width) as page:
        page.evaluate("(size) => { document.documentElement.style.fontSize = size; }", text_size)
        page.set_viewport_size({"width": width, "height": 1200})
        expect(row(page, 0)).to_contain_text("120 unproven", timeout=WAIT)
        cut = """(row) => [row, ...row.querySelectorAll(".f-cells, .f-verdict")].filter((one) =>
          one.scrollHeight > one.clientHeight + 1 || one.scrollWidth > one.clientWidth + 1
        ).map((one) => one.className)"""
        assert row(page, 0).evaluate(cut) == []


@pytest.mark.parametrize("width", [NARROW, WIDE])
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_its_pages_are_sound(browser: Browser, tmp_path: Path, width: int, dark: bool) -> None:
    home = read_home(tmp_path / "shop" / "home")
    tint = "dark" if dark else "light"
    with served(home) as found, opened(browser, f"{found.url}case/1/files", width, dark=dark) as page:
        expect(row(page, 0)).to_be_visible(timeout=WAIT)
        require_sound(page, f"files-{tint}")
        page.get_by_label("Search names").fill("large.bin")
        expect(page.locator("#found")).to_have_text("1 row", timeout=WAIT)
        row(page, 0).locator(".f-name").click()
        expect(page.get_by_role("heading", name="Where its bytes came from")).to_be_visible(timeout=WAIT)
        page.wait_for_timeout(500)
        require_sound(page, f"file-{tint}")
        page.goto(f"{found.url}case/1/hand-back")
        require_sound(page, f"hand-back-{tint}")
