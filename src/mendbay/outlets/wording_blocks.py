"""A paper's wording, filled with facts and taken apart into blocks that can be set or written as plain text.

The wording is a Jinja template of CommonMark with tables. What is filled in is data alone: every character of
it that would mean something to CommonMark is escaped, and templates run in a sandbox. Fenced blocks named
`signatures` (one line to sign each), `qr` (a code of the text in it) and `picture` (the name of a picture
among the facts, and below it what it shows in words) are our own marks.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

from jinja2 import StrictUndefined, Template, TemplateError
from jinja2.meta import find_referenced_templates, find_undeclared_variables
from jinja2.sandbox import ImmutableSandboxedEnvironment
from markdown_it import MarkdownIt
from markdown_it.token import Token

from mendbay.core.errors import BadFormFile

WIDTH = 76
"""Columns of a plain text: what survives being quoted in a message (RFC 5322 recommends at most 78)."""
CAUTION = "Please note:"
"""What a caution begins with in a plain text."""
LIMIT = 200_000
"""Characters of a filled paper: some hundred pages."""

_BREAK = "\ue000"
"""Stands for a line break inside a value, which would end a row of a table; from Unicode's private area."""
_MEANING = re.compile(r"([!-/:-@\[-`{-~])")
"""ASCII punctuation: all of it may be escaped, and most of it means something (CommonMark 0.31, 2.4)."""


WRONG = (TypeError, ValueError, ArithmeticError, LookupError, AttributeError, MemoryError, RecursionError)
"""What an expression in a wording can run into."""


@dataclass(frozen=True, slots=True)
class Run:
    """A piece of text in one style; one without text is a line break."""

    text: str
    strong: bool = False
    emphasis: bool = False
    mono: bool = False


Words = tuple[Run, ...]


@dataclass(frozen=True, slots=True)
class Block:
    """One block of a paper.

    Args:
        kind: `heading`, `paragraph`, `list`, `table`, `caution` (a quotation), `rule`, `exact` (as it is),
            `signatures`, `qr` or `picture`.
        level: of a heading; of a list 1 if it is numbered.
        words: of a heading or paragraph.
        rows: of a table, the first one its head; columns aligned by `align` (`left`, `right`, `center`).
        inside: the blocks of a caution; of a list one tuple for each item.
        text: of `exact`, `signatures`, `qr` and `picture`.
    """

    kind: str
    level: int = 0
    words: Words = ()
    rows: tuple[tuple[Words, ...], ...] = ()
    align: tuple[str, ...] = ()
    inside: tuple[tuple[Block, ...], ...] = ()
    text: str = ""


def filled(name: str, wording: str, facts: Mapping[str, Any]) -> str:
    """The wording with the facts in their places, as CommonMark.

    Raises:
        BadFormFile: it is no template, asks for a fact that there is not, or becomes too long.
    """
    text = ""
    try:
        for piece in _template(wording).generate(facts):
            text += piece
            if len(text) > LIMIT:
                raise BadFormFile(f"The wording {name!r} makes over {LIMIT} characters.", "Shorten it.")
    except TemplateError as trouble:
        line = getattr(trouble, "lineno", None)
        where = f", line {line}" if line else ""
        raise BadFormFile(
            f"The wording {name!r}{where} cannot be filled: {trouble}.",
            "docs/formats/papers.md tells what a wording may hold; without the shop's own file ours is used.",
        ) from trouble
    except WRONG as trouble:
        raise BadFormFile(
            f"The wording {name!r} cannot be filled: {trouble!r:.200}.",
            "docs/formats/papers.md tells what a wording may hold; without the shop's own file ours is used.",
        ) from trouble
    return text


@lru_cache(maxsize=32)
def _template(wording: str) -> Template:
    """The wording made ready to be filled, which takes longer than to fill it. It holds no facts."""
    environment = ImmutableSandboxedEnvironment(
        undefined=StrictUndefined, finalize=_escaped, trim_blocks=True, lstrip_blocks=True, autoescape=False
    )
    environment.globals.clear()  # functions that make text without end are no part of a wording
    return environment.from_string(wording)


