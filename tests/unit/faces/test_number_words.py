"""Every number of triage's tables has words, and none of them is an id."""

from __future__ import annotations

import re

from mendbay.faces.number_words import GROUPS, entry_words, part_words, topic_words
from mendbay.triage.learned import learned_tables
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.table_numbers import Number, numbers, topics

PLAIN = {"opened", "swapped", "nothing"}
"""Ids that are plain words as well."""


def every() -> tuple[Number, ...]:
    tables = packaged_tables()
    return numbers(tables, learned_tables(tables, ()))


def test_no_id_is_told() -> None:
    tables = packaged_tables()
    known = {
        *tables.faults,
        *tables.happenings,
        *tables.layouts,
        *tables.steps,
        *tables.groups,
        *tables.signs,
    }
    hyphened = {one for one in known if "-" in one}
    for one in every():
        for told in (topic_words(tables, one.topic), entry_words(tables, one), part_words(tables, one)):
            assert told not in known - PLAIN, one
            assert hyphened.isdisjoint(told.split()), (one, told)
            assert not re.search(r"\b(any|both|other|own|event|layout):", told), (one, told)


def test_groups_have_words() -> None:
    assert GROUPS.keys() == packaged_tables().groups.keys()


def test_topics_are_told_apart() -> None:
    tables = packaged_tables()
    said = [topic_words(tables, one) for one in topics(tables)]
    assert len(set(said)) == len(said), said


def test_a_row_without_conditions_is_what_is_left() -> None:
    tables = packaged_tables()
    told = {entry_words(tables, one) for one in every() if one.topic == "smell"}
    assert "in all other cases" in told
    assert "the mains adapter" in told
