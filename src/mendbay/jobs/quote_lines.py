"""What goes into a quote: the shop's prices, the work that the job may need, parts from the stock, and what
was picked by hand."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import ROUND_CEILING, Decimal
from functools import lru_cache

from mendbay.case.price_list import Price, PriceList, Stage, packaged_prices, quantity_of, read_prices
from mendbay.case.quote import BOARD_ALONE, DIAGNOSIS, Columns, Ending, Possible, When
from mendbay.case.records import Case, CaseKind
from mendbay.core.errors import BadFormFile, UsageError
from mendbay.core.quantity import count_text
from mendbay.jobs.bench import Bench
from mendbay.jobs.consents import consents_of, refused, risk_called
from mendbay.jobs.hand_repairs import BOARD_REPAIRS
from mendbay.jobs.quote_parts import with_parts
from mendbay.jobs.quote_readings import both_once, one_by_one, one_or_both, read_once
from mendbay.jobs.read_so_far import read_so_far
from mendbay.jobs.triage_case import tell_belief
from mendbay.jobs.work_on_record import BOTH, MEND, ONE, SWAP, DoneWork, OnRecord, on_record
from mendbay.triage.next_step import NextStep
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.tables import StepKind
from mendbay.triage.ways import Way, ways_of

SETTINGS, PRICES = "settings", "prices"
"""Kind and name of the shop's file."""
LARGEST_GB = 10**7
DRIVES = 2
"""Of which a reading of both is, where no bay is described yet."""
NAMED = 5
"""Prices that are named as still invented; of more the number is told (own choice)."""
ENQUIRY_ALONE = (
    "It covers the answer to the question alone: no drive is here, so work on one is quoted when it is."
)
HANDED_BACK = "The files were copied out on {day}: no more work is expected; further work is picked by hand."
EXAMPLE_PRICES = "The prices are those of an example: they are invented."


@dataclass(frozen=True, slots=True)
class Wish:
    """What a quote is to be made of.

    Args:
        lines: ids of the price list, each with a quantity as typed.
        media_gb: how much is to be handed back, in 10^9 bytes; 0 for no medium.
        shipping: whether it is sent.
        odds: whether what triage believes goes in; of an enquiry nothing does, as nothing is on the bench.
            Work that is picked as well stands once, as picked, or as done if it is; it may be needed on
            another drive besides.
    """

    lines: tuple[tuple[str, str], ...] = ()
    media_gb: int = 0
    shipping: bool = False
    odds: bool = True


def prices_in_force(bench: Bench) -> PriceList:
    """The shop's own price list; our example until it has one. A copy of the example whose amounts nobody
    has changed is still the example's: its prices are invented. Of a list of the shop's own those
    are that still cost what they cost in the example.

    Raises:
        BadFormFile: it is not sound, or prices a step that is no work.
    """
    return price_list_of(bench.shop_files.text(SETTINGS, PRICES))


@lru_cache(8)
def price_list_of(text: str | None) -> PriceList:
    """The price list in the text of the shop's own file; our example for None. One text is read once: many
    pages ask for it.

    Raises:
        BadFormFile: it is not sound, or prices a step that is no work.
    """
    example = read_prices(packaged_prices(), own=False)
    found = example if text is None else read_prices(text, own=True)
    found = found.held_against(example)
    steps = packaged_tables().steps
    for name in found.work:
        if name not in steps or steps[name].kind is StepKind.TEST:
            known = ", ".join(one.id for one in steps.values() if one.kind is not StepKind.TEST)
            raise BadFormFile(
                f"settings/prices.toml, work {name!r}: there is no such work in triage",
                f"Use one of: {known}",
            )
    return found


