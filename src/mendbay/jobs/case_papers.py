"""The papers that were made of a case, as custody tells of them, and their bytes."""

from __future__ import annotations

from dataclasses import dataclass, replace

from mendbay.case.records import Case
from mendbay.core.errors import SourceChanged, UsageError
from mendbay.jobs.bench import Bench
from mendbay.jobs.money_notes import payments_taken_back
from mendbay.jobs.remembered import remembered

FOLDER = "papers/"
"""Below it the papers of a case lie, in its folder."""
LARGEST_BYTES = 64 << 20
"""Of a paper that is read again (own choice; ours have some pages)."""


@dataclass(frozen=True, slots=True)
class MadePaper:
    """A paper of a case.

    Args:
        at, who: when it was made, and by whom.
        what: as custody tells it.
        name: of its file below `FOLDER`.
        void: why it shows nothing that holds any more, as a sentence; empty while it does.
    """

    at: str
    who: str
    what: str
    name: str
    void: str = ""


def papers_made(bench: Bench, number: int) -> tuple[MadePaper, ...]:
    """The papers of a case, the newest first.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
    """
    remembered(bench, number)
    found: dict[str, MadePaper] = {}
    for one in bench.ledger.custody(number):
        path = one.item.partition(",")[0]
        name = path.removeprefix(FOLDER)
        if path.startswith(FOLDER) and name.endswith(".pdf") and "/" not in name:
            found[name] = MadePaper(one.at, one.who, one.what, name)
    for back in payments_taken_back(bench, number):
        name = f"payment-{back.payment.number}.pdf"
        if name in found:
            void = f"Payment {back.payment.number} was taken back: this paper counts no longer."
            found[name] = replace(found[name], void=void)
    return tuple(reversed(found.values()))


def paper_bytes(bench: Bench, number: int, name: str) -> bytes:
    """The bytes of one of them.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
        UsageError: custody tells of no such paper.
        SourceChanged: its file is gone, is no regular file, or is larger than any paper.
    """
    if name not in {one.name for one in papers_made(bench, number)}:
        raise UsageError(
            f"No paper {name[:60]!r} of case {number} was made.",
            f"mendbay case custody {number} tells of those that were.",
        )
    return bytes_of_paper(bench, remembered(bench, number), f"{FOLDER}{name}")


def bytes_of_paper(bench: Bench, case: Case, path: str) -> bytes:
    """The bytes of a paper as they lie in the folder of a case.

    Args:
        path: its place there.

    Raises:
        SourceChanged: its file is gone, is no regular file, or is larger than any paper.
    """
    data = bytearray()
    for piece in bench.files.read(case, path):
        data += piece
        if len(data) > LARGEST_BYTES:
            raise SourceChanged(
                f"The paper {path.removeprefix(FOLDER)} of case {case.number} is larger than any paper.",
                "It is not ours any more.",
            )
    return bytes(data)
