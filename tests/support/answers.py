"""What commands answer, held against their documented shapes."""

from __future__ import annotations

import json
import re
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema

SCHEMA = json.loads((Path(__file__).parents[2] / "docs" / "json" / "answers.schema.json").read_text())

A_PATH = re.compile(r"[\w :]{,30}(/[^/]+)+")
"""A line with nothing but a path in it, after what it is the path of, and before a word or two."""

Run = Callable[..., subprocess.CompletedProcess[str]]
"""Runs a command, given its words."""


def answer(run: Run, *words: object, codes: tuple[int, ...] = (0,)) -> Any:
    """The JSON answer of a command, checked against its documented shape."""
    done = run("--json", *words)
    assert done.returncode in codes, done.stdout + done.stderr
    found = json.loads(done.stdout)
    name = f"{words[0]} {words[1]}"
    shape = {**SCHEMA, "$ref": "#/$defs/" + name.replace(" ", "%20")}
    jsonschema.Draft202012Validator(shape).validate(found)
    return found


def refused(run: Run, code: int, *words: object) -> str:
    """What a command says that must end with this code; it names a next step. Lines broken to the width of
    the screen are whole again."""
    done = run(*words)
    assert done.returncode == code, done.stdout + done.stderr
    assert "Next: " in done.stderr
    return unbroken(done.stderr)


def one_line(text: str) -> str:
    """A text with all its blanks and breaks, thin ones too, as single blanks."""
    return " ".join(text.replace("\u2009", " ").replace("\u202f", " ").split())


def unbroken(text: str) -> str:
    """A text with every line that goes on in the next one as one line."""
    return re.sub(r"\n +", " ", text)


def fits(text: str) -> bool:
    """Whether it fits a terminal of 80 columns; a line that is but a path may be longer, for none is cut."""
    return all(len(line) <= 80 or A_PATH.fullmatch(line) for line in text.splitlines())


def text_of(run: Run, *words: object, code: int = 0) -> str:
    """What a command prints, which must fit a terminal of 80 columns."""
    done = run(*words)
    assert done.returncode == code, done.stdout + done.stderr
    assert fits(done.stdout), done.stdout
    return done.stdout