FRAME = {
    "title": "the title of the paper",
    "case": "number of the case, 0007; may be empty",
    "today": "the day it is made, 2026-11-25",
    "page": "A4 or Letter",
    "shop": "the shop: name, and lines below it (a list)",
}
"""Facts of every wording, each with what it is."""
_REMARK = re.compile(r"\{#.*?#\}", re.DOTALL)
_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]")
_DESCRIBED = re.compile(r"^([a-z][a-z_0-9]*) {2,}(\S.*(?:\n {3,}\S.*)*)$", re.MULTILINE)
"""A line of a remark that describes a fact; what is indented goes on."""


def described_facts(wording: str) -> dict[str, str]:
    """The facts that a wording describes in its remarks, one a line, each with what it is."""
    return {
        found[1]: " ".join(found[2].split())
        for remark in _REMARK.findall(wording)
        for found in _DESCRIBED.finditer(remark)
    }


def without_remarks(wording: str) -> str:
    """A wording without its remarks, which say nothing on paper."""
    return _REMARK.sub("", wording).lstrip()


def check_wording(name: str, wording: str, known: str) -> None:
    """Looks whether a text is a template that asks for no fact but those that are known.

    Args:
        known: wordings that ask for facts which there are, or describe them in their remarks.

    Raises:
        BadFormFile: it is none, says nothing, asks for another fact, or holds a control character.
    """
    environment = ImmutableSandboxedEnvironment()
    environment.globals.clear()
    step = "The list of what it may ask for, beside it on its page, tells; so does docs/formats/papers.md."
    if sign := _CONTROL.search(wording):
        at = wording.count("\n", 0, sign.start()) + 1
        what = f"The wording {name!r}, line {at}, holds the character U+{ord(sign[0]):04X}"
        raise BadFormFile(f"{what}, which cannot be printed.", "Leave that character out.")
    try:
        environment.from_string(wording)  # knows filters and tests, which parsing alone does not
        parsed = environment.parse(wording)
        asked = find_undeclared_variables(parsed)
        there = find_undeclared_variables(environment.parse(known)) | FRAME.keys()
    except TemplateError as trouble:
        line = getattr(trouble, "lineno", None)
        where = f", line {line}" if line else ""
        raise BadFormFile(f"The wording {name!r}{where} cannot be filled: {trouble}.", step) from trouble
    except WRONG as trouble:
        raise BadFormFile(f"The wording {name!r} cannot be filled: {trouble!r:.200}.", step) from trouble
    if next(find_referenced_templates(parsed), parsed) is not parsed:
        raise BadFormFile(f"The wording {name!r} takes another one in, which none can.", step)
    if not _REMARK.sub("", wording).strip():
        raise BadFormFile(f"The wording {name!r} says nothing.", "Write it, or have ours again.")
    unknown = sorted(asked - there - described_facts(known).keys())
    if unknown:
        raise BadFormFile(f"The wording {name!r} asks for {unknown[0][:60]!r}: there is no such fact.", step)


def _escaped(value: object) -> object:
    """A value as data of a CommonMark text: nothing in it means anything, and it stays on its line."""
    if not isinstance(value, str):
        return value
    plain = value.replace(_BREAK, "").replace("\r\n", "\n").replace("\r", "\n")
    return _MEANING.sub(r"\\\1", plain).replace("\t", " ").replace("\n", _BREAK)


def blocks_of(markdown: str) -> tuple[Block, ...]:
    """The blocks of a CommonMark text with tables; HTML in it is text."""
    return _blocks(_Tokens(_parser().parse(markdown)))


@lru_cache(maxsize=1)
def _parser() -> MarkdownIt:
    """What parses papers; its rules are put in order by parsing once, as threads share them from then on."""
    made = MarkdownIt("commonmark", {"html": False}).enable("table")
    made.parse("once")
    return made


