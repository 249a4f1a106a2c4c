"""`mendbay drive`: what the record of an image says (show, refused, verify), and more images (blend)."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from mendbay.core.errors import EXIT_INCOMPLETE, ImageChanged, UsageError
from mendbay.core.proportion import interval_text
from mendbay.core.quantity import bytes_text, count_text, counted
from mendbay.core.serials import same_serial
from mendbay.faces import wording
from mendbay.faces.blend_words import agreement_words, blended_json, holds_words, unsound_words
from mendbay.faces.cli.screen import Screen, json_text, table, wrapped
from mendbay.faces.reading_words import (
    compared_words,
    difference_json,
    differences_words,
    verified_json,
    verified_words,
)
from mendbay.imaging.adapter_odds import SecondChance
from mendbay.imaging.differences import Difference
from mendbay.imaging.lacking import Lacking
from mendbay.jobs.blend_images import BlendedIn, BlendResult, blend_images
from mendbay.jobs.compare_drive import Compared
from mendbay.jobs.imaging_record import LEFT, ImagingRecord, imaging_record, lacking_csv
from mendbay.jobs.ports import Run
from mendbay.jobs.set_aside import set_aside
from mendbay.jobs.verify_image import Verified, verify_image
from mendbay.wiring import open_bench, write_new_file

RANGES_SHOWN = 40
SUFFIXES = (".csv", ".json")
"""How the name of a list may end."""
NAME_SHOWN = 18
"""Letters of an adapter's name in a table; JSON and the list have all."""

LACKING_HEAD = ("from byte", "bytes", "condition", "tries", "class", "adapter")


@click.command(name="show")
@click.argument("case", type=int)
@click.argument("bay")
@click.option("--all", "everything", is_flag=True, help="List every range that is not read.")
@click.pass_obj
def show(screen: Screen, case: int, bay: str, everything: bool) -> None:
    """Show how far the drive of BAY in CASE has been read, through what, and what stands against it."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        record = imaging_record(bench, case, bay)
    coverage = record.coverage
    lines = [
        f"Bay {bay} of case {case}: {bytes_text(coverage.size_bytes)} "
        f"in sectors of {coverage.sector_bytes} bytes",
        table(
            wording.coverage_rows(coverage, record.left), ("", "bytes", "share", "ranges"), right=(1, 2, 3)
        ),
        *_changed_lines(case, record),
        *_run_lines(record.runs),
        *_left_lines(record),
        *_lacking_lines(record, everything),
        *_difference_lines(record.differences, record),
        *_chance_lines(record.chances),
    ]
    facts = {
        "bay": bay,
        **wording.coverage_json(coverage),
        "left_bytes": record.left.total_bytes,
        "not_read": [_lacking_json(record, one) for one in record.lacking],
        "runs": [wording.run_json(one) for one in record.runs],
        "differences": [difference_json(one) for one in record.differences],
        "changed": wording.spans_json(record.changed),
        "second_chances": [_chance_json(one) for one in record.chances],
    }
    screen.answer(facts, "\n".join(lines))


@click.command(name="refused")
@click.argument("case", type=int)
@click.argument("bay")
@click.argument("path", type=click.Path(path_type=Path, dir_okay=False), required=False)
@click.pass_obj
def refused(screen: Screen, case: int, bay: str, path: Path | None) -> None:
    """List every range of BAY in CASE that is not read, with the reason for each.

    With a PATH the list is written there as a new file: as CSV, or where its name ends in .json as the JSON
    document that --json gives.
    """
    if path is not None and path.suffix.lower() not in SUFFIXES:
        raise UsageError(
            f"The name {path} does not say how the list is to be written.",
            "Let it end in .csv for a list, or in .json for a JSON document.",
        )
    with open_bench(screen.home, tell=screen.tell) as bench:
        record = imaging_record(bench, case, bay)
    found = record.lacking
    facts = {
        "case": case,
        "bay": bay,
        "sector_bytes": record.coverage.sector_bytes,
        "ranges": [_lacking_json(record, one) for one in found],
        "path": None if path is None else str(path),
    }
    if path is not None:
        as_json = path.suffix.lower() == ".json"
        made = f"{json_text(facts, indent=2)}\n".encode() if as_json else lacking_csv(record, case)
        write_new_file(path, made)
        screen.answer(facts, f"Ranges not read: {count_text(len(found))}; the list is\n{path}")
    elif not found:
        screen.answer(facts, f"Every byte of the drive of bay {bay} is read.")
    else:
        following = f"Next: {wording.called_as()} drive refused {case} {bay} LIST.csv writes it as a list."
        rows = [_lacking_row(record, one) for one in found]
        screen.answer(facts, table(rows, LACKING_HEAD, right=(0, 1, 3)) + f"\n{following}")


@click.command(name="verify")
@click.argument("case", type=int)
@click.argument("bay")
@click.option(
    "--read-again",
    default="",
    metavar="REASON",
    help="Mark what is found wrong as unread, so that it is read again; custody keeps the reason.",
)
@click.pass_obj
def verify(screen: Screen, case: int, bay: str, read_again: str) -> None:
    """Hold the image of BAY in CASE against the digests noted while it was read.

    Finds blocks that decayed or were edited since. Ends with code 26 if there are any, with 3 if part of the
    image has nothing to be held against.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        found = verify_image(bench, case, bay, read_again=read_again)
        record = imaging_record(bench, case, bay)
    screen.answer(verified_json(found), "\n".join(_verified_lines(case, found, record)))
    if not found.holds:
        sys.exit(ImageChanged.exit_code)
    if not found.is_complete:
        sys.exit(EXIT_INCOMPLETE)


