"""Take-in in any order: customers do not tell things in the order of a form."""

from __future__ import annotations

import json
import tempfile
from contextlib import suppress
from pathlib import Path

from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from mendbay.case.records import Bay, CaseKind
from mendbay.case.take_in_form import KINDS, packaged_form, read_answer
from mendbay.core.errors import UsageError
from mendbay.jobs.bench import Bench
from mendbay.jobs.take_in import take_in
from mendbay.jobs.take_in_answers import AnswerFile, Given, enter_answers, read_answer_file
from mendbay.jobs.take_in_form import Entry, FilledForm, fill_form, tell
from mendbay.jobs.triage_case import tell_triage
from mendbay.wiring import open_bench

TYPED = {
    "line": "555 0100",
    "text": "two lights blink",
    "day": "2026-12-24",
    "days": "30",
    "patterns": "*.xlsx, photos/*",
    "worth": "1200",
}


def entries_of(bench: Bench, kind: CaseKind) -> tuple[Entry, ...]:
    """Every question of a case of that kind."""
    number = take_in(bench, "Quillmere Pottery").number
    bench.ledger.amend_case(number, kind=kind)
    return fill_form(bench, number).entries


def seen(form: FilledForm) -> list[tuple[object, ...]]:
    """What a form says, without when it was said."""
    return [(one.key, one.answered, one.values, one.shown) for one in form.entries]


@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data(), kind=st.sampled_from(sorted(KINDS)))
def test_any_order_of_answers_gives_the_same_form(data: st.DataObject, kind: str) -> None:
    with tempfile.TemporaryDirectory() as folder, open_bench(Path(folder)) as bench:
        entries = [one for one in entries_of(bench, KINDS[kind]) if one.question.id != "kind"]
        chosen = data.draw(st.lists(st.sampled_from(entries), unique_by=lambda one: one.key, max_size=12))
        told = [("kind", "", kind)]
        for one in chosen:
            text = TYPED.get(str(one.question.type), "")
            if one.options:
                text = data.draw(st.sampled_from([each.id for each in one.options]))
            elif one.question.column != "customer" and data.draw(st.booleans()):
                text = "not known"
            told.append((one.question.id, one.bay, text))
        empty = {text.split("-")[1] for question, _, text in told if question == "bays" and "empty" in text}
        assume(not any(bay in empty for _, bay, _ in told))  # of a bay that is empty nothing can be told
        forms = []
        for order in (told, data.draw(st.permutations(told)), list(reversed(told))):
            number = take_in(bench, "Quillmere Pottery").number
            for question, bay, text in order:
                form = tell(bench, number, question, text, bay)
            triage = tell_triage(bench, number)
            known = {asked: one.answer for asked, one in triage.known.items()}
            forms.append((seen(form), known, triage.subject.box, triage.stakes, triage.left_out))
        assert forms[0] == forms[1] == forms[2]


@settings(max_examples=150, deadline=None)
@given(text=st.text(max_size=60), question=st.sampled_from(sorted(packaged_form())))
def test_whatever_is_typed_is_an_answer_or_refused_in_words(text: str, question: str) -> None:
    one = packaged_form()[question]
    try:
        values = read_answer(one, one.options, text)
    except UsageError:
        return
    assert all(value == value.strip() and value for value in values)
    assert not one.options or set(values) <= {each.id for each in one.options}
    Bay(1, "1", condition=" ".join(values))


@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_answers_of_a_file_are_entered_or_told_and_never_lost(data: st.DataObject) -> None:
    """Whatever a file of the right shape says, each answer is on record afterwards or told, and a second time
    nothing more is entered."""
    with tempfile.TemporaryDirectory() as folder, open_bench(Path(folder)) as bench:
        number = take_in(bench, "Quillmere Pottery").number
        names = st.sampled_from(sorted(packaged_form())) | st.text(max_size=5)
        texts = st.sampled_from([*TYPED.values(), *KINDS, "not known", "yes", "clicks", "dented"])
        given = data.draw(
            st.lists(
                st.builds(Given, names, st.sampled_from(["", "1", "2", "x y"]), texts | st.text(max_size=30)),
                unique_by=lambda one: one.key,
                max_size=8,
            )
        )
        file = AnswerFile(number, tuple(given))
        first = enter_answers(bench, number, file, replace=True)
        assert [one.given for one in first.taken] == given
        assert all(one.why and one.next_step for one in first.left_out)
        entered = [one.given for one in first.taken if one not in first.left_out]
        second = enter_answers(bench, number, AnswerFile(number, tuple(entered)))
        assert not second.left_out
        assert {one.fate for one in second.taken} <= {"same"}
        assert seen(first.form) == seen(second.form)


@settings(max_examples=150, deadline=None)
@given(
    data=st.binary(max_size=200)
    | st.recursive(
        st.none() | st.booleans() | st.integers() | st.text(max_size=20),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(
                st.sampled_from(["format", "version", "case", "answers", "question", "bay", "answer"]), inner
            )
        ),
    ).map(lambda one: json.dumps(one).encode())
)
def test_any_bytes_are_a_file_of_answers_or_refused_in_words(data: bytes) -> None:
    with suppress(UsageError):
        assert isinstance(read_answer_file(data), AnswerFile)
