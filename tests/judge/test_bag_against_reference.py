"""Our bags before the reference checker for RFC 8493  (`bagit`), and our check before the RFC.

Cases marked "conformance suite" are built by hand after the case of that name in the BagIt conformance
suite of the Library of Congress (CC0, commit 9ab48705, 2021-11-18).
"""

from __future__ import annotations

import hashlib
import os
import shutil
from pathlib import Path

import bagit
import pytest

from mendbay.core.errors import BagInvalid, DestinationError
from mendbay.core.source import Reading
from mendbay.core.span import Span
from mendbay.handback.names import plan_names
from mendbay.outlets.bag_check import check_bag
from mendbay.outlets.destination import Destination
from support.handback_run import copy_all

HELLO_SHA512 = (
    "e7c22b994c59d9cf2b48e549b1e24666636045930d3da7c1acb299d1c3b7f931"
    "f94aae41edda2c2b207a36e10f8bcb8d45223e54878f5b316e7ce3b6bc019629"
)
"""Of "hello\\n": the published digest of the payload of several bags in the conformance suite."""

DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


@pytest.fixture
def ours(tmp_path: Path) -> Path:
    copy_all(tmp_path / "bag")
    return tmp_path / "bag"


def test_the_reference_accepts_our_bag(ours: Path) -> None:
    bag = bagit.Bag(str(ours))
    assert bag.validate(processes=1)
    assert bag.info["External-Identifier"] == "0042"
    assert set(bag.algorithms) == {"sha256", "sha512"}
    assert set(bag.tagfile_entries()) >= {
        "gaps.json",
        "names.json",
        "report.json",
        "handback.progress",
        "bagit.txt",
    }


def test_the_reference_accepts_every_name_a_drive_can_hold(tmp_path: Path) -> None:
    raw = [
        *(
            b"%s/%s" % (folder, name)
            for folder in (b"plain", b"T\xe9st", b"100%")
            for name in (b"a", b"\n\r", b"50% off")
        ),
        *(
            b"..",
            b"../../x",
            b"",
            b"CON",
            b"$HOME",
            b"~root",
            b" x ",
            b"a\\b",
            b"x" * 300,
            b"x" * 250 + b"y" * 50,
        ),
        *("é é é　".encode(), "e\u0301".encode(), "é".encode(), "\u2028\u202e\x85".encode(), b"%0A", b"%25"),
        *(b"=41", b"A", b"a", b"sub/" * 300 + b"deep.txt", bytes(range(1, 47)) + bytes(range(48, 256))),
    ]
    plan = plan_names(raw)
    with Destination(tmp_path / "bag", "1") as destination:
        destination.expect({one.path: 6 for one in plan})
        for one in plan:
            destination.put(one.path, [Reading(Span(0, 6), b"hello\n")])
        destination.finish("2026-11-25")
    assert bagit.Bag(str(tmp_path / "bag")).validate()
    assert check_bag(tmp_path / "bag").faults == ()
    assert HELLO_SHA512 in (tmp_path / "bag" / "manifest-sha512.txt").read_text()


@pytest.mark.parametrize("depth", ["totals", "completeness", "digests"])
def test_both_notice_one_changed_byte_at_the_depth_they_promise(ours: Path, depth: str) -> None:
    victim = ours / "data" / "small.txt"
    victim.write_bytes(b"hellO\n")
    found = check_bag(ours, depth)
    assert found.is_valid is (depth != "digests")
    if depth == "digests":
        with pytest.raises(bagit.BagValidationError):
            bagit.Bag(str(ours)).validate()
        fault = found.faults[-1]
        assert fault.path == "data/small.txt"
        assert fault.expected == HELLO_SHA512
        assert fault.found == hashlib.sha512(b"hellO\n").hexdigest()
        with pytest.raises(BagInvalid, match="small"):
            found.require_valid()


