"""What a form's page showed is compared with the record, and the form's word is written, in one step of the
ledger: nobody else can write in between."""

from __future__ import annotations

import json
import sqlite3
from typing import Any

import pytest

from mendbay.case.items import What
from mendbay.case.records import Bay
from mendbay.core.errors import UsageError
from mendbay.faces.web.visit import Visit
from mendbay.jobs.hand_over_items import receive
from mendbay.jobs.keep_items import add_item
from mendbay.jobs.take_in import take_in
from support.web_client import Web

ANSWERS = json.dumps({"format": "take-in answers", "version": 1, "case": 1, "answers": []}).encode()
FORMS: tuple[tuple[str, dict[str, str], dict[str, Any] | None], ...] = (
    ("wait", {"who": "part", "what": "a board"}, None),
    ("go-on", {"remark": "it came"}, None),
    ("due", {"day": "2999-01-01"}, None),
    ("take-in/tell", {"question": "matters", "written": "pictures"}, None),
    ("take-in/untell", {"question": "matters", "reason": "a slip"}, None),
    ("take-in/consent", {"consent": "power-on", "word": "yes"}, None),
    ("take-in/authority", {"whose": "own"}, None),
    ("take-in/bays/amend", {"bay": "1", "model": "AL-2"}, None),
    ("take-in/bays/remove", {"bay": "1", "reason": "a slip"}, None),
    ("take-in/answers", {"replace": "yes"}, {"answers": ("a.json", ANSWERS, "application/json")}),
    ("pictures/correct", {"bay": "1", "kind": "firmware", "value": "CC43"}, None),
    ("pictures/uncorrect", {"bay": "1", "kind": "firmware", "reason": "a slip"}, None),
    ("things/change", {"item": "0001-01", "what": "drive", "owner": "customer"}, None),
    ("things/move", {"item": "0001-01", "where": "here"}, None),
    ("things/withdraw", {"item": "0001-01", "reason": "a slip"}, None),
    ("things/call-off", {"number": "1", "reason": "a slip"}, None),
)


@pytest.mark.parametrize(("path", "form", "files"), FORMS, ids=[one[0] for one in FORMS])
def test_the_ledger_is_held_while_a_form_is_compared(
    web: Web,
    path: str,
    form: dict[str, str],
    files: dict[str, Any] | None,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with web.bench() as bench:
        take_in(bench, "Ada", bays=[Bay(0, "1")])
        add_item(bench, 1, What.ADAPTER)
        receive(bench, 1, ["1"])
    held: list[str] = []

    def compare(visit: Visit, what: str, *now: object) -> None:
        with sqlite3.connect(web.home / "ledger.sqlite3", timeout=0) as other:
            try:
                other.execute("BEGIN IMMEDIATE")
                held.append("free")
            except sqlite3.OperationalError:
                held.append("held")
        raise UsageError("Compared.", "Go on.")

    monkeypatch.setattr(Visit, "require_unchanged", compare)
    web.post(f"/case/1/{path}", form, files=files, status=422)
    assert held == ["held"]
