"""Exporting and forgetting as a technician types them: documented answers, a plan before the deed."""

from __future__ import annotations

from pathlib import Path

import pytest

from mendbay.case.records import CaseState
from mendbay.wiring import open_bench
from support.answers import Run, answer, refused, text_of


@pytest.fixture(autouse=True)
def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    """A terminal of 80 columns."""
    monkeypatch.setenv("COLUMNS", "80")


@pytest.fixture
def closed(run: Run, tmp_path: Path) -> Run:
    """The same with case 1 closed, and something noted of it."""
    assert run("triage", "tell", "1", "sound", "clicks", "--bay", "1").returncode == 0
    assert run("case", "release", "1", "1", "2", "--to", "customer").returncode == 0
    with open_bench(tmp_path / "home") as bench:
        bench.ledger.amend_case(1, state=CaseState.CLOSED)
    return run


def test_an_export_is_answered_and_checked(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    told = answer(run, "case", "export", "1", tmp_path / "out")
    assert (told["case"], told["missing"], told["left_out"]) == (1, 0, [])
    head = answer(run, "case", "custody", "1", "--receipt", told["custody_head"])
    assert head["anchored"]
    assert "Next: " in text_of(run, "case", "export", "1", "again", "--for-customer")
    assert run("handback", "check", tmp_path / "out").returncode == 0


def test_without_yes_it_is_only_told(closed: Run) -> None:
    plan = answer(closed, "case", "forget", "1")
    assert (plan["forgotten"], plan["refused"]) == (False, [])
    assert [(one["kind"], one["staying"]) for one in plan["notes"] if one["staying"]] == [("sign", 1)]
    said = text_of(closed, "case", "forget", "1")
    for one in (
        "Quillmere Pottery",
        "would remove for good",
        "It would keep",
        "backups of the ledger",
        "--yes",
    ):
        assert one in said
    assert answer(closed, "case", "show", "1")["customer"] == "Quillmere Pottery"


def test_with_yes_it_is_gone_and_said_so_ever_after(closed: Run) -> None:
    head = answer(closed, "case", "custody", "1")["head"]
    done = answer(closed, "case", "forget", "1", "--yes", "--reason", "asked by its owner")
    assert (done["forgotten"], done["custody_head"]) == (True, head)
    for words in (("case", "show", "1"), ("case", "custody", "1"), ("case", "forget", "1")):
        assert head in refused(closed, 44, *words)
    assert "nothing can be added" in refused(closed, 44, "triage", "tell", "1", "lights", "none")
    assert answer(closed, "case", "list")[0]["customer"] == "(forgotten)"
    assert head in refused(closed, 44, "triage", "show", "1")
    assert "is forgotten" in text_of(closed, "case", "forget", "1", "--yes")


def test_what_cannot_be_is_refused_with_the_next_step(run: Run, tmp_path: Path) -> None:
    assert "is open; only a closed case" in refused(run, 2, "case", "forget", "1", "--yes", "--reason", "old")
    assert "without a reason" in refused(run, 2, "case", "forget", "1", "--yes")
    assert "NOT NOW: Case 1 is open" in text_of(run, "case", "forget", "1")
    refused(run, 41, "case", "forget", "9")
    refused(run, 41, "case", "export", "9", tmp_path / "out")
