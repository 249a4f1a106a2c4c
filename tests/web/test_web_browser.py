"""The bench in a real browser: news, restarts, two at once, keyboard, the key."""

from __future__ import annotations

import os
import signal
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, Route, expect

from mendbay.case.records import Intake
from mendbay.core.clock import SystemClock
from mendbay.jobs.work_port import Outcome, Question, Standing, WorkKind, WorkState
from mendbay.outlets.work_desk import FolderDesk, open_desk
from mendbay.outlets.work_shelf import WorkShelf
from mendbay.wiring import open_bench
from support.browser import NARROW, WHY_NOT, WIDE, chromium, opened, require_sound
from support.web_server import served
from support.works import order_of, until

pytestmark = [pytest.mark.slow, pytest.mark.skipif(bool(WHY_NOT), reason=WHY_NOT)]
WAIT = 20_000
"""Milliseconds that anything may take on a busy machine."""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as found:
        yield found


def open_case(home: Path, customer: str) -> None:
    """As another terminal would, past the server."""
    with open_bench(home) as bench, bench.ledger.together():
        bench.ledger.open_case(Intake(bench.now(), customer, "", "", (), ""))


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.mark.parametrize("width", [NARROW, WIDE])
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_pages_of_the_shop_are_sound(browser: Browser, tmp_path: Path, width: int, dark: bool) -> None:
    with served(tmp_path / "home") as found, opened(browser, found.url, width, dark=dark) as page:
        open_case(tmp_path / "home", "A pottery studio")
        for path in ("", "cases", "case/1"):
            page.goto(found.url + path)
            require_sound(page, f"shop-{path.replace('/', '-') or 'today'}-{'dark' if dark else 'light'}")


def test_a_page_that_goes_against_its_policy_is_complained_of(browser: Browser, tmp_path: Path) -> None:
    with (
        served(tmp_path / "home") as found,
        pytest.raises(AssertionError, match="against the policy img-src"),
    ):
        _picture_of_elsewhere(browser, found.url)


def _picture_of_elsewhere(browser: Browser, url: str) -> None:
    with opened(browser, url) as page, page.expect_console_message(lambda one: "against" in one.text):
        page.evaluate("document.body.append(Object.assign(new Image(), {src: 'http://127.0.0.1:9/x.png'}))")


def test_what_another_does_is_seen_without_asking(browser: Browser, tmp_path: Path) -> None:
    with served(tmp_path / "home") as found, opened(browser, f"{found.url}cases") as one:
        expect(one.get_by_text("A pottery studio")).to_have_count(0)
        open_case(tmp_path / "home", "A pottery studio")
        expect(one.get_by_text("A pottery studio")).to_be_visible(timeout=WAIT)
        with opened(browser, f"{found.url}cases") as two:
            two.locator("summary", has_text="A new case").click()
            two.get_by_label("Customer").fill("A weaver")
            two.get_by_role("button", name="Open a case").click()
            expect(two.get_by_text("Case 2 is open.")).to_be_visible(timeout=WAIT)
            expect(one.get_by_text("A weaver")).to_be_visible(timeout=WAIT)


def test_a_page_is_true_again_after_the_server_was_gone(browser: Browser, tmp_path: Path) -> None:
    home, port = tmp_path / "home", free_port()
    with served(home, port=port) as first, opened(browser, f"{first.url}cases") as page:
        expect(page.locator("#found")).to_be_attached()
        first.process.kill()
        first.process.wait()
        expect(page.get_by_text("does not answer")).to_be_visible(timeout=WAIT)
        open_case(home, "Came meanwhile")
        with served(home, port=port):
            expect(page.get_by_text("Came meanwhile")).to_be_visible(timeout=WAIT)
            expect(page.get_by_text("does not answer")).to_have_count(0, timeout=WAIT)
            open_case(home, "Came after")
            expect(page.get_by_text("Came after")).to_be_visible(timeout=WAIT)


SEEN = """(seen) => {
    Object.defineProperty(document, "hidden", {configurable: true, get: () => !seen});
    document.dispatchEvent(new Event("visibilitychange"));
}"""
"""What a browser does when a tab is left or come back to; without a screen it takes every tab as seen."""


