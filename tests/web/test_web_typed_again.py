"""What was typed is there again when its form is refused: in the page as it stands now, ready to be sent."""

from __future__ import annotations

import re
from collections.abc import Mapping
from html import unescape
from typing import Any

import httpx2
import pytest

from mendbay.faces.web.typed_again import typed_again
from mendbay.jobs.shop_settings import POWER
from support.web_client import ORIGIN, Web, text_of

SCRIPT = {"hx-request": "true", "hx-boosted": "true"}
"""What htmx says of a form that it sends."""
HOSTILE = "\"><script>alert(1)</script>' &amp; \u202egnp"


def sent(
    web: Web, url: str, form: Mapping[str, Any], page: str, headers: dict[str, str] | None = None
) -> httpx2.Response:
    """What a form of that page is answered."""
    said = {"origin": ORIGIN, "referer": f"{ORIGIN}{page}", **(headers or {})}
    return web.client.post(url, data=form, headers=said, follow_redirects=False)


def form_of(page: str, action: str) -> dict[str, str]:
    """What the refilled form of a page sends."""
    found = re.search(rf'<form [^>]*action="{action}"[^>]*data-again.*?</form>', page, re.DOTALL)
    assert found, "the form was not filled again"
    inputs = re.findall(r'<input [^>]*?name="([^"]*)"[^>]*?value="([^"]*)"', found[0])
    areas = re.findall(r'<textarea [^>]*?name="([^"]*)"[^>]*>\n?(.*?)</textarea>', found[0], re.DOTALL)
    return {name: unescape(one) for name, one in [*inputs, *areas]}


def stale_deadline(web: Web) -> str:
    """A case whose deadline was changed by somebody after a page was shown; the mark of that page."""
    web.done("/cases/open", {"customer": "A pottery studio"})
    page = web.get("/case/1")
    mark = re.search(r'/case/1/due".*?name="seen" value="(\w+)"', page, re.DOTALL)
    assert mark
    web.done("/case/1/due", {"day": "2999-12-24"})
    return mark[1]


@pytest.mark.parametrize("headers", [{}, SCRIPT], ids=["without script", "by script"])
def test_of_a_form_that_came_late_both_words_are_shown_and_one_press_sends_it(
    web: Web, headers: dict[str, str]
) -> None:
    late = {"day": "2999-11-11", "seen": stale_deadline(web)}
    answer = sent(web, "/case/1/due", late, "/case/1", headers)
    assert answer.status_code == 409
    again = form_of(answer.text, "/case/1/due")
    assert again["day"] == "2999-11-11"
    assert "Now on record: 2999-12-24" in text_of(answer.text)
    assert answer.headers.get("hx-retarget") == ("#main" if headers else None)
    done = sent(web, "/case/1/due", again, "/case/1/due", headers)
    assert done.status_code == 303
    with web.bench() as bench:
        assert bench.ledger.case(1).due_on == "2999-11-11"


def test_what_was_changed_once_more_meanwhile_is_refused_once_more(web: Web) -> None:
    late = {"day": "2999-11-11", "seen": stale_deadline(web)}
    again = form_of(sent(web, "/case/1/due", late, "/case/1").text, "/case/1/due")
    web.done("/case/1/due", {"day": "2999-12-25"})
    answer = sent(web, "/case/1/due", again, "/case/1/due")  # from the answer, whose address is no page's
    assert answer.status_code == 409
    assert "Now on record: 2999-12-25" in text_of(answer.text)
    assert form_of(answer.text, "/case/1/due")["from_page"] == "/case/1"


