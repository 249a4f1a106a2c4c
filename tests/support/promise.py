"""The central promise, held against a finished hand-back by what lies outside the code under test.

The originals are taken from the undamaged volumes by `debugfs`; what is claimed of each file is read from the
`report.json` that was handed back; what each drive holds is read from its image, and what it never gives from
the plan of its damage. Everything broken is listed, so that one run shows all of it.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import subprocess
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from mendbay.core.span import Span, SpanSet
from mendbay.handback.facts import HandBack
from mendbay.imaging.assumptions import Assumptions
from mendbay.jobs.hand_back import hand_back
from mendbay.jobs.read_drive import DriveAt
from mendbay.jobs.read_pair import read_pair
from mendbay.jobs.take_in import take_in
from mendbay.outlets.scenario.damage import Fate, Faults, description_of, on_volume, write_drive
from mendbay.outlets.scenario.geometry import Level
from mendbay.outlets.scenario.scenario import Scenario, State, truth_of
from mendbay.outlets.scenario.small import SmallBase, make_small_scenario
from mendbay.outlets.scenario.volume import find_tool, system_blocks
from mendbay.wiring import open_bench, open_handback_folder, papers
from support.boxes import small_base

Bytes = npt.NDArray[np.uint8]
PATIENT = Assumptions(most_tries=6)
"""The weak sectors of the boxes give after fewer refusals than this."""
NAMELESS = re.compile(rb"inode-(\d+)(?:/(.*))?", re.DOTALL)


# ---------------------------------------------------------------------- what was there


@dataclass(frozen=True)
class Original:
    """One undamaged state of the volume, as another program gives it back.

    `files` and `links` (their targets) are by raw path; `inodes` gives the paths of each inode; `volume` is
    the file system, byte for byte.
    """

    files: Mapping[bytes, bytes]
    links: Mapping[bytes, bytes]
    inodes: Mapping[int, tuple[bytes, ...]]
    volume: Bytes

    def paths_meant(self, raw_path: bytes) -> tuple[bytes, ...]:
        """The paths that a reported path can stand for: itself, or those of the inode it is named after."""
        nameless = NAMELESS.fullmatch(raw_path)
        if nameless is None:
            return (raw_path,)
        tops = self.inodes.get(int(nameless[1]), ())
        return tuple(b"/".join(part for part in (top, nameless[2]) if part) for top in tops)


def extract(state: State, folder: Path) -> Original:
    """Takes everything out of the state's volume with `debugfs`, into a folder made for it."""
    folder.mkdir()
    subprocess.run(
        [find_tool("debugfs"), "-R", f'rdump / "{folder}"', str(state.image)], check=True, capture_output=True
    )
    files: dict[bytes, bytes] = {}
    links: dict[bytes, bytes] = {}
    root = os.fsencode(folder)
    for parent, folders, names in os.walk(root):
        for name in (*folders, *names):
            place = os.path.join(parent, name)
            path = os.path.relpath(place, root)
            if os.path.islink(place):
                links[path] = os.readlink(place)
            elif name in names:
                files[path] = Path(os.fsdecode(place)).read_bytes()
    inodes: dict[int, tuple[bytes, ...]] = {}
    for path, where in state.placed.items():
        inodes[where.inode] = (*inodes.get(where.inode, ()), path)
    return Original(files, links, inodes, np.fromfile(state.image, np.uint8))


# ---------------------------------------------------------------------- boxes


@dataclass(frozen=True, repr=False)
class Workshop:
    """Undamaged boxes of one base, made once, and the originals; damaged boxes cost two descriptions each."""

    base: SmallBase
    newest: Original
    older: Original
    boxes: Mapping[tuple[Level, bool], Scenario]

    def damaged(self, name: str, faults: tuple[Faults, Faults], level: Level, *, parted: bool) -> Scenario:
        """A box with these faults and no others. `name` must be new: it names the descriptions."""
        box = self.boxes[level, parted]
        folder = box.images[0].parent
        drives = (folder / f"{name}-1.toml", folder / f"{name}-2.toml")
        for bay in range(2):
            write_drive(drives[bay], box.images[bay], faults[bay], seed=bay, serial=f"S{bay}")
        older = self.base.older if parted else self.base.newest
        truth = truth_of(self.base.newest, older, box.geometry, faults, box.parted_at)
        return replace(box, drives=drives, faults=faults, truth=truth)

    def refusing(
        self,
        name: str,
        refused: tuple[SpanSet, SpanSet],
        level: Level = Level.MIRROR,
        *,
        parted: bool = False,
    ) -> Scenario:
        """A box whose drives refuse the sectors that hold these bytes of the volume, bay 1 first."""
        geometry = self.boxes[level, parted].geometry
        first, second = (Faults(geometry.on_drive(bay, refused[bay].widen(512))) for bay in range(2))
        return self.damaged(name, (first, second), level, parted=parted)


