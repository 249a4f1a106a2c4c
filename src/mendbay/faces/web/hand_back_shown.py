"""What the page of a hand-back shows: past ones, their reports, and where a new one may be made."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from mendbay.core.errors import BagInvalid, DestinationError, NoSuchItem
from mendbay.core.quantity import bytes_text
from mendbay.faces.web.preview_pool import gate_of, pool_of
from mendbay.handback.bag import DECLARATION_NAME
from mendbay.handback.facts import VERDICTS
from mendbay.jobs.hand_back import REPORT_HTML, REPORT_JSON, REPORT_PDF
from mendbay.jobs.hand_back_place import JOURNAL
from mendbay.jobs.keep_copies import HAND_BACK_BEGUN, folders_told, recorded_hand_backs
from mendbay.jobs.preview_port import PDF_BYTES, MadePicture, NoPreview
from mendbay.wiring import looked_at_mount, mounted_mediums, report_file

if TYPE_CHECKING:
    from mendbay.faces.web.visit import Visit
    from mendbay.jobs.bench import Bench
    from mendbay.jobs.work_port import WorkOrder, WorkState

REPORT_BYTES = 256 << 20
SHOWN_BYTES = 32 << 20
"""The largest report of which the facts are shown on a page; a larger one is kept as a file."""
NOT_WHOLE_SHOWN = 200
"""Files that are not whole, on one page of a report's facts."""
PAST_SHOWN = 6
"""Hand-backs that the page of the hand-back shows; all of them have a page of their own."""
PAST_OF_A_PAGE = 50
MOST_PAGES = 10_000
BEGUN_SHOWN = 5
SAID_SHOWN = 100
REASONS_SHOWN = 8
UNUSED_SHOWN = 16
"""Sentences of a report, reasons of one file, drives of which nothing was taken: the folder may have been in
other hands."""
FORMS = {
    "pdf": (REPORT_PDF, "application/pdf"),
    "html": (REPORT_HTML, "application/octet-stream"),
    "json": (REPORT_JSON, "application/json"),
}
"""The forms of a report: its file, and as what it is sent to be kept."""


@dataclass(frozen=True, slots=True)
class PastHandBack:
    """A hand-back on record.

    Args:
        at: its place among those of the case, by which pages name it.
        is_there: its folder can be reached now, and holds its report.
        hangs: what it lies on does not answer.
        is_emptied: its folder is there, and its report is not.
    """

    at: int
    folder: str
    is_there: bool
    hangs: bool = False
    is_emptied: bool = False


@dataclass(frozen=True, slots=True)
class Cut:
    """Some of a list, from place `first` on; `total` there are."""

    rows: tuple[Any, ...]
    first: int
    total: int

    @property
    def more(self) -> int:
        """How many come behind these."""
        return max(0, self.total - self.first - len(self.rows))


def past_hand_backs(bench: Bench, case: int, first: int = 0, most: int = PAST_SHOWN) -> Cut:
    """Those of a case, the newest first. Whether a folder is there is asked of these alone: its medium may be
    slow, or gone."""
    found = [*reversed([*enumerate(recorded_hand_backs(bench, case))])]
    return Cut(tuple(_past(at, folder) for at, folder in found[first:][:most]), first, len(found))


def _past(at: int, folder: str) -> PastHandBack:
    try:
        is_there = _looked_for(folder, REPORT_JSON)
        return PastHandBack(at, folder, is_there, is_emptied=not is_there and _is_folder(folder))
    except TimeoutError:
        return PastHandBack(at, folder, is_there=False, hangs=True)


def begun_hand_backs(bench: Bench, case: int) -> tuple[str, ...]:
    """The newest folders of hand-backs that were begun, never finished, and are there to go on with."""
    done = set(recorded_hand_backs(bench, case))
    begun = [one for one in reversed(folders_told(bench, case, HAND_BACK_BEGUN)) if one not in done]
    return tuple(one for one in begun[: 2 * BEGUN_SHOWN] if _is_there(one, JOURNAL))[:BEGUN_SHOWN]


def is_begun(order: WorkOrder) -> bool:
    """Whether the folder of a hand-back that was ordered holds the beginnings of one now, to go on with."""
    return _is_there(str(order.options.get("folder", "")), JOURNAL)


def found_changed(state: WorkState) -> bool:
    """Whether a check of a copy went through and found it wrong: that is what it is for, and no trouble."""
    return state.trouble is not None and state.trouble.kind == BagInvalid.__name__


def require_copy(folder: Path) -> None:
    """Refuses a folder that is no hand-back at a glance, before a long check of it is begun.

    Raises:
        DestinationError: it cannot be reached, or holds no hand-back.
    """
    try:
        report_file(folder, DECLARATION_NAME, 1 << 16)
    except DestinationError as trouble:
        raise DestinationError(
            f"There is no hand-back in {folder} that can be read.",
            "Name the folder that holds its reports; if it is on a medium, plug that in first.",
        ) from trouble


