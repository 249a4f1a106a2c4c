"""`mendbay drive`: look, facts, read, show, blend."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import click

from mendbay.core.coverage import Condition
from mendbay.core.errors import EXIT_INCOMPLETE, Interrupted, NoSuchCase
from mendbay.core.quantity import bytes_text, count_text
from mendbay.faces import wording
from mendbay.faces.cli.caution_words import DRIVE, say_cautions
from mendbay.faces.cli.drive_facts import COMMANDS
from mendbay.faces.cli.screen import Screen, table
from mendbay.imaging.assumptions import Assumptions
from mendbay.jobs.blend_images import blend_image
from mendbay.jobs.drive_reading import Ending
from mendbay.jobs.power_permit import Although
from mendbay.jobs.read_drive import DriveAt, read_drive
from mendbay.jobs.take_in import tell_case
from mendbay.wiring import open_bench

ALTHOUGH_REFUSED = click.option(
    "--although-refused",
    default="",
    metavar="REASON",
    help="Read although the customer refused power; custody keeps the reason.",
)
ALTHOUGH_HARMFUL = click.option(
    "--although-harmful",
    default="",
    metavar="REASON",
    help="Read although triage says STOP; custody keeps the reason.",
)
RANGES_SHOWN = 40
SECTORS = click.Choice(["512", "4096"])
PATIENCE = click.FloatRange(min=0.1, max=3600)


@click.group(name="drive")
def command() -> None:
    """Look at a drive, read it into an image, see how far it is.

    A drive is named by its device (/dev/sdX), an image file, or unsteady:FILE for a simulated failing
    drive described in FILE. It is opened for reading only.
    """


@command.command(name="look")
@click.argument("source")
@click.option(
    "--sector",
    "sector_bytes",
    type=SECTORS,
    default="512",
    show_default=True,
    help="Sector size of image files.",
)
@click.pass_obj
def look(screen: Screen, source: str, sector_bytes: str) -> None:
    """Say what the drive at SOURCE is, without reading a sector of it."""
    with open_bench(screen.home, sector_bytes=int(sector_bytes)) as bench:
        identity = bench.drives.look(source)
    screen.answer(wording.identity_json(identity), "\n".join(wording.identity_lines(identity)))


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
    "--patience", type=PATIENCE, default=30.0, show_default=True, help="Seconds until a read counts as hung."
)
@click.option(
    "--sector",
    "sector_bytes",
    type=SECTORS,
    default="512",
    show_default=True,
    help="Sector size of image files.",
)
@ALTHOUGH_REFUSED
@ALTHOUGH_HARMFUL
@click.pass_obj
def read(
    screen: Screen,
    case: int,
    bay: str,
    source: str,
    adapter: str,
    minutes: float | None,
    tries: int | None,
    patience: float,
    sector_bytes: str,
    although_refused: str,
    although_harmful: str,
) -> None:
    """Read the drive of BAY in CASE from SOURCE into its image, or go on with it."""
    say_cautions(screen, DRIVE)
    with (
        screen.stoppable() as stop,
        open_bench(
            screen.home,
            tell=screen.tell,
            stop=stop,
            power_cycle=screen.ask_power_cycle,
            assumed=assumptions(tries),
            patience_seconds=patience,
            sector_bytes=int(sector_bytes),
        ) as bench,
    ):
        seconds = None if minutes is None else minutes * 60
        although = Although(although_refused, although_harmful)
        result = read_drive(bench, case, DriveAt(bay, source, adapter), seconds=seconds, although=although)
    if result.ending is Ending.STOPPED:
        screen.say(wording.read_result_text(result))
        raise Interrupted("Stopped; everything read so far is kept.", "Run the same command again to go on.")
    following = f"Next: {wording.called_as()} pair look {case}, or {wording.called_as()} files list {case}"
    screen.answer(wording.read_result_json(result), f"{wording.read_result_text(result)}\n{following}")
    if not result.is_complete:
        sys.exit(EXIT_INCOMPLETE)


def assumptions(tries: int | None) -> Assumptions:
    """The planner's assumptions with the person's own limit of tries, if given."""
    base = Assumptions()
    return base if tries is None else replace(base, most_tries=tries)


@command.command(name="show")
@click.argument("case", type=int)
@click.argument("bay")
@click.option("--all", "everything", is_flag=True, help="List every range that is not read.")
@click.pass_obj
def show(screen: Screen, case: int, bay: str, everything: bool) -> None:
    """Show how far the drive of BAY in CASE has been read."""
    with open_bench(screen.home) as bench:
        story = tell_case(bench, case)
    image = next((one for one in story.images if one.bay == bay), None)
    if image is None or image.coverage is None:
        what = f"Bay {bay} of case {case} has no image." if image is None else image.trouble
        raise NoSuchCase(what, "Read the drive first: mendbay drive read.")
    coverage = image.coverage
    lines = [
        f"Bay {bay} of case {case}: {bytes_text(coverage.size_bytes)} "
        f"in sectors of {coverage.sector_bytes} bytes",
        table(wording.coverage_rows(coverage), ("", "bytes", "share", "ranges"), right=(1, 2, 3)),
    ]
    rows = [
        (count_text(one.span.start), count_text(one.span.length), str(one.condition), str(one.tries or ""))
        for one in coverage.stretches()
        if one.condition is not Condition.READ
    ]
    if rows:
        shown = rows if everything else rows[:RANGES_SHOWN]
        lines += ["", table(shown, ("from byte", "bytes", "condition", "tries"), right=(0, 1, 3))]
        if len(shown) < len(rows):
            lines.append(f"... and {count_text(len(rows) - len(shown))} ranges more; --all lists them.")
    screen.answer({"bay": bay, **wording.coverage_json(coverage)}, "\n".join(lines))


@command.command(name="blend")
@click.argument("case", type=int)
@click.argument("bay")
@click.argument("image", type=click.Path(path_type=Path))
@click.pass_obj
def blend(screen: Screen, case: int, bay: str, image: Path) -> None:
    """Take over into the image of BAY what another IMAGE of the same drive holds.

    The other image must have been made by Mendbay, with its checkpoint beside it: at another bench,
    through another adapter, on another day.
    """
    with open_bench(screen.home) as bench:
        result = blend_image(bench, case, bay, image)
    screen.answer(
        {
            "bay": result.bay,
            "taken_bytes": result.taken_bytes,
            "compared_bytes": result.compared_bytes,
            "read_bytes": result.read_bytes,
            "size_bytes": result.size_bytes,
        },
        f"{count_text(result.taken_bytes)} bytes taken over from {image}.\n"
        + (
            f"{count_text(result.compared_bytes)} bytes that both hold were compared and are equal.\n"
            if result.compared_bytes
            else "The two had nothing in common to compare: make sure that both are of this drive.\n"
        )
        + f"The image of bay {bay} now holds {count_text(result.read_bytes)} of "
        f"{count_text(result.size_bytes)} bytes.",
    )
