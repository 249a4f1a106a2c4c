"""`mendbay case show`: the whole story of a case."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict

import click

from mendbay.board.electrical_summary import short
from mendbay.faces import wording
from mendbay.faces.cli.case_items import item_json, item_lines
from mendbay.faces.cli.screen import Screen, table, wrapped
from mendbay.faces.cli.take_in_words import story_json, story_lines
from mendbay.faces.custody_words import check_text
from mendbay.faces.story_words import happened
from mendbay.jobs.certify_rom import KeptCertificate, certificates_kept
from mendbay.jobs.in_hand import holder_of
from mendbay.jobs.measure_board import Measured
from mendbay.jobs.noted_twice import twice_words
from mendbay.jobs.reached_customer import since_hand_back, stands_words
from mendbay.jobs.take_in import CaseStory, tell_case
from mendbay.jobs.take_in_form import fill_form
from mendbay.wiring import open_bench

LEFT_SHOWN = 6
"""Steps of an electrical sheet that are named as still to be measured; `--json` names all."""


@click.command(name="show")
@click.argument("case", type=int)
@click.pass_obj
def show(screen: Screen, case: int) -> None:
    """Tell the whole story of CASE."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        story = tell_case(bench, case)
        certificates = certificates_kept(bench, case)
        form = fill_form(bench, case)
        stands = stands_words(story.case, since_hand_back(bench, case))
        holder = holder_of(bench, story.case)
    facts = {**_story_json(story, certificates), "in_hand": holder or None, **story_json(form)}
    stands += f", in hand: {holder}" if holder else ""
    screen.answer(facts, _story_text(story, stands, certificates, story_lines(form)))


def _story_text(
    story: CaseStory, stands: str, certificates: Sequence[KeptCertificate], taken_in: Sequence[str]
) -> str:
    case = story.case
    lines = [
        f"Case {case.number}: {case.customer}, {stands}, opened {case.opened_at}",
        wrapped(f"came in: {case.box or 'not described'}", "  "),
        wrapped(f"wanted first: {', '.join(case.wanted) or 'not said'}", "  "),
        *(wrapped(f"until {one.until}: {', '.join(one.patterns)}", "    ") for one in story.earlier_wishes),
        f"  folder: {story.folder}",
    ]
    if case.notes:
        lines += [wrapped(one, "  ") for one in f"notes: {case.notes}".splitlines()]
    lines += taken_in
    for bay in story.bays:
        named = " ".join(part for part in (bay.model, bay.serial) if part)
        if not named and bay.bay in story.by_pictures:
            named = f"{story.by_pictures[bay.bay]}, by its pictures"
        named = named or "drive not described"
        lines += ["", f"Bay {bay.bay}: {named}"]
        if bay.bay in story.said_serials:
            lines.append(wrapped(f"the drive itself says serial number {story.said_serials[bay.bay]}", "  "))
        lines += [wrapped(twice_words(one), "  ") for one in story.noted_twice if one.bay.bay == bay.bay]
        if bay.bay in story.sheets:
            lines += _sheet_lines(story.sheets[bay.bay], case.number, bay.bay)
        lines += [wrapped(wording.certificate_words(one), "  ") for one in certificates if one.bay == bay.bay]
        image = next((one for one in story.images if one.bay == bay.bay), None)
        if image is None:
            was_read = any(one.bay == bay.bay and one.finished_at for one in story.noted_images)
            lines.append("  its image is not there any more" if was_read else "  not read yet")
        elif image.coverage is None:
            lines.append(f"  {image.path}: {image.trouble}")
        else:
            rows = wording.coverage_rows(image.coverage, image.left)
            lines += [
                "  " + line for line in table(rows, ("", "bytes", "share", "ranges"), (1, 2, 3)).split("\n")
            ]
            if image.left:
                lines.append(wrapped(wording.left_words(image.left), "  "))
            for run in image.runs:
                taken = f", taken over from {run.taken_from}" if run.taken_from else ""
                lines.append(f"  run {run.number}: {run.started_at}, adapter: {run.adapter}{taken}")
        if bay.bay in story.asides:
            lines.append(wrapped(f"set aside: {', '.join(story.asides[bay.bay])}", "  "))
    if story.items:
        lines += ["", "Items", *item_lines(story.items, "  ")]
    lines += ["", "What happened"]
    lines += [wrapped(one.sentence, "  ", "    ") for one in happened(story.events)]
    lines += ["", "Custody"]
    lines += [
        wrapped(f"{one.sequence}. {one.at} {one.who}: {one.what}; {one.item}", "  ", "    ")
        for one in story.custody
    ]
    lines.append("  " + check_text(story.check))
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
        "wanted_before": [{"wanted": list(one.patterns), "until": one.until} for one in story.earlier_wishes],
        "notes": case.notes,
        "folder": story.folder,
        "bays": [
            {
                "bay": one.bay,
                "model": one.model,
                "serial": one.serial,
                "said_serial": story.said_serials.get(one.bay),
                "noted_too": [
                    {"case": it.case, "bay": it.bay}
                    for twice in story.noted_twice
                    if twice.bay.bay == one.bay
                    for it in twice.others
                ],
                "size_bytes": one.size_bytes,
                "set_aside": list(story.asides.get(one.bay, ())),
            }
            for one in story.bays
        ],
        "images": [
            {
                "bay": one.bay,
                "path": one.path,
                "trouble": one.trouble or None,
                "coverage": None if one.coverage is None else wording.coverage_json(one.coverage),
                "left_bytes": one.left.total_bytes,
                "runs": [wording.run_json(run) for run in one.runs],
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


COMMANDS: tuple[click.Command, ...] = (show,)
