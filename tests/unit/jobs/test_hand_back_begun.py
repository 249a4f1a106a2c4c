"""A hand-back that was begun and never finished is known of, and held against forgetting the case."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from mendbay.core.errors import Interrupted
from mendbay.jobs.forget_case import plan_forgetting
from mendbay.jobs.hand_back import hand_back
from mendbay.jobs.keep_copies import HAND_BACK, HAND_BACK_BEGUN, folders_told
from mendbay.jobs.read_drive import DriveAt
from mendbay.jobs.read_pair import read_pair
from mendbay.jobs.take_in import take_in
from mendbay.outlets.scenario.small import make_small_scenario
from mendbay.wiring import open_bench, open_handback_folder, papers, shop_copies
from support.boxes import small_base


def test_its_folder_is_noted_before_copying(tmp_path: Path) -> None:
    box = make_small_scenario(tmp_path / "box", 3, base=small_base(tmp_path / "base"))
    home, out = tmp_path / "home", tmp_path / "Zeller" / "out"
    out.parent.mkdir()
    with open_bench(home) as bench:
        take_in(bench, "Anna Zeller")
        drives = [DriveAt(bay, f"unsteady:{drive}") for bay, drive in zip("12", box.drives, strict=True)]
        read_pair(bench, 1, drives)
        asked = iter((False, False))
        stopping = replace(bench, stop=lambda: next(asked, True))
        for _ in range(2):
            asked = iter((False, False))
            with pytest.raises(Interrupted):
                hand_back(stopping, 1, out, open_handback_folder, papers())
        assert folders_told(bench, 1, HAND_BACK_BEGUN) == (str(out),)
        assert len([one for one in bench.ledger.events(1) if one.kind == HAND_BACK_BEGUN]) == 1
        told = [one for one in plan_forgetting(bench, shop_copies(home), 1).refusals if str(out) in one[0]]
        assert ["by hand" in step for _, step in told] == [True]
        made = hand_back(bench, 1, out, open_handback_folder, papers())
        files = len(made.facts.files)
        story = [one for one in bench.ledger.events(1) if one.kind in (HAND_BACK, HAND_BACK_BEGUN)]
        assert [one.text.partition(":")[0] for one in story] == [
            "Hand-back begun.",
            f"A hand-back of {files} files",
        ]
        custody = [f"{one.what} {one.item}" for one in bench.ledger.custody(1)]
        assert not [one for one in (*custody, *(event.text for event in story)) if "Zeller" in one]
