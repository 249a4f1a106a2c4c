"""Nothing that comes from outside speaks to the terminal."""

from __future__ import annotations

import json

import pytest

from mendbay.core.errors import UsageError
from mendbay.faces.cli import main
from mendbay.faces.cli.screen import Screen, without_controls
from mendbay.jobs.events import Said, StepProgress

HOSTILE = "\x1b]0;owned\x07\x9b2J\u202egpj\u2066\u200f\x7f\udce4.jpg"
SHOWN = r"\x1b]0;owned\x07\x9b2J\u202egpj\u2066\u200f\x7f\xe4.jpg"


def test_what_speaks_to_the_terminal_is_written_as_escapes() -> None:
    assert without_controls(f"a\tb\n{HOSTILE}") == f"a\tb\n{SHOWN}"
    assert without_controls("a\tb\n\u2029", one_line=True) == r"a\x09b\x0a\u2029"
    assert without_controls("Bäckerei — 2.00\u2009TB") == "Bäckerei — 2.00\u2009TB"


def test_no_way_to_the_screen_lets_it_through(capsys: pytest.CaptureFixture[str]) -> None:
    screen = Screen(None, as_json=False, quiet=False)
    screen._progress = True
    screen.tell(StepProgress("reading pictures:", 0, 1, f"x\n{HOSTILE}"))
    screen.tell(Said(HOSTILE))
    screen.say(HOSTILE)
    screen.answer({}, HOSTILE)
    main._tell(UsageError(f"{HOSTILE} cannot be opened.", f"Check {HOSTILE}."), as_json=False)
    out, err = capsys.readouterr()
    assert out == f"{SHOWN}\n{SHOWN}\n"
    assert r"0 of 1 x\x0a\x1b]0;owned" in err
    assert err.count(SHOWN) == 3
    assert not {"\x1b", "\x07", "\x9b", "\u202e", "\u2066", "\u200f", "\x7f", "\udce4"} & set(out + err)


def test_json_says_the_same_in_escapes_of_its_own(capsys: pytest.CaptureFixture[str]) -> None:
    screen = Screen(None, as_json=True, quiet=True)
    screen.answer({"name": HOSTILE, "umlaut": "ä"}, "")
    main._tell(UsageError(HOSTILE, "Check it."), as_json=True)
    out = capsys.readouterr().out
    assert "ä" in out
    assert not {"\x1b", "\x9b", "\u202e", "\udce4"} & set(out)
    answer, _, trouble = out.rpartition("\n{")
    assert json.loads(answer)["name"] == HOSTILE
    assert json.loads("{" + trouble)["error"]["what"] == f"{HOSTILE}."
