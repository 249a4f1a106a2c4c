"""Works of the office: what their orders may say, and what they touch."""

from __future__ import annotations

from pathlib import Path

import pytest

from mendbay.core.errors import UsageError
from mendbay.jobs.work_options import options_of
from mendbay.jobs.work_port import JSON, Outcome, WorkKind, WorkOrder
from mendbay.outlets.work_json import NotOurs, order_from, order_json
from mendbay.wiring import start_work, works
from support.works import until


@pytest.fixture
def home(tmp_path: Path) -> Path:
    place = tmp_path / "home"
    (place / "uploads" / "abc").mkdir(parents=True)
    return place


def order(kind: WorkKind, case: int, **options: JSON) -> WorkOrder:
    return WorkOrder("20261129T010000.000Z-000000000001", kind, case, "Ina", "2026-11-29T01:00:00Z", options)


@pytest.mark.parametrize(
    ("kind", "case", "options"),
    [
        (WorkKind.CATALOGUE, 0, {}),
        (WorkKind.LEARN_FAMILY, 1, {"name": "x", "places": ["/a"], "names": ["a"]}),
        (WorkKind.LEARN_FAMILY, 0, {"name": "x", "places": ["/a"], "names": []}),
        (WorkKind.LEARN_FAMILY, 0, {"name": "x", "places": [], "names": []}),
        (WorkKind.LEARN_FAMILY, 0, {"name": "x", "places": ["a"], "names": ["a"]}),
        (WorkKind.EXPORT_CASE, 1, {}),
        (WorkKind.EXPORT_CASE, 1, {"folder": "here"}),
        (WorkKind.ERASE_COPIES, 1, {"plan": "1"}),
        (WorkKind.PLAN_ERASURE, 1, {"sorts": ["everything"]}),
        (WorkKind.PLAN_ERASURE, 1, {"hand_back": "here"}),
        (WorkKind.PLAN_ERASURE, 1, {"hand-back": "/here"}),
    ],
)
def test_an_order_that_nobody_understands_is_refused(
    kind: WorkKind, case: int, options: dict[str, JSON]
) -> None:
    with pytest.raises(UsageError):
        options_of(order(kind, case, **options))


def test_only_an_order_of_the_shop_may_name_no_case() -> None:
    learn = order(WorkKind.LEARN_FAMILY, 0, name="x", places=["/a"], names=["a"])
    assert order_from(order_json(learn), learn.id) == learn
    lists = order(WorkKind.CATALOGUE, 0)
    with pytest.raises(NotOurs, match="no case"):
        order_from(order_json(lists), lists.id)


@pytest.mark.parametrize("where", ["ledger.sqlite3", "uploads/loose.bin", "uploads/abc/deep/er.bin"])
def test_only_what_was_sent_is_taken_and_removed(home: Path, where: str) -> None:
    place = home / where
    place.parent.mkdir(parents=True, exist_ok=True)
    place.write_bytes(bytes(4096))
    shelf = works(home)
    one = WorkOrder(
        shelf.new_id(),
        WorkKind.LEARN_FAMILY,
        0,
        "Ina",
        "2026-11-29T01:00:00Z",
        {"name": "x", "places": [str(place)], "names": ["a.bin"]},
    )
    start_work(home, one)
    until(lambda: not shelf.is_alive(one.id))
    state = shelf.state(one.id)
    assert state.outcome is Outcome.FAILED
    assert state.trouble is not None
    assert "does not lie where what was sent lies" in state.trouble.what
    assert place.is_file()
