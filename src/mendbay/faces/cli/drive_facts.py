"""`mendbay drive facts`: what a drive says of itself."""

from __future__ import annotations

import sys
from typing import Any

import click

from mendbay.core.errors import EXIT_INCOMPLETE, UsageError
from mendbay.core.quantity import bytes_text, count_text
from mendbay.faces import wording
from mendbay.faces.cli.caution_words import say_drive_cautions
from mendbay.faces.cli.screen import Screen, table, wrapped
from mendbay.imaging.drive_findings import DriveAnswers, Weight
from mendbay.imaging.identify import DriveIdentity
from mendbay.imaging.smart import NAMES, Attribute
from mendbay.jobs.ask_drive import DriveFacts, InCase, ask_drive, foresee_asking
from mendbay.jobs.power_permit import Although
from mendbay.wiring import open_bench

SIGNS = {Weight.GRAVE: "!!", Weight.MIND: "! ", Weight.NOTED: "- "}


@click.command(name="facts")
@click.argument("source")
@click.option("--case", type=int, help="Note it in this case, for triage.")
@click.option("--bay", default="", help="The bay of the case that the drive belongs to.")
@click.option("--label", default="", metavar="SIZE", help="The capacity on its label, such as 2TB.")
@click.option(
    "--patience",
    type=click.FloatRange(min=1, max=600),
    default=30.0,
    show_default=True,
    help="Seconds to wait for an answer; then nothing more is asked. The kernel waits 30 in any case.",
)
@click.option("--counters", is_flag=True, help="List every counter.")
@click.option("--raw", is_flag=True, help="List every counter, with the bytes it was read from.")
@click.option(
    "--although-refused",
    default="",
    metavar="REASON",
    help="Ask although the customer refused power; custody keeps the reason.",
)
@click.option(
    "--although-harmful",
    default="",
    metavar="REASON",
    help="Ask although triage says STOP; custody keeps the reason.",
)
@click.pass_obj
def facts(
    screen: Screen,
    source: str,
    case: int | None,
    bay: str,
    label: str,
    patience: float,
    counters: bool,
    raw: bool,
    although_refused: str,
    although_harmful: str,
) -> None:
    """Ask the drive at SOURCE who it is, how large, how it fares and how warm.

    Only questions are sent: nothing on the drive is changed, no test is started, no sector read. SOURCE is a
    whole drive (/dev/sdX), or pages:FOLDER with what one once answered (identify.bin, health.bin,
    thresholds.bin ...).
    """
    if (case is None) != (not bay):
        raise UsageError("A case needs the bay, and a bay the case.", "Give both --case and --bay, or none.")
    in_case = None if case is None else InCase(case, bay, Although(although_refused, although_harmful))
    with open_bench(screen.home, tell=screen.tell, question_seconds=patience) as bench:
        foresee_asking(bench, source, in_case, label)
        say_drive_cautions(screen, bench, [source], case, [bay])
        told = ask_drive(bench, source, in_case, label)
    text = facts_text(told, counters or raw, raw)
    if case is not None and told.answers is not None:
        text += f"\nNext: {wording.called_as()} triage show {case}"
    screen.answer(facts_json(told), text)
    if told.answers is None:
        sys.exit(EXIT_INCOMPLETE)


COMMANDS = (facts,)


def facts_text(told: DriveFacts, counters: bool, raw: bool = False) -> str:
    """What it said, for a person; never wider than the terminal."""
    lines = [] if told.seen is None else [wrapped(f"The host sees {bytes_text(told.seen.size_bytes)} there.")]
    answers = told.answers
    if answers is None:
        lines.append(wrapped(f"The drive says nothing of itself: {told.why_not}."))
        if told.seen is not None and told.seen.kind == "drive":
            lines.append(wrapped("Try it on a port of the board, or on another adapter.", "", ""))
        return "\n".join(lines)
    lines += [wrapped(one) for one in _identity_lines(answers.identity)]
    if told.findings:
        lines.append("")
        lines += [wrapped(f"{SIGNS[one.weight]} {one.words}", "", "   ") for one in told.findings]
    if answers.size.is_right and not answers.size.amiss:
        lines += ["", wrapped(answers.size.said[0].sentence)]
    if counters and answers.health is not None:
        lines += ["", _counters(answers.health.attributes, raw)]
    if told.not_said:
        lines += ["", "Not told:"]
        lines += [wrapped(f"- {one.what}: {one.why}", "", "  ") for one in told.not_said]
    return "\n".join(lines)


