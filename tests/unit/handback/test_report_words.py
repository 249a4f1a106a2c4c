"""Numbers, sizes and sentences of the report."""

from __future__ import annotations

from dataclasses import replace

import pytest

from mendbay.core.coverage import Coverage
from mendbay.core.source import Gap, Lack
from mendbay.core.span import Span, SpanSet
from mendbay.handback import words
from mendbay.handback.advice import advice_for
from mendbay.handback.facts import (
    BayFacts,
    FileSystemFacts,
    HandBack,
    PairFacts,
    RunFacts,
    TraceFacts,
    UnusedDrive,
)
from mendbay.handback.report import LONGEST_LIST, NOT_STATED, bay_words, sentence, word_report
from mendbay.imaging import adapters
from support.handback_sample import a_file, bays, sample


@pytest.fixture
def nothing() -> HandBack:
    return HandBack("7", "", "", "", "", "", "", (), ())


def thin(text: str) -> str:
    return text.replace("_", "\u202f")


@pytest.mark.parametrize(
    ("number", "said"),
    [
        (0, "0 bytes"),
        (1, "1 byte"),
        (999, "999 bytes"),
        (1_000, "1.00_kB"),
        (9_994, "9.99_kB"),
        (9_996, "10.0_kB"),
        (99_960, "100_kB"),
        (999_499, "999_kB"),
        (999_500, "1.00_MB"),
        (1_240_003_584, "1.24_GB"),
        (2_000_398_934_016, "2.00_TB"),
        (2**63 - 1, "9.22_EB"),
        (12_345 * 10**18, "12345_EB"),
    ],
)
def test_sizes_are_decimal_with_three_digits(number: int, said: str) -> None:
    assert words.size(number) == thin(said)


def test_exact_sizes_give_the_bytes_too() -> None:
    assert words.exact_size(1_240_224) == thin("1.24_MB (1_240_224 bytes)")
    assert words.exact_size(12) == "12 bytes"


@pytest.mark.parametrize(
    ("part", "whole", "said"),
    [
        (0, 10, "0_%"),
        (0, 0, "0_%"),
        (10, 10, "100_%"),
        (1, 10**9, "<_0.01_%"),
        (10**9 - 1, 10**9, "99.99_%"),
        (1, 200, "0.50_%"),
        (1, 3, "33.3_%"),
    ],
)
def test_shares_are_never_rounded_to_nothing_or_to_all(part: int, whole: int, said: str) -> None:
    assert words.share(part, whole) == thin(said)


def test_days_and_moments() -> None:
    assert words.day("2027-02-05") == "5 February 2027"
    assert words.moment("2026-11-25T07:10:00Z") == "25 November 2026, 07:10 UTC"
    assert words.moment("2026-11-25T09:10:00+02:00") == "25 November 2026, 07:10 UTC"
    assert words.moment("") == words.day("") == ""
    assert words.day("soon") == "soon"


def test_a_sentence_groups_bytes_and_leaves_other_numbers_alone() -> None:
    assert sentence("16384 bytes come from 2026, serial 12345") == thin(
        "16_384 bytes come from 2026, serial 12345."
    )
    assert sentence("done!") == "Done!"


@pytest.mark.parametrize(("label", "said"), [("1", "bay 1"), ("bay 1", "bay 1"), ("Bay 2", "Bay 2")])
def test_a_bay_is_called_a_bay_once(label: str, said: str) -> None:
    assert bay_words(label) == said


def test_the_headline_says_how_many_are_whole(nothing: HandBack) -> None:
    assert word_report(sample()).headline == "47 of 50 files came back whole."
    assert word_report(nothing).headline == "No files were handed back."
    assert word_report(replace(nothing, files=(a_file("x", 1),))).headline == "The one file came back whole."
    assert (
        word_report(replace(nothing, files=(a_file("x", 1), a_file("y", 2)))).headline
        == "All 2 files came back whole."
    )


