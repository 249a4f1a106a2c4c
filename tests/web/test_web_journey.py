"""The whole job in a real browser, from take-in to hand-back, on two failing drives: real failing block
devices as root, simulated ones otherwise. The scenario is the demo's own."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from mendbay.case.custody import verify
from mendbay.jobs.check_custody import held_against_papers
from mendbay.outlets.scenario import story
from mendbay.wiring import DemoStage, check_handback, make_practice, open_bench
from support.browser import NARROW, WHY_NOT, WIDE, chromium, keep_picture, opened, require_sound
from support.web_server import served

pytestmark = [pytest.mark.slow, pytest.mark.skipif(bool(WHY_NOT), reason=WHY_NOT)]
WAIT, LONG = 30_000, 300_000
"""Milliseconds that an answer, and a reading of both drives, may take on a busy machine."""


@contextmanager
def drives_at_hand(folder: Path) -> Iterator[Mapping[str, str]]:
    """By bay, where the demo's drives are."""
    stage = DemoStage(1, simulated=os.geteuid() != 0)
    box = stage.build(folder, lambda event: None)
    with stage.connect(box) as drives:
        yield drives


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as found:
        yield found


def test_the_whole_job_from_take_in_to_hand_back(browser: Browser, tmp_path: Path) -> None:
    home, out = tmp_path / "home", tmp_path / "for the customer"
    make_practice(tmp_path / "practice")
    with (
        drives_at_hand(tmp_path / "box") as drives,
        served(home, env={"MENDBAY_WHO": "Kim"}) as found,
        opened(browser, f"{found.url}cases") as page,
    ):
        _take_in(page)
        _pictures(page, found.url, tmp_path / "practice")
        _triage(page, found.url)
        _read(page, found.url, drives)
        _pair(page, found.url)
        _files(page, found.url)
        _hand_back(page, found.url, out)
        _story(page, found.url)
        for width in (NARROW, WIDE):
            with opened(browser, f"{found.url}case/1", width) as look:
                for name in ("", "/take-in", "/pictures", "/triage", "/board", "/drives", "/pair", "/files"):
                    look.goto(f"{found.url}case/1{name}")
                    require_sound(look, f"journey{name.replace('/', '-')}")
                for name in ("/hand-back", "/things", "/money", "/letters", "/record", "/closing"):
                    look.goto(f"{found.url}case/1{name}")
                    require_sound(look, f"journey{name.replace('/', '-')}")
    assert check_handback(out).faults == ()
    with open_bench(home) as bench:
        custody = bench.ledger.custody(1)
        assert held_against_papers(bench, 1, verify(custody), custody).holds
        assert {one.who for one in custody} == {"Kim"}


def _take_in(page: Page) -> None:
    page.get_by_label("Customer").fill("Quillmere Pottery")
    page.get_by_label("What came in").fill("two-bay box Tarn Shelf 2 with its power adapter; does not start")
    page.get_by_label("Wanted first").fill("Kiln/Kiln log.xlsx\nPhotographs")
    page.get_by_role("button", name="Open a case").click()
    expect(page.get_by_role("heading", name="Take-in")).to_be_visible(timeout=WAIT)
    page.get_by_role("button", name="a two-bay box").click()
    page.get_by_role("button", name="the box, with a drive in each bay").click(timeout=WAIT)
    page.get_by_role("button", name="another adapter was plugged in").first.click(timeout=WAIT)
    page.get_by_role("button", name="Yes", exact=True).first.click(timeout=WAIT)
    expect(page.get_by_text("another adapter was plugged in").first).to_be_visible(timeout=WAIT)
    keep_picture(page, "job-1-take-in")


def _pictures(page: Page, url: str, practice: Path) -> None:
    page.goto(f"{url}case/1/pictures?bay=1")
    label = next(one for one in sorted(practice.rglob("*.jpg")) if "label" in one.name)
    page.locator("input[type=file]").first.set_input_files([str(label)])
    send = page.get_by_role("button", name="Keep and read these pictures")
    if send.is_enabled():
        send.click()
    expect(page.get_by_text(story.SERIALS[0]).first).to_be_visible(timeout=LONG)
    expect(page.locator("svg.shot").first).to_be_visible(timeout=WAIT)
    keep_picture(page, "job-2-pictures")


def _triage(page: Page, url: str) -> None:
    page.goto(f"{url}case/1/triage")
    before = page.locator("#odds").text_content()
    page.get_by_role("button", name="no light comes on").first.click()
    expect(page.locator("p.known-sign", has_text="no light comes on")).to_be_visible(timeout=WAIT)
    assert page.locator("#odds").text_content() != before
    keep_picture(page, "job-3-triage")


def _read(page: Page, url: str, drives: Mapping[str, str]) -> None:
    page.goto(f"{url}case/1/drives")
    for place, where in zip(("Drive 1", "Drive 2"), drives.values(), strict=True):
        page.get_by_role("group", name=place).get_by_label("Path of a device or an image file").fill(where)
    page.get_by_role("button", name="Look before anything is read").click()
    expect(page.get_by_role("heading", name="Before it is read")).to_be_visible(timeout=WAIT)
    for field in page.get_by_label("Why, ").all():
        field.fill("the customer wants it read all the same")
    page.get_by_role("button", name="Begin to read").click()
    expect(page.get_by_text("Asked for now").first).to_be_visible(timeout=WAIT)
    keep_picture(page, "job-4-reading")
    expect(page.get_by_text("Finished").first).to_be_visible(timeout=LONG)
    keep_picture(page, "job-5-read")


def _pair(page: Page, url: str) -> None:
    page.goto(f"{url}case/1/pair")
    expect(page.get_by_text("Mirror of").first).to_be_visible(timeout=WAIT)
    expect(page.get_by_text("fresher").first).to_be_visible()


def _files(page: Page, url: str) -> None:
    page.goto(f"{url}case/1/files")
    page.get_by_role("button", name="List the files").click()
    tree = page.get_by_role("treegrid")
    expect(tree.get_by_role("row").first).to_be_visible(timeout=LONG)
    page.get_by_label("Search names").fill("kiln log")
    expect(tree.get_by_text("Kiln log.xlsx")).to_be_visible(timeout=WAIT)
    tree.get_by_text("Kiln log.xlsx").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Kiln log.xlsx", timeout=WAIT)
    keep_picture(page, "job-6-one-file")


def _hand_back(page: Page, url: str, out: Path) -> None:
    page.goto(f"{url}case/1/hand-back")
    page.get_by_label("Folder", exact=True).first.fill(str(out))
    page.get_by_role("button", name="Begin the hand-back").click()
    expect(page.get_by_text("read again and equal").first).to_be_visible(timeout=LONG)
    keep_picture(page, "job-7-hand-back")


def _story(page: Page, url: str) -> None:
    page.goto(f"{url}case/1/record")
    expect(page.get_by_text("files copied for a hand-back").first).to_be_visible(timeout=WAIT)
    keep_picture(page, "job-8-story")
