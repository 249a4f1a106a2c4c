"""Play the whole job on an invented box: two failing members in, a verified hand-back out."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from mendbay.case.records import Bay, Case
from mendbay.handback.bag import BagCheck
from mendbay.jobs.bench import Bench
from mendbay.jobs.events import Said, Tell
from mendbay.jobs.hand_back import HandBackResult, OpenFolder, hand_back
from mendbay.jobs.list_files import Listing, list_files
from mendbay.jobs.ports import Papers
from mendbay.jobs.read_drive import DriveAt
from mendbay.jobs.read_pair import PairResult, read_pair
from mendbay.jobs.take_in import take_in


@dataclass(frozen=True, slots=True)
class Box:
    """An invented box as it comes in. `drives` are the descriptions of its failing drives by bay, and
    `originals` the SHA-256 of every file's newest version by raw path: nobody at a real bench has those."""

    customer: str
    words: str
    wanted: tuple[str, ...]
    bays: tuple[Bay, ...]
    adapters: Mapping[str, str]
    drives: Mapping[str, Path]
    originals: Mapping[bytes, str]


class Stage(Protocol):
    """What the demo is played on."""

    def build(self, folder: Path, tell: Tell) -> Box:
        """Makes the box and everything on its drives."""
        ...

    def connect(self, box: Box) -> AbstractContextManager[Mapping[str, str]]:
        """The box's drives as sources, by bay, for as long as the context is open."""
        ...

    @property
    def why_not_real(self) -> str:
        """Why the drives are simulated in the process and not real block devices; empty if they are real."""
        ...


@dataclass(frozen=True, slots=True)
class DemoResult:
    """What the demo came to.

    `whole_and_equal` of `whole` files reported whole have the digest of the original. `unlisted` are raw
    paths of originals that the report says nothing about, and of files that differ without being listed:
    both must be none.
    """

    case: Case
    pair: PairResult
    listing: Listing
    back: HandBackResult
    check: BagCheck
    whole: int
    whole_and_equal: int
    unlisted: tuple[bytes, ...]


class CheckFolder(Protocol):
    """Checks a finished bag."""

    def __call__(self, folder: Path) -> BagCheck: ...


def play_demo(
    bench: Bench, folder: Path, stage: Stage, open_folder: OpenFolder, papers: Papers, check: CheckFolder
) -> DemoResult:
    """Plays every step of the job in `folder`, and compares the outcome with the originals.

    Raises:
        ToolMissing: the system programs that make the box's file system are not installed.
        DestinationError: the folder already holds a demo.
    """
    box = stage.build(folder / "box", bench.tell)
    case = take_in(bench, box.customer, contact="in person", box=box.words, wanted=box.wanted, bays=box.bays)
    bench.tell(Said(f"Case {case.number} is open for {case.customer}."))
    with stage.connect(box) as where:
        drives = [DriveAt(bay, source, box.adapters.get(bay, "")) for bay, source in where.items()]
        for drive in drives:
            bench.tell(Said(f"Bay {drive.bay}: {drive.where}"))
        pair = read_pair(bench, case.number, drives, ("metadata", *box.wanted))
    listing = list_files(bench, case.number)
    back = hand_back(bench, case.number, folder / "hand-back", open_folder, papers, shop="Demo bench")
    found = check(back.folder)
    return _compared(case, pair, listing, back, found, box.originals)


def _compared(
    case: Case,
    pair: PairResult,
    listing: Listing,
    back: HandBackResult,
    check: BagCheck,
    originals: Mapping[bytes, str],
) -> DemoResult:
    reported = {one.raw_path: one for one in back.facts.files}
    whole = [one for one in back.facts.files if one.verdict == "whole"]
    equal = [one for one in whole if originals.get(one.raw_path) == one.sha256]
    wrong = [one.raw_path for one in whole if originals.get(one.raw_path) != one.sha256]
    return DemoResult(
        case=case,
        pair=pair,
        listing=listing,
        back=back,
        check=check,
        whole=len(whole),
        whole_and_equal=len(equal),
        unlisted=(*wrong, *(path for path in originals if path not in reported)),
    )
