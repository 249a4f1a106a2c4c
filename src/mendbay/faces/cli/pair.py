"""`mendbay pair`: look at how the members belong together, read them together."""

from __future__ import annotations

import sys

import click

from mendbay.core.errors import EXIT_INCOMPLETE, UsageError
from mendbay.core.quantity import bytes_text, count_text
from mendbay.faces import wording
from mendbay.faces.cli.caution_words import DRIVE, say_cautions, say_unsettled
from mendbay.faces.cli.drive import (
    ALTHOUGH_HARMFUL,
    ALTHOUGH_REFUSED,
    ASK_NOTHING,
    PATIENCE,
    SECTOR,
    assumptions,
)
from mendbay.faces.cli.screen import Screen, printable, table, wrapped
from mendbay.files.tree import VolumeFacts
from mendbay.jobs.look_at_pair import look_at_pair
from mendbay.jobs.power_permit import Although, foresee_reading
from mendbay.jobs.read_drive import DriveAt
from mendbay.jobs.read_pair import PairResult, read_pair
from mendbay.jobs.volume import explanation, fresher_bay
from mendbay.pair.assemble import Assembled
from mendbay.pair.volume import Level
from mendbay.wiring import open_bench

FILES_SHOWN = 20
LEVELS = {
    Level.MIRROR: "Mirror",
    Level.STRIPE: "Stripe",
    Level.SPAN: "Span",
    Level.SINGLE: "Single volume",
}


@click.group(name="pair")
def command() -> None:
    """Put two members together; read both, wanted files first."""


@command.command(name="look")
@click.argument("case", type=int)
@click.option("--bay", "bays", multiple=True, metavar="BAY", help="Only the drive of this bay; repeat it.")
@click.pass_obj
def look(screen: Screen, case: int, bays: tuple[str, ...]) -> None:
    """Say how the drives of CASE belong together, from what has been read of them."""
    with open_bench(screen.home) as bench:
        candidates, facts = look_at_pair(bench, case, bays)
    chosen = candidates[0]
    screen.answer(
        {
            "chosen": assembled_json(chosen),
            "others": [assembled_json(one) for one in candidates[1:]],
            "file_system": None if facts is None else volume_json(facts),
        },
        "\n".join(
            [*assembled_lines(chosen), *(volume_lines(facts) if facts else ["No file system found on it."])]
        ),
    )


@command.command(name="read")
@click.argument("case", type=int)
@click.argument("sources", nargs=-1, required=True, metavar="BAY=SOURCE...")
@click.option(
    "--want", "patterns", multiple=True, metavar="PATTERN", help="Read these files first; repeat it."
)
@click.option("--only-wanted", is_flag=True, help="Stop after what is wanted.")
@click.option("--adapter", "adapters", multiple=True, metavar="BAY=NAME", help="What a drive hangs on.")
@click.option("--minutes", type=click.FloatRange(min=0), help="How long the rest may take.")
@click.option(
    "--tries", type=click.IntRange(1, 100), help="How often a refused sector is asked for.  [default: 3]"
)
@click.option(
    "--patience", type=PATIENCE, default=30.0, show_default=True, help="Seconds until a read counts as hung."
)
@SECTOR
@ASK_NOTHING
@ALTHOUGH_REFUSED
@ALTHOUGH_HARMFUL
@click.pass_obj
def read(
    screen: Screen,
    case: int,
    sources: tuple[str, ...],
    patterns: tuple[str, ...],
    only_wanted: bool,
    adapters: tuple[str, ...],
    minutes: float | None,
    tries: int | None,
    patience: float,
    sector_bytes: str,
    ask_nothing: bool,
    although_refused: str,
    although_harmful: str,
) -> None:
    """Read the drives of CASE together: descriptions, wanted files, then the rest.

    Each BAY=SOURCE names a drive, such as 1=/dev/sdb 2=/dev/sdc. A pattern is a name such as '*.xlsx',
    a path such as 'photos/**', or the word metadata for the descriptions of all files. Without --want
    the wishes noted in the case are used.
    """
    hung = dict(_pairs(adapters, "--adapter 1=NAME"))
    named = _pairs(sources, "1=/dev/sdX")
    drives = [DriveAt(bay, where, hung.get(bay, ""), not ask_nothing) for bay, where in named]
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
        foresee_reading(bench, case, [drive.bay for drive in drives], although)
        say_unsettled(screen, bench, case)
        say_cautions(screen, DRIVE)
        result = read_pair(
            bench, case, drives, patterns, rest=not only_wanted, seconds=seconds, although=although
        )
    screen.answer(pair_json(result), pair_text(result, case))
    if only_wanted:
        complete = all(line.judgement is None or line.judgement.verdict == "whole" for line in result.wanted)
    else:
        complete = all(one.is_complete for one in result.drives)
    if not complete:
        sys.exit(EXIT_INCOMPLETE)


