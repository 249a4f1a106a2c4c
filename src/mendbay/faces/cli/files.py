"""`mendbay files`: list with verdicts, show one file with its thread of evidence."""

from __future__ import annotations

import re
import sys

import click

from mendbay.core.clock import iso_from_epoch
from mendbay.core.errors import EXIT_INCOMPLETE
from mendbay.core.quantity import bytes_text, count_text, counted, grouped_bytes
from mendbay.core.span import Span
from mendbay.faces import wording
from mendbay.faces.cli.screen import Screen, printable, table, wrapped
from mendbay.faces.cli.take_in_words import authority_warning
from mendbay.faces.reading_words import assembled_json, volume_json
from mendbay.files.tree import Kind
from mendbay.files.verdict import Verdict
from mendbay.jobs.authority import concern
from mendbay.jobs.list_files import FileDetail, FileLine, Listing, list_files, show_file, told_reasons
from mendbay.jobs.volume import explanation, part_of_stripe
from mendbay.wiring import open_bench

HIDDEN_SHOWN = 10


@click.group(name="files")
def command() -> None:
    """List what is on the volume, with a verdict for each file."""


@command.command(name="list")
@click.argument("case", type=int)
@click.argument("patterns", nargs=-1)
@click.option("--bay", "bays", multiple=True, metavar="BAY", help="Only the drive of this bay; repeat it.")
@click.option("--damaged", is_flag=True, help="Only files that are not whole.")
@click.option("--nameless", is_flag=True, help="Also search for files that no folder leads to any more.")
@click.pass_obj
def list_(
    screen: Screen, case: int, patterns: tuple[str, ...], bays: tuple[str, ...], damaged: bool, nameless: bool
) -> None:
    """List the files of CASE that match any of PATTERNS (all without one)."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        names = [_raw(one).decode("utf-8", "surrogateescape") for one in patterns]
        listing = list_files(bench, case, names, nameless=nameless, bays=bays)
        unsettled = concern(bench, case)
    lines = [
        line
        for line in listing.lines
        if not damaged or (line.judgement is not None and line.judgement.verdict is not Verdict.WHOLE)
    ]
    screen.answer(
        {
            "pair": assembled_json(listing.assembled),
            "file_system": volume_json(listing.facts),
            "verdicts": {str(word): listing.verdicts.get(word, 0) for word in Verdict},
            "hidden": list(listing.hidden),
            "unread_bytes": dict(listing.unread),
            "uncompared_bytes": listing.uncompared_bytes,
            "files": [wording.file_json(line) for line in lines],
            "authority_concern": unsettled or None,
        },
        _listing_text(listing, lines, case),
    )
    screen.warn(authority_warning(unsettled, case))
    damage = (Verdict.HOLED, Verdict.LOST, Verdict.UNPROVEN)
    if listing.hidden or any(listing.verdicts.get(word, 0) for word in damage):
        sys.exit(EXIT_INCOMPLETE)


def _listing_text(listing: Listing, lines: list[FileLine], case: int) -> str:
    rows = []
    for line in sorted(lines, key=lambda one: one.entry.path.split(b"/")):
        entry, judgement = line.entry, line.judgement
        word = str(judgement.verdict if judgement else entry.kind)
        size = ""
        if entry.kind is Kind.FILE:
            size = count_text(entry.size_bytes) if entry.is_described else "unknown"
        rows.append((word, size, iso_from_epoch(entry.modified_at)[:10], _named(line)))
    counts = ", ".join(f"{count_text(listing.verdicts.get(word, 0))} {word}" for word in Verdict)
    text = table(rows, ("", "bytes", "changed", "path"), right=(1,)) if rows else "Nothing to list."
    half = part_of_stripe(listing.assembled)
    out = [*([f"{wrapped(half)}\n"] if half else ()), f"{text}\n", f"Files listed: {counts}."]
    out += [wrapped(one) for one in listing.hidden[:HIDDEN_SHOWN]]
    out += [
        wrapped(f"Bay {bay}: {bytes_text(count)} have not been asked for yet; reading on may bring more.")
        for bay, count in listing.unread.items()
        if count
    ]
    if listing.uncompared_bytes:
        out.append(
            wrapped(
                f"{bytes_text(listing.uncompared_bytes)} that both halves of the mirror gave are NOT "
                "compared: a file may still turn out to differ. files show compares one file, handback make "
                "all it copies."
            )
        )
    told = [one for one in explanation(listing.assembled) if "NO part" in one]
    out += [wrapped(one) for one in told]
    return "\n".join([*out, f"Next: {wording.called_as()} handback make {case} FOLDER"])


def _named(line: FileLine) -> str:
    """A path, with what is wrong with it in a line of its own below."""
    entry, judgement = line.entry, line.judgement
    name = printable(entry.path) + ("/" if entry.kind is Kind.FOLDER else "")
    if entry.kind is Kind.LINK:
        name += f" -> {printable(entry.link_target or b'')}"
    troubles = list(entry.problems)
    if judgement is not None and (judgement.gaps or judgement.older or judgement.doubts):
        said = wording.verdict_text(judgement, entry.size_bytes)
        troubles.insert(0, said.removeprefix(f"{judgement.verdict}, "))
    return "\n      ".join([name, *map(grouped_bytes, troubles)])


@command.command(name="show")
@click.argument("case", type=int)
@click.argument("path")
@click.option("--bay", "bays", multiple=True, metavar="BAY", help="Only the drive of this bay; repeat it.")
@click.pass_obj
def show(screen: Screen, case: int, path: str, bays: tuple[str, ...]) -> None:
    """Show one file of CASE: its verdict, and where every byte of it came from."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        detail = show_file(bench, case, _raw(path), bays)
        unsettled = concern(bench, case)
    facts = {**_detail_json(detail), "authority_concern": unsettled or None}
    screen.answer(facts, _detail_text(detail))
    screen.warn(authority_warning(unsettled, case))


