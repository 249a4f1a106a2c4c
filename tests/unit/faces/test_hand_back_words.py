"""What a hand-back, and looking at a file, say of files that are not there, or not all there."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from mendbay.core.quantity import bytes_text, count_text
from mendbay.core.span import Span, SpanSet
from mendbay.outlets.scenario.scenario import Scenario
from mendbay.outlets.scenario.small import SmallBase
from support.answers import Run, answer, one_line, text_of
from support.boxes import have_refuse, sources_of

ODD = b"files/14.bin"


@pytest.fixture
def run(unnamed_bays: Run) -> Run:
    return unnamed_bays


def refuse_on_both(box: Scenario, volume: SpanSet) -> None:
    for bay in (0, 1):
        have_refuse(box, bay, box.geometry.on_drive(bay, volume).widen(512))


def test_a_file_of_which_only_the_name_is_known_has_no_size(
    run: Run, box: Scenario, base: SmallBase, tmp_path: Path
) -> None:
    refuse_on_both(box, SpanSet([base.newest.placed[ODD].inode_at]))
    assert run("pair", "read", 1, *sources_of(box)).returncode in (0, 3)
    listed = answer(run, "files", "list", 1, "--damaged", codes=(3,))["files"]
    lost = {one["path"] for one in listed if one["verdict"] == "lost"}
    assert ODD.decode() in lost
    assert {one["size_bytes"] for one in listed if one["path"] in lost} == {None}
    row = next(line for line in run("files", "list", 1).stdout.splitlines() if "14.bin" in line)
    assert row.split() == ["lost", "unknown", "files/14.bin"]
    shown = one_line(text_of(run, "files", "show", 1, ODD.decode()))
    assert "files/14.bin: file, size unknown, inode" in shown
    assert "changed unknown;" in shown
    made = one_line(text_of(run, "handback", "make", 1, tmp_path / "out", code=3))
    assert "files/14.bin: lost, size unknown" in made
    report = json.loads((tmp_path / "out" / "report.json").read_text())
    assert {one["size_bytes"] for one in report["files"] if one["verdict"] == "lost"} == {None}
    assert report["totals"]["lost"]["unknown_sizes"] == len(lost)


def test_files_of_which_nothing_was_read_yet_are_not_said_to_have_a_copy(
    run: Run, box: Scenario, tmp_path: Path
) -> None:
    assert run("pair", "read", 1, *sources_of(box), "--want", "metadata", "--only-wanted").returncode in (
        0,
        3,
    )
    done = run("handback", "make", 1, tmp_path / "out")
    made = one_line(done.stdout)
    assert "files/00.bin: holed, no copy: nothing of it was read yet" in made
    report = json.loads((tmp_path / "out" / "report.json").read_text())
    unread = [
        gap["stop"] - gap["start"] for one in report["files"] for gap in one["gaps"] if gap["why"] == "unread"
    ]
    lacking = sum(any(gap["why"] == "unread" for gap in one["gaps"]) for one in report["files"])
    told = (
        f"NOT all was asked for yet: {bytes_text(sum(unread), plain=True)} of {lacking} files to be handed "
        "back. Reading on may bring more: mendbay pair read 1 BAY=SOURCE ..."
    )
    assert told in made
    assert told in one_line(done.stderr), "before anything is copied, too"
    again = answer(run, "handback", "make", 1, tmp_path / "again", codes=(3,))["still_unread"]
    assert again == {"files": lacking, "bytes": sum(unread), "only_names": 0, "folders": False}
    copied = [one for one in report["files"] if one["path"]]
    waiting = [one for one in report["files"] if not one["path"]]
    assert {one["verdict"] for one in waiting} == {"holed"}
    assert report["totals"]["awaited_files"] == len(waiting) > 0
    assert not [one for one in copied if one["trace"] == [] and one["verdict"] != "whole"], (
        "nothing but zeros"
    )
    *_, told = [
        one["text"]
        for one in answer(run, "case", "show", 1)["events"]
        if one["text"].startswith("A hand-back of")
    ]
    assert told == (
        f"A hand-back of {len(copied)} of {len(report['files'])} files: "
        f"{report['totals']['whole']['files']} whole; without a copy: {len(waiting)} not read yet."
    )


def test_numbers_of_bytes_are_grouped_and_those_of_the_proof_are_those_of_the_summary(
    run: Run, box: Scenario, base: SmallBase, tmp_path: Path
) -> None:
    placed = base.newest.placed
    hole = SpanSet([Span.at(next(iter(placed[ODD].blocks)).start, 8192)])
    refuse_on_both(box, hole | SpanSet([placed[b"files/05.bin"].inode_at]))
    assert run("pair", "read", 1, *sources_of(box)).returncode in (0, 3)
    assert run("case", "tell", 1, "wanted", "14.bin").returncode == 0
    shown = text_of(run, "files", "show", 1, ODD.decode())
    assert "missing: bytes 0 to 8\u2009192, refused" in shown
    made = answer(run, "handback", "make", 1, tmp_path / "out", codes=(3,))
    assert made["still_unread"] == {"files": 0, "bytes": 0, "only_names": 0, "folders": False}
    report = json.loads((tmp_path / "out" / "report.json").read_text())
    counts = made["verdicts"]
    assert (counts["holed"], counts["lost"] > 0) == (1, True)
    assert report["proof"][0]["outcome"] == (
        f"Of {len(report['files'])} files: 1 with missing ranges, {counts['lost']} lost."
    )
    page = (tmp_path / "out" / "report.html").read_text()
    attention = page.partition('<section id="attention"')[2].partition("</section>")[0]
    assert attention.index("14.bin") < attention.index("05.bin"), "what was wished for comes first"
    assert "inode" not in attention


def test_a_hand_back_of_some_files_tells_the_story_of_how_many_there_are(
    run: Run, box: Scenario, tmp_path: Path
) -> None:
    assert run("pair", "read", 1, *sources_of(box)).returncode == 0
    every = sum(one["kind"] == "file" for one in answer(run, "files", "list", 1)["files"])
    done = run("handback", "make", 1, tmp_path / "out", "--want", "14.bin")
    assert done.returncode == 0
    assert "asked for yet" not in done.stdout + done.stderr
    story = [one["text"] for one in answer(run, "case", "show", 1)["events"]]
    assert f"A hand-back of 1 of {every} files: 1 whole; without a copy: {every - 1} not chosen." in story
    report = json.loads((tmp_path / "out" / "report.json").read_text())
    assert report["totals"]["not_chosen_files"] == every - 1
    assert report["unused_drives"] == []
    assert any("Only a selection" in one for one in report["advice"])
    ready = " ".join(text_of(run, "case", "message", 1, "ready").split())
    assert f"We found {every - 1} more files that this copy was not to hold" in ready, "as the report says"
    page = (tmp_path / "out" / "report.html").read_text()
    assert "The one chosen file came back whole." in page
    assert run("handback", "make", 1, tmp_path / "one", "--bay", "1").returncode in (0, 3)
    report = json.loads((tmp_path / "one" / "report.json").read_text())
    assert report["unused_drives"] == [{"bay": "2", "was_read": True}]
    assert report["totals"]["not_chosen_files"] == 0


def test_bytes_that_one_half_alone_gave_are_not_said_to_be_compared(
    run: Run, box: Scenario, base: SmallBase, tmp_path: Path
) -> None:
    at = next(iter(base.newest.placed[ODD].blocks)).start
    for bay in (0, 1):  # so that the file needs both drives
        block = SpanSet([Span.at(at + bay * 4096, 4096)])
        have_refuse(box, bay, box.geometry.on_drive(bay, block).widen(512))
    assert run("pair", "read", 1, *sources_of(box)).returncode == 0
    out = tmp_path / "out"
    done = run("handback", "make", 1, out)
    assert done.returncode == 0
    report = json.loads((out / "report.json").read_text())
    joined = [one for one in report["files"] if len({part["bay"] for part in one["trace"]}) > 1]
    given = sum(part["stop"] - part["start"] for one in joined for part in one["trace"])
    both_gave = sum(one["both_bytes"] for one in joined)
    assert ODD.decode() in {one["path"].removeprefix("data/") for one in joined}
    assert given - both_gave >= 8192
    counts = {"files": len(joined), "given_bytes": given, "both_bytes": both_gave}
    assert report["pair"]["in_step"]
    assert report["totals"]["joined"] == counts
    hold, its = ("file holds", "its") if len(joined) == 1 else ("files hold", "their")
    compared = f"{count_text(both_gave, plain=True)}, and these were compared" if both_gave else "none"
    said = (
        f"{len(joined)} {hold} bytes of both drives: of {its} {count_text(given, plain=True)} bytes both "
        f"gave {compared}; where one drive alone gave a byte, nothing could be compared with it."
    )
    advice = "To compare all: mendbay pair read 1 BAY=SOURCE ... --both-whole"
    assert f"{said} {advice}" in one_line(done.stdout)
    assert [said in one_line(one["outcome"]) for one in report["proof"]].count(True) == 1
    page = one_line((out / "report.html").read_text())
    assert "every byte is there and proven" not in page
    assert "mendbay " not in page, "what the shop may type is nothing for the customer's paper"
    assert "BAY=SOURCE" not in page
    assert f"the description of the file is proven; {len(joined)} {hold} bytes of both drives: " in page
    assert answer(run, "handback", "make", 1, tmp_path / "again")["joined"] == counts


def test_files_that_both_halves_gave_wholly_are_said_to_be_proven(
    run: Run, box: Scenario, tmp_path: Path
) -> None:
    assert run("pair", "read", 1, *sources_of(box), "--both-whole").returncode == 0
    done = run("handback", "make", 1, tmp_path / "out")
    assert done.returncode == 0
    assert "To compare all" not in done.stdout
    page = (tmp_path / "out" / "report.html").read_text()
    assert "every byte is there and proven" in page
    assert "To compare all" not in page