def test_a_field_refused_without_script_stands_as_it_was_typed(web: Web) -> None:
    web.done("/cases/open", {"customer": "A pottery studio"})
    form = {"who": "nobody", "what": HOSTILE, "until": "2999-01-01"}
    answer = sent(web, "/case/1/wait", form, "/case/1")
    assert answer.status_code == 422
    assert "<script>alert" not in answer.text
    assert "\u202e" not in answer.text
    again = form_of(answer.text, "/case/1/wait")
    assert again["what"] == HOSTILE.replace("\u202e", "\\u202e")
    assert again["until"] == "2999-01-01"
    assert "For whom nobody" in text_of(answer.text), "what no list offers is told"
    assert re.search(r"<details open>\s*<summary>It waits", answer.text), "nobody has to look for it"


def test_a_slip_in_a_late_form_does_not_take_another_s_words_away_unseen(web: Web) -> None:
    late = {"day": "soon", "seen": stale_deadline(web)}
    answer = sent(web, "/case/1/due", late, "/case/1")
    assert answer.status_code == 422
    assert "Now on record: 2999-12-24" in text_of(answer.text)


def test_by_script_a_field_refused_stays_in_its_own_form(web: Web) -> None:
    web.done("/cases/open", {"customer": "A pottery studio"})
    answer = sent(web, "/case/1/due", {"day": "soon"}, "/case/1", SCRIPT)
    assert "data-again" not in answer.text
    assert "hx-retarget" not in answer.headers


def test_text_of_several_lines_and_ticks_come_back_as_they_were(web: Web) -> None:
    form = {"customer": "x" * 300, "notes": "\none\r\n<b>two</b>", "wanted": "*.jpg"}
    page = sent(web, "/cases/open", form, "/cases").text
    again = form_of(page, "/cases/open")
    assert again["notes"] == "\none\n<b>two</b>"
    assert again["wanted"] == "*.jpg"


def test_no_secret_is_shown_again(web: Web) -> None:
    page = f"/settings/file/{POWER}"
    form = {"text": "no toml [", "key": "a-key-typed"}
    filled = sent(web, f"{page}/keep", form, page).text
    assert "Type the key again" in text_of(filled)
    assert form_of(filled, f"{page}/keep")["text"] == "no toml ["
    for told in (filled, sent(web, f"{page}/keep", form, "").text):
        assert "no toml [" in told
        assert "a-key-typed" not in told


def test_while_the_ledger_is_held_nothing_typed_is_lost_and_it_can_be_sent_again(web: Web) -> None:
    web.done("/cases/open", {"customer": "A pottery studio"})
    (web.home / "ledger.sqlite3").rename(web.home / "away")
    (web.home / "ledger.sqlite3").mkdir()
    answer = sent(web, "/case/1/wait", {"who": "part", "what": HOSTILE}, "/case/1")
    assert answer.status_code == 503
    assert "<script>alert" not in answer.text
    assert "For what" in text_of(answer.text)
    assert "Send it again" in text_of(answer.text)
    hidden = re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', answer.text)
    assert dict(hidden)["who"] == "part"


def test_a_page_that_is_cut_and_joined_is_the_same() -> None:
    page = '<p title="a>b">x</p><form method="post" action="/a"><input name="x" value="1"></form><br/>'
    again = typed_again(page, "/a", [("x", "1")], "/p", compared=True)
    assert again
    plain = page.replace('action="/a"', 'action="/a" id="typed" data-again="typed"')
    kept = again.html("").replace('<input type="hidden" name="from_page" value="/p">', "")
    assert kept == plain


TWO = """
<form method="post" action="/a"><input type="hidden" name="item" value="1"><input name="x" value="one"></form>
<form method="post" action="/a"><input type="hidden" name="item" value="2"><input name="x" value="two"></form>
"""


def test_of_several_forms_the_one_about_the_same_thing_is_filled() -> None:
    again = typed_again(TWO, "/a", [("item", "2"), ("x", "typed")], "/p", compared=True)
    assert again
    first, second = again.html("").split("</form>")[:2]
    assert 'value="one"' in first
    assert 'value="typed"' in second
    assert "Now on record: <q>two</q>" in second
    assert typed_again(TWO, "/a", [("item", "3"), ("x", "typed")], "/p", compared=True) is None


