"""What is broken in a case, as far as is known, and what to do next."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass

from mendbay.board.note import BoardNote, NoteKind
from mendbay.core.cautions import Caution, cautions_for
from mendbay.core.errors import LedgerError, UsageError
from mendbay.jobs.bench import Bench
from mendbay.jobs.gather_signs import Gathered, gathered_signs
from mendbay.jobs.withdraw import require_reason, standing_notes, subject_of, withdraw
from mendbay.triage.belief import Asked, Belief, Moved, WhatIf, sign_of
from mendbay.triage.next_step import INSIDE, NextStep, Offer, Stakes, kept_off
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.tables import Step
from mendbay.triage.worlds import Place, Subject, Worlds

ABOUT = "case"
"""Subject of the note that says what triage is of."""


@dataclass(frozen=True, slots=True)
class Known:
    """An answer with where it comes from: what a person said, or what the case gives itself."""

    answer: str
    origin: str
    by_person: bool


@dataclass(frozen=True, slots=True)
class KeepOff:
    """A drive that should get no power, and why.

    Args:
        bay: of the drive.
        chance: of damage inside it.
        reasons: the answers that speak for it, the strongest first.
    """

    bay: str
    chance: float
    reasons: tuple[Moved, ...]


@dataclass(frozen=True, slots=True)
class Triage:
    """A case as triage sees it.

    Args:
        assumed: nothing was said of the case's bays yet, and a box with two is assumed.
    """

    case: int
    subject: Subject
    stakes: Stakes
    known: Mapping[Asked, Known]
    belief: Belief
    offers: tuple[Offer, ...]
    keep_off: tuple[KeepOff, ...]
    assumed: bool


def tell_triage(bench: Bench, case: int) -> Triage:
    """What is believed of a case, and the steps that can be taken, the one to do next first.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: it has more than two bays.
        LedgerError: a note is not one that Mendbay wrote.
    """
    subject, stakes, assumed = _about(bench, case)
    known = _known(bench, case, subject)
    belief = Belief(_worlds(subject), {asked: one.answer for asked, one in known.items()})
    offers = NextStep(belief, stakes).offers()
    return Triage(case, subject, stakes, known, belief, offers, _keep_off(belief), assumed)


def describe(bench: Bench, case: int, *, box: bool | None = None, worth: float | None = None) -> Triage:
    """Says what triage is of.

    Args:
        box: whether a box came in, or a drive alone; None leaves it.
        worth: of the data, in the currency of the tables; None leaves it.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: nothing is said, or a worth that cannot be.
    """
    if box is None and worth is None:
        raise UsageError(
            "Nothing is said of the case.", "Say whether a box came in, or what its data is worth."
        )
    with bench.ledger.together():
        subject, stakes, _ = _about(bench, case)
        asked = Stakes(stakes.data if worth is None else worth)
        body = {"box": subject.box if box is None else box, "worth": asked.data}
        _note(bench, case, "", NoteKind.SUBJECT, ABOUT, body)
        return tell_triage(bench, case)


def answer(bench: Bench, case: int, asked: Asked, said: str) -> Triage:
    """Enters the answer to a sign; a later one takes the place of an earlier.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: there is no such sign or answer.
    """
    with bench.ledger.together():
        subject, _, _ = _about(bench, case)
        worlds = _worlds(subject)
        sign = sign_of(worlds, asked)
        Belief(worlds, {asked: said})
        words = sign.answers[sign.place(said)].words
        _note(bench, case, asked.bay, NoteKind.SIGN, asked.sign, {"answer": said})
        where = f"Bay {asked.bay}" if asked.bay else "The box"
        bench.note(case, "triage", f"{where}: {sign.asks} {words[:1].upper()}{words[1:]}.")
        return tell_triage(bench, case)


def take_back(bench: Bench, case: int, asked: Asked, reason: str) -> Triage:
    """Takes back what was answered to a sign, however often; it is unknown again.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: nobody answered it, or no reason is given.
    """
    require_reason(reason)
    with bench.ledger.together():
        subject, _, _ = _about(bench, case)
        sign_of(_worlds(subject), asked)
        said = standing_notes(bench, NoteKind.SIGN, case, asked.bay, asked.sign)
        if not said:
            raise UsageError(
                f"Nobody answered {asked.sign} in case {case}.",
                f"mendbay triage show {case} tells what is known.",
            )
        withdraw(bench, map(subject_of, said), case, asked.bay, reason)
        bench.note(case, "triage", f"Withdrawn: the answer to {asked.sign}. {reason}")
        return tell_triage(bench, case)


def why(bench: Bench, case: int, place: Place) -> tuple[Triage, tuple[Moved, ...]]:
    """What moved a fault, the strongest first.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: the case has no such place.
    """
    told = tell_triage(bench, case)
    if place not in told.belief.worlds.places:
        names = ", ".join(dict.fromkeys(one.fault for one in told.belief.worlds.places))
        bays = ", ".join(told.subject.bays)
        where = f"bay {place.bay[:40]}" if place.bay else "the box"
        raise UsageError(
            f"There is no fault {place.fault[:40]!r} of {where}.",
            f"Use one of: {names}; a drive's with one of the bays {bays}.",
        )
    return told, told.belief.moved(place.fault, place.bay)


def what_if(bench: Bench, case: int, asked: Asked) -> tuple[Triage, tuple[WhatIf, ...]]:
    """What each answer to a sign would mean.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: there is no such sign, or it is answered already.
    """
    told = tell_triage(bench, case)
    return told, told.belief.what_if(asked)


def cautions_of(step: Step) -> tuple[Caution, ...]:
    """What must be read before a step."""
    return cautions_for(step.cautions)


def _worlds(subject: Subject) -> Worlds:
    return Worlds(packaged_tables(), subject)


def _about(bench: Bench, case: int) -> tuple[Subject, Stakes, bool]:
    """What the case is of: two bays until they are described; one described bay is a drive that came alone
    unless a box is spoken of."""
    record = bench.ledger.case(case)
    bays = tuple(one.bay for one in bench.ledger.bays(case))
    said = bench.shelf.notes(NoteKind.SUBJECT, case, "", ABOUT)
    box, worth = len(bays) != 1 or bool(record.box), Stakes().data
    if said:
        body = _body(said[-1])
        try:
            box, worth = bool(body["box"]), float(str(body["worth"]))
        except (KeyError, ValueError) as trouble:
            raise _unreadable(said[-1], trouble) from trouble
    return Subject(bays or ("1", "2"), box), Stakes(worth), not bays


def _known(bench: Bench, case: int, subject: Subject) -> dict[Asked, Known]:
    """What is known: a person's word stands before what the case gives itself."""
    worlds = _worlds(subject)
    found: dict[Asked, Known] = {}
    for asked, one in gathered_signs(bench, case).items():
        found[asked] = _from_case(one)
    for note in standing_notes(bench, NoteKind.SIGN, case):
        asked, body = Asked(note.subject, note.bay), _body(note)
        try:
            said = str(body["answer"])
            sign_of(worlds, asked).place(said)
        except UsageError:
            continue  # of a box or bay that the case no longer has, or of a sign of other tables
        except KeyError as trouble:
            raise _unreadable(note, trouble) from trouble
        found[asked] = Known(said, f"{note.who}, {note.at}", True)
    return found


