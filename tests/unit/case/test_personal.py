"""What stays of a note when its case is forgotten."""

from __future__ import annotations

import json

import pytest

from mendbay.board.number_form import Kind
from mendbay.case.outcome import DataBack, End
from mendbay.case.personal import RULINGS, Fate, event_for_customer, for_customer, has_remark, remaining
from mendbay.case.records import Event
from mendbay.core.note import Note, NoteKind

AT = "2026-11-25T07:10:00Z"
HEX = "ab" * 32


def note(kind: NoteKind, body: object, subject: str = "case") -> Note:
    return Note(7, "1", kind, subject, AT, "Ada", json.dumps(body), 12)


def test_every_kind_of_note_is_decided_with_a_reason() -> None:
    assert set(RULINGS) == set(NoteKind)
    for kind, one in RULINGS.items():
        assert one.why, kind
        decided = bool(one.whole or one.emptied or one.digests)
        assert decided is (one.fate is Fate.REDUCED and kind is not NoteKind.PRACTICE), kind
        assert not set(one.whole) & set(one.emptied), kind


@pytest.mark.parametrize("kind", [one for one, ruling in RULINGS.items() if ruling.fate is not Fate.REDUCED])
def test_what_goes_goes_whatever_it_holds(kind: NoteKind) -> None:
    assert remaining(note(kind, {"answer": "normal", "worked": True, "digest": HEX})) is None


@pytest.mark.parametrize("kind", [one for one, ruling in RULINGS.items() if ruling.fate is Fate.REDUCED])
def test_a_member_that_nobody_decided_on_goes(kind: NoteKind) -> None:
    ruling = RULINGS[kind]
    body = {**dict.fromkeys((*ruling.whole, *ruling.emptied), "x"), "unheard of": "Quillmere Pottery"}
    left = remaining(note(kind, body))
    assert left is not None
    emptied = dict.fromkeys(ruling.emptied, "(forgotten)")
    assert json.loads(left.body) == {**dict.fromkeys(ruling.whole, "x"), **emptied}
    assert (left.number, left.at, left.who, left.subject, left.bay) == (12, AT, "Ada", "case", "1")


def test_a_swap_keeps_how_it_went_and_loses_the_remark() -> None:
    body = {
        "purpose": "board swap",
        "agreement": {"revision": "same"},
        "worked": True,
        "remark": "Mr Quill was glad",
        "was": {"state": "free", "case": 0},
    }
    left = remaining(note(NoteKind.SWAP, body, "4"))
    assert left is not None
    assert json.loads(left.body) == {**body, "remark": "(forgotten)"}


def test_an_empty_remark_stays_empty_and_an_array_becomes_an_empty_one() -> None:
    left = remaining(note(NoteKind.CORRECTION, {"read": "0", "right": "O", "pictures": [HEX]}, "model"))
    assert left is not None
    assert json.loads(left.body) == {"read": "0", "right": "O", "pictures": []}
    left = remaining(note(NoteKind.OUTCOME, {"known": True, "remark": ""}))
    assert left is not None
    assert json.loads(left.body) == {"known": True, "remark": ""}


def test_a_corrected_serial_number_goes() -> None:
    assert remaining(note(NoteKind.CORRECTION, {"read": "A0", "right": "AO"}, str(Kind.SERIAL))) is None


def test_of_an_erasure_only_digests_stay() -> None:
    body = {"certificate_sha256": HEX, "place": "Mill Lane", "files": [{"sha256": HEX}], "odd": HEX.upper()}
    left = remaining(note(NoteKind.ERASURE, body, "plan-1"))
    assert left is not None
    assert json.loads(left.body) == {"certificate_sha256": HEX}


@pytest.mark.parametrize("body", ["[]", "null", "{", '"Quillmere"', "[" * 100_000])
def test_what_is_no_object_goes(body: str) -> None:
    assert remaining(Note(7, "", NoteKind.SIGN, "sound", AT, "Ada", body, 3)) is None


def test_for_the_customer_prices_of_the_shop_go_at_any_depth() -> None:
    body = {"lines": [{"words": "board", "amount": 5000, "cost_minor": 3800}], "Markup": 30, "total": 5000}
    left = for_customer(note(NoteKind.QUOTE, body))
    assert left is not None
    assert json.loads(left.body) == {"lines": [{"words": "board", "amount": 5000}], "total": 5000}


def test_for_the_customer_the_remark_at_closing_goes() -> None:
    body = {"found": ["heads:1"], "end": "sent on", "remark": "asks for too much"}
    left = for_customer(note(NoteKind.OUTCOME, body))
    assert left is not None
    assert json.loads(left.body) == {"found": ["heads:1"], "end": "sent on"}
    assert has_remark(note(NoteKind.OUTCOME, body))
    assert not has_remark(note(NoteKind.OUTCOME, {**body, "remark": ""}))
    assert not has_remark(note(NoteKind.SWAP, body))
    for odd in ("no JSON", "[]", "[" * 100_000):
        assert not has_remark(Note(7, "", NoteKind.OUTCOME, "case", AT, "Ada", odd, 3))


@pytest.mark.parametrize(
    ("kind", "text", "left"),
    [
        ("closing", "Closed: sent on; broken: heads:1. Asks. Much.", "Closed: sent on; broken: heads:1."),
        ("closing", "Closed: repaired; nothing was broken.", "Closed: repaired; nothing was broken."),
        ("closing", "Opened again. It rang.", "Opened again. It rang."),
        ("sheet", "Closed: no. It is open.", "Closed: no. It is open."),
    ],
)
def test_for_the_customer_the_story_ends_before_the_remark(kind: str, text: str, left: str) -> None:
    event = Event(AT, kind, text)
    assert event_for_customer(event) == Event(AT, kind, left)
    assert event_for_customer(Event(AT, "donor", text)) is None


def test_the_reason_why_it_was_closed_all_the_same_stays_whole() -> None:
    ended = "Closed: handed back; although no hand-back is on record: made on paper. Mr A. has it."
    remark = "Asks. Much."
    told = Event(AT, "closing", f"{ended} {remark}", {"remark": remark})
    assert event_for_customer(told) == Event(AT, "closing", ended)
    assert event_for_customer(Event(AT, "closing", ended, {"remark": ""})) == Event(AT, "closing", ended)
    older = Event(AT, "closing", f"{ended} {remark}")
    assert event_for_customer(older, {"", "Much.", remark}) == Event(AT, "closing", ended)
    unknown = event_for_customer(older)
    assert unknown is not None
    assert remark not in unknown.text


def test_no_word_of_an_ending_holds_the_full_stop_that_the_remark_follows() -> None:
    assert not any("." in word for word in (*End, *DataBack))


def test_for_the_customer_a_body_that_is_no_json_stays() -> None:
    odd = Note(7, "", NoteKind.LETTER, "status", AT, "Ada", "no JSON", 3)
    assert for_customer(odd) == odd