def workshop(folder: Path, seed: int, block_bytes: int) -> Workshop:
    """A base with its originals and undamaged boxes."""
    base = small_base(folder / "base", seed, block_bytes)
    kinds = ((Level.MIRROR, False), (Level.MIRROR, True), (Level.STRIPE, False))
    boxes = {
        (level, parted): make_small_scenario(
            folder / f"{level}-{parted}", seed, base=base, level=level, parted=parted, refusals=0
        )
        for level, parted in kinds
    }
    return Workshop(
        base, extract(base.newest, folder / "newest"), extract(base.older, folder / "older"), boxes
    )


# ---------------------------------------------------------------------- the job


class NoPapers:
    """The report's forms are tested elsewhere; here only its facts count."""

    def html(self, facts: HandBack) -> str:
        return "<!doctype html>"

    def pdf(self, facts: HandBack) -> bytes:
        return b"%PDF-"


def whole_job(
    folder: Path, box: Scenario, *, real_papers: bool = False, both_whole: bool = True
) -> HandedBack:
    """Takes the box in, reads its drives together and hands everything back, as a technician does.

    Args:
        both_whole: read both halves of a mirror whole; else each place from one, where they are in step.
    """
    out = folder / "out"
    with open_bench(folder / "home", assumed=PATIENT) as bench:
        case = take_in(bench, "A customer").number
        drives = [DriveAt(bay, f"unsteady:{drive}") for bay, drive in zip("12", box.drives, strict=True)]
        read_pair(bench, case, drives, ("metadata",), both_whole=both_whole)
        hand_back(bench, case, out, open_handback_folder, papers() if real_papers else NoPapers())
    return HandedBack.read(out)


# ---------------------------------------------------------------------- what was handed back


@dataclass(frozen=True)
class Part:
    """Where the report says that a range of a file came from."""

    span: Span
    bay: int
    at: int


@dataclass(frozen=True)
class Claim:
    """What the report says of one file. `path` is empty if no copy was made."""

    path: str
    raw_path: bytes
    size_bytes: int | None
    verdict: str
    missing: SpanSet
    why_missing: frozenset[str]
    other_half: SpanSet
    older: SpanSet
    reasons: tuple[str, ...]
    sha256: str
    parts: tuple[Part, ...]

    @classmethod
    def read(cls, told: Mapping[str, Any]) -> Claim:
        path, raw = told["path"] or "", told["raw_path_hex"]
        return cls(
            path=path,
            raw_path=bytes.fromhex(raw) if raw is not None else path.removeprefix("data/").encode(),
            size_bytes=told["size_bytes"],
            verdict=told["verdict"],
            missing=SpanSet(Span(gap["start"], gap["stop"]) for gap in told["gaps"]),
            why_missing=frozenset(gap["why"] for gap in told["gaps"]),
            other_half=SpanSet(Span(*bounds) for bounds in told["other_half"]),
            older=SpanSet(Span(*bounds) for bounds in told["older"]),
            reasons=tuple(told["reasons"]),
            sha256=told["sha256"] or "",
            parts=tuple(
                Part(Span(one["start"], one["stop"]), int(one["bay"]) - 1, one["drive_start"])
                for one in told["trace"]
            ),
        )


@dataclass(frozen=True)
class HandedBack:
    """A hand-back as the customer gets it. `links` are the targets told for each link, `left_out` the reasons
    told for what is not in it, both by raw path; `pair` is what is said of the drives together."""

    out: Path
    claims: tuple[Claim, ...]
    links: Mapping[bytes, bytes]
    left_out: Mapping[bytes, str]
    remarks: tuple[str, ...]
    pair: tuple[str, ...]
    copies: Mapping[str, bytes] = field(repr=False)

    @classmethod
    def read(cls, out: Path) -> HandedBack:
        report = json.loads((out / "report.json").read_text())
        found = {
            os.path.relpath(place, out): place.read_bytes()
            for place in sorted((out / "data").rglob("*"))
            if place.is_file()
        }
        return cls(
            out=out,
            claims=tuple(Claim.read(one) for one in report["files"]),
            links={
                bytes.fromhex(one["raw_path_hex"]): bytes.fromhex(one["target_hex"])
                for one in report["links"]
            },
            left_out={bytes.fromhex(one["raw_path_hex"]): one["why"] for one in report["left_out"]},
            remarks=tuple(report["file_system"]["remarks"]),
            pair=tuple(report["pair"]["why"]),
            copies=found,
        )

    @cached_property
    def by_path(self) -> Mapping[bytes, Claim]:
        return {one.raw_path: one for one in self.claims}

    def copy_of(self, path: bytes) -> bytes:
        return self.copies[self.by_path[path].path]


