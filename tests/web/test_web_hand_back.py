"""Handing back in the browser, asked without one: it goes where it was told to and nowhere else."""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from mendbay.faces.web import hand_back_shown
from mendbay.faces.web.guard import Rules
from mendbay.jobs.keep_copies import HAND_BACK
from mendbay.jobs.work_port import Outcome
from mendbay.outlets.mediums import Mounted
from mendbay.wiring import works
from support.file_trees import read_home
from support.web_client import HOST, Web, text_of, web_on

MAKE = "/case/1/hand-back/make"
HOSTILE = (
    "../../etc",
    "../home/x",
    "/etc/x",
    "/etc/../etc/x",
    "//etc/x",
    "/proc/self/cwd/x",
    "~/x",
    "x",
    "%2e%2e/x",
    "..",
    "/",
    "$(touch owned)",
    "`touch owned`",
    "; touch owned",
    "\\\\host\\share",
    "file:///etc/x",
    "C:\\x",
)


@pytest.fixture
def read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Web]:
    """A case with a small drive that was read."""
    monkeypatch.setenv("MENDBAY_WHO", "Kim")
    with web_on(read_home(tmp_path / "shop" / "home")) as found:
        yield found


def ended(web: Web) -> Outcome | None:
    """How the newest hand-back ended."""
    shelf = works(web.home)
    (order, *_) = shelf.orders(1)
    deadline = time.monotonic() + 90
    while shelf.is_alive(order.id) or not shelf.state(order.id).is_over:
        assert time.monotonic() < deadline
        time.sleep(0.05)
    return shelf.state(order.id).outcome


def everything_below(folder: Path) -> dict[str, bytes]:
    return {
        str(one.relative_to(folder)): one.read_bytes() if one.is_file() else b""
        for one in sorted(folder.rglob("*"))
    }