def test_a_selection_is_not_told_as_everything(nothing: HandBack) -> None:
    some = replace(nothing, files=(a_file("x", 1), a_file("y", 1, "unproven")), not_chosen=53)
    found = word_report(some)
    assert found.headline == "1 of 2 chosen files came back whole."
    assert found.lead[0] == (
        "Only a selection was copied: 53 more files were found and are not in this folder."
    )
    assert word_report(replace(some, files=some.files[:1])).headline == "The one chosen file came back whole."
    whole = replace(some, files=some.files[:1] * 2)
    assert word_report(whole).headline == "All 2 chosen files came back whole."
    assert (
        word_report(replace(some, not_chosen=1))
        .lead[0]
        .endswith("1 more file was found and is not in this folder.")
    )
    advised = " ".join(advice_for((), (), not_chosen=53))
    assert "53 more files on your drives were found and not copied" in advised
    assert "selection" not in " ".join(advice_for((), ()))


def test_a_drive_of_which_nothing_was_taken_is_named(nothing: HandBack) -> None:
    unused = (UnusedDrive("2", was_read=False), UnusedDrive("3", was_read=True))
    assert word_report(replace(nothing, unused=unused)).lead == (
        "Nothing here comes from the drive of bay 2: it was not read.",
        "Nothing here comes from the drive of bay 3: it was left out of this hand-back.",
    )


def test_the_lead_claims_no_check_that_was_not_made(nothing: HandBack) -> None:
    proven = a_file("x", 1)
    unchecked = a_file("y", 1, verified=False)
    said = " ".join(word_report(replace(nothing, files=(proven, unchecked))).lead)
    assert "1 of 2 copies were read back" in said
    assert "not checked" in said
    assert "all were equal" in " ".join(word_report(replace(nothing, files=(proven,))).lead)


def test_every_file_that_is_not_whole_is_named_worst_first() -> None:
    attention = word_report(sample()).attention
    assert [one.verdict for one in attention] == ["lost", "holed", "unproven"]
    assert "asked for, and refused." in attention[0].lines[0]
    assert thin("36_864 of its 6_815_744 bytes (0.54_%) are missing") in attention[1].lines[0]
    assert attention[1].lines[1] == thin("Bytes 1_048_576 to 1_052_671: asked for, and refused.")
    assert attention[1].lines[2] == thin("Bytes 2_097_152 to 2_129_919: not read.")
    assert "may be older than your last change" in attention[2].lines[0]
    assert len(attention[2].lines) == 1, "the reason only repeats what the range says"


def test_the_four_kinds_of_missing_stay_apart(nothing: HandBack) -> None:
    gaps = tuple(Gap(Span(at * 10, at * 10 + 5), why) for at, why in enumerate(Lack))
    (entry,) = word_report(replace(nothing, files=(a_file("x", 100, "holed", gaps=gaps),))).attention
    assert len({line.split(": ")[1] for line in entry.lines[1:]}) == 4


def test_many_gaps_are_cut_and_counted(nothing: HandBack) -> None:
    gaps = tuple(Gap(Span(at * 10, at * 10 + 5), Lack.UNREAD) for at in range(50))
    (entry,) = word_report(replace(nothing, files=(a_file("x", 500, "holed", gaps=gaps),))).attention
    assert len(entry.lines) == 1 + LONGEST_LIST + 1
    assert entry.lines[-1] == "And 38 more ranges, all listed in report.json."


def test_each_file_is_in_the_list_once_with_its_verdict() -> None:
    facts = sample()
    listed = [(row.name, row.verdict) for folder in word_report(facts).folders for row in folder.files]
    assert sorted(listed) == sorted(
        ((one.path or one.raw_path.decode()).rpartition("/")[2], one.verdict) for one in facts.files
    )


def test_a_renamed_file_shows_both_names() -> None:
    assert word_report(sample()).renamed == (
        ("Glaze photographs/T=E9st tile 14.jpg", "Glaze photographs/T‹E9›st tile 14.jpg"),
    )


def test_the_origin_names_the_bay_that_gave_most_first(nothing: HandBack) -> None:
    trace = (
        TraceFacts(Span(0, 10), "1", 0, 3),
        TraceFacts(Span(10, 90), "2", 0),
        TraceFacts(Span(90, 100), "1", 500, 3),
    )
    (folder,) = word_report(replace(nothing, files=(a_file("x", 100, trace=trace),))).folders
    assert folder.files[0].origin == "bay 2; bay 1, run 3"