@click.command(name="blend")
@click.argument("case", type=int)
@click.argument("bay")
@click.argument("images", type=click.Path(path_type=Path), nargs=-1, required=True, metavar="IMAGE...")
@click.option(
    "--although-other-case",
    default="",
    metavar="REASON",
    help="Take over although an image lies in another case's folder; custody keeps the reason.",
)
@click.pass_obj
def blend(screen: Screen, case: int, bay: str, images: tuple[Path, ...], although_other_case: str) -> None:
    """Take over into the image of BAY what other IMAGEs of the same drive hold.

    They must have been made by Mendbay, with their checkpoints beside them: at another bench, through
    another adapter, on another day. Where several hold the same, the first one counts.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        result = blend_images(bench, case, bay, images, although_other_case)
        record = imaging_record(bench, case, bay)
    screen.answer(blended_json(result), "\n".join(_blend_lines(case, result, record)))


@click.command(name="set-aside")
@click.argument("case", type=int)
@click.argument("bay")
@click.option("--reason", required=True, help="Why, in a sentence without the customer's name.")
@click.pass_obj
def aside(screen: Screen, case: int, bay: str, reason: str) -> None:
    """Set the image of BAY in CASE aside, as it is of another drive; then the right one can be read.

    Image and checkpoint are moved together to a name of their own in the case's folder, and story and custody
    tell it. Nothing is deleted: drive blend can take over from it. What the bay had from that drive alone, no
    label saying it, is cleared.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        done = set_aside(bench, case, bay, reason)
    called = wording.called_as()
    lines = [f"The image of bay {bay} is kept as", done.name]
    if done.image_serial and same_serial(done.bay.serial, done.image_serial):
        label = shlex.quote(f"{bay}={done.bay.model}/SERIAL")
        lines += [
            wrapped(f"Bay {bay} is still noted as {done.bay.serial}. If its label says otherwise:", hang=""),
            f"{called} case bay {case} {label} --amend",
        ]
    lines.append(f"Next: {called} drive read {case} {bay} /dev/sdX")
    facts = {"case": case, "bay": bay, "set_aside": done.name, "image_serial": done.image_serial or None}
    screen.answer(facts, "\n".join(lines))


# ---------------------------------------------------------------------- in words


def _named(adapter: str) -> str:
    return adapter if len(adapter) <= NAME_SHOWN else f"{adapter[: NAME_SHOWN - 1]}…"


def _run_lines(runs: Sequence[Run]) -> list[str]:
    rows = [
        (
            str(run.number),
            run.started_at[:10],
            count_text(run.given_bytes),
            count_text(run.refused_reads),
            _named(run.bench or "not noted"),
            _named(run.adapter),
        )
        for run in runs
    ]
    head = ("run", "day", "bytes given", "refusals", "bench", "adapter")
    return ["", table(rows, head, right=(0, 2, 3))] if rows else []


def _changed_lines(case: int, record: ImagingRecord) -> list[str]:
    if not record.changed:
        return []
    found = (
        f"{count_text(record.changed.total_bytes)} bytes of the image were no longer what the drive gave "
        "when it was last hashed: the image has no SHA-256."
    )
    called = wording.called_as()
    return ["", wrapped(found, hang=""), f"Next: {called} drive verify {case} {record.bay}"]


def _left_lines(record: ImagingRecord) -> list[str]:
    return ["", wrapped(wording.left_words(record.left), hang="")] if record.left else []


def _lacking_row(record: ImagingRecord, one: Lacking) -> tuple[str, ...]:
    if record.condition_of(one) == LEFT:
        return count_text(one.span.start), count_text(one.span.length), LEFT, "", "", "the other half"
    return (
        count_text(one.span.start),
        count_text(one.span.length),
        str(one.condition),
        str(one.tries or ""),
        str(one.trouble or ""),
        _named(one.adapter),
    )


