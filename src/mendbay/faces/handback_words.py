"""What handing back came to, for every face: sentences that nobody has wrapped yet, and JSON."""

from __future__ import annotations

from pathlib import Path

from mendbay.core.quantity import bytes_text, count_text
from mendbay.core.span import SpanSet
from mendbay.faces import wording
from mendbay.faces.printable import printable
from mendbay.handback.facts import FileFacts, HandBack
from mendbay.jobs.hand_back import REPORT_HTML, REPORT_JSON, REPORT_PDF, HandBackResult
from mendbay.jobs.hand_back_proof import how_to_compare_all, joined_words
from mendbay.jobs.reached_customer import Checked

FILES_SHOWN = 20


def made_words(result: HandBackResult, folder: Path, case: int) -> list[str]:
    """What came of it: how much was copied, the verdicts, and what is not whole."""
    facts = result.facts
    return [
        copied_words(facts, folder),
        verdict_words(facts),
        *not_whole_words(facts),
        *remarks(result, case),
    ]


def remarks(result: HandBackResult, case: int) -> list[str]:
    """What else is to be said to the shop: what was not compared, and what reading on may bring."""
    joined = result.facts.joined
    compared = " ".join(one for one in (joined_words(joined), how_to_compare_all(joined, case)) if one)
    return [one for one in (compared, result.unread.words) if one]


def checked_words(done: Checked, folder: Path) -> list[str]:
    """What the check of a hand-back in a folder came to."""
    words = [
        f"{folder} is complete and unchanged: {wording.counted(done.check.files, 'file')}, "
        f"{bytes_text(done.check.size_bytes)}, every digest right."
    ]
    if done.case:
        words.append(f"On record with case {done.case}: a copy on another medium was checked.")
    elif done.why_not:
        words.append(f"Not put on record as the customer's copy: {done.why_not}.")
    return words


def checked_json(done: Checked, folder: Path) -> dict[str, object]:
    """The same as facts."""
    return {
        "folder": str(folder),
        "valid": True,
        "files": done.check.files,
        "size_bytes": done.check.size_bytes,
        "recorded_with_case": done.case or None,
    }


def copied_words(facts: HandBack, folder: Path) -> str:
    """How much was copied, and how much of it read back equal."""
    return (
        f"{wording.counted(facts.copied.files, 'file')} ({bytes_text(facts.copied.size_bytes)}) in {folder}, "
        f"{count_text(facts.verified_files)} of them read again and equal."
    )


def verdict_words(facts: HandBack) -> str:
    """How many files there are of each verdict."""
    counts = ", ".join(f"{count_text(tally.files)} {word}" for word, tally in facts.tallies.items())
    return f"Verdicts: {counts}."


def is_whole(facts: HandBack) -> bool:
    """Whether every file is whole."""
    return not any(facts.tallies[word].files for word in ("holed", "lost", "unproven"))


def not_whole_words(facts: HandBack) -> list[str]:
    """A line for each file that is not whole, up to so many."""
    found = _not_whole(facts)
    lines = [_why_not_whole(one) for one in found[:FILES_SHOWN]]
    if len(found) > FILES_SHOWN:
        lines.append(f"... and {count_text(len(found) - FILES_SHOWN)} more; the report lists them all.")
    return lines


def _not_whole(facts: HandBack) -> list[FileFacts]:
    return [one for one in facts.files if one.verdict != "whole"]


def _why_not_whole(one: FileFacts) -> str:
    if one.is_awaited:
        return f"{printable(one.raw_path)}: {one.verdict}, no copy: nothing of it was read yet"
    doubted = SpanSet(doubt.span for doubt in one.doubts).total_bytes
    why = [
        f"{count_text(count)} bytes {what}"
        for count, what in (
            (one.missing_bytes, "missing"),
            (one.older.total_bytes, "may be older"),
            (doubted, "in doubt"),
        )
        if count
    ]
    if not one.is_described:
        why.insert(0, "size unknown")
    return f"{printable(one.raw_path)}: {', '.join([one.verdict, *why])}"


def made_json(result: HandBackResult, folder: Path) -> dict[str, object]:
    """What came of it."""
    facts, unread = result.facts, result.unread
    return {
        "folder": str(folder),
        "copied_files": facts.copied.files,
        "copied_bytes": facts.copied.size_bytes,
        "verified_files": facts.verified_files,
        "joined": {
            "files": facts.joined.files,
            "given_bytes": facts.joined.given_bytes,
            "both_bytes": facts.joined.both_bytes,
        },
        "verdicts": {word: tally.files for word, tally in facts.tallies.items()},
        "not_whole": [
            {
                "path": one.raw_path.decode("utf-8", "replace"),
                "raw_path_hex": one.raw_path.hex(),
                "verdict": one.verdict,
                "reasons": list(one.reasons),
            }
            for one in _not_whole(facts)
        ],
        "report": {"pdf": REPORT_PDF, "html": REPORT_HTML, "json": REPORT_JSON},
        "still_unread": {
            "files": unread.files,
            "bytes": unread.total_bytes,
            "only_names": unread.only_names,
            "folders": unread.hides,
        },
    }
