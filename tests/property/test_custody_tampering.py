"""Whatever is done to an exported custody log is found, and told at the entry it was done to."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.case.custody import (
    Break,
    CustodyCheck,
    CustodyEntry,
    Head,
    append,
    check_export,
    digest,
    export_lines,
)
from mendbay.core.errors import UsageError

TEXTS = st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=20) | st.sampled_from(
    ['"hash":"' + "0" * 64 + '",', '","sequence":9,"', "\u2028", "\n", "🏺"]
)
FIELDS = ("at", "who", "what", "item", "previous", "hash", "case", "sequence")


@st.composite
def logs(draw: st.DrawFn, least: int = 2) -> list[CustodyEntry]:
    """A log as it is written, of any texts."""
    entries: list[CustodyEntry] = []
    case = draw(st.integers(1, 10**6))
    for number in range(draw(st.integers(least, 8))):
        last = entries[-1] if entries else None
        at = f"2026-11-{number + 1:02}T07:10:00Z"
        who, what = f"A{draw(TEXTS)}", f"B{draw(TEXTS)}"
        entries.append(append(last, case, at, who, what, draw(TEXTS)))
    return entries


def other_value(draw: st.DrawFn, entry: CustodyEntry, field: str) -> object:
    """Another value than the field has, of its kind."""
    now = getattr(entry, field)
    if isinstance(now, int):
        return draw(st.integers(0, 2**53 - 1).filter(lambda one: one != now))
    if field in ("previous", "hash"):
        return draw(st.text("0123456789abcdef", min_size=64, max_size=64).filter(lambda one: one != now))
    return draw(TEXTS.filter(lambda one: one != now))


def resealed(entry: CustodyEntry) -> CustodyEntry:
    return replace(entry, hash=digest(entry))


def receipt(entries: list[CustodyEntry]) -> Head:
    return Head(entries[-1].sequence, entries[-1].hash)


def checked(entries: list[CustodyEntry], anchor: Head | None = None) -> CustodyCheck:
    return check_export(export_lines(entries), anchor)


def told_at(check: CustodyCheck) -> set[int]:
    assert all(fault.sentence.startswith(f"Entry {fault.sequence}: {fault.how}; ") for fault in check.faults)
    return {fault.sequence for fault in check.faults}


@given(logs(1))
def test_what_nobody_touched_holds_with_and_without_any_receipt(entries: list[CustodyEntry]) -> None:
    assert checked(entries).holds
    for one in entries:
        check = checked(entries, Head(one.sequence, one.hash))
        assert (check.holds, check.anchored) == (True, True)


@given(logs(), st.data())
def test_an_edited_entry(entries: list[CustodyEntry], data: st.DataObject) -> None:
    at, field = data.draw(st.integers(0, len(entries) - 1)), data.draw(st.sampled_from(FIELDS))
    value = data.draw(st.composite(other_value)(entries[at], field))
    edited = replace(entries[at], **{field: value})  # type: ignore[arg-type]
    check = checked([*entries[:at], edited, *entries[at + 1 :]])
    changed = {fault.sequence for fault in check.faults if fault.how is Break.CHANGED}
    if field == "sequence":
        # nothing says any more which number it had: it is missing there, or too many where it is now
        assert told_at(check) & {at + 1, edited.sequence}
    else:
        assert at + 1 in changed


@given(logs(), st.data())
def test_an_entry_edited_with_its_hash_computed_anew(
    entries: list[CustodyEntry], data: st.DataObject
) -> None:
    """The last entry, rewritten with a hash that fits, is all that needs the receipt."""
    at = data.draw(st.integers(0, len(entries) - 1))
    field = data.draw(st.sampled_from([one for one in FIELDS if one != "hash"]))
    value = data.draw(st.composite(other_value)(entries[at], field))
    edited = resealed(replace(entries[at], **{field: value}))  # type: ignore[arg-type]
    forged = [*entries[:at], edited, *entries[at + 1 :]]
    number = entries[at].sequence
    assert number in told_at(checked(forged, receipt(entries))) | told_at(checked(forged))
    if at < len(entries) - 1:
        near = {number, number - 1, edited.sequence}
        assert told_at(checked(forged)) & near, "the entry after it speaks against it without a receipt"


@given(logs(), st.data())
def test_a_dropped_entry(entries: list[CustodyEntry], data: st.DataObject) -> None:
    at = data.draw(st.integers(0, len(entries) - 1))
    left = [*entries[:at], *entries[at + 1 :]]
    found = checked(left, receipt(entries)).faults
    how = Break.CUT if at == len(entries) - 1 else Break.REMOVED
    assert [(fault.sequence, fault.how) for fault in found] == [(at + 1, how)]


@given(logs(), st.data())
def test_two_entries_in_each_others_place(entries: list[CustodyEntry], data: st.DataObject) -> None:
    first, second = sorted(
        data.draw(st.lists(st.integers(0, len(entries) - 1), min_size=2, max_size=2, unique=True))
    )
    entries[first], entries[second] = entries[second], entries[first]
    found = checked(entries).faults
    assert {fault.how for fault in found} == {Break.REORDERED}
    assert found[0].sequence == first + 1
    assert {fault.sequence for fault in found} == set(range(first + 1, second + 1))


@given(logs(), st.data())
def test_an_inserted_entry(entries: list[CustodyEntry], data: st.DataObject) -> None:
    """A forgery that fits its own hash and names the entry before it, under a number that is taken."""
    at = data.draw(st.integers(1, len(entries)))
    before = entries[at - 1]
    number = data.draw(st.sampled_from([one.sequence for one in entries]))
    bare = replace(before, sequence=number, what=data.draw(TEXTS), previous=before.hash)
    forged = [*entries[:at], resealed(bare), *entries[at:]]
    assert number in {fault.sequence for fault in checked(forged).faults if fault.how is Break.INSERTED}


@given(logs(), st.data())
def test_a_log_cut_at_its_end_shows_against_the_receipt(
    entries: list[CustodyEntry], data: st.DataObject
) -> None:
    left = entries[: data.draw(st.integers(0, len(entries) - 1))]
    found = checked(left, receipt(entries)).faults
    assert [(fault.sequence, fault.how) for fault in found] == [(len(entries), Break.CUT)]


@given(logs(), st.data())
def test_a_log_written_anew_from_some_entry_shows_against_the_receipt(
    entries: list[CustodyEntry], data: st.DataObject
) -> None:
    at = data.draw(st.integers(0, len(entries) - 1))
    forged = entries[:at]
    for one in entries[at:]:
        last = forged[-1] if forged else None
        forged.append(append(last, one.case, one.at, one.who, f"{one.what}!", one.item))
    assert checked(forged).holds
    found = checked(forged, receipt(entries)).faults
    assert [(fault.sequence, fault.how) for fault in found] == [(len(entries), Break.CHANGED)]


@given(logs(), st.data())
def test_a_line_that_is_no_entry_any_more(entries: list[CustodyEntry], data: st.DataObject) -> None:
    """Also a file that breaks off in the middle of a line."""
    at = data.draw(st.integers(0, len(entries) - 1))
    lines = export_lines(entries).splitlines(keepends=True)
    lines[at] = lines[at][: data.draw(st.integers(1, len(lines[at]) - 2))] + b"\n"
    found = check_export(b"".join(lines)).faults
    sentence = f"Line {at + 1}: changed; it is not an entry of a log."
    assert sentence in [fault.sentence for fault in found]
    assert {fault.sequence for fault in found} == {at + 1}


@pytest.mark.parametrize("data", [b"", b"\n", b"not a log\n", json.dumps({"a": 1}).encode()])
def test_what_is_no_log_at_all_is_refused(data: bytes) -> None:
    with pytest.raises(UsageError):
        check_export(data)
