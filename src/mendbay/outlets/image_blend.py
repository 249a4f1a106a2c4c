"""Takes over into one image what another image of the same drive holds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from mendbay.core.errors import ForeignImage
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.lacking import Refusal
from mendbay.imaging.trouble import Trouble, trouble_of
from mendbay.jobs.ports import Blended, Run
from mendbay.outlets.image_file import ImageFile
from mendbay.outlets.log_fold import fold

NOT_GIVEN = ("refused", "hung")


def blend(into: ImageFile, other: ImageFile, spans: SpanSet, origin: str = "") -> Blended:
    """Takes over the bytes of `spans`, and every refusal that still stands in the other, with adapters,
    benches and times of its runs; durable when it returns. Bytes of which the other's digests
    say that they are not what the drive gave are left. `origin` is noted with the runs as what they were
    taken from; empty for the file's name.

    Raises:
        ForeignImage: both are the same file, or of drives of different size.
    """
    if other.identity.size_bytes != into.identity.size_bytes:
        raise ForeignImage(
            f"{other.path} is of a drive of {other.identity.size_bytes} bytes, {into.path} of one of "
            f"{into.identity.size_bytes}.",
            "Blend only images of one and the same drive.",
        )
    if into.path.samefile(other.path):
        raise ForeignImage(
            f"{other.path} is the image of this bay itself.", "Name the image to be blended in."
        )
    numbers = _adopt_runs(into, other, origin or other.path.name)
    _adopt_refusals(into, other, numbers)
    taken: list[Span] = []
    unsound: list[Span] = []
    for claim in other.claims():
        wanted = spans.clip(claim.span)
        if not wanted:
            continue
        data = other.take(claim.span)
        if claim.is_held_by(data) is False:
            unsound.append(claim.span)
            continue
        for part in wanted:
            at = part.start - claim.span.start
            into.adopt(part, memoryview(data)[at : at + part.length], claim, numbers[claim.run])
            taken.append(part)
    into.commit()
    return Blended(SpanSet(taken), SpanSet(unsound), numbers)


def _adopt_runs(into: ImageFile, other: ImageFile, origin: str) -> dict[int, int]:
    """The numbers that the other's runs have here; those that are not known yet are noted."""
    known = {_key(run): run.number for run in into.runs()}
    numbers: dict[int, int] = {}
    for run in other.runs():
        there = known.get(_key(run))
        if there is None:
            there = into.adopt_run(replace(run, taken_from=origin))
        numbers[run.number] = there
    return numbers


def _key(run: Run) -> tuple[str, str, str, str]:
    return run.adapter, run.source, run.started_at, run.bench


def _adopt_refusals(into: ImageFile, other: ImageFile, numbers: Mapping[int, int]) -> None:
    """Every refused read that still stands in the other, unless it was blended in before."""
    noted = {(row.run, row.start, row.stop, row.at) for row in into.rows() if row.outcome in NOT_GIVEN}
    for row in fold(other.rows()).refused:
        if (numbers[row.run], row.start, row.stop, row.at) not in noted:
            trouble = trouble_of(row.outcome, row.error, row.trouble) or Trouble.UNKNOWN
            span = Span(row.start, row.stop)
            refusal = Refusal(span, numbers[row.run], row.seconds, row.error, trouble, row.at, row.celsius)
            into.adopt_refusal(refusal, row.outcome)
