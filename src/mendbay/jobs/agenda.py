"""The day's work across all cases: whose turn each is, and what of it is worth most a minute."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from enum import Enum
from functools import cache
from typing import TYPE_CHECKING, Any

from mendbay.case.agenda import LIMITS, TAKE_IN, Agenda, Chore, Entry, OpenCase, Wait, WaitsFor, agenda_of
from mendbay.case.agenda_tables import ChoreTable, packaged_chores, read_limits
from mendbay.case.outcome import End
from mendbay.case.records import LOOSE_BOARD, Bay, Case, CaseKind, CaseLine, CaseState, Image
from mendbay.core.errors import UsageError
from mendbay.core.note import NoteKind
from mendbay.core.quantity import counted, percent_text
from mendbay.jobs.asked_by_works import AskedByWork
from mendbay.jobs.asked_so_far import is_unasked
from mendbay.jobs.bench import Bench
from mendbay.jobs.consents import refused, risk_called, to_ask
from mendbay.jobs.events import StepProgress
from mendbay.jobs.fetch_things import FETCH_WORDS, is_fetch
from mendbay.jobs.looks import stands_alone, volume_seen
from mendbay.jobs.money_standing import SETTLED, MoneyBook
from mendbay.jobs.remembered_port import case_of, key_of
from mendbay.jobs.things_here import ThingsBook, parted, things_here, things_words
from mendbay.jobs.triage_subject import stakes_in
from mendbay.jobs.waiting import WholeShop, waits_of, whole_shop
from mendbay.jobs.withdraw import standing_notes
from mendbay.triage.table_file import packaged_texts
from mendbay.triage.tables import StepKind

if TYPE_CHECKING:
    from mendbay.jobs.triage_case import Triage
    from mendbay.triage.next_step import Offer

NUDGES = {
    WaitsFor.CUSTOMER: "ask-customer",
    WaitsFor.PART: "ask-supplier",
    WaitsFor.MACHINE: "see-to-machine",
}
"""Chores that ask after what a case waits for."""
HAND_OUT = "hand-out"
"""The chore of handing a checked copy out with the things."""
NO_MEDIUM = "what went out had no medium among it, and a medium counts once it is put down as a thing"
"""Why a case whose things went to the customer is not over."""
SECTOR_BYTES = 512
"""Of a drive whose sectors nobody told yet."""
LIKELIEST = 3
"""Faults that are remembered with a step (own choice)."""
ASK_FIRST = "Begin with take-in: nothing was asked yet of what happened and what is wanted."
"""Before any step that triage would propose by odds alone."""
LEAVE_OFF = "Cut the power of the drive in bay {bay}, and leave it without: by what is known it gets none"
"""What a reading that waits for its power to be restored is answered where triage says stop."""
SAY_BAYS = "Put down which drives came in, and in which bays."
"""Before a step of one drive, while nobody said which there are."""
POWER = "power-on"
"""The consent that trying a drive needs."""
FITTING = (POWER, "board-swap")
"""The consents that fitting another board needs."""
OF_IMAGES = ("put-together", "look-at-files")
"""Steps of triage that rest on images, whole or not."""
FORM = "11"
"""Of what is remembered; another one is worked out anew."""


@dataclass(frozen=True, slots=True)
class Day:
    """A day's work, with the cases it is of by number."""

    agenda: Agenda
    cases: Mapping[int, Case]


@dataclass(frozen=True, slots=True)
class Likely:
    """A fault that triage believes in: in words, of which bay (empty for the box's own), and its chance."""

    words: str
    bay: str
    chance: float


@dataclass(frozen=True, slots=True)
class Turn:
    """Whose turn a case is, with what triage believes of it.

    Args:
        likely: the likeliest faults, the likeliest first; empty where nothing was weighed.
        not_yet: the step is to be weighed and is not; outdated: it was before a closed case taught the odds
            something.
    """

    entry: Entry
    likely: tuple[Likely, ...]
    not_yet: bool
    outdated: bool