def columns_of(bench: Bench, case: int, prices: PriceList, wish: Wish) -> tuple[Columns, list[str]]:
    """The columns of a quote to be, and what must be said with it. Work that is on record as done is in it as
    sure, and what can no longer be needed is not; of a loose board work on boards alone is.

    Raises:
        NoSuchCase: there is no such case.
        UsageError: nothing to quote, something the price list lacks, work that the customer refused, or work
            on a drive where a board alone is here.
    """
    if not (wish.odds or wish.lines or wish.media_gb or wish.shipping):
        raise UsageError("Nothing is to be quoted.", "Pick lines, or leave the odds in.")
    record, recorded, no = bench.ledger.case(case), on_record(bench, case), refused(consents_of(bench, case))
    _require_not_refused(bench, case, prices, wish)
    _require_possible(record, recorded, prices, wish)
    endings: tuple[Ending, ...] = (Ending(1.0, frozenset(), True),)
    works, remarks = list[Possible](), list[str]()
    if wish.odds and record.kind is CaseKind.ENQUIRY:
        remarks.append(ENQUIRY_ALONE)
    elif wish.odds and recorded.loose:
        endings, works = _of_loose_board(prices, record.kind, recorded, no)
    elif wish.odds and recorded.handed_back:
        remarks.append(HANDED_BACK.format(day=recorded.handed_back))
    elif wish.odds:
        endings, works, remarks = _from_odds(bench, case, prices, recorded)
        remarks += _begun(bench, case, prices, recorded, {one.key for one in works}, wish)
    done = [
        _done(prices, one, recorded)
        for one in recorded.done
        if wish.odds and one.step in prices.work and not _refused_of(one, no)
    ]
    picked, apart = both_once(prices, wish.lines)
    drives = len(recorded.bays) or DRIVES
    if wish.odds:
        picked, each = one_by_one(prices, picked, recorded)
        apart += each
        known = read_once(prices, picked, works, endings, drives)
        picked, works, endings = known.lines, list(known.works), known.endings
        apart = [*apart, *known.said]
    lines, merged = _once(prices, picked, recorded, works if wish.odds else None, endings)
    works = [one for one in works if one.key not in merged.gone]
    works, instead = one_or_both([*done, *works, *_picked(prices, replace(wish, lines=lines))], drives)
    works, uncounted = with_parts(bench, case, prices, works, endings)
    possible = [_always(DIAGNOSIS, prices.diagnosis), *works]
    remarks += [BOARD_ALONE] if recorded.loose else []
    remarks += [*uncounted, *apart, *merged.said, *instead, *_told_done(prices, recorded, wish, no)]
    if not prices.own:
        remarks.append(EXAMPLE_PRICES)
    else:
        remarks += _still_invented(prices, possible)
    return Columns(possible, endings, prices.free, prices.included, prices.currency), remarks


@dataclass(frozen=True, slots=True)
class _Merged:
    """What stands once though it was picked and is known besides.

    Args:
        gone: keys of lines that the picked ones take the place of.
        said: what must be said of it, as sentences.
    """

    gone: frozenset[str]
    said: tuple[str, ...]


def _once(
    prices: PriceList,
    lines: Sequence[tuple[str, str]],
    recorded: OnRecord,
    works: Sequence[Possible] | None,
    endings: Sequence[Ending],
) -> tuple[tuple[tuple[str, str], ...], _Merged]:
    """The picked lines without what is on record as done, and what they take the place of: of chances for
    the same work the likeliest, as many as were picked.

    Args:
        works: what may be needed; None where neither that nor what is done goes in.
    """
    if works is None:
        return tuple(lines), _Merged(frozenset(), ())
    left = Counter[str]()
    for work in recorded.done:
        left[work.step] += work.times
        left[ONE] += len(recorded.read) if work.step == BOTH else 0
    kept, gone, said = list[tuple[str, str]](), set[str](), list[str]()
    for name, typed in lines:
        quantity = quantity_of(typed or "1", prices.picked(name).words)
        mine = min(Decimal(left[name]), quantity)
        left[name] -= int(mine.to_integral_value(ROUND_CEILING))
        if mine:
            said.append(f"“{prices.picked(name).words}” is done already: what was picked of it is that.")
        if quantity == mine:
            continue
        kept.append((name, f"{quantity - mine:f}"))
        same = [one for one in works if _step_of(one) == name and one.key not in gone]
        likely = sorted(same, key=lambda one: -sum(it.chance for it in endings if one.key in it.needs))
        taken = likely[: int((quantity - mine).to_integral_value(ROUND_CEILING))]
        gone |= {one.key for one in taken}
        said += [f"“{one.words}” may be needed and was picked: it stands once, as picked." for one in taken]
    return tuple(kept), _Merged(frozenset(gone), tuple(dict.fromkeys(said)))


def _step_of(work: Possible) -> str:
    return work.key.partition(":")[0]


