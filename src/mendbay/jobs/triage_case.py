"""What is broken in a case, as far as is known, and what to do next."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from functools import lru_cache

from mendbay.case.consents import Consent
from mendbay.case.records import LOOSE_BOARD, CaseKind, CaseState
from mendbay.core.cautions import Caution, cautions_for
from mendbay.core.errors import UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.core.quantity import chance_text
from mendbay.core.texts import require_line
from mendbay.jobs.bench import Bench
from mendbay.jobs.closed_board import ClosedBoard, closed_board
from mendbay.jobs.consents import consents_of, refused
from mendbay.jobs.gather_signs import OF_IMAGES, Gathered, gathered_signs
from mendbay.jobs.hand_repairs import (
    DONE_LIMIT,
    CameOf,
    MadeRepair,
    as_known,
    repair_body,
    repairs_made,
    said_of_repair,
)
from mendbay.jobs.learn_triage import closed_cases, learned, worlds_of
from mendbay.jobs.nameless import require_nameless
from mendbay.jobs.note_bodies import body_of, unreadable
from mendbay.jobs.record_swaps import boards_that_helped
from mendbay.jobs.remembered import remembered
from mendbay.jobs.triage_subject import ABOUT, is_box, said_of_subject
from mendbay.jobs.withdraw import require_reason, standing_notes, subject_of, withdraw
from mendbay.triage.belief import (
    HELPED,
    TRIED,
    Asked,
    Belief,
    Moved,
    Tried,
    WhatIf,
    all_signs,
    may_change,
    not_asked,
    sign_of,
)
from mendbay.triage.next_step import CONDITION, INSIDE, Offer, Shut, kept_off, stops_power
from mendbay.triage.refusals import SpeakAgain, offers_within, speak_again
from mendbay.triage.stakes import Stakes
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.tables import Seat, Step, StepKind
from mendbay.triage.worlds import Place, Subject, Worlds

MOST_BAYS = 2
"""Drives that can be judged together (`worlds.py`)."""


@dataclass(frozen=True, slots=True)
class Known:
    """An answer with where it comes from: what a person said, or what the case gives itself."""

    answer: str
    origin: str
    by_person: bool


REASONS_SHOWN = 3
"""How many reasons to give a drive no power are told."""
EVEN = 0.5
"""Chance from which damage is told as likely (own choice)."""


@dataclass(frozen=True, slots=True)
class KeepOff:
    """A drive that should get no power, and why.

    Args:
        bay: of the drive.
        chance: of damage inside it.
        reasons: the answers that alone keep power away, then those that speak for damage, the strongest
            first; each sign once, though a repair may have it answered twice.
        words: the same, to be read: by what was answered, not by the ids of signs, and each text once.
        alone: how many of the words alone keep power away.
    """

    bay: str
    chance: float
    reasons: tuple[Moved, ...]
    words: tuple[str, ...]
    alone: int = 0

    @property
    def why(self) -> str:
        """Why it should get none, as a sentence. Where damage is not likely by all that is known, what alone
        keeps power away is told as that, as the chance would say the contrary."""
        odds = f"damage inside it is {chance_text(self.chance)} likely"
        if self.alone and self.chance < EVEN:
            told = (
                f"{'; '.join(self.words[: self.alone])}: reason enough by itself. By all that is known {odds}"
            )
        else:
            because = "; ".join(self.words[:REASONS_SHOWN])
            told = f"{odds} ({because})" if because else odds
        return f"{told[:1].upper()}{told[1:]}."


HOW_IT_WENT = {TRIED: "tried, and it did not help", HELPED: "done, and it helped"}
"""A repair that is told among answers, in words."""
WHILE_IT_RUNS = frozenset((*OF_IMAGES, "smart", "link-errors"))
"""Signs that a drive gives only while it runs."""
SWAP_BOARD = "swap-board"
"""The step of triage that a swap of the board is."""
_REPAIRS = (NoteKind.TRIED, NoteKind.SWAP)


@dataclass(frozen=True, slots=True)
class ToldTry:
    """A repair that was made, of a bay (empty: of the box or case), who told it when, whether it helped, and
    what was done in words; empty if nobody said. `swap`: it is noted as a swap with an item of the stock."""

    step: Step
    bay: str
    origin: str
    helped: bool = False
    done: str = ""
    swap: bool = False


@dataclass(frozen=True, slots=True)
class Before:
    """What was believed before the last thing that a person told.

    Args:
        asked: the sign, or the repair and its bay, that was told of.
        said: the answer; `TRIED` for a repair that did not help, `HELPED` for one that did.
        belief: without it.
    """

    asked: Asked
    said: str
    belief: Belief


@dataclass(frozen=True, slots=True, kw_only=True)
class Believed:
    """What is believed of a case.

    Args:
        assumed: nothing was said of the case's bays yet, and a box with two is assumed.
        keep_off: drives that should get no power, for a reason that someone saw, heard or was told.
        unheard: drives likely damaged inside by what the case shows of itself, as long as nobody said
            anything of it: steps with power stand behind everything else, and nothing is held back.
        closed_boards: drives from which the electrical sheets of their boards keep power away.
        left_out: answers on record that cannot be weighed now, each with why, as sentences.
        rests_on: how many closed cases of this shop the tables learned from.
        teach_nothing: closed cases that the tables could not learn from, each with why, as sentences.
        consents: the customer's word on risky steps, as far as it was given.
        kind: of the case; over: it is closed, and nothing more is to be done for it.
        tried: repairs that did not help, oldest first, each with who told it and when.
        mended: repairs that helped, the same way.
        untried: repairs that were made and that nobody tried yet: what came of them is not weighed.
        open_again: what was answered before a repair that may have changed it, and not since.
        before: what was believed before the last thing told; None as long as nobody told anything that
            counts.
    """

    case: int
    subject: Subject
    stakes: Stakes
    known: Mapping[Asked, Known]
    belief: Belief
    keep_off: tuple[KeepOff, ...]
    assumed: bool
    unheard: tuple[KeepOff, ...] = ()
    closed_boards: tuple[ClosedBoard, ...] = ()
    left_out: tuple[str, ...] = ()
    rests_on: int = 0
    teach_nothing: tuple[str, ...] = ()
    consents: Mapping[str, Consent] = field(default_factory=dict)
    kind: CaseKind = CaseKind.NOT_SAID
    over: bool = False
    tried: tuple[ToldTry, ...] = ()
    mended: tuple[ToldTry, ...] = ()
    untried: tuple[ToldTry, ...] = ()
    open_again: tuple[Asked, ...] = ()
    before: Before | None = None

    @property
    def is_examined(self) -> bool:
        """Whether anything is on record that is weighed: an answer, also one that a repair has overtaken
        since, or a repair."""
        return bool(self.known or self.belief.tried)


@dataclass(frozen=True, slots=True, kw_only=True)
class Triage(Believed):
    """A case as triage sees it: what is believed of it, and what can be done.

    Args:
        offers: the steps that can be taken, the one to do next first.
        speak_again: refusals of the customer that keep away what would help.
    """

    offers: tuple[Offer, ...]
    speak_again: tuple[SpeakAgain, ...] = ()


@dataclass(frozen=True, slots=True)
class _About:
    """What triage is of; `assumed` as in `Triage`."""

    subject: Subject
    stakes: Stakes
    assumed: bool


def tell_triage(bench: Bench, case: int) -> Triage:
    """What is believed of a case, and the steps that can be taken, the one to do next first.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
        UsageError: it has more than two bays, and none were chosen.
        LedgerError: a note is not one that Mendbay wrote.
    """
    believed, key = _believe(bench, case)
    here = believed.kind is not CaseKind.ENQUIRY
    shut = tuple(Shut(one.bay, one.mendable) for one in believed.closed_boards)
    steps = _steps(believed.belief.worlds, key, believed.stakes, refused(believed.consents), here, shut)
    made = {(one.step.id, one.bay) for one in believed.untried}
    left = tuple(one for one in steps.offers if (one.step.id, one.bay) not in made)
    steps = replace(steps, offers=left)
    if believed.kind in LOOSE_BOARD:
        again = tuple(one for one in steps.speak_again if of_board(one.offer.step))
        offers = tuple(one for one in steps.offers if of_board(one.step))
        return _with_steps(believed, _Steps(offers, again))
    return _with_steps(believed, steps if here else replace(steps, offers=_from_afar(steps.offers)))


def tell_what_is_left(bench: Bench, case: int) -> Triage:
    """As `tell_triage`; but of a closed case, for which nothing more is to be done, no step is worked out,
    and none is told. Raises as that does."""
    if bench.ledger.case(case).state is CaseState.CLOSED:
        return _with_steps(tell_belief(bench, case), _Steps((), ()))
    return tell_triage(bench, case)


def tell_belief(bench: Bench, case: int) -> Believed:
    """What is believed of a case, for whoever needs no steps: they take by far the longest to work out.
    Raises as `tell_triage` does."""
    return _believe(bench, case)[0]


def _with_steps(believed: Believed, steps: _Steps) -> Triage:
    same = {one.name: getattr(believed, one.name) for one in fields(Believed)}
    return Triage(**same, offers=steps.offers, speak_again=steps.speak_again)


def possible_places(bench: Bench, case: int) -> tuple[Place, ...]:
    """What can be broken in a case at all; of bays that are only assumed nothing. Numbers do not count for
    it, so none that closed cases taught are worked out. Raises as `tell_triage` does."""
    remembered(bench, case)
    about = _about(bench, case)
    places = worlds_of((), about.subject).places
    return tuple(one for one in places if not (one.bay and about.assumed))


def _believe(bench: Bench, case: int) -> tuple[Believed, _Key]:
    """What is believed, and the key of what was told (`_Told`)."""
    record = remembered(bench, case)
    about = _about(bench, case)
    cases = closed_cases(bench, but=case)
    worlds = worlds_of(cases, about.subject)
    notes, gathered = _in_order(bench, case), gathered_signs(bench, case)
    told = _told(worlds, notes, gathered)
    counts = learned(cases).counts
    belief = _belief(worlds, told.key)
    kept = _keep_off(belief)
    spoken = _spoken(bench, case, gathered)
    believed = Believed(
        case=case,
        subject=about.subject,
        stakes=about.stakes,
        known={asked: one for asked, one in told.known.items() if asked in belief.answers},
        belief=belief,
        keep_off=kept if spoken else (),
        assumed=about.assumed,
        unheard=() if spoken else kept,
        closed_boards=() if about.assumed else _closed_boards(bench, case, about.subject.bays),
        left_out=told.left_out,
        rests_on=len(counts.taken),
        teach_nothing=counts.left_out,
        consents=consents_of(bench, case),
        kind=record.kind,
        over=record.state is CaseState.CLOSED,
        tried=tuple(one for one in told.tries if not one.helped),
        mended=tuple(one for one in told.tries if one.helped),
        untried=_untried(worlds, repairs_made(bench, case)),
        open_again=tuple(sorted(told.known.keys() - belief.answers.keys())),
        before=_before(worlds, notes, gathered),
    )
    return believed, told.key


def _closed_boards(bench: Bench, case: int, bays: Sequence[str]) -> tuple[ClosedBoard, ...]:
    return tuple(one for bay in bays if (one := closed_board(bench, case, bay)) is not None)


@dataclass(frozen=True, slots=True)
class _Steps:
    """What can be done by all that is known, which takes long to work out."""

    offers: tuple[Offer, ...]
    speak_again: tuple[SpeakAgain, ...]


@lru_cache(maxsize=64)
def _steps(
    worlds: Worlds,
    key: _Key,
    stakes: Stakes,
    refusals: frozenset[str],
    here: bool,
    shut: tuple[Shut, ...],
) -> _Steps:
    """Kept, so that a case is weighed once for every change of what is known of it.

    Args:
        key: of `_Told`.
        here: whether anything came in.
        shut: as in `NextStep`.
    """
    belief = _belief(worlds, key)
    offers = offers_within(belief, stakes, refusals, shut)
    again = speak_again(belief, stakes, refusals, offers, shut) if refusals and here else ()
    return _Steps(offers, again)


@lru_cache(maxsize=64)
def _belief(worlds: Worlds, key: _Key) -> Belief:
    since, tried = key
    steps = worlds.tables.steps
    made = [Tried(steps[step], bay, dict(answers), helped) for step, bay, answers, helped in tried]
    return Belief(worlds, dict(since), made)


def _before(worlds: Worlds, notes: Sequence[Note], gathered: Mapping[Asked, Gathered]) -> Before | None:
    """What was believed before the last thing told that can be weighed."""
    for number in range(len(notes), 0, -1):
        note = notes[number - 1]
        try:
            if note.kind in _REPAIRS:
                asked, said = Asked(_step_of(worlds, note).id, note.bay), HELPED if _helped(note) else TRIED
            else:
                asked, said = _answer_of(worlds, note)
        except UsageError:
            continue
        return Before(asked, said, _belief(worlds, _told(worlds, notes[: number - 1], gathered).key))
    return None


def _from_afar(offers: tuple[Offer, ...]) -> tuple[Offer, ...]:
    """Of an enquiry, for which nothing came in: what can be asked, or seen in pictures."""
    return tuple(one for one in offers if one.step.asked or one.step.pictured)


def of_board(step: Step) -> bool:
    """Whether a step can be taken where the board is all that came in."""
    return step.asked or step.pictured or step.of_board


def signs_of(told: Believed) -> tuple[Asked, ...]:
    """What can be asked of a case, in the order of the tables: every sign, of a drive without a second one
    but for how two belong together; of a loose board what tells something without its drive; and whatever
    is known all the same."""
    none = not_asked(told.belief.worlds)
    every = tuple(one for one in all_signs(told.belief.worlds) if one.sign not in none or one in told.known)
    if told.kind not in LOOSE_BOARD:
        return every
    steps = told.belief.worlds.tables.steps.values()
    of_drive = {one.reveals for one in steps} - {one.reveals for one in steps if of_board(one)}
    return tuple(one for one in every if one.sign not in of_drive or one in told.known)


def kept_without_power(bench: Bench, case: int, bay: str) -> KeepOff | None:
    """Why the drive of a bay should get no power, by the rule of `Triage.keep_off`; None if it may, or if
    nobody said anything of the case. That a drive clicks, said with the order to read it, is a person's word
    to read it all the same: by itself it holds nothing back.

    Raises:
        NoSuchCase: there is no such case.
        LedgerError: a note is not one that Mendbay wrote.
    """
    if not _spoken(bench, case, {}):
        return None
    gathered = gathered_signs(bench, case)
    about = _about(bench, case, bay)
    worlds = worlds_of(closed_cases(bench, but=case), about.subject)
    told = _told(worlds, _in_order(bench, case), gathered)
    kept = _keep_off(_belief(worlds, told.key))
    return next((one for one in kept if one.bay == bay), None)


def _spoken(bench: Bench, case: int, gathered: Mapping[Asked, Gathered]) -> bool:
    """Whether a person said anything of what came in: an answer, what take-in saw, or that a drive clicks
    (docs/decisions/0081-take-in.md)."""
    return bool(
        standing_notes(bench, NoteKind.SIGN, case)
        or standing_notes(bench, NoteKind.INTAKE, case, "", CONDITION)
        or any(one.said_at for one in gathered.values())
    )


def answer_words(belief: Belief, one: Moved) -> str:
    """What moved a fault, in words; an answer that no longer counts as it is now is told as of before."""
    called = f"{one.asked.sign} (bay {one.asked.bay})" if one.asked.bay else one.asked.sign
    if one.answer in HOW_IT_WENT:
        return f"{called}: {HOW_IT_WENT[one.answer]}"
    sign = sign_of(belief.worlds, one.asked)
    words = f"{called}: {sign.answers[sign.place(one.answer)].words}"
    return words if belief.answers.get(one.asked) == one.answer else f"before the repair: {words}"


def describe(
    bench: Bench,
    case: int,
    *,
    box: bool | None = None,
    worth: float | None = None,
    bays: tuple[str, ...] | None = None,
) -> Triage:
    """Says what triage is of, and what is believed then.

    Args:
        box: whether a box came in, or a drive alone; None leaves it.
        worth: of the data, in the currency of the tables; None leaves it.
        bays: the one or two of the case's bays to judge; None leaves it, empty for all.

    Raises:
        NoSuchCase: there is no such case or bay.
        UsageError: nothing is said, a worth that cannot be, or more than two bays.
    """
    note_about(bench, case, box=box, worth=worth, bays=bays)
    return tell_triage(bench, case)


def note_about(
    bench: Bench,
    case: int,
    *,
    box: bool | None = None,
    worth: float | None = None,
    bays: tuple[str, ...] | None = None,
) -> None:
    """As `describe`, without weighing anything: what was not said stays as the case itself gives it."""
    if box is None and worth is None and bays is None:
        raise UsageError("Nothing is said of the case.", "Say what came in, or what its data is worth.")
    with bench.ledger.together():
        bench.ledger.case(case)
        for one in bays or ():
            bench.ledger.bay(case, one)
        before, _ = said_of_subject(bench, case)
        if worth is not None:
            Stakes(worth)
        chosen = tuple(before.get("bays", ())) if bays is None else bays
        Subject(chosen or ("1",))
        body = {
            "box": before.get("box") if box is None else box,
            "worth": before.get("worth") if worth is None else worth,
            "bays": list(chosen),
        }
        _note(bench, case, "", NoteKind.SUBJECT, ABOUT, body)


def take_worth_back(bench: Bench, case: int, reason: str) -> None:
    """Takes back what somebody said the data is worth, however often; the usual worth counts again.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: nobody said it, no reason is given, or it names the customer or seems to hold a password.
    """
    require_reason(reason)
    require_nameless(bench.ledger.case(case), reason)
    with bench.ledger.together():
        said, _ = said_of_subject(bench, case)
        if said.get("worth") is None:
            raise UsageError(
                "Nobody said what the data is worth.", f"mendbay case form {case} tells what is known."
            )
        body = {"box": said["box"], "worth": None, "bays": said.get("bays", [])}
        _note(bench, case, "", NoteKind.SUBJECT, ABOUT, body)
        bench.note(case, "triage", f"Withdrawn: what the data is worth. {reason}")


def answer(bench: Bench, case: int, asked: Asked, said: str) -> Triage:
    """Enters the answer to a sign; a later one takes the place of an earlier.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: there is no such sign or answer, or it is of a bay and none is described yet.
    """
    enter_answer(bench, case, asked, said)
    return tell_triage(bench, case)


def enter_answer(bench: Bench, case: int, asked: Asked, said: str) -> None:
    """As `answer`, without weighing what is then known."""
    about = _about(bench, case)
    worlds = worlds_of(closed_cases(bench, but=case), about.subject)
    Belief(worlds, {asked: said})
    if asked.bay and about.assumed:
        raise UsageError(
            f"No bay of case {case} is described yet.",
            f"mendbay case bay {case} {asked.bay}=MODEL/SERIAL does that (both may be left out).",
        )
    note_answer(bench, case, asked, said)


def note_answer(bench: Bench, case: int, asked: Asked, said: str) -> None:
    """Puts the answer to a sign down without weighing it, whatever the case turns out to be of: an answer
    that cannot be weighed then is told as left out.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: there is no such sign or answer.
    """
    signs = packaged_tables().signs
    if asked.sign not in signs:
        raise UsageError(f"There is no sign {asked.sign[:40]!r}.", f"mendbay triage signs {case} lists them.")
    sign = signs[asked.sign]
    words = {one.id: one.words for one in sign.answers}.get(said)
    if words is None or (sign.seat is Seat.BAY) != bool(asked.bay):
        known = ", ".join(one.id for one in sign.answers)
        raise UsageError(
            f"{asked.sign} of {asked.bay[:40] or 'the case'} cannot be {said[:40]!r}.",
            f"Use one of: {known}.",
        )
    where = f"Bay {asked.bay}" if asked.bay else f"The {sign.seat}"
    asks = sign.question(_about(bench, case).subject.box)
    with bench.ledger.together():
        _note(bench, case, asked.bay, NoteKind.SIGN, asked.sign, {"answer": said})
        bench.note(case, "triage", f"{where}: {asks} {words[:1].upper()}{words[1:]}.")


def take_back(bench: Bench, case: int, asked: Asked, reason: str) -> Triage:
    """Takes back what was answered to a sign, however often; it is unknown again.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: nobody answered it, or no reason is given.
    """
    withdraw_answer(bench, case, asked, reason)
    return tell_triage(bench, case)


def withdraw_answer(bench: Bench, case: int, asked: Asked, reason: str) -> None:
    """As `take_back`, without weighing what is left."""
    require_reason(reason)
    with bench.ledger.together():
        bench.ledger.case(case)
        said = standing_notes(bench, NoteKind.SIGN, case, asked.bay, asked.sign)
        if not said:
            raise UsageError(
                f"Nobody answered {asked.sign[:40]!r} in case {case}.",
                f"mendbay triage show {case} tells what is known.",
            )
        withdraw(bench, map(subject_of, said), case, asked.bay, reason)
        bench.note(case, "triage", f"Withdrawn: the answer to {asked.sign}. {reason}")


def note_tried(
    bench: Bench,
    case: int,
    step: str,
    bay: str = "",
    came_of: CameOf = CameOf.STILL_NOT,
    done: str = "",
) -> Triage:
    """Puts down that a repair was made, and what came of it: told again of one that was not tried yet, it is
    what came of that one.

    Args:
        done: what was done, in words; empty to leave it at the step's.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: there is no such repair, or what was done cannot be kept, names the customer or seems to
            hold a password.
    """
    enter_tried(bench, case, step, bay, came_of, done)
    return tell_triage(bench, case)


def enter_tried(
    bench: Bench,
    case: int,
    step: str,
    bay: str = "",
    came_of: CameOf = CameOf.STILL_NOT,
    done: str = "",
) -> None:
    """As `note_tried`, without weighing what is then known."""
    record, done = remembered(bench, case), done.strip()
    require_line(done, "what was done")
    if len(done) > DONE_LIMIT:
        raise UsageError(f"What was done has {len(done)} characters.", f"Use at most {DONE_LIMIT}.")
    require_nameless(record, done)
    about = _about(bench, case)
    worlds = worlds_of(closed_cases(bench, but=case), about.subject)
    if step not in worlds.tables.steps:
        repairs = [one.id for one in worlds.tables.steps.values() if one.kind is StepKind.REPAIR]
        raise UsageError(f"There is no step {step[:40]!r}.", f"Use one of: {', '.join(repairs)}.")
    made = worlds.tables.steps[step]
    Belief(worlds, {}, [Tried(made, bay, {})])
    where = f" (bay {bay})" if bay else ""
    told = (
        "Tried, and it did not give the data" if came_of is CameOf.STILL_NOT else came_of.words.capitalize()
    )
    with bench.ledger.together():
        _note(bench, case, bay, NoteKind.TRIED, step, repair_body(came_of, done))
        bench.note(case, "triage", f"{told}{where}: {done.rstrip('.') + '.' if done else made.words}")


def take_back_tried(bench: Bench, case: int, step: str, bay: str, reason: str) -> Triage:
    """Takes back that a repair was tried, the last time it was told.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: nobody told it, or no reason is given.
    """
    withdraw_tried(bench, case, step, bay, reason)
    return tell_triage(bench, case)


def withdraw_tried(bench: Bench, case: int, step: str, bay: str, reason: str) -> None:
    """As `take_back_tried`, without weighing what is left."""
    require_reason(reason)
    with bench.ledger.together():
        bench.ledger.case(case)
        said = standing_notes(bench, NoteKind.TRIED, case, bay, step)
        if not said:
            raise UsageError(
                f"Nobody told that {step[:40]!r} was tried in case {case}.",
                f"mendbay triage show {case} tells what is known.",
            )
        withdraw(bench, [subject_of(said[-1])], case, bay, reason)
        bench.note(case, "triage", f"Withdrawn: that {step} was tried. {reason}")


def why(bench: Bench, case: int, place: Place) -> tuple[Believed, tuple[Moved, ...]]:
    """What moved a fault, the strongest first.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: the case has no such place.
    """
    told = tell_belief(bench, case)
    if place not in told.belief.worlds.places:
        names = ", ".join(dict.fromkeys(one.fault for one in told.belief.worlds.places))
        bays = ", ".join(told.subject.bays)
        where = f"bay {place.bay[:40]}" if place.bay else "the box"
        raise UsageError(
            f"There is no fault {place.fault[:40]!r} of {where}.",
            f"Use one of: {names}; a drive's with one of the bays {bays}.",
        )
    return told, told.belief.moved(place.fault, place.bay)


def what_if(bench: Bench, case: int, asked: Asked) -> tuple[Believed, tuple[WhatIf, ...]]:
    """What each answer to a sign would mean.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: there is no such sign, or it is answered already.
    """
    told = tell_belief(bench, case)
    return told, told.belief.what_if(asked)


def cautions_of(step: Step) -> tuple[Caution, ...]:
    """What must be read before a step."""
    return cautions_for(step.cautions)


def _about(bench: Bench, case: int, bay: str = "") -> _About:
    """What the case is of, as its kind says or somebody said of triage; as long as neither did, two bays
    until they are described, and one described bay is a drive that came alone unless a box is spoken of.

    Args:
        bay: one that must be among those judged: alone if it is not, or if they are too many together.
    """
    said, _ = said_of_subject(bench, case)
    described = tuple(one.bay for one in bench.ledger.bays(case))
    chosen = tuple(one for one in said.get("bays", ()) if one in described)
    box, worth = is_box(bench, case), said.get("worth")
    bays = chosen or described or (("1", "2") if box else ("1",))
    if bay and (bay not in bays or len(bays) > MOST_BAYS):
        bays = (bay,)
    subject = Subject(bays, box)
    return _About(subject, Stakes() if worth is None else Stakes(float(worth)), not described)


_Answers = tuple[tuple[Asked, str], ...]
_Key = tuple[_Answers, tuple[tuple[str, str, _Answers, bool], ...]]
"""What was answered since the last repair, and every repair with its bay, what was answered before it, and
whether it helped."""


@dataclass(frozen=True, slots=True)
class _Told:
    """What is on record, in the order it became known.

    Args:
        known: the last answer to every sign.
        tried, tries: repairs that were made, with what was known before each.
        since: what was answered after the last of them; without any, everything.
        left_out: what cannot be weighed now, as sentences.
    """

    known: Mapping[Asked, Known]
    tried: tuple[Tried, ...]
    tries: tuple[ToldTry, ...]
    since: Mapping[Asked, str]
    left_out: tuple[str, ...]

    @property
    def key(self) -> _Key:
        """All that the belief rests on, in a form that can be looked up by."""
        tried = ((one.step.id, one.bay, tuple(one.answers.items()), one.helped) for one in self.tried)
        return tuple(self.since.items()), tuple(tried)


def _told(worlds: Worlds, notes: Sequence[Note], gathered: Mapping[Asked, Gathered]) -> _Told:
    """What is known: a person's word stands before what the case gives itself, and that before any repair.
    What a person said without being asked counts like an answer of that time, and tells what it stands
    against.

    Args:
        notes: answers and repairs that were told, in their order.
        gathered: what the case gives itself.
    """
    left_out: list[str] = []
    rounds: list[dict[Asked, Known]] = [{}]
    tries: list[ToldTry] = []
    tried_at: list[str] = []
    answered_at: dict[Asked, str] = {}
    for note in notes:
        origin = f"{note.who}, {note.at}"
        try:
            if note.kind in _REPAIRS:
                step = _step_of(worlds, note)
                swap = note.kind is NoteKind.SWAP
                tries.append(ToldTry(step, note.bay, origin, _helped(note), _done(note), swap))
                tried_at.append(note.at)
                rounds.append({})
            else:
                asked, said = _answer_of(worlds, note)
                answered_at[asked] = note.at
                rounds[_round_of(worlds, asked, tries)][asked] = Known(said, origin, True)
        except UsageError as trouble:
            left_out.append(f"{_named(note)}. {trouble.what}")
    told = {asked: one for each in rounds for asked, one in each.items()}
    for asked, one in gathered.items():
        if one.said_at and asked.bay in worlds.subject.bays and one.said_at >= answered_at.get(asked, ""):
            earlier = [tried for tried, at in zip(tries, tried_at, strict=True) if at <= one.said_at]
            known = replace(_from_case(one), origin=one.origin + _against(asked, told))
            rounds[_round_of(worlds, asked, earlier)][asked] = told[asked] = known
        if asked not in told and asked.bay in ("", *worlds.subject.bays) and not _outdated(asked, told):
            rounds[_round_of_case(worlds, asked, one, tries, tried_at)][asked] = told[asked] = _from_case(one)
    answers = [{asked: one.answer for asked, one in each.items()} for each in rounds]
    tried = tuple(
        Tried(one.step, one.bay, before, one.helped) for one, before in zip(tries, answers[:-1], strict=True)
    )
    return _Told(told, tried, tuple(tries), answers[-1], tuple(dict.fromkeys(left_out)))


def _round_of(worlds: Worlds, asked: Asked, tries: Sequence[ToldTry]) -> int:
    """Where an answer counts: since the last repair that may have changed it. A later answer to what no
    repair has changed is the same answer put right."""
    for number in range(len(tries), 0, -1):
        if may_change(worlds, tries[number - 1].step, tries[number - 1].bay, asked):
            return number
    return 0


def _round_of_case(
    worlds: Worlds, asked: Asked, known: Gathered, tries: Sequence[ToldTry], tried_at: Sequence[str]
) -> int:
    """Where an answer of the case itself counts: before any repair, but for what is of the time after one
    that helped. That is what a drive tells only while it runs, as it runs since; and what was measured later.

    Args:
        tried_at: when each of the repairs was told.
    """
    for number in range(len(tries), 0, -1):
        made = tries[number - 1]
        is_later = asked.sign in WHILE_IT_RUNS or known.measured_at >= tried_at[number - 1]
        if made.helped and is_later and may_change(worlds, made.step, made.bay, asked):
            return number
    return 0


def _in_order(bench: Bench, case: int) -> list[Note]:
    """Answers and repairs that were told; what nobody tried yet tells nothing."""
    tried = [one for one in repairs_made(bench, case) if one.came_of is not CameOf.NOT_TRIED]
    notes = [*standing_notes(bench, NoteKind.SIGN, case), *map(as_known, tried)]
    notes += boards_that_helped(bench, case)
    return sorted(notes, key=lambda note: note.number)


def _helped(note: Note) -> bool:
    """Whether the repair that a note tells of helped; of a swap only one that did is looked at."""
    return note.kind is NoteKind.SWAP or said_of_repair(note)[0] is CameOf.READY


def _done(note: Note) -> str:
    return "" if note.kind is NoteKind.SWAP else said_of_repair(note)[1]


def _untried(worlds: Worlds, repairs: Sequence[MadeRepair]) -> tuple[ToldTry, ...]:
    found: list[ToldTry] = []
    for one in repairs:
        if one.came_of is CameOf.NOT_TRIED:
            try:
                step = _step_of(worlds, one.made)
            except UsageError:  # it is of a bay that is not judged now
                continue
            found.append(ToldTry(step, one.bay, f"{one.made.who}, {one.made.at}", done=one.done))
    return tuple(found)


def _answer_of(worlds: Worlds, note: Note) -> tuple[Asked, str]:
    """
    Raises:
        UsageError: it cannot be weighed now.
    """
    asked, said = Asked(note.subject, note.bay), body_of(note, "triage").get("answer")
    if not isinstance(said, str):
        raise unreadable(note, "triage", KeyError("answer"))
    try:
        sign_of(worlds, asked).place(said)
    except KeyError as trouble:
        raise UsageError("That answer is no longer known.", "Tell it anew.") from trouble
    return asked, said


def _step_of(worlds: Worlds, note: Note) -> Step:
    """
    Raises:
        UsageError: there is no such repair of what is judged now.
    """
    of_swap = note.kind is NoteKind.SWAP  # its subject is the donor
    step = worlds.tables.steps.get(SWAP_BOARD if of_swap else note.subject)
    if step is None:
        raise UsageError("That step is no longer known.", "Tell it anew.")
    Belief(worlds, {}, [Tried(step, note.bay, {})])
    return step


def _named(note: Note) -> str:
    where = f" (bay {note.bay})" if note.bay else ""
    if note.kind is NoteKind.SWAP:
        return f"{SWAP_BOARD}{where}: {HELPED}"
    if note.kind is NoteKind.TRIED:
        return f"{note.subject}{where}: {HELPED if _helped(note) else TRIED}"
    return f"{note.subject}{where}: {body_of(note, 'triage').get('answer', '')}"


def _outdated(asked: Asked, told: Mapping[Asked, Known]) -> bool:
    """Whether what an image says may be older than what is heard now of its drive: a drive that ails is not
    sound because it once was read."""
    sounds = (told.get(Asked(one, asked.bay)) for one in ("sound", "sound-alone"))
    ailing = any(one is not None and one.answer != "normal" for one in sounds)
    return ailing and asked.sign in OF_IMAGES


def _against(asked: Asked, told: Mapping[Asked, Known]) -> str:
    """What was answered of a drive's sound otherwise than by what is said of it now, with who and when."""
    heard = [(one, told.get(Asked(one, asked.bay))) for one in ("sound", "sound-alone")]
    others = [(sign, one) for sign, one in heard if one is not None and one.answer == "normal"]
    return "".join(f"; against {sign} {one.answer}, as told by {one.origin}" for sign, one in others)


