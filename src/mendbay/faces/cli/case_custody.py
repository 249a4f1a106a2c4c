"""`mendbay case custody` and `custody-check`: verify, export, and check what was exported."""

from __future__ import annotations

from pathlib import Path

import click

from mendbay.case.custody import CustodyCheck
from mendbay.core.errors import CustodyBroken
from mendbay.faces import wording
from mendbay.faces.cli.screen import Screen, wrapped
from mendbay.faces.custody_words import anchor_text, check_text, compare_text
from mendbay.jobs.check_custody import EXPORT_LIMIT_BYTES, check_custody, check_exported, exported_custody
from mendbay.jobs.consents import in_dispute
from mendbay.wiring import file_outside, open_bench, write_new_file

RECEIPT = click.option(
    "--receipt", default="", help="The head of the log as printed on the customer's receipt."
)


@click.command(name="custody")
@click.argument("case", type=int)
@RECEIPT
@click.option(
    "--export", "to", type=click.Path(path_type=Path), help="Write the log to this new file, for anyone."
)
@click.pass_obj
def custody(screen: Screen, case: int, receipt: str, to: Path | None) -> None:
    """Verify the custody log of CASE, entry by entry.

    With --export it is also written to a file that anyone can check without Mendbay, by a hash program alone;
    docs/formats/custody.md says how. A log that does not hold is exported all the same: it is evidence.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        check, _ = check_custody(bench, case, receipt)
        exported = exported_custody(bench, case) if to else b""
    if to:
        write_new_file(to, exported)
    if check.is_disputed:
        raise in_dispute(case, [one.sentence for one in check.faults])
    _require_sound(check, f"The custody log of case {case}", "the newest backup of the ledger", receipt)
    lines = _lines(check)
    if to:
        lines += [
            f"The log is in {to}.",
            wrapped(
                f"Next: {wording.called_as()} case custody-check {to}, or docs/formats/custody.md by hand"
            ),
        ]
    screen.answer({**_json(check), "path": str(to) if to else None}, "\n".join(lines))


@click.command(name="custody-check")
@click.argument("file", type=click.Path(path_type=Path))
@RECEIPT
@click.pass_obj
def custody_check(screen: Screen, file: Path, receipt: str) -> None:
    """Verify an exported custody log in FILE; needs no ledger.

    Whatever was edited, left out, put in, put in another order or cut is told, and the exit code is 42. What
    was cut off the end, or written anew from some entry on, shows only against a receipt.
    """
    check = check_exported(file_outside(file, EXPORT_LIMIT_BYTES), receipt)
    _require_sound(check, f"The custody log in {file}", "another copy of the log", receipt)
    screen.answer(_json(check), "\n".join(_lines(check)))


COMMANDS = (custody, custody_check)


def _require_sound(check: CustodyCheck, what: str, other: str, receipt: str) -> None:
    if not check.holds:
        faults = " ".join(fault.sentence for fault in check.faults)
        raise CustodyBroken(f"{what} does not verify. {faults}", compare_text(other, receipt))


def _lines(check: CustodyCheck) -> list[str]:
    lines = [check_text(check)]
    if check.head:
        lines.append(f"Head, to be printed on the receipt:\n  {check.head.text}")
    return [*lines, anchor_text(check)]


def _json(check: CustodyCheck) -> dict[str, object]:
    return {
        "holds": True,
        "entries": check.entries,
        "head": check.head.text if check.head else "",
        "anchored": check.anchored,
    }
