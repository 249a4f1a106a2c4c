"""How long copies are kept and what an erasure reaches, in the words of the bench, for every face."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from mendbay.core.quantity import bytes_text, counted
from mendbay.handback.erasure_limits import Medium, Reach

if TYPE_CHECKING:
    from mendbay.handback.erasure import ErasurePlan, PlannedFile
    from mendbay.handback.erasure_certificate import ErasureCertificate
    from mendbay.jobs.erase_copies import Erased
    from mendbay.jobs.keep_copies import Held

REACHES = {Reach.APPLIES: "APPLIES", Reach.POSSIBLE: "possible", Reach.NOT_HERE: "not here"}
"""Whether what overwriting cannot reach is there."""
AFTER = "after the hand-back, or after the closing without one"
"""What the days of keeping run from, after their number."""
IN_USE = "The medium stays in use and is not sanitized; the certificate says what was not reached."


def is_number_of(typed: str, case: int) -> bool:
    """Whether the number of a case was typed, plain or with the zeros that papers print before it."""
    return typed.strip() in (str(case), f"{case:04}")


def kept_words(case: int, until: str) -> str:
    """Until which day copies are kept, once that is put down."""
    return f"The copies of case {case} are kept until {until}, that day included."


def rule_words(found: Iterable[Held]) -> Iterator[str]:
    """Where no day is put down, whose word it is that copies are kept so long."""
    held = tuple(found)
    grounds = {True: "as the customer said", False: "by the shop's rule, as nothing was agreed"}
    for agreed, ground in grounds.items():
        cases = [
            str(one.case.number) for one in held if not one.case.keep_until and one.rule.agreed is agreed
        ]
        if cases:
            of = f"case{'s' if len(cases) > 1 else ''} {', '.join(cases)}"
            yield f"Of {of} no day is put down yet: copies are kept so long {AFTER}, {ground}."


def ground_words(plan: ErasurePlan) -> str:
    """Why the copies may go."""
    return f"Reason: {plan.reason}" if plan.reason else f"Kept until {plan.keep_until}, which is over."


def proof_words(plan: ErasurePlan) -> list[str]:
    """What proves that the customer has the files."""
    proof, lines = plan.proof, []
    if proof.manifest_sha256:
        lines.append(
            f"Hand-back checked: {proof.folder}, {counted(proof.files, 'file')}, "
            f"{bytes_text(proof.size_bytes)}, every digest right; on "
            f"{'another medium than the cases' if proof.elsewhere else 'the medium of the cases'}."
        )
    if proof.handed_over:
        lines.append(f"Handed over to the customer: {proof.handed_over}.")
    if proof.word:
        lines.append(f"Said of the hand-back: {proof.word}")
    return lines


def file_words(one: PlannedFile) -> str:
    """A file that goes."""
    where = f"{one.root}/" if one.root else ""
    holes = "" if one.stored_bytes >= one.size_bytes else f", {bytes_text(one.stored_bytes)} stored"
    return f"{where}{one.path}: {bytes_text(one.size_bytes)}{holes}"


def medium_words(medium: Medium) -> str:
    """What the files lie on."""
    drives = ", ".join(
        " ".join(part for part in (one.name, one.model, one.serial and f"serial {one.serial}") if part)
        for one in medium.devices
    )
    return f"On a file system {medium.file_system or 'unknown'}, {drives or 'no drive known below it'}:"


def erased_words(certificate: ErasureCertificate) -> str:
    """What was erased, in a sentence."""
    files = sum(count for _, count, _ in certificate.sorts)
    return (
        f"{counted(files, 'file')} of case {certificate.case} erased: "
        f"{bytes_text(certificate.overwritten_bytes)} overwritten, read back and equal."
    )


def plan_left_words(plan: str) -> str:
    """That the file of a plan that is carried out could not be removed.

    Args:
        plan: its number.
    """
    return f"The plan erasures/plan-{plan}.json names files and is still there: remove it."


def erased_json(done: Erased) -> dict[str, object]:
    """What was erased and what was left, for programs."""
    certificate = done.certificate
    return {
        "case": certificate.case,
        "plan": certificate.plan,
        "certificate": done.path,
        "sha256": done.sha256,
        "overwritten_bytes": certificate.overwritten_bytes,
        "erased": [
            {"class": sort, "files": count, "size_bytes": size} for sort, count, size in certificate.sorts
        ],
        "left": [{"what": what, "why": why} for what, why in certificate.left],
        "plan_gone": done.plan_gone,
    }
