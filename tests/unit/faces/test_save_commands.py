"""`bench save`, `check-saved` and `put-back`, driven as a person would drive them."""

from __future__ import annotations

from pathlib import Path

from support.answers import Run, answer, refused, text_of


def test_a_shop_is_saved_checked_and_put_back(run: Run, tmp_path: Path) -> None:
    folder = tmp_path / "copy"
    saved = answer(run, "bench", "save", folder)
    assert (saved["with_images"], saved["lacking"]) == (True, [])
    assert saved["whole"] == saved["copied"]
    assert "would drop them" in refused(run, 2, "bench", "save", folder, "--without-images")
    checked = answer(run, "bench", "check-saved", folder)
    assert (checked["is_whole"], checked["faults"]) == (True, [])
    assert checked["copy"]["made_at"] == saved["made_at"]
    assert "is there, and stays as it is" in refused(run, 20, "bench", "put-back", folder)
    back = answer(run, "bench", "put-back", folder, "--set-aside")
    assert back["home"] == str(tmp_path / "home")
    assert back["aside"] == str(tmp_path / "home.aside-1")
    assert "Quillmere" in text_of(run, "case", "list")


def test_what_is_wrong_with_a_copy_is_named_by_the_exit_code_too(run: Run, tmp_path: Path) -> None:
    folder = tmp_path / "copy"
    text_of(run, "bench", "save", folder)
    (folder / "data" / "more").write_text("more")
    found = answer(run, "bench", "check-saved", folder, codes=(33,))
    assert {"path": "data/more", "words": "there but not listed"} in found["faults"]
    said = text_of(run, "bench", "check-saved", folder, code=33)
    assert "data/more: there but not listed" in said
    assert "no whole copy" in refused(run, 33, "bench", "put-back", folder, "--set-aside")
    assert "cannot be opened" in refused(run, 20, "bench", "check-saved", tmp_path / "none")


def test_what_a_copy_lacks_is_listed(run: Run, tmp_path: Path) -> None:
    (tmp_path / "home" / "papers").mkdir()
    (tmp_path / "home" / "papers" / "quote.md").symlink_to(tmp_path)
    said = text_of(run, "bench", "save", tmp_path / "copy", code=3)
    assert "papers/quote.md: no plain file" in said
    found = answer(run, "bench", "save", tmp_path / "copy", codes=(3,))
    assert len(found["lacking"]) == 1
    checked = answer(run, "bench", "check-saved", tmp_path / "copy")
    assert checked["copy"]["lacking"] == found["lacking"]
    said = text_of(run, "bench", "check-saved", tmp_path / "copy")
    assert "whole as it was made:" in said
    back = text_of(run, "bench", "put-back", tmp_path / "copy", "--set-aside")
    assert "papers/quote.md: no plain file" in back


def test_where_no_shop_is_nothing_is_saved_and_none_is_made(without_case: Run, tmp_path: Path) -> None:
    assert "nothing to save" in refused(without_case, 40, "bench", "save", tmp_path / "copy")
    assert list(tmp_path.iterdir()) == [] or not (tmp_path / "home").exists()


def test_forgetting_and_erasing_name_the_last_copy(run: Run, tmp_path: Path) -> None:
    before = answer(run, "case", "forget", 1)["out_of_reach"]
    assert not any("saved copies" in one for one in before)
    text_of(run, "bench", "save", tmp_path / "copy")
    after = answer(run, "case", "forget", 1)["out_of_reach"]
    assert any(one.startswith("saved copies of the whole shop") and str(tmp_path) in one for one in after)