def _raw(path: str) -> bytes:
    r"""The raw path meant by a text: `\xNN` stands for the byte NN, as listings show it."""
    raw = path.encode("utf-8", "surrogateescape")
    return re.sub(rb"\\x([0-9a-fA-F]{2})", lambda found: bytes([int(found[1], 16)]), raw)


def _detail_text(detail: FileDetail) -> str:
    entry, judgement = detail.line.entry, detail.line.judgement
    size, changed = "size unknown", "unknown"
    if entry.is_described:
        size = counted(detail.layout.size_bytes, "byte")
        changed = iso_from_epoch(entry.modified_at) or "never"
    lines = [
        f"{printable(entry.path)}: {entry.kind}, {size}, inode {entry.inode}",
        f"  changed {changed}; description proven by: {entry.proof}",
    ]
    if judgement is not None:
        lines.append(f"  verdict: {wording.verdict_text(judgement, detail.layout.size_bytes)}")
        lines += [wrapped(reason, "  ", "  ") for reason in told_reasons(detail)]
        lines += [f"  missing: {_range(gap.span)}, {gap.why}" for gap in judgement.gaps]
        lines += [f"  may be older: {_range(span)}" for span in judgement.older]
        lines += [f"  in doubt: {_range(one.span)}, {one.mark}" for one in judgement.doubts]
    if detail.pieces:
        rows = [
            (
                count_text(piece.origin.span.start),
                count_text(piece.origin.span.length),
                piece.origin.bay,
                count_text(piece.origin.at.start),
                str(piece.run),
                piece.adapter,
                str(piece.origin.mark or ""),
            )
            for piece in detail.pieces
        ]
        head = ("file byte", "bytes", "bay", "drive byte", "run", "adapter", "mark")
        lines += ["", table(rows, head, right=(0, 1, 3, 4))]
    return "\n".join(lines)


def _range(span: Span) -> str:
    return f"bytes {count_text(span.start)} to {count_text(span.stop)}"


def _detail_json(detail: FileDetail) -> dict[str, object]:
    return {
        **wording.file_json(detail.line),
        "pieces": [
            {
                "start": piece.origin.span.start,
                "stop": piece.origin.span.stop,
                "bay": piece.origin.bay,
                "drive_start": piece.origin.at.start,
                "run": piece.run,
                "adapter": piece.adapter,
                "mark": None if piece.origin.mark is None else str(piece.origin.mark),
            }
            for piece in detail.pieces
        ],
    }
