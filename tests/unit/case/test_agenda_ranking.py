"""The table of chores, the limits of the shop, plain words for what triage knows, and when a case is late."""

from __future__ import annotations

import pytest

from mendbay.case.agenda import LIMITS, TAKE_IN, Chore, OpenCase, Wait, WaitsFor, agenda_of
from mendbay.case.agenda_tables import packaged_chores, read_chores, read_limits
from mendbay.case.plain_words import packaged_plain_words, read_plain_words
from mendbay.core.errors import BadFormFile
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.tables import StepKind

NUDGE = Chore("ask", "Ask", "case show 1", 0.5, 100.0, 5.0, "design value, no source")
WAIT = Wait(WaitsFor.CUSTOMER, "a word", "2026-11-20T08:00:00Z")


def late(case: OpenCase, day: str) -> tuple[str, ...]:
    return agenda_of([case], day).entries[0].late


def test_a_case_is_late_by_its_deadline_the_expected_day_or_the_limit() -> None:
    assert late(OpenCase(1, "2026-11-28", "needed by"), "2026-11-28") == ()
    assert late(OpenCase(1, "2026-11-28", "needed by"), "2026-11-29") == ("needed by 2026-11-28",)
    assert late(OpenCase(1, waits=(WAIT,), nudge=NUDGE), "2026-11-27") == ()
    assert late(OpenCase(1, waits=(WAIT,), nudge=NUDGE), "2026-11-28") == ("a word: waited for 8 days",)
    expected = Wait(WAIT.who, WAIT.what, WAIT.since, "2026-12-20")
    assert late(OpenCase(1, waits=(expected,), nudge=NUDGE), "2026-12-20") == (), (
        "the limit waits for the day"
    )
    assert late(OpenCase(1, waits=(expected,), nudge=NUDGE), "2026-12-21")
    day = agenda_of([OpenCase(1, waits=(WAIT,), nudge=NUDGE)], "2026-11-26", {**LIMITS, WaitsFor.CUSTOMER: 5})
    assert [one.chore for one in day.steps] == [NUDGE], "the shop's own limit counts"


def test_worth_is_chance_times_value_over_minutes() -> None:
    assert NUDGE.worth == 10.0
    assert Chore("x", "X", "case show 1", None, 100.0, 5.0, "").worth == 20.0
    for chance, value, minutes in (
        (1.1, 1.0, 1.0),
        (0.5, -1.0, 1.0),
        (0.5, 1.0, 0.0),
        (0.5, float("nan"), 1.0),
    ):
        with pytest.raises(ValueError, match="chore"):
            Chore("x", "X", "case show 1", chance, value, minutes, "")


def test_every_chore_that_is_used_is_there_and_every_alone_step_is_one_of_triage() -> None:
    table = packaged_chores()
    assert set(table.alone) <= set(packaged_tables().steps)
    chore = table.rows["hand-back"].chore(7, 2000.0)
    assert (chore.command, chore.value) == ("handback make 7 FOLDER", 2000.0)
    assert "design value, no source" in chore.source
    assert table.rows["ask-customer"].chore(7, 1.0, "a word").words.endswith(": a word")


ROW = """
[sources]
design = "design value, no source"
[[chore]]
id = "x"
words = "Do"
command = "case show {case}"
chance = { value = 0.5, source = "design" }
amount = { value = 5, source = "design" }
minutes = { value = 5, source = "design" }
"""


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('chance = { value = 0.5, source = "design" }', "chance = 0.5", "no source"),
        ("value = 0.5", "value = 1.5", "chance 1.5"),
        ('amount = { value = 5, source = "design" }\n', "", "worth nothing"),
        (
            'minutes = { value = 5, source = "design" }',
            'minutes = { value = 0, source = "design" }',
            "takes 0",
        ),
        ("words", "word", "no text 'words'"),
        ("[sources]", '[[alone]]\nid = "y"\n[sources]', "lacks the number 'minutes'"),
    ],
)
def test_a_table_that_does_not_hold_together_is_refused(old: str, new: str, said: str) -> None:
    assert read_chores(ROW).rows["x"].chore(3, 100.0).value == 5.0
    with pytest.raises(BadFormFile, match=said):
        read_chores(ROW.replace(old, new, 1))
    with pytest.raises(BadFormFile, match="taken"):
        read_chores(ROW + ROW[ROW.index("[[chore]]") :])


def test_limits_of_the_shop() -> None:
    assert read_limits("") == LIMITS
    assert read_limits("[wait_days]\npart = 30") == {**LIMITS, WaitsFor.PART: 30}
    for text in (
        "[wait_days]\nus = 3",
        "wait_days = 3",
        "[wait_days]\npart = -1",
        "[wait_days]\npart = true",
        "x",
    ):
        with pytest.raises(BadFormFile, match=r"agenda\.toml"):
            read_limits(text)


def test_every_fault_and_every_step_that_is_no_test_has_plain_words() -> None:
    plain, tables = packaged_plain_words(), packaged_tables()
    assert set(plain.faults) == set(tables.faults)
    done = {one.id for one in tables.steps.values() if one.kind is not StepKind.TEST}
    assert done <= set(plain.steps)
    looks = {"put-together", "look-at-files"}
    assert looks <= set(tables.steps)
    assert set(plain.steps) - done <= {TAKE_IN, *packaged_chores().rows, *looks}
    for fault in plain.faults.values():
        assert not fault.words.endswith(".")
        assert fault.means.endswith(".")


def test_plain_words_without_a_number_in_them() -> None:
    with pytest.raises(BadFormFile, match="number without a source"):
        read_plain_words('[[fault]]\nid = "x"\nwords = "a part"\nmeans = "It costs 5."')
