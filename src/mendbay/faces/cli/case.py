"""`mendbay case`: the case around the work on drives and boards. Each topic has a module of its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, replace

import click

from mendbay.board.electrical_summary import short
from mendbay.case.records import Bay
from mendbay.core.errors import UsageError
from mendbay.faces import wording
from mendbay.faces.cli import (
    case_agenda,
    case_close,
    case_consent,
    case_custody,
    case_hand_over,
    case_items,
    case_keeping,
    case_letters,
    case_money,
    case_privacy,
    case_take_in,
)
from mendbay.faces.cli.case_custody import check_text
from mendbay.faces.cli.case_items import item_json, item_lines
from mendbay.faces.cli.screen import Screen, table, wrapped
from mendbay.faces.cli.sections import Sectioned
from mendbay.faces.cli.take_in_words import story_json, story_lines
from mendbay.jobs.certify_rom import KeptCertificate, certificates_kept
from mendbay.jobs.measure_board import Measured
from mendbay.jobs.take_in import CaseStory, add_bay, amend_bay, take_in, tell_case
from mendbay.jobs.take_in_form import fill_form
from mendbay.wiring import open_bench

LEFT_SHOWN = 6
"""Steps of an electrical sheet that are named as still to be measured; `--json` names all."""


@click.group(name="case", cls=Sectioned)
def command() -> None:
    """Take in, agree, quote, follow, hand over and close cases."""


@command.command(name="open")
@click.argument("customer")
@click.option("--contact", default="", help="How to reach the customer.")
@click.option("--box", default="", help="What came in, in words.")
@click.option(
    "--want", "wanted", multiple=True, metavar="PATTERN", help="What the customer wants first; repeat it."
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
    with open_bench(screen.home) as bench:
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
        f"Case {case.number} is open for {case.customer}.\n"
        f"Its folder will be {folder}\n"
        f"Next: {wording.called_as()} pair read {case.number} 1=/dev/sdX 2=/dev/sdY   "
        "(devices or image files)",
    )


def _bay(text: str) -> Bay:
    label, _, drive = text.partition("=")
    model, _, serial = drive.partition("/")
    if not label:
        raise UsageError(f"'{text}' names no bay.", "Write it as 1=MODEL/SERIAL.")
    return Bay(0, label.strip(), model.strip(), serial.strip())


@command.command(name="bay")
@click.argument("case", type=int)
@click.argument("drive", metavar="BAY=MODEL/SERIAL")
@click.option("--amend", is_flag=True, help="Put right what is noted of a bay that is there.")
@click.pass_obj
def bay(screen: Screen, case: int, drive: str, amend: bool) -> None:
    """Add a drive to CASE, as its label says; 1= alone if nothing is known of it.

    With --amend what is written takes the place of what was noted, and custody tells both: 1=MODEL/ clears
    the serial number, 1=/SERIAL the model, and 1=MODEL without a slash leaves the serial number as it is.
    """
    added = replace(_bay(drive), case=case)
    with open_bench(screen.home) as bench:
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


@command.command(name="show")
@click.argument("case", type=int)
@click.pass_obj
def show(screen: Screen, case: int) -> None:
    """Tell the whole story of CASE."""
    with open_bench(screen.home) as bench:
        story = tell_case(bench, case)
        certificates = certificates_kept(bench, case)
        form = fill_form(bench, case)
    facts = {**_story_json(story, certificates), **story_json(form)}
    screen.answer(facts, _story_text(story, certificates, story_lines(form)))


def _story_text(story: CaseStory, certificates: Sequence[KeptCertificate], taken_in: Sequence[str]) -> str:
    case = story.case
    lines = [
        f"Case {case.number}: {case.customer}, {case.state}, opened {case.opened_at}",
        f"  came in: {case.box or 'not described'}",
        f"  wanted first: {', '.join(case.wanted) or 'not said'}",
        f"  folder: {story.folder}",
    ]
    if case.notes:
        lines.append(f"  notes: {case.notes}")
    lines += taken_in
    for bay in story.bays:
        named = " ".join(part for part in (bay.model, bay.serial) if part)
        if not named and bay.bay in story.by_pictures:
            named = f"{story.by_pictures[bay.bay]}, by its pictures"
        named = named or "drive not described"
        lines += ["", f"Bay {bay.bay}: {named}"]
        if bay.bay in story.sheets:
            lines += _sheet_lines(story.sheets[bay.bay], case.number, bay.bay)
        lines += [wrapped(wording.certificate_words(one), "  ") for one in certificates if one.bay == bay.bay]
        image = next((one for one in story.images if one.bay == bay.bay), None)
        if image is None:
            was_read = any(one.bay == bay.bay for one in story.noted_images)
            lines.append("  its image is not there any more" if was_read else "  not read yet")
        elif image.coverage is None:
            lines.append(f"  {image.path}: {image.trouble}")
        else:
            rows = wording.coverage_rows(image.coverage)
            lines += [
                "  " + line for line in table(rows, ("", "bytes", "share", "ranges"), (1, 2, 3)).split("\n")
            ]
            for run in image.runs:
                taken = f", taken over from {run.taken_from}" if run.taken_from else ""
                lines.append(f"  run {run.number}: {run.started_at}, adapter: {run.adapter}{taken}")
    if story.items:
        lines += ["", "Items", *item_lines(story.items, "  ")]
    lines += ["", "What happened"]
    lines += [wrapped(f"{event.at}  {event.text}", "  ") for event in story.events]
    lines += ["", "Custody"]
    lines += [
        wrapped(f"{one.sequence}  {one.at}  {one.who}: {one.what}; {one.item}", "  ") for one in story.custody
    ]
    lines.append("  " + check_text(story.check.holds, len(story.custody)))
    return "\n".join(lines)


def _sheet_lines(measured: Measured, case: int, bay: str) -> list[str]:
    """The electrical sheet of a board in a few lines."""
    told = short(measured.sheet)
    lines = [f"  electrical sheet: {wording.counted(told.done, 'step')} answered"]
    lines += [wrapped(one, "    ") for one in told.found]
    lines += [wrapped(f"power stays away: {one}", "    ") for one in told.closed]
    lines += [wrapped(f"power let through by a person's word: {one}", "    ") for one in told.overridden]
    if told.left:
        more = f" and {len(told.left) - LEFT_SHOWN} more" if len(told.left) > LEFT_SHOWN else ""
        lines.append(wrapped(f"still to be measured: {', '.join(told.left[:LEFT_SHOWN])}{more}", "    "))
    lines.append(f"    in full: {wording.called_as()} board sheet {case} {bay}")
    return lines


def _story_json(story: CaseStory, certificates: Sequence[KeptCertificate]) -> dict[str, object]:
    case = story.case
    return {
        "case": case.number,
        "customer": case.customer,
        "contact": case.contact,
        "state": str(case.state),
        "opened_at": case.opened_at,
        "box": case.box,
        "wanted": list(case.wanted),
        "notes": case.notes,
        "folder": story.folder,
        "bays": [
            {"bay": one.bay, "model": one.model, "serial": one.serial, "size_bytes": one.size_bytes}
            for one in story.bays
        ],
        "images": [
            {
                "bay": one.bay,
                "path": one.path,
                "trouble": one.trouble or None,
                "coverage": None if one.coverage is None else wording.coverage_json(one.coverage),
                "runs": [
                    {
                        "run": run.number,
                        "adapter": run.adapter,
                        "source": run.source,
                        "started_at": run.started_at,
                        "ended_at": run.ended_at or None,
                        "given_bytes": run.given_bytes,
                        "refused_reads": run.refused_reads,
                        "taken_from": run.taken_from or None,
                    }
                    for run in one.runs
                ],
            }
            for one in story.images
        ],
        "items": [item_json(one) for one in story.items],
        "sheets": [{"bay": bay, **asdict(short(one.sheet))} for bay, one in story.sheets.items()],
        "rom_certificates": [{"bay": one.bay, **wording.certificate_json(one)} for one in certificates],
        "events": [
            {"at": one.at, "kind": one.kind, "text": one.text, "facts": dict(one.facts)}
            for one in story.events
        ],
        "custody": {
            "holds": story.check.holds,
            "entries": [
                {
                    "sequence": one.sequence,
                    "at": one.at,
                    "who": one.who,
                    "what": one.what,
                    "item": one.item,
                    "hash": one.hash,
                }
                for one in story.custody
            ],
        },
    }


command.add_section("Take in", (open_, bay, *case_take_in.COMMANDS, *case_consent.COMMANDS))
command.add_section("Things and hand-overs", (*case_items.COMMANDS, *case_hand_over.COMMANDS))
command.add_section("Prices", case_money.COMMANDS)
command.add_section("The day's work", (*case_agenda.COMMANDS, *case_letters.COMMANDS))
command.add_section("The record", (show, *case_custody.COMMANDS))
command.add_section(
    "The end of a case", (*case_close.COMMANDS, *case_keeping.COMMANDS, *case_privacy.COMMANDS)
)
