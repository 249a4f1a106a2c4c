"""How far the job of one case is, step by step, by what is on record: no image is opened for it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from mendbay.case.agenda import Chore, Entry, Wait, WaitsFor
from mendbay.case.records import WITHOUT_DRIVE, Bay, Case, CaseKind, CaseState, Event, Image
from mendbay.core.note import NoteKind
from mendbay.core.quantity import chance_text, count_text, counted, percent_text
from mendbay.jobs.agenda import SECTOR_BYTES, Turn, turn_of
from mendbay.jobs.asked_so_far import answers_of_take_in
from mendbay.jobs.bench import Bench
from mendbay.jobs.board_step import board_stands
from mendbay.jobs.hand_repairs import CameOf, repairs_made
from mendbay.jobs.keep_copies import HAND_BACK, HAND_BACK_BEGUN
from mendbay.jobs.looks import KIND as LOOK
from mendbay.jobs.looks import LOOKED, NOTHING_TO_JOIN, stands_alone, volume_seen
from mendbay.jobs.money_standing import MoneyStanding, money_standing
from mendbay.jobs.other_half import HALVES, of_halves
from mendbay.jobs.reached_customer import SinceHandBack, since_hand_back, stands_words
from mendbay.jobs.remembered import remembered
from mendbay.jobs.take_in_form import fill_form
from mendbay.jobs.things_here import things_here, things_words
from mendbay.jobs.withdraw import standing_notes

BOARD_WORK = frozenset(
    {
        *("look-at-board", "measure-supply", "measure-driver", "measure-motor", "read-rom"),
        *("mend-supply", "swap-board", "move-rom", "fit-board", "measure-anew"),
    }
)
"""Steps of triage, and chores, that are work on a drive's board."""
LIKELY = 0.5
"""A fault as likely as this is believed in, also where nobody answered anything (own choice)."""
_REPAIRS = {
    CameOf.STILL_NOT: "did not help",
    CameOf.READY: "helped",
    CameOf.NOT_TRIED: "were made and not tried yet",
}


class StepName(StrEnum):
    """A step of the job, in the order in which it is done."""

    TAKE_IN = "take-in"
    TRIAGE = "triage"
    BOARD = "board"
    READING = "reading"
    PAIR = "pair"
    FILES = "files"
    HAND_BACK = "hand-back"
    CLOSING = "closing"


class StepState(StrEnum):
    """How far a step is."""

    NOT_STARTED = "not started"
    UNDER_WAY = "under way"
    WAITING = "waiting"
    DONE = "done"
    ENDED_EARLY = "ended early"
    """Left before it was done, as the job is over."""
    NOT_NEEDED = "not needed"


PAST = frozenset({StepState.DONE, StepState.ENDED_EARLY, StepState.NOT_NEEDED})
"""States in which nothing of a step is left to do."""


@dataclass(frozen=True, slots=True)
class JobStep:
    """A step of a case.

    Args:
        words: how far it is, as one sentence with its numbers.
        rests_on: what that is taken from, in a few words.
        waits: for whom and what, if it waits.
    """

    name: StepName
    state: StepState
    words: str
    rests_on: str
    waits: Wait | None = None


@dataclass(frozen=True, slots=True)
class CaseSteps:
    """The job of a case.

    Args:
        steps: every step once, in the order of the job.
        entry: whose turn it is, what it waits for and why it is late.
        next_action: what to do now with its figures and command; None if there is nothing to do, or where it
            is to be worked out and was not.
        not_yet: it is to be worked out; outdated: it was, before a closed case taught the odds something.
        stands: where the case stands as a whole, in a few words, by what its step of handing back rests on.
    """

    case: Case
    steps: tuple[JobStep, ...]
    entry: Entry
    next_action: Chore | None
    not_yet: bool
    outdated: bool
    stands: str

    @property
    def current(self) -> JobStep | None:
        """The last step that is begun and not over, closing left aside, and take-in too once the files are
        back; without one the first that is not over; None once all are."""
        return _current(self.steps)


def tell_steps(bench: Bench, number: int, *, weigh: bool = False) -> CaseSteps:
    """How far the job of a case is, and what to do next.

    Args:
        weigh: work out what to do next if it is not remembered, which takes a triage.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
        BadFormFile: the shop's `settings/agenda.toml` is not sound.
        LedgerError: a note is not one that Mendbay wrote.
    """
    case = remembered(bench, number)
    turn = turn_of(bench, number, weigh=weigh)
    looking = _Looking(bench, case, turn)
    steps = looking.steps()
    return CaseSteps(
        case,
        _with_waits(steps, turn.entry.case.waits),
        turn.entry,
        turn.entry.chore,
        turn.not_yet,
        turn.outdated,
        stands_words(case, looking.since),
    )


