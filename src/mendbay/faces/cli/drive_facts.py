"""`mendbay drive facts`: what a drive says of itself."""

from __future__ import annotations

import sys

import click

from mendbay.core.errors import EXIT_INCOMPLETE, UsageError
from mendbay.core.quantity import bytes_text, count_text
from mendbay.faces import wording
from mendbay.faces.cli.asked_option import CUSTOMER_ASKED
from mendbay.faces.cli.caution_words import say_drive_cautions
from mendbay.faces.cli.screen import Screen, table, wrapped
from mendbay.faces.drive_facts_words import facts_json, identity_words
from mendbay.imaging.drive_findings import Weight
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
    help="Ask although triage or the electrical sheet says STOP; custody keeps the reason.",
)
@CUSTOMER_ASKED
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
    customer_asked: bool,
) -> None:
    """Ask the drive at SOURCE who it is, how large, how it fares and how warm.

    Only questions are sent: nothing on the drive is changed, no test is started, no sector read. SOURCE is a
    whole drive (/dev/sdX), or pages:FOLDER with what one once answered (identify.bin, health.bin,
    thresholds.bin ...).
    """
    if (case is None) != (not bay):
        raise UsageError("A case needs the bay, and a bay the case.", "Give both --case and --bay, or none.")
    although = Although(although_refused, although_harmful, asked=customer_asked)
    in_case = None if case is None else InCase(case, bay, although)
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
    lines += [wrapped(one) for one in identity_words(answers.identity)]
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
