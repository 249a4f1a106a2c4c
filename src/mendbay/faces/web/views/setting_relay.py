"""The relay's settings as a form: its command word by word, and how long it may take."""

from __future__ import annotations

from typing import Any

from mendbay.core.errors import BadFormFile, UsageError
from mendbay.core.toml_values import Place
from mendbay.faces.web.addresses import Book
from mendbay.faces.web.answers import Answer
from mendbay.faces.web.fields import Field, decimal, number, secret, text
from mendbay.faces.web.own_account import require_account
from mendbay.faces.web.views.setting_forms import earlier_words
from mendbay.faces.web.visit import Visit
from mendbay.jobs.quote_lines import SETTINGS
from mendbay.jobs.shop_settings import POWER, changed_text, keep_text, relay_lines, words_of_lines
from mendbay.wiring import relay_settings, setting_check, shop_files

BOOK = Book()
BEGIN = """\
command = ["/usr/local/bin/relay", "cycle", "--bay", "{bay}"]
seconds = 60
ready_seconds = 30
most = 5
"""
"""The text to begin one with; the program in it is invented."""
FIGURES: tuple[Field, ...] = (
    decimal("seconds", "Seconds that the command may take", required=True, least=1, most=600),
    decimal("ready_seconds", "Seconds for the drive to come up again", required=True, most=600),
    number("most", "Times that it is run for one drive in one reading", required=True, least=1, most=100),
)
COMMAND = text("command", "Program with its whole path, then its words, one on each line", required=True)


def relay_form(said: str) -> dict[str, Any] | None:
    """What the page of the relay shows of its form; None if the text cannot be read, or a form would change
    what it does not show."""
    try:
        values = _values(said)
    except BadFormFile:
        return None
    lines = relay_lines(values["command",])
    if lines is None or changed_text(said, {}, values) is None:
        return None
    shown = [(one, f"{values[one.name,]:g}") for one in FIGURES]
    return {
        "address": "keep-relay",
        "fields": [(COMMAND, lines), *shown],
        "hint": "{bay} stands for the label of the bay. No shell is between: *, | and $ mean nothing, and a "
        "line with blanks in it is one word.",
        "try_address": "",
    }


@BOOK.change(
    "/settings/relay/keep",
    "keep-relay",
    "Keeps the command of the relay and its times.",
    [COMMAND, *FIGURES, secret("key", "Key of this bench")],
)
def keep_relay(visit: Visit) -> Answer:
    require_account(visit, POWER)
    files = shop_files(visit.desk.home)
    with visit.desk.lock:
        own = files.text(SETTINGS, POWER)
        visit.require_unchanged("the setting", own or "")
        before = _values(BEGIN if own is None else own)
        after: dict[Place, Any] = {(one.name,): _figure(visit.said[one.name]) for one in FIGURES}
        command = words_of_lines(visit.said["command"])
        changed = changed_text(BEGIN if own is None else own, before, {("command",): command, **after})
        if changed is None:
            raise UsageError(
                "The file is written so that a form would lose what else it says: nothing is changed.",
                "Edit it as text.",
            )
        kept = keep_text(files, SETTINGS, POWER, changed, setting_check(POWER))
    return visit.go("settings", f"The relay is kept, and in force from now on.{earlier_words(kept)}")


def _values(said: str) -> dict[Place, Any]:
    found = relay_settings(said)
    values: dict[Place, Any] = {(one.name,): _figure(getattr(found, one.name)) for one in FIGURES}
    return {("command",): list(found.command), **values}


def _figure(found: float) -> float:
    """Whole where it is: a person writes 60, not 60.0."""
    return int(found) if found == int(found) else found
