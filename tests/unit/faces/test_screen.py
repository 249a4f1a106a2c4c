"""Nothing that comes from outside speaks to the terminal."""

from __future__ import annotations

import io
import json

import pytest

from mendbay.core.errors import UsageError
from mendbay.core.span import Span
from mendbay.faces.cli import main
from mendbay.faces.cli.screen import Screen, fitted, without_controls
from mendbay.jobs.events import Phase, ReadingProgress, Said, StepProgress

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


LONG = "  " + "The drive in bay 1 refused reads, and each of them is wear for nothing new. " * 3


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize("columns", [60, 80, 132])
def test_lines_are_broken_between_words_to_the_width_of_the_terminal(
    monkeypatch: pytest.MonkeyPatch, columns: int
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    lines = fitted(f"short\n\n{LONG}\n/{'x' * 200}\n  image: /{'x' * 200}", Terminal()).split("\n")
    assert lines[:2] == ["short", ""]
    assert lines[-2:] == [f"/{'x' * 200}", f"  image: /{'x' * 200}"], "a name is left whole"
    broken = lines[2:-2]
    assert max(map(len, broken)) <= columns
    assert max(map(len, broken)) > columns - 10
    assert broken[0].startswith("  The")
    assert all(one.startswith("    ") for one in broken[1:])
    assert " ".join(" ".join(broken).split()) == " ".join(LONG.split())


def test_where_no_terminal_is_answers_notices_and_errors_have_80_columns(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("COLUMNS", raising=False)
    screen = Screen(None, as_json=False, quiet=False)
    screen.say(LONG)
    screen.tell(Said(LONG))
    main._tell(UsageError(LONG.strip(), LONG.strip()), as_json=False)
    told = capsys.readouterr()
    for stream in told:
        assert 60 < max(map(len, stream.splitlines())) <= 80
    assert told.err.count("\nmendbay: ") == told.err.count("\nNext: ") == 1
    assert " ".join(told.err.split()).count("nothing new.") == 9


COMMANDS = [
    "mendbay triage tell 1 sound clicks --bay 2",
    "mendbay case consent 1 power-on yes",
    "mendbay case consent 1 power-on yes|no|ask",
    "mendbay case bay 12 2=AL20-HX4/S1AAA --amend",
    "mendbay drive read 1 1 /dev/sdX --adapter 'USB bridge' --minutes 30",
    'mendbay case tell 1 wanted "*.xlsx, photos/*"',
    "mendbay handback make 1 FOLDER",
    "mendbay pair read CASE 1=unsteady:drive-1.toml 2=unsteady:drive-2.toml --only-wanted",
]


@pytest.mark.parametrize("command", COMMANDS)
def test_a_command_in_a_sentence_stays_whole(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], command: str
) -> None:
    monkeypatch.delenv("COLUMNS", raising=False)
    for words in range(1, 20):
        sentence = f"{'Word ' * words}{command}, once they agree; or leave it as it is, which custody keeps."
        main._tell(UsageError("No.", sentence), as_json=False)
        lines = capsys.readouterr().err.splitlines()
        assert any(command in line for line in lines), lines
        longest = max(len(line) for line in lines if command not in line)
        assert longest <= 80
        assert " ".join(line.strip() for line in lines[1:]) == f"Next: {sentence}"


def test_a_sentence_after_a_command_is_none_of_it(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("COLUMNS", raising=False)
    step = f"mendbay triage show 1 tells what to do instead; {'or something else that is long ' * 3}"
    main._tell(UsageError("No.", step), as_json=False)
    assert max(map(len, capsys.readouterr().err.splitlines())) <= 80


def test_what_is_said_takes_the_progress_off_first(capsys: pytest.CaptureFixture[str]) -> None:
    screen = Screen(None, as_json=False, quiet=False)
    screen._progress = True
    screen.tell(ReadingProgress("1", Phase.REST, Span(0, 512), 1, 0, 2, 0.0, None))
    screen.end_progress()
    drawn = capsys.readouterr().err
    assert drawn.startswith("\rbay 1, the rest: 50.0")
    assert drawn.endswith(" \r")
    screen.end_progress()
    assert not capsys.readouterr().err, "there is nothing to take off"
