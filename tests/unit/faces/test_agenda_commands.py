"""The day's work and the letters as a technician types them: documented answers, 80 columns."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from mendbay.wiring import open_bench
from support.answers import Run, answer, refused, text_of
from support.boxes import tool_or_skip


@pytest.fixture(autouse=True)
def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    """A terminal of 80 columns."""
    monkeypatch.setenv("COLUMNS", "80")


def test_who_has_a_case_in_hand_is_said_and_told(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    run("case", "open", "Quillmere Pottery", "--bay", "1=")
    run("case", "open", "Oakhanger Bakery", "--bay", "1=")
    run("case", "wait", "2", "customer", "a call")
    monkeypatch.setenv("MENDBAY_WHO", "Kim")
    assert answer(run, "case", "in-hand", "1") == {"case": 1, "in_hand": "Kim", "before": None}
    run("case", "in-hand", "2")
    monkeypatch.setenv("MENDBAY_WHO", "Lee")
    assert text_of(run, "case", "in-hand", "2") == "Lee has case 2 in hand now; it was Kim.\n"
    told = answer(run, "case", "today")
    held = {one["case"]: one["in_hand"] for one in told["steps"] + told["waiting"]}
    assert held == {1: "Kim", 2: "Lee", 3: None}
    assert "(in hand: Kim)" in text_of(run, "case", "today")
    assert answer(run, "case", "show", "1")["in_hand"] == "Kim"
    assert ", open, in hand: Kim, opened " in text_of(run, "case", "show", "1")
    assert "in hand: Lee" in text_of(run, "case", "waiting")
    assert "\nIn hand: 1 Kim; 2 Lee\n" in text_of(run, "case", "list")
    assert [one["case"] for one in answer(run, "case", "list", "--mine")] == [2]
    assert answer(run, "case", "in-hand", "2", "--none") == {"case": 2, "in_hand": None, "before": "Lee"}
    assert "noted" in text_of(run, "case", "in-hand", "2", "--none")


def test_what_is_to_be_fetched_is_told_and_put_down(run: Run) -> None:
    run("case", "open", "Quillmere Pottery", "--bay", "1=")
    worked_on = answer(run, "case", "fetch", "1")
    assert (worked_on["things"], worked_on["until"], worked_on["unit"]) == ([], None, "week")
    assert "still worked on" in refused(run, 2, "case", "fetch", "1", "--by", "2999-01-01")
    run("case", "close", "1", "--nothing-broken", "--end", "given-back", "--data", "none")
    assert answer(run, "case", "fetch", "1", "--by", "2999-01-01")["until"] == "2999-01-01"
    shown = text_of(run, "case", "fetch", "1")
    assert "case message 1 fetch" in shown
    assert "for the law where you are" in " ".join(shown.split())
    assert "to fetch 0001-01" in " ".join(text_of(run, "case", "waiting").split())
    assert answer(run, "case", "message", "1", "fetch")["subject"].startswith("Your things are still here")
    assert answer(run, "case", "fetch", "1", "--none")["until"] is None
    refused(run, 2, "case", "fetch", "1", "--none", "--by", "2999-01-01")


def test_the_day_as_it_is_told(run: Run, tmp_path: Path) -> None:
    run("case", "open", "Quillmere Pottery, the second studio by the river", "--bay", "1=")
    run("case", "open", "Quillmere Pottery", "--bay", "1=")
    assert answer(run, "case", "wait", "3", "part", "a motor driver", "--until", "2999-01-01") == {
        "case": 3,
        "state": "waiting",
        "turn": "part",
        "what": "a motor driver",
        "until": "2999-01-01",
    }
    assert "is past" in refused(run, 2, "case", "due", "2", "2026-01-01")
    with open_bench(tmp_path / "home") as bench:
        bench.ledger.amend_case(2, due_on="2026-01-01")  # the day went by
    assert " Begin with take-in: " in " ".join(text_of(run, "case", "today").split())
    assert run("case", "tell", "1", "kind", "two-bay-box").returncode == 0
    told = answer(run, "case", "today")
    assert [(one["case"], one["late"]) for one in told["steps"]] == [(2, ["needed by 2026-01-01"]), (1, [])]
    assert [one["case"] for one in told["waiting"]] == [3]
    step = told["steps"][1]["step"]
    share = 1 if step["chance"] is None else step["chance"]
    own = share * step["value"] / step["minutes"]
    assert step["worth_a_minute"] > own, "a question ranks by what it is on the way to"
    shown = text_of(run, "case", "today")
    assert shown.index("Late\n") < shown.index("Next, by what") < shown.index("Waiting\n")
    assert re.search(
        r"its answer saves about [\d.\s]+ EUR against going on without it; takes \d+ min",
        " ".join(shown.split()),
    )
    assert "an hour of bench time" not in " ".join(shown.split())
    assert " min; triage step 1 " in " ".join(shown.split())
    assert [one["case"] for one in answer(run, "case", "waiting")] == [3]
    assert "for a part: a motor driver" in text_of(run, "case", "waiting")
    rows = {one["case"]: one for one in answer(run, "case", "list")}
    assert [rows[number]["turn"] for number in (1, 2, 3)] == ["us", "us", "part"]
    assert "! late" in text_of(run, "case", "list")
    for flag, cases in (("--open", [1, 2, 3]), ("--waiting", [3]), ("--overdue", [2])):
        assert [one["case"] for one in answer(run, "case", "list", flag)] == cases
        text_of(run, "case", "list", flag)
    assert answer(run, "case", "go-on", "3", "it came")["turn"] == "us"
    assert answer(run, "case", "due", "2", "--none")["due_on"] is None
    assert text_of(run, "case", "list", "--overdue") == "No case is late.\nNext: mendbay case list\n"
    assert "No case is waiting and late." in text_of(run, "case", "list", "--overdue", "--waiting")
    assert "waits for nothing; nothing was noted" in text_of(run, "case", "go-on", "1")
    assert "No case waits" in text_of(run, "case", "waiting")


def test_letters_and_messages(run: Run, tmp_path: Path) -> None:
    assert "We have not examined it yet" in answer(run, "case", "letter", "1")["text"]
    mail = answer(run, "case", "letter", "1", "--message")
    assert mail["subject"] == "Where your job stands (case 0001)"
    said = text_of(run, "case", "letter", "1", "--message")
    assert said.startswith(f"Subject: {mail['subject']}\n\nDear Quillmere Pottery,")
    assert "=====" not in said
    made = answer(run, "case", "letter", "1", "--pdf", tmp_path / "letter.pdf")
    assert (tmp_path / "letter.pdf").read_bytes().startswith(b"%PDF")
    assert made["kept"].startswith("papers/letter-")
    assert answer(run, "case", "message", "1", "status")["body"].startswith("Dear Quillmere Pottery,")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("due", "1"), "Give one"),
        (("due", "1", "--none", "2026-12-24"), "Give one"),
        (("due", "1", "soon"), "is not a day"),
        (("wait", "1", "customer", " "), "Nothing is said"),
        (("wait", "1", "customer", "a word", "--until", "2020-01-01"), "is past"),
        (("message", "1", "ready"), "not handed back yet"),
        (("message", "1", "quote"), "no quote"),
        (("letter", "1", "--message", "--pdf", "x.pdf"), "either printed or a message"),
    ],
)
def test_what_cannot_be_is_refused_with_the_next_step(run: Run, words: tuple[str, ...], said: str) -> None:
    assert said in refused(run, 2, "case", *words)


def test_an_image_that_is_complete_is_looked_at_once_and_then_handed_back(run: Run, tmp_path: Path) -> None:
    mke2fs = tool_or_skip("mke2fs", "e2fsprogs")
    drive = tmp_path / "mine.img"
    subprocess.run([mke2fs, "-q", "-t", "ext4", drive, "16M"], check=True)
    run("case", "open", "Quillmere Pottery", "--bay", "1=")
    assert run("drive", "read", "2", "1", drive, "--adapter", "port").returncode == 0

    def step() -> str:
        return next(one["step"]["step"] for one in answer(run, "case", "today")["steps"] if one["case"] == 2)

    assert step() == "see-files", "it stands alone"
    looked = run("pair", "look", "2").stdout
    assert "nothing to put together" in looked
    assert "files list 2" in looked
    answer(run, "pair", "look", "2")
    assert [one["kind"] for one in answer(run, "case", "show", "2")["events"]].count("pair") == 1
    assert step() == "hand-back"


def test_a_remark_names_nobody(run: Run) -> None:
    assert run("case", "open", "Kunde 2 Testfirma").returncode == 0
    ended = ("--not-known", "--end", "given-back", "--data", "none", "--remark", "Kunde 2 was nice")
    assert "names the customer" in refused(run, 2, "case", "close", "2", *ended)
    assert "names the customer" in refused(run, 2, "case", "go-on", "2", "the kunde called")
    assert answer(run, "case", "show", "2")["state"] == "open"


def test_a_closed_case_is_not_asked_on(run: Run) -> None:
    done = run("case", "close", "1", "--not-known", "--end", "given-back", "--data", "none")
    assert done.returncode == 0, done.stderr
    shown = run("case", "form", "1").stdout + run("case", "show", "1").stdout
    assert "case take-in" not in shown
    assert "Next: mendbay case show 1" in shown


def test_a_closed_case_names_the_way_back_and_a_forgotten_one_has_none(run: Run) -> None:
    done = run("case", "close", "1", "--not-known", "--end", "given-back", "--data", "none")
    assert done.returncode == 0, done.stderr
    for words in (("due", "1", "2099-01-01"), ("go-on", "1"), ("wait", "1", "customer", "a word")):
        assert "mendbay case reopen 1 --reason REASON" in refused(run, 2, "case", *words)
    done = run("case", "forget", "1", "--yes", "--reason", "keeping time over")
    if done.returncode:  # what the customer left with us is given back first
        assert run("case", "release", "1", "1", "2", "--to", "customer").returncode == 0
        assert run("case", "forget", "1", "--yes", "--reason", "keeping time over").returncode == 0
    for words in (("due", "1", "2099-01-01"), ("go-on", "1"), ("wait", "1", "customer", "a word")):
        assert "reopen" not in refused(run, 44, "case", *words)
