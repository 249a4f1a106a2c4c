"""Take-in in any order: customers do not tell things in the order of a form."""

from __future__ import annotations

import tempfile
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from mendbay.case.records import Bay, CaseKind
from mendbay.case.take_in_form import KINDS, packaged_form, read_answer
from mendbay.core.errors import UsageError
from mendbay.jobs.bench import Bench
from mendbay.jobs.take_in import take_in
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
