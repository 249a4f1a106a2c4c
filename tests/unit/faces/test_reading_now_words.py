"""What a reading tells while it runs, in words."""

from __future__ import annotations

from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from mendbay.core.quantity import bytes_text
from mendbay.faces.reading_now_words import IDLE, advice_age, bay_now, left_words, why_words

WHOLE = st.one_of(st.none(), st.integers(0, 2**45))
SECONDS = st.one_of(st.none(), st.floats(0, 1e8))
WHY = st.fixed_dictionaries(
    {},
    optional={
        "worth": st.sampled_from(["wanted", "the rest", "asked again", "unheard of"]),
        "chance": st.floats(0, 1),
        "seconds": st.floats(0, 1e6),
        "loss_seconds": st.floats(0, 1e6),
        "tries": st.integers(0, 99),
        "is_doubted": st.booleans(),
    },
)


@given(
    st.fixed_dictionaries(
        {},
        optional={
            "phase": st.text(max_size=20),
            "now": st.tuples(st.integers(0, 2**40), st.integers(1, 2**20)).map(
                lambda one: [one[0], sum(one)]
            ),
            "read_bytes": WHOLE,
            "refused_bytes": WHOLE,
            "aim_bytes": WHOLE,
            "wanted_bytes": WHOLE,
            "wanted_read_bytes": WHOLE,
            "bytes_per_second": st.one_of(st.none(), st.floats(0, 1e10)),
            "celsius": st.one_of(st.none(), st.floats(-40, 90)),
            "seconds_left": SECONDS,
            "seconds_left_low": SECONDS,
            "seconds_left_high": SECONDS,
            "retrying_sectors": WHOLE,
            "tries_left": WHOLE,
            "why": st.one_of(st.none(), WHY),
        },
    )
)
def test_whatever_a_state_holds_is_said(told: dict[str, Any]) -> None:
    found = bay_now("1", told, 4096)
    assert 0 <= found.share <= 1
    assert all(name and value for name, value in found.figures)


def test_why_a_range_is_asked_for() -> None:
    said = why_words(
        {
            "worth": "wanted",
            "chance": 0.25,
            "seconds": 2.0,
            "loss_seconds": 7.0,
            "tries": 2,
            "is_doubted": True,
        }
    )
    text = " ".join(said).replace("\u2009", " ")
    assert "It holds what is wanted." in text
    assert "25 % likely and takes 2 s; a refusal costs 7 s" in text
    assert "It was refused 2 times alone." in text
    assert why_words({}) == ()


def test_time_left_says_between_what() -> None:
    told = {"seconds_left": 60.0, "seconds_left_low": 30.0, "seconds_left_high": 200.0}
    assert left_words(told).replace("\u2009", " ") == "1 min 00 s (between 30 s and 3 min 20 s)"
    assert left_words({}) == "not known yet"


def test_a_drive_that_rests_or_is_asked_nothing_is_not_told_as_read() -> None:
    told = {"phase": "fetching", "now": [0, 24_576], "aim_bytes": 24_576, "read_bytes": 24_576}
    assert bay_now("2", told).phase == "fetching"
    for idle in (bay_now("2", told, rests=True), bay_now("2", {**told, "now": [24_576, 24_576]})):
        assert (idle.phase, idle.now, idle.why) == (IDLE, "", ())
    assert "24.6" in idle.share_words


def advised(read: int | None = 1000, *, go_on: bool = True, of_wanted: bool = False) -> dict[str, Any]:
    return {"go_on": go_on, "lacking_bytes": 4096, "read_bytes": read, "of_wanted": of_wanted}


def test_an_advice_ages_with_what_comes_after_it() -> None:
    assert advice_age(advised(), {"read_bytes": 1000}) == (False, "")
    overtaken, since = advice_age(advised(), {"read_bytes": 1000 + 512})
    assert not overtaken
    assert f"{bytes_text(512)} of the {bytes_text(4096)} that were lacking came since then" in since
    assert advice_age(advised(), {"read_bytes": 1000 + 2048})[0]
    told = {"read_bytes": 1000 + 4096, "wanted_read_bytes": 1000 + 512}
    assert not advice_age(advised(of_wanted=True), told)[0], "of what is wanted, little came"


def test_an_advice_to_stop_is_not_overtaken_by_what_came_in_spite_of_it() -> None:
    overtaken, since = advice_age(advised(go_on=False), {"read_bytes": 1000 + 4096})
    assert not overtaken
    assert since


def test_an_advice_that_says_nothing_of_how_far_it_was_has_no_age() -> None:
    assert advice_age({"go_on": True, "text": "Go on."}, {"read_bytes": 5}) == (False, "")
    assert advice_age(advised(None), {"read_bytes": 5}) == (False, "")
    assert advice_age(advised(), {}) == (False, "")
