"""Every kind of trouble has one exit code and one sentence that can stand in a table."""

from __future__ import annotations

import re

import pytest

from mendbay.core import errors
from mendbay.core.errors import LedgerError, MendbayError, SourceBusy, SourceError, all_errors

OWN = [one for one in all_errors() if one.__module__ == errors.__name__]


def test_every_class_of_the_module_is_listed_once() -> None:
    defined = {
        one for one in vars(errors).values() if isinstance(one, type) and issubclass(one, MendbayError)
    }
    assert set(OWN) == defined
    assert len(all_errors()) == len(set(all_errors()))


def test_exit_codes_are_distinct_and_leave_room_for_the_shell() -> None:
    codes = [one.exit_code for one in OWN]
    assert len(codes) == len(set(codes))
    assert codes == sorted(codes)
    assert not {errors.EXIT_DONE, errors.EXIT_INCOMPLETE, 1} & set(codes)
    assert all(0 < code < 126 or code == 130 for code in codes), "126 to 165 belong to the shell"


@pytest.mark.parametrize("one", OWN, ids=lambda one: one.__name__)
def test_the_docstring_is_a_row_of_the_table(one: type[MendbayError]) -> None:
    assert one.__doc__ is not None
    first = one.__doc__.strip().splitlines()[0]
    assert first.endswith(".")
    assert "|" not in first


def test_the_tree_in_the_docstring_names_every_class_with_its_code() -> None:
    assert errors.__doc__ is not None
    named = dict(re.findall(r"([A-Z][A-Za-z]+) +(\d+)", errors.__doc__))
    assert named == {one.__name__: str(one.exit_code) for one in OWN if one is not MendbayError}


def test_what_and_next_step_stay_apart() -> None:
    trouble = SourceBusy("The drive is mounted.", "Unmount it.")
    assert str(trouble) == trouble.what == "The drive is mounted."
    assert trouble.next_step == "Unmount it."
    assert isinstance(trouble, SourceError)
    assert not isinstance(trouble, LedgerError)
