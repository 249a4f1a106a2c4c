"""A real browser, headless (Debian's chromium, driven by Playwright), and what every page of the bench must
be in it."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, ConsoleMessage, Page, Request, sync_playwright

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or ""
WHY_NOT = "" if CHROMIUM else "no chromium here (Debian package chromium): pages were not tried in a browser"
FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
NARROW, WIDE = 360, 1400
"""Pixels across: a small telephone, and a screen at the bench."""
RULES = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa")
"""Of axe-core: the success criteria of WCAG 2.2, levels A and AA, as far as a program can tell."""
ARTEFACTS = os.environ.get("MENDBAY_SCREENSHOTS", "")
"""A folder in which pictures of the pages are kept; empty for none."""


BROKEN_POLICY = """document.addEventListener("securitypolicyviolation", (one) =>
    console.error(`against the policy ${one.effectiveDirective}: ${one.blockedURI} ${one.sample}`));"""
"""Has a page complain of whatever its policy kept it from (Content Security Policy Level 3, 5.3), also what a
browser would keep to itself, such as what is only reported."""


@dataclass
class Looked:
    """What a browser complained of while pages were shown."""

    complaints: list[str] = field(default_factory=list)
    outside: list[str] = field(default_factory=list)


@contextmanager
def chromium() -> Iterator[Browser]:
    """The browser; one for many tests."""
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def opened(
    browser: Browser, url: str, width: int = WIDE, *, dark: bool = False, script: bool = True
) -> Iterator[Page]:
    """A page of its own context. Whatever it complains of, or asks of another server, fails the test at the
    end."""
    context = browser.new_context(
        viewport={"width": width, "height": 900},
        color_scheme="dark" if dark else "light",
        java_script_enabled=script,
        reduced_motion="reduce",
    )
    context.add_init_script(BROKEN_POLICY)
    page = context.new_page()
    seen = Looked()
    page.on("console", lambda one: _complain(seen, one))
    page.on("pageerror", lambda one: seen.complaints.append(str(one)))
    page.on("request", lambda one: _outside(seen, one, url))
    try:
        page.goto(url)
        yield page
        assert not seen.complaints, seen.complaints
        assert not seen.outside, seen.outside
    finally:
        context.close()


def _complain(seen: Looked, one: ConsoleMessage) -> None:
    expected = (
        "net::ERR_CONNECTION_REFUSED",
        "net::ERR_INCOMPLETE_CHUNKED",
        "status of 4",
        "Response Status Error Code 4",
        "htmx:sendAbort",  # a part was asked for anew before the answer to the last asking was there
        "htmx:afterRequest",
        "htmx:sendError",  # the server was ended while a part was asked for
    )
    if one.type == "error" and not any(each in one.text for each in expected):
        at = one.page.url if one.page else ""
        seen.complaints.append(f"{at}: {one.text[:400]}")


def _outside(seen: Looked, one: Request, url: str) -> None:
    host = url.split("/")[2]
    if not one.url.startswith((f"http://{host}/", "data:", "about:", "blob:")):
        seen.outside.append(one.url)


def require_sound(page: Page, name: str) -> None:
    """What every page must be: no finding of axe, nothing that needs sideways scrolling, one first heading,
    and targets large enough for a glove. A picture of it is kept where the run asks for that."""
    width = page.viewport_size["width"] if page.viewport_size else WIDE
    keep_picture(page, f"{name}-{width}")
    found = Axe().run(page, options={"runOnly": {"type": "tag", "values": list(RULES)}})
    assert found.response["violations"] == [], _told(found.response["violations"])
    spill = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert spill <= 0, f"{name} at {width} px spills {spill} px to the side"
    assert page.locator("h1").count() == 1
    small = page.evaluate(_SMALL)
    assert small == [], small


_SMALL = """
[...document.querySelectorAll("button, input:not([type=hidden]), select, summary, nav a")].filter((one) => {
  const box = one.getBoundingClientRect();
  const labels = [...(one.labels || [])].map((each) => each.getBoundingClientRect().height);
  return box.width && Math.max(box.height, ...labels) < 24;
}).map((one) => one.outerHTML.slice(0, 120))
"""
"""Targets below 24 px (WCAG 2.2, 2.5.8, level AA)."""


def _told(violations: list[dict[str, Any]]) -> str:
    return json.dumps(
        [
            {"rule": one["id"], "where": [each["html"][:200] for each in one["nodes"][:3]]}
            for one in violations
        ],
        indent=1,
    )


def keep_picture(page: Page, name: str) -> None:
    """Keeps a picture of the whole page, where the run asks for pictures."""
    if ARTEFACTS:
        Path(ARTEFACTS).mkdir(parents=True, exist_ok=True)
        page.screenshot(path=Path(ARTEFACTS) / f"{name}.png", full_page=True, caret="initial")