@pytest.mark.parametrize(
    ("damage", "depth", "said"),
    [
        ("shorter", "totals", "the totals of the payload differ"),
        ("removed", "totals", "the totals of the payload differ"),
        ("added", "totals", "the totals of the payload differ"),
        ("swapped", "completeness", "listed but not there"),
        ("swapped", "completeness", "there but not listed"),
        ("tag changed", "digests", "the digest differs"),
        ("tag removed", "completeness", "listed but not there"),
        ("linked", "totals", "not a regular file"),
        ("pipe", "totals", "not a regular file"),
    ],
)
def test_each_damage_is_noticed_at_its_depth(ours: Path, damage: str, depth: str, said: str) -> None:
    small = ours / "data" / "small.txt"
    if damage == "shorter":
        small.write_bytes(b"hello")
    elif damage in ("removed", "linked", "pipe"):
        small.unlink()
        if damage == "linked":
            small.symlink_to("/etc/hostname")
        elif damage == "pipe":
            os.mkfifo(small)
    elif damage == "added":
        (ours / "data" / "new.txt").touch()
    elif damage == "swapped":
        small.rename(small.with_name("smell.txt"))
    elif damage == "tag changed":
        (ours / "gaps.json").write_text("{}")
    elif damage == "tag removed":
        (ours / "gaps.json").unlink()
    order = ["totals", "completeness", "digests"]
    assert said in {fault.kind for fault in check_bag(ours, depth).faults}
    for shallower in order[: order.index(depth)]:
        assert check_bag(ours, shallower).is_valid
    with pytest.raises(bagit.BagError):
        bagit.Bag(str(ours)).validate()


def by_hand(folder: Path, files: dict[str, bytes], tags: dict[str, str]) -> Path:
    for path, content in files.items():
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_bytes(content)
    (folder / "data").mkdir(parents=True, exist_ok=True)
    for name, text in {"bagit.txt": DECLARATION, **tags}.items():
        (folder / name).write_bytes(text.encode())
    return folder


def test_valid_basic_bag(tmp_path: Path) -> None:
    """Conformance suite, v1.0 valid `basicBag`: one file, SHA-512, Payload-Oxum."""
    tags = {"manifest-sha512.txt": f"{HELLO_SHA512}  data/hello.txt\n", "bag-info.txt": "Payload-Oxum: 6.1\n"}
    bag = by_hand(tmp_path, {"data/hello.txt": b"hello\n"}, tags)
    assert check_bag(bag).faults == ()
    assert bagit.Bag(str(bag)).validate()


@pytest.mark.parametrize(
    "text",
    [
        "BagIt-Version : 1.0\nTag-File-Character-Encoding: UTF-8\n",
        "BagIt-Version:  1.0\nTag-File-Character-Encoding: UTF-8\n",
        " BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n",
        "BagIt-Version: 1.0 \nTag-File-Character-Encoding: UTF-8\n",
        "\ufeffBagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n",
        "Tag-File-Character-Encoding: UTF-8\nBagIt-Version: 1.0\n",
        "BagIt-Version: 1.0\n",
        "",
    ],
)
def test_a_declaration_with_stray_blanks_or_lines(tmp_path: Path, text: str) -> None:
    """Conformance suite, v1.0 invalid `bagit-with-invalid-whitespace`; RFC 8493, 2.1.1, for the rest."""
    tags = {"bagit.txt": text, "manifest-sha512.txt": f"{HELLO_SHA512}  data/hello.txt\n"}
    found = check_bag(by_hand(tmp_path, {"data/hello.txt": b"hello\n"}, tags))
    assert [fault.path for fault in found.faults] == ["bagit.txt"]


