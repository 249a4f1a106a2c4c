from __future__ import annotations

from pathlib import Path

from mendbay.outlets.remembered_file import RememberedFile


def test_what_is_kept_comes_back_and_whatever_is_wrong_is_nothing(tmp_path: Path) -> None:
    file = RememberedFile(tmp_path / "worked-out.json")
    assert file.recall() == {}
    file.keep({"a": {"b": 1.5}})
    assert RememberedFile(tmp_path / "worked-out.json").recall() == {"a": {"b": 1.5}}
    assert [one.name for one in tmp_path.iterdir()] == ["worked-out.json"]
    for damage in (b"", b"[1]", b"\xff", b"[" * 100_000):
        (tmp_path / "worked-out.json").write_bytes(damage)
        assert file.recall() == {}
    RememberedFile(tmp_path / "none" / "worked-out.json").keep({"a": 1})
    assert not (tmp_path / "none").exists()