def test_tabs_that_nobody_sees_hold_no_other_up_and_are_true_when_seen_again(
    browser: Browser, tmp_path: Path
) -> None:
    """A browser opens no more than six connections to one server (HTTP/1.1, common practice, no source)."""
    with served(tmp_path / "home") as found, opened(browser, f"{found.url}cases") as first:
        tabs = [first]
        for _ in range(8):
            tabs[-1].evaluate(SEEN, False)
            tabs.append(first.context.new_page())
            tabs[-1].goto(f"{found.url}cases", timeout=WAIT)
        open_case(tmp_path / "home", "A pottery studio")
        expect(tabs[-1].get_by_text("A pottery studio")).to_be_visible(timeout=WAIT)
        expect(first.get_by_text("A pottery studio")).to_have_count(0)
        first.evaluate(SEEN, True)
        expect(first.get_by_text("A pottery studio")).to_be_visible(timeout=WAIT)


def test_a_connection_that_fell_silent_is_told_and_made_anew(browser: Browser, tmp_path: Path) -> None:
    """As after a network was left or a machine slept: nothing is broken off, and nothing comes."""
    home = tmp_path / "home"
    with served(home) as found, opened(browser, f"{found.url}cases") as page:
        told = page.locator("#link-state")
        page.clock.install()
        page.reload(timeout=WAIT)
        expect(page.locator("#found")).to_be_attached()
        found.process.send_signal(signal.SIGSTOP)
        try:
            page.clock.fast_forward(20_000)
            assert not told.text_content()
            page.clock.run_for(20_000)
            expect(told).to_contain_text("what you see may be old", timeout=WAIT)
        finally:
            found.process.send_signal(signal.SIGCONT)
        open_case(home, "Came meanwhile")
        expect(page.get_by_text("Came meanwhile")).to_be_visible(timeout=WAIT)
        expect(told).to_be_empty(timeout=WAIT)


def test_after_an_hour_of_sleep_and_a_clock_that_was_set_the_page_asks_anew_and_stays_true(
    browser: Browser, tmp_path: Path
) -> None:
    """Its stream may look open still: a machine that wakes has heard nothing of the other end."""
    home = tmp_path / "home"
    with served(home) as found, opened(browser, f"{found.url}cases") as page:
        streams: list[str] = []
        page.on("request", lambda one: streams.append(one.url) if one.url.endswith("/live") else None)
        page.clock.install()
        page.reload(timeout=WAIT)
        expect(page.locator("#found")).to_be_attached()
        now = page.evaluate("Date.now()")
        for at, jump in enumerate((3_600_000, -3_600_000)):
            before = len(streams)
            now += jump
            page.clock.set_system_time(now / 1000)
            page.clock.run_for(4_000)
            until(lambda before=before: page.evaluate("1") and len(streams) > before)  # type: ignore[misc]
            open_case(home, f"Came {at}")
            expect(page.get_by_text(f"Came {at}")).to_be_visible(timeout=WAIT)
            expect(page.locator("#link-state")).to_be_empty(timeout=WAIT)


def test_a_part_that_could_not_be_asked_for_is_told_and_asked_for_again(
    browser: Browser, tmp_path: Path
) -> None:
    home = tmp_path / "home"
    with served(home) as found, opened(browser, f"{found.url}cases") as page:
        expect(page.locator("#found")).to_be_attached()
        lost: list[str] = []

        def lose(route: Route) -> None:
            if route.request.headers.get("hx-request") and len(lost) < 2:
                lost.append(route.request.url)
                route.fulfill(status=429, body="busy")
            else:
                route.continue_()

        page.context.route("**/cases*", lose)
        open_case(home, "A pottery studio")
        expect(page.locator("#link-state")).to_contain_text("may be old", timeout=WAIT)
        expect(page.get_by_text("A pottery studio")).to_be_visible(timeout=WAIT)
        expect(page.locator("#link-state")).to_be_empty(timeout=WAIT)
        assert len(lost) == 2


@pytest.mark.parametrize("width", [NARROW, WIDE])
def test_figures_are_marked_as_old_where_they_stand_while_the_server_is_silent(
    browser: Browser, tmp_path: Path, width: int
) -> None:
    home, port = tmp_path / "home", free_port()
    with served(home, port=port) as first:
        open_case(home, "A pottery studio")
        shelf = WorkShelf(home, SystemClock())
        order = order_of(shelf, WorkKind.READ_DRIVE, {"bay": "1", "source": "/dev/nothing"})
        shelf.begin(order)
        with (
            open_desk(home, order.id, os.dup(shelf.hand_over(order.id))) as desk,
            opened(browser, f"{first.url}case/1/drives", width) as page,
        ):
            desk.write(WorkState(Standing.RUNS, said=tuple(f"Word {at}." for at in range(6)), said_count=6))
            last = page.get_by_text("Word 0.")
            expect(last).to_be_visible(timeout=WAIT)
            last.scroll_into_view_if_needed()
            words = (
                """() => getComputedStyle(document.querySelector("#drives-reading"), "::before").content"""
            )
            assert page.evaluate(words) == "none"
            first.process.kill()
            first.process.wait()
            told = page.locator("#link-state")
            expect(told).to_contain_text("what you see may be old", timeout=WAIT)
            expect(told).to_be_in_viewport()
            assert "Old" in page.evaluate(words)
            with served(home, port=port):
                expect(told).to_be_empty(timeout=WAIT)
                assert page.evaluate(words) == "none"
        shelf.let_go(order.id)


