"""Closing a case, and the tables that learn from it, as a technician types them."""

from __future__ import annotations

import pytest

from support.answers import Run, answer, refused, text_of

HEADS = ("case", "close", "1", "--found", "heads:1", "--end", "sent-on", "--data", "none")


@pytest.fixture(autouse=True)
def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    """A terminal of 80 columns."""
    monkeypatch.setenv("COLUMNS", "80")


def test_every_answer_has_its_documented_shape(run: Run) -> None:
    assert answer(run, "triage", "tell", "1", "sound", "clicks", "--bay", "1")["closed_cases"] == 0
    looked = answer(run, "case", "close", "1", codes=(3,))
    assert (looked["state"], looked["outcome"]) == ("open", None)
    assert looked["hints"][0]["found"] == ["heads:1"]
    closed = answer(run, *HEADS, "--remark", "it rang like a bell")
    assert (closed["state"], closed["teaches_nothing"]) == ("closed", None)
    assert closed["outcome"]["found"] == [["heads", "1"]]
    assert answer(run, "case", "close", "1")["outcome"] == closed["outcome"], "to look changes nothing"
    assert answer(run, "triage", "show", "1")["closed_cases"] == 0, "its own odds do not count it"
    assert run("case", "open", "Quillmere Pottery", "--bay", "1=", "--bay", "2=").returncode == 0
    assert answer(run, "triage", "show", "2")["closed_cases"] == 1
    told = answer(run, "triage", "tables", "sound")
    clicks = next(one for one in told["numbers"] if (one["entry"], one["part"]) == ("heads", "clicks"))
    assert (clicks["counted"], clicks["now"] > clicks["table"]) == (pytest.approx(1), True)
    assert clicks["source"] == f"{clicks['table_source']}, and 1 closed case of this shop"
    assert len(answer(run, "triage", "tables")["numbers"]) > 800
    assert answer(run, "triage", "why", "2", "heads", "--bay", "1")["source"] == clicks["source"]
    assert answer(run, "case", "reopen", "1", "--reason", "it came back")["state"] == "open"
    assert answer(run, "triage", "show", "2")["closed_cases"] == 0


def test_words(run: Run) -> None:
    text_of(run, "triage", "tell", "1", "sound", "clicks", "--bay", "1")
    looked = text_of(run, "case", "close", "1", code=3)
    assert "So perhaps: heads:1" in " ".join(looked.split())
    assert "--found FAULT:BAY" in looked
    assert "closed: sent on; data: none; broken: heads:1." in text_of(run, *HEADS)
    assert "rest on our tables and 1 closed case." in text_of(run, "triage", "tables")
    assert "What moved most:" in text_of(run, "triage", "tables")
    for topic in ((), ("faults",)):
        assert "shares of cases, not whole ones" in text_of(run, "triage", "tables", *topic)
    for topic in ("faults", "events", "layouts", "steps", "sound", "history"):
        assert "Origin:" in text_of(run, "triage", "tables", topic)
    assert "rests on our tables and 0 closed cases" in text_of(run, "triage", "show", "1")
    unknown = text_of(run, "case", "close", "1", "--not-known", "--end", "given-back", "--data", "none")
    assert "learn nothing from it" in " ".join(unknown.split())
    assert "open again" in text_of(run, "case", "reopen", "1", "--reason", "it came back")
    story = run("case", "show", "1").stdout
    assert "Closed: sent on; data: none; broken: heads:1." in story
    assert "Opened again. it came back" in story


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("case", "close", "1", "--found", "heads:1"), "Add --end with one of: handed-back"),
        (("case", "close", "1", "--found", "fan", "--end", "repaired"), "Add --data with one of: all"),
        ((*HEADS, "--not-known"), "--nothing-broken, or --not-known; one of them"),
        (("case", "close", "1", "--end", "repaired", "--data", "all"), "Give --found FAULT:BAY"),
        (
            ("case", "close", "1", "--found", "flux:1", "--end", "repaired", "--data", "all"),
            "no fault 'flux:1'",
        ),
        (("case", "reopen", "1", "--reason", "why"), "Case 1 is not closed: it is open"),
        (("triage", "tables", "flux"), "There are no numbers of 'flux'"),
    ],
)
def test_what_cannot_be_is_refused_with_the_next_step(run: Run, words: tuple[str, ...], said: str) -> None:
    assert said in " ".join(refused(run, 2, *words).split())


def test_a_reason_without_effect_is_refused(run: Run) -> None:
    reason = ("--although-no-hand-back", "copied at the counter")
    assert "alone closes nothing" in refused(run, 2, "case", "close", "1", *reason)
    assert "has no effect" in refused(run, 2, *HEADS, *reason)
    assert answer(run, "case", "close", "1", codes=(3,))["state"] == "open"
