"""The certificate of an erasure: what was done, to what, how it was checked, and what was not reached.

Fields after NIST SP 800-88 revision 1, appendix G (from memory); terms after revision 2 (September 2025, from
memory): Clear, Purge and Destroy, the stress on validation, techniques left to IEEE 2883.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from hashlib import sha256

from mendbay.handback.erasure import ErasurePlan, PlannedFile, Proof, Sort, totals
from mendbay.handback.erasure_limits import Medium, limits

FORMAT = "erasure certificate 1"
METHOD = (
    "Clear, of the current blocks of the files listed and of nothing else. It is no sanitization of the "
    "medium, which stays in use; neither Purge nor Destroy was done."
)
TECHNIQUE = (
    "One pass over every stored range of each file, in place, through the file system; flushed to the "
    "medium; then renamed, cut to no length, and removed. Holes of sparse files hold nothing and were left "
    "out."
)
PATTERN = (
    "Pseudo-random bytes of a new seed for each file (Philox 4x64-10), so that no layer below can leave "
    "them out as zeros, or keep one copy of equal blocks."
)
VERIFICATION = (
    "Every byte written was read back and compared before the file was removed. The system was asked to "
    "drop its own copies in memory first; whether the drive answered from its medium or its memory cannot "
    "be told."
)


@dataclass(frozen=True, slots=True)
class Done:
    """What the eraser did.

    Args:
        started_at, ended_at: UTC.
        overwritten_bytes: that were written, read back and found equal, over all files erased.
        erased, left: numbers of planned files; `left` with why.
    """

    started_at: str
    ended_at: str
    overwritten_bytes: int
    erased: tuple[int, ...]
    left: tuple[tuple[int, str], ...] = ()


@dataclass(frozen=True, slots=True)
class ErasedFile:
    """A file on the certificate. Of a hand-back no names are listed: they are the customer's."""

    path: str
    sort: str
    size_bytes: int
    stored_bytes: int
    digest: str


@dataclass(frozen=True, slots=True)
class ErasureCertificate:
    """
    Args:
        plan_sha256: digest of the plan.
        performed_by, place: who did it, and where.
        source: whose copies these were.
        files: those of the case's own folder, one by one.
        sorts: for each sort how many files and bytes were erased.
        left: what was planned and not erased, with why; left_because: why it was ended so.
        destination: what becomes of the medium.
        kept: what stays in the shop.
    """

    plan: str
    plan_sha256: str
    case: int
    performed_by: str
    place: str
    started_at: str
    ended_at: str
    source: str
    keep_until: str
    reason: str
    proof: Proof
    media: tuple[Medium, ...]
    tool: str
    overwritten_bytes: int
    files: tuple[ErasedFile, ...]
    sorts: tuple[tuple[str, int, int], ...]
    left: tuple[tuple[str, str], ...]
    left_because: str
    kept: tuple[str, ...]
    destination: str = "stays in use in the shop"
    method: str = METHOD
    technique: str = TECHNIQUE
    pattern: str = PATTERN
    verification: str = VERIFICATION

    def to_json(self) -> str:
        """The certificate as JSON, indented, in the order of its fields; media with what was not reached."""
        body = asdict(self)
        for told, medium in zip(body["media"], self.media, strict=True):
            told["not_reached"] = [asdict(one) for one in limits(medium)]
        return json.dumps({"format": FORMAT, **body}, ensure_ascii=False, indent=1) + "\n"

    @property
    def digest(self) -> str:
        """SHA-256 of `to_json`."""
        return sha256(self.to_json().encode()).hexdigest()


def certify(
    plan: ErasurePlan,
    done: Done,
    media: Sequence[Medium],
    *,
    performed_by: str,
    place: str,
    tool: str,
    kept: Sequence[str],
    left_because: str = "",
) -> ErasureCertificate:
    """The certificate of what was done. Only what the eraser says it erased stands on it as erased.

    Raises:
        ValueError: not every planned file is told of, or some were left without a reason to end there.
    """
    told = sorted([*done.erased, *(number for number, _ in done.left)])
    if told != list(range(len(plan.files))) or (done.left and not left_because.strip()):
        raise ValueError("an erasure is certified when every file is accounted for")
    erased = [plan.files[number] for number in done.erased]
    return ErasureCertificate(
        plan=plan.name,
        plan_sha256=plan.digest,
        case=plan.case,
        performed_by=performed_by,
        place=place,
        started_at=done.started_at,
        ended_at=done.ended_at,
        source=f"copies that the shop made in case {plan.case}; the customer's own drives are not among them",
        keep_until=plan.keep_until,
        reason=plan.reason,
        proof=plan.proof,
        media=tuple(media),
        tool=tool,
        overwritten_bytes=done.overwritten_bytes,
        files=tuple(_erased(one) for one in erased if one.sort is not Sort.HAND_BACK),
        sorts=tuple((str(sort), *counts) for sort, counts in totals(erased).items()),
        left=tuple((_called(plan.files[number]), why) for number, why in done.left),
        left_because=left_because,
        kept=tuple(kept),
    )


def _erased(one: PlannedFile) -> ErasedFile:
    return ErasedFile(one.path, str(one.sort), one.size_bytes, one.stored_bytes, one.digest)


def _called(one: PlannedFile) -> str:
    return (
        one.path if one.sort is not Sort.HAND_BACK else f"a file of {one.size_bytes} bytes of the hand-back"
    )
