"""Answers for tests of triage, as short words and as a strategy."""

from __future__ import annotations

from hypothesis import strategies as st

from mendbay.triage.belief import Asked, all_signs, sign_of
from mendbay.triage.worlds import Worlds


def known(**answers: str) -> dict[Asked, str]:
    """`sound_bay1="clicks"` is asked of bay 1, `lights="none"` of the box."""
    found = {}
    for name, answer in answers.items():
        sign, _, bay = name.partition("_bay")
        found[Asked(sign.replace("_", "-"), bay)] = answer
    return found


def some_answers(worlds: Worlds, most: int) -> st.SearchStrategy[dict[Asked, str]]:
    """Any answers to at most so many signs."""

    def of(asked: list[Asked]) -> st.SearchStrategy[dict[Asked, str]]:
        return st.fixed_dictionaries(
            {one: st.sampled_from([answer.id for answer in sign_of(worlds, one).answers]) for one in asked}
        )

    return st.lists(st.sampled_from(all_signs(worlds)), unique=True, max_size=most).flatmap(of)
