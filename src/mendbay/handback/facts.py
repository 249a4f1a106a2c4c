"""The facts of a hand-back: the one source for the report as JSON, as a web page and on paper.

Nothing here is worded for a customer and nothing is worked out twice: every number in a report is a field
or a property of these records. Texts that are not known are empty, never guessed; times are ISO 8601 in
UTC as `core.clock.iso` writes them, or seconds since 1970 where they come from a file system.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

from mendbay.core.clock import iso_from_epoch
from mendbay.core.coverage import Condition, Coverage, Stretch
from mendbay.core.source import Gap, Marked
from mendbay.core.span import Span, SpanSet

VERDICTS = ("whole", "unproven", "holed", "lost")
"""The words for a file, from the best to the worst."""

NOTHING = SpanSet()


@dataclass(frozen=True, slots=True)
class RunFacts:
    """One run of reading a drive: through which adapter, when, and what came of it.

    `number` counts the runs of a bay from 1; a trace names it. `ended_at` is empty for a run that was
    cut off.
    """

    number: int
    adapter: str
    started_at: str
    ended_at: str
    given_bytes: int
    refused_reads: int
    remark: str = ""


@dataclass(frozen=True, slots=True)
class BayFacts:
    """One drive and how far it was read.

    `image_sha256` is the digest of the image and is empty unless every byte was read: a drive with
    unread or refused sectors has no whole-drive digest that could be had again. `other_half`, `older`
    and `wanted` are ranges of this drive: what it gave in place of the other half, what of that may be
    older, and where the wanted files lie. `left` is what the drive was not asked for, or not yet alone,
    because the other half of a mirror in step gave it; it counts as no other condition.
    """

    bay: str
    model: str
    serial: str
    coverage: Coverage
    runs: tuple[RunFacts, ...] = ()
    image_sha256: str = ""
    other_half: SpanSet = NOTHING
    older: SpanSet = NOTHING
    wanted: SpanSet = NOTHING
    remarks: tuple[str, ...] = ()
    left: SpanSet = NOTHING

    @property
    def size_bytes(self) -> int:
        """The size of the drive."""
        return self.coverage.size_bytes

    def total_bytes(self, condition: Condition) -> int:
        """How many bytes of the drive are in `condition`; what is left to the other half counts in none."""
        left = self.left.total_bytes if condition is Condition.UNREAD else 0
        return self.coverage.total_bytes(condition) - left

    def not_read(self) -> tuple[Stretch, ...]:
        """Every range of one condition that is not read, in order, but for what is left to the other half."""
        return tuple(
            replace(one, span=span)
            for one in self.coverage.stretches()
            if one.condition is not Condition.READ
            for span in (
                self.left.complement(one.span) if one.condition is Condition.UNREAD else SpanSet([one.span])
            )
        )


@dataclass(frozen=True, slots=True)
class PairFacts:
    """How the drives belong together. `level` is a word of the trade (`mirror`, `stripe`, `span`);
    `fresher` names the bay that was preferred, empty if neither was; `why` are sentences. `in_step` says that
    it is a mirror whose halves should hold the same by their own descriptions."""

    level: str
    fresher: str = ""
    why: tuple[str, ...] = ()
    in_step: bool = False


@dataclass(frozen=True, slots=True)
class FileSystemFacts:
    """What the file system says of itself, and findings worth telling."""

    kind: str
    label: str
    uuid: str
    size_bytes: int
    has_checksums: bool
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class TraceFacts:
    """Where a range of a file came from: the bytes `file_span` lay on the drive in `bay` from byte
    `drive_start` on, and were read in run `run` (0 = not known). `mark` is the mark they carry, if any."""

    file_span: Span
    bay: str
    drive_start: int
    run: int = 0
    adapter: str = ""
    mark: str = ""


@dataclass(frozen=True, slots=True)
class FileFacts:
    """One file of the customer.

    `path` is its place in the bag (`data/…`), empty when no copy was made because nothing of it is
    left, or was read yet. `raw_path` is its path on the drive, byte for byte. All spans are in bytes of
    the file.
    `doubts` are the bytes that something speaks against (`core.source.DOUBTS`), with what that is.
    `is_wanted` says that a wish of the customer's is for it.
    `is_described` is False where only the name is known: `size_bytes` is 0 then, and says nothing.
    `both_bytes` is how many of its bytes both halves of a mirror in step gave, so that they were compared.
    `verified` says that the copy was read again from the destination and both digests were equal.
    """

    path: str
    raw_path: bytes
    size_bytes: int
    verdict: str
    gaps: tuple[Gap, ...] = ()
    other_half: SpanSet = NOTHING
    older: SpanSet = NOTHING
    reasons: tuple[str, ...] = ()
    sha256: str = ""
    sha512: str = ""
    verified: bool = False
    modified_at: int = 0
    changed_at: int = 0
    trace: tuple[TraceFacts, ...] = ()
    doubts: tuple[Marked, ...] = ()
    both_bytes: int = 0
    is_described: bool = True
    is_wanted: bool = False

    def __post_init__(self) -> None:
        if self.verdict not in VERDICTS:
            raise ValueError(f"'{self.verdict}' is not a verdict")

    @property
    def missing_bytes(self) -> int:
        """How many bytes of the file are not there."""
        return SpanSet(gap.span for gap in self.gaps).total_bytes

    @property
    def is_awaited(self) -> bool:
        """Whether there is no copy for the sole reason that nothing of the file was read yet."""
        return not self.path and self.verdict != "lost"

    @property
    def is_renamed(self) -> bool:
        """Whether the copy bears another name than the file had."""
        return bool(self.path) and self.path.encode() != b"data/" + self.raw_path


@dataclass(frozen=True, slots=True)
class LinkFacts:
    """A symbolic link of the file system: recorded with its target, never made."""

    raw_path: bytes
    target: bytes


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Something on the drives that is not in the bag, what it is (`file`, `folder`, `device node`, …)
    and why, as a sentence."""

    raw_path: bytes
    what: str
    why: str


