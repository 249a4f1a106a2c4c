"""The texts of a case's export: everything of a case in open formats, for whoever comes after us.

Pure: takes records, gives texts. `docs/case-export.schema.json` describes `case.json` and the lines of
`notes.jsonl`.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from mendbay.case.records import Bay, Case, Event, Image
from mendbay.core.coverage import Condition, Coverage, Stretch
from mendbay.core.note import Note
from mendbay.core.span import Span, SpanSet

FORMAT = "mendbay case export 1"
_NOTHING = SpanSet()


@dataclass(frozen=True, slots=True)
class ExportedFile:
    """A file of the case's folder in the export: `path` below `data/`, and what it was called with us."""

    path: str
    original: str
    size_bytes: int


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Something that is not in the export, and why."""

    what: str
    why: str


def case_facts(case: Case, bays: Sequence[Bay]) -> dict[str, object]:
    """The case and its bays as `case.json` has them."""
    return {
        "case": {
            "number": case.number,
            "opened_at": case.opened_at,
            "customer": case.customer,
            "contact": case.contact,
            "box": case.box,
            "wanted": list(case.wanted),
            "notes": case.notes,
            "state": str(case.state),
            "kind": str(case.kind),
            "due_on": case.due_on or None,
            "keep_until": case.keep_until or None,
        },
        "bays": [
            {
                "bay": one.bay,
                "model": one.model,
                "serial": one.serial,
                "size_bytes": one.size_bytes or None,
                "sector_bytes": one.sector_bytes or None,
                "physical_bytes": one.physical_bytes or None,
                "condition": one.condition,
            }
            for one in bays
        ],
    }


def image_facts(
    image: Image,
    coverage_path: str | None,
    image_path: str | None,
    runs: Sequence[Mapping[str, object]],
    left_bytes: int | None = None,
) -> dict[str, object]:
    """An image as `case.json` has it.

    Args:
        coverage_path, image_path: where they are below `data/`; None if they are not in the export.
        runs: the sittings in which the drive was read.
        left_bytes: unread since the other half of a mirror gave them; None if the image cannot be looked at.
    """
    return {
        "bay": image.bay,
        "path": image.path,
        "adapter": image.adapter,
        "started_at": image.started_at,
        "finished_at": image.finished_at or None,
        "read_bytes": image.read_bytes,
        "refused_bytes": image.refused_bytes,
        "waived_bytes": image.waived_bytes,
        "unread_bytes": image.unread_bytes,
        "left_bytes": left_bytes,
        "sha256": image.sha256 or None,
        "coverage": coverage_path,
        "image": image_path,
        "runs": list(runs),
    }


def events_csv(events: Iterable[Event]) -> bytes:
    """What happened, as CSV (RFC 4180, UTF-8, with a header); `facts` is a JSON object."""
    rows = ((one.at, one.kind, one.text, _line(dict(one.facts))) for one in events)
    return _csv(("at", "kind", "text", "facts"), rows)


def coverage_csv(coverage: Coverage, left: SpanSet = _NOTHING) -> bytes:
    """Every range of a drive with its condition, as CSV; `start` and `stop` in bytes, half open, `tries` the
    number of refused single reads.

    Args:
        left: what is unread since the other half of a mirror gave it: its condition is told as `left`.
    """
    rows = (
        (str(span.start), str(span.stop), word, str(one.tries))
        for one in coverage.stretches()
        for span, word in _told(one, left)
    )
    return _csv(("start", "stop", "condition", "tries"), rows)


def _told(one: Stretch, left: SpanSet) -> list[tuple[Span, str]]:
    """The parts of a range with the words for their conditions, in order."""
    if one.condition is not Condition.UNREAD:
        return [(one.span, str(one.condition))]
    theirs = left.clip(one.span)
    open_still = [(span, str(one.condition)) for span in theirs.complement(one.span)]
    return sorted(open_still + [(span, "left") for span in theirs])


def notes_lines(notes: Iterable[Note]) -> bytes:
    """Notes as JSON lines, the oldest first; a body that is no JSON stands there as a text."""
    return "".join(
        _line(
            {
                "number": one.number,
                "kind": str(one.kind),
                "subject": one.subject,
                "bay": one.bay,
                "at": one.at,
                "who": one.who,
                "body": _body(one),
            }
        )
        + "\n"
        for one in notes
    ).encode()


def json_document(value: object) -> bytes:
    """A value as a JSON document for people to read as well: UTF-8, indented, one line break at the end."""
    return (json.dumps(_storable(value), ensure_ascii=False, indent=2) + "\n").encode()


def readme(case: Case, exported_at: str, for_customer: bool, with_images: bool) -> bytes:
    """`README.txt`: what each file is, for somebody who never heard of us."""
    whose = "what concerns the customer" if for_customer else "everything the workshop kept"
    images = (
        "images/*.img           raw image of a drive: byte n of the drive is byte n of the file.\n"
        "                       Zero bytes also stand where nothing could be read; which those\n"
        "                       are is in the coverage beside it, and in gaps.json above data/.\n"
        if with_images
        else "                       (The raw images of the drives are not in this export.)\n"
    )
    return _README.format(case=f"{case.number:04}", at=exported_at, whose=whose, images=images).encode()


_README = """\
Case {case} of a workshop for failed drives: {whose}.
Made on {at}. All texts are UTF-8; all times are UTC; all sizes and positions are bytes.

case.json              the case, the drives that came in, images made of them, the list of files
                       here, and what was left out. Start here.
events.csv             what happened, in order (CSV, RFC 4180). Open it as text columns: some
                       spreadsheets run a cell that begins with an equals sign.
custody.jsonl          who had what, when. One JSON object a line; each names the SHA-256 of the
                       one before, so that a later change shows. To check a line: take its member
                       "hash" out, with the comma after it; the SHA-256 of what remains, without
                       the line feed, is that hash. "previous" is the hash of the line before, and
                       64 zeros in the first. The last number and hash are the head; compare it
                       with the one on a receipt.
notes.jsonl            what was written down on the bench, one JSON object a line. Of notes with
                       the same kind, bay and subject the latest counts; a "withdrawal" takes back
                       what its subject names.
files/                 pictures, dumps of chips, papers and certificates of the case.
images/*.coverage.csv  which parts of each drive were read, were refused by the drive, were waived
                       (passed over on purpose), were left to the other half of a mirror, which
                       gave them, or are unread.
{images}
This folder is a bag after RFC 8493: manifest-sha256.txt and manifest-sha512.txt above data/ hold
the digest of every file here, and "sha256sum -c manifest-sha256.txt" in the folder above checks
them. It is complete if bagit.txt is there. handback.progress is a note of how it was written.
"""


def _body(note: Note) -> object:
    try:
        return json.loads(note.body)
    except (ValueError, RecursionError):
        return note.body


def _line(value: object) -> str:
    return json.dumps(_storable(value), ensure_ascii=False, sort_keys=True)


def _storable(value: object) -> object:
    """The value with halves of surrogate pairs (bytes of a file's name that are no text) as `\\xNN`."""
    if isinstance(value, str):
        return value.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")
    if isinstance(value, Mapping):
        return {str(_storable(key)): _storable(one) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [_storable(one) for one in value]
    return value


def _csv(head: Sequence[str], rows: Iterable[Sequence[str]]) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(head)
    writer.writerows(rows)
    return text.getvalue().encode()
