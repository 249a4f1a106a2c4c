"""The texts of a bag, sentence by sentence of RFC 8493."""

from __future__ import annotations

import json

import pytest

from mendbay.core.errors import BagInvalid
from mendbay.core.source import Gap, Lack, Mark, Marked
from mendbay.core.span import Span
from mendbay.handback import bag
from mendbay.handback.bag import OTHER_TOTALS, BagCheck, BagFault, PayloadFile

SHA256 = "5891b5b522d5df086d0ff0b110fbd9d21bb4fc7163af34d08286a2e846f6be03"
"""SHA-256 of "hello\\n", as `sha256sum` prints it."""


def test_the_declaration_is_exactly_two_lines() -> None:
    assert bag.DECLARATION == "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


@pytest.mark.parametrize(
    ("path", "written"),
    [
        ("data/plain.txt", "data/plain.txt"),
        ("data/a\nb", "data/a%0Ab"),
        ("data/a\rb", "data/a%0Db"),
        ("data/100%", "data/100%25"),
        ("data/%0A", "data/%250A"),
        ("data/two  blanks and ünï=20", "data/two  blanks and ünï=20"),
    ],
)
def test_only_cr_lf_and_percent_are_encoded(path: str, written: str) -> None:
    assert bag.encode_path(path) == written
    assert bag.decode_path(written) == path


def test_other_percent_codes_are_left_alone() -> None:
    assert bag.decode_path("data/%20%2f%0a") == "data/%20%2f\n"


def test_a_manifest_is_read_back_as_it_was_written() -> None:
    rows = [("data/b", SHA256), ("data/a %\n", SHA256), ("data/é", SHA256)]
    text = bag.manifest(rows)
    assert text.count("\n") == 3
    assert bag.parse_manifest(text, "sha256", "manifest-sha256.txt") == (dict(rows), [])


def test_digests_may_be_upper_case_and_blanks_any_number() -> None:
    text = f"{SHA256.upper()} \t  data/x\r\n"
    assert bag.parse_manifest(text, "sha256", "manifest-sha256.txt") == ({"data/x": SHA256}, [])


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (f"{SHA256[:-1]}  data/x", "not a sha256 digest"),
        (f"{SHA256}", "not a sha256 digest"),
        ("nonsense  data/x", "not a sha256 digest"),
        (f"{SHA256}  ../../etc/passwd", "outside the bag"),
        (f"{SHA256}  data/../../x", "outside the bag"),
        (f"{SHA256}  /etc/passwd", "outside the bag"),
        (f"{SHA256}  ~root/x", "outside the bag"),
        (f"{SHA256}  C:/x", "outside the bag"),
        (f"{SHA256}  data\\x", "outside the bag"),
        (f"{SHA256}  data//x", "outside the bag"),
        (f"{SHA256}  bagit.txt", "does not belong there"),
    ],
)
def test_a_bad_manifest_line_is_named_and_gives_nothing(line: str, said: str) -> None:
    found, faults = bag.parse_manifest(line + "\n", "sha256", "manifest-sha256.txt")
    assert found == {}
    assert len(faults) == 1
    assert said in faults[0].kind


def test_a_tag_manifest_lists_no_payload() -> None:
    _, faults = bag.parse_manifest(f"{SHA256}  data/x\n", "sha256", "tagmanifest-sha256.txt")
    assert len(faults) == 1


def test_bag_info_holds_totals_and_labels() -> None:
    files = [PayloadFile("data/a", 180, "", ""), PayloadFile("data/b", 6, "", "")]
    text = bag.bag_info("0042", "2026-11-25", files, [("Contact-Name", "Maren\nHolt: potter")])
    assert bag.parse_bag_info(text) == [
        ("External-Identifier", "0042"),
        ("Bagging-Date", "2026-11-25"),
        ("Payload-Oxum", "186.2"),
        ("Contact-Name", "Maren Holt: potter"),
    ]


@pytest.mark.parametrize("label", ["", "a:b", "a\nb", " a"])
def test_a_label_that_would_break_the_line_is_refused(label: str) -> None:
    with pytest.raises(ValueError, match="label"):
        bag.bag_info("1", "2026-11-25", [], [(label, "x")])


