"""The verdict on a file, by its gaps, marks and the proof of its description."""

from __future__ import annotations

from dataclasses import replace

import pytest

from mendbay.core.source import Gap, Lack, Mark, Marked, Outlook
from mendbay.core.span import Span, SpanSet
from mendbay.files.tree import Entry, Extent, Kind, Layout, Proof
from mendbay.files.verdict import SETTLE_SECONDS, Verdict, file_outlook, file_readings, judge, nothing_left
from support.sources import MemorySource

PARTED_AT = 1_700_000_000
ENTRY = Entry(
    path=b"a",
    kind=Kind.FILE,
    inode=12,
    size_bytes=10_000,
    mode=0o100644,
    modified_at=PARTED_AT - 10 * SETTLE_SECONDS,
    changed_at=PARTED_AT - 10 * SETTLE_SECONDS,
    links=1,
    proof=Proof.CHECKSUM,
)
LAYOUT = Layout(10_000, (Extent(Span(0, 4096), 8192), Extent(Span(4096, 10_000), 40_960)), SpanSet())


def marked(*marks: Mark) -> Outlook:
    return Outlook((), tuple(Marked(Span(0, 512), mark) for mark in marks))


def test_complete_and_proven_is_whole() -> None:
    assert judge(ENTRY, LAYOUT, Outlook()).verdict is Verdict.WHOLE


def test_bytes_of_a_half_in_step_leave_a_file_whole_but_are_told() -> None:
    found = judge(ENTRY, LAYOUT, marked(Mark.OTHER_HALF))
    assert found.verdict is Verdict.WHOLE
    assert found.other_half == SpanSet([Span(0, 512)])
    assert "512 bytes" in found.reasons[0]


def test_missing_bytes_make_a_hole_and_only_all_of_them_a_loss() -> None:
    some = Outlook((Gap(Span(512, 1024), Lack.REFUSED),))
    assert judge(ENTRY, LAYOUT, some).verdict is Verdict.HOLED
    everything = Outlook((Gap(Span(0, 10_000), Lack.REFUSED),))
    assert judge(ENTRY, LAYOUT, everything).verdict is Verdict.LOST


def test_what_was_never_asked_for_is_not_lost() -> None:
    found = judge(ENTRY, LAYOUT, Outlook((Gap(Span(0, 10_000), Lack.UNREAD),)))
    assert found.verdict is Verdict.HOLED
    assert "not been asked for" in found.reasons[0]


def test_a_name_without_an_inode_is_lost_not_an_empty_file() -> None:
    entry = replace(
        ENTRY, size_bytes=0, mode=0, changed_at=0, proof=Proof.NONE, problems=("its inode cannot be read",)
    )
    nothing = Layout(0, (), SpanSet(), proof=Proof.NONE, problems=entry.problems)
    found = judge(entry, nothing, Outlook())
    assert found.verdict is Verdict.LOST
    assert found.reasons == entry.problems
    empty = replace(ENTRY, size_bytes=0)
    assert judge(empty, Layout(0, (), SpanSet()), Outlook()).verdict is Verdict.WHOLE


def test_a_sparse_rest_does_not_save_a_file_whose_stored_bytes_are_gone() -> None:
    sparse = Layout(1 << 20, (Extent(Span(0, 4096), 8192),), SpanSet())
    entry = replace(ENTRY, size_bytes=1 << 20)
    assert judge(entry, sparse, Outlook((Gap(Span(0, 4096), Lack.REFUSED),))).verdict is Verdict.LOST


def test_an_empty_file_is_whole() -> None:
    assert judge(replace(ENTRY, size_bytes=0), Layout(0, (), SpanSet()), Outlook()).verdict is Verdict.WHOLE


def test_an_unproven_description_makes_the_file_unproven() -> None:
    for entry, layout in (
        (replace(ENTRY, proof=Proof.NONE, problems=("why",)), LAYOUT),
        (ENTRY, replace(LAYOUT, proof=Proof.NONE, problems=("why",))),
    ):
        found = judge(entry, layout, Outlook())
        assert found.verdict is Verdict.UNPROVEN
        assert found.reasons == ("why",)


