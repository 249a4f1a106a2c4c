"""The shop's papers: the shop's own wordings where it has some, ours otherwise (`docs/formats/papers.md`)."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any

import zxingcpp

from mendbay.core.errors import BadFormFile, UsageError
from mendbay.jobs.board_ports import ShopFiles
from mendbay.jobs.stationery_port import Stationery
from mendbay.outlets.glyphs import printable_values
from mendbay.outlets.own_fonts import OwnFonts
from mendbay.outlets.typesetting import PAGES_MM, Paper, typeset
from mendbay.outlets.wording_blocks import (
    FRAME,
    Block,
    Words,
    blocks_of,
    check_wording,
    described_facts,
    filled,
    plain_text,
    without_remarks,
)

KIND = "papers"
"""Kind of the shop's files that hold its own wordings."""
LIKE = dict.fromkeys(
    ("message-fetch", "message-quote", "message-ready", "message-reminder", "message-status"), "letter"
)
"""Wordings that have the facts of another."""
MOST_CODES = 20
CODE_LIMIT = 1000
"""Characters in one QR code: what a phone still reads from paper at the size it is printed (own choice)."""


class PrintedStationery(Stationery):
    """Wordings from the package, or from the shop's folder where it has a file of that name.

    Args:
        shop_files: where the shop's own are.
        fonts: what papers are set in.
    """

    def __init__(self, shop_files: ShopFiles, fonts: OwnFonts | None = None) -> None:
        self._shop_files = shop_files
        self._fonts = fonts or OwnFonts()

    def words(self, paper: str, facts: Mapping[str, Any]) -> str:
        return plain_text(_blocks(paper, self.wording(paper), facts))

    def pdf(self, paper: str, facts: Mapping[str, Any]) -> bytes:
        return self.pdf_of(paper, self.wording(paper), facts)

    def pdf_of(self, paper: str, wording: str, facts: Mapping[str, Any]) -> bytes:
        """The paper as it were with that wording."""
        return self._set(paper, wording, facts, form="pdf")[0]

    def pictures(self, paper: str, facts: Mapping[str, Any], pixels_per_inch: int = 150) -> list[bytes]:
        """The same pages as one PNG each, to look at before printing."""
        wording = self.wording(paper)
        return self._set(paper, wording, facts, form="png", pixels_per_inch=pixels_per_inch)

    def _set(
        self, paper: str, wording: str, facts: Mapping[str, Any], *, form: Any, pixels_per_inch: int = 150
    ) -> list[bytes]:
        beside: dict[str, bytes] = {}
        frame = _frame(paper, _blocks(paper, wording, facts), facts, beside)
        own, has_codes = self._fonts.beside_built_in(frame)
        words = printable_values(frame, own)
        words["has_codes"] = has_codes
        sheet = {
            "main.typ": (files("mendbay.outlets") / "templates" / "paper.typ").read_bytes(),
            "paper.json": json.dumps(words, ensure_ascii=False).encode(),
            **beside,
        }
        what = f"The paper {paper!r}"
        return typeset(sheet, what, form=form, pixels_per_inch=pixels_per_inch, fonts=self._fonts.fonts)

    def wording(self, paper: str) -> str:
        """The wording that is in force.

        Raises:
            UsageError: there is no such paper.
            BadFormFile: the shop's own cannot be read.
        """
        ours = packaged_wordings()
        _require_known(paper, ours)
        own = self._shop_files.text(KIND, paper)
        return ours[paper] if own is None else own


def _blocks(paper: str, wording: str, facts: Mapping[str, Any]) -> tuple[Block, ...]:
    blocks = blocks_of(filled(paper, wording, facts))
    if not blocks:
        raise BadFormFile(
            f"The wording {paper!r} says nothing.",
            "Write it, or take the shop's own file away: then ours is used.",
        )
    return blocks


class OwnPapers:
    """The wordings by name, and a copy of one for the shop to edit.

    Args:
        fonts: what papers are set in that are tried out.
    """

    def __init__(self, shop_files: ShopFiles, fonts: OwnFonts | None = None) -> None:
        self._shop_files = shop_files
        self._fonts = fonts

    def names(self) -> tuple[str, ...]:
        """All there are, rising."""
        return tuple(sorted(packaged_wordings()))

    def wording(self, paper: str) -> str:
        """The wording in force: the shop's own, else ours.

        Raises:
            UsageError: there is no such paper.
            BadFormFile: the shop's own cannot be read.
        """
        return PrintedStationery(self._shop_files).wording(paper)

    def begin(self, paper: str) -> str:
        """Our wording without its remarks, to begin one of the shop's own with where `facts` stands beside.

        Raises:
            UsageError: there is no such paper.
        """
        ours = packaged_wordings()
        _require_known(paper, ours)
        return without_remarks(ours[paper])

    def check(self, paper: str, text: str) -> None:
        """Looks whether a text can be the wording of a paper, before it is one: a template that asks for no
        fact but those that ours asks for or names at its top. Only a paper made with it shows the rest.

        Raises:
            UsageError: there is no such paper.
            BadFormFile: it cannot.
        """
        check_wording(paper, text, _known(paper))

    def facts(self, paper: str) -> dict[str, str]:
        """What the wording of a paper may ask for, each with what it is.

        Raises:
            UsageError: there is no such paper.
        """
        return {**FRAME, **described_facts(_known(paper))}

    def try_out(self, paper: str, text: str, facts: Mapping[str, Any]) -> str:
        """What a text would say as the wording of a paper, as plain text.

        Raises:
            UsageError: there is no such paper.
            BadFormFile: it cannot be that, or cannot be filled with these facts.
        """
        self.check(paper, text)
        return plain_text(blocks_of(filled(paper, text, facts)))

    def try_pdf(self, paper: str, text: str, facts: Mapping[str, Any]) -> bytes:
        """The same as it would be printed.

        Raises:
            UsageError, BadFormFile: as `try_out`; or the shop's fonts cannot be used.
        """
        self.check(paper, text)
        return PrintedStationery(self._shop_files, self._fonts).pdf_of(paper, text, facts)

    def copy(self, paper: str) -> Path:
        """Puts our wording into the shop's folder, and tells where it is.

        Raises:
            UsageError: there is no such paper, or the shop has its own wording of it already.
            DestinationError: it cannot be written.
        """
        ours = packaged_wordings()
        _require_known(paper, ours)
        return self._shop_files.keep_new(KIND, paper, ours[paper])


