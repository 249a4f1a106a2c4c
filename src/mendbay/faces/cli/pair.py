"""`mendbay pair`: look at how the members belong together, read them together."""

from __future__ import annotations

import sys

import click

from mendbay.core.errors import EXIT_INCOMPLETE, UsageError
from mendbay.core.quantity import bytes_text
from mendbay.faces import wording
from mendbay.faces.cli.asked_option import CUSTOMER_ASKED
from mendbay.faces.cli.caution_words import say_clicking, say_drive_cautions, say_own_time, say_unsettled
from mendbay.faces.cli.drive import (
    ALTHOUGH_HARMFUL,
    ALTHOUGH_OTHER_SERIAL,
    ALTHOUGH_REFUSED,
    ASK_NOTHING,
    PATIENCE,
    SECTOR,
)
from mendbay.faces.cli.screen import Screen, printable, table, wrapped
from mendbay.faces.cli.stakes import stakes_options
from mendbay.faces.reading_words import (
    assembled_json,
    assembled_words,
    is_complete,
    lacks,
    other_words,
    pair_json,
    together_words,
    unmatched_words,
    volume_json,
    wanted_words,
)
from mendbay.files.tree import VolumeFacts
from mendbay.imaging.hazard import Condition as DriveCondition
from mendbay.jobs.look_at_pair import look_at_pair, why_not_taken
from mendbay.jobs.looks import NOTHING_TO_JOIN, stands_alone
from mendbay.jobs.power_permit import Although, foresee_reading
from mendbay.jobs.read_drive import DriveAt, foresee_drives
from mendbay.jobs.read_pair import BrokenOff, PairResult, read_pair
from mendbay.jobs.reading_terms import assumptions, stakes_of
from mendbay.pair.assemble import Assembled
from mendbay.wiring import open_bench


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
        alone = stands_alone(bench.ledger.case(case), bench.ledger.bays(case))
    chosen, *others = candidates
    lines = [*assembled_lines(chosen), *(volume_lines(facts) if facts else ["No file system found on it."])]
    for one in others:
        why = why_not_taken(one, chosen, is_known=facts is not None)
        lines.append(wrapped(f"Not taken: {other_words(one)[0]}. {why}"))
    if alone:
        lines += [NOTHING_TO_JOIN, f"Next: {wording.called_as()} files list {case}"]
    screen.answer(
        {
            "chosen": assembled_json(chosen),
            "others": [assembled_json(one) for one in others],
            "file_system": None if facts is None else volume_json(facts),
        },
        "\n".join(lines),
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
@CUSTOMER_ASKED
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
    customer_asked: bool,
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
        although = Although(although_refused, although_harmful, although_other_serial, customer_asked)
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
    if not is_complete(result, only_wanted=only_wanted):
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
    lines = [*assembled_lines(result.assembled), ""]
    lines += [wording.read_result_text(one, is_lacking=lacks(result)) for one in result.drives]
    together = together_words(result)
    lines += [""] * bool(together) + [wrapped(one, "", "  ") for one in together]
    if wanted := wanted_words(result):
        lines += ["", wanted[0], *(f"  {one}" for one in wanted[1:])]
    lines += map(wrapped, unmatched_words(result))
    called = wording.called_as()
    lines.append(f"Next: {called} files list {case}, then {called} handback make {case} FOLDER")
    return "\n".join(lines)


def assembled_lines(one: Assembled) -> list[str]:
    """How a volume was put together, in lines."""
    first, *reasons = assembled_words(one)
    return [first, *(wrapped(text, "  ", "  ") for text in reasons)]


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