@dataclass(frozen=True, slots=True)
class UnusedDrive:
    """A drive of the case from which nothing was taken: it was never read, or it was left out this time."""

    bay: str
    was_read: bool


@dataclass(frozen=True, slots=True)
class ProofStep:
    """One thing that was done to prove the hand-back, and what came of it. Only steps really done."""

    what: str
    outcome: str


@dataclass(frozen=True, slots=True)
class Tally:
    """Some of the files: how many, their bytes, and the bytes of them that are missing. Of `unknown_sizes` of
    the files only the name is known, and neither number of bytes counts them."""

    files: int = 0
    size_bytes: int = 0
    missing_bytes: int = 0
    unknown_sizes: int = 0

    def __bool__(self) -> bool:
        return self.files > 0

    def __sub__(self, part: Tally) -> Tally:
        """These files without some of them."""
        return Tally(
            self.files - part.files,
            self.size_bytes - part.size_bytes,
            self.missing_bytes - part.missing_bytes,
            self.unknown_sizes - part.unknown_sizes,
        )


@dataclass(frozen=True, slots=True)
class Joined:
    """Copies that hold bytes of both halves of a mirror in step: how many, how many bytes the drives gave for
    them, and how many of these both gave, so that they were compared."""

    files: int = 0
    given_bytes: int = 0
    both_bytes: int = 0

    @property
    def is_compared(self) -> bool:
        """Whether there is nothing in them that one drive alone gave."""
        return self.both_bytes >= self.given_bytes


def joined_of(files: Iterable[FileFacts]) -> Joined:
    """What is joined among files that come from a mirror in step."""
    mine = [one for one in files if one.path and len({part.bay for part in one.trace}) > 1]
    given = _sum(part.file_span.length for one in mine for part in one.trace)
    return Joined(len(mine), given, _sum(one.both_bytes for one in mine))