def _is_there(folder: str, name: str) -> bool:
    """What does not answer is not there to go on with."""
    with suppress(TimeoutError):
        return _looked_for(folder, name)
    return False


def _looked_for(folder: str, name: str) -> bool:
    place = Path(folder) / name
    return _answered(place, place.is_file)


def _is_folder(folder: str) -> bool:
    place = Path(folder)
    return _answered(place, place.is_dir)


def _answered(place: Path, look: Callable[[], bool]) -> bool:
    """
    Raises:
        TimeoutError: what it lies on does not answer.
    """
    try:
        return looked_at_mount(place, look)
    except TimeoutError:
        raise
    except OSError:
        return False


def folder_at(bench: Bench, case: int, at: int) -> Path:
    """The folder of a hand-back on record; no other can be named.

    Raises:
        NoSuchItem: the case has no such hand-back.
    """
    found = recorded_hand_backs(bench, case)
    if not at < len(found):
        raise NoSuchItem(f"Case {case} has no such hand-back.", "Load the page again.")
    return Path(found[at])


def medium_choices() -> list[dict[str, Any]]:
    """The mediums that are plugged in, each with its folder, what it is in words, and whether it answers."""
    found = []
    for one in mounted_mediums():
        room = "" if one.room_bytes is None else f"{bytes_text(one.room_bytes)} free"
        drives = ", ".join(one.drives)
        hangs = "" if one.answers else "does not answer"
        words = ", ".join(part for part in (drives, one.file_system, room, hangs) if part)
        found.append({"folder": one.folder, "words": words, "answers": one.answers})
    return found


def report_facts(folder: Path, first: int = 0) -> dict[str, Any] | None:
    """What the report in a folder says, to be shown, with the files that are not whole from place `first` on;
    None where it is not the report of a hand-back. The folder may have been in other hands: nothing in it is
    taken on trust.

    Args:
        first: 0 for the first of them.

    Raises:
        DestinationError: there is none that can be read, or it is too large to be shown.
    """
    try:
        told = json.loads(report_file(folder, REPORT_JSON, SHOWN_BYTES))
        return _facts(told, first)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError, OverflowError):
        return None


def _facts(told: Mapping[str, Any], first: int) -> dict[str, Any]:
    totals = told["totals"]
    files = [one for one in told["files"] if one["verdict"] != "whole"]
    return {
        "made_at": str(told["made_at"]),
        "shop": str(told["shop"]),
        "keep_until": str(told["keep_until"] or ""),
        "drives": str(told["drives"]),
        "copied": _count(totals["copied"]),
        "verified": int(totals["verified_files"]),
        "not_chosen": int(totals.get("not_chosen_files", 0)),
        "unused": [
            (str(one["bay"])[:40], bool(one["was_read"]))
            for one in told.get("unused_drives", [])[:UNUSED_SHOWN]
        ],
        "verdicts": [(word, *_count(totals[word]).values()) for word in VERDICTS],
        "not_whole": Cut(
            tuple(_file(one) for one in files[first : first + NOT_WHOLE_SHOWN]), first, len(files)
        ),
        "proof": [(str(one["what"]), str(one["outcome"])) for one in told["proof"][:SAID_SHOWN]],
        "proof_more": max(0, len(told["proof"]) - SAID_SHOWN),
        "advice": [str(one) for one in told["advice"][:SAID_SHOWN]],
        "advice_more": max(0, len(told["advice"]) - SAID_SHOWN),
    }


def report_picture(visit: Visit, folder: Path, page: int) -> MadePicture | NoPreview:
    """A page of the report in a folder, drawn as it is printed, or why it is not.

    Raises:
        DestinationError: there is none that can be read.
        NoSuchItem: it has no such page.
        MendbayError: too many previews are asked for at once.
    """
    with gate_of(visit.desk).through(visit.gone):
        pdf = report_file(folder, REPORT_PDF, PDF_BYTES)
        shown = pool_of(visit.desk).page(pdf, page, stop=visit.gone)
    if isinstance(shown, NoPreview) and shown.beyond:
        raise NoSuchItem(f"The report in {folder} has no page {page}.", "Begin with its first page.")
    return shown


def _count(tally: Mapping[str, Any]) -> dict[str, int]:
    return {name: int(tally[name]) for name in ("files", "size_bytes", "missing_bytes")}


def _file(one: Mapping[str, Any]) -> dict[str, Any]:
    raw = one["raw_path_hex"]
    path = bytes.fromhex(raw) if raw else str(one["path"]).removeprefix("data/").encode()
    verdict = str(one["verdict"])
    return {
        "path": path,
        "verdict": verdict if verdict in VERDICTS else "unproven",
        "missing": sum(int(gap["stop"]) - int(gap["start"]) for gap in one["gaps"]),
        "size": int(one["size_bytes"]),
        "reasons": [str(each) for each in one["reasons"][:REASONS_SHOWN]],
    }
