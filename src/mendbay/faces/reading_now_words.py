"""What a reading tells while it runs, in sentences that nobody has wrapped yet.

It is read from the state of a work (`docs/formats/works.md`), which holds the fields of `ReadingProgress`
by name.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from mendbay.core.quantity import (
    bytes_text,
    chance_text,
    count_text,
    counted,
    duration_text,
    percent_text,
)
from mendbay.core.span import Span
from mendbay.faces.wording import LEFT_WORDS
from mendbay.jobs.events import Worth
from mendbay.jobs.work_port import Outcome, Standing

WORTH = {
    Worth.DESCRIPTIONS: "It describes the files.",
    Worth.WANTED: "It holds what is wanted.",
    Worth.BOTH_HALVES: "It is read to compare the halves.",
    Worth.IN_USE: "The file system uses it.",
    Worth.REST: "It is of the rest.",
    Worth.AGAIN: "It was refused before and is asked for again.",
}
IDLE = "nothing is asked of it now"
STANDING = {
    Standing.BEGUN: "begins",
    Standing.RUNS: "under way",
    Standing.RESTS: "rests: the drives keep their power and are not read",
    Standing.WAITS: "waits for an answer",
    Standing.ENDED: "ended",
}
OUTCOME = {
    Outcome.DONE: "Done.",
    Outcome.INCOMPLETE: "Finished; not everything could be had.",
    Outcome.STOPPED: "Stopped; everything read so far is kept.",
    Outcome.FAILED: "It could not go on; everything read so far is kept.",
    Outcome.LOST: "Lost: its process is gone without a word. What was read is kept; the same can be ordered "
    "again.",
}


@dataclass(frozen=True, slots=True)
class BayNow:
    """How far the reading of a bay's drive is.

    Args:
        phase: what the reading is doing; `IDLE` while nothing is asked of the drive.
        at: the first byte of what is asked for.
        now: what is asked for; empty for nothing.
        why: why that is asked for, as sentences; empty where no plan tells.
        share: of what is to be read, how much is done, from 0 to 1.
        figures: what it is and how much, both as words.
    """

    bay: str
    phase: str
    at: int
    now: str
    why: tuple[str, ...]
    share: float
    share_words: str
    figures: tuple[tuple[str, str], ...]


def bay_now(bay: str, told: Mapping[str, Any], sector_bytes: int = 512, *, rests: bool = False) -> BayNow:
    """How far the reading of a bay's drive is.

    Args:
        told: the fields of `ReadingProgress` by name.
        rests: the drive rests, whatever it was asked for last.
    """
    start, stop = told.get("now") or (0, 0)
    stop = start if rests else stop
    aim, read = int(told.get("aim_bytes") or 0), int(told.get("read_bytes") or 0)
    done = min(read, aim)
    words = (
        f"{percent_text(done, aim)} read of {bytes_text(aim)} to be read here"
        if aim
        else "nothing is to be read here"
    )
    return BayNow(
        bay,
        str(told.get("phase", "")) if stop > start else IDLE,
        int(start),
        _place(Span(int(start), int(stop)), sector_bytes) if stop > start else "",
        why_words(told.get("why") or {}) if stop > start else (),
        done / aim if aim else 0.0,
        words,
        tuple(_figures(told)),
    )


def _place(span: Span, sector_bytes: int) -> str:
    first, last = span.start // sector_bytes, (span.stop - 1) // sector_bytes
    sectors = (
        f"sector {count_text(first)}"
        if first == last
        else f"sectors {count_text(first)} to {count_text(last)}"
    )
    return f"{sectors} ({bytes_text(span.length)} from {bytes_text(span.start)} on)"


def why_words(why: Mapping[str, Any]) -> tuple[str, ...]:
    """Why a range is asked for: what it is worth, the odds, what it takes and what a refusal costs."""
    if not why:
        return ()
    worth = next((words for one, words in WORTH.items() if str(one) == why.get("worth")), "")
    seconds, loss = float(why.get("seconds") or 0), float(why.get("loss_seconds") or 0)
    odds = (
        f"That the drive gives it is {chance_text(float(why.get('chance') or 0))} likely and takes "
        f"{duration_text(seconds)}; a refusal costs {duration_text(loss)} of waiting and of the drive's life."
    )
    tries = int(why.get("tries") or 0)
    return tuple(
        one
        for one in (
            worth,
            odds,
            f"It was refused {counted(tries, 'time')} alone." if tries else "",
            "It lies in a longer range that was refused, or hung." if why.get("is_doubted") else "",
        )
        if one
    )


def _figures(told: Mapping[str, Any]) -> list[tuple[str, str]]:
    wanted, wanted_read = int(told.get("wanted_bytes") or 0), int(told.get("wanted_read_bytes") or 0)
    aim, read, refused = (int(told.get(one) or 0) for one in ("aim_bytes", "read_bytes", "refused_bytes"))
    rows = []
    if wanted:
        share = percent_text(min(wanted_read, wanted), wanted)
        rows.append(("wanted", f"{bytes_text(wanted_read)} of {bytes_text(wanted)} ({share})"))
    rows += [
        ("read", bytes_text(read)),
        ("refused", bytes_text(refused)),
        ("unread", bytes_text(max(0, aim - read - refused))),
    ]
    if told.get("is_shared"):
        rows.append((LEFT_WORDS, bytes_text(int(told.get("elsewhere_bytes") or 0))))
    celsius = told.get("celsius")
    rows += [
        ("rate", f"{bytes_text(int(told.get('bytes_per_second') or 0))} a second"),
        ("temperature", "not told" if celsius is None else f"{float(celsius):.0f} °C"),
        ("refusals", counted(int(told.get("refused_reads") or 0), "read")),
        ("hung", counted(int(told.get("hung_reads") or 0), "read")),
    ]
    if told.get("retrying_sectors"):
        tries = counted(int(told.get("tries_left") or 0), "try").replace("trys", "tries")
        rows.append(
            ("asked again", f"{counted(int(told['retrying_sectors']), 'sector')}, {tries} left at most")
        )
    rows.append(("time left", left_words(told)))
    return rows


OVERTAKEN_FROM = 0.5
"""The share of what an advice was about that came since, from which its figures say nothing of now any more
(own choice)."""


def advice_age(advised: Mapping[str, Any], told: Mapping[str, Any]) -> tuple[bool, str]:
    """Whether reading has overtaken an advice, and what came since it was given, as a sentence; empty where
    nothing did, or nobody kept how far it was. An advice to stop stands until it is taken back, whatever
    came: it is weighed anew all the time, and told as soon as it changes.

    Args:
        advised: `advice` of a bay in the state of a work.
        told: the fields of its `ReadingProgress` by name.
    """
    of_wanted, lacking, then = (advised.get(one) for one in ("of_wanted", "lacking_bytes", "read_bytes"))
    now = told.get("wanted_read_bytes" if of_wanted else "read_bytes")
    if lacking is None or then is None or now is None:
        return False, ""
    since, of = min(int(now) - int(then), int(lacking)), int(lacking)
    if since <= 0:
        return False, ""
    came = f"{bytes_text(since)} of the {bytes_text(of)} that were lacking came since then"
    overtaken = bool(advised.get("go_on")) and since >= OVERTAKEN_FROM * of
    return overtaken, f"{came}: its figures are of the moment it was given."


def left_words(told: Mapping[str, Any]) -> str:
    """How long it may still take, with the bounds between which that may come out."""
    left, low, high = (told.get(one) for one in ("seconds_left", "seconds_left_low", "seconds_left_high"))
    if left is None:
        return "not known yet"
    if low is None or high is None:
        return duration_text(float(left))
    return (
        f"{duration_text(float(left))} (between {duration_text(float(low))} and {duration_text(float(high))})"
    )
