"""Records in the words of the bench, for every face. No logic: what is said here was decided elsewhere."""

from __future__ import annotations

import os
import textwrap
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from mendbay.core import quantity
from mendbay.core.capacity import advertised
from mendbay.core.quantity import bytes_text, count_text, percent_text

if TYPE_CHECKING:
    from mendbay.core.coverage import Coverage
    from mendbay.core.source import Gap, Identity
    from mendbay.core.span import Span, SpanSet
    from mendbay.files.verdict import Judgement
    from mendbay.imaging.going_on import Advice
    from mendbay.jobs.certify_rom import KeptCertificate
    from mendbay.jobs.drives_at_hand import Offered
    from mendbay.jobs.list_files import FileLine
    from mendbay.jobs.ports import DriveAtHand, Run
    from mendbay.jobs.read_drive import ReadResult


def counted(number: int, one: str) -> str:
    """`1 file`, `2 files`."""
    return quantity.counted(number, one)


def called_as() -> str:
    """How the person calls Mendbay, so that what a message tells them to type works as it stands."""
    return os.environ.get("MENDBAY_CALLED_AS", "mendbay")


def drive_name(identity: Identity) -> str:
    """What a drive calls itself, as far as it does."""
    parts = [identity.model, identity.serial and f"serial {identity.serial}"]
    return " ".join(part for part in parts if part) or "no model or serial number known"


def identity_lines(identity: Identity) -> list[str]:
    """What is known of a drive without reading a sector of it."""
    sectors = identity.size_bytes // identity.sector_bytes
    lines = [
        f"{identity.kind} {identity.name}: {drive_name(identity)}",
        f"{count_text(identity.size_bytes)} bytes ({bytes_text(identity.size_bytes)}), "
        f"{count_text(sectors)} sectors of {identity.sector_bytes} bytes",
    ]
    if identity.physical_bytes > identity.sector_bytes:
        lines.append(f"written in physical sectors of {identity.physical_bytes} bytes")
    lines.append(advertised(identity.size_bytes, identity.sector_bytes).sentence)
    return lines


def at_hand_words(one: DriveAtHand) -> str:
    """A drive at hand in a line: where it is, how large, what it calls itself, how it is connected."""
    parts = [
        bytes_text(one.size_bytes) if one.size_bytes else "no size",
        one.model,
        one.serial and f"serial {one.serial}",
        one.way,
    ]
    return f"{one.where}: {', '.join(part for part in parts if part)}"


def offered_json(one: Offered) -> dict[str, Any]:
    """A drive at hand, for programs."""
    return {
        "where": one.drive.where,
        "size_bytes": one.drive.size_bytes,
        "model": one.drive.model,
        "serial": one.drive.serial,
        "way": one.drive.way,
        "uses": list(one.drive.uses),
        "against": one.against or None,
        "bay": one.bay or None,
    }


def coverage_rows(coverage: Coverage, left: SpanSet) -> list[tuple[str, str, str, str]]:
    """A row for each condition: word, bytes, share of the drive, number of ranges.

    Args:
        left: what was left to the other half of a mirror: it has a row of its own, and is not unread.
    """
    from mendbay.core.coverage import Condition  # arrays: few words need them

    spans = {
        str(Condition.READ): coverage.read,
        str(Condition.REFUSED): coverage.refused,
        str(Condition.UNREAD): coverage.unread - left,
        str(Condition.WAIVED): coverage.waived,
        **({LEFT_WORDS: left} if left else {}),
    }
    return [
        (
            one,
            count_text(spans[one].total_bytes),
            percent_text(spans[one].total_bytes, coverage.size_bytes),
            count_text(len(spans[one])),
        )
        for one in spans
    ]


LEFT_WORDS = "left to the other half"
"""What a drive was not asked for because the other half of a mirror gave it, wherever it is told of."""


def left_words(left: SpanSet) -> str:
    """What it means that bytes of a drive were left to the other half of a mirror."""
    return (
        f"Left to the other half of the mirror, which gave them: {count_text(left.total_bytes)} bytes "
        f"({counted(len(left), 'range')}). Nothing is to be done about them."
    )


def several_hint(pattern: str) -> str:
    """How to say what one pattern with blanks in it may have meant."""
    return (
        f"'{pattern}' is ONE pattern, with blanks in it. Several are given one by one, each with its --want."
    )


def one_pattern_hint(pattern: str) -> str:
    """The same where several are told as one answer."""
    return f"'{pattern}' is ONE pattern, with blanks in it. Several are written with commas between."


def read_result_text(result: ReadResult, *, is_lacking: bool = True) -> str:
    """What one reading of a drive came to, in lines.

    Args:
        is_lacking: as in `read_result_words`.
    """
    first, *others = read_result_words(result, is_lacking=is_lacking, typed=True)
    lines = [first]
    for one in others:  # the path of the image stays whole
        lines += [f"  {one}"] if one.startswith(_IMAGE) else _indented(one)
    return "\n".join(lines)


