"""A file of the shop is kept only if what reads it takes it."""

from __future__ import annotations

from pathlib import Path

import pytest

from mendbay.case.price_list import packaged_prices
from mendbay.core.errors import BadFormFile, UsageError
from mendbay.jobs.quote_lines import price_list_of
from mendbay.jobs.shop_settings import CHECKS, keep_text
from mendbay.outlets.shop_files import ShopFolder
from mendbay.wiring import setting_check

SOUND = {
    "prices": packaged_prices(),
    "shop": 'name = "Mill"',
    "agenda": "[wait_days]\ncustomer = 3",
    "keeping": "days = 3",
    "power": 'command = ["/bin/true"]',
}


@pytest.mark.parametrize("name", SOUND)
def test_what_is_sound_is_kept_with_one_end_of_line(name: str, tmp_path: Path) -> None:
    files = ShopFolder(tmp_path)
    kept = keep_text(files, "settings", name, f"\n{SOUND[name]}\n\n\n", setting_check(name))
    assert files.text("settings", name) == f"\n{SOUND[name].rstrip()}\n"
    assert kept.earlier is None
    again = keep_text(files, "settings", name, f"{SOUND[name]}\n# more", setting_check(name))
    assert again.earlier == tmp_path / "settings" / f"{name}.toml.1"


@pytest.mark.parametrize("name", SOUND)
@pytest.mark.parametrize("text", ["nonsense", "= 1", "unknown-key = 1", '"\\ud800"', "a = [" * 5000])
def test_what_is_not_sound_changes_nothing(name: str, text: str, tmp_path: Path) -> None:
    files = ShopFolder(tmp_path)
    keep_text(files, "settings", name, SOUND[name], setting_check(name))
    before = files.text("settings", name)
    with pytest.raises(BadFormFile):
        keep_text(files, "settings", name, text, setting_check(name))
    assert files.text("settings", name) == before
    assert len(list((tmp_path / "settings").iterdir())) == 1


def test_no_text_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(UsageError):
        keep_text(ShopFolder(tmp_path), "settings", "shop", " \n", CHECKS["shop"])
    assert list(tmp_path.iterdir()) == []


def test_there_is_no_check_of_what_is_no_setting() -> None:
    with pytest.raises(UsageError, match="There is no setting"):
        setting_check("ledger")


def test_without_a_file_the_prices_are_the_examples() -> None:
    assert not price_list_of(None).own
    assert not price_list_of(packaged_prices()).own
