"""What the page of a hand-back shows: past ones, their reports, and where a new one may be made."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from mendbay.core.errors import NoSuchItem
from mendbay.core.quantity import bytes_text
from mendbay.handback.facts import VERDICTS
from mendbay.jobs.hand_back import REPORT_HTML, REPORT_JSON, REPORT_PDF
from mendbay.jobs.hand_back_place import JOURNAL
from mendbay.jobs.keep_copies import HAND_BACK_BEGUN, folders_told, recorded_hand_backs
from mendbay.wiring import mounted_mediums, report_file

if TYPE_CHECKING:
    from mendbay.jobs.bench import Bench

REPORT_BYTES = 256 << 20
SHOWN_BYTES = 32 << 20
"""The largest report of which the facts are shown on a page; a larger one is kept as a file."""
NOT_WHOLE_SHOWN = 200
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
        is_there: its folder can be reached now.
    """

    at: int
    folder: str
    is_there: bool


def past_hand_backs(bench: Bench, case: int) -> tuple[PastHandBack, ...]:
    """Those of a case, the newest first."""
    found = recorded_hand_backs(bench, case)
    return tuple(
        PastHandBack(at, folder, _is_there(folder, REPORT_JSON))
        for at, folder in reversed([*enumerate(found)])
    )


def begun_hand_backs(bench: Bench, case: int) -> tuple[str, ...]:
    """The folders of hand-backs that were begun, never finished, and are there to go on with."""
    done = set(recorded_hand_backs(bench, case))
    begun = folders_told(bench, case, HAND_BACK_BEGUN)
    return tuple(one for one in begun if one not in done and _is_there(one, JOURNAL))


def _is_there(folder: str, name: str) -> bool:
    try:
        return (Path(folder) / name).is_file()
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


def medium_choices() -> list[dict[str, str]]:
    """The mediums that are plugged in, each with its folder and what it is in words."""
    found = []
    for one in mounted_mediums():
        room = "" if one.room_bytes is None else f"{bytes_text(one.room_bytes)} free"
        drives = ", ".join(one.drives)
        words = ", ".join(part for part in (drives, one.file_system, room) if part)
        found.append({"folder": one.folder, "words": words})
    return found


def report_facts(folder: Path) -> dict[str, Any] | None:
    """What the report in a folder says, to be shown; None where it is not the report of a hand-back. The
    folder may have been in other hands: nothing in it is taken on trust.

    Raises:
        DestinationError: there is none that can be read, or it is too large to be shown.
    """
    try:
        told = json.loads(report_file(folder, REPORT_JSON, SHOWN_BYTES))
        return _facts(told)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError, OverflowError):
        return None


def _facts(told: Mapping[str, Any]) -> dict[str, Any]:
    totals = told["totals"]
    files = [one for one in told["files"] if one["verdict"] != "whole"]
    return {
        "made_at": str(told["made_at"]),
        "shop": str(told["shop"]),
        "keep_until": str(told["keep_until"] or ""),
        "drives": str(told["drives"]),
        "copied": _count(totals["copied"]),
        "verified": int(totals["verified_files"]),
        "verdicts": [(word, *_count(totals[word]).values()) for word in VERDICTS],
        "not_whole": [_file(one) for one in files[:NOT_WHOLE_SHOWN]],
        "not_whole_count": len(files),
        "proof": [(str(one["what"]), str(one["outcome"])) for one in told["proof"]],
        "advice": [str(one) for one in told["advice"]],
    }


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
        "reasons": [str(each) for each in one["reasons"]],
    }