def test_the_drives_conditions_are_given_in_words_and_numbers() -> None:
    rows = {row.word: row for row in word_report(sample()).drives[1].rows}
    assert list(rows)[:4] == ["read", "refused", "waived", "unread"]
    assert rows["refused"].exact == thin("31_232 bytes")
    assert rows["refused"].share == thin("<_0.01_%")
    assert [row.word for row in word_report(sample()).drives[0].rows] == ["read"]


def test_what_is_left_to_the_other_half_has_a_row_and_a_texture_of_its_own(nothing: HandBack) -> None:
    coverage = Coverage(1000, 1, SpanSet([Span(0, 400)]))
    run = RunFacts(1, "not stated", "2026-11-19T08:02:00Z", "", 0, 0)
    bay = BayFacts("1", "", "", coverage, (run,), left=SpanSet([Span(400, 900)]))
    (drive,) = word_report(replace(nothing, bays=(bay,))).drives
    assert [(row.key, row.word, row.size) for row in drive.rows] == [
        ("read", "read", "400 bytes"),
        ("unread", "unread", "100 bytes"),
        ("left", "left to the other half", "500 bytes"),
    ]
    assert drive.runs[0][0] == "Run 1, adapter not stated"
    assert NOT_STATED == adapters.NOT_STATED
    assert word_report(sample()).drives[0].runs[1][0] == "Run 2, direct cable, port 3"


def test_links_are_told_with_their_target() -> None:
    path, what, why = word_report(sample()).left_out[-1]
    assert (path, what) == ("Orders/latest", "link")
    assert "“2024/autumn.csv”" in why


def test_advice_follows_from_the_facts() -> None:
    said = " ".join(advice_for(sample().files, bays(), "mirror", "2027-02-25"))
    assert "Of the 3 files named under “What needs your attention” first open the 2 that have a copy," in said
    assert "until 25 February 2027" in said
    assert "A mirror of two drives" in said
    assert "with 15 % at least one place" in said, "1 - exp(-0.16), of 2 TB"
    assert "at least one place" not in " ".join(advice_for((), bays(), "stripe"))
    calm = advice_for((a_file("x", 1),), ())
    assert len(calm) == 1
    assert "second copy" in calm[0]


def test_older_bytes_are_told_with_the_pair(nothing: HandBack) -> None:
    one = a_file("x", 5000, "unproven", older=SpanSet([Span(0, 4096)]), other_half=SpanSet([Span(0, 4096)]))
    said = " ".join(word_report(replace(nothing, pair=PairFacts("mirror", "1"), files=(one,))).pair)
    assert "drive in bay 1 holds the fresher state" in said
    assert thin("4.10_kB (4_096 bytes) may be older") in said


def test_the_size_of_a_file_of_which_only_the_name_is_known_is_not_given_as_a_number(
    nothing: HandBack,
) -> None:
    bare = a_file("b.txt", 0, "lost", path="", raw_path=b"b.txt", is_described=False, trace=())
    gone = a_file("g.txt", 7, "lost", path="", gaps=(Gap(Span(0, 7), Lack.REFUSED),), trace=())
    report = word_report(replace(nothing, files=(bare, gone)))
    (row,) = report.verdicts
    assert (row.files, row.size, row.missing) == ("2", thin("7 bytes, 1_unknown"), thin("7 bytes, 1_unknown"))
    assert [one.size for one in report.attention] == ["size unknown", "7 bytes"]
    (folder,) = report.folders
    assert folder.summary == "2 files, 7 bytes and 1 of unknown size, 0 whole"
    assert [one.size for one in folder.files] == ["unknown", "7 bytes"]
    (row,) = word_report(replace(nothing, files=(bare,))).verdicts
    assert (row.size, row.missing) == ("unknown", "unknown")


