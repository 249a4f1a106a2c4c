"""Who stands on papers for the shop."""

from __future__ import annotations

from pathlib import Path

import pytest

from mendbay.core.errors import UsageError
from mendbay.jobs.bench import Bench
from mendbay.jobs.papers import person_on_paper
from mendbay.wiring import person


def test_an_account_of_nobody_gives_way_to_the_shop(bench: Bench, tmp_path: Path) -> None:
    assert person_on_paper(bench, "root") == "root", "nothing better is known"
    (tmp_path / "home" / "settings").mkdir(parents=True)
    (tmp_path / "home" / "settings" / "shop.toml").write_text('name = "The bench at the mill"\n')
    assert person_on_paper(bench, "root") == "The bench at the mill"
    assert person_on_paper(bench, "maren") == "maren"


def test_the_person_can_be_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LOGNAME", "bench-1")
    monkeypatch.setenv("MENDBAY_WHO", "  ")
    assert person() == "bench-1"
    monkeypatch.setenv("MENDBAY_WHO", " M. Holt ")
    assert person() == "M. Holt"
    for odd in ("two\nlines", "x" * 10_000):
        monkeypatch.setenv("MENDBAY_WHO", odd)
        with pytest.raises(UsageError):
            person()