_IMAGE = "image: "


def read_result_words(result: ReadResult, *, is_lacking: bool = True, typed: bool = False) -> list[str]:
    """What one reading of a drive came to: how far it is, then what there is to say of it.

    Args:
        is_lacking: whether any of what this drive did not give is still to be had for nothing else.
        typed: for a person who types commands rather than fills in a form.
    """
    say = _TYPED if typed else _FILLED_IN
    again = say["again, all of it"] if result.only_wanted else say["again"]
    size = result.identity.size_bytes
    missing = size - result.read_bytes - result.left_bytes
    lines = [
        f"Bay {result.bay}: {percent_text(result.read_bytes, size)} of {bytes_text(size)} read"
        + (f", {percent_text(result.left_bytes, size)} {LEFT_WORDS}" if result.left_bytes else "")
        + (f", {count_text(missing)} bytes not" if missing else "")
        + f"; {result.ended}."
    ]
    if result.refused_bytes:
        sectors = result.refused_bytes // result.identity.sector_bytes
        lines.append(f"refused: {counted(sectors, 'sector')}")
        if is_lacking and not result.unread_bytes and not _is_stop_advised(result):
            lines.append(say["refused"])
        lines += _worth_trying_words(result)
    if result.left_bytes:
        lines.append(
            f"left to the other half of the mirror, which gave them: {bytes_text(result.left_bytes)}"
        )
    if result.unread_bytes:
        lines.append(f"unread: {bytes_text(result.unread_bytes)}; {again} goes on with it.")
    if result.waived_bytes:
        lines.append(
            f"waived: {bytes_text(result.waived_bytes)} that the file system says are free were left on "
            f"purpose; {say['waived'].format(program=called_as())} reads them."
        )
    if result.sha256:
        lines.append(f"SHA-256: {result.sha256}")
    if result.changed_bytes:
        lines += [
            f"NO LONGER what the drive gave: {count_text(result.changed_bytes)} bytes of the image;",
            "it has no SHA-256, and drive verify says where.",
        ]
    lines.append(f"{_IMAGE}{result.image}")
    return lines + _advice_words(result)


_TYPED = {
    "again": "the same command",
    "again, all of it": "the same command without --only-wanted",
    "refused": "(To ask for them again: more --tries, or another --adapter. A run without --adapter may have "
    "been through any, so what it tried counts as tried through each.)",
    "waived": "{program} pair read without --waive-unallocated",
}
_FILLED_IN = {
    "again": "the same reading, begun again,",
    "again, all of it": "the same reading, begun again for all and not only for what is wanted,",
    "refused": "To ask for them again: allow more tries, or hang the drive on another adapter and name it. A "
    "reading for which no adapter was named may have been through any, so what it tried counts as tried "
    "through each.",
    "waived": "reading the drives together without leaving that out",
}
"""What a reading can be told next, as it is said where it is typed and where it is filled in."""


def _is_stop_advised(result: ReadResult) -> bool:
    """Whether stopping was recommended while it was read, or is at the end."""
    advice = result.advice
    return advice.stop is not None or (advice.last is not None and not advice.last.go_on)


def _worth_trying_words(result: ReadResult) -> list[str]:
    if not result.worth_trying:
        return []
    from mendbay.jobs.adapters_tried import worth_trying_words

    return [worth_trying_words(one) for one in result.worth_trying]


def _advice_words(result: ReadResult) -> list[str]:
    from mendbay.jobs.stop_advice import given_words

    words = given_words(result.advice)
    return [words] if words else []


def advice_json(one: Advice | None) -> dict[str, Any] | None:
    """An advice to go on or to stop; shares of what is still wanted."""
    if one is None:
        return None
    return {
        "go_on": one.go_on,
        "seconds": one.seconds,
        "brings": one.brings,
        "refusals": one.refusals,
        "dies": one.dies,
        "risks": one.risks,
        "costs": one.costs,
        "lacking": one.lacking,
        "head_work_gives": one.head_work_gives,
        "brings_bytes": one.brings_bytes,
        "lacking_bytes": one.lacking_bytes,
        "bench": None if one.bench is None else one.bench.text,
        "gain": None if one.gain is None else one.gain.text,
    }


def _indented(text: str) -> list[str]:
    return textwrap.wrap(text, 80, initial_indent="  ", subsequent_indent="  ", break_on_hyphens=False)


