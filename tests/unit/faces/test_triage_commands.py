"""The commands of triage as a technician types them: documented answers, 80 columns, cautions first."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from support.answers import Run, answer, fits, refused, text_of


@pytest.fixture(autouse=True)
def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    """A terminal of 80 columns."""
    monkeypatch.setenv("COLUMNS", "80")


def test_every_answer_has_its_documented_shape(run: Run) -> None:
    assert answer(run, "triage", "show", "1")["known"] == []
    told = answer(run, "triage", "tell", "1", "sound", "clicks", "--bay", "1")
    assert (told["known"][0]["known"], told["keep_without_power"][0]["bay"]) == ("clicks", "1")
    assert told["faults"][0]["fault"] == "heads"
    assert answer(run, "triage", "about", "1", "--came", "box", "--worth", "5000")["worth"] == 5000
    moved = answer(run, "triage", "why", "1", "heads", "--bay", "1")["moved"]
    assert [one["sign"] for one in moved] == ["sound"]
    assert len(answer(run, "triage", "what-if", "1", "history")["answers"]) == 7
    signs = answer(run, "triage", "signs", "1", "--open")
    assert [one["bay"] for one in signs if one["sign"] == "sound"] == ["2"]
    assert answer(run, "triage", "step", "1", "listen-alone", "--bay", "1", codes=(3,))["barred"] == "1"
    assert answer(run, "triage", "untell", "1", "sound", "wrong drive", "--bay", "1")["known"] == []


def test_a_clicking_drive_is_stopped_before_anything_else_is_said(run: Run) -> None:
    text_of(run, "triage", "tell", "1", "history", "dropped")
    shown = text_of(run, "triage", "tell", "1", "sound", "clicks", "--bay", "1")
    assert shown.startswith("STOP: give the drive of bay 1 no power.\n")
    assert "it clicks again and again" in shown.split("\n\n")[0]
    assert "send it to a laboratory" in shown.replace("\n   ", "")
    everything = text_of(run, "triage", "show", "1", "--all")
    assert everything.count("NOT NOW") > 5
    step = text_of(run, "triage", "step", "1", "listen-alone", "--bay", "1", code=3)
    assert step.startswith("CAUTION, ")
    assert step.index("NOT NOW") < step.index("Give the drive alone its supply")
    assert "Next: " in text_of(run, "triage", "step", "1", "listen-alone", "--bay", "2")


def test_words_and_questions(run: Run) -> None:
    text_of(run, "triage", "tell", "1", "lights", "none")
    why = text_of(run, "triage", "why", "1", "adapter")
    assert "common practice, no source" in " ".join(why.split())
    assert "strongly for it" in why or "clearly for it" in why
    assert "* none: no light comes on" in text_of(run, "triage", "signs", "1")
    text_of(run, "triage", "tell", "1", "smell", "burnt")
    assert text_of(run, "triage", "signs", "1").count("the smell of one, is on record") == 2
    assert "* none" not in text_of(run, "triage", "signs", "1", "--open")
    assert "it starts (" in text_of(run, "triage", "what-if", "1", "other-adapter")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("tell", "1", "sound", "clicks"), "one of the bays 1, 2"),
        (("tell", "1", "sound", "loud", "--bay", "1"), "Use one of: silent, normal, clicks"),
        (("step", "1", "dance"), "There is no step 'dance'"),
        (("step", "1", "identify"), "Say which: --bay 1 or 2"),
        (("step", "1", "smell", "--bay", "1"), "smell is a step of the box"),
        (("step", "1", "ask-history", "--bay", "1"), "ask-history is a step of the case"),
        (("step", "1", "read-records", "--bay", "1"), "It needs detected to be right"),
        (("why", "1", "heads"), "no fault 'heads' of the box"),
        (("untell", "1", "lights", "a slip"), "Nobody answered 'lights'"),
        (("about", "1"), "Nothing is said"),
    ],
)
def test_what_cannot_be_is_refused_with_the_next_step(run: Run, words: tuple[str, ...], said: str) -> None:
    assert said in refused(run, 2, "triage", *words)


def test_after_a_repair_it_is_said_what_is_open_again_and_what_is_of_before(run: Run) -> None:
    text_of(run, "triage", "tell", "1", "lights", "none")
    text_of(run, "triage", "tell", "1", "sound", "clicks", "--bay", "1")
    told = answer(run, "triage", "tried", "1", "new-adapter")
    assert told["open_again"] == [{"sign": "lights", "bay": None}, {"sign": "sound", "bay": "1"}]
    shown = text_of(run, "triage", "show", "1")
    assert "Open again, as the repair may have changed it: lights, sound (bay 1)." in shown
    stop = " ".join(shown.split("\n\n")[0].split())
    assert "before the repair: it clicks again and again" in stop
    text_of(run, "triage", "tell", "1", "lights", "normal")
    assert "may have changed it: sound (bay 1)." in text_of(run, "triage", "show", "1")


def test_reading_is_held_back_with_its_exit_code_and_the_way_on(run: Run, tmp_path: Path) -> None:
    image = tmp_path / "drive.img"
    image.write_bytes(bytes(range(256)) * 256)
    text_of(run, "case", "consent", "1", "power-on", "no")
    said = refused(run, 16, "drive", "read", "1", "1", image)
    assert "The customer refused giving power to a failing drive" in said
    assert "mendbay case consent 1 power-on yes" in said
    refused(run, 16, "pair", "read", "1", f"1={image}")
    text_of(run, "triage", "tell", "1", "sound", "clicks", "--bay", "1")
    reason = ("--although-refused", "agreed on paper")
    assert "STOP" in refused(run, 16, "drive", "read", "1", "1", image, *reason)
    done = answer(run, "drive", "read", "1", "1", image, *reason, "--although-harmful", "a copy of it")
    assert done["bay"] == "1"


def test_after_a_repair_the_past_is_not_asked_again_but_what_it_may_have_changed_is(run: Run) -> None:
    for bay in ("1", "2"):
        text_of(run, "triage", "tell", "1", "sound", "silent", "--bay", bay)
    before = answer(run, "triage", "tell", "1", "lights", "none")
    assert not {"lights-now", "sound-now"} & {one["step"] for one in before["steps"]}
    after = answer(run, "triage", "tried", "1", "new-adapter")
    steps = [(one["step"], one["bay"]) for one in after["steps"]]
    shown = text_of(run, "triage", "show", "1")
    assert all(f"{one}: whole job" in shown for one in ("lights-now", "sound-now"))
    assert {("lights-now", None), ("sound-now", "1"), ("sound-now", "2")} <= set(steps)
    assert not {"ask-lights", "ask-sound"} & {one for one, _ in steps}
    assert ("ask-history", None) in steps, "what nobody told yet of before can still be asked"
    told = answer(run, "triage", "tell", "1", "swapped", "no", "--bay", "1")
    assert "swapped" not in [
        one["sign"] for one in answer(run, "triage", "tried", "1", "clean-contacts")["open_again"]
    ]
    assert told["known"]


def test_for_an_enquiry_nothing_is_done_to_a_drive_that_is_not_there(run: Run) -> None:
    text_of(run, "case", "tell", "1", "kind", "picture-enquiry")
    told = answer(run, "triage", "show", "1")
    assert {one["step"] for one in told["steps"]} == {"ask-history", "ask-sound", "ask-swap", "look-at-board"}
    assert "nothing came in" in refused(run, 2, "triage", "step", "1", "measure-supply", "--bay", "1")
    signs = {"ask-history": "history", "ask-sound": "sound", "ask-swap": "swapped", "look-at-board": "burn"}
    said = {"history": "nothing", "sound": "silent", "swapped": "no", "burn": "none"}
    for one in told["steps"]:
        bay = ("--bay", one["bay"]) if one["bay"] else ()
        text_of(run, "triage", "tell", "1", signs[one["step"]], said[signs[one["step"]]], *bay)
    assert "All that can be asked or seen in pictures is known." in text_of(run, "triage", "show", "1")
    assert answer(run, "triage", "show", "1")["steps"] == []
    text_of(run, "case", "letter", "1")


def test_of_a_loose_board_no_step_of_a_drive_is_offered(run: Run) -> None:
    text_of(run, "case", "tell", "1", "kind", "board-repair")
    signs = answer(run, "triage", "signs", "1")
    assert not {"sound-alone", "detected", "refusals"} & {one["sign"] for one in signs}
    said = refused(run, 2, "triage", "step", "1", "listen-alone", "--bay", "1")
    assert "of this case the board is all that came in" in said
    assert answer(run, "triage", "step", "1", "measure-supply", "--bay", "1")["step"] == "measure-supply"


def test_giving_back_says_why_and_what_to_speak_about_again(run: Run) -> None:
    text_of(run, "triage", "tell", "1", "lights", "none")
    for bay in ("1", "2"):
        text_of(run, "triage", "tell", "1", "sound", "silent", "--bay", bay)
    free = text_of(run, "triage", "show", "1")
    assert "more than the data is worth" not in free
    for one in ("power-on", "open-drive"):
        text_of(run, "case", "consent", "1", one, "no")
    shown = " ".join(text_of(run, "triage", "show", "1", "--all").split())
    assert "What the customer refused leaves nothing that would help." in shown
    alone = " ".join(text_of(run, "triage", "step", "1", "give-back").split())
    assert "What the customer refused leaves nothing that would help." in alone
    assert "more than the data is worth" not in shown
    assert (
        "Speak to the customer again about giving power to a failing drive: it would allow new-adapter"
        in shown
    )
    assert "mendbay case consent 1 power-on" in shown
    again = answer(run, "triage", "show", "1")["speak_again"]
    assert [one["consents"] for one in again] == [["power-on"], ["open-drive"]]
    assert all(one["total"] < one["instead"] for one in again)
    assert "Speak to the customer again" in text_of(run, "case", "today")
    for one in ("power-on", "open-drive"):
        text_of(run, "case", "consent", "1", one, "yes")
    text_of(run, "triage", "about", "1", "--worth", "15")
    dear = " ".join(text_of(run, "triage", "show", "1").split())
    assert "What can be done would cost more than the data is worth." in dear
    alone = " ".join(text_of(run, "triage", "step", "1", "give-back").split())
    assert "What can be done would cost more than the data is worth." in alone
    text_of(run, "case", "consent", "1", "open-drive", "no")
    still = " ".join(text_of(run, "triage", "show", "1").split())
    assert "What the customer refused leaves nothing" not in still, "free steps help, and are too dear"


@pytest.mark.parametrize(("worth", "best"), [(15, "give-back"), (60, "give-back"), (800, "ask-sound")])
def test_the_short_list_is_in_the_order_of_the_model_giving_back_too(run: Run, worth: int, best: str) -> None:
    told = answer(run, "triage", "about", "1", "--worth", str(worth))
    assert told["steps"][0]["step"] == best
    shown = text_of(run, "triage", "show", "1")
    listed = list(dict.fromkeys(re.findall(r"^ {5}([a-z-]+): whole job", shown, re.MULTILINE)))
    assert listed[0] == best
    order = list(dict.fromkeys(one["step"] for one in told["steps"]))
    assert sorted(listed, key=order.index) == listed
    assert re.findall(r"^Next: \S+ triage step 1 ([a-z-]+)", shown, re.MULTILINE) == [best]


def test_the_repair_of_the_likeliest_fault_is_in_the_short_list(run: Run) -> None:
    text_of(run, "triage", "tell", "1", "lights", "none")
    shown = text_of(run, "triage", "show", "1")
    assert "the mains adapter" in shown.split("What is likely broken")[1].splitlines()[1]
    assert "new-adapter: whole job" in shown
    assert "measure-adapter: whole job" in shown


def test_reading_says_once_what_the_customer_was_not_asked(run: Run, tmp_path: Path) -> None:
    image = tmp_path / "drive.img"
    image.write_bytes(bytes(range(256)) * 256)

    def said() -> str:
        done = run("drive", "read", "1", "1", image)
        assert done.returncode == 0, done.stderr
        assert fits(done.stdout)
        return " ".join(done.stdout.split())

    first = said()
    assert first.count("The customer was not asked yet about giving power to a failing drive.") == 1
    assert "mendbay case consent 1 power-on yes|no|ask" in first
    assert "mendbay case authority 1 WHOSE" in first
    answer(run, "drive", "read", "1", "1", image)
    assert not run("--json", "drive", "read", "1", "1", image).stderr
    pair = " ".join(run("pair", "read", "1", f"1={image}").stdout.split())
    assert "The customer was not asked yet" in pair
    text_of(run, "case", "consent", "1", "power-on", "ask")
    held = run("drive", "read", "1", "1", image)
    assert held.returncode == 16
    assert "wants to be asked each time before giving power" in " ".join(held.stderr.split())
    told = run("drive", "read", "1", "1", image, "--customer-asked")
    assert told.returncode == 0, told.stderr
    assert "not asked" not in told.stdout
    text_of(run, "case", "consent", "1", "power-on", "yes")
    text_of(run, "case", "authority", "1", "own", "--seen")
    assert "Mind:" not in said()


def test_what_the_sheet_of_a_board_keeps_closed_is_said_first_and_in_the_answer(run: Run) -> None:
    text_of(run, "board", "measure", "1", "1", "leads", "0.3")
    text_of(run, "board", "measure", "1", "1", "suppressor-12v", "0.4")
    (board,) = answer(run, "triage", "show", "1")["closed_boards"]
    assert (board["bay"], board["gates"]) == ("1", "12 V")
    shown = text_of(run, "triage", "show", "1")
    assert shown.startswith("STOP: give the drive of bay 1 no power.\n")
    first = " ".join(shown.split("\n\n")[0].split())
    assert "12 V is barred by the electrical sheet of its board (the suppressor of the 12 V rail: " in first
    assert first.endswith("board sheet 1 1")
    step = " ".join(text_of(run, "triage", "step", "1", "listen-alone", "--bay", "1", code=3).split())
    assert "which should get none. See what its electrical sheet says first." in step