def _lacking_lines(record: ImagingRecord, everything: bool) -> list[str]:
    """The ranges that are not read; what was left to the other half only if everything is asked for."""
    found = [one for one in record.lacking if everything or record.condition_of(one) != LEFT]
    shown = found if everything else found[:RANGES_SHOWN]
    if not shown:
        return []
    lines = ["", table([_lacking_row(record, one) for one in shown], LACKING_HEAD, right=(0, 1, 3))]
    if len(shown) < len(found):
        lines.append(f"... and {count_text(len(found) - len(shown))} ranges more; --all lists them.")
    return lines


def _difference_lines(found: Sequence[Difference], record: ImagingRecord) -> list[str]:
    if not found:
        return []
    lines = ["", *(wrapped(one, hang="") for one in differences_words(found))]
    rows = [
        (
            count_text(one.span.start),
            count_text(one.span.length),
            f"{one.first_run} {_named(record.adapter(one.first_run))}",
            f"{one.second_run} {_named(record.adapter(one.second_run))}",
        )
        for one in found[:RANGES_SHOWN]
    ]
    lines.append(table(rows, ("from byte", "bytes", "first run", "other run"), right=(0, 1)))
    if len(rows) < len(found):
        lines.append(f"... and {count_text(len(found) - len(rows))} more; --json lists them.")
    return lines


def _chance_lines(chances: Sequence[SecondChance]) -> list[str]:
    said = [
        wrapped(
            f"Of {counted(one.asked, 'sector')} that {one.refused_through} refused, {one.given_through} gave "
            f"{count_text(one.given)} later ({interval_text(one.share.interval)})."
        )
        for one in chances
    ]
    return ["", *said] if said else []


def _verified_lines(case: int, found: Verified, record: ImagingRecord) -> list[str]:
    lines = list(map(wrapped, verified_words(found)))
    if found.wrong:
        rows = [
            (
                count_text(one.span.start),
                count_text(one.span.length),
                "changed" if one.is_readable else "its disk does not give it",
                one.read_at[:10],
                _named(one.adapter),
            )
            for one in found.wrong[:RANGES_SHOWN]
        ]
        lines += [
            f"{counted(len(found.wrong), 'block')} no longer what the drive gave:",
            table(rows, ("from byte", "bytes", "now", "read on", "adapter"), right=(0, 1)),
        ]
        if len(rows) < len(found.wrong):
            lines.append(f"... and {count_text(len(found.wrong) - len(rows))} more; --json lists them.")
        lines += _after_wrong(case, found)
    return [*lines, *_difference_lines(found.differences, record)]


def compared_lines(found: Compared, record: ImagingRecord) -> list[str]:
    """What a second reading of a drive showed."""
    lines = [wrapped(one, hang="") if one.startswith("M") else one for one in compared_words(found, record)]
    return [*lines, *_difference_lines(found.differences, record)]


def _after_wrong(case: int, found: Verified) -> list[str]:
    called = wording.called_as()
    if found.doubted_bytes:
        marked = f"{count_text(found.doubted_bytes)} bytes are marked unread again."
        return [marked, f"Next: {called} drive read {case} {found.bay} SOURCE"]
    return [
        "Check the disk the image lies on, and who had access to it.",
        f'Next: {called} drive verify {case} {found.bay} --read-again "REASON"',
    ]


def _blend_lines(case: int, result: BlendResult, record: ImagingRecord) -> list[str]:
    lines: list[str] = []
    for one in result.images:
        lines += [f"{count_text(one.taken_bytes)} bytes taken over from", one.other, *_compared_lines(one)]
    lines.append(holds_words(result))
    found = [each for one in result.images for each in one.differences]
    return [*lines, *_changed_lines(case, record), *_difference_lines(found, record)]


def _compared_lines(one: BlendedIn) -> list[str]:
    told = [wrapped(one.serials, "  ", "")] if one.serials else []
    return [*told, *_agreement_lines(one)]


def _agreement_lines(one: BlendedIn) -> list[str]:
    lines = [f"  {part}" for part in agreement_words(one)]
    return [*lines, wrapped(unsound_words(one), "  ", "")] if one.unsound and one.compared_bytes else lines


# ---------------------------------------------------------------------- for programs


def _lacking_json(record: ImagingRecord, one: Lacking) -> dict[str, Any]:
    return {
        "start": one.span.start,
        "stop": one.span.stop,
        "condition": record.condition_of(one),
        "tries": one.tries,
        "trouble": None if one.trouble is None else str(one.trouble),
        "error": one.error or None,
        "last_tried_at": one.at or None,
        "adapter": one.adapter or None,
        "celsius": one.celsius,
    }


def _chance_json(one: SecondChance) -> dict[str, Any]:
    low, high = one.share.interval
    return {
        "refused_through": one.refused_through,
        "given_through": one.given_through,
        "given": one.given,
        "asked": one.asked,
        "low": low,
        "high": high,
    }
