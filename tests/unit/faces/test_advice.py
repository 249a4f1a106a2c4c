"""Every command that a text of the program names is one that its own parser takes.

The texts are read from the source: whatever stands in a string and begins with `mendbay`, or with the name
by which the program was called, up to the first word that is none of a command.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from mendbay.faces.cli.main import command as program

SOURCE = Path(__file__).parents[3] / "src" / "mendbay"
HOLE = "\N{OBJECT REPLACEMENT CHARACTER}"
"""What stands for a value that is known only when the text is made."""
_BEGIN = re.compile(rf"(mendbay|{HOLE}) ([a-z]+ [a-z][a-z-]*.*)", re.DOTALL)
NO_ADVICE = {"mendbay case export 1"}
"""Names of formats."""
_VALUE = re.compile(
    rf"\[?(?:[A-Z][A-Z-]*(?:=[A-Z/{HOLE}]+)?|[^ ]*{HOLE}[^ ]*|[0-9][^ ]*|'[^']*'|FILE\.pdf)\]?(?:\.\.\.)?"
)


def texts(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Every text with its line; values in it are holes. Docstrings are none."""
    inside = {id(part) for one in ast.walk(tree) if isinstance(one, ast.JoinedStr) for part in one.values}
    docs = {
        id(one.body[0].value)
        for one in ast.walk(tree)
        if isinstance(one, ast.Module | ast.ClassDef | ast.FunctionDef)
        and one.body
        and isinstance(one.body[0], ast.Expr)
    }
    for one in ast.walk(tree):
        if isinstance(one, ast.JoinedStr):
            parts = (str(part.value) if isinstance(part, ast.Constant) else HOLE for part in one.values)
            yield one.lineno, "".join(parts)
        elif isinstance(one, ast.Constant) and isinstance(one.value, str) and id(one) not in inside | docs:
            yield one.lineno, one.value


def advice() -> Iterator[tuple[str, list[str]]]:
    """Where a command is named, and its words as far as they are of a command."""
    for path in sorted(SOURCE.rglob("*.py")):
        for line, text in texts(ast.parse(path.read_text())):
            for piece in re.split(rf"(?=mendbay |{HOLE} )", text) if text not in NO_ADVICE else ():
                found = _BEGIN.match(piece)
                words = words_of(found[2]) if found else []
                if found and (found[1] == "mendbay" or called(words)):
                    yield f"{path.relative_to(SOURCE)}:{line}", words


def words_of(text: str) -> list[str]:
    """The words of the command that a text begins with."""
    words: list[str] = []
    for word in re.split(r"\s+", text):
        bare = word.rstrip(".,;:)")
        if len(words) > 1 and not is_of_command(words, bare):
            break
        words.append(bare)
        if bare != word:
            break
    return words


def is_of_command(words: list[str], word: str) -> bool:
    """Whether a word after these belongs to the command, and does not go on with the sentence."""
    if word.startswith("--") or _VALUE.fullmatch(word):
        return True
    found = called(words)
    if found is None or not word:
        return False
    option = next((one for one in found[0].params if words[-1] in one.opts), None)
    if isinstance(option, click.Option):
        return not option.is_flag
    place = values_of(found[0], found[1])
    spots = [one for one in found[0].params if isinstance(one, click.Argument)]
    kind = spots[place].type if place < len(spots) else None
    return isinstance(kind, click.Choice) and {*word.split("|")} <= {*map(str, kind.choices)}


def values_of(found: click.Command, rest: list[str]) -> int:
    """How many values there are among the words, those of options left out."""
    takes = {
        name for one in found.params if isinstance(one, click.Option) and not one.is_flag for name in one.opts
    }
    return sum(
        not word.startswith("--") and (at == 0 or rest[at - 1] not in takes) for at, word in enumerate(rest)
    )


def called(words: list[str]) -> tuple[click.Command, list[str]] | None:
    """The command that the first words name, and the rest; None if they name none."""
    assert isinstance(program, click.Group)
    group = program.get_command(click.Context(program), words[0])
    if not isinstance(group, click.Group):
        return None
    found = group.get_command(click.Context(group), words[1])
    return None if found is None else (found, words[2:])


FOUND = list(advice())


@pytest.mark.parametrize(
    ("where", "words"), FOUND, ids=[f"{where} {' '.join(words)}" for where, words in FOUND]
)
def test_what_is_named_can_be_typed(where: str, words: list[str]) -> None:
    command = called(words)
    if command is None:
        assert isinstance(program, click.Group)
        group = program.get_command(click.Context(program), words[0])
        assert not isinstance(group, click.Group), f"{where}: there is no {' '.join(words[:2])}"
        return
    found, rest = command
    options = {
        name: one
        for one in found.params
        if isinstance(one, click.Option)
        for name in (*one.opts, *one.secondary_opts)
    }
    places = [one for one in found.params if isinstance(one, click.Argument)]
    for word in rest:
        assert not word.startswith("--") or word in options, f"{where}: {' '.join(words)} has no {word}"
    values, given = values_of(found, rest), {options[one].name for one in rest if one in options}
    most = None if any(one.nargs == -1 for one in places) else len(places)
    assert most is None or values <= most, f"{where}: {' '.join(words)} takes no more than {most} values"
    needed = [one for one in found.params if one.required and isinstance(one, click.Option)]
    if values:  # a command named by itself is to be looked up
        assert {one.name for one in needed} <= given, f"{where}: {' '.join(words)} lacks an option"
        assert values >= sum(one.required for one in places), f"{where}: {' '.join(words)} lacks a value"


def test_there_is_much_advice() -> None:
    assert len(FOUND) > 150