def test_a_medium_that_does_not_answer_is_told_as_that(
    read: Web, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with read.bench() as bench:
        bench.note(1, HAND_BACK, "A hand-back of 1 file.", {"whole": 1, "folder": "/media/kim/share/out"})

    def hangs(place: Path, look: Callable[[], object]) -> object:
        raise TimeoutError(place)

    mounted = (Mounted("/media/kim/share", "nfs4", (), answers=False), Mounted("/media/kim/b", "ext4", ()))
    monkeypatch.setattr(hand_back_shown, "mounted_mediums", lambda: mounted)
    monkeypatch.setattr(hand_back_shown, "looked_at_mount", hangs)
    page = read.get("/case/1/hand-back")
    assert "Its medium or share does not answer now." in text_of(page)
    assert "/media/kim/share nfs4, does not answer" in text_of(page)
    assert re.findall(r'name="medium" value="([^"]+)"( disabled)?', page) == [
        ("/media/kim/share", " disabled"),
        ("/media/kim/b", ""),
    ]


def test_files_are_handed_back_with_proof_report_and_receipt(read: Web, tmp_path: Path) -> None:
    out = tmp_path / "out"
    page = text_of(read.get("/case/1/hand-back"))
    assert "Begin the hand-back" in page
    form = {
        "folder": str(out),
        "what": "patterns",
        "patterns": "large.bin\nshelf-5/**",
        "shop": "<b>Shop</b>",
    }
    assert "has begun" in text_of(read.done(MAKE, form))
    assert ended(read) is Outcome.INCOMPLETE
    html = read.get("/case/1/hand-back")
    said = text_of(html)
    assert "read again and equal" in said
    assert "large.bin: holed" in said
    assert "Next The files are copied: check the customer's copy" in said, "nothing has left the shop"
    assert "no copy on the customer's medium is checked yet" in said
    copies = html.partition('id="copies-made"')[2].partition("</section>")[0]
    assert 'data-live="ledger"' in copies.partition(">")[0], "a check that ends is told there at once"
    assert "no copy on the customer" in copies
    report = read.get("/case/1/hand-back/report?at=0")
    assert re.search(r"Copied: \d+ files?, .* Read again and equal: \d+ files?\.", text_of(report))
    assert "large.bin" in report
    assert re.search(r"Only a selection was copied: \d+ more files? found on the drives", text_of(report))
    assert "<b>Shop" not in report
    for name, begin in (("pdf", b"%PDF"), ("html", b"<!"), ("json", b"{")):
        answer = read.client.get(f"/case/1/hand-back/report-file?at=0&form={name}")
        assert answer.content.startswith(begin)
        assert answer.headers["content-disposition"].startswith("attachment")
        assert "html" not in answer.headers["content-type"]
    begun = read.done("/case/1/hand-back/check", {"folder": str(out)})
    assert "The check of the copy has begun" in text_of(begun)
    assert ended(read) is Outcome.DONE
    said = text_of(read.get("/case/1/hand-back"))
    assert "every digest right" in said
    assert "lies on the same medium as the cases" in said
    drawn = text_of(read.get("/case/1/hand-back/report-page?at=0"))
    assert "Page 1 of the report" in drawn
    picture = read.client.get("/case/1/hand-back/report-picture?at=0")
    assert picture.headers["content-type"] in ("image/png", "image/jpeg")
    assert picture.headers["x-content-type-options"] == "nosniff"
    for beyond in ("report-page?at=0&page=99", "report-picture?at=0&page=99"):
        answer = read.client.get(f"/case/1/hand-back/{beyond}")
        assert answer.status_code == 404
        assert "has no page 99." in text_of(answer.text)
    with read.bench() as bench:
        assert bench.ledger.case(1).keep_until
        assert [one for one in bench.ledger.custody(1) if "files copied for a hand-back (" in one.what]
    next((out / "data").rglob("large.bin")).write_bytes(b"changed")
    read.done("/case/1/hand-back/check", {"folder": str(out)})
    assert ended(read) is Outcome.FAILED
    said = text_of(read.get("/case/1/hand-back"))
    assert "the digest differs" in said
    assert "The check found that the copy is not as it was made" in said
    first, *_ = said.split("Copies made")
    assert "The last check" in first, "what came of it stands above the lists and forms"
    assert first.index("The last check") < first.index("The last copy made here"), "the newest is first"
    assert re.search(r"Ordered by Kim, ended \d", first)
    assert "ended with a trouble" not in said
    assert re.search(r"[0-9a-f]{13}", said) is None, "digests are told by their beginning"
    assert "Do not hand this folder over as it is: make the hand-back again into a new folder." in said
    read.done("/case/1/hand-back/receipt", {"agreed": "The box stays here."})
    assert read.client.get("/case/1/hand-back/receipt.pdf").content.startswith(b"%PDF")
    (out / "report.json").write_text('{"report": 1}')
    read.get("/case/1/hand-back/report?at=0", status=404)
    (out / "report.json").unlink()
    (out / "report.json").symlink_to("/etc/hostname")
    read.get("/case/1/hand-back/report?at=0", status=409)
    read.get("/case/1/hand-back/report?at=1", status=404)
    (out / "report.json").unlink()
    shown = text_of(read.get("/case/1/hand-back"))
    assert "Not as it was made: its folder is there, and its report is not." in shown
    assert "not plugged in" not in shown
    out.rename(tmp_path / "away")
    assert "its medium is not plugged in" in text_of(read.get("/case/1/hand-back"))


def test_the_report_names_the_shop_that_the_settings_name(read: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("MENDBAY_SHOP", raising=False)
    read.post("/settings/shop/keep", {"name": "Quill & Mere", "lines": "", "page": "A4"})
    assert 'name="shop" value="Quill &amp; Mere"' in read.get("/case/1/hand-back")
    (read.home / "settings" / "shop.toml").write_text("name = ")
    assert 'name="shop" value=""' in read.get("/case/1/hand-back")
    monkeypatch.setenv("MENDBAY_SHOP", "Here")
    assert 'name="shop" value="Here"' in read.get("/case/1/hand-back")


@pytest.mark.parametrize("field", ["folder", "medium", "shop", "patterns", "bay", "keep_until", "what"])
def test_no_field_leads_anywhere_else(read: Web, tmp_path: Path, field: str) -> None:
    full = tmp_path / "full"
    full.mkdir()
    (full / "letter.txt").write_text("keep me")
    (tmp_path / "to-home").symlink_to(read.home / "cases")
    more = (str(full), str(full / "letter.txt"), str(read.home / "x"), str(tmp_path / "to-home" / "x"))
    before = everything_below(read.home / "cases"), sorted(os.listdir("/etc")), sorted(os.listdir("/"))
    here = sorted(os.listdir("."))
    for at, one in enumerate((*HOSTILE, *more)):
        out = tmp_path / f"out-{at}"
        form = {"folder": str(out), "what": "patterns", "patterns": "nothing-is-called-so", field: one}
        answer = read.client.post(
            MAKE, data=form, headers={"origin": f"http://{HOST}"}, follow_redirects=False
        )
        assert answer.status_code in (303, 409, 422), (one, answer.status_code)
        if answer.status_code == 303:
            assert field in ("shop", "patterns", "bay"), one
            ended(read)
        else:
            assert not out.exists()
    assert everything_below(read.home / "cases") == before[0]
    assert (sorted(os.listdir("/etc")), sorted(os.listdir("/"))) == before[1:]
    assert sorted(os.listdir(".")) == here
    assert everything_below(full) == {"letter.txt": b"keep me"}


def test_what_would_hand_back_nothing_is_refused(read: Web, tmp_path: Path) -> None:
    for form in (
        {"what": "all"},
        {"folder": str(tmp_path / "x")},
        {"folder": str(tmp_path / "x"), "what": "wanted"},
        {"folder": str(tmp_path / "x"), "what": "patterns"},
        {"folder": str(tmp_path / "x"), "what": "all", "keep_until": "yesterday"},
    ):
        read.post(MAKE, form, status=422)
    assert works(read.home).orders(1) == ()
    assert not (tmp_path / "x").exists()


def test_one_that_failed_is_told_and_gone_on_with(read: Web, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    form = {"folder": str(out), "what": "patterns", "patterns": "nothing-is-called-so"}
    read.done(MAKE, form | {"bay": "1"})  # of chosen drives the list of all files tells nothing
    assert ended(read) is Outcome.FAILED
    page = text_of(read.get("/case/1/hand-back"))
    assert "No file on the volume matches" in page
    (order,) = works(read.home).orders(1)
    assert "Go on where it stopped" not in page
    assert "The last copy made here" not in page
    assert "holds nothing to go on with" in page
    read.post("/case/1/hand-back/go-on", {"work": order.id}, status=422)
    (out / "handback.progress").write_text("")
    assert "Go on where it stopped" in text_of(read.get("/case/1/hand-back"))
    read.done("/case/1/hand-back/go-on", {"work": order.id})
    assert ended(read) is Outcome.FAILED
    read.post("/case/1/hand-back/stop", {"work": order.id}, status=422)
    read.post("/case/1/hand-back/go-on", {"work": "../../x"}, status=422)
    read.post("/case/1/hand-back/stop", {"work": "../../x"}, status=422)


def test_patterns_for_no_file_are_refused_before_anything_begins(read: Web, tmp_path: Path) -> None:
    form = {"folder": str(tmp_path / "out"), "what": "patterns", "patterns": "nothing-is-called-so"}
    refused = text_of(read.post(MAKE, form, status=409).text)
    assert "No file on the volume matches nothing-is-called-so." in refused
    assert works(read.home).orders(1) == ()
    read.done(MAKE, form | {"patterns": "nothing-is-called-so\nlarge.bin"})
    assert ended(read) is Outcome.INCOMPLETE


@pytest.mark.parametrize("what", ["all", "wanted"])
def test_patterns_beside_another_choice_let_nothing_out(read: Web, tmp_path: Path, what: str) -> None:
    read.done("/case/1/files/wish", {"pattern": "*.txt"})
    form = {"folder": str(tmp_path / "out"), "what": what, "patterns": " \n*.xlsx\n"}
    refused = text_of(read.post(MAKE, form, status=422).text)
    assert "The pattern '*.xlsx' is typed, and " in refused
    assert "Choose “what the patterns below select”, or leave the patterns out." in refused
    assert works(read.home).orders(1) == ()


def test_a_closed_case_hands_nothing_back(read: Web, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    form = {"folder": str(out), "what": "patterns", "patterns": "nothing-is-called-so", "bay": "1"}
    read.done(MAKE, form)
    assert ended(read) is Outcome.FAILED
    (out / "handback.progress").write_text("")
    before = works(read.home).orders(1)
    read.done("/case/1/closing/close", {"broken": "nothing", "end": "given back", "data": "none"})
    html = read.get("/case/1/hand-back")
    page = text_of(html)
    assert "Begin the hand-back" not in page
    assert "Go on where it stopped" not in page
    assert "Open it again first" in page
    assert '<a href="/case/1/closing">Open it again first</a>' in html
    for address, said in ((MAKE, form), ("/case/1/hand-back/go-on", {"work": before[0].id})):
        refused = text_of(read.post(address, said, status=422).text)
        assert "Case 1 is closed" in refused
    assert works(read.home).orders(1) == before


def test_a_check_reads_only_what_is_a_hand_back(read: Web, tmp_path: Path) -> None:
    for one in HOSTILE:
        read.post(
            "/case/1/hand-back/check",
            {"folder": one},
            status=422 if not one.startswith("/") or ".." in one else 409,
        )
    read.post("/case/1/hand-back/check", {"folder": str(tmp_path)}, status=409)


def test_how_long_copies_are_kept_is_not_overwritten_unseen(web: Web) -> None:
    web.done("/cases/open", {"customer": "A weaver"})
    later = "2999-01-01"
    assert later in text_of(web.done("/case/1/hand-back/keep", {"until": later}))
    page = web.get("/case/1/hand-back")
    mark = page.split('name="seen" value="')[1].split('"')[0]
    web.done("/case/1/hand-back/keep", {"until": "2999-02-02", "seen": mark})
    refused = web.post("/case/1/hand-back/keep", {"until": later, "seen": mark}, status=409)
    assert "changed by somebody else" in text_of(refused.text)
    web.post("/case/1/hand-back/keep", {"until": "2001-01-01"}, status=422)
    web.post("/case/1/hand-back/keep", {"until": later, "days": "3"}, status=422)
    assert "nothing to hand back" in text_of(page)
    web.get("/case/1/hand-back/receipt.pdf", status=404)


def test_what_is_handed_back_as_wanted_is_what_the_page_showed(read: Web, tmp_path: Path) -> None:
    read.done("/case/1/files/wish", {"pattern": "*.txt"})
    page = read.get("/case/1/hand-back")
    mark = page.split('name="seen" value="')[1].split('"')[0]
    read.done("/case/1/files/wish", {"pattern": "*.jpg"})
    form = {"folder": str(tmp_path / "out"), "what": "wanted", "seen": mark}
    assert "changed by somebody else" in text_of(read.post(MAKE, form, status=409).text)
    assert works(read.home).orders(1) == ()


def test_the_day_of_keeping_is_held_against_what_it_is_counted_from(web: Web) -> None:
    web.done("/cases/open", {"customer": "A weaver"})
    page = web.get("/case/1/hand-back")
    mark = page.split("/case/1/hand-back/keep")[1].split('name="seen" value="')[1].split('"')[0]
    with web.bench() as bench:
        bench.note(1, "hand-back", "Made by somebody meanwhile.", {"folder": "/media/none"})
    refused = web.post("/case/1/hand-back/keep", {"days": "3", "seen": mark}, status=409)
    assert "changed by somebody else" in text_of(refused.text)
    for address, field in (("hand-back", "until"), ("closing", "day")):
        day = f"2999-01-0{len(field)}"
        said = text_of(web.done(f"/case/1/{address}/keep", {field: day}))
        assert "that day included. The report in the folder of the hand-back of" in said
        assert f"tell the customer that copies are kept until {day} now." in said
        assert "still says" not in text_of(web.done(f"/case/1/{address}/keep", {field: day})), (
            "it stood before"
        )


def test_a_check_is_stopped_by_hand(read: Web, tmp_path: Path) -> None:
    web_says = "/case/1/hand-back/check-stop"
    read.post(web_says, {"work": "../../x"}, status=422)
    read.post(web_says, {}, status=422)


def test_a_server_open_to_others_says_whose_folder_it_is(tmp_path: Path) -> None:
    rules = Rules(frozenset({HOST}), "k" * 32)
    with web_on(read_home(tmp_path / "shop" / "home"), rules) as web:
        web.client.cookies.set("mendbay_bench", rules.pass_of(rules.key))
        assert "on the machine that serves this bench" in text_of(web.get("/case/1/hand-back"))
