"""Names that customers and broken folders really hold, and names meant to do harm."""

from __future__ import annotations

import json

import pytest

from mendbay.handback.names import (
    LONGEST_NAME_BYTES,
    LONGEST_PATH_BYTES,
    escape,
    links_json,
    names_json,
    plan_names,
    same_on_some_system,
    shown,
    unescape,
)


@pytest.mark.parametrize(
    ("raw", "name"),
    [
        (b"kiln log (final).xlsx", "kiln log (final).xlsx"),
        ("Глазурь – проба.jpg".encode(), "Глазурь – проба.jpg"),
        ("青磁.jpg".encode(), "青磁.jpg"),
        ("\U0001f469\u200d\U0001f3a8.png".encode(), "\U0001f469\u200d\U0001f3a8.png"),
        (b"~$orders.docx", "~=24orders.docx"),
        (b"a=b", "a=b"),
        (b"T\xe9st", "T=E9st"),
        (b"a=3Ab", "a=3D3Ab"),
        (b"12:30 firing?", "12=3A30 firing=3F"),
        (b"100%", "100=25"),
        (b"tab\there", "tab=09here"),
        (b"nul\0byte", "nul=00byte"),
        (b"ends.", "ends=2E"),
        (b"ends ", "ends=20"),
        (b" begins", "=20begins"),
        (b"", "=-"),
        (b"=-", "=3D-"),
        (b".", "=2E"),
        (b"..", "=2E=2E"),
        (b"...", "..=2E"),
        (b".hidden", ".hidden"),
        (b"CON", "=43ON"),
        (b"aux.txt", "=61ux.txt"),
        (b"auxiliary.txt", "auxiliary.txt"),
        (b"back\\slash", "back=5Cslash"),
        ("invoice\u202egpj.exe".encode(), "invoice=E2=80=AEgpj.exe"),
        (b"\xed\xa0\x80", "=ED=A0=80"),  # a lone surrogate half is no UTF-8
        (b"=deep", "=3Ddeep"),
        (b"=Deep", "=3DDeep"),
    ],
)
def test_a_name_in_its_portable_form(raw: bytes, name: str) -> None:
    assert escape(raw) == name
    assert unescape(name) == raw


def test_a_path_is_shown_for_reading() -> None:
    assert shown("a/\u202eü?".encode() + b"\xff") == "a/‹U+202E›ü?‹FF›"


def test_ordinary_paths_keep_their_names() -> None:
    raw = [b"Kiln log/2026.xlsx", b"Kiln log/2025.xlsx", "Glaze/é.jpg".encode()]
    plan = plan_names(raw)
    assert [one.path.encode() for one in plan] == [b"data/" + one for one in raw]
    assert not any(one.is_renamed for one in plan)


def test_climbing_out_is_not_possible() -> None:
    (one,) = plan_names([b"../../etc/passwd"])
    assert one.path == "data/=2E=2E/=2E=2E/etc/passwd"
    (one,) = plan_names([b"/etc/passwd"])
    assert one.path == "data/=-/etc/passwd"


def test_names_that_differ_in_case_or_composition_only_get_two_places() -> None:
    plan = plan_names([b"Log.txt", b"log.TXT", "é.txt".encode(), "e\u0301.txt".encode()])
    assert len({same_on_some_system(one.path) for one in plan}) == 4
    assert sum(one.is_renamed for one in plan) == 2
    assert all(one.path.lower().endswith(".txt") for one in plan)


def test_folders_that_differ_in_case_only_stay_two_folders() -> None:
    plan = plan_names([b"Photos/a.jpg", b"photos/b.jpg", b"photos/a.jpg"])
    assert len({one.path.split("/")[1] for one in plan}) == 2
    assert plan[1].path.split("/")[1] == plan[2].path.split("/")[1]


def test_a_file_and_a_folder_of_one_name_get_two_places() -> None:
    plan = plan_names([b"a", b"a/b"])
    assert plan[1].path == "data/a/b"
    assert plan[0].path.startswith("data/a~")


def test_a_path_met_twice_gets_two_places() -> None:
    assert len({one.path for one in plan_names([b"a/x.txt"] * 40)}) == 40


def test_the_order_of_asking_does_not_matter() -> None:
    raw = [b"A/x", b"a/x", b"a/X", b"b\xff", b"b=FF", b"n" * 300, b"N" * 300]
    forward = {one.raw_path: one.path for one in plan_names(raw)}
    backward = {one.raw_path: one.path for one in plan_names(raw[::-1])}
    assert forward == backward


def test_the_name_that_needs_no_escape_keeps_itself() -> None:
    """`B=FF` and the escape of the raw `b\\xff` would be one name where case does not count."""
    plan = plan_names([b"b\xff", b"B=ff"])
    assert plan[1].path == "data/B=ff"
    assert plan[0].path.startswith("data/b=FF~")


def test_a_long_name_is_cut_at_a_whole_character_and_keeps_its_extension() -> None:
    (one,) = plan_names([("ü" * 200 + ".jpeg").encode()])
    name = one.path.removeprefix("data/")
    assert len(name.encode()) <= LONGEST_NAME_BYTES
    assert name.startswith("ü")
    assert "~" in name
    assert name.endswith(".jpeg")


def test_a_long_name_is_cut_at_a_whole_escape() -> None:
    for length in range(80, 100):
        (one,) = plan_names([b"x" * (length - 80) + b"\xff" * 100])
        stem = one.path.removeprefix("data/").rpartition("~")[0]
        assert set(unescape(stem)) <= {0xFF, ord("x")}


def test_a_path_deeper_than_systems_allow_is_brought_up() -> None:
    (one,) = plan_names([b"deep/" * 300 + b"x.txt"])
    assert one.path.startswith("data/=deep/")
    assert one.path.endswith("/x.txt")
    assert len(one.path.encode()) <= LONGEST_PATH_BYTES


def test_every_renamed_path_is_recorded_with_its_raw_bytes() -> None:
    plan = plan_names([b"plain", b"T\xe9st", b"D\xe9/plain"])
    found = json.loads(names_json(plan))["renamed"]
    assert {one["path"]: bytes.fromhex(one["raw_path_hex"]) for one in found} == {
        "data/T=E9st": b"T\xe9st",
        "data/D=E9/plain": b"D\xe9/plain",
    }
    assert all(one["why"] for one in found)


def test_links_are_recorded_with_their_targets() -> None:
    (one,) = json.loads(links_json([(b"a\xff", b"/etc/\xffshadow\n")]))["links"]
    assert bytes.fromhex(one["target_hex"]) == b"/etc/\xffshadow\n"
    assert bytes.fromhex(one["raw_path_hex"]) == b"a\xff"
    assert "\n" not in one["target_shown"]