def test_what_was_typed_stays_when_it_is_refused(browser: Browser, tmp_path: Path) -> None:
    with served(tmp_path / "home") as found, opened(browser, f"{found.url}cases") as page:
        field = page.get_by_label("Customer")
        field.evaluate("(one) => one.removeAttribute('maxlength')")
        field.fill("x" * 300)
        page.get_by_role("button", name="Open a case").click()
        expect(page.get_by_role("alert")).to_contain_text("too many", timeout=WAIT)
        expect(field).to_have_value("x" * 300)
        assert page.url == f"{found.url}cases"


def test_it_works_without_script_and_by_keyboard(browser: Browser, tmp_path: Path) -> None:
    with served(tmp_path / "home") as found:
        with opened(browser, f"{found.url}cases", script=False) as page:
            page.get_by_label("Customer").fill("No script")
            page.keyboard.press("Enter")
            expect(page.get_by_text("is open")).to_be_visible(timeout=WAIT)
        with opened(browser, f"{found.url}cases") as page:
            page.keyboard.press("Tab")
            expect(page.get_by_text("To the content")).to_be_focused()
            page.keyboard.press("Enter")
            assert page.evaluate("document.activeElement.id") == "main"


def test_the_link_with_the_key_opens_and_hides_it(browser: Browser, tmp_path: Path) -> None:
    with served(tmp_path / "home", "--with-key") as found:
        bare, _, key = found.url.partition("enter#")
        with opened(browser, f"{bare}cases") as page:
            expect(page.get_by_label("Key")).to_be_visible()
        with opened(browser, found.url) as page:
            expect(page.get_by_role("link", name="Cases")).to_be_visible(timeout=WAIT)
            page.wait_for_url(bare, timeout=WAIT)
            assert key not in page.url
            page.goto(f"{bare}cases")
            expect(page.get_by_role("heading", name="Cases")).to_be_visible()


def test_a_question_is_seen_also_by_who_left_the_focus_on_a_button(browser: Browser, tmp_path: Path) -> None:
    """As after a question of the page that was answered with no; the work waits, and says nothing more."""
    home = tmp_path / "home"
    with served(home) as found:
        open_case(home, "A pottery studio")
        shelf = WorkShelf(home, SystemClock())
        order = order_of(shelf, WorkKind.READ_DRIVE, {"bay": "1", "source": "/dev/nothing"})
        shelf.begin(order)
        with (
            open_desk(home, order.id, os.dup(shelf.hand_over(order.id))) as desk,
            opened(browser, f"{found.url}case/1/drives") as page,
        ):
            desk.write(WorkState(Standing.RUNS))
            button = page.get_by_role("button", name="Stop reading")
            expect(button).to_be_visible(timeout=WAIT)
            button.focus()
            ask = Question(1, "power-cycle", "1", "Cut the power of the drive in bay 1.")
            desk.write(WorkState(Standing.WAITS, question=ask))
            expect(page.get_by_text("It waits for you")).to_be_visible(timeout=WAIT)
        shelf.let_go(order.id)


@contextmanager
def exporting(browser: Browser, home: Path) -> Iterator[tuple[FolderDesk, Page]]:
    """The desk of an export that is under way, as a test writes what it says, and the page that shows it."""
    with served(home) as found:
        open_case(home, "A pottery studio")
        shelf = WorkShelf(home, SystemClock())
        order = order_of(shelf, WorkKind.EXPORT_CASE, {"folder": "/nowhere"})
        shelf.begin(order)
        with (
            open_desk(home, order.id, os.dup(shelf.hand_over(order.id))) as desk,
            opened(browser, f"{found.url}case/1/closing") as page,
        ):
            yield desk, page
        shelf.let_go(order.id)