def test_folded_values_are_joined() -> None:
    assert bag.parse_bag_info("Note: one\n  two\n\tthree\nOther: 4\n") == [
        ("Note", "one two three"),
        ("Other", "4"),
    ]


def test_gaps_join_only_with_their_own_kind() -> None:
    gaps = [
        Gap(Span(10, 20), Lack.REFUSED),
        Gap(Span(0, 10), Lack.REFUSED),
        Gap(Span(20, 30), Lack.UNREAD),
        Gap(Span(40, 40), Lack.WAIVED),
    ]
    assert bag.merged_gaps(gaps) == (Gap(Span(0, 20), Lack.REFUSED), Gap(Span(20, 30), Lack.UNREAD))


def test_marks_join_only_with_their_own_kind() -> None:
    marks = [
        Marked(Span(0, 4), Mark.OTHER_HALF),
        Marked(Span(0, 4), Mark.POSSIBLY_OLDER),
        Marked(Span(4, 8), Mark.OTHER_HALF),
    ]
    assert set(bag.merged_marks(marks)) == {
        Marked(Span(0, 8), Mark.OTHER_HALF),
        Marked(Span(0, 4), Mark.POSSIBLY_OLDER),
    }


def test_gaps_json_lists_files_with_holes_only() -> None:
    found = json.loads(
        bag.gaps_json(
            [
                PayloadFile("data/b", 30, "", "", (Gap(Span(4, 9), Lack.ABSENT),)),
                PayloadFile("data/a", 30, "", ""),
            ]
        )
    )
    assert found["files"] == [
        {"path": "data/b", "size_bytes": 30, "gaps": [{"start": 4, "stop": 9, "why": "absent"}]}
    ]


def test_a_fault_tells_totals_in_words_and_of_a_digest_what_tells_two_apart() -> None:
    totals = BagFault("the totals of the payload differ", "bag-info.txt", "", "9360084.18", "9360086.1")
    assert str(totals).replace("\u202f", " ") == (
        "bag-info.txt: the totals of the payload differ (9 360 084 bytes in 18 files expected, "
        "9 360 086 bytes in 1 file found)"
    )
    digest = BagFault("the digest differs", "data/x", "sha512", "0123456789ab" + "c" * 116, "d" * 128)
    assert str(digest) == ("data/x: the digest differs (sha512 0123456789ab… expected, dddddddddddd… found)")
    assert "1.0 expected, 0.97 found" in str(BagFault("another version of BagIt", "x", "", "1.0", "0.97"))


def test_an_invalid_bag_names_its_first_faults() -> None:
    faults = tuple(BagFault("the digest differs", f"data/{at}", "sha256", "aa", "bb") for at in range(5))
    with pytest.raises(
        BagInvalid, match=r"at fault in 5 files: data/0: the digest differs \(sha256 aa expected, bb found\)"
    ) as told:
        BagCheck("digests", 5, 10, faults).require_valid()
    assert "2 more" in told.value.what
    BagCheck("digests", 5, 10, ()).require_valid()


def test_a_changed_file_is_one_file_at_fault_however_often_that_shows() -> None:
    totals = BagFault(OTHER_TOTALS, "bag-info.txt", "", "10.2", "11.2")
    changed = tuple(BagFault("the digest differs", "data/x", by, "aa", "bb") for by in ("sha256", "sha512"))
    with pytest.raises(BagInvalid) as told:
        BagCheck("digests", 2, 11, (totals, *changed)).require_valid()
    assert told.value.what == (
        "The hand-back folder is at fault in 1 file: "
        "data/x: the digest differs (sha256 aa expected, bb found)."
    )
    stated = BagFault("the digest differs", "bag-info.txt", "sha256", "aa", "bb")
    with pytest.raises(BagInvalid, match=r"in 1 file: bag-info.txt: the totals.*\), the digest differs"):
        BagCheck("digests", 2, 11, (totals, stated)).require_valid()
    with pytest.raises(
        BagInvalid, match=r"at fault as a whole and in 1 file: there is no folder data; data/x"
    ):
        BagCheck("digests", 2, 11, (BagFault("there is no folder data"), *changed)).require_valid()
