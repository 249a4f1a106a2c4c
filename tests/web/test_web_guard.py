"""Who may ask the bench, from where, and what every answer carries."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import httpx2
import pytest

from mendbay.faces.web.addresses import FORM_BYTES
from mendbay.faces.web.guard import COOKIE, Rules
from mendbay.faces.web.serve import Listening, UsageError, bench_key, hosts_of
from support.web_client import HOST, ORIGIN, Web, text_of, web_on

KEY = "a-key-that-is-long-enough-to-be-one"


@pytest.fixture
def locked(tmp_path: Path) -> Iterator[Web]:
    with web_on(tmp_path / "locked", Rules(frozenset({HOST}), KEY)) as found:
        yield found


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1", "127.0.0.1:9", "localhost.evil.example:8437", ""]
)
def test_another_name_is_not_answered(web: Web, host: str) -> None:
    answer = web.client.get("/cases", headers={"host": host})
    assert answer.status_code == 421
    assert "Cases" not in answer.text


@pytest.mark.parametrize(
    "origin",
    [
        None,
        "",
        "null",
        "http://evil.example",
        f"https://{HOST}",
        f"{ORIGIN}.evil.example",
        "http://127.0.0.1",
    ],
)
def test_a_change_from_elsewhere_changes_nothing(web: Web, origin: str | None) -> None:
    headers = {} if origin is None else {"origin": origin}
    answer = web.client.post("/cases/open", data={"customer": "Ada"}, headers=headers, follow_redirects=False)
    assert answer.status_code == 403
    with web.bench() as bench:
        assert bench.ledger.cases() == ()


def test_two_origins_are_none(web: Web) -> None:
    headers = [("origin", ORIGIN), ("origin", "http://evil.example"), ("host", HOST)]
    assert web.client.post("/cases/open", data={"customer": "Ada"}, headers=headers).status_code == 403


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
@pytest.mark.parametrize(
    ("mode", "dest", "status"),
    [
        ("no-cors", "image", 403),
        ("no-cors", "script", 403),
        ("cors", "empty", 403),
        ("no-cors", "empty", 403),
        ("navigate", "iframe", 403),
        ("navigate", "document", 200),
    ],
)
def test_a_page_of_another_server_draws_nothing_in(
    web: Web, site: str, mode: str, dest: str, status: int
) -> None:
    said = {"sec-fetch-site": site, "sec-fetch-mode": mode, "sec-fetch-dest": dest}
    answer = web.client.get("/lessons/lessons.pdf" if status == 403 else "/cases", headers=said)
    assert answer.status_code == status
    assert "access-control-allow-origin" not in answer.headers


@pytest.mark.parametrize("site", ["same-origin", "none"])
def test_pages_of_its_own_and_typed_addresses_are_answered(web: Web, site: str) -> None:
    said = {"sec-fetch-site": site, "sec-fetch-mode": "no-cors", "sec-fetch-dest": "style"}
    assert web.client.get("/cases", headers=said).status_code == 200


def test_no_change_by_get(web: Web) -> None:
    assert web.client.get("/cases/open?customer=Ada").status_code == 405
    with web.bench() as bench:
        assert bench.ledger.cases() == ()


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_other_ways_of_asking_are_refused(web: Web, method: str) -> None:
    answer = web.client.request(method, "/cases", headers={"origin": ORIGIN})
    assert answer.status_code == 405
    assert answer.headers["allow"] == "GET, HEAD, POST"


@pytest.mark.parametrize("url", ["/", "/cases", "/nowhere", "/case/77", "/api.json"])
def test_every_answer_is_clothed(web: Web, url: str) -> None:
    headers = web.client.get(url).headers
    policy = dict(part.split(" ", 1) for part in headers["content-security-policy"].split("; "))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == policy["connect-src"] == "'self'"
    assert policy["frame-ancestors"] == policy["base-uri"] == "'none'"
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["cache-control"] == "no-store"
    assert headers["referrer-policy"] == "same-origin"


def test_pages_hold_no_inline_script_style_or_handler(web: Web) -> None:
    for url in ("/", "/cases", "/nowhere"):
        html = web.client.get(url).text
        assert not re.search(r"<script(?![^>]*\bsrc=)", html)
        assert not re.search(r"<style|\sstyle=|\son[a-z]+=|hx-on|javascript:", html)
        assert not re.search(r"(?:src|href)=\"(?:https?:)?//", html)


def test_a_form_too_large_is_refused_whether_it_says_so_or_not(web: Web) -> None:
    large = "customer=" + "x" * (FORM_BYTES + 1)
    headers = {"origin": ORIGIN, "content-type": "application/x-www-form-urlencoded"}
    assert web.client.post("/cases/open", content=large, headers=headers).status_code == 413

    def pieces() -> Iterator[bytes]:
        yield b"customer="
        for _ in range(FORM_BYTES // 65_536 + 1):
            yield b"x" * 65_536

    assert web.client.post("/cases/open", content=pieces(), headers=headers).status_code == 413
    with web.bench() as bench:
        assert bench.ledger.cases() == ()


def test_without_its_key_only_the_door_is_open(locked: Web) -> None:
    html = {"accept": "text/html"}
    assert locked.client.get("/cases", headers=html, follow_redirects=False).headers["location"] == "/enter"
    assert locked.client.get("/cases").status_code == 401
    assert locked.client.get("/live").status_code == 401
    posted = locked.client.post("/cases/open", data={"customer": "Ada"}, headers={"origin": ORIGIN})
    assert posted.status_code == 401
    assert "Key" in text_of(locked.client.get("/enter").text)


def test_a_page_whose_key_holds_no_longer_is_told_so_in_its_place_for_troubles(locked: Web) -> None:
    """And is not exchanged for the door, part by part, with all that is typed in it."""
    part = {"accept": "text/html, */*", "hx-request": "true"}
    sent = {**part, "origin": ORIGIN}
    for answer in (
        locked.client.get("/cases", headers=part, follow_redirects=False),
        locked.client.post("/cases/open", data={"customer": "Ada"}, headers=sent),
        locked.client.post("/cases/open", data={"x": "y"}, headers={"accept": "text/html", "origin": ORIGIN}),
    ):
        assert answer.status_code == 401
        assert '<section class="trouble">' in answer.text
        assert 'href="/enter" target="_blank"' in answer.text
        assert answer.headers["hx-push-url"] == "false"


def test_the_key_opens_and_is_not_given_out(locked: Web) -> None:
    assert locked.post("/enter", {"key": "wrong"}, status=403).headers.get("set-cookie") is None
    answer = locked.post("/enter", {"key": KEY})
    cookie = answer.headers["set-cookie"]
    assert KEY not in cookie
    assert "HttpOnly" in cookie
    assert "samesite=strict" in cookie.lower()
    assert "Cases" in text_of(locked.get("/cases"))


def test_a_pass_of_another_key_is_none(locked: Web) -> None:
    other = Rules(frozenset({HOST}), KEY + "!")
    locked.client.cookies.set(COOKIE, other.pass_of(other.key))
    assert locked.client.get("/cases").status_code == 401


def test_the_key_is_made_once_and_for_its_owner_alone(tmp_path: Path) -> None:
    key = bench_key(tmp_path)
    assert len(key) >= 32
    assert bench_key(tmp_path) == key
    place = tmp_path / "bench.key"
    assert place.stat().st_mode & 0o077 == 0
    place.chmod(0o644)
    with pytest.raises(UsageError, match="Others can read"):
        bench_key(tmp_path)


def test_the_names_that_are_answered() -> None:
    assert hosts_of(Listening(), 8437) == {"127.0.0.1:8437", "localhost:8437", "[::1]:8437"}
    assert hosts_of(Listening("192.0.2.7", names=("bench.local",)), 80) >= {
        "192.0.2.7:80",
        "192.0.2.7",
        "bench.local:80",
        "bench.local",
    }
    with pytest.raises(UsageError, match="no address"):
        hosts_of(Listening("bench"), 80)


def test_an_unknown_field_is_refused(web: Web) -> None:
    answer = web.post("/cases/open", {"customer": "Ada", "admin": "yes"}, status=422)
    assert "not asked for" in text_of(answer.text)


def test_what_a_person_wrote_is_shown_as_text(web: Web) -> None:
    html = web.done("/cases/open", {"customer": "<img src=x onerror=alert(1)>"})
    assert "<img src=x" not in html
    assert "&lt;img src=x" in html


def test_a_trouble_is_a_page_with_a_next_step(web: Web) -> None:
    html = web.get("/case/77", status=404)
    assert 'class="trouble"' in html
    assert '<a href="/cases">' in html


@pytest.mark.parametrize("path", ["//evil.example/x", "/\\evil.example", "/cases"])
def test_the_way_back_from_a_trouble_leads_to_no_other_server(web: Web, path: str) -> None:
    headers = {"origin": ORIGIN, "referer": f"{ORIGIN}{path}"}
    html = web.client.post("/case/77/due", headers=headers).text
    assert ("Back to the page before" in html) is (path == "/cases")
    assert "evil.example" not in html


def test_hostile_cookies_do_no_harm(web: Web) -> None:
    for cookie in ("mendbay_who=%0d%0aX: y", "mendbay_notice=%3Cscript%3E", "a=b; =; ;;", "\x7f=\x01"):
        answer: httpx2.Response = web.client.get("/cases", headers={"cookie": cookie})
        assert answer.status_code == 200
        assert "<script>" not in answer.text


@pytest.mark.parametrize("strange", ['other={"a":1}', "a[b]=1", "path=/", "a b=1", "x,y=1", "lonely"])
def test_cookies_of_another_server_of_this_machine_hide_none_of_ours(locked: Web, strange: str) -> None:
    """Browsers send cookies to every port of a machine."""
    ours = f"{COOKIE}={Rules(frozenset(), KEY).pass_of(KEY)}"
    for cookie in (f"{strange}; {ours}", f"{ours}; {strange}"):
        assert locked.client.get("/cases", headers={"cookie": cookie}).status_code == 200


def test_a_key_that_is_no_text_is_not_the_key() -> None:
    assert not Rules(frozenset({HOST}), KEY).opens("\ud800")


@pytest.mark.parametrize("method", ["GET", "POST"])
def test_a_number_of_thousands_of_digits_is_no_page(web: Web, method: str) -> None:
    for path in (f"/case/{'9' * 5000}", f"/case/{'9' * 5000}/due"):
        assert web.client.request(method, path, headers={"origin": ORIGIN}).status_code == 404


@pytest.mark.parametrize(
    ("more", "status"),
    [({"host": "evil.example"}, "421"), ({"sec-fetch-site": "cross-site"}, "403"), ({}, "401")],
)
def test_what_the_guard_refuses_is_described(
    locked: Web, web: Web, more: dict[str, str], status: str
) -> None:
    answer = locked.client.get("/cases", headers=more)
    assert str(answer.status_code) == status
    described = web.client.get("/api.json").json()["paths"]["/cases"]["get"]["responses"][status]
    assert answer.headers["content-type"].partition(";")[0] in described["content"]
