"""`mendbay case open` and `bay`: open a case with what its labels say."""

from __future__ import annotations

from dataclasses import replace

import click

from mendbay.case.records import Bay
from mendbay.core.errors import UsageError
from mendbay.faces import wording
from mendbay.faces.cli.screen import Screen, wrapped
from mendbay.files.wanted import seems_several
from mendbay.jobs.came_in import remove_bay
from mendbay.jobs.take_in import add_bay, amend_bay, take_in
from mendbay.wiring import open_bench


@click.command(name="open")
@click.argument("customer")
@click.option("--contact", default="", help="How to reach the customer.")
@click.option("--box", default="", help="What came in, in words.")
@click.option(
    "--want",
    "wanted",
    multiple=True,
    metavar="PATTERN",
    help="What the customer wants first; one pattern each, repeat it.",
)
@click.option(
    "--bay", "bays", multiple=True, metavar="BAY=MODEL/SERIAL", help="A drive as its label says; repeat it."
)
@click.option("--notes", default="", help="Anything else worth keeping.")
@click.pass_obj
def open_(
    screen: Screen,
    customer: str,
    contact: str,
    box: str,
    wanted: tuple[str, ...],
    bays: tuple[str, ...],
    notes: str,
) -> None:
    """Take in a case for CUSTOMER and give it its number."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        case = take_in(
            bench,
            customer,
            contact=contact,
            box=box,
            wanted=wanted,
            notes=notes,
            bays=[_bay(one) for one in bays],
        )
        folder = bench.images.folder(case)
    screen.answer(
        {"case": case.number, "folder": str(folder), "customer": case.customer, "wanted": list(case.wanted)},
        "\n".join(
            (
                f"Case {case.number} is open for {case.customer}.",
                f"Its folder will be {folder}",
                *(wrapped(wording.several_hint(one)) for one in case.wanted if seems_several(one)),
                f"Next: {wording.called_as()} case take-in {case.number}   (what is still to be asked)",
                f"What to do first: {wording.called_as()} triage show {case.number}",
                # words on what came in may say that a drive clicks: then nobody is sent to read it
                *([] if box or notes else _reading(case.number, [_bay(one).bay for one in bays])),
            )
        ),
    )


def _reading(case: int, bays: list[str]) -> list[str]:
    """The line that says how the drives that there are get read; none without one."""
    called = wording.called_as()
    if len(bays) == 1:
        return [f"To read its drive at once: {called} drive read {case} {bays[0]} /dev/sdX"]
    if len(bays) == 2:
        places = " ".join(f"{bay}=/dev/sd{letter}" for bay, letter in zip(bays, "XY", strict=True))
        return [f"To read its drives at once: {called} pair read {case} {places}"]
    return []


def _bay(text: str) -> Bay:
    label, _, drive = text.partition("=")
    model, _, serial = drive.partition("/")
    if not label:
        raise UsageError(f"'{text}' names no bay.", "Write it as 1=MODEL/SERIAL.")
    return Bay(0, label.strip(), model.strip(), serial.strip())


@click.command(name="bay")
@click.argument("case", type=int)
@click.argument("drive", metavar="BAY=MODEL/SERIAL")
@click.option("--amend", is_flag=True, help="Put right what is noted of a bay that is there.")
@click.option("--remove", default="", metavar="REASON", help="Take a bay back that was added by mistake.")
@click.pass_obj
def bay(screen: Screen, case: int, drive: str, amend: bool, remove: str) -> None:
    """Add a drive to CASE, as its label says; 1= alone if nothing is known of it.

    With --amend what is written takes the place of what was noted, and custody tells both: 1=MODEL/ clears
    the serial number, 1=/SERIAL the model, and 1=MODEL without a slash leaves the serial number as it is.
    With --remove the bay goes, while nothing but its take-in is on record of it; custody tells it.
    """
    added = replace(_bay(drive), case=case)
    if remove and (amend or drive.partition("=")[2]):
        raise UsageError(
            "A bay is put right or taken back, not both.", f"Write it as {added.bay}= --remove REASON."
        )
    if remove:
        with open_bench(screen.home, tell=screen.tell) as bench:
            gone = remove_bay(bench, case, added.bay, remove)
        screen.answer(
            {
                "case": case,
                "bay": gone.bay,
                "model": gone.model,
                "serial": gone.serial,
                "removed": remove.strip(),
            },
            f"Case {case} has no bay {gone.bay} any more.\nNext: {wording.called_as()} case show {case}",
        )
        return
    with open_bench(screen.home, tell=screen.tell) as bench:
        if amend:
            model = added.model if added.model or "/" in drive else None
            now, changes = amend_bay(bench, case, added.bay, model, added.serial if "/" in drive else None)
        else:
            add_bay(bench, added)
    if amend:
        said = [wrapped(one) for one in changes] or ["Nothing changed: it was noted so already."]
        screen.answer(
            {"case": case, "bay": now.bay, "model": now.model, "serial": now.serial, "changes": [*changes]},
            "\n".join(said),
        )
        return
    screen.answer(
        {"case": case, "bay": added.bay, "model": added.model, "serial": added.serial},
        f"Case {case} has a bay {added.bay}.\n"
        f"Next: {wording.called_as()} board pictures {case} {added.bay} FOLDER",
    )


COMMANDS: tuple[click.Command, ...] = (open_, bay)