def test_not_all_manifests_list_all_files(tmp_path: Path) -> None:
    """Conformance suite, v1.0 invalid `notAllManifestsListAllFiles`."""
    sha256 = hashlib.sha256(b"hello\n").hexdigest()
    tags = {
        "manifest-sha512.txt": f"{HELLO_SHA512}  data/a\n{HELLO_SHA512}  data/b\n",
        "manifest-sha256.txt": f"{sha256}  data/a\n",
    }
    found = check_bag(by_hand(tmp_path, {"data/a": b"hello\n", "data/b": b"hello\n"}, tags))
    assert [(one.kind, one.path, one.algorithm) for one in found.faults] == [
        ("there but not listed", "data/b", "sha256")
    ]


@pytest.mark.parametrize("second", [HELLO_SHA512, HELLO_SHA512[::-1]], ids=["same hash", "different hash"])
def test_same_filename_listed_twice(tmp_path: Path, second: str) -> None:
    """Conformance suite, v1.0 invalid `same-filename-listed-twice`, with the same and another hash."""
    tags = {"manifest-sha512.txt": f"{HELLO_SHA512}  data/a\n{second}  data/a\n"}
    found = check_bag(by_hand(tmp_path, {"data/a": b"hello\n"}, tags))
    assert "a second time" in found.faults[0].kind


@pytest.mark.parametrize(
    "path", ["../hello.txt", "data/../../hello.txt", "/etc/passwd", "~/hello.txt", "~root/x", "c:/x"]
)
def test_paths_that_lead_out(tmp_path: Path, path: str) -> None:
    """Conformance suite, v0.97 path-escape cases of Linux and Windows: refused, nothing outside read."""
    tags = {"manifest-sha512.txt": f"{HELLO_SHA512}  data/hello.txt\n{HELLO_SHA512}  {path}\n"}
    (tmp_path / "hello.txt").write_bytes(b"hello\n")
    found = check_bag(by_hand(tmp_path / "bag", {"data/hello.txt": b"hello\n"}, tags))
    assert "outside the bag" in found.faults[0].kind


@pytest.mark.parametrize(
    ("tags", "said"),
    [
        ({}, "there is no manifest of the payload"),
        ({"manifest-md17.txt": "00  data/hello.txt\n"}, "an algorithm that is not known"),
        ({"bag-info.txt": "Payload-Oxum: 6.1\nPayload-Oxum: 6.1\n"}, "more than once"),
        ({"bag-info.txt": "Payload-Oxum: six\n"}, "not a number"),
        ({"bagit.txt": DECLARATION.replace("1.0", "0.97")}, "another version"),
    ],
)
def test_other_faults_are_named(tmp_path: Path, tags: dict[str, str], said: str) -> None:
    found = check_bag(by_hand(tmp_path, {"data/hello.txt": b"hello\n"}, tags))
    assert any(said in fault.kind for fault in found.faults)


def test_percent_encoded_paths_follow_the_rfc(tmp_path: Path) -> None:
    """RFC 8493 section 2.1.3: CR, LF and % are encoded. (The reference does not decode %25, which is why
    our own names hold no percent sign.)"""
    tags = {"manifest-sha512.txt": f"{HELLO_SHA512}  data/100%25.txt\n{HELLO_SHA512}  data/a%0Ab\n"}
    bag = by_hand(tmp_path, {"data/100%.txt": b"hello\n", "data/a\nb": b"hello\n"}, tags)
    assert check_bag(bag).faults == ()
    with pytest.raises(bagit.BagError):
        bagit.Bag(str(bag)).validate()


def test_an_empty_payload_is_a_bag(tmp_path: Path) -> None:
    with Destination(tmp_path / "bag", "1") as destination:
        destination.expect({})
        destination.finish("2026-11-25")
    assert check_bag(tmp_path / "bag").faults == ()


def test_a_bag_survives_being_copied(ours: Path, tmp_path: Path) -> None:
    shutil.copytree(ours, tmp_path / "second")
    assert check_bag(tmp_path / "second").faults == ()


def test_no_such_folder_is_told(tmp_path: Path) -> None:
    with pytest.raises(DestinationError, match="cannot be opened"):
        check_bag(tmp_path / "none")
