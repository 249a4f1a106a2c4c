"""`mendbay drive`: look, read, and what `drive_facts` and `drive_record` add."""

from __future__ import annotations

import sys

import click

from mendbay.core.errors import EXIT_INCOMPLETE, Interrupted
from mendbay.faces import wording
from mendbay.faces.cli.asked_option import CUSTOMER_ASKED
from mendbay.faces.cli.caution_words import say_clicking, say_drive_cautions, say_own_time, say_unsettled
from mendbay.faces.cli.drive_facts import COMMANDS
from mendbay.faces.cli.drive_record import aside, blend, compared_lines, refused, show, verify
from mendbay.faces.cli.screen import Screen, wrapped
from mendbay.faces.cli.stakes import stakes_options
from mendbay.faces.reading_words import compared_json
from mendbay.imaging.hazard import Condition as DriveCondition
from mendbay.jobs.compare_drive import compare_drive
from mendbay.jobs.drive_reading import Ending
from mendbay.jobs.drives_at_hand import Offered, drives_at_hand, more_words
from mendbay.jobs.imaging_record import image_of, imaging_record
from mendbay.jobs.power_permit import Although, foresee_reading
from mendbay.jobs.read_drive import DriveAt, foresee_drives, read_drive
from mendbay.jobs.reading_terms import assumptions, stakes_of
from mendbay.wiring import open_bench

ALTHOUGH_REFUSED = click.option(
    "--although-refused",
    default="",
    metavar="REASON",
    help="Read although the customer refused it; custody keeps the reason.",
)
ALTHOUGH_HARMFUL = click.option(
    "--although-harmful",
    default="",
    metavar="REASON",
    help="Read although triage or the electrical sheet says STOP; custody keeps the reason.",
)
ALTHOUGH_OTHER_SERIAL = click.option(
    "--although-other-serial",
    default="",
    metavar="REASON",
    help="Read although its serial number is not this bay's, or is another's; custody keeps the reason.",
)
ASK_NOTHING = click.option(
    "--ask-nothing",
    is_flag=True,
    help="Send the drive no question about itself; its temperature is then not watched.",
)
SECTORS = click.Choice(["512", "4096"])
SECTOR = click.option(
    "--sector",
    "sector_bytes",
    type=SECTORS,
    default="512",
    show_default=True,
    help="Sector size of image files.",
)
PATIENCE = click.FloatRange(min=0.1, max=3600)


@click.group(name="drive")
def command() -> None:
    """Look at a drive, read it into an image, see how far it is.

    A drive is named by its device (/dev/sdX), an image file, or unsteady:FILE for a simulated failing
    drive described in FILE. It is opened for reading only.
    """


@command.command(name="look")
@click.argument("source")
@SECTOR
@click.pass_obj
def look(screen: Screen, source: str, sector_bytes: str) -> None:
    """Say what the drive at SOURCE is, without reading a sector of it."""
    with open_bench(screen.home, tell=screen.tell, sector_bytes=int(sector_bytes)) as bench:
        identity = bench.drives.look(source)
    screen.answer(wording.identity_json(identity), "\n".join(wording.identity_lines(identity)))


