"""`mendbay pair`: look at how the members belong together, read them together."""

from __future__ import annotations

import sys

import click

from mendbay.core.errors import EXIT_INCOMPLETE, UsageError
from mendbay.core.quantity import bytes_text, count_text
from mendbay.faces import wording
from mendbay.faces.cli.caution_words import say_clicking, say_drive_cautions, say_own_time, say_unsettled
from mendbay.faces.cli.drive import (
    ALTHOUGH_HARMFUL,
    ALTHOUGH_OTHER_SERIAL,
    ALTHOUGH_REFUSED,
    ASK_NOTHING,
    PATIENCE,
    SECTOR,
    assumptions,
)
from mendbay.faces.cli.screen import Screen, printable, table, wrapped
from mendbay.faces.cli.stakes import stakes_of, stakes_options
from mendbay.files.tree import VolumeFacts
from mendbay.files.wanted import seems_several
from mendbay.imaging.hazard import Condition as DriveCondition
from mendbay.jobs.look_at_pair import look_at_pair
from mendbay.jobs.power_permit import Although, foresee_reading
from mendbay.jobs.read_drive import DriveAt, foresee_drives
from mendbay.jobs.read_pair import BrokenOff, PairResult, read_pair
from mendbay.jobs.task_advice import TaskAdvice, task_words
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
    with open_bench(screen.home, tell=screen.tell) as bench:
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
    "--want",
    "patterns",
    multiple=True,
    metavar="PATTERN",
    help="Read these files first; one pattern each, repeat it.",
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
@click.option(
    "--condition",
    "conditions",
    multiple=True,
    metavar="BAY=WORD",
    help="What a drive is like: healthy, refuses or clicks. The worse one is spared what the other gives.  "
    "[default: as said last; clicks if triage keeps it without power; else refuses]",
)
@click.option(
    "--both-whole",
    is_flag=True,
    help="Read both halves of a mirror whole, not each place from one of them, and compare them at the end.",
)
@click.option(
    "--waive-unallocated",
    is_flag=True,
    help="Leave what the file system says is free. Without it what was left before is read too.",
)
@SECTOR
@ASK_NOTHING
@stakes_options
@ALTHOUGH_REFUSED
@ALTHOUGH_HARMFUL
@ALTHOUGH_OTHER_SERIAL
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
    conditions: tuple[str, ...],
    both_whole: bool,
    waive_unallocated: bool,
    sector_bytes: str,
    ask_nothing: bool,
    worth: str | None,
    bench_hour: str | None,
    head_work_gives: float,
    although_refused: str,
    although_harmful: str,
    although_other_serial: str,
) -> None:
    """Read the drives of CASE together: descriptions, wanted files, then the rest.

    Each BAY=SOURCE names a drive, such as 1=/dev/sdb 2=/dev/sdc. A pattern is a name such as '*.xlsx',
    a path such as 'photos/**', or the word metadata for the descriptions of all files. Without --want
    the wishes noted in the case are used; whoever changes those meanwhile (case tell CASE wanted ...)
    changes what is read next.

    The halves of a mirror in step are read as one task: each place from the drive that gives it with less
    harm, a sample from both to see that they are alike. Of a bay that is left out, the image in the case
    counts as that half: only what it lacks is read.

    A drive that vanishes is brought back by the relay that settings/power.toml names, or by you when asked.
    While it reads, and at the end, it is said whether going on is worth the risk, of each drive, and of the
    halves of a mirror together. --worth and --bench-hour are of the whole reading: the worth of a mirror
    counts once, and drives that are read at once share the hour. Nothing is stopped for that.
    """
    hung = dict(_pairs(adapters, "--adapter 1=NAME"))
    named = _pairs(sources, "1=/dev/sdX")
    states = {bay: _condition(word) for bay, word in _pairs(conditions, "--condition 1=clicks")}
    _refuse_strange(named, (*hung, *states))
    drives = [
        DriveAt(bay, where, hung.get(bay, ""), not ask_nothing, states.get(bay)) for bay, where in named
    ]
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
        although = Although(although_refused, although_harmful, although_other_serial)
        foresee_drives(bench, case, named)
        foresee_reading(bench, case, [drive.bay for drive in drives], although)
        say_unsettled(screen, bench, case)
        say_drive_cautions(screen, bench, [where for _, where in named], case, [bay for bay, _ in named])
        say_clicking(screen, bench, case, states)
        say_own_time(screen, bench, [where for _, where in named])
        result = read_pair(
            bench,
            case,
            drives,
            patterns,
            rest=not only_wanted,
            seconds=seconds,
            both_whole=both_whole,
            waive_unallocated=waive_unallocated,
            although=although,
            broken_off=lambda found: screen.say(broken_off_text(found, case)),
        )
    screen.answer(pair_json(result), pair_text(result, case))
    if only_wanted:
        complete = all(line.judgement is None or line.judgement.verdict == "whole" for line in result.wanted)
    else:
        complete = not (result.missing_bytes or result.alone_bytes)
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


