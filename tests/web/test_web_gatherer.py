"""What is gathered from the whole shop: kept until something changes, shown as old while gathered anew."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import pytest

from mendbay.core.errors import UsageError
from mendbay.faces.web import gatherer
from mendbay.faces.web.gatherer import Gatherer
from mendbay.faces.web.views import lessons as views_lessons
from mendbay.jobs.lessons import tell_lessons
from support.web_client import Web, text_of


class Shop:
    """Something that changes, and takes as long to gather as it is told."""

    def __init__(self) -> None:
        self.version, self.times, self.told = 1, 0, 0
        self.free = threading.Event()
        self.free.set()

    def gather(self) -> tuple[int, str]:
        self.free.wait(30)
        self.times += 1
        return self.version, f"2026-01-0{self.version}T00:00:00Z"

    def tell(self) -> None:
        self.told += 1


@pytest.fixture
def shop(monkeypatch: pytest.MonkeyPatch) -> Iterator[Shop]:
    monkeypatch.setattr(gatherer, "WAIT_SECONDS", 0.05)
    made = Shop()
    yield made
    made.free.set()


def of(shop: Shop) -> Gatherer[int]:
    return Gatherer(shop.gather, lambda: shop.version, shop.tell)


def waited_for(kept: Gatherer[int]) -> int:
    until = time.monotonic() + 30
    while (found := kept.get()) is None or found.is_old:
        assert time.monotonic() < until
        time.sleep(0.01)
    return found.found


def test_what_is_let_go_of_is_kept_no_longer_nor_what_is_being_gathered_then(shop: Shop) -> None:
    kept = of(shop)
    waited_for(kept)
    kept.let_go()
    assert kept._kept is None
    shop.free.clear()
    assert kept.get() is None
    kept.let_go()
    shop.free.set()
    until = time.monotonic() + 30
    while shop.told == 0:
        assert time.monotonic() < until
        time.sleep(0.01)
    assert kept._kept is None
    assert waited_for(kept) == 1


def test_it_is_gathered_once_until_something_changes(shop: Shop) -> None:
    kept = of(shop)
    assert [waited_for(kept) for _ in range(3)] == [1, 1, 1]
    assert shop.times == 1
    shop.version = 2
    assert waited_for(kept) == 2
    assert shop.times == 2
    kept.end()


def test_what_takes_long_is_not_waited_for_and_told_once_it_is_there(shop: Shop) -> None:
    kept = of(shop)
    shop.free.clear()
    assert kept.get() is None
    assert kept.get() is None
    shop.free.set()
    assert waited_for(kept) == 1
    assert shop.times == 1
    assert shop.told >= 1
    shop.free.clear()
    shop.version = 2
    found = kept.get()
    assert found is not None
    assert (found.found, found.is_old, found.at) == (1, True, "2026-01-01T00:00:00Z")
    shop.free.set()
    assert waited_for(kept) == 2
    kept.end()


def test_only_who_begins_it_waits(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = of(shop)
    waited_for(kept)
    monkeypatch.setattr(gatherer, "WAIT_SECONDS", 3_600.0)
    shop.free.clear()
    shop.version = 2
    begun = threading.Thread(target=kept.get, daemon=True)
    begun.start()
    while kept._under_way is None or kept._under_way.done():
        time.sleep(0.01)
    found = kept.get()
    assert found is not None
    assert found.is_old
    shop.free.set()
    begun.join(30)
    assert not begun.is_alive()
    kept.end()


def test_of_two_who_ask_at_once_one_begins(shop: Shop) -> None:
    kept = of(shop)
    shop.free.clear()
    submit, begun, second = kept._thread.submit, list[object](), threading.Event()

    def slowly(*work: object) -> object:
        begun.append(work)
        second.wait(0.5)  # as long as the second may take to come to the same point
        return submit(*work)  # type: ignore[arg-type]

    kept._thread.submit = slowly  # type: ignore[method-assign, assignment]
    asking = [threading.Thread(target=kept.get, daemon=True) for _ in range(2)]
    for one in asking:
        one.start()
    for one in asking:
        one.join(30)
    shop.free.set()
    assert len(begun) == 1
    kept.end()


def test_nobody_waits_for_what_has_only_aged(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = Gatherer(shop.gather, lambda: shop.version, shop.tell, kept_seconds=0.0)
    assert kept.get() is not None
    monkeypatch.setattr(gatherer, "WAIT_SECONDS", 3_600.0)
    shop.free.clear()
    found = kept.get()
    assert found is not None
    assert found.is_old
    shop.free.set()
    kept.end()


class Failing(Shop):
    """A shop in which something is broken, however long it takes to find that out."""

    def __init__(self) -> None:
        super().__init__()
        self.is_broken = True

    def gather(self) -> tuple[int, str]:
        made = super().gather()
        if self.is_broken:
            raise UsageError("No.", "Mend it.")
        return made


@pytest.fixture
def failing(monkeypatch: pytest.MonkeyPatch) -> Iterator[Failing]:
    monkeypatch.setattr(gatherer, "WAIT_SECONDS", 0.05)
    monkeypatch.setattr(gatherer, "PAUSE_SECONDS", 3_600.0)
    made = Failing()
    yield made
    made.free.set()


def refused(kept: Gatherer[int]) -> None:
    with pytest.raises(UsageError) as told:
        waited_for(kept)
    assert told.value.next_step == "Mend it."


def fails_unseen(kept: Gatherer[int], shop: Shop) -> None:
    """Has it fail while nobody waits for it any more."""
    shop.free.clear()
    assert kept.get() is None
    shop.free.set()
    assert kept._under_way is not None
    kept._under_way.exception(30)


def test_a_trouble_is_told_until_something_changes_and_then_tried_again(failing: Failing) -> None:
    kept = of(failing)
    for _ in range(3):
        refused(kept)
    assert failing.times == 1
    failing.is_broken = False
    refused(kept)
    failing.version = 2
    assert waited_for(kept) == 2
    assert failing.times == 2
    kept.end()


def test_a_trouble_is_tried_again_after_a_pause(failing: Failing, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gatherer, "PAUSE_SECONDS", 0.0)
    kept = of(failing)
    refused(kept)
    failing.is_broken = False
    until = time.monotonic() + 30
    while True:
        try:
            assert waited_for(kept) == 1
            break
        except UsageError:  # the pause is as long as it took to fail
            assert time.monotonic() < until
    kept.end()


def test_a_trouble_that_nobody_waited_for_is_told_to_the_next(failing: Failing) -> None:
    kept = of(failing)
    fails_unseen(kept, failing)
    assert failing.told == 1, "pages that wait ask again"
    refused(kept)
    assert failing.times == 1
    kept.end()


def test_a_trouble_is_told_though_it_is_tried_again_meanwhile(failing: Failing) -> None:
    kept = of(failing)
    fails_unseen(kept, failing)
    failing.version = 2
    failing.free.clear()
    with pytest.raises(UsageError):
        kept.get()
    assert kept.get() is None, "told once; what follows is what is tried now"
    failing.is_broken = False
    failing.free.set()
    assert waited_for(kept) == 2
    kept.end()


def test_many_who_ask_at_once_hear_of_one_trouble(failing: Failing) -> None:
    kept, heard = of(failing), list[str]()
    start = threading.Barrier(8)

    def ask() -> None:
        start.wait(30)
        try:
            waited_for(kept)
        except UsageError as trouble:
            heard.append(trouble.what)

    asking = [threading.Thread(target=ask, daemon=True) for _ in range(8)]
    for one in asking:
        one.start()
    for one in asking:
        one.join(30)
    assert heard == ["No."] * 8
    assert failing.times == 1
    kept.end()


def test_what_takes_too_long_inside_is_a_trouble_too(failing: Failing) -> None:
    def gather() -> tuple[int, str]:
        raise TimeoutError("a disk does not answer")

    kept: Gatherer[int] = Gatherer(gather, lambda: 1, failing.tell)
    for _ in range(2):
        with pytest.raises(TimeoutError):
            waited_for(kept)
    kept.end()


def test_pages_that_gather_show_what_is_there_in_the_end(web: Web) -> None:
    for url in ("/lessons", "/lessons?since=2026-01-01", "/lessons?since=2026-01-02&by=donor", "/"):
        until = time.monotonic() + 60
        while "being gathered" in (page := text_of(web.get(url))):
            assert time.monotonic() < until
            time.sleep(0.05)
        assert "Nothing is on record" in page or "Nothing is open" in page


def test_a_page_that_waits_tells_what_went_wrong(web: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    free = threading.Event()

    def broken(*asked: object, **more: object) -> object:
        free.wait(30)
        raise UsageError("The prices cannot be read.", "Mend them.")

    monkeypatch.setattr(gatherer, "WAIT_SECONDS", 0.05)
    monkeypatch.setattr(views_lessons, "tell_lessons", broken)
    page = web.get("/lessons")
    assert "being gathered" in page
    assert "data-until-trouble" in page, "it asks no more once it is told"
    free.set()
    until = time.monotonic() + 30
    while (answer := web.client.get("/lessons")).status_code == 200:
        assert time.monotonic() < until
        time.sleep(0.05)
    assert "The prices cannot be read." in answer.text
    assert "Mend them." in answer.text


def test_a_list_is_never_of_what_was_before(web: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    waited, free = threading.Event(), threading.Event()

    def held(*asked: object, **more: object) -> object:
        waited.set()
        free.wait(30)
        return tell_lessons(*asked, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(gatherer, "WAIT_SECONDS", 0.05)
    monkeypatch.setattr(views_lessons, "tell_lessons", held)
    page = web.get("/lessons/rows.csv")
    assert waited.is_set()
    assert "Ask for it again" in page
    assert "hx-trigger" not in page.split('id="main"')[1], "a file cannot take the place of a page"
    assert "hx-trigger" in web.get("/lessons").split('id="main"')[1]
    free.set()
    until = time.monotonic() + 30
    while not (found := web.get("/lessons/rows.csv")).startswith("by,counted as,"):
        assert time.monotonic() < until, found[:200]
        time.sleep(0.05)
