"""Take-in as a technician does it: at the terminal, by keyboard alone, and by single commands."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from support.answers import Run, answer, fits, refused, text_of
from support.conversation import STOP, converse

BOX = (
    *("Quillmere Pottery", "1", "555 0100, pots@quillmere.example", "two-bay box, adapter, one cable"),
    "1",
    *("1", "after the storm no light came on any more", "3", "1", "2", "3"),
    *("the glaze recipes and the accounts", "2026-12-24", "1", "1"),
)
"""Answers to the essentials of a two-bay box."""


@pytest.fixture(autouse=True)
def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    """A terminal of 80 columns."""
    monkeypatch.setenv("COLUMNS", "80")


def test_the_essentials_of_a_box_at_the_terminal(tmp_path: Path, run: Run) -> None:
    home = tmp_path / "home"
    talked = converse(home, ["case", "take-in"], BOX)
    assert (talked.code, talked.unused) == (0, ()), talked.said
    assert fits(talked.said)
    assert talked.said.index("A failing drive can get worse") < talked.said.index("  1 yes"), "risk first"
    assert "That was the essential part." in talked.said
    assert "The essentials are complete." in talked.said
    assert "STOP: give the drive of bay 2 no power" in talked.said
    typed = sum(map(len, BOX))
    assert talked.keys == typed + len(BOX) + 2, "one Enter for each answer, and q to end"
    picks = [one for one in BOX if len(one) == 1]
    assert len(picks) == 9, "what can be picked takes one key"
    shown = answer(run, "case", "show", "2")
    assert (shown["kind"], shown["due_on"], shown["missing"]) == ("two-bay box", "2026-12-24", [])
    assert (shown["consents"][0]["word"], shown["authority"]["whose"]) == ("yes", "own")
    assert answer(run, "triage", "show", "2")["keep_without_power"][0]["bay"] == "2"


def test_who_typed_a_wrong_name_goes_back_to_it(tmp_path: Path, run: Run) -> None:
    home = tmp_path / "home"
    talked = converse(home, ["case", "take-in"], ["Quilmere Potery", "-", "Quillmere Pottery", STOP])
    assert "There is no question before this" not in talked.said
    assert "so far: Quilmere Potery" in talked.said
    shown = answer(run, "case", "show", "2")
    assert shown["customer"] == "Quillmere Pottery"


def test_what_cannot_be_picked_is_told_by_the_numbers_and_words_shown(tmp_path: Path, run: Run) -> None:
    condition = ["1", "555 0100", "a box", "1"]
    said = converse(
        tmp_path / "home", ["case", "take-in", "1"], [*condition, "1 2", "8", "2 9", "3", STOP]
    ).said
    flat = " ".join(said.split())
    assert "Leave out 1 (nothing to be seen), or give it alone." in flat
    assert "No line above is '8'. Type a number from 1 to 7, or some of them with blanks between" in flat
    assert "No line above is '9'." in flat
    assert "seal-broken" not in flat, "a name that is on no line"
    by_command = refused(run, 2, "case", "tell", "1", "condition", "wet,sound")
    assert "Leave out sound" in by_command, "there names are what is typed"


def test_a_drive_alone_is_not_asked_about_in_a_box(run: Run) -> None:
    def asked() -> str:
        questions = answer(run, "case", "form", "1", "--all")["questions"]
        return str(next(one["words"] for one in questions if one["question"] == "sound"))

    text_of(run, "case", "tell", "1", "kind", "two-bay-box")
    assert asked() == "What does the drive sound like in the box?"
    run("case", "open", "Quillmere Pottery", "--bay", "1=")
    text_of(run, "case", "tell", "2", "kind", "drive")
    questions = answer(run, "case", "form", "2", "--all")["questions"]
    assert [one["words"] for one in questions if one["question"] == "sound"] == [
        "What does the drive sound like?"
    ]
    assert "in the box" not in text_of(run, "triage", "step", "2", "ask-sound", "--bay", "1")
    text_of(run, "triage", "tell", "2", "sound", "silent", "--bay", "1")
    assert "What does the drive sound like? Nothing." in text_of(run, "case", "show", "2")


def test_later_back_explained_not_known_and_picked_up_again(tmp_path: Path, run: Run) -> None:
    home = tmp_path / "home"
    first = converse(
        home, ["case", "take-in", "1"], ["9", "2", "?", "", "a drive", "-", "a drive in a bag", "x", STOP]
    )
    assert first.code == 130
    assert "No line above is '9'. Type a number from 1 to 5; ? explains." in first.said.replace("\n  ", " ")
    assert "read the telephone number back" in first.said
    assert "so far: a drive" in first.said
    assert "What was answered is kept" in first.said.replace("\n  ", " ")
    form = answer(run, "case", "form", "1")
    values = {one["question"]: one["values"] for one in form["questions"] if one["answered"]}
    assert values == {
        "customer": ["Quillmere Pottery"],
        "kind": ["drive"],
        "came-in": ["a drive in a bag"],
        "condition": [],
    }
    again = converse(home, ["case", "take-in", "1"], ["555 0100"])
    assert again.said.index("How can the customer be reached") < again.said.index("What happened")
    assert "What is it about?" not in again.said, "only what is open is asked"
    assert "Missing of the essentials" in again.said
    assert converse(home, ["case", "take-in"], [""]).said.strip().endswith("No case was opened.")
    assert len(answer(run, "case", "list")) == 1


def test_every_answer_has_its_documented_shape(run: Run, tmp_path: Path) -> None:
    assert answer(run, "case", "tell", "1", "kind", "two-bay-box")["kind"] == "two-bay box"
    told = answer(run, "case", "tell", "1", "sound", "clicks", "--bay", "2")
    assert (told["questions"][0]["values"], told["questions"][0]["bay"]) == (["clicks"], "2")
    assert not answer(run, "case", "untell", "1", "sound", "--bay", "2", "--reason", "slip")["questions"][0][
        "values"
    ]
    assert all(not one["answered"] for one in answer(run, "case", "take-in", "1")["questions"])
    assert "power-on" in answer(run, "case", "consent", "1")["not_asked"]
    given = answer(run, "case", "consent", "1", "power-on", "no", "--how", "phone")["consents"]
    assert (given[0]["word"], given[0]["how"]) == ("no", "phone")
    step = answer(run, "triage", "step", "1", "identify", "--bay", "1", codes=(3,))
    assert (step["refused"], step["ask_first"]) == ("power-on", [])
    assert answer(run, "case", "authority", "1")["concern"]
    paper = tmp_path / "paper.pdf"
    paper.write_bytes(b"%PDF-1.7 agreed")
    assert answer(run, "case", "authority", "1", "employer", "--document", paper)["concern"] is None
    picture = tmp_path / "front.png"
    picture.write_bytes(b"\x89PNG\r\n\x1a\n")
    assert answer(run, "case", "picture", "1", picture, "--of", "front")["pictures"][0]["of"] == "front"
    (kept,) = answer(run, "case", "picture", "1")["pictures"]
    said = answer(run, "case", "picture", "1", "--say", "1", "--of", "back")
    assert (said["said"], said["pictures"][0]["of"]) == (kept["path"], "back")
    refused(run, 2, "case", "picture", "1", picture, "--say", "1", "--of", "back")
    assert answer(run, "case", "picture", "1", "--say", "1", "--of", "front")["pictures"][0]["of"] == "front"
    back = ("case", "picture", "1", "--take-back", "1", "--reason", "of another box")
    assert answer(run, *back)["taken_back"] == kept["path"]
    assert "no picture '1'" in refused(run, 43, *back)
    refused(run, 2, "case", "picture", "1", picture, *back[3:])
    assert "No picture is kept.\nNext: mendbay case picture 1 FILES" in text_of(run, "case", "picture", "1")
    assert answer(run, "case", "picture", "1", picture)["taken_back"] is None
    assert answer(run, "case", "show", "1")["kind"] == "two-bay box"


def test_words_fit_and_lead_on(run: Run) -> None:
    run("case", "tell", "1", "kind", "two-bay-box")
    for words in (
        ("case", "take-in", "1"),
        ("case", "form", "1"),
        ("case", "form", "1", "--all"),
        ("case", "consent", "1"),
        ("case", "consent", "1", "open-drive"),
        ("case", "consent", "1", "open-drive", "no"),
        ("case", "authority", "1"),
        ("case", "picture", "1"),
        ("case", "show", "1"),
    ):
        done = run(*words)
        assert done.returncode == 0, done.stderr
        assert fits(done.stdout), words
    assert "mendbay case tell 1 lights none|warning|normal" in run("case", "take-in", "1").stdout
    assert "not asked yet: contact" in " ".join(run("case", "show", "1").stdout.split())
    shown = run("triage", "show", "1").stdout
    assert "Not offered, as the customer refused it: opening by a laboratory" in " ".join(shown.split())
    assert "ask the customer first: giving power" in " ".join(shown.split())
    step = run("triage", "step", "1", "identify", "--bay", "1").stdout
    assert step.index("ASK THE CUSTOMER FIRST") < step.index("Connect the drive alone")
    run("case", "consent", "1", "power-on", "yes")
    assert "giving power" not in run("triage", "step", "1", "identify", "--bay", "1").stdout


def test_a_bay_is_taken_back_with_a_reason(run: Run) -> None:
    run("case", "bay", "1", "7=AL20-HX4")
    gone = answer(run, "case", "bay", "1", "7=", "--remove", "a slip")
    assert (gone["bay"], gone["removed"]) == ("7", "a slip")
    assert "not both" in refused(run, 2, "case", "bay", "1", "1=", "--amend", "--remove", "a slip")
    assert "no bay '7'" in refused(run, 41, "case", "bay", "1", "7=", "--remove", "again")


def test_a_page_is_written_and_its_file_entered(run: Run, tmp_path: Path) -> None:
    page, file = tmp_path / "questions.html", tmp_path / "answers-0001.json"
    run("case", "tell", "1", "contact", "555 0100")
    made = answer(run, "case", "take-in", "1", "--page", page)
    assert (made["case"], made["page"]) == (1, str(page))
    text = page.read_text()
    assert text.count("data-question=") == made["questions"]
    assert "Quillmere" not in text, "no personal data on the page"
    assert "555 0100" not in text, "no answer on the page"
    assert "already exists" in refused(run, 20, "case", "take-in", "1", "--page", page)
    answers = [("kind", None, "two-bay-box"), ("sound", "2", "clicks"), ("contact", None, "555 0199")]
    file.write_text(
        json.dumps(
            {
                "format": "take-in answers",
                "version": 1,
                "case": 1,
                "answers": [dict(zip(("question", "bay", "answer"), one, strict=True)) for one in answers],
            }
        )
    )
    done = run("case", "take-in", "1", "--answers", file)
    assert done.returncode == 3, done.stderr
    assert fits(done.stdout)
    assert "Entered (2): kind, sound (bay 2)" in done.stdout
    assert "- contact: Answered before: 555 0100. The file says: 555 0199." in done.stdout
    assert "STOP: give the drive of bay 2 no power" in done.stdout
    again = answer(run, "case", "take-in", "1", "--answers", file, codes=(3,))
    assert [one["question"] for one in again["same"]] == ["kind", "sound"]
    assert [one["fate"] for one in again["left_out"]] == ["stays"]
    last = answer(run, "case", "take-in", "1", "--answers", file, "--replace")
    assert last["replaced"] == [{"question": "contact", "bay": None}]
    assert "of case 1" in refused(run, 2, "case", "take-in", "--answers", file)
    assert "go together" in refused(run, 2, "case", "take-in", "1", "--replace")
    blank = tmp_path / "new.html"
    assert answer(run, "case", "take-in", "--page", blank)["case"] is None
    file.write_text(file.read_text().replace('"case": 1', '"case": null'))
    assert "name no customer" in refused(run, 2, "case", "take-in", "--answers", file)
    file.write_text(
        file.read_text().replace('"question": "contact", "bay": null', '"question": "customer", "bay": null')
    )
    new = answer(run, "case", "take-in", "--answers", file)
    assert (new["case"], new["opened"], new["left_out"]) == (2, True, [])


def test_what_comes_next_follows_from_the_kind(run: Run) -> None:
    run("case", "open", "Quillmere Pottery", "--contact", "555 0100")
    for question, text in (("kind", "picture-enquiry"), ("enquiry", "a board for it?"), ("due", "not known")):
        done = run("case", "tell", "2", question, text)
    assert "Next: mendbay case bay 2 1=MODEL/SERIAL\nthen: mendbay board pictures 2 1 FOLDER\n" in done.stdout
    assert "donor find 2 1" in done.stdout


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("take-in",), "no terminal to ask at"),
        (("tell", "1", "colour", "red"), "no question 'colour'"),
        (("tell", "1", "locked-who", "password: x"), "none is kept here"),
        (("untell", "1", "lights", "--reason", "slip"), "Nobody answered"),
        (("consent", "1", "dance", "yes"), "no consent 'dance'"),
        (("consent", "1", "parts", "yes", "--by", "other"), "in writing only"),
        (("authority", "1", "--seen"), "A paper alone"),
        (("picture", "1", "/nowhere.png"), "cannot be opened"),
    ],
)
def test_what_cannot_be_is_refused_with_the_next_step(run: Run, words: tuple[str, ...], said: str) -> None:
    assert said in refused(run, 2, "case", *words)


def test_what_was_refused_is_held_back_and_how_is_said(run: Run) -> None:
    asked = text_of(run, "case", "consent", "1", "sample-files")
    flat = " ".join(asked.split())
    assert "Somebody of the shop then sees what is in them." in flat
    assert "No command opens a file or shows what is in it" in flat
    assert "for you to keep" in flat
    assert "for you to keep" not in text_of(run, "case", "consent", "1", "sample-files", "yes")
    said = text_of(run, "case", "consent", "1", "parts", "no")
    assert "a part is noted as ordered or used" in " ".join(said.split())
    waits = ("case", "wait", "1", "part", "a donor board")
    assert "refused using parts up" in refused(run, 16, *waits)
    assert answer(run, *waits, "--although-refused", "they want this one")["case"] == 1
    run("donor", "add", "board", "--board-number", "TB-4471-200")
    used = ("donor", "used", "1", "1", "1", "worked")
    assert "refused using parts up" in refused(run, 16, *used)
    shown = text_of(run, *used, "--although-refused", "they want this one")
    assert "CAUTION: item 1: The customer refused using parts up." in shown


def test_the_story_is_told_in_sentences_without_padding(run: Run, tmp_path: Path) -> None:
    box = "two-bay box, does not start, with its adapter, one cable of a metre and a spare drive"
    run("case", "open", "Quillmere Pottery", "--box", box, "--bay", "1=", "--notes", "they call " * 20)
    run("board", "sheet", "2", "1", "--size", "3.5")
    run("board", "measure", "2", "1", "leads", "0.3")
    for number in (1, 2, 3):
        dump = tmp_path / f"read-{number}.bin"
        dump.write_bytes(bytes([number]) * 65536)
        assert run("rom", "keep", "2", "1", "patient", str(dump)).returncode == 0
    for number in (1, 2, 3):
        assert run("case", "receipt", "2", str(tmp_path / f"{number}.pdf")).returncode == 0
    shown = text_of(run, "case", "show", "2")
    story = [line.strip() for line in shown.partition("What happened")[2].splitlines()]
    assert not any("  " in line for line in story)
    flat = " ".join(shown.split())
    assert "Bay 1, leads: 0.3 Ω; within what is usual." in flat
    assert "Bay 1: 1 read of the patient's ROM kept, sitting 3 (read-3.bin)." in flat
    assert flat.count("Receipt made, with the head of custody entry") == 1
    assert "(3 times from 2" in flat
    told = [one["text"] for one in answer(run, "case", "show", "2")["events"]]
    assert sum("Receipt made" in one for one in told) == 3, "for programs each stands for itself"


def test_opening_sends_nobody_to_read_what_may_click(run: Run) -> None:
    told = text_of(run, "case", "open", "Quillmere Pottery", "--box", "bare drive, clicks", "--bay", "1=")
    assert "What to do first: mendbay triage show 2\n" in told
    assert "read" not in told
    assert "drive read 3 A /dev/sdX\n" in text_of(run, "case", "open", "Quillmere Pottery", "--bay", "A=")
    two = text_of(run, "case", "open", "Quillmere Pottery", "--bay", "1=", "--bay", "2=")
    assert "pair read 4 1=/dev/sdX 2=/dev/sdY\n" in two
    assert " read " not in text_of(run, "case", "open", "Quillmere Pottery")
