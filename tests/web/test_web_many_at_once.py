"""Many who look and change at the same time, while a drive is read: no fault, and no change that another one
undid unseen."""

from __future__ import annotations

import os
import re
import signal
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

import pytest
from starlette.testclient import TestClient

from mendbay.case.custody import verify
from mendbay.case.items import What
from mendbay.jobs.check_custody import held_against_papers
from mendbay.jobs.keep_items import add_item, items_of
from mendbay.jobs.take_in import take_in
from mendbay.wiring import works
from support.page_forms import offered_by
from support.readings_in_browser import Readings
from support.web_client import ORIGIN, Web
from support.works import WorkShop

pytestmark = pytest.mark.slow

CLIENTS, TURNS = 8, 4
PAGES = ("/", "/cases", "/case/1", "/case/1/drives", "/case/1/record", "/case/1/closing", "/stock")
THINGS = "/case/1/things"
SLOW = ("real_time = true", "seconds_per_sector = 0.0004", "refusal_seconds = 0.1")


@pytest.fixture
def shop(web: Web) -> Iterator[WorkShop]:
    with web.bench() as bench:
        take_in(bench, "Quillmere Pottery")
        add_item(bench, 1, What.CABLE, "a cable")
    found = WorkShop(web.home)
    yield found
    for one in works(web.home).orders(1):
        if works(web.home).is_alive(one.id):
            os.kill(found.process(one.id), signal.SIGKILL)


def test_of_what_many_change_at_once_nothing_is_lost_unseen(web: Web, shop: WorkShop) -> None:
    readings = Readings(web)
    readings.begin(bay_1="1", source_1=shop.drive(*SLOW, name="d1", bytes_=24 << 20), condition_1="healthy")
    client = TestClient(web.client.app, base_url=ORIGIN, raise_server_exceptions=False)
    client.portal = web.client.portal  # one server for all
    with ThreadPoolExecutor(CLIENTS) as pool:
        done = [each for one in pool.map(lambda at: _busy(client, at), range(CLIENTS)) for each in one]
    readings.stop()
    assert {status for _, _, status in done} <= {200, 303, 409}
    kept = [(seen, words) for seen, words, status in done if status == 303 and seen]
    assert kept
    assert max(Counter(seen for seen, _ in kept).values()) == 1, "two took the place of the same"
    added = {words for seen, words, status in done if status == 303 and not seen}
    with web.bench() as bench:
        things = [one.words for one in items_of(bench, 1)]
        custody = bench.ledger.custody(1)
        assert held_against_papers(bench, 1, verify(custody), custody).holds
    assert added <= set(things)
    assert max(Counter(things).values()) == 1, "something was put down twice"
    puts = [found for one in custody if (found := re.search(r"marks (.+) -> (\S+)$", one.item))]
    assert {new for _, new in map(re.Match.groups, puts)} == {words for _, words in kept}
    assert [one[1] for one in puts[1:]] == [one[2] for one in puts[:-1]], "one was undone unseen"


def _busy(client: TestClient, at: int) -> list[tuple[str, str, int]]:
    """What one of them did: what its page had seen, or nothing for a thing that was added; what it said; and
    the status of the answer."""
    done = []
    for turn in range(TURNS):
        for page in (PAGES[(at + turn) % len(PAGES)], PAGES[(at * turn + 1) % len(PAGES)]):
            done.append(("", "", client.get(page).status_code))
        answer = client.get(THINGS)
        done.append(("", "", answer.status_code))
        forms = [one for one in offered_by(answer.text, THINGS) if one.path == f"{THINGS}/change"]
        said = dict(next(dict(one.said) for one in forms if dict(one.said)["item"] == "0001-01"))
        words = f"mark-{at}x{turn}"
        done.append((said["seen"], words, _sent(client, f"{THINGS}/change", {**said, "marks": words})))
        more = f"screw-{at}x{turn}"
        done.append(("", more, _sent(client, f"{THINGS}/add", {"what": "other", "words": more})))
    return done


def _sent(client: TestClient, path: str, said: dict[str, str]) -> int:
    answer = client.post(path, data=said, headers={"origin": ORIGIN}, follow_redirects=False)
    return answer.status_code