@dataclass(frozen=True, slots=True)
class KnownDay:
    """A day's work as far as it is worked out.

    Args:
        not_yet: numbers of cases whose step is not worked out: they are no step of the day, though it is our
            turn.
        outdated: numbers of those whose step was worked out before the last closed case taught the odds
            something.
    """

    day: Day
    not_yet: tuple[int, ...]
    outdated: tuple[int, ...]


def tell_agenda(bench: Bench, *, steps: bool = True) -> Day:
    """What is to be done today, and what waits for whom. Each step is remembered as soon as it is worked out,
    so that a work that is stopped loses none, and `known_agenda` tells them meanwhile.

    Args:
        steps: work out what to do next as well; without, only who waits for what, which takes no triage.

    Raises:
        BadFormFile: the shop's `settings/agenda.toml` is not sound.
        LedgerError: a note is not one that Mendbay wrote.
    """
    return _gathered(bench, Weigh.ANEW if steps else Weigh.NOT).told


def known_agenda(bench: Bench) -> KnownDay:
    """The day's work by what is remembered alone: nothing is weighed for it, so it is told at once.

    Raises:
        BadFormFile: the shop's `settings/agenda.toml` is not sound.
        LedgerError: a note is not one that Mendbay wrote.
    """
    found = _gathered(bench, Weigh.KNOWN)
    return KnownDay(found.told, tuple(found.gathering.not_yet), tuple(found.gathering.outdated))


def tell_turn(bench: Bench, number: int) -> Entry:
    """Whose turn one case is, and what to do for it. What was worked out is remembered.

    Raises:
        NoSuchCase: there is no such case.
        BadFormFile: the shop's `settings/agenda.toml` is not sound.
        LedgerError: a note is not one that Mendbay wrote.
    """
    return turn_of(bench, number).entry


def turn_of(bench: Bench, number: int, *, weigh: bool = True) -> Turn:
    """As `tell_turn`, with what triage believes.

    Args:
        weigh: work out what is not remembered; without, it is told as not worked out yet.

    Raises:
        NoSuchCase: there is no such case.
        BadFormFile: the shop's `settings/agenda.toml` is not sound.
        LedgerError: a note is not one that Mendbay wrote.
    """
    case, today = bench.ledger.case(number), bench.now()[:10]
    shop = whole_shop(bench, [number])
    gathering = _Gathering(bench, shop, today, Weigh.ANEW if weigh else Weigh.KNOWN)
    entry = agenda_of([gathering.open_case(case, 1, 1)], today, _limits(bench)).entries[0]
    return Turn(entry, gathering.likely, number in gathering.not_yet, number in gathering.outdated)


@contextmanager
def step_kept(bench: Bench, number: int) -> Iterator[None]:
    """A step of the ledger in which something is noted of a case that tells nothing of what to do for it:
    what was worked out before is known after it too. What others note meanwhile stands before it or after it,
    so it never passes for weighed. Not to be used within another step of the ledger, which may come to
    nothing.

    Raises:
        NoSuchCase: there is no such case.
        LedgerError: a note is not one that Mendbay wrote.
    """
    with bench.ledger.together():
        before = _step_key(bench, number)
        yield
        after = _step_key(bench, number)
    kept = bench.remembered.some([before]).get(before)
    if kept is not None:
        bench.remembered.add({after: kept}, number)


def _step_key(bench: Bench, number: int) -> str:
    case, shop = bench.ledger.case(number), whole_shop(bench, [number])
    gathering = _Gathering(bench, shop, bench.now()[:10], Weigh.KNOWN)
    return gathering.key(case, shop.bays.get(number, ()), shop.images.get(number, ()))


def turns_of(bench: Bench, lines: Sequence[CaseLine], book: MoneyBook | None = None) -> Day:
    """Whose turn each of some cases is, without what to do for any; cases that are done with are left out.

    Args:
        lines: of the cases.
        book: what is remembered of the money of all of them, kept by whoever made it.

    Raises:
        BadFormFile: the shop's `settings/agenda.toml` is not sound.
        LedgerError: a note is not one that Mendbay wrote.
    """
    return _gathered(bench, Weigh.NOTHING, lines, book).told


class Weigh(Enum):
    """What is told of what can be done for a case."""

    NOTHING = "nothing"
    NOT = "how to ask after what it waits for, if it waits"
    KNOWN = "its step, as far as it is remembered"
    ANEW = "its step, worked out if it is not remembered"


