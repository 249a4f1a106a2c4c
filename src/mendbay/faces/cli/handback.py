"""`mendbay handback`: make a verified copy with its bag and reports; check one."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from datetime import date
from pathlib import Path

import click

from mendbay.core.errors import EXIT_INCOMPLETE, UsageError
from mendbay.core.quantity import bytes_text, count_text
from mendbay.core.span import SpanSet
from mendbay.faces import wording
from mendbay.faces.cli.screen import Screen, printable, wrapped
from mendbay.faces.cli.take_in_words import authority_warning
from mendbay.handback.facts import FileFacts, HandBack
from mendbay.jobs.authority import concern
from mendbay.jobs.hand_back import REPORT_HTML, REPORT_JSON, REPORT_PDF, hand_back
from mendbay.jobs.hand_back_proof import joined_words
from mendbay.jobs.reached_customer import check_hand_back
from mendbay.wiring import (
    check_handback,
    has_ledger,
    open_bench,
    open_handback_folder,
    papers,
    shop_copies,
)

FILES_SHOWN = 20


@click.group(name="handback")
def command() -> None:
    """Copy files out with proof: verified copy, bag and report."""


@command.command(name="make")
@click.argument("case", type=int)
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.option("--want", "patterns", multiple=True, metavar="PATTERN", help="Only these files; repeat it.")
@click.option("--bay", "bays", multiple=True, metavar="BAY", help="Only the drive of this bay; repeat it.")
@click.option("--shop", default="", envvar="MENDBAY_SHOP", help="Name of the shop, for the report.")
@click.option("--keep-until", default="", metavar="DATE", help="Until when the shop keeps its images.")
@click.pass_obj
def make(
    screen: Screen,
    case: int,
    folder: Path,
    patterns: tuple[str, ...],
    bays: tuple[str, ...],
    shop: str,
    keep_until: str,
) -> None:
    """Copy the files of CASE into FOLDER, read every copy again, and report.

    FOLDER must not exist yet, unless an interrupted hand-back of the same case is to go on there.
    """
    with screen.stoppable() as stop, open_bench(screen.home, tell=screen.tell, stop=stop) as bench:
        result = hand_back(
            bench,
            case,
            folder,
            open_handback_folder,
            papers(screen.home),
            patterns=patterns,
            shop=shop,
            keep_until=_day(keep_until),
            bays=bays,
        )
        unsettled = concern(bench, case)
    facts = result.facts
    unread = result.unread
    said = {
        **_made_json(facts, folder),
        "still_unread": {
            "files": unread.files,
            "bytes": unread.total_bytes,
            "only_names": unread.only_names,
            "folders": unread.hides,
        },
        "authority_concern": unsettled or None,
    }
    screen.answer(said, _made_text(facts, folder, [joined_words(facts.joined, case), unread.words]))
    screen.warn(authority_warning(unsettled, case))
    if any(facts.tallies[word].files for word in ("holed", "lost", "unproven")):
        sys.exit(EXIT_INCOMPLETE)


def _day(text: str) -> str:
    """A day as reports carry it.

    Raises:
        UsageError: it is none.
    """
    if text:
        try:
            date.fromisoformat(text)
        except ValueError as trouble:
            raise UsageError(f"'{text}' is not a day.", "Write it as 2027-02-25.") from trouble
    return text


def _made_text(facts: HandBack, folder: Path, remarks: Sequence[str]) -> str:
    """What came of it.

    Args:
        remarks: what else is to be said, each empty for nothing.
    """
    more = "".join(f"{wrapped(one)}\n" for one in remarks if one)
    counts = ", ".join(f"{count_text(tally.files)} {word}" for word, tally in facts.tallies.items())
    return (
        f"{wording.counted(facts.copied.files, 'file')} ({bytes_text(facts.copied.size_bytes)}) in {folder}, "
        f"{count_text(facts.verified_files)} of them read again and equal.\n"
        f"Verdicts: {counts}.\n{_not_whole_text(facts)}{more}"
        f"Report for the customer: {folder / REPORT_PDF}\n"
        f"The same as a page:      {folder / REPORT_HTML}\n"
        f"Next: {wording.called_as()} handback check {folder}"
    )


def _not_whole(facts: HandBack) -> list[FileFacts]:
    return [one for one in facts.files if one.verdict != "whole"]


def _not_whole_text(facts: HandBack) -> str:
    """A line for each file that is not whole, up to so many; each line ends with a line break."""
    found = _not_whole(facts)
    lines = []
    for one in found[:FILES_SHOWN]:
        if one.is_awaited:
            lines.append(f"  {printable(one.raw_path)}: {one.verdict}, no copy: nothing of it was read yet")
            continue
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
        lines.append(f"  {printable(one.raw_path)}: {', '.join([one.verdict, *why])}")
    if len(found) > FILES_SHOWN:
        lines.append(f"  ... and {count_text(len(found) - FILES_SHOWN)} more; the report lists them all.")
    return "".join(f"{line}\n" for line in lines)


def _made_json(facts: HandBack, folder: Path) -> dict[str, object]:
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
    }


@command.command(name="check")
@click.argument("folder", type=click.Path(path_type=Path))
@click.pass_obj
def check(screen: Screen, folder: Path) -> None:
    """Check that a hand-back in FOLDER is complete and unchanged.

    A copy on another medium than the cases, such as the customer's, is put on record with its case.
    """
    recorded, why_not = 0, ""
    if has_ledger(screen.home):
        with open_bench(screen.home, tell=screen.tell) as bench:
            done = check_hand_back(bench, shop_copies(screen.home), folder)
        found, recorded, why_not = done.check, done.case, done.why_not
    else:
        found = check_handback(folder, screen.tell)
        found.require_valid()
    lines = [
        f"{folder} is complete and unchanged: {wording.counted(found.files, 'file')}, "
        f"{bytes_text(found.size_bytes)}, every digest right."
    ]
    if recorded:
        lines.append(wrapped(f"On record with case {recorded}: a copy on another medium was checked."))
    elif why_not:
        lines.append(wrapped(f"Not put on record as the customer's copy: {why_not}."))
    screen.answer(
        {
            "folder": str(folder),
            "valid": True,
            "files": found.files,
            "size_bytes": found.size_bytes,
            "recorded_with_case": recorded or None,
        },
        "\n".join(lines),
    )
