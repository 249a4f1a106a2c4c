"""The custody chain: its text is the documented one, and every kind of tampering is told by its name."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import subprocess
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.case.custody import (
    BEFORE_THE_FIRST,
    Break,
    CustodyEntry,
    Head,
    append,
    digest,
    export_lines,
    parse_lines,
    verify,
)
from mendbay.core.errors import UsageError

DOCUMENT = Path(__file__).parents[3] / "docs" / "formats" / "custody.md"

HARD_TEXTS = st.text(
    st.characters(exclude_categories=["Cs", "Cc"]) | st.sampled_from('"\\\t\n{}:,"hash'), max_size=30
) | st.sampled_from(['"hash":"' + "0" * 64 + '",', '","sequence":9,"', "\u2028", "/", "🏺", "é", "e\u0301"])


def log_of(count: int, case: int = 17) -> list[CustodyEntry]:
    entries: list[CustodyEntry] = []
    for number in range(1, count + 1):
        at = f"2026-11-25T07:{number:02}:00Z"
        last = entries[-1] if entries else None
        entries.append(append(last, case, at, "Ada", f"step {number}", f'bay 2, drive AL20-HX4 "{number}"'))
    return entries


def resealed(entry: CustodyEntry, **changes: object) -> CustodyEntry:
    """A forgery that fits its own hash."""
    changed = replace(entry, **changes)  # type: ignore[arg-type]
    return replace(changed, hash=digest(changed))


def found(entries: list[CustodyEntry], anchor: Head | None = None) -> list[tuple[int, Break]]:
    return [(fault.sequence, fault.how) for fault in verify(entries, anchor).faults]


class TestAppend:
    def test_the_first_entry(self) -> None:
        (first,) = log_of(1)
        assert (first.sequence, first.previous) == (1, BEFORE_THE_FIRST)

    def test_each_names_the_one_before(self) -> None:
        entries = log_of(4)
        assert [one.sequence for one in entries] == [1, 2, 3, 4]
        assert [one.previous for one in entries[1:]] == [one.hash for one in entries[:-1]]

    def test_refuses_to_go_on_from_a_broken_or_foreign_entry(self) -> None:
        (last,) = log_of(1)
        for bad in (replace(last, what="x"), resealed(last, case=18)):
            with pytest.raises(ValueError, match="cannot be followed"):
                append(bad, 17, last.at, "Ada", "opened", "box")

    @pytest.mark.parametrize(
        ("who", "what", "item"), [("", "a", "b"), ("a", "  ", "b"), ("a", "b", "\x00"), ("a", "\ud800", "b")]
    )
    def test_refuses_unusable_texts(self, who: str, what: str, item: str) -> None:
        with pytest.raises(UsageError):
            append(None, 17, "2026-11-25T07:10:00Z", who, what, item)

    def test_refuses_an_unusable_time(self) -> None:
        with pytest.raises(UsageError, match="not a time"):
            append(None, 17, "today", "Ada", "received", "box")


class TestCanonicalText:
    def test_one_entry_byte_for_byte(self) -> None:
        """The whole text written out by hand from the field table."""
        entry = append(None, 17, "2026-11-25T07:10:00Z", "Ada", "received", 'Box "Tarn"\tgrün')
        bare = (
            '{"at":"2026-11-25T07:10:00Z","case":17,"format":"custody 1","item":"Box \\"Tarn\\"\\tgrün",'
            f'"previous":"{"0" * 64}","sequence":1,"what":"received","who":"Ada"}}'
        )
        assert entry.hash == hashlib.sha256(bare.encode()).hexdigest()
        assert export_lines([entry]).decode() == (
            bare.replace('"item"', f'"hash":"{entry.hash}","item"', 1) + "\n"
        )

    @given(HARD_TEXTS, HARD_TEXTS, HARD_TEXTS)
    def test_a_third_party_with_nothing_but_a_hash_function_agrees(
        self, who: str, what: str, item: str
    ) -> None:
        """The steps of docs/formats/custody.md in plain hashlib: cut the member `hash`, hash the rest."""
        first = append(None, 3, "2026-11-25T07:10:00Z", f"A{who}", f"A{what}", item)
        second = append(first, 3, "2026-11-25T07:11:00Z", f"B{who}", f"B{what}", item)
        before = b"0" * 64
        exported = export_lines([first, second])
        lines = exported.split(b"\n")
        assert lines.pop() == b""
        assert len(lines) == 2
        for line in lines:
            stated = re.findall(rb'"hash":"([0-9a-f]{64})",', line)
            assert len(stated) == 1
            rest = re.sub(rb'"hash":"[0-9a-f]{64}",', b"", line)
            assert hashlib.sha256(rest).hexdigest().encode() == stated[0]
            assert b'"previous":"' + before + b'"' in rest
            before = stated[0]
        assert parse_lines(exported) == (first, second)

    @given(HARD_TEXTS)
    def test_members_are_those_of_the_table_and_sorted(self, item: str) -> None:
        line = export_lines([append(None, 3, "2026-11-25T07:10:00Z", "Ada", "received", item)])
        members = list(json.loads(line))
        table = re.findall(r"^\| `(\w+)` \|", DOCUMENT.read_text(encoding="utf-8"), re.MULTILINE)
        assert members == sorted(table)


class TestTheDocumentsShellSteps:
    """The commands in docs/formats/custody.md are run as they stand."""

    def run(self, folder: Path, exported: bytes) -> subprocess.CompletedProcess[str]:
        if shutil.which("sha256sum") is None or shutil.which("sed") is None:
            pytest.skip("sha256sum or sed is not installed (Debian packages coreutils, sed)")
        (folder / "custody.jsonl").write_bytes(exported)
        (script,) = re.findall(r"```sh\n(.*?)```", DOCUMENT.read_text(encoding="utf-8"), re.DOTALL)
        return subprocess.run(["sh", "-c", script], cwd=folder, capture_output=True, text=True, check=False)

    def test_a_sound_log(self, tmp_path: Path) -> None:
        entries = log_of(3)
        entries.append(
            append(entries[-1], 17, entries[-1].at, "Ada", 'a "hash":"' + "f" * 64 + '", b', "%s \\n é")
        )
        done = self.run(tmp_path, export_lines(entries))
        assert (done.returncode, done.stdout) == (0, f"4: {entries[-1].hash}\n")

    @pytest.mark.parametrize("index", [0, 1, 2])
    def test_a_changed_entry(self, tmp_path: Path, index: int) -> None:
        entries = log_of(3)
        entries[index] = replace(entries[index], who="Eve")
        done = self.run(tmp_path, export_lines(entries))
        assert (done.returncode, done.stdout) == (1, f"entry {index + 1} does not hold\n")

    def test_a_removed_entry(self, tmp_path: Path) -> None:
        entries = log_of(3)
        del entries[1]
        assert self.run(tmp_path, export_lines(entries)).stdout == "entry 2 does not hold\n"


class TestVerify:
    @pytest.mark.parametrize("count", [0, 1, 2, 9])
    def test_a_sound_log_holds(self, count: int) -> None:
        entries = log_of(count)
        check = verify(entries)
        assert check.holds
        assert check.entries == count
        assert check.head == (Head(count, entries[-1].hash) if entries else None)
        assert not check.anchored

    @pytest.mark.parametrize("field", ["at", "who", "what", "item"])
    def test_changed_text(self, field: str) -> None:
        entries = log_of(5)
        entries[2] = replace(entries[2], **{field: "2020-01-01T00:00:00Z"})
        assert found(entries) == [(3, Break.CHANGED)]

    @pytest.mark.parametrize("field", ["previous", "hash"])
    def test_changed_hash(self, field: str) -> None:
        entries = log_of(5)
        entries[2] = replace(entries[2], **{field: "f" * 64})
        assert found(entries) == [(3, Break.CHANGED)]

    def test_changed_and_sealed_again(self) -> None:
        entries = log_of(5)
        entries[2] = resealed(entries[2], who="Eve")
        (fault,) = verify(entries).faults
        assert (fault.sequence, fault.how) == (3, Break.CHANGED)
        assert "entry 4 was written after one with another hash" in fault.sentence

    def test_removed(self) -> None:
        entries = log_of(6)
        del entries[2:4]
        assert found(entries) == [(3, Break.REMOVED), (4, Break.REMOVED)]

    def test_removed_from_the_beginning(self) -> None:
        assert found(log_of(4)[1:]) == [(1, Break.REMOVED)]

    def test_inserted_beside_the_genuine_one(self) -> None:
        entries = log_of(5)
        forged = append(entries[1], 17, "2026-11-25T09:00:00Z", "Eve", "borrowed", "bay 1")
        for at in (2, 3):
            assert found([*entries[:at], forged, *entries[at:]]) == [(3, Break.INSERTED)]

    def test_inserted_from_another_case(self) -> None:
        entries = [*log_of(3), *log_of(4, case=18)[3:]]
        assert (4, Break.INSERTED) in found(entries)

    def test_inserted_before_the_first(self) -> None:
        entries = log_of(3)
        assert found([resealed(entries[0], sequence=0), *entries])[0] == (0, Break.INSERTED)

    def test_reordered(self) -> None:
        entries = log_of(5)
        entries[1], entries[2] = entries[2], entries[1]
        assert found(entries) == [(2, Break.REORDERED)]

    def test_reordered_with_the_first_at_the_end(self) -> None:
        entries = log_of(3)
        assert found([*entries[1:], entries[0]]) == [(1, Break.REORDERED)]

    def test_a_huge_forged_number_does_not_make_an_endless_report(self) -> None:
        entries = log_of(2)
        assert len(verify([*entries, resealed(entries[1], sequence=2**52)]).faults) <= 101

    def test_texts_that_cannot_be_hashed_are_changed_not_a_crash(self) -> None:
        entries = log_of(2)
        entries[0] = replace(entries[0], who="\ud800")
        assert found(entries) == [(1, Break.CHANGED)]


class TestAnchor:
    def test_a_cut_tail_shows_only_with_the_receipt(self) -> None:
        entries = log_of(5)
        receipt = Head(5, entries[-1].hash)
        assert verify(entries[:3]).holds
        assert found(entries[:3], receipt) == [(5, Break.CUT)]
        assert found([], receipt) == [(5, Break.CUT)]

    def test_a_log_written_anew_shows_only_with_the_receipt(self) -> None:
        entries = log_of(2)
        receipt = Head(2, entries[1].hash)
        forged = [entries[0], append(entries[0], 17, entries[1].at, "Eve", "sold", "bay 2")]
        assert verify(forged).holds
        assert found(forged, receipt) == [(2, Break.CHANGED)]

    def test_a_head_that_was_typed_may_be_mistyped(self) -> None:
        entries = log_of(5)
        wrong = entries[4].hash[:-1] + ("0" if entries[4].hash[-1] != "0" else "1")
        for head in (Head(5, wrong), Head(50, entries[4].hash)):
            (fault,) = verify(entries, head).faults
            other = "was cut off" if head.sequence > 5 else "anew"
            assert fault.sentence.index("mistyped") < fault.sentence.index(other)
            (fault,) = verify(entries, head, typed=False).faults
            assert "mistyped" not in fault.sentence

    def test_an_older_receipt_still_anchors(self) -> None:
        entries = log_of(5)
        check = verify(entries, Head(3, entries[2].hash))
        assert check.holds
        assert check.anchored

    def test_the_printed_form_reads_back(self) -> None:
        head = Head(12, log_of(1)[0].hash)
        assert len(head.text.split()) == 9
        assert Head.parse(head.text) == head
        assert Head.parse(f"  {head.text.upper()}\n".replace(" ", "")) == head

    @pytest.mark.parametrize(
        "text", ["", "12", "0: " + "0" * 64, "1:" + "g" * 64, "1:" + "0" * 63, ":" + "0" * 64]
    )
    def test_what_is_no_head(self, text: str) -> None:
        with pytest.raises(UsageError, match="not the head"):
            Head.parse(text)


class TestParse:
    GOOD = export_lines(log_of(2))

    def test_reads_its_own_export_with_either_line_end(self) -> None:
        assert parse_lines(self.GOOD) == tuple(log_of(2))
        assert parse_lines(self.GOOD.replace(b"\n", b"\r\n")) == tuple(log_of(2))

    @pytest.mark.parametrize(
        ("old", "new"),
        [
            (b'"case":17', b'"case":17.0'),
            (b'"case":17', b'"case":true'),
            (b'"case":17', b'"case": 17'),
            (b'"case":17', b'"case":1e1'),
            (b'"case":17', b'"case":' + b"9" * 5000),
            (b'"who":"Ada"', b'"who":"\\u0041da"'),
            (b'"who":"Ada"', b'"who":"\\ud800"'),
            (b'"who":"Ada"', b'"who":"\xff"'),
            (b'"who":"Ada"', b'"who":"Ada","who":"Eve"'),
            (b'"who":"Ada"', b'"who":["Ada"]'),
            (b'"who":"Ada"', b'"why":"Ada"'),
            (b"custody 1", b"custody 2"),
            (b'{"at"', b"[" * 100_000 + b'{"at"'),
            (b'{"at"', b" " * 300_000 + b'{"at"'),
            (b'{"at"', b'\xef\xbb\xbf{"at"'),
        ],
    )
    def test_refuses_what_a_third_party_would_hash_otherwise(self, old: bytes, new: bytes) -> None:
        assert old in self.GOOD
        with pytest.raises(UsageError, match="Line 1 is not an entry"):
            parse_lines(self.GOOD.replace(old, new, 1))

    def test_names_the_line(self) -> None:
        with pytest.raises(UsageError, match="Line 3"):
            parse_lines(self.GOOD + b"\n")

    @given(st.binary(max_size=200))
    def test_any_bytes_are_read_or_refused(self, data: bytes) -> None:
        with suppress(UsageError):
            assert export_lines(parse_lines(data)) == data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")


@given(st.integers(3, 9), st.data())
def test_any_single_change_to_an_exported_log_shows(count: int, data: st.DataObject) -> None:
    """One byte of the file changed: it does not read, or does not hold, or the head is another."""
    exported = export_lines(log_of(count))
    at = data.draw(st.integers(0, len(exported) - 2))
    byte = data.draw(st.integers(0, 255).filter(lambda value: value != exported[at]))
    changed = exported[:at] + bytes([byte]) + exported[at + 1 :]
    try:
        check = verify(parse_lines(changed))
    except UsageError:
        return
    assert not check.holds


@given(st.integers(2, 9), st.data())
def test_any_removal_but_of_the_tail_and_any_reordering_shows(count: int, data: st.DataObject) -> None:
    entries = log_of(count)
    kept = data.draw(st.lists(st.sampled_from(entries), unique=True))
    is_prefix = kept == entries[: len(kept)]
    assert verify(kept).holds == is_prefix
    if len(kept) < count:
        assert not verify(kept, Head(count, entries[-1].hash)).holds
