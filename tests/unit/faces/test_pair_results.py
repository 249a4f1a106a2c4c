"""What reading a pair is said to have come to on the command line."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import pytest

from mendbay.core.span import Span, SpanSet
from mendbay.outlets.scenario.scenario import Scenario
from mendbay.outlets.scenario.small import SmallBase
from support.answers import Run, answer, one_line, text_of
from support.boxes import have_refuse, sources_of

ODD = b"files/14.bin"


def place(box: Scenario, base: SmallBase, bay: int, name: bytes = ODD) -> SpanSet:
    return box.geometry.on_drive(bay, SpanSet(base.newest.placed[name].blocks))


@pytest.fixture
def run(unnamed_bays: Run) -> Run:
    return unnamed_bays


def test_halves_read_whole_are_compared_and_the_file_in_which_they_differ_is_named(
    run: Run, box: Scenario, base: SmallBase, tmp_path: Path
) -> None:
    at = next(iter(place(box, base, 1))).start
    with box.images[1].open("r+b") as image:
        image.seek(at)
        before = image.read(800)
        image.seek(at)
        image.write(bytes(byte ^ 0xFF for byte in before))
    assert run("drive", "read", 1, 1, f"unsteady:{box.drives[0]}").returncode == 0
    assert run("drive", "read", 1, 2, f"unsteady:{box.drives[1]}").returncode == 0
    assert "DIFFER" not in text_of(run, "pair", "look", 1), "nobody has compared them"
    said = one_line(text_of(run, "pair", "read", 1, *sources_of(box), "--both-whole", "--want", "*.bin"))
    assert "The halves DIFFER in 4 096 bytes (1 range) where they should be the same." in said
    assert "Together the halves gave every byte." in said
    assert "files/14.bin: unproven, 4 096 bytes in doubt" in said
    known = "All the same the halves were found to DIFFER in 4 096 bytes (1 range)"
    assert known in one_line(text_of(run, "pair", "look", 1))
    looked = answer(run, "pair", "look", 1)["chosen"]
    assert [one_line(text).startswith(known) for text in looked["explanation"][:2]] == [False, True]
    listed = answer(run, "files", "list", 1, "--damaged", codes=(3,))
    assert [one["path"] for one in listed["files"]] == [ODD.decode()]
    assert listed["uncompared_bytes"] == 0
    assert "4 096 bytes in doubt" in one_line(text_of(run, "files", "list", 1, "--damaged", code=3))
    made = run("handback", "make", 1, tmp_path / "out")
    assert made.returncode == 3
    assert "files/14.bin: unproven, 4 096 bytes in doubt" in one_line(made.stdout)
    told = answer(run, "handback", "make", 1, tmp_path / "again", codes=(3,))
    assert [(one["path"], one["verdict"]) for one in told["not_whole"]] == [(ODD.decode(), "unproven")]


def test_halves_read_whole_that_give_every_byte_together_end_with_code_0(
    run: Run, box: Scenario, base: SmallBase
) -> None:
    have_refuse(box, 0, place(box, base, 0).widen(512))
    told = answer(run, "pair", "read", 1, *sources_of(box), "--both-whole", codes=(0,))
    assert told["missing_bytes"] == 0
    assert told["halves"]["differing_bytes"] == 0
    said = one_line(text_of(run, "pair", "read", 1, *sources_of(box), "--both-whole"))
    assert "came from both and are the same." in said
    assert "Together the halves gave every byte." in said


def test_what_the_stakes_are_can_be_said_of_a_pair(run: Run, box: Scenario, base: SmallBase) -> None:
    for bay in (0, 1):  # enough refusals for a word
        file = place(box, base, bay)
        refused = [Span.at(at, 512) for span in file for at in range(span.start, span.stop, 8192)]
        assert len(refused) > 20
        have_refuse(box, bay, SpanSet(refused))
    worth = ("--worth", "2500.00 EUR", "--bench-hour", "60.00 EUR")
    read = ("pair", "read", 1, *sources_of(box), "--want", ODD.decode(), "--minutes", 0, *worth)
    told = answer(run, *read, codes=(3,))
    advised = told["one_task"]["advice"]
    assert 0 < float(advised["gain"].removesuffix(" EUR")) <= 2500
    hours = advised["seconds"] / 3600
    assert float(advised["bench"].removesuffix(" EUR")) == pytest.approx(60 * hours, abs=0.01)
    for one in told["drives"]:
        own = one["advice"]["at_end"]
        assert float(own["bench"].removesuffix(" EUR")) == pytest.approx(30 * own["seconds"] / 3600, abs=0.01)
    said = one_line(text_of(run, *read, code=3))
    price = r"What comes is worth [\d ]+\.\d\d EUR; {} costs \d+\.\d\d EUR meanwhile"
    assert re.search(price.format("the bench"), said)
    assert len(re.findall(price.format("its share of the bench"), said)) == 2


def test_an_hours_cost_without_a_worth_is_refused_of_a_pair_too(run: Run, box: Scenario) -> None:
    done = run("pair", "read", 1, *sources_of(box), "--bench-hour", "60.00 EUR")
    assert done.returncode == 2
    assert "Say what it is worth too" in one_line(done.stderr)


def test_drives_read_one_by_one_are_said_not_to_be_compared(run: Run, box: Scenario) -> None:
    for bay, drive in zip("12", box.drives, strict=True):
        if bay == "2":  # its reads take the time they say
            drive.write_text("real_time = true\nseconds_per_sector = 1e-6\n" + drive.read_text())
        done = run("drive", "read", 1, bay, f"unsteady:{drive}")
        assert done.returncode == 0
        assert ("A simulated drive: the minutes and hours" in one_line(done.stdout)) == (bay == "1")
    listed = one_line(run("files", "list", 1).stdout)
    assert "that both halves of the mirror gave are NOT compared" in listed


def test_what_was_left_to_the_other_half_is_said_so(run: Run, box: Scenario, tmp_path: Path) -> None:
    assert run("pair", "read", 1, *sources_of(box)).returncode == 0
    left = answer(run, "drive", "show", 1, 1)["left_bytes"]
    assert left > 1 << 20
    assert answer(run, "case", "show", 1)["images"][0]["left_bytes"] == left
    story = one_line(text_of(run, "case", "show", 1))
    both_say = re.findall(r"which gave them: ([\d ]+) bytes \([\d ]+ ranges?\)", story)
    assert int(both_say[0].replace(" ", "")) == left
    assert len(both_say) == 2
    said = one_line(text_of(run, "drive", "show", 1, 1))
    assert re.search(r"left to the other half [\d ]+ [\d.]+ %", said)
    assert "Left to the other half of the mirror, which gave them" in said
    assert "from byte" not in said, "none of them is a matter for the table"
    assert "left the other half" in one_line(text_of(run, "drive", "show", 1, 1, "--all"))
    text_of(run, "drive", "refused", 1, 1, tmp_path / "list.csv")
    rows = list(csv.DictReader((tmp_path / "list.csv").open()))
    assert sum(int(row["bytes"]) for row in rows if row["condition"] == "left") == left
    assert {row["condition"] for row in rows} == {"left"}
    found = answer(run, "drive", "refused", 1, 1, tmp_path / "list.json")
    assert json.loads((tmp_path / "list.json").read_text()) == found
    shown = answer(run, "drive", "show", 1, 1)["not_read"]
    for ranges in (found["ranges"], shown):
        assert [(str(one["start"]), one["condition"]) for one in ranges] == [
            (row["first_byte"], row["condition"]) for row in rows
        ]


def test_what_was_wanted_is_said_to_have_been_tried_and_what_is_left_to_the_other_half(
    run: Run, box: Scenario, base: SmallBase
) -> None:
    said = one_line(text_of(run, "pair", "read", 1, *sources_of(box), "--want", "*.bin", "--only-wanted"))
    assert said.count("; what is wanted was tried.") == 2
    story = one_line(text_of(run, "case", "show", 1))
    assert story.count("unread; what is wanted was tried.") == 2
    assert "everything was tried" not in said + story
    assert said.count("A simulated drive: the minutes and hours of an advice") == 1, "of both at once"
    said = one_line(text_of(run, "pair", "read", 1, *sources_of(box)))
    assert said.count("; all was tried but what is left to the other half.") == 2
    story = one_line(text_of(run, "case", "show", 1))
    assert story.count(" 0 unread; all was tried but what is left to the other half.") == 2
    assert "everything was tried" not in said + story


def test_only_what_neither_half_gave_is_worth_asking_for_again(
    run: Run, box: Scenario, base: SmallBase
) -> None:
    hint = "To ask for them again: more --tries, or another --adapter. A run without --adapter may have been"
    have_refuse(box, 0, place(box, base, 0).widen(512))
    said = one_line(text_of(run, "pair", "read", 1, *sources_of(box), "--both-whole"))
    assert "refused: " in said
    assert "Together the halves gave every byte." in said
    assert hint not in said
    have_refuse(box, 1, place(box, base, 1).widen(512))
    assert run("drive", "set-aside", 1, 2, "--reason", "a new try").returncode == 0
    said = one_line(text_of(run, "pair", "read", 1, *sources_of(box), "--both-whole", code=3))
    assert "Neither half gave " in said
    assert hint in said


def test_one_half_that_vanishes_hides_nothing_of_what_both_gave(
    run: Run, box: Scenario, base: SmallBase
) -> None:
    drive = box.drives[0]
    drive.write_text("vanish_after_reads = 40\n" + drive.read_text())
    broken = run("pair", "read", 1, *sources_of(box), "--want", "*.bin", "--want", "no-such-*")
    assert broken.returncode == 14, broken.stderr
    said = one_line(broken.stdout)
    assert "Bay 1: " in said
    assert "the drive no longer answers." in said
    assert "Neither half gave " in said, "of what it does not share with the other"
    assert "Wanted first: " in said
    assert "No file matches 'no-such-*'." in said
    assert "files list 1, then" in said
