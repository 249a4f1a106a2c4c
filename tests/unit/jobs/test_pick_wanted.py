"""Wishes that are picked stand behind those of the case, and can be taken back one by one."""

from __future__ import annotations

from pathlib import Path

import pytest

from mendbay.core.errors import NoSuchCase, UsageError
from mendbay.jobs.pick_wanted import add_wishes, drop_wish
from mendbay.jobs.take_in import take_in
from mendbay.wiring import open_bench


def test_wishes_come_and_go_in_order(tmp_path: Path) -> None:
    with open_bench(tmp_path / "home") as bench:
        take_in(bench, "Quillmere Pottery", wanted=("*.xlsx",))
        assert add_wishes(bench, 1, ["/a/**", "/b", "/a/**"]) == ("/a/**", "/b")
        assert bench.ledger.case(1).wanted == ("*.xlsx", "/a/**", "/b")
        events = len(bench.ledger.events(1))
        assert add_wishes(bench, 1, ["/b"]) == ()
        assert len(bench.ledger.events(1)) == events
        for one in ("/a/**", "*.xlsx"):
            drop_wish(bench, 1, one)
        assert bench.ledger.case(1).wanted == ("/b",)
        with pytest.raises(UsageError):
            drop_wish(bench, 1, "*.xlsx")
        drop_wish(bench, 1, "/b")
        assert bench.ledger.case(1).wanted == ()
        with pytest.raises(NoSuchCase):
            add_wishes(bench, 2, ["/b"])


def test_too_many_or_what_cannot_be_kept_changes_nothing(tmp_path: Path) -> None:
    with open_bench(tmp_path / "home") as bench:
        take_in(bench, "Quillmere Pottery", wanted=("a, b", "*.xlsx"))
        for refused in ([f"/{one}" for one in range(1000)], ["x" * 201], ["a\x1b"]):
            with pytest.raises(UsageError):
                add_wishes(bench, 1, refused)
        assert bench.ledger.case(1).wanted == ("a, b", "*.xlsx")
        add_wishes(bench, 1, ["/c"])
        assert bench.ledger.case(1).wanted == ("a? b", "*.xlsx", "/c")