# ---------------------------------------------------------------------- the promise


@dataclass(frozen=True)
class Judge:
    """What a hand-back of one box is held against. `why_missing` is the reason that has to be given
    for bytes missing from files whose description is sound. In `one_task` a place the preferred half
    never gave may not have been asked of it: that bytes come from the other half says nothing then."""

    newest: Original
    older: Original
    base: SmallBase
    box: Scenario
    why_missing: str = "refused"
    one_task: bool = False

    @classmethod
    def of(
        cls, shop: Workshop, box: Scenario, why_missing: str = "refused", *, one_task: bool = False
    ) -> Judge:
        older = shop.older if box.parted_at is not None else shop.newest
        return cls(shop.newest, older, shop.base, box, why_missing, one_task)

    @cached_property
    def drives(self) -> tuple[Bytes, Bytes]:
        first, second = (np.fromfile(image, np.uint8) for image in self.box.images)
        return first, second

    @cached_property
    def not_current(self) -> SpanSet:
        """Bytes of the volume that no drive gives, or none that is known to be current."""
        geometry = self.box.geometry
        first, second = (
            geometry.on_volume(bay, faults.refused) for bay, faults in enumerate(self.box.faults)
        )
        if geometry.level is Level.STRIPE:
            return first | second
        return first if self.box.parted_at is not None else first & second

    @cached_property
    def system_is_hit(self) -> bool:
        return bool(system_blocks(self.base.newest.image) & self.not_current)

    @cached_property
    def may_find_nothing(self) -> bool:
        """Whether there is not one file whose description is sound."""
        placed = self.base.newest.placed
        return self.system_is_hit or all(
            description_of(placed, path) & self.not_current for path in self.newest.files
        )

    def broken(self, made: HandedBack) -> list[str]:
        """Every way in which the hand-back breaks the promise, as sentences."""
        found = [*self._copies_and_claims(made)]
        for claim in made.claims:
            found += (f"{claim.raw_path!r} ({claim.verdict}): {text}" for text in self._file(made, claim))
        for path in self.newest.files:
            found += (f"{path!r}: {text}" for text in self._vanished(made, path))
        for path in self.newest.links:
            found += (f"link {path!r}: {text}" for text in self._link(made, path))
        return found

    # --- one file that is in the report

    def _copies_and_claims(self, made: HandedBack) -> Iterator[str]:
        claimed = [one.path for one in made.claims if one.path]
        if sorted(claimed) != sorted(made.copies):
            yield f"the report and the folder differ: {set(claimed) ^ set(made.copies)}"

    def _file(self, made: HandedBack, claim: Claim) -> Iterator[str]:
        if claim.verdict != "whole" and not claim.reasons and not claim.missing:
            yield "nothing says why it is not whole"
        fate = self._fate(claim.raw_path)
        if fate is not None:
            yield from _differs_from_fate(claim, fate, self.why_missing, one_task=self.one_task)
        meant = [self.newest.files[path] for path in self._meant(claim) if path in self.newest.files]
        if not claim.path:
            if claim.verdict != "lost":
                yield "it has no copy and is not lost"
            return
        copy = made.copies[claim.path]
        yield from self._bytes_are_evident(claim, copy)
        if claim.verdict == "whole":
            if copy not in meant:
                yield "it is called whole and is not what it was"
            return
        if fate is not None and fate.verdict is not None:
            yield from self._unlisted(claim, copy, meant[0])

    def _unlisted(self, claim: Claim, copy: bytes, newest: bytes) -> Iterator[str]:
        """A file whose description is sound: each byte is the newest one, or its range is listed."""
        if len(copy) != len(newest):
            yield f"its copy has {len(copy)} bytes, not {len(newest)}"
            return
        at = np.flatnonzero(np.frombuffer(copy, np.uint8) != np.frombuffer(newest, np.uint8)).astype(np.int64)
        different = SpanSet.from_bounds(at, at + 1)
        if unlisted := different - claim.missing - claim.older:
            yield f"it differs from what it was in bytes that are not listed: {unlisted}"
        where = self.base.newest.placed[claim.raw_path]
        for span in different & claim.older:
            places = on_volume(where, span)
            there = b"".join(self.older.volume[one.start : one.stop].tobytes() for one in places)
            if len(places) == 1 and copy[span.start : span.stop] != there:
                yield f"{span} is neither the newest state nor the older one"

    def _bytes_are_evident(self, claim: Claim, copy: bytes) -> Iterator[str]:
        """Every byte of a copy is what the drive holds at the place the report names, and no other byte is
        made up: gaps and sparse ranges are zero."""
        if len(copy) != claim.size_bytes:
            yield f"its copy has {len(copy)} bytes, the report says {claim.size_bytes}"
            return
        if hashlib.sha256(copy).hexdigest() != claim.sha256:
            yield "its digest is not that of its copy"
        expected = np.zeros(len(copy), np.uint8)
        for part in claim.parts:
            span = Span.at(part.at, part.span.length)
            expected[part.span.start : part.span.stop] = self.drives[part.bay][span.start : span.stop]
            if self.box.faults[part.bay].refused.overlaps(span):
                yield f"{part.span} is said to come from a place that bay {part.bay + 1} never gave"
        if SpanSet(part.span for part in claim.parts) & claim.missing:
            yield "a range is both missing and traced to a drive"
        if "unread" in claim.why_missing:
            yield "bytes were never asked for, though everything was read"
        if (np.frombuffer(copy, np.uint8) != expected).any():
            yield "its copy is not what lies on the drives where the report says it came from"

    def _meant(self, claim: Claim) -> tuple[bytes, ...]:
        return self.newest.paths_meant(claim.raw_path)

    def _fate(self, path: bytes) -> Fate | None:
        truth = self.box.truth.get(path)
        return None if truth is None else truth.fate

    # --- what is not in the report under its name

    def _vanished(self, made: HandedBack, path: bytes) -> Iterator[str]:
        """A file not in the report by its name: something must say what hides the name, and the file itself
        must be there all the same unless its inode is not to be had either."""
        if path in made.by_path or path in made.left_out:
            return
        if not _says_what_hides(made, path) and not self.system_is_hit:
            yield "it vanished, and no folder on the way is said to be damaged"
        if not made.remarks:
            yield "it vanished without a word"
        described = description_of(self.base.newest.placed, path)
        if not described & self.not_current and not self.system_is_hit:
            yield "it vanished though everything that describes it can be read"
        inode = SpanSet([self.base.newest.placed[path].inode_at])
        nameless = any(path in self._meant(claim) for claim in made.claims)
        other_names = self.newest.inodes[self.base.newest.placed[path].inode]
        reported = nameless or any(name in made.by_path for name in other_names)
        if not reported and not self.system_is_hit and not inode & self.not_current:
            yield "its inode can be read, but the file is not in the report at all"

    def _link(self, made: HandedBack, path: bytes) -> Iterator[str]:
        target = made.links.get(path)
        if target == self.newest.links[path]:
            return
        if target is None:
            if path not in made.left_out and not _says_what_hides(made, path) and not self.system_is_hit:
                yield "it is neither listed nor missed"
        elif not _remarks_on(made, "Link", path):
            yield f"it is said to point to {target!r}"


