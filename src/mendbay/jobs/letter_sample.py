"""An invented case, to see what a letter of the shop says before a customer does."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

from mendbay.case.plain_words import packaged_plain_words
from mendbay.core.money import Money
from mendbay.core.quantity import chance_text
from mendbay.jobs.bench import Bench
from mendbay.jobs.letters import LETTER, NOTHING_TO_FETCH, TITLES, Message
from mendbay.jobs.papers import frame
from mendbay.jobs.shop_currency import shop_currency

DAYS_AWAY = 14
CHANCE = 0.7
HAPPENED: Mapping[str, tuple[str, ...]] = {
    LETTER: ("found",),
    f"message-{Message.STATUS}": ("found",),
    f"message-{Message.QUOTE}": ("found", "quote"),
    f"message-{Message.READY}": ("handed back",),
    f"message-{Message.REMINDER}": ("needs",),
    f"message-{Message.FETCH}": ("handed back", "to fetch"),
}
"""By the wording, what has happened in the case when such a letter is written."""
TITLE_OF = {LETTER: "Where your job stands", **{f"message-{one}": words for one, words in TITLES.items()}}


def sample_facts(bench: Bench, wording: str) -> dict[str, Any] | None:
    """The facts of `letter.md` for an invented case, with the shop's own head and today's date; None for a
    wording that is no letter.

    Raises:
        BadFormFile: the shop's own file is not sound.
    """
    if wording not in HAPPENED:
        return None
    happened = HAPPENED[wording]
    today = bench.now()[:10]
    away = timedelta(days=DAYS_AWAY)
    soon, past = ((date.fromisoformat(today) + one).isoformat() for one in (away, -away))
    done = "handed back" in happened
    quoted = "quote" in happened
    plain = packaged_plain_words()
    fault = plain.faults["box-board"]
    found = {"words": fault.words, "means": fault.means, "where": "", "chance": chance_text(CHANCE)}
    return {
        **frame(bench, TITLE_OF[wording]),
        "case": "0000",
        "message": wording != LETTER,
        "customer": "Fern Example",
        "enquiry": False,
        "question": "",
        "came": "two-bay box, invented",
        "opened_on": past,
        "closed": False,
        "handed_back": today if done else "",
        "copy_checked": today if done else "",
        "handed_over": "",
        "to_pay": "",
        "to_return": "",
        "quotes_open": [],
        "not_back": [],
        **NOTHING_TO_FETCH,
        **(_to_fetch(bench, past) if "to fetch" in happened else {}),
        "due_on": soon,
        "overdue": False,
        "keep_until": soon if done else "",
        "keep_over": False,
        "keep_days": "30 days",
        "keep_said": False,
        "erased_on": "",
        "wanted": ["*.jpg"],
        "two_drives": not done,
        "drives": True,
        "many_drives": True,
        "examined": not done,
        "found": [] if done else [found],
        "box_came": not done,
        "power_refused": False,
        "refused": [],
        "nothing_left": False,
        "declined": "",
        "read": [],
        "all_read": False,
        "files_on": "",
        "files_seen": "",
        "files_whole": "",
        "chosen": "88 files" if done else "",
        "chosen_whole": "86" if done else "",
        "chosen_rest": "2" if done else "",
        "not_chosen": "",
        "no_power": [],
        "power_agreed": False,
        "next_step": "" if done or quoted else plain.steps["read-both"],
        "needs": [{"what": "the password of the box", "until": soon, "before": "", "sooner": ""}]
        if "needs" in happened
        else [],
        "quote": "1" if quoted else "",
        "quote_until": soon if quoted else "",
        "answer_by": "",
        "paper_asks": "",
        "sooner": "",
        "quote_run_out": "",
        "in_any_case": Money.parse("45", shop_currency(bench)).shown if quoted else "",
        "part": [],
        "machine": False,
        "powered": False,
    }


def _to_fetch(bench: Bench, past: str) -> dict[str, Any]:
    return {
        "to_fetch": ["two-bay box, invented", "mains adapter"],
        "fetch_by": past,
        "fetch_past": True,
        "keeping_price": Money.parse("3", shop_currency(bench)).shown,
        "keeping_unit": "week",
    }
