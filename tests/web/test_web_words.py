"""Sentences of jobs as pages say them: links in the place of commands, fields in the place of options."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import mendbay
from mendbay.case.records import Bay
from mendbay.core.errors import UsageError
from mendbay.faces.web.app import book_of_all
from mendbay.faces.web.commands import linked
from mendbay.faces.web.option_words import in_words_of_the_page
from mendbay.jobs.take_in import take_in
from support.web_client import Web

BOOK = book_of_all()
ROOMS = ("case", "triage", "board", "imaging", "pair", "files", "handback", "jobs")


def told(text: str) -> str:
    return str(linked(BOOK)(text))


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        (
            "or --although-superseded REASON, which",
            "or a reason at “Why this one, though a later quote was made”, which",
        ),
        ("Give a day to come, or leave --until out.", "Give a day to come, or leave “Expected by” out."),
        ("in writing (--how writing), or", "in writing (“How it was given”: in writing), or"),
        ("say so with --not-there-at-all X.", "say so with “not there at all”."),
        ("serve it with another --port.", "serve it with another --port."),
        ("Free some space, then run the command again.", "Free some space, then try it again."),
        ("Withdrawn by Kim at 2026-11-29T05:06:07Z: shot.", "Withdrawn by Kim at 2026-11-29 05:06: shot."),
        ("a well-known part -- as it is", "a well-known part -- as it is"),
    ],
)
def test_options_are_called_as_fields_are(said: str, shown: str) -> None:
    assert in_words_of_the_page(said, BOOK) == shown


def test_the_forms_own_field_is_meant_first() -> None:
    said = "or --although-refused REASON"
    assert in_words_of_the_page(said, BOOK, BOOK.addresses["wait"]) == (
        "or a reason at “Why, although the customer refused it”"
    )
    assert "all the same; custody keeps it" in in_words_of_the_page(
        said, BOOK, BOOK.addresses["release-items"]
    )


@pytest.mark.parametrize(
    ("said", "left"),
    [
        (
            "mendbay case release 3 0003-01 --to customer, lab or courier hands it over.",
            " hands it over",
        ),
        ("mendbay case pay 3 12.00 --how transfer puts it down", " puts it down"),
        ("If so: mendbay case item-move 3 0003-01 here --mistake REASON.", "."),
        ("mendbay case wait 3 customer FOR-WHAT says so", " says so"),
        ("mendbay triage about 3 --bays 1,2 names them", " names them"),
        ("mendbay case hand-over 3 1 FILE.pdf makes it", " makes it"),
        ("mendbay donor used 7 3 BAY OUTCOME puts down how that went", " puts down how"),
        ("mendbay case item-add 3 gives it one", " gives it one"),
        ("mendbay case bay 3 1=MODEL/SERIAL --amend puts it right", " puts it right"),
    ],
)
def test_a_command_is_a_link_as_a_whole(said: str, left: str) -> None:
    assert re.sub(r".*</a>", "", told(said)).startswith(left)


def _sentences(node: ast.AST, docs: set[int]) -> Iterator[str]:
    """Texts of the code, with something in the place of what is only known when it runs."""
    if id(node) in docs:
        return
    if isinstance(node, ast.JoinedStr):
        parts = (
            str(one.value)
            if isinstance(one, ast.Constant)
            else "3"
            if isinstance(one, ast.FormattedValue) and re.search("number|case|bay", ast.unparse(one.value))
            else "word"
            for one in node.values
        )
        yield "".join(parts)
    elif isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    else:
        for each in ast.iter_child_nodes(node):
            yield from _sentences(each, docs)


def test_no_sentence_of_a_job_shows_an_option() -> None:
    wrong, seen = [], 0
    for room in ROOMS:
        for path in sorted((Path(mendbay.__file__).parent / room).rglob("*.py")):
            tree = ast.parse(path.read_text(encoding="utf-8"))
            docs = {id(one.value) for one in ast.walk(tree) if isinstance(one, ast.Expr)}
            for said in _sentences(tree, docs):
                if not re.search(r"(?<![\w-])--[a-z]", said) or "sha256sum" in said:
                    continue
                seen += 1
                # a command that has no page is shown whole, with its options, since it must be typed
                left = re.sub(r"mendbay [a-z]+ [a-z-]+[^.;]*", "", told(said))
                if re.search(r"(?<![\w-])--[a-z]", left):
                    wrong.append(f"{path.name}: {said}")
    assert seen > 40
    assert not wrong


def test_a_command_without_a_case_means_the_page_s(web: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    with web.bench() as bench:
        take_in(bench, "Ada", bays=[Bay(0, "1")])

    def refused(*args: object, **more: object) -> None:
        raise UsageError("No.", "Read it first: mendbay drive read. Or wait with --until DAY.")

    monkeypatch.setattr("mendbay.faces.web.views.case.wait", refused)
    said = web.post("/case/1/wait", {"who": "part", "what": "a board"}, status=422).text
    assert 'see <a href="/case/1/drives">the page of the drives</a>. Or wait with “Expected by”.' in said


@pytest.mark.parametrize("page", ["files", "hand-back"])
def test_a_right_that_is_not_clear_leads_to_its_form(web: Web, page: str) -> None:
    with web.bench() as bench:
        take_in(bench, "Ada", bays=[Bay(0, "1")])
    assert re.search(
        r"right to this data.*<a href=\"/case/1/take-in#whose-data\">", web.get(f"/case/1/{page}")
    )
    assert 'id="whose-data"' in web.get("/case/1/take-in")