@dataclass
class _Tokens:
    """Tokens of a parser, to be taken one by one."""

    tokens: Sequence[Token]
    at: int = field(default=0)

    def until(self, closing: str = "") -> Iterator[Token]:
        while self.at < len(self.tokens):
            token = self.tokens[self.at]
            self.at += 1
            if token.type == closing:
                return
            yield token


def _blocks(tokens: _Tokens, closing: str = "") -> tuple[Block, ...]:
    found: list[Block] = []
    for token in tokens.until(closing):
        kind = token.type
        if kind in ("heading_open", "paragraph_open"):
            words = _words(next(tokens.until(kind.replace("open", "close"))))
            name, level = ("heading", int(token.tag[1])) if kind == "heading_open" else ("paragraph", 0)
            found.append(Block(name, level, words))
        elif kind in ("bullet_list_open", "ordered_list_open"):
            items = []
            for item in tokens.until(kind.replace("open", "close")):
                if item.type == "list_item_open":
                    items.append(_blocks(tokens, "list_item_close"))
            found.append(Block("list", int(kind.startswith("ordered")), inside=tuple(items)))
        elif kind == "blockquote_open":
            found.append(Block("caution", inside=(_blocks(tokens, "blockquote_close"),)))
        elif kind == "table_open":
            found.append(_table(tokens))
        elif kind == "hr":
            found.append(Block("rule"))
        elif kind in ("fence", "code_block"):
            named = token.info.strip() if kind == "fence" else ""
            name = named if named in ("signatures", "qr", "picture") else "exact"
            found.append(Block(name, text=_unescaped(token.content.rstrip("\n"))))
    return tuple(found)


def _unescaped(text: str) -> str:
    """What was filled into a fenced block: nothing is parsed there, so the escapes come off again."""
    return re.sub(r"\\([!-/:-@\[-`{-~])", r"\1", text).replace(_BREAK, "\n")


def _table(tokens: _Tokens) -> Block:
    rows: list[tuple[Words, ...]] = []
    align: list[str] = []
    row: list[Words] = []
    for token in tokens.until("table_close"):
        if token.type == "tr_open":
            row = []
        elif token.type in ("th_open", "td_open"):
            if not rows:
                style = str(token.attrs.get("style", ""))
                align.append(style.rpartition(":")[2] or "left")
        elif token.type == "inline":
            row.append(_words(token))
        elif token.type == "tr_close":
            rows.append(tuple(row))
    return Block("table", rows=tuple(rows), align=tuple(align))


def _words(token: Token) -> Words:
    found: list[Run] = []
    strong = emphasis = 0
    for one in token.children or ():
        if one.type in ("strong_open", "strong_close"):
            strong += 1 if one.type.endswith("open") else -1
        elif one.type in ("em_open", "em_close"):
            emphasis += 1 if one.type.endswith("open") else -1
        elif one.type == "hardbreak":
            found.append(Run(""))
        elif one.type == "softbreak":
            found.append(Run(" ", strong > 0, emphasis > 0))
        elif one.type in ("text", "code_inline", "html_inline", "text_special"):
            mono = one.type == "code_inline"
            content = _unescaped(one.content) if mono else one.content
            parts = re.split(f"[{_BREAK}\n]", content)
            for number, part in enumerate(parts):
                found += [Run("")] if number else []
                found += [Run(part, strong > 0, emphasis > 0, mono)] if part else []
    return _joined(found)


def _joined(runs: Sequence[Run]) -> Words:
    """Neighbours of one style made one: a parser ends a run at every escape."""
    found: list[Run] = []
    for run in runs:
        last = found[-1] if found else None
        styles = (run.strong, run.emphasis, run.mono)
        alike = last is not None and styles == (last.strong, last.emphasis, last.mono)
        if last is not None and alike and run.text and last.text:
            found[-1] = Run(last.text + run.text, *styles)
        else:
            found.append(run)
    return tuple(found)