def test_a_reason_given_of_what_stood_before_is_shown_and_to_be_given_anew() -> None:
    page = """<form method="post" action="/a"><input type="hidden" name="seen" value="new">
    <input name="x"><input name="although"></form>"""
    typed = [("x", "words"), ("although", "why")]
    for seen, why in (("old", ""), ("new", ' value="why"')):
        again = typed_again(page, "/a", [("seen", seen), *typed], "/p", compared=False, anew={"although"})
        assert again
        assert '<input name="x" value="words"' in again.html("")
        assert f'<input name="although"{why}>' in again.html("")
        assert again.left == (() if why else ("although",))


def test_no_word_given_of_what_stood_before_is_sent_unseen(web: Web) -> None:
    web.done("/cases/open", {"customer": "A pottery studio"})
    form = {"who": "part", "what": "a board", "customer_asked": "yes", "seen": "0" * 24}
    answer = sent(web, "/case/1/wait", {**form, "although_refused": "they said so"}, "/case/1")
    assert answer.status_code == 409
    assert "they said so" in text_of(answer.text)
    assert 'value="they said so"' not in answer.text
    assert form_of(answer.text, "/case/1/wait")["what"] == "a board"


def test_a_hidden_text_of_several_lines_is_the_same_however_its_lines_end() -> None:
    page = (
        '<form method="post" action="/a"><input type="hidden" name="h" value="a\nb"><input name="x"></form>'
    )
    again = typed_again(page, "/a", [("h", "a\r\nb"), ("x", "typed")], "/p", compared=False)
    assert again is not None
    assert 'name="x" value="typed"' in again.html("")


def test_rows_are_filled_by_their_names_and_what_was_typed_of_one_that_is_gone_is_told() -> None:
    page = """<form method="post" action="/a"><input type="hidden" name="names" value="a\nnew\nc"
    data-names="v"><input name="v" value="1"><input name="v" value="2"><input name="v" value="3"></form>"""
    typed = [("names", "a\r\ngone\r\nc"), ("v", "ten"), ("v", "twenty"), ("v", "thirty")]
    again = typed_again(page, "/a", typed, "/p", compared=True)
    assert again is not None
    assert re.findall(r'name="v" value="(\w+)"', again.html("")) == ["ten", "2", "thirty"]
    assert (again.left, again.rows) == ((), (("gone", "twenty"),))


def test_prices_typed_while_another_added_one_stand_there_again(web: Web) -> None:
    page = "/settings/file/prices"
    shown = web.get(page)
    names = re.search(r'name="names" value="([^"]*)" data-names', shown)
    values = [unescape(one) for one in re.findall(r'name="value" value="([^"]*)"', shown)]
    assert names is not None
    at = names[1].split().index("price.courier.amount")
    values[at] = "77"
    seen = re.search(r'/prices/keep".*?name="seen" value="(\w+)"', shown, re.DOTALL)
    assert seen is not None
    web.done("/settings/prices/price", {**A_PRICE, "words": "Disc", "id": "disc"})
    typed = {**dict(re.findall(r'id="set-\w+" name="(\w+)" value="([^"]*)"', shown)), "hourly_rate": "71"}
    form = {**typed, "seen": seen[1], "names": names[1].replace("\n", "\r\n"), "value": values}
    answer = sent(web, "/settings/prices/keep", form, page, SCRIPT)
    assert answer.status_code == 409
    assert answer.headers["hx-retarget"] == "#main"
    assert 'id="price.courier.amount" name="value" value="77"' in answer.text
    assert 'name="hourly_rate" value="71"' in answer.text
    assert 'value="Disc"' in answer.text


A_PRICE = {"stage": "media", "unit": "each", "amount": "3"}