def _current(steps: Sequence[JobStep]) -> JobStep | None:
    begun = [one for one in steps if one.state in (StepState.UNDER_WAY, StepState.WAITING)]
    back = any(one.name is StepName.HAND_BACK and one.state is StepState.DONE for one in steps)
    aside = {StepName.CLOSING, StepName.TAKE_IN} if back else {StepName.CLOSING}
    before = [one for one in begun if one.name not in aside]
    if back:  # what take-in leaves open is not what the job stands at any more
        begun.sort(key=lambda one: one.name is StepName.TAKE_IN)
    left = [one for one in steps if one.state is StepState.NOT_STARTED]
    return next(iter((*reversed(before), *left, *begun)), None)


def _with_waits(steps: tuple[JobStep, ...], waits: Sequence[Wait]) -> tuple[JobStep, ...]:
    """The steps with what the case waits for put to the step that it holds up: a machine to the reading, a
    part to the board, money to the closing; everything else, and what belongs to a step that is not needed,
    to the current one. Such a step waits; one at which a machine is seen to work is under way."""
    found = {one.name: one for one in steps}
    current = _current(steps)
    for wait in reversed(waits):  # the most telling is put last, and stays
        own = {WaitsFor.MACHINE: StepName.READING, WaitsFor.PART: StepName.BOARD}.get(wait.who)
        if wait.who is WaitsFor.CUSTOMER and not wait.told:
            own = StepName.CLOSING
        name = own if own and found[own].state is not StepState.NOT_NEEDED else current and current.name
        if name:
            works = wait.who is WaitsFor.MACHINE and not wait.told
            state = StepState.UNDER_WAY if works else StepState.WAITING
            found[name] = replace(found[name], state=state, waits=wait)
    return tuple(found.values())


