"""Texts as long as they may be, in one word that nothing breaks, and bytes that are no text: kept, and shown
on every page and paper."""

from __future__ import annotations

import re

import pytest

from mendbay.core.texts import LINE_LIMIT, TEXT_LIMIT
from support.looked_everywhere import look_everywhere, words_of
from support.web_client import ORIGIN, Web

LONG_TEXT, LONG_LINE = "W" * TEXT_LIMIT, "W" * LINE_LIMIT


@pytest.mark.slow
def test_texts_as_long_as_they_may_be_stand_on_every_page_and_paper(web: Web) -> None:
    said = {"customer": "Zoe", "notes": LONG_TEXT, "wanted": "\n".join([LONG_LINE] * 8)}
    case = web.post("/cases/open", said).headers["location"].partition("?")[0].removesuffix("/take-in")
    things = f"{case}/things"
    web.post(f"{things}/add", {"what": "cable", "words": LONG_LINE, "marks": LONG_LINE})
    items = re.findall(r'name="item" value="([0-9-]+)"', web.get(things))[:1]
    web.post(f"{things}/receive", {"item": items, "words": LONG_TEXT, "person": LONG_LINE})
    web.post(f"{case}/wait", {"who": "customer", "what": LONG_LINE})
    for paper, form in (("paper", {"number": "1"}), ("labels", {"item": items})):
        made = web.post(f"{things}/{paper}.pdf", form, status=200)
        assert words_of(made.content).count("W") > LINE_LIMIT / 8, paper
    web.post(f"{case}/letters/paper")
    assert sum(1 for _ in look_everywhere(web, [case], 1)) > 10


@pytest.mark.parametrize("sent", ["%ED%A0%80", "%FF%FE", "%C0%80", "%F4%90%80%80"])
def test_bytes_that_are_no_text_are_kept_as_unknown_signs(web: Web, sent: str) -> None:
    web.post("/cases/open", {"customer": "Zoe"})
    head = {"origin": ORIGIN, "content-type": "application/x-www-form-urlencoded"}
    said = f"what=cable&words=lone{sent}z"
    answer = web.client.post("/case/1/things/add", content=said, headers=head, follow_redirects=False)
    assert answer.status_code == 303
    assert "lone\ufffd" in web.get("/case/1/things")
    for url in (
        "cases?words={}",
        "case/1/drives/{}/not-read.csv",
        "case/1/files?search={}",
        "stock?words={}",
    ):
        assert web.client.get(f"/{url.format(sent)}").status_code in (200, 404, 409, 422), url
