"""Works on files: one that reads a file of a case, one that checks a hand-back in a folder."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from mendbay.core.errors import Interrupted
from mendbay.faces.handback_words import checked_json, checked_words
from mendbay.faces.wording import verdict_text
from mendbay.files.verdict import Verdict
from mendbay.jobs.bench import Bench
from mendbay.jobs.file_work_options import CheckHandBack, ReadFile
from mendbay.jobs.list_files import show_file
from mendbay.jobs.reached_customer import check_hand_back
from mendbay.jobs.work_port import Outcome
from mendbay.wiring import shop_copies

CameTo = tuple[Outcome, Mapping[str, object], list[str]]
"""How a work ended, what it came to, and the same in sentences."""


def read_a_file(bench: Bench, case: int, options: ReadFile) -> CameTo:
    """Reads a file on the images and compares it with what was noted of it.

    Raises:
        Interrupted: it was stopped.
        MendbayError: whatever the job raises.
    """
    try:
        detail = show_file(bench, case, options.path)
    except Interrupted:
        raise Interrupted(
            "Stopped before the whole file was read.", "Read it again: it begins anew."
        ) from None
    judgement = detail.line.judgement
    if judgement is None:
        return Outcome.DONE, {"verdict": None}, ["It is no file: there is nothing to be read."]
    words = [f"Read and compared: {verdict_text(judgement, detail.layout.size_bytes)}."]
    outcome = Outcome.DONE if judgement.verdict is Verdict.WHOLE else Outcome.INCOMPLETE
    return outcome, {"verdict": str(judgement.verdict)}, [*words, *judgement.reasons]


def check_a_hand_back(bench: Bench, home: Path, options: CheckHandBack) -> CameTo:
    """Checks a hand-back in a folder down to the last digest.

    Raises:
        Interrupted: it was stopped.
        BagInvalid: it is not complete, or was changed.
        MendbayError: whatever else the job raises.
    """
    try:
        done = check_hand_back(bench, shop_copies(home), options.folder)
    except Interrupted:
        raise Interrupted(
            "Stopped before all of it was checked.", "Check it again: it begins anew."
        ) from None
    return Outcome.DONE, checked_json(done, options.folder), checked_words(done, options.folder)
