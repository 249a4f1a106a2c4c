"""Which works of a case its pages show, and how they say that they stand."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from mendbay.core.clock import SystemClock
from mendbay.core.errors import UsageError
from mendbay.faces.web.case_works import shown_works
from mendbay.faces.web.reading_view import works_of
from mendbay.jobs.work_port import Standing, WorkKind, WorkOrder, Works, WorkState
from mendbay.outlets.work_shelf import WorkShelf
from support.works import order_of

KINDS = (WorkKind.READ_DRIVE,)


class EndsMeanwhile(WorkShelf):
    """Works that end right after somebody looked how they stand."""

    def state(self, work: str) -> WorkState:
        state = super().state(work)
        self.let_go(work)
        return state


class Forgotten(WorkShelf):
    """Works that are removed once their orders were listed."""

    def state(self, work: str) -> WorkState:
        raise UsageError(f"There is no work {work}.", "Look at the list of works.")


def visit_to(shelf: Works) -> Any:
    return SimpleNamespace(desk=SimpleNamespace(works=shelf), path={"case": 1})


def begun(shelf: WorkShelf, bay: str) -> WorkOrder:
    order = order_of(shelf, WorkKind.READ_DRIVE, {"bay": bay, "source": "/dev/none"})
    shelf.begin(order)
    return order


def test_a_work_that_ends_while_its_page_is_made_is_not_told_as_broken_off(tmp_path: Path) -> None:
    shelf = EndsMeanwhile(tmp_path, SystemClock())
    begun(shelf, "1")
    (one,) = shown_works(visit_to(shelf), KINDS)
    assert one.state.standing is Standing.BEGUN
    assert one.is_alive
    assert one.words == "begins"


def test_a_work_that_lives_is_shown_however_many_came_after_it(tmp_path: Path) -> None:
    shelf = WorkShelf(tmp_path, SystemClock())
    living = begun(shelf, "1")
    for _ in range(50):
        shelf.let_go(begun(shelf, "2").id)
    found = shown_works(visit_to(shelf), KINDS, 3)
    assert [one.is_alive for one in found] == [False, False, False, True]
    assert found[-1].order == living
    assert works_of(visit_to(shelf), 1)[0].order == living
    shelf.let_go(living.id)


@pytest.mark.parametrize("look", [lambda visit: shown_works(visit, KINDS), lambda visit: works_of(visit, 1)])
def test_a_work_that_is_removed_meanwhile_is_passed_over(tmp_path: Path, look: Any) -> None:
    shelf = Forgotten(tmp_path, SystemClock())
    order = begun(shelf, "1")
    assert look(visit_to(shelf)) == ()
    shelf.let_go(order.id)
