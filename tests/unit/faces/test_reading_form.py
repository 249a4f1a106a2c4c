"""What the form of a reading says comes into the order, and back into the form, as it was said."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.core.errors import UsageError
from mendbay.faces.web.fields import read_fields
from mendbay.faces.web.reading_form import FIELDS, options_said, said_by, sent
from mendbay.jobs.work_options import options_of
from mendbay.jobs.work_port import WorkOrder

DRIVE = [("bay_1", "1"), ("source_1", "/dev/none"), ("sequence", "lies")]


def ordered(*pairs: tuple[str, str]) -> WorkOrder:
    kind, options = options_said(read_fields(FIELDS, [*DRIVE, *pairs]))
    return WorkOrder("", kind, 1, "Ina", "", options)


def said_again(order: WorkOrder) -> dict[str, Any]:
    return read_fields(FIELDS, sent(said_by(order)))


@pytest.mark.parametrize("name", ["minutes", "head_work_gives"])
def test_nought_is_said_too(name: str) -> None:
    order = ordered((name, "0"))
    assert order.options[name] == 0
    options_of(order)
    assert said_again(order)[name] == 0


def test_no_patience_at_all_is_refused_and_not_taken_as_the_usual() -> None:
    with pytest.raises(UsageError):
        options_of(ordered(("patience", "0")))


def test_what_is_not_said_is_left_out() -> None:
    assert set(ordered().options) == {"bay", "source"}


@given(st.decimals(0, 2**53 - 1, places=5))
def test_going_on_loses_no_digit(number: Any) -> None:
    if len(f"{number:f}") > 24:
        return
    order = ordered(("minutes", f"{number:f}"))
    assert said_again(order).get("minutes") == order.options["minutes"]