TICKS = """<details><div data-live="ledger" hx-get="/p" hx-trigger="refresh"><form method="post" action="/a">
<label><input type="checkbox" name="t" value="yes" checked> Words</label>
<label><input type="radio" name="r" value="a" checked> A</label>
<label><input type="radio" name="r" value="b"> B</label>
<select name="s"><option value="k" selected>Kay</option><option value="l">Ell</option></select>
<button name="p" value="1">Go</button></form></div></details>"""


def test_ticks_and_choices_are_set_as_they_were_and_what_stands_is_told() -> None:
    again = typed_again(TICKS, "/a", [("r", "b"), ("s", "l"), ("p", "1")], "/p", compared=True)
    assert again
    html = again.html("")
    assert re.findall(r'value="(\w+)"[^>]* checked', html) == ["b"]
    assert re.findall(r'value="(\w+)" selected', html) == ["l"]
    said = text_of(html)
    assert "Words Ticked now." in said
    assert "A This is chosen now." in said
    assert "Now on record: Kay" in said
    assert again.left == ()
    assert "<details open>" in html
    assert "data-live" not in html, "no news takes the typed words away"


def test_rows_that_are_not_as_many_any_more_are_not_filled_askew() -> None:
    page = '<form method="post" action="/a"><input name="x" value="1"><input name="x" value="2"></form>'
    again = typed_again(page, "/a", [("x", "9")], "/p", compared=True)
    assert again
    assert again.left == ("x",)
    assert "9" not in again.html("")


@pytest.mark.parametrize("path", ["/case/1", "/nowhere", "//elsewhere.example/x", "/case/0"])
def test_wherever_it_says_it_came_from_it_is_answered(web: Web, path: str) -> None:
    form = {"day": "soon", "from_page": path}
    web.done("/cases/open", {"customer": "A pottery studio"})
    assert sent(web, "/case/1/due", form, path).status_code == 422


def test_words_that_are_to_be_copied_keep_their_blanks_and_turn_no_page(web: Web) -> None:
    """Where the page cannot be had they are all that is left of what was typed."""
    told = sent(web, "/cases/open", {"customer": "x" * 300, "notes": "5 V \u202egnp"}, "").text
    assert "<dd>5 V \\u202egnp</dd>" in told


def test_a_page_that_fails_hides_no_refusal(web: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    web.done("/cases/open", {"customer": "A pottery studio"})

    def fail(*_: object) -> None:
        raise RuntimeError("a fault of the page itself")

    monkeypatch.setattr("mendbay.faces.web.views.case.card_of", fail)
    answer = sent(web, "/case/1/due", {"day": "soon"}, "/case/1")
    assert answer.status_code == 422
    assert "soon" in text_of(answer.text)


@pytest.mark.parametrize(
    "page", [f"/case/{'9' * 30}/closing", f"/case/{'9' * 5000}", "/case/1?of=%ff", "/live"]
)
def test_a_page_that_there_cannot_be_is_not_drawn(web: Web, page: str) -> None:
    web.done("/cases/open", {"customer": "A pottery studio"})
    answer = sent(web, "/case/1/due", {"day": "soon", "from_page": page}, "/case/1")
    assert answer.status_code == 422
    assert "soon" in text_of(answer.text)


def test_what_says_nothing_and_what_says_its_words_are_chosen_again() -> None:
    """An empty value is a value, and an option without one says its words (HTML, 4.10)."""
    html = (
        '<form method="post" action="/x"><input type="radio" name="medium" value="a" checked>'
        '<input type="radio" name="medium" value="">'
        "<select name='paper'><option>A4</option><option>Letter</option></select></form>"
    )
    again = typed_again(html, "/x", [("medium", ""), ("paper", "Letter")], "/p", compared=False)
    assert again is not None
    page = again.html("")
    assert '<input type="radio" name="medium" value="" checked>' in page
    assert '<input type="radio" name="medium" value="a">' in page
    assert "<option selected>Letter" in page
    assert again.left == ()
