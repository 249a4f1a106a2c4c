"""What take-in knows of a case, in lines and as JSON."""

from __future__ import annotations

from collections.abc import Sequence

from mendbay.case.authority import Authority, concern_about
from mendbay.case.consents import Consent
from mendbay.case.records import CaseKind, CaseState
from mendbay.case.take_in_form import Type
from mendbay.faces import wording
from mendbay.faces.cli.screen import wrapped
from mendbay.faces.consent_words import authority_words, consent_line
from mendbay.jobs.case_pictures import CasePicture
from mendbay.jobs.take_in_form import Entry, FilledForm


def story_lines(form: FilledForm) -> list[str]:
    """What `case show` tells of take-in, below the case's head."""
    case = form.case
    lines = [f"  about: {case.kind or 'not said'}"]
    lines += [f"  needed by: {case.due_on}"] * bool(case.due_on)
    lines += [f"  copies kept until: {case.keep_until}"] * bool(case.keep_until)
    lines.append(wrapped(f"authority: {authority_words(form.authority)}", "  "))
    lines += [wrapped(consent_line(one), "  ") for one in form.consents.values()]
    if form.missing:
        lines.append(wrapped(f"not asked yet: {', '.join(map(called, form.missing))}", "  "))
        if case.state is not CaseState.CLOSED:
            lines.append(f"    to go on: {wording.called_as()} case take-in {case.number}")
    return lines


def authority_warning(unsettled: str, case: int) -> str:
    """What is said where files are looked at or handed back, with the way to settle it; empty for nothing."""
    if not unsettled:
        return ""
    return f"Mind: {unsettled} To put it down: {wording.called_as()} case authority {case} WHOSE"


def called(entry: Entry) -> str:
    """How a question is named."""
    return f"{entry.question.id} (bay {entry.bay})" if entry.bay else entry.question.id


def form_lines(form: FilledForm, entries: Sequence[Entry]) -> list[str]:
    """Questions with their answers, what is open with how to answer it."""
    lines: list[str] = []
    for entry in entries:
        mark = " " if entry.answered else "*" if entry.question.essential else "-"
        lines.append(wrapped(f"{mark} {called(entry)}: {entry.words}", "", "    "))
        if entry.answered:
            origin = f" ({entry.origin})" if entry.origin else ""
            lines.append(wrapped(f"{entry.shown}{origin}", "    "))
    return lines


def how_to_answer(case: int, entry: Entry) -> str:
    """The command that answers a question, with what can be put in."""
    bay = f" --bay {entry.bay}" if entry.bay else ""
    choices = "|".join(one.id for one in entry.options)
    if entry.question.type is Type.CONSENT:
        return f"{wording.called_as()} case consent {case} {entry.question.id} {choices}"
    return f"{wording.called_as()} case tell {case} {entry.question.id} {choices or 'ANSWER'}{bay}"


def next_commands(form: FilledForm) -> list[str]:
    """What to do after take-in, by the kind of case."""
    number = form.case.number
    called_as = wording.called_as()
    if form.case.state is CaseState.CLOSED:
        return [f"{called_as} case show {number}"]
    if form.missing:
        return [f"{called_as} case take-in {number}"]
    then = {
        CaseKind.ENQUIRY: f"{called_as} donor find {number} 1",
        CaseKind.BOARD_REPAIR: f"{called_as} board sheet {number} 1",
        CaseKind.BOARD_SWAP: f"{called_as} donor find {number} 1",
    }
    if form.case.kind in then:
        bay = [f"{called_as} case bay {number} 1=MODEL/SERIAL"] * (not form.bays)
        return [*bay, f"{called_as} board pictures {number} 1 FOLDER", then[form.case.kind]]
    return [f"{called_as} triage show {number}"]


def story_json(form: FilledForm) -> dict[str, object]:
    """What `case show` gives programs of take-in."""
    return {
        "kind": str(form.case.kind) or None,
        "due_on": form.case.due_on or None,
        "keep_until": form.case.keep_until or None,
        "authority": authority_json(form.authority),
        "consents": [consent_json(one) for one in form.consents.values()],
        "missing": [{"question": one.question.id, "bay": one.bay or None} for one in form.missing],
    }


def form_json(form: FilledForm, entries: Sequence[Entry]) -> dict[str, object]:
    """The form for programs."""
    return {
        "case": form.case.number,
        "kind": str(form.case.kind) or None,
        "missing": [{"question": one.question.id, "bay": one.bay or None} for one in form.missing],
        "questions": [
            {
                "question": one.question.id,
                "bay": one.bay or None,
                "type": str(one.question.type),
                "words": one.words,
                "essential": one.question.essential,
                "answers": [{"answer": each.id, "words": each.words} for each in one.options],
                "answered": one.answered,
                "values": list(one.values),
                "origin": one.origin or None,
            }
            for one in entries
        ],
    }


def consent_json(one: Consent) -> dict[str, object]:
    """A word on a risky step for programs."""
    return {
        "consent": one.id,
        "word": str(one.word),
        "by": str(one.by),
        "how": str(one.how),
        "at": one.at,
        "who": one.who,
    }


def authority_json(one: Authority | None) -> dict[str, object]:
    """Whose data it is, for programs."""
    return {
        "whose": str(one.whose) if one else None,
        "seen": one.seen if one else False,
        "document": one.document or None if one else None,
        "sha256": one.sha256 or None if one else None,
        "concern": concern_about(one) or None,
    }


def picture_json(one: CasePicture) -> dict[str, object]:
    """A kept picture for programs."""
    return {
        "path": one.kept.path,
        "sha256": one.kept.sha256,
        "size_bytes": one.kept.size_bytes,
        "of": one.of or None,
        "named": one.named or None,
        "at": one.at,
    }