def _done(prices: PriceList, one: DoneWork, recorded: OnRecord) -> Possible:
    """Work that is done, as sure."""
    work = _work(prices, one.step, "", one.key)
    words, times = work_words(prices, one, recorded), Decimal(one.times)
    return replace(work, words=words, quantity=times, when=When.DONE, needed_by=frozenset())


def _refused_of(one: DoneWork, no: frozenset[str]) -> str:
    """What the customer refused of work that is done; empty if nothing."""
    return next((it for it in packaged_tables().steps[one.step].consents if it in no), "")


def _told_done(prices: PriceList, recorded: OnRecord, wish: Wish, no: frozenset[str]) -> Iterator[str]:
    """What the lines of work that is done rest on; or that it is left out."""
    picked = Counter(name for name, _ in wish.lines)
    for one in recorded.done:
        words = work_words(prices, one, recorded)
        if one.step not in prices.work:
            yield f"{words} is done and has no price in the list ({one.rests_on})."
        elif wish.odds and (against := _refused_of(one, no)):
            yield f"{words} is done and not counted: the customer refused {risk_called(against).title}."
        elif wish.odds:
            yield f"{words} is done: {one.rests_on}."
        elif not picked[one.step]:
            yield f"{words} is on record as done and not in it: {one.rests_on}."
        else:
            picked[one.step] -= 1


def work_words(prices: PriceList, one: DoneWork, recorded: OnRecord) -> str:
    """Work in the words of the price list; where that lacks it, in those of triage. A board alone lies in no
    bay, though its pictures and measurements have one."""
    listed = prices.work.get(one.step)
    words = listed.words if listed else packaged_tables().steps[one.step].words.rstrip(".")
    return f"{words} (bay {one.bay})" if one.bay and not recorded.loose else words


def _of_loose_board(
    prices: PriceList, kind: CaseKind, recorded: OnRecord, no: frozenset[str]
) -> tuple[tuple[Ending, ...], list[Possible]]:
    """How work on a board alone may end: what came to be mended is, and another board is fitted where that
    does not help (by the chance in the tables that it does); what came to be replaced is. What the customer
    refused is in no way."""
    steps, bay = packaged_tables().steps, recorded.bays[0] if len(recorded.bays) == 1 else ""
    wanted = (MEND, SWAP) if kind is CaseKind.BOARD_REPAIR else (SWAP,)
    left = [one for one in wanted if not no & set(steps[one].consents) and recorded.may_be_needed(one, bay)]
    works = [_work(prices, one, "", f"{one}:{bay}" if bay else one) for one in left]
    first, both = frozenset(one.key for one in works[:1]), frozenset(one.key for one in works)
    if first == both:
        return (Ending(1.0, first, True),), works
    helps = float(steps[MEND].fixes["board-supply"].value)
    return (Ending(helps, first, True), Ending(1 - helps, both, True)), works


def _require_possible(case: Case, recorded: OnRecord, prices: PriceList, wish: Wish) -> None:
    """Refuses picked work on a drive where a board alone is here."""
    for name, _ in wish.lines if recorded.loose else ():
        price = prices.picked(name)
        if not for_a_board(price, prices):
            raise UsageError(
                f"“{price.words}” cannot be quoted: case {case.number} is of a board alone, without a drive.",
                f"Leave it out. Once the drive came, mendbay case tell {case.number} kind drive says so.",
            )


def for_a_board(price: Price, prices: PriceList) -> bool:
    """Whether something of the list can be for a board alone: no work on a box or a drive, no reading, and
    no laboratory."""
    if price.id in prices.work:
        return price.id in BOARD_REPAIRS
    return price.stage not in (Stage.READING, Stage.LABORATORY)


def _still_invented(prices: PriceList, possible: Sequence[Possible]) -> Iterator[str]:
    """Which prices of the lines are those of our example, in a list that has others of the shop's own."""
    words = list(dict.fromkeys(one.price.words for one in possible if one.price.id in prices.invented))
    if words:
        more = len(words) - NAMED
        named = "; ".join(words[:NAMED]) + (f"; and {count_text(more)} more" if more > 0 else "")
        yield f"Prices that are still those of an example, and invented: {named}."


