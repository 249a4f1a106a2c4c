"""The shop's data files: found by kind, kept whole, never outside their folder."""

from __future__ import annotations

from pathlib import Path

import pytest

from mendbay.core.errors import BadFormFile, DestinationError, UsageError
from mendbay.outlets import shop_files
from mendbay.outlets.shop_files import ShopFolder


def test_what_is_kept_is_found_by_name_and_replaced_whole(tmp_path: Path) -> None:
    folder = ShopFolder(tmp_path / "home")
    assert list(folder.texts("families")) == []
    assert folder.text("families", "TB-4471") is None
    assert folder.keep("families", "TB-4471", "{}") == (tmp_path / "home/families/TB-4471.json", None)
    folder.keep("families", "TB-1000", '{"a": "ü"}')
    path, earlier = folder.keep("families", "TB-4471", '{"b": 2}')
    assert path == tmp_path / "home/families/TB-4471.json"
    assert earlier == tmp_path / "home/families/TB-4471.json.1"
    assert folder.text("families", "TB-4471") == '{"b": 2}'
    assert list(folder.texts("families")) == [("TB-1000", '{"a": "ü"}'), ("TB-4471", '{"b": 2}')]
    assert list(folder.texts("number-forms")) == []


def test_an_earlier_version_is_kept_beside_it(tmp_path: Path) -> None:
    folder = ShopFolder(tmp_path)
    for text in ("one", "two", "two", "six", "three"):
        folder.keep("families", "x", text)
    kept = {path.name: path.read_text() for path in (tmp_path / "families").iterdir()}
    assert kept == {"x.json": "three", "x.json.1": "one", "x.json.2": "two", "x.json.3": "six"}
    assert folder.names("families") == ("x",)


def test_one_file_is_read_whatever_the_others_are(tmp_path: Path) -> None:
    folder = ShopFolder(tmp_path)
    folder.keep("families", "good", "{}")
    (tmp_path / "families/bad.json").write_bytes(b"\xff")
    assert folder.text("families", "good") == "{}"
    assert folder.names("families") == ("bad", "good")
    with pytest.raises(BadFormFile, match=r"bad\.json is not text"):
        folder.text("families", "bad")


@pytest.mark.parametrize("name", ["", "../x", "a/b", ".hidden", "a\0b", "ä", "x" * 101])
def test_a_name_is_no_path(tmp_path: Path, name: str) -> None:
    with pytest.raises(UsageError, match="name of a file"):
        ShopFolder(tmp_path).keep("families", name, "{}")
    with pytest.raises(UsageError, match="name of a file"):
        ShopFolder(tmp_path).text("families", name)
    assert list(tmp_path.iterdir()) == []


def test_other_files_in_the_folder_do_not_count(tmp_path: Path) -> None:
    (tmp_path / "number-forms").mkdir()
    (tmp_path / "number-forms/notes.txt").write_bytes(b"\xff")
    assert list(ShopFolder(tmp_path).texts("number-forms")) == []


def test_a_file_that_cannot_be_used_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "number-forms").mkdir()
    bad = tmp_path / "number-forms/own.toml"
    bad.write_bytes(b"\xff")
    with pytest.raises(BadFormFile, match=r"own\.toml is not text"):
        list(ShopFolder(tmp_path).texts("number-forms"))
    monkeypatch.setitem(shop_files.LIMIT_BYTES, "number-forms", 3)
    bad.write_bytes(b"abcd")
    with pytest.raises(BadFormFile, match=r"own\.toml is larger"):
        list(ShopFolder(tmp_path).texts("number-forms"))


def test_a_folder_that_is_none_is_told(tmp_path: Path) -> None:
    (tmp_path / "families").write_bytes(b"")
    with pytest.raises(BadFormFile, match="cannot be read"):
        list(ShopFolder(tmp_path).texts("families"))
    with pytest.raises(DestinationError, match="cannot be written"):
        ShopFolder(tmp_path).keep("families", "x", "{}")


def test_a_file_that_is_put_away_is_in_force_no_more(tmp_path: Path) -> None:
    folder = ShopFolder(tmp_path)
    assert folder.put_away("settings", "power") is None
    for number, text in enumerate(("one", "two"), 1):
        folder.keep("settings", "power", text)
        earlier = folder.put_away("settings", "power")
        assert earlier == tmp_path / "settings" / f"power.toml.{number}"
        assert earlier.read_text() == text
        assert folder.text("settings", "power") is None
        assert list(folder.names("settings")) == []
    with pytest.raises(UsageError):
        folder.put_away("settings", "../power")
