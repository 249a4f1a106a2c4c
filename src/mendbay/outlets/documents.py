"""The report a customer reads, as a web page and on paper, both from the same facts and the same words.

The page is one file without anything fetched from elsewhere; the paper is set with the fonts built into
the typesetter, so the same facts give the same bytes on every machine.
"""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from importlib.resources import files

import jinja2
from markupsafe import Markup

from mendbay.handback.facts import HandBack
from mendbay.handback.report import FolderRows, Report, word_report
from mendbay.handback.words import counted, grouped
from mendbay.outlets.glyphs import printable_values
from mendbay.outlets.own_fonts import OwnFonts
from mendbay.outlets.rings import LIGHT, rings_svg, swatch_svg
from mendbay.outlets.typesetting import typeset

LISTED_FILES = 50_000
"""Files up to which the page lists every one, about 16 MB; beyond, it lists those that are not whole and
counts the others by folder, so that a browser can still open it. report.json always has all."""

PAPER_ROWS = {"attention": 5000, "folders": 2000, "left_out": 300, "renamed": 300}
"""How many rows of each list go on paper; how many more there are is said, and the page has them."""

_TEMPLATES = files("mendbay.outlets") / "templates"


class PrintedPapers:
    """Makes both forms of the report.

    Args:
        fonts: what the printed one is set in.
    """

    def __init__(self, fonts: OwnFonts | None = None) -> None:
        self._fonts = fonts

    def html(self, facts: HandBack) -> str:
        """See `render_html`."""
        return render_html(facts)

    def pdf(self, facts: HandBack) -> bytes:
        """See `render_pdf`."""
        return render_pdf(facts, self._fonts)


def render_html(facts: HandBack) -> str:
    """The report as a self-contained web page in UTF-8: light and dark, for a wide screen, a telephone and
    the printer. Lists every file, up to `LISTED_FILES`."""
    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(_template),
        autoescape=jinja2.select_autoescape(["html"]),
        undefined=jinja2.StrictUndefined,
    )
    environment.globals["swatch"] = lambda key, at: _drawn(swatch_svg(key, _key(at)))
    pictures = [_drawn(rings_svg(bay, _key(at))) for at, bay in enumerate(facts.bays)]
    report = word_report(facts)
    all_listed = facts.total.files <= LISTED_FILES
    if not all_listed:
        report = replace(report, folders=tuple(_without_whole(one) for one in report.folders))
    return environment.get_template("report.html").render(
        r=report,
        rings=pictures,
        spine=_spine(facts, report),
        any_wanted=any(bay.wanted for bay in facts.bays),
        any_left=any(bay.left for bay in facts.bays),
        all_listed=all_listed,
    )


def _without_whole(folder: FolderRows) -> FolderRows:
    return replace(folder, files=tuple(one for one in folder.files if one.verdict != "whole"))


def _drawn(svg: str) -> Markup:
    """A picture of ours as part of the page: `rings` has escaped what it took from the facts."""
    return Markup(svg)  # noqa: S704


def render_pdf(facts: HandBack, fonts: OwnFonts | None = None) -> bytes:
    """The report on A4 paper as PDF. Lists the files that are not whole and counts the others by folder;
    lists longer than `PAPER_ROWS` are cut and say so.

    The bytes depend on the facts and the fonts alone. Signs that no font has are shown as Unicode numbers.

    Raises:
        BadFormFile: the shop's own fonts cannot be used.
        MendbayError: the typesetter refused, which is a defect here.
    """
    report = word_report(facts)
    folders = [{"folder": one.folder, "summary": one.summary} for one in report.folders]
    shown = {**asdict(replace(report, folders=())), "folders": folders}
    shown["any_wanted"] = any(bay.wanted for bay in facts.bays)
    shown["any_left"] = any(bay.left for bay in facts.bays)
    shown["all_whole"] = not report.attention
    shown["more"] = {}
    for name, rows in PAPER_ROWS.items():
        shown["more"][name] = grouped(max(0, len(shown[name]) - rows))
        shown[name] = shown[name][:rows]
    fonts = fonts or OwnFonts()
    own, has_codes = fonts.beside_built_in(shown)
    shown["has_codes"] = has_codes
    sheet = {
        "main.typ": _template("report.typ").encode(),
        "report.json": json.dumps(printable_values(shown, own), ensure_ascii=False).encode(),
    }
    for at, bay in enumerate(facts.bays):
        sheet[f"rings-{at}.svg"] = rings_svg(bay, _key(at), LIGHT).encode()
        for row in report.drives[at].rows:
            swatch = swatch_svg(row.key, _key(at), LIGHT, alone=True)
            sheet[f"swatch-{at}-{row.key}.svg"] = swatch.encode()
    instead = "Use the web page and report.json, and report this with the message above."
    return typeset(sheet, "The printed report", instead, fonts=fonts.fonts)[0]


def _template(name: str) -> str:
    return (_TEMPLATES / name).read_text(encoding="utf-8")


def _key(at: int) -> str:
    return f"drive{at}"


def _spine(facts: HandBack, report: Report) -> dict[str, str]:
    """The state word of each section, for the spine of the card."""
    whole = facts.tallies["whole"].files
    return {
        "came_back": f"{counted(whole, 'file')} whole",
        "attention": counted(len(report.attention), "file"),
        "advice": counted(len(report.advice), "thing"),
        "left_out": counted(len(report.left_out), "entry", "entries"),
        "proof": counted(len(report.proof), "step"),
        "drives": counted(len(report.drives), "drive"),
        "files": counted(facts.total.files, "file"),
    }
