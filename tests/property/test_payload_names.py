"""Whatever bytes a drive calls its files by, their places in the bag are safe, distinct and recorded."""

from __future__ import annotations

import unicodedata

from hypothesis import given, settings
from hypothesis import strategies as st

from mendbay.handback import bag
from mendbay.handback.names import (
    LONGEST_NAME_BYTES,
    LONGEST_PATH_BYTES,
    escape,
    plan_names,
    same_on_some_system,
    unescape,
)

TRICKY = st.sampled_from(
    [b".", b"..", b"", b"=", b"=41", b"=-", b"=deep", b"CON", b"con", b"a", b"A", b"a\0", b"\xff", b"a ",
     b"a.", "é".encode(), "e\u0301".encode(), "\u202e".encode(), "ß".encode(), b"ss", b"a~0123abcd", b"%0A",
     b"\n", b"$HOME", b"x" * 240, b"x" * 241, b"X" * 300, b"\\", b"C:", "ı".encode(), "İ".encode()]
)  # fmt: skip
NAME = st.one_of(TRICKY, st.binary(max_size=12), st.text(max_size=12).map(str.encode)).map(
    lambda raw: raw.replace(b"/", b"")
)
PATHS = st.lists(st.lists(NAME, min_size=1, max_size=4).map(b"/".join), max_size=24)


@given(st.one_of(TRICKY, st.binary(max_size=400)))
def test_the_escape_is_reversible(raw: bytes) -> None:
    name = escape(raw)
    assert unescape(name) == raw
    assert name
    assert "/" not in name
    assert not {unicodedata.category(one) for one in name} & {"Cc", "Cs", "Zl", "Zp"}


@given(st.lists(st.binary(max_size=6), max_size=30, unique=True))
def test_no_two_raw_names_share_an_escape(raws: list[bytes]) -> None:
    assert len({escape(raw) for raw in raws}) == len(raws)


@settings(deadline=None)
@given(PATHS)
def test_places_are_inside_the_bag_and_portable(raws: list[bytes]) -> None:
    for raw, one in zip(raws, plan_names(raws), strict=True):
        assert one.raw_path == raw
        assert not bag.escapes(one.path)
        assert one.path.startswith("data/")
        assert len(one.path.encode()) <= LONGEST_PATH_BYTES + 32
        for part in one.path.split("/"):
            assert part not in ("", ".", "..")
            assert len(part.encode()) <= LONGEST_NAME_BYTES
            assert not set(part) & set('\0\r\n<>:"\\|?*%')
            assert part == part.strip()
            assert not part.endswith(".")
        assert one.is_renamed is (one.path.encode() != b"data/" + raw)


@settings(deadline=None)
@given(PATHS)
def test_no_two_places_are_one_anywhere(raws: list[bytes]) -> None:
    places = [same_on_some_system(one.path) for one in plan_names(raws)]
    assert len(set(places)) == len(places)
    folders = {
        "/".join(place.split("/")[:count]) for place in places for count in range(1, place.count("/") + 1)
    }
    assert not folders & set(places), "a place is both a file and a folder"


@settings(deadline=None)
@given(PATHS, st.randoms(use_true_random=False))
def test_the_plan_depends_on_the_set_alone(raws: list[bytes], chance: object) -> None:
    unique = sorted(set(raws))
    shuffled = list(unique)
    chance.shuffle(shuffled)  # type: ignore[attr-defined]
    first = {one.raw_path: one.path for one in plan_names(unique)}
    assert {one.raw_path: one.path for one in plan_names(shuffled)} == first


@given(st.text(max_size=40))
def test_manifest_paths_come_back(path: str) -> None:
    assert bag.decode_path(bag.encode_path(path)) == path
    assert not set(bag.encode_path(path)) & {"\r", "\n"}