def _identity_lines(identity: DriveIdentity) -> list[str]:
    name = f"{identity.model or 'no model name'}, serial number {identity.serial or 'none'}"
    firmware = f", firmware {identity.firmware}" if identity.firmware else ""
    turns = {0: "", 1: "; nothing in it turns"}.get(
        identity.rotation, f"; {count_text(identity.rotation)} turns a minute"
    )
    physical = (
        f" ({identity.physical_bytes} physical)" if identity.physical_bytes != identity.sector_bytes else ""
    )
    return [
        f"It calls itself {name}{firmware}.",
        f"{count_text(identity.sectors)} sectors of {identity.sector_bytes} bytes{physical}{turns}.",
    ]


def _counters(attributes: tuple[Attribute, ...], raw: bool) -> str:
    rows = [
        (
            NAMES.get(one.id, f"counter {one.id}")[:24],
            count_text(one.count) + (" +" if one.is_packed else ""),
            str(one.current),
            str(one.worst),
            "none" if one.threshold is None else str(one.threshold),
            str(one.id),
            *((one.raw.hex(),) if raw else ()),
        )
        for one in attributes
    ]
    head = ["what it counts", "count", "mark", "lowest mark", "fails at", "number"]
    if raw:
        head.append("bytes")
    packed = "\n(+ more is packed in its bytes)" if any(one.is_packed for one in attributes) else ""
    return table(rows, head, right=(1, 2, 3, 4, 5)) + packed


def facts_json(told: DriveFacts) -> dict[str, Any]:
    """What it said, for programs."""
    return {
        "source": told.where,
        "how": str(told.how),
        "why_not": told.why_not,
        "seen": None if told.seen is None else wording.identity_json(told.seen),
        "label_gb": told.label_gb,
        "drive": None if told.answers is None else _answers_json(told.answers),
        "findings": [{"weight": str(one.weight), "words": one.words} for one in told.findings],
        "not_said": [{"what": one.what, "why": one.why} for one in told.not_said],
    }


def _answers_json(answers: DriveAnswers) -> dict[str, Any]:
    identity, health, limits = answers.identity, answers.health, answers.limits
    return {
        "model": identity.model,
        "serial": identity.serial,
        "firmware": identity.firmware,
        "wwn": identity.wwn,
        "sectors": identity.sectors,
        "sector_bytes": identity.sector_bytes,
        "physical_bytes": identity.physical_bytes,
        "hidden_sectors": answers.size.hidden_sectors,
        "rotation": identity.rotation,
        "checksum": str(identity.checksum),
        "locked": identity.security.is_locked,
        "size": [{"verdict": str(one.verdict), "words": one.sentence} for one in answers.size.said],
        "records": str(answers.records) or None,
        "calls_itself_failing": answers.calls_itself_failing,
        "hours": None if health is None else health.hours,
        "link_errors": answers.link_errors,
        "celsius": answers.celsius,
        "limits": {"warn": limits.warn, "pause": limits.pause, "stop": limits.stop, "origin": limits.origin},
        "counters": [] if health is None else [_attribute_json(one) for one in health.attributes],
    }


def _attribute_json(one: Attribute) -> dict[str, Any]:
    return {
        "id": one.id,
        "name": NAMES.get(one.id, ""),
        "now": one.current,
        "worst": one.worst,
        "limit": one.threshold,
        "count": one.count,
        "raw": one.raw.hex(),
        "failing": one.is_failing,
        "failed_once": one.has_failed,
    }
