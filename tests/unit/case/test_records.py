"""What records refuse, so that nothing stored breaks a later page, label or file name."""

from __future__ import annotations

from dataclasses import FrozenInstanceError

import pytest

from mendbay.case.records import Bay, Case, CaseState, Event, Image, Intake
from mendbay.core.errors import UsageError
from mendbay.core.texts import TEXT_LIMIT

AT = "2026-11-25T07:10:00Z"


def test_records_are_frozen() -> None:
    case = Case(17, "kiln", AT, "Kiln", "", "", (), "", CaseState.OPEN)
    with pytest.raises(FrozenInstanceError):
        case.number = 18  # type: ignore[misc]


def test_a_case_knows_its_folder() -> None:
    assert Case(17, "kiln-studio", AT, "Kiln", "", "", (), "", CaseState.OPEN).folder == "0017-kiln-studio"


def test_a_case_from_elsewhere_cannot_lead_out_of_its_folder() -> None:
    with pytest.raises(ValueError, match="folder"):
        Case(17, "../../home", AT, "Kiln", "", "", (), "", CaseState.OPEN)


@pytest.mark.parametrize(
    "bad",
    [
        {"customer": "   "},
        {"customer": "Kiln\x00"},
        {"notes": "x" * (TEXT_LIMIT + 1)},
        {"contact": "\udce9"},
        {"contact": "\x7f"},
        {"contact": "\x9b31m"},
        {"notes": "a\rb"},
        {"wanted": ("*.xlsx", "bad\x1b[31m")},
        {"opened_at": "2026-11-25 07:10"},
        {"opened_at": AT + "\n"},
    ],
)
def test_an_intake_refuses(bad: dict[str, object]) -> None:
    with pytest.raises(UsageError) as caught:
        Intake(**{"opened_at": AT, "customer": "Kiln", **bad})  # type: ignore[arg-type]
    assert caught.value.next_step


def test_an_intake_keeps_every_script_and_line_breaks() -> None:
    kept = Intake(AT, "陶器 – Töpferei", notes="line\n\tline", wanted=("Fotos/*.jpg",))
    assert kept.customer == "陶器 – Töpferei"
    assert len(Intake(AT, "x", notes="x" * TEXT_LIMIT).notes) == TEXT_LIMIT


@pytest.mark.parametrize("label", ["", "a/b", "..", "-1", "1 ", "é", "x" * 33, "1\n"])
def test_a_bays_label_becomes_part_of_file_names(label: str) -> None:
    with pytest.raises(UsageError, match="label"):
        Bay(1, label)


def test_unknown_is_empty_and_zero() -> None:
    bay = Bay(1, "1")
    assert (bay.model, bay.serial, bay.size_bytes, bay.sector_bytes) == ("", "", 0, 0)


@pytest.mark.parametrize(
    "path", ["", "/bay-1.img", "../bay-1.img", "a/../../b", "a//b", "./a", "a\\b", "a/", "x" * 256]
)
def test_an_image_lies_inside_its_cases_folder(path: str) -> None:
    with pytest.raises(UsageError):
        Image(1, "1", path, "USB bridge", AT)


@pytest.mark.parametrize(
    "bad",
    [
        {"read_bytes": -1},
        {"unread_bytes": 2**63},
        {"sha256": "abc"},
        {"sha256": "G" * 64},
        {"finished_at": "yesterday"},
    ],
)
def test_an_image_refuses(bad: dict[str, object]) -> None:
    with pytest.raises(UsageError):
        Image(1, "1", "bay-1.img", "USB bridge", AT, **bad)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "facts",
    [
        {"rate": float("nan")},
        {"rate": float("inf")},
        {"a": [1]},
        {"a": {"b": 1}},
        {"a": 2**63},
        {"a": ("x", [])},
    ],
)
def test_facts_are_plain_values(facts: dict[str, object]) -> None:
    with pytest.raises(UsageError):
        Event(AT, "imaging", "Reading went on.", facts)  # type: ignore[arg-type]


def test_facts_that_are_kept() -> None:
    facts = {"read_bytes": 2**63 - 1, "rate": 0.5, "done": False, "bays": ("1", "2"), "reason": None}
    assert Event(AT, "imaging", "", facts).facts == facts