def verdict_text(judgement: Judgement, size_bytes: int) -> str:
    """A verdict with the number behind it."""
    from mendbay.core.span import SpanSet

    missing = SpanSet(gap.span for gap in judgement.gaps).total_bytes
    if missing:
        return f"{judgement.verdict}, {count_text(missing)} of {count_text(size_bytes)} bytes missing"
    if judgement.older:
        return f"{judgement.verdict}, {count_text(judgement.older.total_bytes)} bytes may be older"
    doubted = SpanSet(one.span for one in judgement.doubts).total_bytes
    if doubted:
        return f"{judgement.verdict}, {count_text(doubted)} bytes in doubt"
    return str(judgement.verdict)


def span_json(span: Span) -> list[int]:
    return [span.start, span.stop]


def spans_json(spans: Iterable[Span]) -> list[list[int]]:
    return [span_json(span) for span in spans]


def gaps_json(gaps: Iterable[Gap]) -> list[dict[str, Any]]:
    return [{"start": gap.span.start, "stop": gap.span.stop, "why": str(gap.why)} for gap in gaps]


def identity_json(identity: Identity) -> dict[str, Any]:
    return {
        "kind": identity.kind,
        "name": identity.name,
        "model": identity.model,
        "serial": identity.serial,
        "size_bytes": identity.size_bytes,
        "sector_bytes": identity.sector_bytes,
        "physical_bytes": identity.physical_bytes,
    }


def coverage_json(coverage: Coverage) -> dict[str, Any]:
    from mendbay.core.coverage import Condition

    return {
        "size_bytes": coverage.size_bytes,
        "sector_bytes": coverage.sector_bytes,
        **{
            f"{one}_bytes": coverage.total_bytes(one)
            for one in (Condition.READ, Condition.REFUSED, Condition.UNREAD, Condition.WAIVED)
        },
        "not_read": [
            {
                "start": one.span.start,
                "stop": one.span.stop,
                "condition": str(one.condition),
                "tries": one.tries,
            }
            for one in coverage.stretches()
            if one.condition is not Condition.READ
        ],
    }


def run_json(run: Run) -> dict[str, Any]:
    return {
        "run": run.number,
        "adapter": run.adapter,
        "bench": run.bench or None,
        "source": run.source,
        "started_at": run.started_at,
        "ended_at": run.ended_at or None,
        "given_bytes": run.given_bytes,
        "refused_reads": run.refused_reads,
        "taken_from": run.taken_from or None,
    }


def read_result_json(result: ReadResult) -> dict[str, Any]:
    return {
        "bay": result.bay,
        "ending": result.ending.name.lower(),
        "drive": identity_json(result.identity),
        "image": result.image,
        "read_bytes": result.read_bytes,
        "refused_bytes": result.refused_bytes,
        "unread_bytes": result.unread_bytes,
        "waived_bytes": result.waived_bytes,
        "left_bytes": result.left_bytes,
        "sha256": result.sha256 or None,
        "changed_bytes": result.changed_bytes,
        "worth_trying": [
            {
                "adapter": one.adapter or None,
                "sectors": one.sectors,
                "expected": round(one.expected, 2),
                "given": one.given,
                "asked": one.asked,
            }
            for one in result.worth_trying
        ],
        "advice": {
            "at_end": advice_json(result.advice.last),
            "stop_after_seconds": result.advice.stopped_at,
            "stop": advice_json(result.advice.stop),
        },
    }


def file_json(line: FileLine) -> dict[str, Any]:
    entry, judgement = line.entry, line.judgement
    found: dict[str, Any] = {
        "path": entry.path.decode("utf-8", "replace"),
        "raw_path_hex": entry.path.hex(),
        "kind": str(entry.kind),
        "size_bytes": entry.size_bytes if entry.is_described else None,
        "inode": entry.inode,
        "proof": str(entry.proof),
        "problems": list(entry.problems),
    }
    if entry.link_target is not None:
        found["link_target_hex"] = entry.link_target.hex()
    if judgement is not None:
        found |= {
            "verdict": str(judgement.verdict),
            "gaps": gaps_json(judgement.gaps),
            "other_half": spans_json(judgement.other_half),
            "older": spans_json(judgement.older),
            "doubts": [
                {"start": one.span.start, "stop": one.span.stop, "why": str(one.mark)}
                for one in judgement.doubts
            ],
            "reasons": list(judgement.reasons),
        }
    return found


def certificate_words(one: KeptCertificate) -> str:
    """A kept certificate in a sentence, with what became known of its reads since."""
    what = "ROM transfer" if one.purpose == "transfer" else "backup put back"
    gone = f" DO NOT RELY ON IT: reads it rests on were withdrawn since: {one.withdrawn.rstrip('.')}."
    return f"Certificate of the {what}, {one.certified_at}.{gone if one.withdrawn else ''}"


def certificate_json(one: KeptCertificate) -> dict[str, object]:
    """A kept certificate for JSON."""
    return {
        "purpose": one.purpose.value,
        "certified_at": one.certified_at,
        "withdrawn": one.withdrawn or None,
    }