STEPS = (Weigh.KNOWN, Weigh.ANEW)
"""Where steps are told at all."""


@dataclass(frozen=True, slots=True)
class _Gathered:
    told: Day
    gathering: _Gathering


def _gathered(
    bench: Bench, weigh: Weigh, lines: Sequence[CaseLine] | None = None, book: MoneyBook | None = None
) -> _Gathered:
    limits, today = _limits(bench), bench.now()[:10]
    everything = lines is None
    if lines is None:
        lines = bench.ledger.case_lines()
    if book is None:
        book = money_book(bench, lines)
    things = ThingsBook(bench, [one.number for one in lines if one.state == CaseState.CLOSED])
    cases = _unfinished(bench, lines, book, things, today)
    shop = whole_shop(bench, tuple(cases), book)
    book.keep()
    things.keep()
    gathering = _Gathering(bench, shop, today, weigh, many=True)
    found = [gathering.open_case(one, place, len(cases)) for place, one in enumerate(cases.values(), 1)]
    if everything:
        gathering.forget_others({**book.kept(), **things.kept()})
    return _Gathered(Day(agenda_of(found, today, limits), cases), gathering)


def money_book(bench: Bench, lines: Sequence[CaseLine]) -> MoneyBook:
    """What is remembered of the money of some cases."""
    return MoneyBook(bench, bench.notes.last_numbers(one.number for one in lines))


def _limits(bench: Bench) -> Mapping[WaitsFor, int]:
    text = bench.shop_files.text("settings", "agenda")
    return LIMITS if text is None else read_limits(text)


def _unfinished(
    bench: Bench, lines: Sequence[CaseLine], book: MoneyBook, things: ThingsBook, today: str
) -> dict[int, Case]:
    """The cases that are not done with, in their order. A closed one is done with, unless it is not paid,
    money is to be returned, things of the customer are not back, or copies are still there that should be
    gone."""
    chosen, past = [], []
    for one in lines:
        if one.state != CaseState.CLOSED or book.of(one.number).owes or things.holds(one.number):
            chosen.append(one.number)
        elif one.keep_until and one.keep_until < today:
            past.append(one.number)
    chosen += [case.number for case in bench.ledger.cases_named(past).values() if _holds_copies(bench, case)]
    cases = bench.ledger.cases_named(chosen)
    return {number: cases[number] for number in sorted(chosen)}


def _holds_copies(bench: Bench, case: Case) -> bool:
    return any(bench.images.exists(case, one.bay) for one in bench.ledger.bays(case.number))


@dataclass(frozen=True, slots=True)
class _Kept:
    """What was worked out of a case.

    Args:
        day: when.
        lessons: the number of the last outcome that the odds may rest on. What a case closed today teaches
            counts here from tomorrow on: else every closing would have all others weighed anew.
        likely: the likeliest faults.
        raw: the same as it was remembered.
    """

    chore: Chore
    day: str
    lessons: int
    likely: tuple[Likely, ...]
    raw: Mapping[str, Any]

    @classmethod
    def read(cls, kept: Any) -> _Kept | None:
        """None if it is none."""
        try:
            likely = tuple(Likely(**one) for one in kept["likely"])
            return cls(Chore(**kept["chore"]), str(kept["day"]), int(kept["lessons"]), likely, kept)
        except (KeyError, TypeError, ValueError):
            return None