def _condition(word: str) -> DriveCondition:
    try:
        return DriveCondition(word)
    except ValueError:
        words = ", ".join(DriveCondition)
        raise UsageError(f"'{word}' is no condition of a drive.", f"Say one of {words}.") from None


def _refuse_strange(named: list[tuple[str, str]], bays: tuple[str, ...]) -> None:
    """An option for a bay that is not read would otherwise be lost without a word."""
    known = [bay for bay, _ in named]
    for bay in bays:
        if bay not in known:
            raise UsageError(
                f"An option speaks of bay {bay}, but no drive was given for it.",
                f"Given were drives for bay {' and bay '.join(known)}.",
            )


def broken_off_text(found: BrokenOff, case: int) -> str:
    """What reading the drives together came to before it broke off."""
    if found.together is not None:
        return pair_text(found.together, case)
    return "\n".join(map(wording.read_result_text, found.drives))


def pair_text(result: PairResult, case: int) -> str:
    """What reading the drives together came to."""
    together = result.compared is not None or result.assembled.halves_in_step
    is_lacking = bool(result.missing_bytes or result.alone_bytes or not together)
    lines = [*assembled_lines(result.assembled), ""]
    lines += [wording.read_result_text(one, is_lacking=is_lacking) for one in result.drives]
    lines += _together_lines(result)
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
    lines += [wrapped(f"No file matches '{printable(one.encode())}'.") for one in result.unmatched]
    lines += [wrapped(wording.several_hint(one)) for one in result.unmatched if seems_several(one)]
    called = wording.called_as()
    lines.append(f"Next: {called} files list {case}, then {called} handback make {case} FOLDER")
    return "\n".join(lines)


def _together_lines(result: PairResult) -> list[str]:
    """What two halves gave together, and whether they are alike; nothing for drives read by themselves."""
    compared, halves = result.compared, result.halves
    if compared is None and not result.assembled.halves_in_step:
        return []
    lines = []
    if halves is not None and halves.apart:
        lines.append(
            f"The halves DIFFER in {count_text(halves.apart.total_bytes)} bytes "
            f"({wording.counted(len(halves.apart), 'range')}) where they should be the same. Which one is "
            "right, only the files can tell: look at those that are not whole before they are handed back."
        )
    elif halves is not None:
        lines.append(
            f"Both halves were read and compared: {bytes_text(halves.compared_bytes)} came from both and are "
            "the same."
        )
    elif compared is None:
        lines.append("The halves are NOT compared yet: that comes once everything was tried.")
    elif compared.differ_at is not None:
        lines.append(
            "The halves DIFFER where they should be the same; both were read whole. Which one is right, only "
            "the files can tell: look at them before they are handed back."
        )
    elif compared.compared_bytes:
        lines.append(
            f"Read as one task. {bytes_text(compared.compared_bytes)} were read from both halves and are the "
            "same."
        )
    if result.missing_bytes:
        lines.append(f"Neither half gave {count_text(result.missing_bytes)} bytes.")
    else:
        lines.append("Together the halves gave every byte.")
    if result.alone_bytes:
        lines.append(
            f"{count_text(result.alone_bytes)} bytes were given by one half alone; as the halves differ, "
            "nothing proves them."
        )
    if result.advice is not None:
        lines.append(task_words(result.advice))
    return ["", *(wrapped(one, "", "  ") for one in lines)]


def pair_json(result: PairResult) -> dict[str, object]:
    return {
        "pair": assembled_json(result.assembled),
        "drives": [wording.read_result_json(one) for one in result.drives],
        "wanted": [wording.file_json(line) for line in result.wanted],
        "read_first_bytes": dict(result.wanted_bytes),
        "unmatched": list(result.unmatched),
        "missing_bytes": result.missing_bytes,
        "alone_bytes": result.alone_bytes,
        "one_task": None
        if result.compared is None
        else {
            "compared_bytes": result.compared.compared_bytes,
            "differ": result.compared.differ_at is not None,
            "advice": None if result.advice is None else _task_advice_json(result.advice),
        },
        "halves": None
        if result.halves is None
        else {
            "compared_bytes": result.halves.compared_bytes,
            "differing_bytes": result.halves.apart.total_bytes,
        },
    }


def _task_advice_json(one: TaskAdvice) -> dict[str, object]:
    return {
        "go_on": dict(one.go_on),
        "seconds": one.seconds,
        "brings_bytes": one.brings_bytes,
        "lacking_bytes": one.lacking_bytes,
        "refusals": one.refusals,
        "dies": dict(one.dies),
        "all_die": one.all_die,
        "bench": None if one.bench is None else one.bench.text,
        "gain": None if one.gain is None else one.gain.text,
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