def _known(paper: str) -> str:
    """Our wordings that tell which facts a paper has."""
    ours = packaged_wordings()
    _require_known(paper, ours)
    return ours[paper] if paper not in LIKE else f"{ours[LIKE[paper]]}\n{ours[paper]}"


def _require_known(paper: str, ours: Mapping[str, str]) -> None:
    if paper not in ours:
        raise UsageError(f"There is no paper {paper[:40]!r}.", f"There are: {', '.join(sorted(ours))}.")


def packaged_wordings() -> dict[str, str]:
    """Our wordings by name."""
    folder = files("mendbay.outlets") / "wordings"
    return {
        one.name.removesuffix(".md"): one.read_text(encoding="utf-8")
        for one in folder.iterdir()
        if one.name.endswith(".md")
    }


def _frame(
    paper: str, blocks: Sequence[Block], facts: Mapping[str, Any], beside: dict[str, bytes]
) -> dict[str, Any]:
    """What the template reads.

    Args:
        facts: the frame is made of `title`, `case` (its number, empty for none), `page` (`A4` or `Letter`)
            and `shop` (`name`, and `lines` below it); `pictures` are SVG texts by name, if there are any.
        beside: the files that the sheet reads besides, to which those of its blocks are added.
    """
    return {
        "page_mm": PAGES_MM[Paper(facts["page"])],
        "title": facts["title"],
        "case": facts["case"],
        "shop": facts["shop"]["name"],
        "shop_lines": facts["shop"]["lines"],
        "blocks": [_plain_block(paper, one, facts, beside) for one in blocks],
    }


def _plain_block(
    paper: str, block: Block, facts: Mapping[str, Any], beside: dict[str, bytes]
) -> dict[str, Any]:
    """
    Args:
        beside: the files that the sheet reads besides its data, to which those of this block are added.
    """
    plain: dict[str, Any] = {
        "kind": block.kind,
        "level": block.level,
        "words": _plain_words(block.words),
        "rows": [[_plain_words(cell) for cell in row] for row in block.rows],
        "align": list(block.align),
        "inside": [[_plain_block(paper, one, facts, beside) for one in item] for item in block.inside],
        "lines": block.text.split("\n"),
    }
    if block.kind == "qr":
        plain["code"] = _code(paper, block.text, beside)
    elif block.kind == "picture":
        plain["picture"] = _picture(paper, plain["lines"][0].strip(), facts, beside)
    return plain


def _plain_words(words: Words) -> list[dict[str, Any]]:
    return [
        {"text": one.text, "strong": one.strong, "emphasis": one.emphasis, "mono": one.mono} for one in words
    ]


def _code(paper: str, text: str, beside: dict[str, bytes]) -> str:
    codes = sum(one.startswith("code-") for one in beside)
    if len(text) > CODE_LIMIT or not text or codes >= MOST_CODES:
        raise BadFormFile(
            f"The wording {paper!r} has a QR code without text, too long a one, or too many.",
            f"Use up to {MOST_CODES}, of at most {CODE_LIMIT} characters each.",
        )
    name = f"code-{codes}.svg"
    code = zxingcpp.create_barcode(text, zxingcpp.BarcodeFormat.QRCode, ec_level="M")
    beside[name] = str(code.to_svg(add_quiet_zones=True)).encode()
    return name


def _picture(paper: str, named: str, facts: Mapping[str, Any], beside: dict[str, bytes]) -> str:
    pictures = facts.get("pictures", {})
    if named not in pictures:
        known = ", ".join(sorted(pictures)) or "none"
        raise BadFormFile(
            f"The wording {paper!r} asks for a picture {named[:40]!r} that there is not.",
            f"Pictures of this paper: {known}.",
        )
    name = f"picture-{list(pictures).index(named)}.svg"
    beside[name] = str(pictures[named]).encode()
    return name