class _Gathering:
    """Gathers what is on record of each case; triage that was worked out before on the same record is not
    worked out again.

    Args:
        many: of many cases, so that all that is remembered is read at once.
    """

    def __init__(
        self, bench: Bench, shop: WholeShop, today: str, weigh: Weigh, *, many: bool = False
    ) -> None:
        self._bench, self._shop, self._today, self._weigh = bench, shop, today, weigh
        self._chores: ChoreTable = packaged_chores()
        self._lessons = bench.notes.last_number(kind=NoteKind.OUTCOME)
        self._withdrawn = bench.notes.last_number(kind=NoteKind.WITHDRAWAL)
        self._before = bench.remembered.recall() if many and weigh in STEPS else None
        self._told: dict[str, Any] = {}
        self.likely: tuple[Likely, ...] = ()
        """Of the case that was looked at last."""
        self.not_yet: list[int] = []
        self.outdated: list[int] = []
        self._in_triage: set[int] = set()

    def forget_others(self, books: Mapping[str, Any]) -> None:
        """Once every case was seen: what belongs to none is remembered no longer, nor what triage said of one
        that it has nothing more to say of.

        Args:
            books: what is remembered of all cases at once.
        """
        if self._weigh is Weigh.ANEW and self._before is not None:
            kept = {**books, **self._told}
            if kept.keys() != self._before.keys():
                self._bench.remembered.keep(kept)
        elif self._before is not None:
            for case in {case_of(key) for key in self._before} - self._in_triage - {0}:
                self._bench.remembered.forget(case)

    def _recalled(self, key: str) -> _Kept | None:
        before = self._before if self._before is not None else self._bench.remembered.some([key])
        return _Kept.read(before.get(key))

    def open_case(self, case: Case, place: int, total: int) -> OpenCase:
        if self._weigh is Weigh.ANEW:
            self._bench.tell(StepProgress("weighing", place, total, f"case {case.number}"))
        waits = waits_of(self._bench, case, self._shop)
        done = case.state in (CaseState.CLOSED, CaseState.HANDED_BACK)
        if done and (all(map(is_fetch, waits)) or self._is_to_erase(case)):  # no bill keeps copies longer
            return self._of_done(case, waits)
        due_for = "needed by" if case.due_on else ""
        if any(one.who is WaitsFor.MACHINE and not one.told for one in waits) and (
            asked := self._bench.asked_by_works(case.number)
        ):
            return self._asked(case, due_for, asked)
        if waits:
            nudge = None
            if self._weigh is not Weigh.NOTHING:
                nudge = self._chore(NUDGES[waits[0].who], case, self._worth(case), waits[0].what)
            due = ("", "") if done else (case.due_on, due_for)  # what was due is done
            return OpenCase(case.number, *due, waits, nudge=nudge)
        chore = self._ours(case) if self._weigh in STEPS else None
        return OpenCase(case.number, case.due_on, due_for, chore=chore)

    def _asked(self, case: Case, due_for: str, asked: Sequence[AskedByWork]) -> OpenCase:
        """A drive is being read, and nothing goes on before a person does something for it."""
        first = max(asked, key=lambda one: one.presses)
        chore = None
        if self._weigh is not Weigh.NOTHING:
            name = "answer-reading" if first.presses else "end-rest"
            chore = self._chore(name, case, self._worth(case), self._asked_words(case, first))
        return OpenCase(case.number, case.due_on, due_for, chore=chore, presses=first.presses)

    def _asked_words(self, case: Case, asked: AskedByWork) -> str:
        """What it asks for; but that the drive is left without power, where by what is known now it gets
        none."""
        if not asked.bay or self._weigh not in STEPS:
            return asked.text
        from mendbay.jobs.power_permit import harm_of_power  # arrays: only where a drive waits

        if asked.bay not in harm_of_power(self._bench, case.number, [asked.bay]):
            return asked.text
        return LEAVE_OFF.replace("{bay}", asked.bay)

    def _returning(self, case: Case) -> Chore | None:
        """Giving back what was paid beyond the bill."""
        amount = self._shop.money.get(case.number, SETTLED).to_return
        if not amount:
            return None
        row = self._chores.rows["return-money"].chore(case.number, 0.0)
        bare = amount.split(" ")[0]
        return replace(
            row,
            words=row.words.replace("{amount}", amount),
            command=row.command.replace("{amount}", bare),
        )

    def _of_done(self, case: Case, fetch: tuple[Wait, ...]) -> OpenCase:
        """The files are copied out: what is left is to bring them to the customer, to close the case, to keep
        no copy longer than agreed, and to hand over what the customer left. What they were asked to fetch is
        waited for instead of handed over."""
        if self._is_to_erase(case):
            chore = self._chore("erase", case, 0.0)
            return OpenCase(case.number, case.keep_until, "copies kept until", chore=chore)
        if returning := self._returning(case):
            return OpenCase(case.number, chore=returning)
        if case.state is CaseState.CLOSED and not fetch:
            return OpenCase(case.number, chore=self._of_things(case))
        if case.state is CaseState.HANDED_BACK and (self._weigh in STEPS or fetch):
            chore = self._to_customer(case)
            if not fetch or chore.id != HAND_OUT:
                return OpenCase(case.number, chore=chore if self._weigh in STEPS else None)
        if not fetch:
            return OpenCase(case.number)
        nudge = None
        if self._weigh is not Weigh.NOTHING:
            nudge = self._chore("ask-to-fetch", case, 0.0, fetch[0].what.removeprefix(FETCH_WORDS))
        return OpenCase(case.number, waits=fetch, nudge=nudge)

    def _is_to_erase(self, case: Case) -> bool:
        kept_until = case.keep_until
        return bool(kept_until) and kept_until < self._today and _holds_copies(self._bench, case)

    def _of_things(self, case: Case) -> Chore | None:
        """Of a closed case: hand over what is here, to whoever is to have it; then ask what became of what
        was sent away, until it is back or the customer has it."""
        if self._weigh is Weigh.NOTHING:
            return None
        here, sent = parted(things_here(self._bench, case.number))
        if here:
            from mendbay.jobs.learn_triage import outcome_of  # of triage: only where a thing is here

            outcome = outcome_of(self._bench, case.number)
            on = outcome is not None and outcome.end is End.SENT_ON
            return self._chore("send-things-on" if on else "give-things-back", case, 0.0, things_words(here))
        return self._chore("ask-after-things", case, 0.0, things_words(sent)) if sent else None

    def _to_customer(self, case: Case) -> Chore:
        """A copy is first checked on the customer's medium, then handed out with the things; what went out
        can be checked here no more. Without a hand-back on record there is nothing to check. What was agreed
        on is billed before the case is closed."""
        from mendbay.jobs.reached_customer import since_hand_back  # papers and arrays: only where one is

        since = since_hand_back(self._bench, case.number)
        quote = self._shop.money.get(case.number, SETTLED).to_bill
        if not since.made_on or since.has_left:
            if quote:
                return self._chore("make-bill", case, 0.0, f"quote {quote}")
            return self._chore("close", case, 0.0)
        about = [NO_MEDIUM] if since.out is not None else []
        about += [f"quote {quote} is not billed yet"] if quote else []
        about += self._left_open(case)
        name = HAND_OUT if since.checked_on else "check-copy"
        return self._chore(name, case, self._worth(case), "; ".join(about))

    def _left_open(self, case: Case) -> list[str]:
        """What of a case whose files are copied out could still be more: the customer is to know of it before
        they take the copy for all there is."""
        images = {one.bay: one for one in self._shop.images.get(case.number, ())}
        found = []
        for bay in self._shop.bays.get(case.number, ()) if images else ():  # else they were read elsewhere
            image = images.get(bay.bay)
            if image is None:
                found.append(f"the drive of bay {bay.bay} was never read")
            elif image.unread_bytes:
                told = image.read_bytes + image.refused_bytes + image.waived_bytes + image.unread_bytes
                found.append(f"{percent_text(image.unread_bytes, told)} of bay {bay.bay} is not read")
        found += [
            f"quote {one.number} is not answered" for one in self._shop.money.get(case.number, SETTLED).quotes
        ]
        return found

    def _ours(self, case: Case) -> Chore | None:
        if returning := self._returning(case):
            return returning
        bays = self._shop.bays.get(case.number, ())
        if case.kind is CaseKind.ENQUIRY:
            return self._chore("answer-enquiry", case, self._worth(case))
        if case.kind in LOOSE_BOARD:
            return self._of_loose_board(case, bays)
        images = self._shop.images.get(case.number, ())
        if _complete(bays, images) and (seen := self._seen(case)) is not False:
            look = "see-files" if stands_alone(case, bays) else "pair-look"
            chore = self._chore("hand-back" if seen else look, case, self._worth(case))
            return replace(chore, words=chore.words.replace("{read}", _read_words(bays, images)))
        return self._of_triage(case, bays, images)

    def _of_loose_board(self, case: Case, bays: tuple[Bay, ...]) -> Chore:
        """What is left to be done at it; once nothing is, the job is over."""
        from mendbay.jobs.board_step import board_stands  # the sheet's tables: only where a board is

        stands = board_stands(self._bench, case)
        if stands.done:
            quote = self._shop.money.get(case.number, SETTLED).to_bill
            if quote:
                return self._chore("make-bill", case, 0.0, f"quote {quote}")
            return self._chore("close", case, 0.0)
        chore = self._chore("see-to-board", case, self._worth(case), "; ".join(stands.open))
        return replace(chore, command=f"board sheet {case.number} {bays[0].bay}") if bays else chore

    def _seen(self, case: Case) -> bool | None:
        """As `volume_seen`."""
        signs = standing_notes(self._bench, NoteKind.SIGN, case.number)
        return volume_seen(self._bench.ledger.events(case.number), signs)

    def _chore(self, name: str, case: Case, worth: float, about: str = "") -> Chore:
        return self._chores.rows[name].chore(case.number, worth, about)

    def _worth(self, case: Case) -> float:
        """What the case's data is worth: as triage was told, or as it takes it."""
        return stakes_in(self._shop.subjects.get(case.number, ())).data

    def _of_triage(self, case: Case, bays: tuple[Bay, ...], images: tuple[Image, ...]) -> Chore | None:
        self._in_triage.add(case.number)
        key = self.key(case, bays, images)
        kept = self._recalled(key)
        if kept is not None and (kept.lessons == self._lessons or kept.day == self._today):
            self._told[key], self.likely = kept.raw, kept.likely
            return kept.chore
        if self._weigh is Weigh.KNOWN:
            (self.not_yet if kept is None else self.outdated).append(case.number)
            self.likely = () if kept is None else kept.likely
            return None if kept is None else kept.chore
        from mendbay.jobs.triage_case import tell_triage  # arrays: not for what was worked out before

        try:
            told = tell_triage(self._bench, case.number)
            chore = self._asked_first(
                self._to_try(told) or self._board_to_fit(told) or self._weighed(told), told
            )
        except UsageError as trouble:  # such as three bays and none chosen
            return self._chore("cannot-weigh", case, self._worth(case), trouble.what)
        if chore.id in OF_IMAGES and (unread := _unread_words(bays, images)):
            chore = replace(chore, words=f"{chore.words} {unread}")
        self.likely = _likely(told)
        self._told[key] = {
            "chore": asdict(chore),
            "day": self._today,
            "lessons": self._lessons,
            "likely": [asdict(one) for one in self.likely],
        }
        self._bench.remembered.add({key: self._told[key]}, case.number)
        return chore

    def _asked_first(self, chore: Chore, told: Triage) -> Chore:
        """A step as triage proposes it; take-in in its place while nobody was asked anything, or while it is
        of one drive and nobody said which came. What asking is worth is not reckoned: it ranks as the step
        that it goes before. That a drive gets no power is said whatever was asked."""
        by_odds = chore.command.startswith("triage ") and not (told.keep_off or told.closed_boards)
        if by_odds and is_unasked(self._bench, told.case):
            return replace(chore, id=TAKE_IN, words=ASK_FIRST, command=f"case take-in {told.case}")
        if by_odds and told.assumed and "--bay" in chore.command.split():
            return replace(chore, id=TAKE_IN, words=SAY_BAYS, command=f"case take-in {told.case}")
        return chore

    def _to_try(self, told: Triage) -> Chore | None:
        """Trying a repair that was made; where its board's sheet keeps power away, that is measured anew
        first. None where a drive gets no power for another reason, the customer refused power, or the drive
        came ready since by another repair of its board."""
        from mendbay.jobs.hand_repairs import (
            BOARD_REPAIRS,
            boards_that_work,
        )  # the stock: only where triage is

        ready = boards_that_work(self._bench, told.case) if told.untried else {}
        for one in told.untried:
            if one.step.id in BOARD_REPAIRS and one.bay in ready:
                continue
            shut = [each for each in told.closed_boards if one.bay in ("", each.bay)]
            if any(one.bay in ("", each.bay) for each in told.keep_off):
                continue
            if shut:
                row = self._chores.rows["measure-anew"].chore(told.case, told.stakes.data)
                words = _after_stop(told, f"{row.words} (bay {shut[0].bay})")
                return replace(row, words=words, command=f"{row.command} {shut[0].bay}")
            needed = tuple(each for each in one.step.consents if each == POWER)
            if refused(told.consents) & set(needed):
                continue
            row = self._chores.rows["try-repair"].chore(told.case, told.stakes.data)
            asked = to_ask(needed, told.consents)
            about = " and about ".join(each.title for each in asked)
            first = f"Ask the customer about {about}; then: " if asked else ""
            what = one.done or one.step.words.rstrip(".")
            where = f" (bay {one.bay})" if one.bay else ""
            command = f"case consent {told.case}" if asked else row.command
            words = _after_stop(told, f"{first}{row.words}: {what}{where}")
            return replace(row, words=words, command=command)
        return None

    def _board_to_fit(self, told: Triage) -> Chore | None:
        """Fitting the board to which the ROM of a drive was moved, until a swap of that bay is noted, its
        drive is read or asked about itself, or somebody says whether it is detected; None where a drive gets
        no power, or the customer refused it."""
        from mendbay.board.transfer_plan import Purpose  # arrays: only where triage is weighed
        from mendbay.jobs.board_step import tried_since_certified
        from mendbay.jobs.certify_rom import certificates_kept

        if told.keep_off or refused(told.consents) & set(FITTING):
            return None
        for bay in told.subject.bays if not told.assumed else ():
            kept = certificates_kept(self._bench, told.case, bay)
            if not kept or kept[-1].purpose is not Purpose.TRANSFER or kept[-1].withdrawn:
                continue
            if not tried_since_certified(self._bench, told.case, bay):
                chore = self._chores.rows["fit-board"].chore(told.case, told.stakes.data)
                asked = to_ask(FITTING, told.consents)
                about = " and about ".join(one.title for one in asked)
                first = f"Ask the customer about {about}; then: " if asked else ""
                command = f"case consent {told.case}" if asked else f"{chore.command} {bay}"
                return replace(chore, words=f"{first}{chore.words} (bay {bay})", command=command)
        return None

    def key(self, case: Case, bays: tuple[Bay, ...], images: tuple[Image, ...]) -> str:
        """Stands for all that triage of the case rests on: the case's record, its last note and event, its
        images as they lie there, what was withdrawn and learned in the whole shop, and the tables."""
        made_of = (
            FORM,
            _tables_digest(),
            case,
            bays,
            images,
            [self._shop.glance(self._bench, case, one.bay) for one in bays],
            self._shop.last_notes.get(case.number, 0),
            self._shop.last_events.get(case.number, 0),
            self._shop.reserved.get(case.number, ()),
            self._withdrawn,
        )
        return key_of(case.number, hashlib.sha256(repr(made_of).encode()).hexdigest())

    def _weighed(self, told: Triage) -> Chore:
        """The first step of triage as a chore. A test is told with what its answer saves against going on
        without it, as triage tells it; a repair with what it saves against handing the job on at once, its
        own time not counted. By that over the minutes both rank: a test with all that it is on the way to. A
        safe test that comes before a step which may do harm takes part in what that step saves, and the
        minutes of both are counted."""
        first = told.offers[0]
        if first.step.kind is StepKind.HAND_ON:
            return self._handing_on(told, first)
        after = next((one for one in told.offers if not one.before), first)
        end = min(one.total for one in told.offers if one.step.kind is StepKind.HAND_ON)
        minute = float(told.belief.worlds.tables.minute_cost.value)
        minutes = self._minutes(first)
        own = minute * float(after.step.minutes.value)
        gain = max(0.0, end - after.total + own)
        words, command = _step_words(told, first)
        source = first.step.minutes.source
        if first.step.kind is StepKind.TEST:
            way = gain / (minutes + (self._minutes(after) if first.before else 0.0))
            saves = max(0.0, first.saves)
            return Chore(first.step.id, words, command, None, saves, minutes, source, True, way)
        chance = None if first.solves <= 0 else min(1.0, first.solves)
        value = gain if chance is None else gain / chance
        return Chore(first.step.id, words, command, chance, value, minutes, source)

    def _handing_on(self, told: Triage, first: Offer) -> Chore:
        """Against leaving everything as it lies: the data it gives less what it costs; at least what ending a
        job is worth."""
        gives = first.solves * told.stakes.data - float(first.step.money.value)
        least = self._chores.rows["end-job"].chore(told.case, told.stakes.data)
        weighs_more = gives > least.value and first.solves > 0
        return Chore(
            first.step.id,
            *_step_words(told, first),
            min(1.0, first.solves) if weighs_more else least.chance,
            gives / first.solves if weighs_more else least.value,
            self._minutes(first),
            first.step.minutes.source,
        )

    def _minutes(self, offer: Offer) -> float:
        alone = self._chores.alone.get(offer.step.id)
        return max(1.0, float((alone or offer.step.minutes).value))


