"""The page of a telephone in a real browser: what is chosen is sent at once, and it says what came of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import Browser, FilePayload, Page, expect

from mendbay.faces.web.desk import Desk
from mendbay.faces.web.guard import Rules
from mendbay.faces.web.live import Pulse
from mendbay.faces.web.phone import PhoneDoor
from mendbay.jobs.case_pictures import CasePicture, case_pictures
from mendbay.jobs.take_in import take_in
from mendbay.wiring import changes_of, open_bench
from support.browser import NARROW, WHY_NOT, chromium, opened, require_sound

pytestmark = [pytest.mark.slow, pytest.mark.skipif(bool(WHY_NOT), reason=WHY_NOT)]
WAIT = 20_000
"""Milliseconds that anything may take on a busy machine."""
JPEG = b"\xff\xd8\xff\xe0 a picture"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as found:
        yield found


@dataclass
class Phone:
    """A key of case 1, and the door that it opens."""

    door: PhoneDoor
    home: Path
    key: str
    url: str

    def pictures(self) -> list[CasePicture]:
        with open_bench(self.home) as bench:
            return list(case_pictures(bench, 1))


@pytest.fixture
def phone(tmp_path: Path) -> Iterator[Phone]:
    home = tmp_path / "home"
    with open_bench(home) as bench:
        take_in(bench, "Quillmere Pottery")
    desk = Desk(home, Rules(frozenset()), Pulse(lambda: changes_of(home)))
    door = PhoneDoor(desk)
    key = door.open(1, "", "Kim").key
    standing = door.standing(1, "")
    assert standing is not None
    yield Phone(door, home, key, standing.url)
    door.end()
    desk.end()


def picture(name: str, data: bytes) -> FilePayload:
    return {"name": name, "mimeType": "image/jpeg", "buffer": data}


def use(page: Page) -> None:
    page.get_by_role("button", name="Use this phone").click()
    expect(page.get_by_label("Take a picture")).to_be_visible(timeout=WAIT)
    page.wait_for_load_state()  # its script hears what is chosen from then on


def choose(page: Page, *files: FilePayload) -> None:
    page.get_by_label("Or choose pictures").set_input_files(list(files))


def said(page: Page, words: str) -> None:
    expect(page.locator("#sending")).to_contain_text(words, timeout=WAIT)


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_its_pages_are_sound(browser: Browser, phone: Phone, dark: bool) -> None:
    with opened(browser, phone.url, NARROW, dark=dark) as page:
        require_sound(page, f"phone-use-{dark}")
        use(page)
        require_sound(page, f"phone-send-{dark}")


def test_a_picture_goes_as_soon_as_it_is_taken(browser: Browser, phone: Phone) -> None:
    with opened(browser, phone.url, NARROW) as page:
        use(page)
        page.get_by_label("Take a picture").set_input_files([picture("IMG_0231.jpg", JPEG)])
        said(page, "1 picture kept with case 1.")
        expect(page.locator(".arrived")).to_have_text("1 picture arrived")
        expect(page.get_by_text("Send this picture")).to_be_hidden()  # it was sent, and nothing is chosen
        assert page.get_by_label("Take a picture").input_value() == "", "the next one is another"
        page.get_by_label("Take a picture").set_input_files([picture("again.jpg", JPEG)])
        said(page, "This picture is kept with case 1 already.")
    assert [(one.named, one.who) for one in phone.pictures()] == [("again.jpg", "Kim")]


def test_several_go_one_after_another_each_by_itself(browser: Browser, phone: Phone) -> None:
    with opened(browser, phone.url, NARROW) as page:
        use(page)
        bodies: list[int] = []
        page.on("request", lambda one: bodies.append(1) if one.url.endswith("/pictures") else None)
        choose(page, *(picture(f"{at}.jpg", JPEG + bytes([at])) for at in range(3)))
        said(page, "Sent.")
        expect(page.locator(".arrived")).to_have_text("3 pictures arrived")
        assert len(bodies) == 3
    assert [one.named for one in phone.pictures()] == ["0.jpg", "1.jpg", "2.jpg"]


def test_one_that_is_not_taken_holds_no_other_back_and_is_told(browser: Browser, phone: Phone) -> None:
    with opened(browser, phone.url, NARROW) as page:
        use(page)
        choose(
            page,
            picture("a.jpg", JPEG),
            picture("<b>notes.jpg", b"plain words"),
            picture("c.jpg", JPEG + b"c"),
        )
        said(page, "1 of 3 was not taken. The last: <b>notes.jpg is none of the files")
        expect(page.locator(".arrived")).to_have_text("2 pictures arrived")
        choose(page, picture("notes.jpg", b"plain words"))
        said(page, "Not taken: notes.jpg is none of the files")
    assert [one.named for one in phone.pictures()] == ["a.jpg", "c.jpg"]


def test_a_key_that_was_closed_meanwhile_is_told(browser: Browser, phone: Phone) -> None:
    with opened(browser, phone.url, NARROW) as page:
        use(page)
        phone.door.keys.close(phone.key)
        choose(page, picture("a.jpg", JPEG))
        said(page, "Not taken: This key is closed")
    assert phone.pictures() == []


def test_a_bench_that_is_gone_is_told_and_what_was_chosen_stays(browser: Browser, phone: Phone) -> None:
    with opened(browser, phone.url, NARROW) as page:
        use(page)
        phone.door.end()
        choose(page, picture("a.jpg", JPEG))
        said(page, "The bench does not answer. What was not sent is still on this phone")
        expect(page.get_by_role("button", name="Send these pictures")).to_be_enabled()
        assert page.get_by_label("Or choose pictures").evaluate("(one) => one.files.length") == 1


def test_it_works_without_script(browser: Browser, phone: Phone) -> None:
    with opened(browser, phone.url, NARROW, script=False) as page:
        use(page)
        page.get_by_label("Take a picture").set_input_files([picture("IMG_0231.jpg", JPEG)])
        page.get_by_role("button", name="Send this picture").click()
        said(page, "1 picture kept with case 1.")
        page.get_by_role("button", name="Done").click()
        expect(page.get_by_text("1 picture arrived. The key is closed.")).to_be_visible(timeout=WAIT)
    assert [one.named for one in phone.pictures()] == ["IMG_0231.jpg"]
