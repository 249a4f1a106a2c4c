"""Whether dumps that a family is to be learned from are good ones, as far as the ledger knows."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from mendbay.board.transfer_plan import Role
from mendbay.case.records import CaseState
from mendbay.core.errors import MendbayError, UsageError
from mendbay.core.quantity import counted
from mendbay.jobs.bench import Bench
from mendbay.jobs.rom_reads import RomRead, reads_of_shop

OVER = (CaseState.CLOSED, CaseState.HANDED_BACK)
"""Of such a case it is known whether its drive was read."""


def require_good(bench: Bench, dumps: Mapping[str, str]) -> None:
    """Passes where nothing the ledger knows speaks against dumps being good ones.

    Args:
        dumps: their names, by SHA-256.

    Raises:
        UsageError: one is a read of an open case's own patient, of a sitting that was taken back, or of one
            whose reads differ.
    """
    doubts = list(_doubts(bench, dumps))
    if doubts:
        raise UsageError(
            f"{' '.join(doubts)} Nothing was learned.",
            "Leave them out; or, if you know that they are good, say so (--also-doubtful; a tick here).",
        )


def _doubts(bench: Bench, dumps: Mapping[str, str]) -> Iterator[str]:
    sittings: dict[tuple[int, str, Role, int], list[RomRead]] = {}
    for case, bay, read in reads_of_shop(bench):
        sittings.setdefault((case, bay, read.role, read.sitting), []).append(read)
    told: set[str] = set()
    for (case, bay, role, sitting), reads in sittings.items():
        digests = {one.file.sha256 for one in reads}
        for digest in sorted(digests & dumps.keys() - told):
            where = f"the {role.value} of case {case}, bay {bay}"
            why = ""
            if reads[0].withdrawn:
                why = f"a read of {where} that was taken back: {reads[0].withdrawn}"
            elif len(digests) > 1:
                why = f"one of {counted(len(reads), 'read')} of {where} (sitting {sitting}) that differ"
            elif role is Role.PATIENT and _is_open(bench, case):
                why = f"the read of {where}, which is open: nobody knows yet whether it is good"
            if why:
                told.add(digest)
                yield f"{dumps[digest]} is {why.rstrip('.')}."


def _is_open(bench: Bench, case: int) -> bool:
    try:
        return bench.ledger.case(case).state not in OVER
    except MendbayError:  # it was forgotten, and its drive's fate with it
        return True
