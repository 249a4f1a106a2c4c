"""The commands of triage as a technician types them: documented answers, 80 columns, cautions first."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.answers import Run, answer, refused, text_of


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
    assert "before the repair: sound (bay 1): it clicks again and again" in stop
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
