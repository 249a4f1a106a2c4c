"""What going on with a reading could bring, from the result of a work."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendbay.faces.going_on_words import UNKNOWN, Further, going_on
from mendbay.imaging.hazard import Condition
from mendbay.jobs.ask_again import asked_again

SIZE = 1 << 20


def drive(bay: str = "1", *, unread: int = 0, refused: int = 0, **more: Any) -> dict[str, Any]:
    read = SIZE - unread - refused
    return {"bay": bay, "read_bytes": read, "unread_bytes": unread, "refused_bytes": refused, **more}


def at_end(*, go_on: bool) -> dict[str, Any]:
    last = {
        "go_on": go_on,
        "seconds": 3600.0,
        "brings_bytes": 4_000_000,
        "lacking_bytes": 9_000_000,
        "refusals": 12.3,
        "dies": 0.25,
        "risks": 0.125,
    }
    return {"advice": {"at_end": last}}


def told(*drives: dict[str, Any], **more: Any) -> str:
    return " ".join(going_on({"drives": list(drives), **more}).words).replace("\u2009", " ")


def test_nothing_is_offered_where_nothing_lacks() -> None:
    assert going_on(drive()).further is Further.NOTHING
    halves = {"drives": [drive("1", refused=512), drive("2")], "one_task": {}, "missing_bytes": 0}
    assert going_on(halves).further is Further.NOTHING


def test_what_was_never_asked_for_is_gone_on_with() -> None:
    found = going_on(drive(unread=512, **at_end(go_on=True)))
    assert found.further is Further.GO_ON
    assert found.is_advised
    words = told(drive(unread=512, **at_end(go_on=True)))
    assert "Bay 1: 512 bytes were not asked for yet." in words
    assert "Going on is recommended. The next hour is expected to bring 4.00 MB of the 9.00 MB" in words
    assert "up to 12 refused reads" in words
    assert "lost meanwhile is 25 %" in words


def test_what_is_advised_against_is_no_first_choice() -> None:
    found = going_on(drive(unread=512, **at_end(go_on=False)))
    assert not found.is_advised
    assert "Leaving it at that, with its power off, is recommended." in " ".join(found.words)


def test_the_rest_after_what_is_wanted() -> None:
    assert going_on(drive(unread=512), only_wanted=True).further is Further.REST
    assert going_on(drive(refused=512), only_wanted=True).further is Further.AGAIN


def test_the_same_brings_nothing_once_everything_was_tried() -> None:
    other = {"adapter": "dock", "sectors": 2, "expected": 1.2, "given": 3, "asked": 5}
    found = going_on(drive(refused=1024, worth_trying=[other]))
    assert found.further is Further.AGAIN
    words = " ".join(found.words)
    assert "the same options bring no more" in words
    assert "Through the adapter “dock” about 1 of the 2 refused sectors may come" in words
    halves = {"drives": [drive("1", refused=512), drive("2")], "one_task": {}, "missing_bytes": 512}
    assert going_on(halves).further is Further.AGAIN


def test_more_tries_in_numbers() -> None:
    again = asked_again(100, 3)
    assert again.brings == pytest.approx(100 * (1 - 0.95**3))
    assert again.seconds == pytest.approx(900)
    assert 0 < asked_again(100, 3, Condition.HEALTHY).dies < again.dies
    assert again.dies < asked_again(100, 3, Condition.CLICKS).dies < 1
    assert asked_again(0, 3).brings == asked_again(0, 3).dies == 0
    tried = drive(refused=100 * 512, drive={"sector_bytes": 512})
    words = " ".join(going_on(tried, more_tries=3).words).replace("\u2009", " ")
    assert "Asked for 3 times more, about 14 of the 100 refused sectors may be given" in words
    assert "in at most 15 min" in words
    assert "Asked for" not in " ".join(going_on(tried).words)
    one = " ".join(going_on(drive(refused=512, drive={"sector_bytes": 512}), more_tries=1).words)
    assert "Asked for once more, about hardly" not in one


@pytest.mark.parametrize("result", [None, {}, {"drives": []}, {"drives": 7}, {"drives": [3]}])
def test_without_a_result_nothing_is_said(result: Any) -> None:
    assert going_on(result) == UNKNOWN


FIELDS = (
    *("drives", "bay", "drive", "sector_bytes", "read_bytes", "unread_bytes", "refused_bytes", "advice"),
    *("at_end", "worth_trying", "expected", "sectors", "adapter", "dies", "seconds", "halves"),
)
JUNK = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                ("drives", "bay", "read_bytes", "unread_bytes", "advice", "at_end", "worth_trying")
            ),
            inner,
            max_size=4,
        )
    ),
    max_leaves=8,
)


@given(st.dictionaries(st.sampled_from(FIELDS), JUNK))
def test_a_damaged_result_is_no_fault(result: dict[str, Any]) -> None:
    assert going_on(result, more_tries=2).further in Further