def _from_case(one: Gathered) -> Known:
    return Known(one.answer, one.origin, False)


def _keep_off(belief: Belief) -> tuple[KeepOff, ...]:
    found: list[KeepOff] = []
    for bay, chance in kept_off(belief).items():
        likeliest = max(INSIDE, key=lambda one, bay=bay: belief.fault(one, bay))  # type: ignore[misc]
        found.append(KeepOff(bay, chance, tuple(one for one in belief.moved(likeliest, bay) if one.bits > 0)))
    return tuple(found)


def _note(
    bench: Bench, case: int, bay: str, kind: NoteKind, subject: str, body: Mapping[str, object]
) -> None:
    bench.shelf.note(BoardNote(case, bay, kind, subject, bench.now(), bench.who, json.dumps(body)))


def _body(note: BoardNote) -> Mapping[str, object]:
    try:
        body = json.loads(note.body)
    except ValueError as trouble:
        raise _unreadable(note, trouble) from trouble
    if not isinstance(body, dict):
        raise _unreadable(note, TypeError("not an object"))
    return body


def _unreadable(note: BoardNote, trouble: Exception) -> LedgerError:
    return LedgerError(
        f"The ledger's note {note.number} of triage cannot be read: {trouble!r:.60}.",
        "Put the newest backup of the ledger in its place.",
    )