@dataclass(frozen=True)
class HandBack:
    """Everything a report says.

    `files` are in the order they are listed. `wanted` are the patterns the customer's wishes were put
    into, first wish first. `keep_until` is the day (`2027-02-25`) to which the shop keeps its images.
    `not_chosen` is how many more files were found, that were not asked for: `files` tells nothing of them.
    """

    case_number: str
    customer: str
    shop: str
    made_at: str
    taken_in_at: str
    box: str
    drives: str
    bays: tuple[BayFacts, ...]
    files: tuple[FileFacts, ...]
    wanted: tuple[str, ...] = ()
    pair: PairFacts | None = None
    file_system: FileSystemFacts | None = None
    links: tuple[LinkFacts, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    proof: tuple[ProofStep, ...] = ()
    advice: tuple[str, ...] = ()
    keep_until: str = ""
    not_chosen: int = 0
    unused: tuple[UnusedDrive, ...] = ()

    @cached_property
    def tallies(self) -> Mapping[str, Tally]:
        """The tally of each verdict, from the best to the worst."""
        return {word: _tally(one for one in self.files if one.verdict == word) for word in VERDICTS}

    @cached_property
    def joined(self) -> Joined:
        """The copies that hold bytes of both halves of a mirror in step."""
        return joined_of(self.files) if self.pair is not None and self.pair.in_step else Joined()

    def joined_and(self, verdict: str) -> Joined:
        """Those of `joined` that have this verdict."""
        return (
            joined_of(one for one in self.files if one.verdict == verdict) if self.joined.files else Joined()
        )

    @cached_property
    def awaited(self) -> Mapping[str, Tally]:
        """Of each verdict, the files that have no copy only because nothing of them was read yet."""
        return {
            word: _tally(one for one in self.files if one.is_awaited and one.verdict == word)
            for word in VERDICTS
        }

    @cached_property
    def awaited_files(self) -> int:
        """How many files have no copy only because nothing of them was read yet."""
        return _sum(one.files for one in self.awaited.values())

    @cached_property
    def total(self) -> Tally:
        """All files together, lost ones included."""
        return _tally(self.files)

    @cached_property
    def copied(self) -> Tally:
        """The files of which a copy lies in the bag."""
        return _tally(one for one in self.files if one.path)

    @cached_property
    def verified_files(self) -> int:
        """How many copies were read again and found equal."""
        return sum(one.verified for one in self.files)

    @cached_property
    def older_bytes(self) -> int:
        """Bytes of all files that may be older than the last state."""
        return _sum(one.older.total_bytes for one in self.files)

    @cached_property
    def other_half_bytes(self) -> int:
        """Bytes of all files that the other half of a mirror gave."""
        return _sum(one.other_half.total_bytes for one in self.files)


def _sum(numbers: Iterable[int]) -> int:
    return sum(numbers)


def _tally(files: Iterable[FileFacts]) -> Tally:
    mine = list(files)
    return Tally(
        len(mine),
        _sum(one.size_bytes for one in mine),
        _sum(one.missing_bytes for one in mine),
        _sum(not one.is_described for one in mine),
    )


def to_json(facts: HandBack) -> dict[str, Any]:
    """The report for machines, as `docs/handback-report.schema.json` describes it. Offsets and sizes are
    in bytes; ranges are half open; raw paths are hexadecimal where they differ from the path in the bag."""
    return {
        "report": "mendbay-handback",
        "version": 1,
        "case_number": facts.case_number,
        "customer": facts.customer,
        "shop": facts.shop,
        "made_at": facts.made_at,
        "taken_in_at": facts.taken_in_at,
        "box": facts.box,
        "drives": facts.drives,
        "keep_until": facts.keep_until,
        "totals": {
            "all": _tally_json(facts.total),
            "copied": _tally_json(facts.copied),
            "awaited_files": facts.awaited_files,
            "not_chosen_files": facts.not_chosen,
            "verified_files": facts.verified_files,
            "joined": {
                "files": facts.joined.files,
                "given_bytes": facts.joined.given_bytes,
                "both_bytes": facts.joined.both_bytes,
            },
            "other_half_bytes": facts.other_half_bytes,
            "older_bytes": facts.older_bytes,
            **{word: _tally_json(tally) for word, tally in facts.tallies.items()},
        },
        "bays": [_bay_json(one) for one in facts.bays],
        "unused_drives": [{"bay": one.bay, "was_read": one.was_read} for one in facts.unused],
        "pair": None if facts.pair is None else _pair_json(facts.pair),
        "file_system": None if facts.file_system is None else _file_system_json(facts.file_system),
        "wanted": list(facts.wanted),
        "files": [_file_json(one) for one in facts.files],
        "links": [
            {"raw_path_hex": one.raw_path.hex(), "target_hex": one.target.hex()} for one in facts.links
        ],
        "left_out": [
            {"raw_path_hex": one.raw_path.hex(), "what": one.what, "why": one.why} for one in facts.left_out
        ],
        "proof": [{"what": one.what, "outcome": one.outcome} for one in facts.proof],
        "advice": list(facts.advice),
    }


def _tally_json(tally: Tally) -> dict[str, int]:
    return {
        "files": tally.files,
        "size_bytes": tally.size_bytes,
        "missing_bytes": tally.missing_bytes,
        "unknown_sizes": tally.unknown_sizes,
    }


def _spans_json(spans: SpanSet) -> list[list[int]]:
    return [[span.start, span.stop] for span in spans]


def _bay_json(bay: BayFacts) -> dict[str, Any]:
    return {
        "bay": bay.bay,
        "model": bay.model,
        "serial": bay.serial,
        "size_bytes": bay.size_bytes,
        "sector_bytes": bay.coverage.sector_bytes,
        "bytes_by_condition": {
            **{one.value: bay.total_bytes(one) for one in Condition},
            "left_to_other_half": bay.left.total_bytes,
        },
        "not_read": [
            {
                "start": one.span.start,
                "stop": one.span.stop,
                "condition": one.condition.value,
                "tries": one.tries,
            }
            for one in bay.not_read()
        ],
        "other_half": _spans_json(bay.other_half),
        "older": _spans_json(bay.older),
        "left_to_other_half": _spans_json(bay.left),
        "image_sha256": bay.image_sha256 or None,
        "runs": [
            {
                "number": run.number,
                "adapter": run.adapter,
                "started_at": run.started_at,
                "ended_at": run.ended_at,
                "given_bytes": run.given_bytes,
                "refused_reads": run.refused_reads,
                "remark": run.remark,
            }
            for run in bay.runs
        ],
        "remarks": list(bay.remarks),
    }


def _pair_json(pair: PairFacts) -> dict[str, Any]:
    return {
        "level": pair.level,
        "fresher": pair.fresher or None,
        "in_step": pair.in_step,
        "why": list(pair.why),
    }


def _file_system_json(found: FileSystemFacts) -> dict[str, Any]:
    return {
        "kind": found.kind,
        "label": found.label,
        "uuid": found.uuid,
        "size_bytes": found.size_bytes,
        "has_checksums": found.has_checksums,
        "remarks": list(found.remarks),
    }


def _file_json(one: FileFacts) -> dict[str, Any]:
    return {
        "path": one.path or None,
        "raw_path_hex": one.raw_path.hex() if one.is_renamed or not one.path else None,
        "size_bytes": one.size_bytes if one.is_described else None,
        "verdict": one.verdict,
        "gaps": [{"start": gap.span.start, "stop": gap.span.stop, "why": gap.why.value} for gap in one.gaps],
        "other_half": _spans_json(one.other_half),
        "older": _spans_json(one.older),
        "both_bytes": one.both_bytes,
        "doubts": [
            {"start": mark.span.start, "stop": mark.span.stop, "why": mark.mark.value} for mark in one.doubts
        ],
        "reasons": list(one.reasons),
        "sha256": one.sha256 or None,
        "sha512": one.sha512 or None,
        "verified": one.verified,
        "modified_at": iso_from_epoch(one.modified_at) or None,
        "changed_at": iso_from_epoch(one.changed_at) or None,
        "trace": [
            {
                "start": part.file_span.start,
                "stop": part.file_span.stop,
                "bay": part.bay,
                "drive_start": part.drive_start,
                "run": part.run or None,
                "adapter": part.adapter,
                "mark": part.mark or None,
            }
            for part in one.trace
        ],
    }
