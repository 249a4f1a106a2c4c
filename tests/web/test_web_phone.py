"""The door for telephones: one device, one case, for a while, and nothing else."""

from __future__ import annotations

import gc
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import pytest
from starlette.testclient import TestClient

from mendbay.case.outcome import DataBack, End, said
from mendbay.faces.web import phone, phone_app, phone_keys
from mendbay.faces.web.desk import static_files
from mendbay.faces.web.phone_app import AT_ONCE, COOKIE, phone_application
from mendbay.faces.web.phone_keys import KEY_SECONDS, MOST_KEYS, MOST_PICTURES, PhoneKey, PhoneKeys
from mendbay.jobs.case_pictures import case_pictures
from mendbay.jobs.close_case import close_case
from mendbay.jobs.take_in import take_in
from support.web_client import Web

HOST = "192.0.2.7:5000"
ORIGIN = f"http://{HOST}"
JPEG = b"\xff\xd8\xff\xe0 a picture"


@dataclass
class Place:
    """A door with a clock that stands, and what came through it."""

    now: float = 1000.0
    taken: list[tuple[int, str, int]] = field(default_factory=list)
    closed: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.keys = PhoneKeys(lambda: self.now)
        self.app = phone_application(
            frozenset({HOST}), self.keys, self.take, static_files(), self.closed.append
        )

    def take(self, one: PhoneKey, sent: Sequence[Any]) -> str:
        self.taken.append((one.case, one.bay, len(sent)))
        return f"{len(sent)} kept."

    def device(self) -> TestClient:
        """Another telephone."""
        return TestClient(self.app, base_url=ORIGIN, follow_redirects=False)

    def bound(self, case: int = 7, bay: str = "") -> tuple[TestClient, str]:
        """A telephone that has a new key, and the path of it."""
        one = self.keys.open(case, bay, "Kim")
        device = self.device()
        assert post(device, f"/p/{one.key}/use").status_code == 303
        return device, f"/p/{one.key}"


def post(device: TestClient, path: str, files: Any = None, **more: Any) -> Any:
    return device.post(path, files=files, headers={"origin": ORIGIN, **more.pop("headers", {})}, **more)


def sent(*data: bytes) -> list[tuple[str, tuple[str, bytes, str]]]:
    return [("pictures", ("shot.jpg", one, "image/jpeg")) for one in data]


@pytest.fixture
def place() -> Place:
    return Place()


def test_looking_binds_nobody(place: Place) -> None:
    one = place.keys.open(7, "1", "Kim")
    for _ in range(3):
        answer = place.device().get(f"/p/{one.key}")
        assert answer.status_code == 200
        assert "Use this phone" in answer.text
        assert "set-cookie" not in answer.headers
    assert one.device == ""


def test_the_first_device_keeps_the_key(place: Place) -> None:
    first, path = place.bound()
    assert "Send this picture" in first.get(path).text
    other = place.device()
    assert other.get(path).status_code == 403
    assert post(other, f"{path}/use").status_code == 403
    assert post(other, f"{path}/pictures", sent(JPEG)).status_code == 403
    assert post(other, f"{path}/done").status_code == 403
    other.cookies.set(COOKIE, "guessed")
    assert post(other, f"{path}/pictures", sent(JPEG)).status_code == 403
    assert place.taken == []
    assert place.closed == []
    assert post(first, f"{path}/use").status_code == 303
    assert post(first, f"{path}/pictures", sent(JPEG)).status_code == 303


def test_the_mark_of_one_key_opens_no_other(place: Place) -> None:
    first, _ = place.bound(7)
    second = place.keys.open(8, "", "Kim")
    mark = next(iter(first.cookies.values()))
    post(place.device(), f"/p/{second.key}/use")
    first.cookies.set(COOKIE, mark)
    assert post(first, f"/p/{second.key}/pictures", sent(JPEG)).status_code == 403
    assert place.taken == []


def test_the_cookie_is_for_this_page_alone(place: Place) -> None:
    one = place.keys.open(7, "", "Kim")
    said = post(place.device(), f"/p/{one.key}/use").headers["set-cookie"].lower()
    assert "httponly" in said
    assert "samesite=strict" in said
    assert f"path=/p/{one.key.lower()}" in said


