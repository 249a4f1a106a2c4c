"""Close a case with what was found, and open it again."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from mendbay.board.swap_odds import Purpose
from mendbay.board.transfer_plan import Purpose as Transfer
from mendbay.case.hand_over import Role
from mendbay.case.outcome import DataBack, End, Found, Outcome, to_json
from mendbay.case.personal import REMARK
from mendbay.case.records import WITHOUT_DRIVE, Case, CaseKind, CaseState
from mendbay.core.errors import UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.core.quantity import chance_text
from mendbay.jobs.authority import concern
from mendbay.jobs.bench import Bench
from mendbay.jobs.bill_case import account_of
from mendbay.jobs.certify_rom import certificates_kept
from mendbay.jobs.copies_erased import copies_erased_on
from mendbay.jobs.hand_repairs import CameOf, repairs_made
from mendbay.jobs.keep_copies import CLOSED, CLOSING, HAND_BACK, keep_since_closing, keep_while_open
from mendbay.jobs.keep_items import number_items
from mendbay.jobs.learn_triage import AT_CLOSING, OUTCOME, at_closing, closed_cases, learned, outcome_of
from mendbay.jobs.nameless import require_nameless
from mendbay.jobs.practice import practice_cases
from mendbay.jobs.reached_customer import SinceHandBack, manifest_on_record, reached, since_hand_back
from mendbay.jobs.record_swaps import last_swaps_of
from mendbay.jobs.remembered import remembered
from mendbay.jobs.things_here import parted, things_here, things_words
from mendbay.jobs.triage_case import Believed, answer_words, possible_places, tell_belief
from mendbay.jobs.withdraw import require_reason, standing_notes, subject_of, withdraw
from mendbay.triage.next_step import INSIDE
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.worlds import Place

LIKELY = 0.5
"""Chance from which what triage believes is worth suggesting (own choice)."""
BROKEN_BOARD = ("board-supply", "motor-driver", "rom-mismatch")
"""Faults that another board can put right."""
OF_BOX = ("adapter", "box-board", "connectors", "fan")
"""Faults of the box itself; the others that no drive has are of what is stored and of the way to it."""
SIGNS_SHOWN = 3
"""Signs that are named where they speak against the end (own choice)."""

NO_HAND_BACK = "no hand-back is on record"


@dataclass(frozen=True, slots=True)
class Hint:
    """Something the case says of its end.

    Args:
        words: as a sentence.
        found: what may have been broken by it, as it is typed.
        end, data: how the case may have ended by it; None where it does not say.
    """

    words: str
    found: tuple[str, ...] = ()
    end: End | None = None
    data: DataBack | None = None


@dataclass(frozen=True, slots=True)
class Closing:
    """What can be said of the end of a case.

    Args:
        outcome: as it was closed; None while it is open.
        hints: what the case itself says of it.
        missing: what is not done or not said yet, as sentences.
        unproven: what is not on record of the way of the files to the customer, such as `no medium with it
            left the shop`: closing it as handed back takes a reason then. Empty if nothing is missing, or
            the kind of case hands no files back.
        against: which signs speak against what was said to be broken, and how to put either right.
        teaches_not: why the odds learn nothing from it; empty if they do, or while it is open.
    """

    case: Case
    outcome: Outcome | None
    hints: tuple[Hint, ...]
    missing: tuple[str, ...]
    teaches_not: str = ""
    against: tuple[str, ...] = ()
    unproven: str = ""

    @property
    def teaches(self) -> str:
        """Whether the odds of later cases learn from how it ended, as a sentence."""
        return self.teaches_not or "The odds of later cases learn from it."

    @property
    def end(self) -> End | None:
        """What became of the job: as was said, else by the first hint that tells; None where none does."""
        if self.outcome is not None:
            return self.outcome.end
        return next((one.end for one in self.hints if one.end), None)

    @property
    def data(self) -> DataBack | None:
        """The same of how much of the wanted data the customer has."""
        if self.outcome is not None:
            return self.outcome.data
        return next((one.data for one in self.hints if one.data), None)


def look_at_closing(bench: Bench, number: int) -> Closing:
    """What the case says of its own end, and what is missing.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
        LedgerError: a note is not one that Mendbay wrote.
    """
    case = remembered(bench, number)
    told = _triage(bench, number)
    hints = tuple(_hints(bench, number, told))
    outcome = outcome_of(bench, number)
    since = since_hand_back(bench, number)
    missing = (
        *_missing(case, hints, told, outcome),
        *_on_the_way(bench, case, since, outcome),
        *_unclear_right(bench, case),
        *_unpaid(bench, number),
        *_reserved(bench, number),
        *_still_here(bench, number, outcome),
        *_kept_for_ever(bench, case, outcome),
    )
    against = () if outcome is None or told is None else tuple(_against(case, told, outcome))
    return Closing(
        case,
        outcome,
        hints,
        missing,
        _teaches_not(bench, case, outcome, told),
        against,
        _unproven(case, since),
    )


def places_of(bench: Bench, number: int) -> tuple[tuple[str, str], ...]:
    """What can be said to have been broken in a case, as it is typed (`heads:1`) and in words; nothing for a
    case with more bays than can be judged together.

    Raises:
        NoSuchCase: there is no such case.
    """
    faults = packaged_tables().faults
    return tuple(
        (
            Found(one.fault, one.bay).text,
            f"bay {one.bay}: {faults[one.fault].words}" if one.bay else faults[one.fault].words,
        )
        for one in _places(bench, number)
    )


def places_by_part(bench: Bench, number: int) -> tuple[tuple[str, tuple[tuple[str, str], ...]], ...]:
    """The same in parts, each under its name: what of the box, of its data and of each bay can be said to
    have been broken; no part is empty, and words of a bay's part do not name the bay again.

    Raises:
        NoSuchCase: there is no such case.
    """
    faults = packaged_tables().faults
    parts: dict[str, list[tuple[str, str]]] = {}
    for one in _places(bench, number):
        other = "the box" if one.fault in OF_BOX else "the data and the way to it"
        part = parts.setdefault(f"bay {one.bay}" if one.bay else other, [])
        part.append((Found(one.fault, one.bay).text, faults[one.fault].words))
    return tuple((name, tuple(places)) for name, places in parts.items())


def _places(bench: Bench, number: int) -> tuple[Place, ...]:
    try:
        return possible_places(bench, number)
    except UsageError:  # more bays than can be judged together
        return ()


def close_case(bench: Bench, number: int, outcome: Outcome, although: str = "") -> Closing:
    """Closes a case; closing it again puts right what was said before.

    Args:
        outcome: its remark without the customer's name.
        although: why it ended with the files handed back though nothing on record says that they reached the
            customer: no hand-back, no copy of it that was checked, or no medium that left the shop. Custody
            keeps it, so it does not name the customer.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: it names a fault or bay that the case has not, its remark names the customer or seems to
            hold a password, or the files are said to be handed back, their way to the customer is not on
            record and no reason is given, or one is given where none is needed.
    """
    case = remembered(bench, number)
    require_nameless(case, outcome.remark)
    told = _triage(bench, number)
    _require_places(case, told, outcome)
    ends_so = outcome.end is End.HANDED_BACK
    unproven = _unproven(case, since_hand_back(bench, number)) if ends_so else ""
    if unproven:
        _require_meant(case, unproven, although)
    elif although:
        raise UsageError(
            f"A reason for closing case {number} as handed back all the same has no effect: "
            f"{_why_no_reason(case, outcome)}.",
            "Leave --although-no-hand-back out.",
        )
    before = outcome_of(bench, number)
    with bench.ledger.together():
        if case.kind is not CaseKind.ENQUIRY:
            number_items(bench, number)  # what is still here is followed from now on
        if not copies_erased_on(bench, case):  # of what is gone nothing is kept until a day
            keep_since_closing(bench, case)
        _withdraw_what_it_taught(bench, number, "closed again")
        _note(bench, number, NoteKind.OUTCOME, OUTCOME, to_json(outcome))
        if told is not None and not _untypical(case, told):
            # what was answered after a repair is of a box that is no longer as it came in
            as_it_came = told.belief.before_repairs
            answers = {(asked.sign, asked.bay): one for asked, one in as_it_came.items()}
            _note(bench, number, NoteKind.SUBJECT, AT_CLOSING, at_closing(told.subject, answers))
        words = outcome_words(outcome)
        if unproven:
            words += f"; although {unproven}: {although.strip()}"
        bench.custody(number, "closed" if before is None else "closed again", f"case {number}: {words}")
        text = f"{CLOSED} {words}.{f' {outcome.remark}' if outcome.remark else ''}"
        bench.note(number, CLOSING, text, {REMARK: outcome.remark})
        bench.ledger.amend_case(number, state=CaseState.CLOSED)
    return look_at_closing(bench, number)


def _unproven(case: Case, since: SinceHandBack) -> str:
    """What is not on record of the way of the files to the customer; empty if all of it is, or the kind of
    case has none. Who signed for it does not count here: a parcel comes without a paper."""
    if case.kind in WITHOUT_DRIVE:
        return ""
    if not since.made_on:
        return NO_HAND_BACK
    lacks = [] if since.checked_on else ["no copy of the hand-back was checked on another medium"]
    lacks += [] if since.has_left else ["no medium with it left the shop"]
    return " and ".join(lacks)


def _why_no_reason(case: Case, outcome: Outcome) -> str:
    """Why closing needs no reason for files that nothing shows to have reached the customer."""
    if outcome.end is not End.HANDED_BACK:
        return f"it does not end with {End.HANDED_BACK}"
    if case.kind in WITHOUT_DRIVE:
        return "its kind needs none"
    return "a hand-back is on record, with a copy that was checked and a medium that went out"


def _require_meant(case: Case, unproven: str, reason: str) -> None:
    """Refuses to close with files handed back of whose way to the customer something is not on record, unless
    a reason is given.

    Args:
        unproven: what that is.
    """
    meant = "--end names another end; or --although-no-hand-back REASON, which custody keeps."
    if not reason.strip() and unproven == NO_HAND_BACK:
        raise UsageError(
            f"No hand-back of case {case.number} is on record, so nothing proves that files went back.",
            f"mendbay handback make {case.number} FOLDER makes one; {meant}",
        )
    if not reason.strip():
        raise UsageError(
            f"Nothing proves that the customer of case {case.number} has the files: {unproven}.",
            "mendbay handback check FOLDER checks the copy on their medium, and mendbay case release "
            f"{case.number} ITEM --to customer puts down that the medium went out; {meant}",
        )
    require_reason(reason, "closed as handed back")
    require_nameless(case, reason)


def _against(case: Case, told: Believed, outcome: Outcome) -> Iterator[str]:
    """What triage believes of a closed case, where nothing of it was said to be broken: a slip in either
    would teach the odds what is not so."""
    if not outcome.known or not _was_told(told):
        return
    said = {(one.fault, one.bay) for one in outcome.found}
    inside = told.belief.worlds.tables.groups.get(INSIDE, ())
    now = told.belief.ranked()
    believed = {(place.fault, place.bay): told.belief for place, chance in now if chance >= LIKELY}
    for place, before in told.belief.mended().items():  # it was broken when the case came in
        if before.fault(place.fault, place.bay) >= LIKELY:
            believed.setdefault((place.fault, place.bay), before)
    for off in told.keep_off:
        if not said & {(one, off.bay) for one in inside}:
            signs = "; ".join(answer_words(told.belief, one) for one in off.reasons[:SIGNS_SHOWN])
            yield _query(case, outcome, f"damage inside the drive of bay {off.bay}", off.chance, signs)
    kept_off = {one.bay for one in told.keep_off}
    for (fault, bay), belief in believed.items():
        if said & believed.keys() or (bay in kept_off and fault in inside):
            continue
        moved = [one for one in belief.moved(fault, bay) if one.bits > 0]
        signs = "; ".join(answer_words(belief, one) for one in moved[:SIGNS_SHOWN])
        since = "" if belief is told.belief else ", which a repair has mended since,"
        yield _query(case, outcome, f"{Found(fault, bay).text}{since}", belief.fault(fault, bay), signs)


def _was_told(told: Believed) -> bool:
    """Whether anything was told to triage, also if a repair has overtaken it."""
    return bool(told.known or told.belief.before_repairs)


def _query(case: Case, outcome: Outcome, what: str, chance: float, signs: str) -> str:
    closed = ", ".join(one.text for one in outcome.found) or "nothing broken"
    because = f" ({signs})" if signs else ""
    return (
        f"Is that so? It was closed with {closed}, and triage believes in {what} with {chance_text(chance)}"
        f"{because}. If a sign was put down wrongly, mendbay triage untell {case.number} SIGN takes it back; "
        "then, or if the end is wrong, close the case again."
    )


def reopen_case(bench: Bench, number: int, reason: str) -> Case:
    """Opens a closed case again: how it ended counts no longer, and stays on record.

    Args:
        reason: without the customer's name.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: it is not closed, or no reason is given.
    """
    require_reason(reason, "opened again")
    case = bench.ledger.case(number)
    notes = standing_notes(bench, NoteKind.OUTCOME, number, "", OUTCOME)
    if case.state is not CaseState.CLOSED and not notes:
        raise UsageError(
            f"Case {number} is not closed: it is {case.state}.",
            f"mendbay case close {number} shows what it says of its end.",
        )
    with bench.ledger.together():
        withdraw(bench, map(subject_of, notes), number, "", reason)
        _withdraw_what_it_taught(bench, number, reason)
        bench.custody(number, "opened again", f"case {number}")
        bench.note(number, CLOSING, f"Opened again. {reason.strip()}")
        keep_while_open(bench, case)
        handed_back = any(one.kind == HAND_BACK for one in bench.ledger.events(number))
        return bench.ledger.amend_case(number, state=CaseState.HANDED_BACK if handed_back else CaseState.OPEN)


def _withdraw_what_it_taught(bench: Bench, number: int, reason: str) -> None:
    """What triage knew when the case was closed before teaches no more."""
    taught = standing_notes(bench, NoteKind.SUBJECT, number, "", AT_CLOSING)
    if taught:
        withdraw(bench, map(subject_of, taught), number, "", reason)


def outcome_words(outcome: Outcome) -> str:
    """How a case ended, in a line."""
    if not outcome.known:
        broken = "what was broken is not known"
    elif not outcome.found:
        broken = "nothing was broken"
    else:
        broken = f"broken: {', '.join(one.text for one in outcome.found)}"
    doubt = ", likely" if outcome.known and not outcome.sure else ""
    return f"{outcome.end}; data: {outcome.data}; {broken}{doubt}"


def _triage(bench: Bench, number: int) -> Believed | None:
    """What triage knows of a case; None of one with more bays than it can judge together."""
    try:
        return tell_belief(bench, number)
    except UsageError:
        return None


def _untypical(case: Case, told: Believed) -> str:
    """Why a case tells nothing of how often boxes and drives fail so; empty if it does."""
    if case.kind in WITHOUT_DRIVE:
        return f"A case of the kind {case.kind} tells nothing of how boxes and drives fail"
    if told.assumed and not told.known:
        return "Neither a bay is described nor anything told to triage"
    return ""


def _require_places(case: Case, told: Believed | None, outcome: Outcome) -> None:
    """Refuses what the tables do not know, or what the case has not."""
    if not outcome.found:
        return
    if told is None:
        raise UsageError(
            f"Case {case.number} has more bays than can be judged together.",
            f"mendbay triage about {case.number} --bays 1,2 names the one or two that count.",
        )
    places = told.belief.worlds.places
    for one in outcome.found:
        if one.bay and told.assumed:
            raise UsageError(
                f"No bay of case {case.number} is described yet.",
                f"mendbay case bay {case.number} {one.bay}=MODEL/SERIAL does that (both may be left out).",
            )
        if Place(one.fault, one.bay) not in places:
            known = dict.fromkeys(f"{it.fault}:BAY" if it.bay else it.fault for it in places)
            raise UsageError(
                f"Case {case.number} has no fault {one.text[:60]!r}.",
                f"Use one of: {', '.join(known)}; bays: {', '.join(told.subject.bays)}.",
            )


def _hints(bench: Bench, number: int, told: Believed | None) -> Iterator[Hint]:
    for certificate in certificates_kept(bench, number):
        if certificate.purpose is Transfer.TRANSFER and not certificate.withdrawn:
            yield Hint(
                f"Bay {certificate.bay}: a ROM transfer is certified, so its board was replaced.",
                tuple(f"{one}:{certificate.bay}" for one in BROKEN_BOARD),
            )
    for bay in bench.ledger.bays(number):
        yield from _of_swaps(bench, number, bay.bay)
    yield from _of_repairs(bench, number, told)
    handed = [one for one in bench.ledger.events(number) if one.kind == "hand-back"]
    if handed:
        data = _data_of(handed[-1].facts)
        yield Hint(f"{handed[-1].text} That is {data} of what was chosen.", (), End.HANDED_BACK, data)
    if told is not None:
        for place, chance in told.belief.ranked()[:2]:
            if chance >= LIKELY:
                words = f"Triage holds one thing for likely ({chance_text(chance)}), not for sure."
                yield Hint(words, (Found(place.fault, place.bay).text,))


def _of_swaps(bench: Bench, number: int, bay: str) -> Iterator[Hint]:
    for body in last_swaps_of(bench, number, bay):
        board = body["purpose"] == Purpose.BOARD_SWAP
        what = "another board" if board else "a head transplant"
        if body["worked"]:
            names = BROKEN_BOARD if board else ("heads",)
            yield Hint(f"Bay {bay}: {what} helped.", tuple(f"{one}:{bay}" for one in names))
        else:
            yield Hint(f"Bay {bay}: {what} did not help.")


def _of_repairs(bench: Bench, number: int, told: Believed | None) -> Iterator[Hint]:
    """What repairs by hand say of what was broken: one that helped put that right, which triage therefore
    holds for broken no more."""
    places = told.belief.worlds.places if told is not None else ()
    steps = packaged_tables().steps
    for one in repairs_made(bench, number):
        where = f"Bay {one.bay}: " if one.bay else ""
        if one.came_of is CameOf.NOT_TRIED or one.step not in steps:
            continue
        helped = one.came_of is CameOf.READY
        mended = [
            each for each in places if each.fault in steps[one.step].fixes and each.bay in ("", one.bay)
        ]
        found = tuple(Found(each.fault, each.bay).text for each in mended) if helped else ()
        yield Hint(f"{where}{one.words}.", found)


def _data_of(facts: object) -> DataBack:
    """How much a hand-back gave, by its count of files: all of them whole, most, or a part (own choice:
    most is nine in ten whole or unproven)."""
    tally = {key: it for key, it in facts.items() if isinstance(it, int)} if isinstance(facts, dict) else {}
    total = sum(tally.values())
    given = tally.get("whole", 0) + tally.get("unproven", 0)
    if total and given == total:
        return DataBack.ALL
    if total and 10 * given >= 9 * total:
        return DataBack.MOST
    return DataBack.PART if given or tally.get("holed", 0) else DataBack.NONE


def _missing(
    case: Case, hints: Sequence[Hint], told: Believed | None, outcome: Outcome | None
) -> Iterator[str]:
    if told is None:
        yield "Triage cannot judge more than two bays together: it does not know which count."
    elif not _was_told(told) and (outcome is None or outcome.known):
        yield "Nothing was told to triage: the odds learn which faults there are, and not how they show."
    handed = any(one.end is End.HANDED_BACK for one in hints)
    meant = outcome is None or outcome.end is End.HANDED_BACK
    if meant and not handed and case.kind not in WITHOUT_DRIVE:
        yield "Mendbay made no hand-back of this case."


def _on_the_way(bench: Bench, case: Case, since: SinceHandBack, outcome: Outcome | None) -> Iterator[str]:
    """What does not say yet that the files of the last hand-back reached the customer."""
    if case.kind in WITHOUT_DRIVE or not since.made_on:
        return
    if outcome is not None and outcome.end is not End.HANDED_BACK:
        return
    lacks = reached(bench, case.number, manifest_on_record(bench, case.number)).missing
    on_its_way = since.out is not None and since.has_left and since.out.role is not Role.CUSTOMER
    if lacks and not (on_its_way and since.checked_on):
        yield f"Nothing proves yet that the customer has the files. What is missing: {'; '.join(lacks)}."


def _unpaid(bench: Bench, number: int) -> Iterator[str]:
    account = account_of(bench, number)
    if account.quote is not None and account.bill is None:
        yield (
            f"Quote {account.quote.number} is accepted and nothing is billed: "
            f"mendbay case bill {number} makes the bill of what was done."
        )
    due, paid = account.due, account.paid
    if due is not None and due.minor > 0:
        yield f"{due.text} of its bill are not paid: the day's work goes on telling it."
    if due is not None and due.minor < 0:
        yield f"{(-due).text} are to be returned to the customer: the day's work goes on telling it."
    if due is None and paid is not None and paid.minor > 0:
        yield f"{paid.text} were paid and there is no bill that counts: bill it, or return it."


def _reserved(bench: Bench, number: int) -> Iterator[str]:
    """What of the stock is still kept for the case, as nobody said what became of it."""
    for item in bench.shelf.reserved(number):
        yield (
            f"Item {item.number} of the stock ({item.full_name}) is still reserved for it. If it was tried, "
            f"mendbay donor used {item.number} {number} BAY OUTCOME puts down how that went; if not, "
            f"mendbay donor free {item.number} puts it back on the shelf."
        )


def _still_here(bench: Bench, number: int, outcome: Outcome | None) -> Iterator[str]:
    """What of the customer's nobody handed over yet, and what is with a laboratory or on its way."""
    here, sent = parted(things_here(bench, number))
    ended = outcome is not None and outcome.end is End.SENT_ON
    if here and ended:
        yield (
            f"The job is sent on, and these things of the customer are still here: {things_words(here)}. "
            f"mendbay case release {number} ITEM --to lab hands them over."
        )
    elif here:
        lab = "" if outcome else f"; if the job is sent on: mendbay case release {number} ITEM --to lab"
        yield (
            f"Of the customer's things these are not back: {things_words(here)}. "
            f"mendbay case release {number} ITEM --to customer hands them over{lab}."
        )
    if sent:
        yield (
            f"Of the customer's things these are sent away: {things_words(sent)}. Once the case is closed, "
            "the day's work asks what became of them: "
            f"mendbay case receive {number} ITEM --from lab says that one is back, and "
            f"mendbay case item-move {number} ITEM customer that the customer has it."
        )