class _Looking:
    """Reads what is on record of a case, and tells each step of it."""

    def __init__(self, bench: Bench, case: Case, turn: Turn) -> None:
        self._bench, self._case, self._turn = bench, case, turn
        self._bays = bench.ledger.bays(case.number)
        self._images = bench.ledger.images(case.number)
        self._events: Mapping[str, list[Event]] = _by_kind(bench.ledger.events(case.number))
        self._tally = bench.notes.tally(case.number)
        self._money = money_standing(bench, case.number)
        self._without_drive = case.kind in WITHOUT_DRIVE
        self.since = since_hand_back(bench, case.number) if HAND_BACK in self._events else SinceHandBack()
        self._over = case.state in (CaseState.CLOSED, CaseState.HANDED_BACK)

    def steps(self) -> tuple[JobStep, ...]:
        return (
            self._take_in(),
            self._triage(),
            self._board(),
            self._reading(),
            self._pair(),
            self._files(),
            self._hand_back(),
            self._closing(),
        )

    @property
    def _how_over(self) -> str:
        if self._case.state is CaseState.CLOSED:
            return "the case is closed"
        copied = HAND_BACK in self._events and not self.since.has_left
        return "the files are copied" if copied else "the case is handed back"

    def _take_in(self) -> JobStep:
        answers = answers_of_take_in(self._bench, self._case.number, self._tally)
        answers += self._tally.get(NoteKind.CONSENT, 0)
        day, drives = self._case.opened_at[:10], counted(len(self._bays), "drive")
        name, rests = StepName.TAKE_IN, "the case and its take-in"
        if self._case.kind is CaseKind.ENQUIRY:
            pictures = counted(self._tally.get(NoteKind.PICTURE, 0), "picture")
            state = StepState.DONE if self._tally.get(NoteKind.PICTURE) or self._over else StepState.UNDER_WAY
            return JobStep(name, state, f"Asked on {day}, with {pictures}.", rests)
        described = bool(self._bays) or self._without_drive
        closed = self._case.state is CaseState.CLOSED
        open_ones = 0 if closed else len(fill_form(self._bench, self._case.number).missing)
        state = StepState.DONE if closed or (described and not open_ones) else StepState.UNDER_WAY
        said = f"{_answers(answers, ' of take-in')} known"
        if open_ones:
            verb = "is" if open_ones == 1 else "are"
            said += f", {counted(open_ones, 'essential question')} {verb} open"
        came = "" if self._without_drive else f" with {drives}"
        return JobStep(name, state, f"Taken in on {day}{came}; {said}.", rests)

    def _triage(self) -> JobStep:
        answers, tried = self._tally.get(NoteKind.SIGN, 0), self._tally.get(NoteKind.TRIED, 0)
        made = repairs_made(self._bench, self._case.number) if tried else ()
        name, rests = StepName.TRIAGE, "answers to triage's questions"
        if self._without_drive:
            return JobStep(name, StepState.NOT_NEEDED, f"The case is of a {self._case.kind}.", "its kind")
        known = f"{_answers(answers).capitalize()} known"
        for came_of, verb in _REPAIRS.items():
            if count := sum(one.came_of is came_of for one in made):
                known += f", {counted(count, 'repair')} {verb if count > 1 else verb.replace('were', 'was')}"
        likely = self._turn.likely
        if likely:
            first = likely[0]
            where = f" of bay {first.bay}" if first.bay else ""
            stands_out = answers or tried or first.chance >= LIKELY
            said = "likeliest" if stands_out else "no fault stands out yet, and the likeliest"
            known += f"; {said} is {first.words}{where}, {chance_text(first.chance)}"
            rests += ", and the odds that closed cases taught"
        if self._over:
            state = StepState.DONE if answers or tried else StepState.NOT_NEEDED
        elif self._read_through():
            state = StepState.DONE
        else:
            believed = bool(likely) and likely[0].chance >= LIKELY  # by what the case gives itself
            state = StepState.UNDER_WAY if answers or tried or believed else StepState.NOT_STARTED
            if self._turn.not_yet:
                known += "; the odds are not worked out yet"
        words = f"{known}."
        if state is StepState.NOT_NEEDED:
            words += f" It is not needed any more: {self._how_over}."
        return JobStep(name, state, words, rests)

    def _board(self) -> JobStep:
        """Done once nothing that is on record of a board leaves anything to be done; what is left once the
        drives are read is not needed. Where nothing is noted, it is due as soon as it is what to do next, and
        not needed only once something is known of what is broken."""
        name, rests = StepName.BOARD, "notes of the board's bench"
        stands = board_stands(self._bench, self._case, self._tally)
        noted = bool(stands.stands)
        said = f"On record: {', '.join(stands.noted)}" if stands.noted else "Nothing of a board is on record"
        words = " ".join((f"{said}.", *stands.stands))
        chore = self._turn.entry.chore
        if chore is not None and chore.id in BOARD_WORK:
            state = StepState.UNDER_WAY if noted else StepState.NOT_STARTED
            return JobStep(name, state, f"{words} It is what to do next.", rests)
        enquiry = self._case.kind is CaseKind.ENQUIRY
        if not (stands.noted or enquiry or self._without_drive or self._over or self._anything_known()):
            words += " Whether one needs any work is not known yet."
            return JobStep(name, StepState.NOT_STARTED, words, rests)
        if enquiry or not (noted or self._without_drive):
            return JobStep(name, StepState.NOT_NEEDED, words, rests)
        if stands.done:
            return JobStep(name, StepState.DONE, words, rests)
        if self._over or self._read_through():
            why = self._how_over if self._over else "the drives are read"
            words += f" It is not needed any more: {why}." if noted else ""
            return JobStep(name, StepState.NOT_NEEDED, words, rests)
        return JobStep(name, StepState.UNDER_WAY if noted else StepState.NOT_STARTED, words, rests)

    def _anything_known(self) -> bool:
        """Whether anything speaks for or against a fault, be it that reading began."""
        likely = self._turn.likely
        told = self._tally.get(NoteKind.SIGN, 0) or self._tally.get(NoteKind.TRIED, 0)
        return bool(told or (likely and likely[0].chance >= LIKELY) or self._begun())

    def _begun(self) -> bool:
        return any(self._of(one) or self._seen(one) for one in self._bays)

    def _reading(self) -> JobStep:
        name, rests = StepName.READING, "the figures noted of the images, and whether they are in use"
        if self._without_drive or not self._bays:
            return self._without(name)
        told = [self._bay_words(one) for one in self._bays]
        words = "; ".join(told)
        begun = self._begun()
        if self._read_through():
            state = StepState.DONE
        elif begun:
            state = StepState.ENDED_EARLY if self._over else StepState.UNDER_WAY
        else:
            state = StepState.NOT_NEEDED if self._over else StepState.NOT_STARTED
        return JobStep(name, state, f"{words[:1].upper()}{words[1:]}.", rests)

    def _bay_words(self, bay: Bay) -> str:
        image = self._of(bay)
        if image is None:
            return f"bay {bay.bay} {'is begun' if self._seen(bay) else 'is not read'}"
        told = image.read_bytes + image.refused_bytes + image.waived_bytes + image.unread_bytes
        left = max(0, bay.size_bytes - told) if HALVES in self._events else 0  # the figures leave it out
        words = f"bay {bay.bay} {percent_text(image.read_bytes, told + left)} read"
        if left:
            words += f", {percent_text(left, told + left)} left to the other half"
        if image.refused_bytes:
            sectors = -(-image.refused_bytes // (bay.sector_bytes or SECTOR_BYTES))
            words += f", {counted(sectors, 'sector')} refused"
        return words

    def _pair(self) -> JobStep:
        name, rests = StepName.PAIR, "looks at the drives together"
        if self._case.kind is CaseKind.DRIVE and not self._bays:
            return JobStep(name, StepState.NOT_NEEDED, NOTHING_TO_JOIN, "the case and its bays")
        if self._without_drive or not self._bays:
            return self._without(name)
        if stands_alone(self._case, self._bays):
            return JobStep(name, StepState.NOT_NEEDED, NOTHING_TO_JOIN, "the case and its bays")
        known, looks = self._events.get(LOOKED, []), self._layouts()
        if known or looks:
            return JobStep(name, StepState.DONE, (known or looks)[-1].text, rests)
        told = of_halves(self._bench, self._case.number) if HALVES in self._events else []
        halves = [one for one in told if one.kind == HALVES]
        if halves:  # reading them as one task took a look at both
            state = StepState.DONE if self._over else StepState.UNDER_WAY
            return JobStep(name, state, halves[-1].text, rests)
        if self._over:
            words = f"No look is on record, and {self._how_over}."
            return JobStep(name, StepState.NOT_NEEDED, words, rests)
        return JobStep(
            name, StepState.NOT_STARTED, "Nobody looked yet how the drives belong together.", rests
        )

    def _layouts(self) -> list[Event]:
        return [one for one in self._events.get(LOOK, []) if one.facts.get("answer")]

    def _files(self) -> JobStep:
        name, rests = StepName.FILES, "looks at the volume, answers and hand-backs"
        if self._without_drive or not self._bays:
            return self._without(name)
        wanted = counted(len(self._case.wanted), "pattern")
        if back := self._events.get(HAND_BACK):
            return JobStep(name, StepState.DONE, back[-1].text, rests)
        if self._over:
            words = f"No files were seen, and {self._how_over}."
            return JobStep(name, StepState.NOT_NEEDED, words, rests)
        signs = standing_notes(self._bench, NoteKind.SIGN, self._case.number)
        events = [*self._events.get(LOOKED, []), *self._events.get(LOOK, [])]
        seen = volume_seen(events, signs)
        if seen is False:
            words = "What was read holds no files that can be listed."
            return JobStep(name, StepState.UNDER_WAY, words, rests)
        if seen:
            return JobStep(
                name, StepState.UNDER_WAY, f"The files can be listed; {wanted} wanted first.", rests
            )
        return JobStep(name, StepState.NOT_STARTED, f"No files were seen yet; {wanted} wanted first.", rests)

    def _hand_back(self) -> JobStep:
        name, rests = StepName.HAND_BACK, "the case's story"
        if self._without_drive or not self._bays:
            return self._without(name)
        back, begun = self._events.get(HAND_BACK, []), self._events.get(HAND_BACK_BEGUN, [])
        if back:
            since = self.since
            words, rests = _way_words(len(back), since), f"{rests}, and its hand-overs"
            if since.has_left:
                return JobStep(name, StepState.DONE, words, rests)
            if self._case.state is CaseState.CLOSED:  # whoever closed it decided so; it is not done by that
                words += f" It is not needed any more: {self._how_over}."
                return JobStep(name, StepState.NOT_NEEDED, words, rests)
            return JobStep(name, StepState.UNDER_WAY, words, rests)
        if self._over:
            words = f"No hand-back is on record, and {self._how_over}."
            return JobStep(name, StepState.NOT_NEEDED, words, rests)
        if begun:
            words = f"Copying began on {begun[-1].at[:10]} and is not finished."
            return JobStep(name, StepState.UNDER_WAY, words, rests)
        return JobStep(name, StepState.NOT_STARTED, "Nothing is handed back yet.", rests)

    def _closing(self) -> JobStep:
        name, rests = (
            StepName.CLOSING,
            "quotes, bills, payments, things of the customer, and how the case was closed",
        )
        closed = self._case.state is CaseState.CLOSED
        words = f"{'The case is closed' if closed else 'The case is not closed'}{_money_words(self._money)}"
        there = things_here(self._bench, self._case.number) if closed else ()
        words += f"; not back with the customer: {things_words(there)}." if there else "."
        if closed:
            state = StepState.UNDER_WAY if self._money.owes or there else StepState.DONE
        else:
            begun = self._tally.get(NoteKind.QUOTE) or self._case.state is CaseState.HANDED_BACK
            state = StepState.UNDER_WAY if begun else StepState.NOT_STARTED
        return JobStep(name, state, words, rests)

    def _without(self, name: StepName) -> JobStep:
        """A step of drives, in a case without one: but for a loose board or pictures it begins once
        somebody said what came in."""
        if not (self._without_drive or self._over):
            of = {CaseKind.BOX: "what of the box", CaseKind.DRIVE: "which drive"}.get(self._case.kind, "what")
            words = f"Nobody put down yet {of} came in."
            return JobStep(name, StepState.NOT_STARTED, words, "the case and its take-in")
        return JobStep(name, StepState.NOT_NEEDED, _no_drive(self._case), "the case")

    def _of(self, bay: Bay) -> Image | None:
        """The image of a bay that was noted last."""
        return next((one for one in reversed(self._images) if one.bay == bay.bay), None)

    def _seen(self, bay: Bay) -> bool:
        return self._bench.images.glance(self._case, bay.bay) is not None

    def _read_through(self) -> bool:
        return bool(self._bays) and all(_complete(self._of(one)) for one in self._bays)


def _by_kind(events: Sequence[Event]) -> dict[str, list[Event]]:
    found: dict[str, list[Event]] = {}
    for one in events:
        found.setdefault(one.kind, []).append(one)
    return found


def _complete(image: Image | None) -> bool:
    return image is not None and image.read_bytes > 0 and image.unread_bytes == 0


def _no_drive(case: Case) -> str:
    return f"The case is of a {case.kind}." if case.kind in WITHOUT_DRIVE else "No drive is described yet."


def _answers(count: int, of: str = "") -> str:
    """`no answer is`, `1 answer is`, `2 answers are`; `of` stands before the verb."""
    if not count:
        return f"no answer{of} is"
    return f"{counted(count, 'answer')}{of} {'is' if count == 1 else 'are'}"


def _way_words(hand_backs: int, since: SinceHandBack) -> str:
    """How far the files of the last hand-back are on their way to the customer."""
    last = f", the last of {count_text(hand_backs)} hand-backs" if hand_backs > 1 else ""
    words = f"Copied on {since.made_on}{last}"
    checked, out = since.checked_on, since.out
    words += f"; a copy on another medium was checked on {checked}" if checked else ""
    if since.earlier_on and not checked:
        words += f"; the copy that was checked on {since.earlier_on} is of an earlier hand-back"
    if out is not None:
        words += "" if checked else "; no check of a copy on another medium is on record"
        what = "a medium went" if since.has_left else "things went, no medium among them,"
        signed = "signed" if out.signed else "with nothing signed kept"
        over = f"hand-over {out.number} on {out.at[:10]}"
        return f"{words}; {what} to the {out.role.words} with {over}, {signed}."
    if checked:
        return f"{words}; nothing is handed out yet."
    of_it = "of this one " if since.earlier_on else ""
    return f"{words}; no copy {of_it}on the customer's medium is checked yet, and nothing is handed out."


def _money_words(money: MoneyStanding) -> str:
    told = [f"quote {one.number}, valid until {one.valid_until}, is not answered" for one in money.quotes]
    if money.to_bill:
        told.append(f"quote {money.to_bill} is accepted and nothing is billed")
    if money.due:
        told.append(f"{money.due} of the bill is to be paid")
    if money.to_return:
        told.append(f"{money.to_return} is to be returned")
    return "".join(f"; {one}" for one in told)