def test_pictures_arrive_for_the_place_of_the_key_and_are_counted(place: Place) -> None:
    device, path = place.bound(7, "2")
    assert post(device, f"{path}/pictures", sent(JPEG, JPEG)).status_code == 303
    assert place.taken == [(7, "2", 2)]
    page = device.get(path).text
    assert '<b class="mono">2</b> pictures arrived' in page


def test_the_page_tells_nothing_but_the_number_and_the_bay(place: Place) -> None:
    device, path = place.bound(7, "2")
    page = device.get(path).text
    assert ">7<" in page
    assert 'bay <span class="mono">2</span>' in page
    for other in ("/", "/cases", "/case/7", "/case/7/take-in", "/p/", "/p/x", "/api.json", "/live"):
        assert device.get(other).status_code in (404, 410)
    for name in ("mendbay.js", "vendor/htmx.min.js", "../serve.py", "%2e%2e/serve.py"):
        assert device.get(f"/static/{name}").status_code == 404
    assert device.get("/static/mendbay.css").status_code == 200


def test_it_closes_by_time_and_by_done(place: Place) -> None:
    device, path = place.bound()
    place.now += KEY_SECONDS - 1
    assert device.get(path).status_code == 200
    place.now += 1
    assert device.get(path).status_code == 410
    assert post(device, f"{path}/pictures", sent(JPEG)).status_code == 410
    device, path = place.bound()
    assert "The key is closed" in post(device, f"{path}/done").text
    assert post(device, f"{path}/pictures", sent(JPEG)).status_code == 410
    assert place.closed == [path.removeprefix("/p/")]
    assert place.taken == []
    assert not place.keys.any_open


def test_it_closes_while_the_machine_sleeps(monkeypatch: pytest.MonkeyPatch) -> None:
    slept = {time.CLOCK_MONOTONIC: 0.0, time.CLOCK_BOOTTIME: 0.0}
    monkeypatch.setattr(time, "clock_gettime", lambda which: 1000.0 + slept[which])
    keys = PhoneKeys()
    key = keys.open(1, "1", "Kim").key
    assert keys.find(key) is not None
    slept[time.CLOCK_BOOTTIME] = 3600.0
    assert keys.find(key) is None


@pytest.mark.parametrize("host", ["evil.example", "192.0.2.7", "192.0.2.7:1", "127.0.0.1:5000", ""])
def test_another_name_is_not_answered(place: Place, host: str) -> None:
    device, path = place.bound()
    assert device.get(path, headers={"host": host}).status_code == 421
    assert post(device, f"{path}/pictures", sent(JPEG), headers={"host": host}).status_code == 421
    assert place.taken == []


@pytest.mark.parametrize("origin", [None, "null", "http://evil.example", "https://192.0.2.7:5000"])
def test_a_page_from_elsewhere_sends_nothing(place: Place, origin: str | None) -> None:
    device, path = place.bound()
    headers = {} if origin is None else {"origin": origin}
    for what in ("use", "pictures", "done"):
        assert device.post(f"{path}/{what}", headers=headers).status_code == 403
    assert place.taken == []
    assert place.keys.any_open


def test_every_answer_is_clothed(place: Place) -> None:
    device, path = place.bound()
    for answer in (device.get(path), device.get("/p/x"), post(device, f"{path}/pictures")):
        assert "default-src 'none'" in answer.headers["content-security-policy"]
        assert answer.headers["cache-control"] == "no-store"
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert "<script>" not in answer.text
        assert "style=" not in answer.text


