"""The hand-back folder: what is refused, what is written, what is claimed, and going on after a stop."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from mendbay.core.errors import DestinationError, DriveVanished, NoRoom
from mendbay.core.source import Gap, Lack, Reading
from mendbay.core.span import Span
from mendbay.outlets import destination as module
from mendbay.outlets.bag_check import check_bag
from mendbay.outlets.destination import Destination
from support.handback_run import (
    CASE,
    CONTENT,
    GAPS,
    HOLED,
    MARKS,
    MODIFIED,
    copy_all,
    expected_bytes,
    readings,
)


def snapshot(folder: Path) -> dict[str, bytes]:
    return {str(one.relative_to(folder)): one.read_bytes() for one in folder.rglob("*") if one.is_file()}


def test_a_hand_back_is_a_valid_bag_with_every_byte(tmp_path: Path) -> None:
    payload, kept = copy_all(tmp_path / "bag")
    assert kept == 0
    for one in payload:
        content = (tmp_path / "bag" / one.path).read_bytes()
        assert content == expected_bytes(one.path)
        assert one.sha256 == hashlib.sha256(content).hexdigest()
        assert one.sha512 == hashlib.sha512(content).hexdigest()
        assert (tmp_path / "bag" / one.path).stat().st_mtime == MODIFIED
    assert check_bag(tmp_path / "bag").faults == ()
    assert not (tmp_path / "bag" / "handback.partial").exists()


def test_holes_are_zero_in_the_copy_and_listed_beside_it(tmp_path: Path) -> None:
    payload, _ = copy_all(tmp_path / "bag")
    (one,) = [copy for copy in payload if copy.gaps]
    assert (one.path, one.gaps, one.marks) == (HOLED, GAPS, MARKS)
    listed = json.loads((tmp_path / "bag" / "gaps.json").read_text())["files"]
    assert listed == [
        {
            "path": HOLED,
            "size_bytes": 2048,
            "gaps": [
                {"start": 100, "stop": 612, "why": "refused"},
                {"start": 900, "stop": 1100, "why": "unread"},
            ],
        }
    ]


def test_long_runs_of_zeros_take_no_room(tmp_path: Path) -> None:
    with Destination(tmp_path / "bag", CASE) as destination:
        size = 64 << 20
        destination.expect({"data/disk.img": size})
        piece = 4 << 20
        zeros = (Reading(Span(at, at + piece), bytes(piece)) for at in range(0, size, piece))
        destination.put("data/disk.img", zeros)
        assert destination.verify("data/disk.img").equal
    found = (tmp_path / "bag" / "data" / "disk.img").stat()
    assert found.st_size == size
    assert found.st_blocks * 512 < 1 << 20


def test_a_second_run_keeps_what_is_there(tmp_path: Path) -> None:
    copy_all(tmp_path / "bag")
    before = snapshot(tmp_path / "bag")
    inodes = {path: (tmp_path / "bag" / path).stat().st_ino for path in CONTENT}
    _, kept = copy_all(tmp_path / "bag")
    assert kept == len(CONTENT)
    assert inodes == {path: (tmp_path / "bag" / path).stat().st_ino for path in CONTENT}
    assert snapshot(tmp_path / "bag") == before


def test_a_copy_that_changed_on_the_medium_is_made_again(tmp_path: Path) -> None:
    copy_all(tmp_path / "bag")
    victim = tmp_path / "bag" / "data" / "small.txt"
    victim.write_bytes(b"hellO\n")
    _, kept = copy_all(tmp_path / "bag")
    assert kept == len(CONTENT) - 1
    assert victim.read_bytes() == b"hello\n"


@pytest.mark.parametrize(
    "change",
    [
        {"size_bytes": 2047},
        {"gaps": GAPS[:1]},
        {"gaps": (Gap(GAPS[0].span, Lack.WAIVED), GAPS[1])},
        {"marks": ()},
        {"modified_at": 7},
        {"origin": "inode 12"},
    ],
)
def test_a_copy_of_another_description_is_not_kept(tmp_path: Path, change: dict[str, object]) -> None:
    copy_all(tmp_path / "bag")
    asked = {"size_bytes": 2048, "gaps": GAPS, "marks": MARKS, "modified_at": MODIFIED, "origin": ""}
    with Destination(tmp_path / "bag", CASE) as destination:
        assert destination.kept(HOLED, **asked) is not None  # type: ignore[arg-type]
        assert destination.kept(HOLED, **{**asked, **change}) is None  # type: ignore[arg-type]


def test_a_bag_being_reworked_is_no_bag(tmp_path: Path) -> None:
    copy_all(tmp_path / "bag")
    with Destination(tmp_path / "bag", CASE) as destination:
        assert check_bag(tmp_path / "bag", "totals").is_valid
        destination.expect({path: len(data) for path, data in CONTENT.items()})
        assert not (tmp_path / "bag" / "bagit.txt").exists()
        assert not list((tmp_path / "bag").glob("*manifest*"))


def test_a_folder_with_something_else_in_it_is_refused_and_left_alone(tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("mine")
    with pytest.raises(DestinationError, match="not empty"):
        Destination(tmp_path, CASE)
    assert snapshot(tmp_path) == {"letter.txt": b"mine"}


def test_a_strange_empty_file_of_the_journals_name_does_not_make_it_ours(tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("mine")
    (tmp_path / "handback.progress").touch()
    with pytest.raises(DestinationError, match="not empty"):
        Destination(tmp_path, CASE)


def test_another_cases_folder_is_refused(tmp_path: Path) -> None:
    copy_all(tmp_path / "bag")
    with pytest.raises(DestinationError, match="case 0042, not of 0043"):
        Destination(tmp_path / "bag", "0043")


def test_two_at_once_are_refused(tmp_path: Path) -> None:
    with (
        Destination(tmp_path / "bag", CASE),
        pytest.raises(DestinationError, match="Another Mendbay process"),
    ):
        Destination(tmp_path / "bag", CASE)


@pytest.mark.parametrize("make", ["file", "no parent"])
def test_a_place_that_cannot_be_a_folder_is_refused(tmp_path: Path, make: str) -> None:
    (tmp_path / "file").touch()
    folder = tmp_path / "file" if make == "file" else tmp_path / "none" / "bag"
    with pytest.raises(DestinationError):
        Destination(folder, CASE)


def test_too_little_room_is_told_with_numbers_before_anything_is_written(tmp_path: Path) -> None:
    free = os.statvfs(tmp_path).f_bavail * os.statvfs(tmp_path).f_frsize
    with Destination(tmp_path / "bag", CASE) as destination:
        with pytest.raises(NoRoom, match=r"free, but .* are needed for 1\u202f?.?file") as told:
            destination.expect({"data/big.img": free + (1 << 30)})
        assert "Free at least" in told.value.next_step
    assert set(snapshot(tmp_path / "bag")) == {"handback.progress"}


def test_files_of_another_plan_are_not_silently_taken_along(tmp_path: Path) -> None:
    copy_all(tmp_path / "bag")
    with (
        Destination(tmp_path / "bag", CASE) as destination,
        pytest.raises(DestinationError, match="not part of this hand-back"),
    ):
        destination.expect({"data/small.txt": 6})
    assert check_bag(tmp_path / "bag").is_valid


@pytest.mark.parametrize("path", ["data/../x", "/x", "x", "data//x", "data/", "data/./x"])
def test_a_path_outside_the_payload_is_refused(tmp_path: Path, path: str) -> None:
    with Destination(tmp_path / "bag", CASE) as destination, pytest.raises(ValueError, match="payload path"):
        destination.expect({path: 1})


@pytest.mark.parametrize("planted", ["data", "data/Kiln log", "handback.partial"])
def test_a_planted_link_to_a_folder_redirects_nothing(tmp_path: Path, planted: str) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "copy").write_text("precious")
    with Destination(tmp_path / "bag", CASE) as destination:
        path = "data/Kiln log/kiln-log-2026.xlsx"
        destination.expect({path: 5500})
        place = tmp_path / "bag" / planted
        place.parent.mkdir(exist_ok=True)
        if place.is_dir():
            place.rmdir()
        place.symlink_to(outside)
        with pytest.raises(DestinationError):
            destination.put(path, readings(path))
    assert snapshot(outside) == {"copy": b"precious"}


def test_a_planted_link_in_a_files_place_is_replaced_not_followed(tmp_path: Path) -> None:
    precious = tmp_path / "precious"
    precious.write_text("precious")
    with Destination(tmp_path / "bag", CASE) as destination:
        destination.expect({"data/small.txt": 6})
        (tmp_path / "bag" / "data").mkdir()
        (tmp_path / "bag" / "data" / "small.txt").symlink_to(precious)
        destination.put("data/small.txt", readings("data/small.txt"))
        destination.finish("2026-11-25")
    assert precious.read_text() == "precious"
    assert not (tmp_path / "bag" / "data" / "small.txt").is_symlink()
    assert check_bag(tmp_path / "bag").is_valid


def test_a_link_put_over_a_finished_copy_is_not_taken_for_it(tmp_path: Path) -> None:
    with Destination(tmp_path / "bag", CASE) as destination:
        destination.expect({"data/small.txt": 6})
        destination.put("data/small.txt", readings("data/small.txt"))
        same = tmp_path / "same"
        same.write_bytes(b"hello\n")
        place = tmp_path / "bag" / "data" / "small.txt"
        place.unlink()
        place.symlink_to(same)
        assert not destination.verify("data/small.txt").equal
        with pytest.raises(ValueError, match="not copied"):
            destination.finish("2026-11-25")


def test_something_added_while_writing_stops_the_finish(tmp_path: Path) -> None:
    with Destination(tmp_path / "bag", CASE) as destination:
        destination.expect({"data/small.txt": 6})
        destination.put("data/small.txt", readings("data/small.txt"))
        (tmp_path / "bag" / "data" / "stranger").touch()
        with pytest.raises(DestinationError, match="stranger"):
            destination.finish("2026-11-25")
    assert not (tmp_path / "bag" / "bagit.txt").exists()


def test_a_source_that_fails_midway_leaves_no_half_file(tmp_path: Path) -> None:
    def failing() -> Iterator[Reading]:
        yield Reading(Span(0, 3), b"hel")
        raise DriveVanished("gone", "cycle its power")

    with Destination(tmp_path / "bag", CASE) as destination:
        destination.expect({"data/small.txt": 6})
        with pytest.raises(DriveVanished):
            destination.put("data/small.txt", failing())
        assert set(snapshot(tmp_path / "bag")) == {"handback.progress"}
        destination.put("data/small.txt", readings("data/small.txt"))
        destination.finish("2026-11-25")
    assert check_bag(tmp_path / "bag").is_valid


@pytest.mark.parametrize(
    "given",
    [
        [Reading(Span(0, 3), b"hel")],
        [Reading(Span(0, 3), b"hel"), Reading(Span(4, 6), b"o\n")],
        [Reading(Span(0, 7), b"hello\n\n")],
        [],
    ],
)
def test_readings_that_do_not_make_the_file_are_refused(tmp_path: Path, given: list[Reading]) -> None:
    with Destination(tmp_path / "bag", CASE) as destination:
        destination.expect({"data/small.txt": 6})
        with pytest.raises(ValueError, match=r"small\.txt"):
            destination.put("data/small.txt", given)


@pytest.mark.parametrize(
    "name", ["bagit.txt", "data", "manifest-sha256.txt", "../x", "a/b", "gaps.json", ".x", "x\n"]
)
def test_a_tag_cannot_take_a_name_of_the_bags_own(tmp_path: Path, name: str) -> None:
    with Destination(tmp_path / "bag", CASE) as destination:
        destination.expect({})
        with pytest.raises(ValueError, match="tag file"):
            destination.finish("2026-11-25", tags={name: b""})


def test_a_torn_last_line_of_the_journal_is_cut_off(tmp_path: Path) -> None:
    copy_all(tmp_path / "bag")
    journal = tmp_path / "bag" / "handback.progress"
    with journal.open("ab") as file:
        file.write(b'{"copy": {"path": "data/sm')
    _, kept = copy_all(tmp_path / "bag")
    assert kept == len(CONTENT)
    assert journal.read_bytes().endswith(b"}\n")
    assert check_bag(tmp_path / "bag").is_valid


def test_a_journal_damaged_in_the_middle_is_refused(tmp_path: Path) -> None:
    copy_all(tmp_path / "bag")
    journal = tmp_path / "bag" / "handback.progress"
    lines = journal.read_bytes().split(b"\n")
    lines[2] = lines[2][:-5]
    journal.write_bytes(b"\n".join(lines))
    with pytest.raises(DestinationError, match="Line 3"):
        Destination(tmp_path / "bag", CASE)


def test_the_medium_is_asked_not_the_page_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The re-reading tells the system to drop the file's pages before it reads them."""
    told: list[int] = []
    real = os.posix_fadvise
    monkeypatch.setattr(
        module.os,
        "posix_fadvise",
        lambda fd, start, length, advice: (told.append(advice), real(fd, start, length, advice))[1],
    )
    with Destination(tmp_path / "bag", CASE) as destination:
        destination.expect({"data/small.txt": 6})
        destination.put("data/small.txt", readings("data/small.txt"))
        destination.verify("data/small.txt")
    assert told[0] == os.POSIX_FADV_DONTNEED
