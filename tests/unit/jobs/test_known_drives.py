"""Of many drives at once the same is known as of one, and no more is weighed than what changed."""

from __future__ import annotations

from pathlib import Path

import pytest

from mendbay.board.number_form import Kind
from mendbay.case.records import Bay
from mendbay.jobs import known_drives
from mendbay.jobs.find_donor import known_patient
from mendbay.jobs.known_drives import KnownDrives
from mendbay.jobs.read_pictures import correct_identifier, shop_forms
from mendbay.jobs.take_in import take_in
from mendbay.wiring import open_bench, shop_files

MODEL = "AL20-HX4"


@pytest.fixture
def home(tmp_path: Path) -> Path:
    with open_bench(tmp_path) as bench:
        for _ in range(4):
            take_in(bench, "Ann", bays=[Bay(0, "1", model=MODEL), Bay(0, "2")])
        for case in (1, 2):
            correct_identifier(bench, shop_files(tmp_path), case, "2", Kind.BOARD, f"B-{case}")
    return tmp_path


def test_of_many_as_of_one(home: Path) -> None:
    with open_bench(home) as bench:
        shop = shop_files(home)
        known = KnownDrives(bench, shop, range(1, 5))
        for case in range(1, 5):
            for bay in bench.ledger.bays(case):
                assert known.of(case, bay) == known_patient(bench, shop_forms(shop), case, bay.bay)
        assert known.of(1, bench.ledger.bay(1, "2")).board_number == "B-1"
        assert known.of(3, bench.ledger.bay(3, "1")).family, "its model has a form"


def test_only_what_was_said_since_is_weighed_anew(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    weighed: list[tuple[int, str]] = []

    def counting(bench: object, forms: object, case: int, bay: str) -> object:
        weighed.append((case, bay))
        return known_patient(bench, forms, case, bay)  # type: ignore[arg-type]

    monkeypatch.setattr(known_drives, "known_patient", counting)

    def look() -> list[str]:
        weighed.clear()
        with open_bench(home) as bench:
            known = KnownDrives(bench, shop_files(home), range(1, 5))
            bays = [bench.ledger.bay(case, bay) for case in (1, 2, 3) for bay in ("1", "2")]
            return [known.of(one.case, one).board_number for one in bays]

    assert look() == ["", "B-1", "", "B-2", "", ""]
    assert weighed == [(1, "1"), (1, "2"), (2, "1"), (2, "2")], "a bay of a case without pictures has none"
    look()
    assert weighed == []
    with open_bench(home) as bench:
        take_in(bench, "Ben")
        bench.ledger.amend_bay(Bay(1, "1", model="AL10-HX4"))
    look()
    assert weighed == [(1, "1")], "its model is another"
    with open_bench(home) as bench:
        correct_identifier(bench, shop_files(home), 3, "1", Kind.BOARD, "B-3")
    assert look() == ["", "B-1", "", "B-2", "B-3", ""], "a word on one teaches how others are read"
    assert len(weighed) == 6


def test_what_a_step_wrote_and_took_back_is_not_kept(home: Path) -> None:
    with open_bench(home) as bench:
        shop, bay = shop_files(home), bench.ledger.bay(1, "2")
        try:
            with bench.ledger.together():
                correct_identifier(bench, shop, 1, "2", Kind.BOARD, "B-9", "B-1")
                assert KnownDrives(bench, shop, [1]).of(1, bay).board_number == "B-9"
                raise RuntimeError
        except RuntimeError:
            pass
        assert KnownDrives(bench, shop, [1]).of(1, bay).board_number == "B-1"
