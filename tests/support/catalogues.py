"""Entries of invented trees, and a catalogue of them."""

from __future__ import annotations

from collections.abc import Sequence

from mendbay.core.source import Gap, Lack
from mendbay.core.span import Span, SpanSet
from mendbay.files.catalogue import Catalogue
from mendbay.files.catalogue_build import CatalogueBuilder
from mendbay.files.catalogue_rows import require_sound
from mendbay.files.tree import Entry, Kind, Proof
from mendbay.files.verdict import Judgement, Verdict


def entry(
    path: bytes, kind: Kind = Kind.FILE, *, size: int = 10, named: bool = True, problems: tuple[str, ...] = ()
) -> Entry:
    return Entry(
        path, kind, 12, size, 0o100644, 1_700_000_000, 1_700_000_001, 1, Proof.CHECKSUM, named, None, problems
    )


def judgement(verdict: Verdict, missing: int = 0) -> Judgement:
    gaps = (Gap(Span(0, missing), Lack.REFUSED),) if missing else ()
    return Judgement(verdict, gaps, SpanSet(), SpanSet(), ())


def catalogue_of(entries: Sequence[Entry], verdicts: Sequence[Verdict] = ()) -> Catalogue:
    """The catalogue of these entries, held against what must be so. Files without a verdict are whole."""
    builder = CatalogueBuilder()
    told = iter(verdicts)
    for one in entries:
        judged = judgement(next(told, Verdict.WHOLE)) if one.kind is Kind.FILE else None
        builder.add(one, judged)
    columns = builder.columns()
    require_sound(columns)
    return Catalogue(columns)
