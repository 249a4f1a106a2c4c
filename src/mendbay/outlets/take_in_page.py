"""The questions of take-in as one web page, to be answered on a telephone and saved as a file of answers.

Nothing is loaded from elsewhere and nothing is sent: the page's own policy forbids both.
"""

from __future__ import annotations

import base64
from hashlib import sha256
from importlib.resources import files

import jinja2
from markupsafe import Markup

from mendbay.case.take_in_form import MOST_DAYS, NOT_KNOWN, Type
from mendbay.core.texts import LINE_LIMIT, TEXT_LIMIT
from mendbay.jobs.take_in_answers import FORMAT, VERSION
from mendbay.jobs.take_in_page import TakeInPage

_TEMPLATES = files("mendbay.outlets") / "templates"
_STYLE, _SCRIPT = "take_in_page.css", "take_in_page.js"
_HINTS = {
    Type.DAYS: f"A number of days from 0 to {MOST_DAYS}.",
    Type.WORTH: "A whole number, in digits.",
    Type.SEVERAL: "Pick all that fit.",
}
"""What an answer must be, where neither the question nor its field says it."""
_PATTERNS = {Type.DAYS: "[0-9 ]{1,10}", Type.WORTH: "[0-9 ]{1,13}"}
"""Regular expressions of HTML: what is plainly no answer is told on the page; entering decides."""


def take_in_page(page: TakeInPage) -> str:
    """The page in UTF-8: light and dark, for a telephone and a wide screen."""
    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(_text),
        autoescape=jinja2.select_autoescape(["html"]),
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    style, script = _text(_STYLE), _text(_SCRIPT)
    essentials = [one for one in page.questions if one.essential and not one.on_record]
    others = [one for one in page.questions if not one.essential and not one.on_record]
    known = [one for one in page.questions if one.on_record]
    return environment.get_template("take_in_page.html").render(
        page=page,
        sections=[
            ("essentials", "The essentials", "Five minutes; each has a star (*).", essentials),
            ("others", "What can wait", "Answer what is known, leave the rest.", others),
            ("known", "On record already", "Answer one of these only if it has changed.", known),
        ],
        policy=_policy(style, script),
        style=Markup(style),  # noqa: S704 - our own file
        script=Markup(script),  # noqa: S704 - our own file
        format=FORMAT,
        version=VERSION,
        file_name=f"answers-{f'{page.case:04d}' if page.case else 'new'}.json",
        not_known=NOT_KNOWN,
        hints=_HINTS,
        patterns=_PATTERNS,
        limits={Type.TEXT: TEXT_LIMIT, Type.LINE: LINE_LIMIT},
    )


def _policy(style: str, script: str) -> str:
    """A Content Security Policy (level 3) under which this style and script alone are heeded."""
    return (
        f"default-src 'none'; style-src {_source(style)}; script-src {_source(script)}; "
        "base-uri 'none'; form-action 'none'"
    )


def _source(text: str) -> str:
    return f"'sha256-{base64.b64encode(sha256(text.encode()).digest()).decode()}'"


def _text(name: str) -> str:
    return (_TEMPLATES / name).read_text(encoding="utf-8")