def _pairs(texts: tuple[str, ...], example: str) -> list[tuple[str, str]]:
    found = []
    for text in texts:
        bay, sign, value = text.partition("=")
        if not (bay and sign and value):
            raise UsageError(f"'{text}' does not say which bay it means.", f"Write it as {example}.")
        found.append((bay, value))
    return found


def pair_text(result: PairResult, case: int) -> str:
    """What reading the drives together came to."""
    lines = [*assembled_lines(result.assembled), ""]
    lines += [wording.read_result_text(one) for one in result.drives]
    files = [line for line in result.wanted if line.judgement is not None]
    if files:
        counts = ", ".join(f"{count_text(count)} {word}" for word, count in sorted(result.verdicts.items()))
        lines += ["", f"Wanted first: {wording.counted(len(files), 'file')} ({counts})."]
        rows = [
            (printable(line.entry.path), wording.verdict_text(line.judgement, line.entry.size_bytes))
            for line in files
            if line.judgement is not None and line.judgement.verdict != "whole"
        ]
        lines += [f"  {path}: {said}" for path, said in rows[:FILES_SHOWN]]
        if len(rows) > FILES_SHOWN:
            lines.append(f"  ... and {count_text(len(rows) - FILES_SHOWN)} more that are not whole.")
    called = wording.called_as()
    lines.append(f"Next: {called} files list {case}, then {called} handback make {case} FOLDER")
    return "\n".join(lines)


def pair_json(result: PairResult) -> dict[str, object]:
    return {
        "pair": assembled_json(result.assembled),
        "drives": [wording.read_result_json(one) for one in result.drives],
        "wanted": [wording.file_json(line) for line in result.wanted],
        "read_first_bytes": dict(result.wanted_bytes),
    }


def assembled_lines(one: Assembled) -> list[str]:
    """How a volume was put together, in sentences."""
    return [
        f"{LEVELS[one.level]} of {bytes_text(one.volume.size_bytes)}",
        *(wrapped(text, "  ", "  ") for text in explanation(one)),
    ]


def assembled_json(one: Assembled) -> dict[str, object]:
    return {
        "level": str(one.level),
        "size_bytes": one.volume.size_bytes,
        "fresher": fresher_bay(one) or None,
        "explanation": list(explanation(one)),
    }


def volume_lines(facts: VolumeFacts) -> list[str]:
    """What the file system says of itself, in sentences."""
    checks = "its descriptions carry checksums" if facts.has_checksums else "it keeps no checksums"
    rows = [
        (facts.kind, printable(facts.label.encode()) or "no label", bytes_text(facts.size_bytes), facts.uuid)
    ]
    return [
        table(rows, ("system", "label", "size", "uuid")),
        f"  {checks}",
        *(wrapped(text, "  ", "  ") for text in facts.remarks),
    ]


def volume_json(facts: VolumeFacts) -> dict[str, object]:
    return {
        "kind": facts.kind,
        "label": facts.label,
        "uuid": facts.uuid,
        "size_bytes": facts.size_bytes,
        "block_bytes": facts.block_bytes,
        "has_checksums": facts.has_checksums,
        "remarks": list(facts.remarks),
    }
