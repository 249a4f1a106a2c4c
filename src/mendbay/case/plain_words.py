"""Faults and steps in the words of somebody who is no technician (`docs/formats/agenda.md`)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from mendbay.core.errors import BadFormFile
from mendbay.core.figures import read_tables

FILE = "plain_words.toml"


@dataclass(frozen=True, slots=True)
class PlainFault:
    """
    Args:
        words: ends the sentence `It is most likely ...`.
        means: what that means for the customer, as sentences.
    """

    words: str
    means: str


@dataclass(frozen=True, slots=True)
class PlainWords:
    """By the ids of triage: faults, and for each step what ends the sentence `The next step is ...`."""

    faults: Mapping[str, PlainFault]
    steps: Mapping[str, str]


@cache
def packaged_plain_words() -> PlainWords:
    """The words that come with Mendbay."""
    return read_plain_words(files("mendbay.case").joinpath(FILE).read_text(encoding="utf-8"))


def read_plain_words(text: str) -> PlainWords:
    """
    Raises:
        BadFormFile: a digit in a sentence, a missing text, an unknown key, or an id used twice.
    """
    top = read_tables(text, FILE)
    faults: dict[str, PlainFault] = {}
    for table in top.tables("fault"):
        fault, words = table.id(), table.sentences(("words", "means"), {})
        table.done()
        if fault in faults:
            table.refuse("is there twice", "Leave one out")
        faults[fault] = PlainFault(words["words"], words["means"])
    steps: dict[str, str] = {}
    for table in top.tables("step"):
        step, words = table.id(), table.sentences(("words",), {})
        table.done()
        if step in steps:
            table.refuse("is there twice", "Leave one out")
        steps[step] = words["words"]
    top.done()
    if not faults or not steps:
        raise BadFormFile(f"{FILE} has no fault or no step", "Put the file that came with Mendbay back")
    return PlainWords(faults, steps)
