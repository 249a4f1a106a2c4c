"""`mendbay handback`: make a verified copy with its bag and reports; check one."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from datetime import date
from pathlib import Path

import click

from mendbay.core.errors import EXIT_INCOMPLETE, UsageError
from mendbay.faces import wording
from mendbay.faces.cli.screen import Screen, wrapped
from mendbay.faces.cli.take_in_words import authority_warning
from mendbay.faces.handback_words import (
    checked_json,
    checked_words,
    copied_words,
    is_whole,
    made_json,
    not_whole_words,
    remarks,
    verdict_words,
)
from mendbay.handback.facts import HandBack
from mendbay.jobs.authority import concern
from mendbay.jobs.hand_back import REPORT_HTML, REPORT_PDF, hand_back
from mendbay.jobs.reached_customer import Checked, check_hand_back
from mendbay.wiring import (
    check_handback,
    has_ledger,
    open_bench,
    open_handback_folder,
    papers,
    shop_copies,
)


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
    said = {**made_json(result, folder), "authority_concern": unsettled or None}
    screen.answer(said, _made_text(facts, folder, remarks(result, case)))
    screen.warn(authority_warning(unsettled, case))
    if not is_whole(facts):
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


def _made_text(facts: HandBack, folder: Path, also: Sequence[str]) -> str:
    """What came of it, and what else is to be said."""
    more = "".join(f"{wrapped(one)}\n" for one in also)
    rows = "".join(f"  {one}\n" for one in not_whole_words(facts))
    return (
        f"{copied_words(facts, folder)}\n{verdict_words(facts)}\n{rows}{more}"
        f"Report for the customer: {folder / REPORT_PDF}\n"
        f"The same as a page:      {folder / REPORT_HTML}\n"
        f"Next: {wording.called_as()} handback check {folder}"
    )


@command.command(name="check")
@click.argument("folder", type=click.Path(path_type=Path))
@click.pass_obj
def check(screen: Screen, folder: Path) -> None:
    """Check that a hand-back in FOLDER is complete and unchanged.

    A copy on another medium than the cases, such as the customer's, is put on record with its case.
    """
    if has_ledger(screen.home):
        with open_bench(screen.home, tell=screen.tell) as bench:
            done = check_hand_back(bench, shop_copies(screen.home), folder)
    else:
        done = Checked(check_handback(folder, screen.tell))
        done.check.require_valid()
    whole, *more = checked_words(done, folder)
    screen.answer(
        checked_json(done, folder),
        "\n".join([whole, *map(wrapped, more)]),
    )