def test_what_came_while_somebody_was_in_a_part_is_shown_once_they_left_it(
    browser: Browser, tmp_path: Path
) -> None:
    with exporting(browser, tmp_path / "home") as (desk, page):
        desk.write(WorkState(Standing.RUNS, said=("The first word.",), said_count=1))
        expect(page.get_by_role("button", name="Stop")).to_be_visible(timeout=WAIT)
        page.get_by_role("button", name="Stop").focus()
        step = {"step": "copying", "done": 1, "total": 2, "now": "", "in_bytes": False}
        desk.write(WorkState(Standing.RUNS, step=step))
        page.wait_for_timeout(3000)
        expect(page.get_by_role("button", name="Stop")).to_be_focused()
        page.get_by_role("link", name="Cases").focus()
        expect(page.get_by_text("1 of 2")).to_be_visible(timeout=WAIT)


def test_how_a_long_job_stands_is_told_when_it_changes_and_not_at_each_step(
    browser: Browser, tmp_path: Path
) -> None:
    """To whoever hears the page: an export of a whole case has some thousand steps."""
    with exporting(browser, tmp_path / "home") as (desk, page):
        told = page.locator("#told")
        expect(told).to_have_text("")
        for done in (1, 2):
            step = {"step": "copying", "done": done, "total": 3, "now": "", "in_bytes": False}
            desk.write(WorkState(Standing.RUNS, step=step))
            expect(page.get_by_text(f"{done} of 3")).to_be_visible(timeout=WAIT)
            if done == 1:
                page.evaluate("document.getElementById('told').textContent = ''")
        expect(told).to_have_text("")
        desk.write(WorkState(Standing.ENDED, outcome=Outcome.STOPPED))
        expect(told).to_contain_text("Export: ", timeout=WAIT)


def test_of_more_pictures_than_are_taken_at_once_none_is_left_out_in_silence(
    browser: Browser, tmp_path: Path
) -> None:
    open_case(tmp_path / "home", "A pottery studio")
    with served(tmp_path / "home") as found, opened(browser, f"{found.url}case/1/pictures") as page:
        page.evaluate(
            """() => {
                const held = new DataTransfer();
                for (let at = 0; at < 41; at += 1) {
                    held.items.add(new File(["x"], `${at}.jpg`, {type: "image/jpeg"}));
                }
                const how = {dataTransfer: held, bubbles: true, cancelable: true};
                document.body.dispatchEvent(new DragEvent("drop", how));
            }"""
        )
        expect(page.locator("#trouble")).to_contain_text("Send at most 40 at a time", timeout=WAIT)


def test_pictures_that_are_refused_are_not_called_sent(browser: Browser, tmp_path: Path) -> None:
    open_case(tmp_path / "home", "A pottery studio")
    with served(tmp_path / "home") as found, opened(browser, f"{found.url}case/1/pictures") as page:
        page.locator("#f-pictures").set_input_files(
            {"name": "notes.jpg", "mimeType": "image/jpeg", "buffer": b"no picture at all" * 100_000}
        )
        page.get_by_role("button", name="Keep these pictures").click()
        expect(page.locator("#trouble")).to_contain_text("nothing of what was sent is kept", timeout=WAIT)
        expect(page.locator("#sent-so-far")).to_be_empty()


def test_what_is_typed_at_take_in_stays_when_another_answer_is_kept(browser: Browser, tmp_path: Path) -> None:
    with served(tmp_path / "home") as found:
        open_case(tmp_path / "home", "A pottery studio")
        with opened(browser, f"{found.url}case/1/take-in") as page:
            page.get_by_role("button", name="a two-bay box").click()
            expect(page.get_by_text("Kept: a two-bay box.")).to_be_visible(timeout=WAIT)
            matters = page.get_by_role("textbox", name="What matters most to the customer?")
            story = page.get_by_role("textbox", name="What happened, in the customer's own words?")
            matters.fill("the accounts")
            story.fill("it fell")
            page.get_by_label("a dent or a crack").check()
            page.locator("form", has=story).get_by_role("button", name="Keep").click()
            expect(page.get_by_text("Kept: it fell.")).to_be_visible(timeout=WAIT)
            expect(matters).to_have_value("the accounts")
            expect(page.get_by_label("a dent or a crack")).to_be_checked()
            page.locator("form", has=matters).get_by_role("button", name="Keep").click()
            expect(page.get_by_text("Kept: the accounts.")).to_be_visible(timeout=WAIT)