def _likely(told: Triage) -> tuple[Likely, ...]:
    faults = told.belief.worlds.tables.faults
    ranked = told.belief.ranked()[:LIKELIEST]
    return tuple(Likely(faults[place.fault].words, place.bay, chance) for place, chance in ranked)


def _step_words(told: Triage, offer: Offer) -> tuple[str, str]:
    """What to do, and the command that leads to it: the customer is asked before a step that needs it."""
    words = _after_stop(told, offer.step.words_of(offer.bay))
    asked = to_ask(offer.step.consents, told.consents)
    if offer.step.kind is StepKind.HAND_ON and told.speak_again:
        first = told.speak_again[0]
        about = " and about ".join(risk_called(one).title for one in first.consents)
        return (
            f"Speak to the customer again about {about}. If they refuse: {words}",
            f"triage show {told.case}",
        )
    if asked:
        about = " and about ".join(one.title for one in asked)
        return f"Ask the customer about {about}; then: {words}", f"case consent {told.case}"
    return words, f"triage step {told.case} {offer.step.id}" + (f" --bay {offer.bay}" if offer.bay else "")


def _after_stop(told: Triage, words: str) -> str:
    """What to do, behind the drives that are to get no power meanwhile."""
    off = sorted({*(one.bay for one in told.keep_off), *(one.bay for one in told.closed_boards)})
    many = "drives of bays" if len(off) > 1 else "drive of bay"
    return f"STOP, no power for the {many} {' and '.join(off)}. {words}" if off else words