def _kept_for_ever(bench: Bench, case: Case, outcome: Outcome | None) -> Iterator[str]:
    """That nothing ends the keeping of copies of a closed case: no day ran from its closing."""
    if outcome is not None and not case.keep_until and not copies_erased_on(bench, case):
        yield (
            "No day is put down until which its copies are kept: "
            f"mendbay case keep {case.number} counts the days from when it was closed."
        )


def _unclear_right(bench: Bench, case: Case) -> Iterator[str]:
    """Nobody's right to data that may be given back is on record, or it is not clear."""
    if case.kind not in WITHOUT_DRIVE and (words := concern(bench, case.number)):
        yield words


def _teaches_not(bench: Bench, case: Case, outcome: Outcome | None, told: Believed | None) -> str:
    """Why the odds learn nothing from a closed case; empty if they do."""
    if outcome is None:
        return ""
    mine = tuple(one for one in closed_cases(bench) if one.number == case.number)
    if case.number in practice_cases(bench):
        reason = "It was for practice: a simulated drive or chip was read"
    elif not outcome.known:
        reason = "It is not known what was broken"
    elif told is None:
        reason = "More than two bays cannot be judged together"
    elif not mine:
        reason = _untypical(case, told) or "It could not teach when it was closed (close it again)"
    else:
        return "; ".join(learned(mine).counts.left_out)
    return f"{reason}: the odds of later cases learn nothing from it."


def _note(bench: Bench, case: int, kind: NoteKind, subject: str, body: str) -> None:
    bench.notes.add(Note(case, "", kind, subject, bench.now(), bench.who, body))