# ------------------------------------------------------------------ plain text


def plain_text(blocks: Sequence[Block]) -> str:
    """The blocks as plain text in lines of at most `WIDTH` columns, ending with a line feed; a code is left
    out, a line to sign stays, and in the place of a picture stands what it shows in words."""
    lines = list(_plain(blocks, WIDTH))
    while lines and not lines[-1]:
        lines.pop()
    return "\n".join(lines) + "\n"


def _plain(blocks: Sequence[Block], width: int) -> Iterator[str]:
    for block in blocks:
        if block.kind == "qr":
            continue
        yield from _plain_block(block, width)
        yield ""


def _plain_block(block: Block, width: int) -> Iterator[str]:
    if block.kind == "heading":
        said = _said(block.words)
        yield from _folded(said, width)
        if block.level == 1:
            yield "=" * min(width, max(len(line) for line in said.split("\n")))
    elif block.kind == "paragraph":
        yield from _folded(_said(block.words), width)
    elif block.kind == "list":
        for number, item in enumerate(block.inside, 1):
            mark = f"{number}. " if block.level else "- "
            lines = [line for line in _plain(item, width - len(mark)) if line]
            yield from (
                (mark if at == 0 else " " * len(mark)) + line for at, line in enumerate(lines or [""])
            )
    elif block.kind == "caution":
        yield from _plain_caution(block.inside[0], width)
    elif block.kind == "table":
        yield from _plain_table(block, width)
    elif block.kind == "rule":
        yield "-" * width
    elif block.kind == "exact":
        yield from ("  " + line for line in block.text.split("\n"))
    elif block.kind == "picture":
        for line in block.text.split("\n")[1:]:
            first, *others = _folded(line, width - 4)
            yield from (f"  {first}", *(f"    {one}" for one in others))
    elif block.kind == "signatures":
        for line in block.text.split("\n"):
            yield f"{line}: {'_' * max(10, 40 - len(line))}"


def _said(words: Words) -> str:
    return "".join(one.text or "\n" for one in words)


def _folded(text: str, width: int) -> Iterator[str]:
    for line in text.split("\n"):
        folded = textwrap.wrap(line, width, break_long_words=False, break_on_hyphens=False)
        yield from folded or [""]


def _plain_caution(inside: Sequence[Block], width: int) -> Iterator[str]:
    """A caution, told by words: a sign before its lines would make it something that somebody else wrote."""
    if inside and inside[0].kind == "paragraph":
        first = replace(inside[0], words=(Run(CAUTION + " "), *inside[0].words))
        yield from (line for line in _plain((first, *inside[1:]), width) if line)
    else:
        yield CAUTION
        yield from (line for line in _plain(inside, width) if line)


def _plain_table(block: Block, width: int) -> Iterator[str]:
    """Columns side by side where they fit, else a row as lines."""
    rows = [[_said(cell).replace("\n", " ") for cell in row] for row in block.rows]
    headless = not any(rows[0])
    shown = rows[1:] if headless else rows
    if not shown:
        return
    widths = [max(len(row[at]) for row in shown) for at in range(len(rows[0]))]
    if sum(widths) + 2 * (len(widths) - 1) <= width:
        for number, row in enumerate(shown):
            cells = [
                cell.rjust(widths[at]) if block.align[at] == "right" else cell.ljust(widths[at])
                for at, cell in enumerate(row)
            ]
            yield "  ".join(cells).rstrip()
            if number == 0 and not headless:
                yield "  ".join("-" * one for one in widths)
        return
    for row in shown if headless else shown[1:]:
        for name, cell in zip(rows[0], row, strict=True):
            if cell:
                lines = list(_folded(f"{name}: {cell}" if name else cell, width - 2))
                yield from ("  " * bool(at) + line for at, line in enumerate(lines))