def _unread_words(bays: tuple[Bay, ...], images: tuple[Image, ...]) -> str:
    """Which drives are not read to the end, as a sentence; empty if all are."""
    read = {one.bay: one for one in images}
    never = [one.bay for one in bays if one.bay not in read]
    partly = [one.bay for one in bays if one.bay in read and read[one.bay].unread_bytes]
    parts = [f"bay {' and bay '.join(partly)} only in part"] if partly else []
    parts += [f"bay {' and bay '.join(never)} not yet"] if never else []
    return f"Read so far: {', '.join(parts)}." if parts else ""


def _complete(bays: tuple[Bay, ...], images: tuple[Image, ...]) -> bool:
    """Whether every bay has an image of which nothing is unread."""
    done = {one.bay for one in images if one.read_bytes > 0 and one.unread_bytes == 0}
    return bool(bays) and all(one.bay in done for one in bays)


def _read_words(bays: tuple[Bay, ...], images: tuple[Image, ...]) -> str:
    """How much of drives that were read to the end is in their images, by the last figures noted."""
    last = {one.bay: one for one in images}
    refused = sum(
        -(-last[one.bay].refused_bytes // (one.sector_bytes or SECTOR_BYTES))
        for one in bays
        if one.bay in last
    )
    if refused:
        return f"Read to the end, {counted(refused, 'sector')} refused"
    if any(one.waived_bytes for one in last.values()):
        return "Read to the end, free space left out on purpose"
    return "The image is complete" if len(bays) == 1 else "The images are complete"


@cache
def _tables_digest() -> str:
    return hashlib.sha256(repr((packaged_texts(), packaged_chores())).encode()).hexdigest()