def _from_case(one: Gathered) -> Known:
    return Known(one.answer, one.origin, False)


def _keep_off(belief: Belief) -> tuple[KeepOff, ...]:
    found: list[KeepOff] = []
    for bay, chance in kept_off(belief).items():
        names = belief.worlds.tables.groups.get(INSIDE, ())
        likeliest = max(names, key=lambda one, bay=bay: belief.fault(one, bay))  # type: ignore[misc]
        moved = belief.moved(likeliest, bay)
        alone = [one for one in moved if one.asked.bay in ("", bay) and stops_power(one.asked, one.answer)]
        speaking = [one for one in moved if one.bits > 0 and one not in alone]
        reasons = _each_sign_once(belief, (*alone, *speaking))
        words = dict.fromkeys(_reason_words(belief, bay, one) for one in reasons)
        alone_words = {_reason_words(belief, bay, one) for one in reasons if one in alone}
        found.append(KeepOff(bay, chance, reasons, tuple(words), len(alone_words)))
    return tuple(found)


def _reason_words(belief: Belief, bay: str, one: Moved) -> str:
    """A reason to give the drive of a bay no power. What alone is one needs no question to be understood; a
    bay is named where it is another's."""
    asked = one.asked
    where = f"bay {asked.bay}: " if asked.bay not in ("", bay) else ""
    if one.answer in HOW_IT_WENT:
        made = belief.worlds.tables.steps[asked.sign].words.rstrip(".")
        return f"{where}{HOW_IT_WENT[one.answer]}: {made}"
    sign = sign_of(belief.worlds, asked)
    words = sign.answers[sign.place(one.answer)].words
    if not stops_power(asked, one.answer):
        question = sign.question(belief.worlds.subject.box)
        words = f"{question} {words[:1].upper()}{words[1:]}"
    return (
        f"{where}{words}" if belief.answers.get(asked) == one.answer else f"before the repair: {where}{words}"
    )


def _each_sign_once(belief: Belief, reasons: Sequence[Moved]) -> tuple[Moved, ...]:
    """Of a sign answered before and after a repair, what counts now, else the first of its answers."""
    found: dict[Asked, Moved] = {}
    for one in reasons:
        before = found.setdefault(one.asked, one)
        if belief.answers.get(one.asked) == one.answer != before.answer:
            found[one.asked] = one
    return tuple(found.values())


def _note(
    bench: Bench, case: int, bay: str, kind: NoteKind, subject: str, body: Mapping[str, object]
) -> None:
    bench.notes.add(Note(case, bay, kind, subject, bench.now(), bench.who, json.dumps(body)))