def test_a_file_of_which_nothing_was_read_yet_is_told_apart_from_one_with_holes(nothing: HandBack) -> None:
    holed = a_file("h.txt", 100, "holed", gaps=(Gap(Span(0, 8), Lack.REFUSED),))
    waiting = a_file(
        "w.txt",
        8,
        "holed",
        path="",
        raw_path=b"w.txt",
        gaps=(Gap(Span(0, 8), Lack.UNREAD),),
        reasons=("8 bytes have not been asked for yet: reading on may bring them",),
        trace=(),
        verified=False,
    )
    bare = replace(waiting, raw_path=b"b.txt", size_bytes=0, verdict="unproven", gaps=(), is_described=False)
    facts = replace(nothing, files=(holed, waiting, bare))
    report = word_report(facts)
    assert [(row.verdict, row.meaning.split(";")[0], row.files) for row in report.verdicts] == [
        ("unproven", "not even its description was read yet", "1"),
        ("holed", "part of the file is missing", "1"),
        ("holed", "nothing of it was read yet", "1"),
    ]
    lines = {one.path: one.lines for one in report.attention}
    assert lines["w.txt"] == ("No copy was made: nothing of it was read yet. Reading on may bring it.",)
    assert lines["b.txt"][0].startswith("No copy was made: only its name is known yet")
    lead = " ".join(report.lead)
    assert "1 file has holes: 8 bytes of 100 bytes is missing." in lead
    assert "complete" not in lead
    assert "Of 2 more files nothing was read yet, so there is no copy" in lead
    assert "first open the one that has a copy" in " ".join(advice_for(facts.files, ()))
    (folder,) = report.folders
    assert [(one.name, one.origin) for one in folder.files if one.verdict != "holed"] == [
        ("b.txt", "nowhere")
    ]
    assert facts.awaited_files == 2


def test_all_named_files_are_to_be_opened_only_where_all_have_a_copy() -> None:
    holed = a_file("h.txt", 100, "holed", gaps=(Gap(Span(0, 8), Lack.REFUSED),))
    lost = a_file("l.txt", 100, "lost", path="")
    assert "Open the 1 file named under" in " ".join(advice_for((holed,), ()))
    assert (
        "Of the 2 files named under “What needs your attention” first open the one that has a copy,"
        in " ".join(advice_for((holed, lost), ()))
    )
    assert "pen the" not in " ".join(advice_for((lost,), ()))


def test_what_the_customer_wished_for_comes_before_what_is_worse(nothing: HandBack) -> None:
    lost = a_file("a.txt", 5, "lost", path="")
    wished = a_file("w.txt", 5, "unproven", is_wanted=True)
    holed = a_file("h.txt", 5, "holed", is_wanted=True)
    attention = word_report(replace(nothing, files=(lost, wished, holed))).attention
    assert [one.verdict for one in attention] == ["holed", "unproven", "lost"]


def test_a_customer_reads_no_word_of_file_systems_but_names_stay_as_they_are(nothing: HandBack) -> None:
    reasons = ("its inode lies in a part of the inode table that cannot be read",)
    remark = "Folder an inode: 4096 of the 8192 bytes of this folder cannot be read; its inode is damaged"
    system = FileSystemFacts("ext4", "", "", 1, True, (remark,))
    one = a_file("x", 1, "lost", path="", reasons=reasons, is_described=False)
    report = word_report(replace(nothing, files=(one,), file_system=system))
    assert report.attention[0].lines[-1] == (
        "Its description lies in a part of the list of descriptions that cannot be read."
    )
    assert report.file_system[-1] == thin(
        "Folder an inode: 4_096 of the 8_192 bytes of this folder cannot be read; its description is damaged."
    )
    assert sentence("found in inode-12") == "Found in inode-12."


@pytest.mark.parametrize(
    ("both", "said"), [(0, "both gave none;"), (40, "both gave 40 bytes, and these were compared;")]
)
def test_what_is_whole_is_said_to_be_compared_only_as_far_as_both_drives_gave_it(
    nothing: HandBack, both: int, said: str
) -> None:
    trace = (TraceFacts(Span(0, 50), "1", 0), TraceFacts(Span(50, 100), "2", 50))
    one = a_file("x", 100, trace=trace, both_bytes=both)
    mirror = replace(nothing, files=(one, a_file("y", 5)), pair=PairFacts("mirror", in_step=True))
    (row,) = word_report(mirror).verdicts
    assert row.meaning == (
        "every byte is there and the description of the file is proven; 1 file holds bytes of both drives: "
        f"of its 100 bytes {said} where one drive alone gave a byte, nothing could be compared with it"
    )
    proven = "every byte is there and proven"
    (row,) = word_report(replace(mirror, files=(replace(one, both_bytes=100),))).verdicts
    assert row.meaning == proven, "both gave all of it"
    (row,) = word_report(replace(mirror, pair=PairFacts("stripe"))).verdicts
    assert row.meaning == proven, "no other drive should hold the same"
