"""Where somebody is after a form was sent, in a real browser: what was done or refused is seen there and read
out, and the keys go on from there."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from mendbay.case.records import Intake
from mendbay.wiring import open_bench
from support.browser import NARROW, WHY_NOT, chromium, opened, require_sound
from support.web_server import served

pytestmark = [pytest.mark.slow, pytest.mark.skipif(bool(WHY_NOT), reason=WHY_NOT)]
WAIT = 20_000
"""Milliseconds that anything may take on a busy machine."""
LONG_NAME = "Donaudampfschifffahrtsgesellschaft" * 4


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as found:
        yield found


def open_case(home: Path, customer: str) -> None:
    with open_bench(home) as bench, bench.ledger.together():
        bench.ledger.open_case(Intake(bench.now(), customer, "", "", (), ""))


def test_a_refused_field_is_marked_told_with_the_reason_and_gone_to(browser: Browser, tmp_path: Path) -> None:
    with served(tmp_path / "home") as found, opened(browser, f"{found.url}stock/add", NARROW) as page:
        page.get_by_label("Board number").fill("TB-1")
        page.get_by_label("What it cost").fill("abc")
        page.get_by_role("button", name="Put it on the shelf").click()
        expect(page.get_by_role("alert")).to_contain_text("is not a cost", timeout=WAIT)
        field = page.get_by_label("What it cost")
        expect(field).to_be_focused(timeout=WAIT)
        expect(field).to_have_attribute("aria-invalid", "true")
        why = "Not done 'abc' is not a cost. Next: Write it as 38.00 EUR."
        expect(field).to_have_accessible_description(why)
        expect(field).to_be_in_viewport(ratio=1)
        expect(page.get_by_role("alert")).to_be_in_viewport(ratio=1)
        field.fill("38.00 EUR")
        expect(field).not_to_have_attribute("aria-invalid", "true")


def test_where_no_field_is_to_blame_the_keys_go_on_from_what_was_pressed(
    browser: Browser, tmp_path: Path
) -> None:
    with served(tmp_path / "home") as found, opened(browser, f"{found.url}stock/add") as page:
        button = page.get_by_role("button", name="Put it on the shelf")
        button.focus()
        page.keyboard.press("Enter")
        expect(page.get_by_role("alert")).to_contain_text("Not done", timeout=WAIT)
        expect(button).to_be_focused(timeout=WAIT)


def test_what_was_done_is_seen_down_the_page_too_and_the_keys_go_on_there(
    browser: Browser, tmp_path: Path
) -> None:
    with served(tmp_path / "home") as found:
        open_case(tmp_path / "home", "A pottery studio")
        with opened(browser, f"{found.url}case/1", NARROW) as page:
            page.get_by_label("Needed by").fill("2031-02-01")
            button = page.get_by_role("button", name="Set the day")
            button.focus()
            page.keyboard.press("Enter")
            notice = page.locator(".notice")
            expect(notice).to_have_text("Needed by 2031-02-01.", timeout=WAIT)
            expect(notice).to_be_in_viewport()
            expect(page.get_by_role("heading", name="Whose turn it is")).to_be_focused()


@pytest.mark.parametrize("path", ["cases", ""])
def test_no_name_is_too_long_for_a_narrow_screen(browser: Browser, tmp_path: Path, path: str) -> None:
    with served(tmp_path / "home") as found:
        open_case(tmp_path / "home", LONG_NAME)
        with opened(browser, found.url + path, 320) as page:
            require_sound(page, "long-name")
            link = page.get_by_role("link", name=LONG_NAME).first
            box = link.bounding_box()
            assert box is not None
            assert box["x"] + box["width"] <= 320


def test_the_numbers_of_a_table_stand_in_line_with_their_words(browser: Browser, tmp_path: Path) -> None:
    with served(tmp_path / "home") as found:
        open_case(tmp_path / "home", "A pottery studio")
        with opened(browser, f"{found.url}cases") as page:
            lefts = page.evaluate(
                """() => [document.querySelector("thead th:nth-child(2)"), document.querySelector("tbody th")]
                    .map((one) => { const words = document.createRange(); words.selectNodeContents(one);
                                    return words.getBoundingClientRect().left; })"""
            )
            assert abs(lefts[0] - lefts[1]) < 1, lefts


def test_the_present_step_is_told_from_others_in_forced_colours(browser: Browser, tmp_path: Path) -> None:
    with served(tmp_path / "home") as found:
        open_case(tmp_path / "home", "A pottery studio")
        with opened(browser, f"{found.url}case/1/money") as page:
            page.emulate_media(forced_colors="active")
            edges = page.evaluate(
                """() => [".spine a[aria-current]", ".spine a:not([aria-current])"]
                    .map((one) => getComputedStyle(document.querySelector(one)).borderLeftColor)"""
            )
            assert edges[0] != edges[1], edges
            assert edges[1] == page.evaluate("getComputedStyle(document.body).backgroundColor")
