"""How many files a case's listings showed, kept with the case: opening its volume anew takes long."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from mendbay.core.quantity import count_text, counted
from mendbay.files.verdict import Verdict
from mendbay.jobs.bench import Bench
from mendbay.jobs.other_half import ASIDE

KIND = "files"
"""Kind of the event that tells it."""
WHOLE, SEEN = "whole_files", "files_seen"


@dataclass(frozen=True, slots=True)
class FilesSeen:
    """What the last listing of all files showed.

    Args:
        seen: files of any verdict.
        whole: those that are proven whole.
        day: on which it was so first, 2026-11-25; empty if none was made.
    """

    seen: int = 0
    whole: int = 0
    day: str = ""


def note_files(bench: Bench, case: int, verdicts: Mapping[str, int]) -> None:
    """Notes how many files a listing of all of a case's files showed, unless the last one showed the same.

    Args:
        verdicts: how many files of each verdict, by its word.

    Raises:
        NoSuchCase: there is no such case.
    """
    seen, whole = sum(verdicts.values()), verdicts.get(str(Verdict.WHOLE), 0)
    last = files_seen(bench, case)
    if not last.day or (last.seen, last.whole) != (seen, whole):
        words = f"Files listed: {counted(seen, 'file')}, {count_text(whole)} of them whole."
        bench.note(case, KIND, words, {SEEN: seen, WHOLE: whole})


def files_seen(bench: Bench, case: int) -> FilesSeen:
    """What the last listing showed; nothing if none was made since an image was set aside.

    Raises:
        NoSuchCase: there is no such case.
    """
    for one in reversed(bench.ledger.events(case)):
        if ASIDE in one.facts:
            break
        seen, whole = one.facts.get(SEEN), one.facts.get(WHOLE)
        if one.kind == KIND and isinstance(seen, int) and isinstance(whole, int):
            return FilesSeen(seen, whole, one.at[:10])
    return FilesSeen()
