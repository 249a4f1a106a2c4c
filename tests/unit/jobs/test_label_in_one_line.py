"""What a drive's label says stands on one line of lists, stories and labels, so it can hold no other."""

from __future__ import annotations

from pathlib import Path

import pytest

from mendbay.case.records import Bay
from mendbay.core.errors import UsageError
from mendbay.jobs.take_in import add_bay, amend_bay, take_in
from mendbay.wiring import open_bench


@pytest.mark.parametrize("sign", ["\n", "\u2028", "\u2029"], ids=ascii)
def test_a_label_of_several_lines_is_refused_wherever_it_is_said(tmp_path: Path, sign: str) -> None:
    forged = f"AL20{sign}Bay 2: sound"
    with open_bench(tmp_path / "home") as bench:
        with pytest.raises(UsageError, match=r"U\+"):
            take_in(bench, "Ada", bays=[Bay(0, "1", "AL20-HX4", forged)])
        take_in(bench, "Ada", bays=[Bay(0, "1", "AL20-HX4", "K-1")])
        with pytest.raises(UsageError, match=r"U\+"):
            add_bay(bench, Bay(1, "2", forged))
        with pytest.raises(UsageError, match=r"U\+"):
            amend_bay(bench, 1, "1", forged)
        assert [(one.model, one.serial) for one in bench.ledger.bays(1)] == [("AL20-HX4", "K-1")]
