"""Why a file has its verdict, as it is told: numbers in groups, and which half is meant."""

from __future__ import annotations

from typing import cast

import pytest

from mendbay.core.quantity import THIN_SPACE
from mendbay.core.source import Mark, Origin
from mendbay.core.span import Span, SpanSet
from mendbay.files.tree import Entry, Layout
from mendbay.files.verdict import Judgement, Verdict
from mendbay.jobs.list_files import FileDetail, FileLine, Piece, told_reasons


def detail(reason: str, mark: Mark | None) -> FileDetail:
    """Of a file of which bay 1 gave the first half and bay 2, with that mark, the second."""
    judgement = Judgement(Verdict.WHOLE, (), SpanSet(), SpanSet(), (reason,))
    pieces = (
        Piece(Origin(Span(0, 512), "1", Span(0, 512)), 1, "port"),
        Piece(Origin(Span(512, 1024), "2", Span(512, 1024), mark), 1, "port"),
    )
    return FileDetail(FileLine(cast(Entry, None), judgement), cast(Layout, None), pieces)


@pytest.mark.parametrize(
    ("mark", "reason", "told"),
    [
        (
            Mark.OTHER_HALF,
            "1172480 bytes come from the other half of the mirror",
            "1_172_480 bytes come from the other half of the mirror (bay 2)",
        ),
        (
            Mark.POSSIBLY_OLDER,
            "4096 bytes come from the half that fell behind and may be older",
            "4_096 bytes come from the half that fell behind (bay 2) and may be older",
        ),
        (None, "its inode is damaged", "its inode is damaged"),
    ],
)
def test_the_half_is_named_and_digits_stand_in_groups(mark: Mark | None, reason: str, told: str) -> None:
    assert told_reasons(detail(reason, mark)) == (told.replace("_", THIN_SPACE),)