OLD = marked(Mark.OTHER_HALF, Mark.POSSIBLY_OLDER)


@pytest.mark.parametrize(
    ("changed_at", "parted_at", "proof", "verdict"),
    [
        (PARTED_AT - 10 * SETTLE_SECONDS, PARTED_AT, Proof.CHECKSUM, Verdict.WHOLE),
        (PARTED_AT - 10 * SETTLE_SECONDS, PARTED_AT, Proof.STRUCTURE, Verdict.WHOLE),
        (PARTED_AT - 10 * SETTLE_SECONDS, PARTED_AT, Proof.NONE, Verdict.UNPROVEN),
        (PARTED_AT - SETTLE_SECONDS // 2, PARTED_AT, Proof.CHECKSUM, Verdict.UNPROVEN),
        (PARTED_AT + 1, PARTED_AT, Proof.CHECKSUM, Verdict.UNPROVEN),
        (PARTED_AT - 10 * SETTLE_SECONDS, None, Proof.CHECKSUM, Verdict.UNPROVEN),
        (0, PARTED_AT, Proof.CHECKSUM, Verdict.UNPROVEN),
    ],
)
def test_bytes_of_the_older_half_count_only_in_files_left_alone_since_before(
    changed_at: int, parted_at: int | None, proof: Proof, verdict: Verdict
) -> None:
    entry = replace(ENTRY, changed_at=changed_at, proof=proof)
    found = judge(entry, LAYOUT, OLD, parted_at)
    assert found.verdict is verdict
    assert bool(found.older) is (verdict is Verdict.UNPROVEN)


def test_readings_follow_each_other_and_name_what_is_missing() -> None:
    data = bytes(range(256)) * 256
    volume = MemorySource(data, {Lack.REFUSED: SpanSet([Span(8192, 8704)])})
    layout = Layout(
        30_000,
        (
            Extent(Span(0, 4096), 8192),
            Extent(Span(12_288, 16_384), 40_960),
            Extent(Span(16_384, 20_480), None),
        ),
        SpanSet([Span(20_480, 24_576)]),
    )
    parts = list(file_readings(volume, layout, chunk_bytes=3000))
    at = 0
    for part in parts:
        assert part.span.start == at
        at = part.span.stop
    assert at == layout.size_bytes
    whole = b"".join(part.data for part in parts)
    assert whole[512:4096] == data[8704:12_288]
    assert whole[4096:12_288] == bytes(8192)
    assert whole[12_288:16_384] == data[40_960:45_056]
    gaps = SpanSet(gap.span for part in parts for gap in part.gaps)
    assert gaps == SpanSet([Span(0, 512), Span(20_480, 24_576)])
    assert SpanSet(gap.span for gap in file_outlook(volume, layout).gaps) == gaps


def test_inline_content_is_given_as_it_is() -> None:
    layout = Layout(5, (), SpanSet(), inline=b"hello")
    (only,) = file_readings(MemorySource(bytes(512)), layout)
    assert only.data == b"hello"
    assert only.is_complete


def test_a_name_whose_inode_is_refused_is_lost_but_not_while_it_is_only_unread() -> None:
    bare = replace(ENTRY, size_bytes=0, mode=0, changed_at=0, modified_at=0, proof=Proof.NONE)
    nothing = Layout(0, (), SpanSet(), proof=Proof.NONE)
    refused = replace(bare, problems=("its inode cannot be read",))
    assert judge(refused, nothing, Outlook()).verdict is Verdict.LOST
    unread = replace(bare, problems=("its inode has not been read yet",))
    assert judge(unread, nothing, Outlook()).verdict is Verdict.UNPROVEN


def test_nothing_is_left_only_of_files_that_had_stored_bytes() -> None:
    sparse = Layout(1 << 20, (Extent(Span(0, 4096), 8192),), SpanSet())
    assert nothing_left(sparse, SpanSet([Span(0, 4096)])), "zeros that were never stored are no content"
    assert not nothing_left(sparse, SpanSet([Span(0, 512)]))
    assert not nothing_left(sparse, SpanSet())
    assert not nothing_left(Layout(5, (), SpanSet(), inline=b"hello"), SpanSet())