@command.command(name="list")
@click.option("--case", type=int, help="Tell too which of them says the serial number of a bay of this case.")
@click.pass_obj
def at_hand(screen: Screen, case: int | None) -> None:
    """List the drives that are plugged into this machine, and which of them are in use.

    No device is opened and none is asked anything: a drive that hangs is no hindrance.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        found = drives_at_hand(bench, case)
    lines = [one for each in found.offered for one in _offered_lines(each)]
    if found.more:
        lines.append(wrapped(more_words(found.more)))
    screen.answer(
        {"drives": [wording.offered_json(one) for one in found.offered], "more": found.more},
        "\n".join(lines or ["This machine sees no drive."]),
    )


def _offered_lines(one: Offered) -> list[str]:
    lines = [wrapped(wording.at_hand_words(one.drive), "", "  ")]
    if one.bay:
        lines.append(wrapped(f"It says the serial number of bay {one.bay}.", "  ", "  "))
    if one.against:
        lines.append(wrapped(one.against, "  ", "  "))
    return lines


for one in COMMANDS:
    command.add_command(one)


@command.command(name="read")
@click.argument("case", type=int)
@click.argument("bay")
@click.argument("source")
@click.option("--adapter", default="", help="What the drive hangs on; noted with every read.")
@click.option(
    "--minutes", type=click.FloatRange(min=0), help="Stop after so long; the same command goes on later."
)
@click.option(
    "--tries", type=click.IntRange(1, 100), help="How often a refused sector is asked for.  [default: 3]"
)
@click.option(
    "--condition",
    type=click.Choice([str(one) for one in DriveCondition]),
    help="What the drive is like: the worse, the more a refused read counts as harm. One that clicks is "
    "asked nothing about itself.  "
    "[default: as said last; clicks if triage keeps it without power; else refuses]",
)
@click.option(
    "--patience", type=PATIENCE, default=30.0, show_default=True, help="Seconds until a read counts as hung."
)
@SECTOR
@ASK_NOTHING
@stakes_options
@ALTHOUGH_REFUSED
@ALTHOUGH_HARMFUL
@ALTHOUGH_OTHER_SERIAL
@CUSTOMER_ASKED
@click.pass_obj
def read(
    screen: Screen,
    case: int,
    bay: str,
    source: str,
    adapter: str,
    minutes: float | None,
    tries: int | None,
    condition: str | None,
    patience: float,
    sector_bytes: str,
    ask_nothing: bool,
    worth: str | None,
    bench_hour: str | None,
    head_work_gives: float,
    although_refused: str,
    although_harmful: str,
    although_other_serial: str,
    customer_asked: bool,
) -> None:
    """Read the drive of BAY in CASE from SOURCE into its image, or go on with it.

    It is read as it lies: the case's wishes do not count. Wanted files first: pair read CASE BAY=SOURCE.

    A drive that vanishes is brought back by the relay that settings/power.toml names, or by you when asked.
    While it reads, and at the end, it is said whether going on is worth the risk, where head work in a clean
    room is the other way. Nothing is stopped for that.
    """
    with (
        screen.stoppable() as stop,
        open_bench(
            screen.home,
            tell=screen.tell,
            stop=stop,
            power_cycle=screen.ask_power_cycle,
            assumed=assumptions(tries),
            stakes=stakes_of(worth, bench_hour, head_work_gives),
            patience_seconds=patience,
            sector_bytes=int(sector_bytes),
        ) as bench,
    ):
        seconds = None if minutes is None else minutes * 60
        although = Although(although_refused, although_harmful, although_other_serial, customer_asked)
        foresee_drives(bench, case, [(bay, source)])
        foresee_reading(bench, case, [bay], although)
        say_unsettled(screen, bench, case)
        say_drive_cautions(screen, bench, [source], case, [bay])
        state = None if condition is None else DriveCondition(condition)
        say_clicking(screen, bench, case, {bay: state})
        say_own_time(screen, bench, [source])
        drive = DriveAt(bay, source, adapter, not ask_nothing, state)
        result = read_drive(
            bench,
            case,
            drive,
            seconds=seconds,
            although=although,
            broken_off=lambda result: screen.say(wording.read_result_text(result)),
        )
    if result.ending is Ending.STOPPED:
        screen.say(wording.read_result_text(result))
        raise Interrupted("Stopped; everything read so far is kept.", "Run the same command again to go on.")
    following = f"Next: {wording.called_as()} pair look {case}, or {wording.called_as()} files list {case}"
    screen.answer(wording.read_result_json(result), f"{wording.read_result_text(result)}\n{following}")
    if not result.is_complete:
        sys.exit(EXIT_INCOMPLETE)


@command.command(name="compare")
@click.argument("case", type=int)
@click.argument("bay")
@click.argument("source")
@click.option("--adapter", default="", help="What the drive hangs on this time.")
@click.option("--minutes", type=click.FloatRange(min=0), help="Stop after so long.")
@SECTOR
@ASK_NOTHING
@ALTHOUGH_REFUSED
@ALTHOUGH_HARMFUL
@ALTHOUGH_OTHER_SERIAL
@CUSTOMER_ASKED
@click.pass_obj
def compare(
    screen: Screen,
    case: int,
    bay: str,
    source: str,
    adapter: str,
    minutes: float | None,
    sector_bytes: str,
    ask_nothing: bool,
    although_refused: str,
    although_harmful: str,
    although_other_serial: str,
    customer_asked: bool,
) -> None:
    """Read once more from SOURCE what the image of BAY in CASE holds, and tell where they differ.

    The image keeps what was read first. This wears the drive as any reading does: have all that is wanted
    before. A drive that vanishes is brought back by the relay that settings/power.toml names, or by you when
    asked; what it vanished over is not asked for again.
    """
    with (
        screen.stoppable() as stop,
        open_bench(
            screen.home,
            tell=screen.tell,
            stop=stop,
            power_cycle=screen.ask_power_cycle,
            sector_bytes=int(sector_bytes),
        ) as bench,
    ):
        although = Although(although_refused, although_harmful, although_other_serial, customer_asked)
        seconds = None if minutes is None else minutes * 60
        drive = DriveAt(bay, source, adapter, not ask_nothing)
        image_of(bench, case, bay, writable=False).close()  # without one there is nothing to compare with
        foresee_drives(bench, case, [(bay, source)])
        foresee_reading(bench, case, [bay], although)
        say_unsettled(screen, bench, case)
        say_drive_cautions(screen, bench, [source], case, [bay])
        found = compare_drive(bench, case, drive, seconds=seconds, although=although)
        record = imaging_record(bench, case, bay)
    if found.ending is Ending.STOPPED:
        screen.say("\n".join(compared_lines(found, record)))
        raise Interrupted("Stopped; what was compared so far is kept.", "Run the same command to begin anew.")
    screen.answer(compared_json(found), "\n".join(compared_lines(found, record)))
    if found.refused_bytes or found.left_bytes:
        sys.exit(EXIT_INCOMPLETE)


for one in (show, refused, verify, blend, aside):
    command.add_command(one)