def test_limits(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    device, path = place.bound()
    assert post(device, f"{path}/pictures", sent(*[JPEG] * (AT_ONCE + 1))).status_code == 422
    assert post(device, f"{path}/pictures").status_code == 422
    assert post(device, f"{path}/pictures", data={"pictures": "words"}).status_code == 422
    monkeypatch.setattr(phone_app, "UPLOAD_BYTES", 4096)
    assert post(device, f"{path}/pictures", sent(bytes(5000))).status_code == 413
    assert post(device, f"{path}/use", data={"x": "y" * 5000}).status_code == 413
    assert place.taken == []
    one = place.keys.find(path.removeprefix("/p/"))
    assert one is not None
    place.keys.count(one, MOST_PICTURES)
    assert "as many as one key takes" in device.get(path).text
    assert post(device, f"{path}/pictures", sent(JPEG)).status_code == 422


def test_a_body_longer_than_it_says_is_cut(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(phone_app, "UPLOAD_BYTES", 4096)
    device, path = place.bound()

    def body() -> Iterator[bytes]:
        yield b'--x\r\nContent-Disposition: form-data; name="pictures"; filename="a.jpg"\r\n\r\n'
        for _ in range(20):
            yield bytes(1000)

    headers = {"content-type": "multipart/form-data; boundary=x"}
    assert post(device, f"{path}/pictures", content=body(), headers=headers).status_code == 413
    assert place.taken == []


def test_a_new_key_for_a_place_closes_the_old(place: Place) -> None:
    device, path = place.bound(7, "1")
    place.keys.open(7, "1", "Kim")
    assert device.get(path).status_code == 410
    for case in range(20, 20 + MOST_KEYS + 3):
        place.keys.open(case, "", "Kim")
    assert sum(place.keys.of(case, "") is not None for case in range(20, 40)) == MOST_KEYS


def test_two_at_the_same_moment_bind_one(place: Place) -> None:
    one = place.keys.open(7, "", "Kim")
    marks: list[str] = []
    start = threading.Barrier(8)

    def bind() -> None:
        start.wait()
        marks.append(place.keys.bind(one))

    threads = [threading.Thread(target=bind) for _ in range(8)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert sum(bool(mark) for mark in marks) == 1


# ---------------------------------------------------------------------- the door itself


@pytest.fixture
def one(web: Web, monkeypatch: pytest.MonkeyPatch) -> Web:
    monkeypatch.setattr(phone, "addresses_of_this_machine", lambda: ["127.0.0.1"])
    monkeypatch.setattr(phone, "LINGER_SECONDS", 0.0)
    with web.bench() as bench:
        take_in(bench, "Quillmere Pottery")
    return web


def url_of(page: str) -> str:
    import re

    found = re.search(r"http://127\.0\.0\.1:\d+/p/[\w-]+", page)
    assert found
    return found[0]


def ask(url: str, data: bytes | None = None, **headers: str) -> tuple[int, str, Any]:
    origin = url.partition("/p/")[0]
    request = urllib.request.Request(url, data, {"origin": origin, **headers})
    opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
    try:
        with opener.open(request, timeout=20) as answer:
            return answer.status, answer.read().decode(), answer.headers
    except urllib.error.HTTPError as trouble:
        return trouble.code, trouble.read().decode(), trouble.headers


def test_opening_again_and_again_holds_no_more_threads(one: Web) -> None:
    one.post("/case/1/pictures/phone", {"bay": ""})
    for _ in range(20):
        one.post("/case/1/pictures/phone", {"bay": ""})
    until = time.monotonic() + 20
    while sum(isinstance(each, threading.Timer) for each in threading.enumerate()) > 1:
        assert time.monotonic() < until
        time.sleep(0.02)


def test_the_door_shuts_with_its_last_key(one: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(phone, "KEY_SECONDS", -0.9)
    monkeypatch.setattr(phone_keys, "KEY_SECONDS", 0.05)
    one.post("/case/1/pictures/phone", {"bay": ""})
    until = time.monotonic() + 20
    while any(each.name == "phone" for each in threading.enumerate()):
        assert time.monotonic() < until
        time.sleep(0.02)


def test_nothing_listens_before_the_button_and_after_done(one: Web) -> None:
    assert "is not encrypted" not in one.get("/case/1/pictures")
    page = one.done("/case/1/pictures/phone", {"bay": ""})
    assert "is not encrypted" in page
    assert "No phone has it yet" in page
    assert '<svg class="qr"' in page
    url = url_of(page)
    assert ask(url)[0] == 200
    one.done("/case/1/pictures/phone/done", {"bay": ""})
    for _ in range(200):
        try:
            assert ask(url)[0] == 410
        except (urllib.error.URLError, ConnectionError, TimeoutError):
            break
        threading.Event().wait(0.05)
    else:
        raise AssertionError("it still listens")


def test_the_key_of_a_case_that_is_forgotten_opens_nothing(one: Web) -> None:
    one.post("/cases/open", {"customer": "Fern"})
    kept = url_of(one.done("/case/2/pictures/phone", {"bay": ""}))
    url = url_of(one.done("/case/1/pictures/phone", {"bay": ""}))
    with one.bench() as bench:
        close_case(bench, 1, said((), not_known=True, end=End.SENT_ON, data=DataBack.NONE))
    one.post("/case/1/closing/forget/now", {"reason": "asked for", "typed": "1"})
    assert ask(url)[0] == 410
    assert ask(kept)[0] == 200


def test_a_picture_of_a_phone_is_kept_with_the_case(one: Web) -> None:
    url = url_of(one.done("/case/1/pictures/phone", {"bay": ""}))
    origin = url.partition("/p/")[0]
    opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())

    def send(path: str, data: bytes, kind: str) -> int:
        request = urllib.request.Request(url + path, data, {"origin": origin, "content-type": kind})
        try:
            with opener.open(request, timeout=20) as answer:
                return int(answer.status)
        except urllib.error.HTTPError as trouble:
            return trouble.code

    def form(data: bytes) -> bytes:
        head = b'--x\r\nContent-Disposition: form-data; name="pictures"; filename="a.jpg"\r\n\r\n'
        return head + data + b"\r\n--x--\r\n"

    kind = "multipart/form-data; boundary=x"
    assert send("/use", b"", "application/x-www-form-urlencoded") == 200
    assert send("/pictures", form(b"no picture"), kind) == 422
    assert send("/pictures", form(JPEG), kind) == 200
    assert send("/pictures", form(JPEG), kind) == 200
    with opener.open(url, timeout=20) as answer:
        assert "This picture is kept with case 1 already." in answer.read().decode()
    with one.bench() as bench:
        assert len(case_pictures(bench, 1)) == 1
    page = one.get("/case/1/pictures")
    assert "A phone has it" in page
    assert "2 pictures arrived" in page


def test_without_a_network_it_says_so(one: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(phone, "addresses_of_this_machine", list)
    assert "is in no network" in one.post("/case/1/pictures/phone", {"bay": ""}, status=409).text
    one.post("/case/7/pictures/phone", {"bay": ""}, status=404)
    one.post("/case/1/pictures/phone", {"bay": "7"}, status=404)


def test_pictures_are_counted_before_they_are_taken() -> None:
    keys = PhoneKeys()
    one = keys.open(1, "", "Kim")
    assert keys.count(one, MOST_PICTURES - 1)
    assert not keys.count(one, 2)
    assert keys.count(one, 1)
    keys.give_back(one, 3)
    assert one.arrived == MOST_PICTURES - 3


def test_pictures_that_were_on_their_way_when_it_was_closed_are_not_kept(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    device, path = place.bound()
    arrive = phone_app._files

    async def slowly(request: Any) -> Any:
        found = await arrive(request)
        place.keys.close(path.removeprefix("/p/"))  # "Done" at the bench, while the body arrives
        return found

    monkeypatch.setattr(phone_app, "_files", slowly)
    assert post(device, f"{path}/pictures", sent(JPEG)).status_code == 410
    assert place.taken == []


def test_a_door_whose_thread_died_is_opened_anew(one: Web) -> None:
    first = url_of(one.done("/case/1/pictures/phone", {"bay": ""}))
    server = next(each for each in threading.enumerate() if each.name == "phone")
    found = next(each for each in gc.get_objects() if isinstance(each, phone.PhoneDoor) and each.listens)
    assert found._server is not None
    found._server.should_exit = True
    server.join(20)
    assert not found.listens
    assert "is not encrypted" not in one.get("/case/1/pictures"), (
        "nothing listens, so nothing is to be scanned"
    )
    second = url_of(one.done("/case/1/pictures/phone", {"bay": ""}))
    assert second != first
    assert ask(second)[0] == 200