def _require_not_refused(bench: Bench, case: int, prices: PriceList, wish: Wish) -> None:
    """Refuses picked work that the customer said no to."""
    no, steps = refused(consents_of(bench, case)), packaged_tables().steps
    for name, _ in wish.lines:
        against = sorted(no & set(steps[name].consents)) if name in steps else []
        if against:
            raise UsageError(
                f"The customer refused {risk_called(against[0]).title}, "
                f"which “{prices.picked(name).words}” needs.",
                f"Leave it out, or put down that they agree now: "
                f"mendbay case consent {case} {against[0]} yes",
            )


def _from_odds(
    bench: Bench, case: int, prices: PriceList, recorded: OnRecord
) -> tuple[tuple[Ending, ...], list[Possible], list[str]]:
    """How the job may end, the work it may need, and what must be said of it."""
    told = tell_belief(bench, case)
    ways = ways_of(NextStep(told.belief, told.stakes, refused(told.consents))).ways
    needs = [tuple(_needs(one, recorded)) for one in ways]
    works = {key: _work(prices, step, bay, key) for one in needs for key, step, bay in one}
    endings = tuple(
        Ending(way.chance, frozenset(key for key, _, _ in one), way.given)
        for way, one in zip(ways, needs, strict=True)
    )
    remarks = (
        []
        if told.is_examined
        else ["Nothing is known yet of what is broken: the odds are those of any case."]
    )
    return endings, list(works.values()), remarks


def _begun(
    bench: Bench, case: int, prices: PriceList, recorded: OnRecord, keys: set[str], wish: Wish
) -> Iterator[str]:
    """Of each drive that is read in part, whether a line is for that reading: it is work that was done, and
    triage may not want any more of it.

    Args:
        keys: of the work that may be needed.
    """
    picked = any(name in (ONE, BOTH) for name, _ in wish.lines)
    for one in read_so_far(bench, case):
        if one.bay in recorded.read:
            continue
        so_far = f"The drive of bay {one.bay} is read in part ({one.share})"
        if picked or keys & {BOTH, f"{ONE}:{one.bay}"}:
            yield f"{so_far}: the reading named here is that one gone on with, and is charged once."
        elif ONE in prices.work:
            yield (
                f"{so_far}, and no line is for it: pick “{prices.work[ONE].words}” by hand if it is to be "
                "charged."
            )


def _needs(way: Way, recorded: OnRecord) -> Iterator[tuple[str, str, str]]:
    """(key, step, bay) of the work of a way, as far as it may still be needed."""
    for one in way.taken:
        for step, bay in recorded.instead(one.step.id, one.bay) if one.made else ():
            if recorded.may_be_needed(step, bay):
                yield f"{step}:{bay}" if bay else step, step, bay
    if way.end is not None:
        yield way.end.id, way.end.id, ""


def _work(prices: PriceList, step: str, bay: str, key: str) -> Possible:
    if step not in prices.work:
        raise UsageError(
            f"The price list has no price for the work {step!r}, which this job may need.",
            'Add it to settings/prices.toml under [[work]]; fixed = "0.00" if it is free.',
        )
    price = prices.work[step]
    words = f"{price.words} (bay {bay})" if bay else price.words
    return Possible(key, words, price, Decimal(1), When.NEEDED, frozenset({key}))


def _picked(prices: PriceList, wish: Wish) -> list[Possible]:
    """What was picked by hand."""
    found: list[Possible] = []
    for number, (name, typed) in enumerate(wish.lines, 1):
        price = prices.picked(name)
        when = When.GIVEN if price.stage is Stage.MEDIA else When.ALWAYS
        key = f"{name}:picked-{number}" if name in prices.work else f"{name}:{number}"
        found.append(Possible(key, price.words, price, quantity_of(typed or "1", price.words), when))
    if wish.media_gb:
        if not 0 < wish.media_gb <= LARGEST_GB:
            raise UsageError(f"{wish.media_gb} GB cannot be handed back.", "Give the size in GB.")
        medium = prices.medium_for(wish.media_gb)
        found.append(Possible("medium", medium.words, medium, Decimal(1), When.GIVEN))
    if wish.shipping:
        found.append(_always("shipping", prices.shipping))
    return found


def _always(key: str, price: Price) -> Possible:
    return Possible(key, price.words, price, Decimal(1), When.ALWAYS)
