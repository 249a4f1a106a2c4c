"""Words typed in a real browser: there again after whatever refuses their form."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from mendbay.case.records import Intake
from mendbay.jobs.waiting import set_due
from mendbay.wiring import open_bench
from support.browser import NARROW, WHY_NOT, chromium, opened, require_sound
from support.web_server import served

pytestmark = [pytest.mark.slow, pytest.mark.skipif(bool(WHY_NOT), reason=WHY_NOT)]
WAIT = 20_000
"""Milliseconds that anything may take on a busy machine."""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as found:
        yield found


def open_case(home: Path) -> None:
    with open_bench(home) as bench, bench.ledger.together():
        bench.ledger.open_case(Intake(bench.now(), "A pottery studio", "", "", (), ""))


def due_on(home: Path, day: str) -> None:
    """As somebody else would set it meanwhile."""
    with open_bench(home) as bench:
        set_due(bench, 1, day)


def set_day(page: Page) -> None:
    page.get_by_role("button", name="Set the day").click()


@pytest.mark.parametrize("script", [True, False], ids=["with script", "without script"])
def test_of_a_form_that_came_late_both_words_are_seen_and_one_press_sends_it(
    browser: Browser, tmp_path: Path, script: bool
) -> None:
    home = tmp_path / "home"
    open_case(home)
    with served(home) as found, opened(browser, f"{found.url}case/1", NARROW, script=script) as page:
        due_on(home, "2999-12-24")
        page.get_by_label("Needed by").fill("2999-11-11")
        set_day(page)
        expect(page.get_by_text("Now on record: 2999-12-24")).to_be_visible(timeout=WAIT)
        expect(page.get_by_label("Needed by")).to_have_value("2999-11-11")
        if script:
            assert page.url == f"{found.url}case/1"
            expect(page.get_by_label("Needed by")).to_be_focused()
            expect(page.locator("#trouble")).to_be_in_viewport()
            require_sound(page, "typed-again")
        set_day(page)
        expect(page.get_by_text("Needed by 2999-11-11.")).to_be_visible(timeout=WAIT)
        assert page.url == f"{found.url}case/1"


@pytest.mark.parametrize("script", [True, False], ids=["with script", "without script"])
def test_whose_key_holds_no_longer_loses_nothing_typed(
    browser: Browser, tmp_path: Path, script: bool
) -> None:
    home = tmp_path / "home"
    open_case(home)
    with served(home, "--with-key") as found:
        bare, _, key = found.url.partition("enter#")

        def give_key(door: Page) -> None:
            door.get_by_label("Key").fill(key)
            door.get_by_role("button", name="Open").click()
            door.wait_for_url(bare, timeout=WAIT)

        with opened(browser, f"{bare}enter", script=script) as page:
            give_key(page)
            page.goto(f"{bare}case/1")
            page.context.clear_cookies()
            page.locator("summary", has_text="It waits").first.click()
            page.get_by_label("For whom").select_option("part")
            page.get_by_label("For what").fill("a donor board")
            page.get_by_role("button", name="It waits").click()
            expect(page.locator(".trouble")).to_contain_text("key of this bench is needed", timeout=WAIT)
            if script:
                assert page.url == f"{bare}case/1"
                expect(page.get_by_label("For what")).to_have_value("a donor board")
                with open_bench(home) as bench, bench.ledger.together():
                    bench.ledger.open_case(Intake(bench.now(), "A weaver", "", "", (), ""))
                page.wait_for_timeout(1500)  # news come, and parts that ask for themselves are refused
                expect(page.locator("#stands")).to_be_attached()
            with page.context.expect_page() as door:
                page.get_by_role("link", name="Give the key").click()
            give_key(door.value)
            if script:
                page.get_by_role("button", name="It waits").click()
            else:
                page.reload()
            expect(page.get_by_text("It waits for a part now.")).to_be_visible(timeout=WAIT)


@pytest.mark.parametrize("script", [True, False], ids=["with script", "without script"])
def test_enter_held_down_is_one_change(browser: Browser, tmp_path: Path, script: bool) -> None:
    home = tmp_path / "home"
    with served(home) as found, opened(browser, f"{found.url}cases", script=script) as page:
        page.get_by_label("Customer").fill("A pottery studio")
        for _ in range(8):
            page.keyboard.down("Enter")
        page.keyboard.up("Enter")
        page.wait_for_url("**/case/1/take-in", timeout=WAIT)
        page.wait_for_timeout(500)
        with open_bench(home) as bench:
            assert len(bench.ledger.cases()) == 1


def test_what_is_typed_in_other_forms_of_a_page_stays_when_one_is_sent(
    browser: Browser, tmp_path: Path
) -> None:
    home = tmp_path / "home"
    open_case(home)
    with served(home) as found, opened(browser, f"{found.url}case/1") as page:
        page.locator("summary", has_text="It waits").first.click()
        page.get_by_label("For whom").select_option("part")
        page.get_by_label("For what").fill("a donor board")
        page.get_by_label("Needed by").fill("2999-11-11")
        set_day(page)
        expect(page.get_by_text("Needed by 2999-11-11.")).to_be_visible(timeout=WAIT)
        expect(page.get_by_label("For what")).to_have_value("a donor board")
        expect(page.get_by_label("For whom")).to_have_value("part")
        due_on(home, "2999-12-24")
        page.get_by_label("Needed by").fill("2999-12-25")
        set_day(page)
        expect(page.get_by_text("Now on record: 2999-12-24")).to_be_visible(timeout=WAIT)
        expect(page.get_by_label("For what")).to_have_value("a donor board")
        page.get_by_role("button", name="It waits").click()
        expect(page.get_by_text("It waits for a part now.")).to_be_visible(timeout=WAIT)
        expect(page.get_by_label("Needed by")).to_have_value("2999-12-25")


def test_a_page_shown_again_as_it_was_is_asked_for_again_unless_somebody_typed_in_it(
    browser: Browser, tmp_path: Path
) -> None:
    home = tmp_path / "home"
    open_case(home)
    again = "dispatchEvent(new PageTransitionEvent('pageshow', {persisted: true}))"
    with served(home) as found, opened(browser, f"{found.url}case/1") as page:
        due_on(home, "2999-12-24")
        page.get_by_label("Needed by").fill("2999-11-11")
        page.evaluate(again)
        page.wait_for_timeout(500)
        expect(page.get_by_label("Needed by")).to_have_value("2999-11-11")
        page.get_by_label("Needed by").fill("")
        page.evaluate(again)
        expect(page.get_by_label("Needed by")).to_have_value("2999-12-24", timeout=WAIT)


def test_a_page_gone_back_to_shows_what_is_on_record_now(browser: Browser, tmp_path: Path) -> None:
    home = tmp_path / "home"
    open_case(home)
    with served(home) as found, opened(browser, f"{found.url}case/1") as page:
        page.get_by_label("Needed by").fill("2999-11-11")
        set_day(page)
        expect(page.get_by_text("Needed by 2999-11-11.")).to_be_visible(timeout=WAIT)
        page.goto(f"{found.url}cases")
        due_on(home, "2999-12-24")
        page.go_back()
        expect(page.get_by_label("Needed by")).to_have_value("2999-12-24", timeout=WAIT)
