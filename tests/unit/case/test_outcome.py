"""How a case ended, as its note holds it."""

from __future__ import annotations

import json
from typing import Any

import pytest

from mendbay.case.outcome import MOST_FOUND, DataBack, End, Found, Outcome, found_of, from_json, said, to_json
from mendbay.core.errors import UsageError

HEADS = Outcome(
    (Found("heads", "1"), Found("adapter")), True, True, End.HANDED_BACK, DataBack.MOST, "a remark"
)


def test_an_outcome_is_kept_in_one_shape_and_comes_back() -> None:
    assert json.loads(to_json(HEADS)) == {
        "found": [["heads", "1"], ["adapter", ""]],
        "known": True,
        "sure": True,
        "end": "handed back",
        "data": "most",
        "remark": "a remark",
    }
    assert from_json(to_json(HEADS)) == HEADS


def test_what_a_person_types_is_a_fault_and_where_it_sits() -> None:
    assert [found_of(one) for one in ("heads:1", " adapter ")] == [Found("heads", "1"), Found("adapter")]
    assert [one.text for one in HEADS.found] == ["heads:1", "adapter"]


@pytest.mark.parametrize(
    ("found", "known", "sure", "remark"),
    [
        ((Found("heads", "1"),), False, False, ""),
        ((), False, True, ""),
        ((Found("heads", "1"), Found("heads", "1")), True, True, ""),
        (tuple(Found("heads", str(one)) for one in range(MOST_FOUND + 1)), True, True, ""),
        ((Found("Heads!", "1"),), True, True, ""),
        ((Found("heads", "../1"),), True, True, ""),
        ((), True, True, "\x00"),
    ],
)
def test_what_contradicts_itself_or_cannot_be_kept_is_refused(
    found: tuple[Found, ...], known: bool, sure: bool, remark: str
) -> None:
    with pytest.raises(UsageError):
        Outcome(found, known, sure, End.REPAIRED, DataBack.ALL, remark)


@pytest.mark.parametrize(
    "change",
    [
        {"found": "heads"},
        {"found": [["heads"]]},
        {"found": [["heads", 1]]},
        {"known": 1},
        {"sure": "yes"},
        {"end": "gone"},
        {"data": "some"},
        {"remark": None},
        {"more": 1},
        {"known": False},
    ],
)
def test_a_note_that_mendbay_did_not_write_is_refused(change: dict[str, object]) -> None:
    with pytest.raises(UsageError):
        from_json(json.dumps({**json.loads(to_json(HEADS)), **change}))
    for text in ("", "[]", "{", "[" * 100_000):
        with pytest.raises(UsageError):
            from_json(text)


@pytest.mark.parametrize(
    ("words", "what"),
    [
        ({"found": [], "end": End.REPAIRED, "data": DataBack.ALL}, "closed with what was broken"),
        (
            {"found": ["fan"], "not_known": True, "end": End.REPAIRED, "data": DataBack.ALL},
            "closed with what",
        ),
        ({"found": [], "nothing_broken": True, "not_known": True}, "closed with what was broken"),
        ({"found": ["fan"], "data": DataBack.ALL}, "not said how it ended"),
        ({"found": ["fan"], "end": End.REPAIRED}, "Nothing is said of the data"),
        (
            {"found": [], "not_known": True, "likely": True, "end": End.REPAIRED, "data": DataBack.ALL},
            "cannot be likely",
        ),
    ],
)
def test_too_little_or_too_much_said_is_refused(words: dict[str, Any], what: str) -> None:
    with pytest.raises(UsageError, match=what):
        said(**words)


def test_what_is_said_is_sure_unless_likely_or_not_known() -> None:
    ended: dict[str, Any] = {"end": End.REPAIRED, "data": DataBack.ALL}
    assert said(["heads:1"], **ended).sure
    assert not said(["heads:1"], likely=True, **ended).sure
    assert said([], nothing_broken=True, **ended) == Outcome((), True, True, End.REPAIRED, DataBack.ALL)
    assert said([], not_known=True, **ended) == Outcome((), False, False, End.REPAIRED, DataBack.ALL)