def _differs_from_fate(claim: Claim, fate: Fate, why_missing: str, *, one_task: bool) -> Iterator[str]:
    """What the report says otherwise than the planned damage comes to, where that decides everything."""
    if fate.verdict is None:
        return
    if claim.verdict != fate.verdict:
        yield f"it ought to be {fate.verdict}; {claim.reasons}"
    for what in ("missing", "older") if one_task else ("missing", "other_half", "older"):
        told, planned = getattr(claim, what), getattr(fate, what)
        if told != planned and not (what != "missing" and fate.verdict == "lost"):
            yield f"{what} ought to be {planned}, not {told}"
    if claim.missing and claim.why_missing != {why_missing}:
        yield f"its bytes are {why_missing}, not {sorted(claim.why_missing)}"


def _says_what_hides(made: HandedBack, path: bytes) -> bool:
    """Whether the report names a damaged folder on the way to the path, or takes one for a file and says why:
    its name is left, but the inode is one that a half which fell behind used for something else."""
    parts = path.split(b"/")[:-1]
    for depth in range(len(parts) + 1):
        folder = b"/".join(parts[:depth])
        taken_for = made.by_path.get(folder)
        if _remarks_on(made, "Folder", folder) or (taken_for is not None and taken_for.reasons):
            return True
    return False


def _remarks_on(made: HandedBack, what: str, path: bytes) -> bool:
    name = path.decode("utf-8", "backslashreplace") or "at the top"
    return any(text.startswith(f"{what} {name}: ") for text in made.remarks)


def sectors_of(spans: SpanSet) -> Sequence[Span]:
    """The whole sectors in these bytes, in order."""
    return [Span.at(at, 512) for span in spans.narrow(512) for at in range(span.start, span.stop, 512)]
