"""A bill held against what is on record of the work: what is done and on no line of it, and which of its
lines nothing on record shows as done. Neither is wrong by itself; a person decides."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import ROUND_CEILING

from mendbay.case.bill import Bill
from mendbay.case.price_list import Stage
from mendbay.case.quote import Line, Quote
from mendbay.core.errors import UsageError
from mendbay.jobs.bench import Bench
from mendbay.jobs.quote_lines import prices_in_force, work_words
from mendbay.jobs.quote_parts import OWN_PART, STOCK
from mendbay.jobs.work_on_record import AGAIN, BOTH, ONE, DoneWork, OnRecord, on_record
from mendbay.triage.table_file import packaged_tables
from mendbay.triage.tables import StepKind


@dataclass(frozen=True, slots=True)
class Shown:
    """Work that is on record as done, beside a quote.

    Args:
        key: of the work.
        words: of its line in the quote; where it has none, of the price list.
        rests_on: what tells of it.
        lines: keys of the lines of the quote that are it, any of which bills it; empty if it has none.
    """

    key: str
    words: str
    rests_on: str
    lines: tuple[str, ...]

    @property
    def text(self) -> str:
        return f"“{self.words}” ({self.rests_on})"


@dataclass(frozen=True, slots=True)
class AgainstRecord:
    """
    Args:
        shown: all work that is on record as done.
        unbilled: what of it is on no line of the bill.
        unshown: lines of the bill that are work, parts or a medium, and that nothing on record shows as done;
            each as its key and words.
    """

    shown: tuple[Shown, ...]
    unbilled: tuple[Shown, ...]
    unshown: tuple[tuple[str, str], ...]


def work_shown(bench: Bench, case: int, quote: Quote) -> tuple[Shown, ...]:
    """The work of a case that is on record as done, with the lines of a quote that are it.

    Raises:
        NoSuchCase: there is no such case.
        BadFormFile: work has no line in the quote, and the price list is not sound.
        LedgerError: a note is not one that Mendbay wrote.
    """
    return tuple(_shown(bench, quote, on_record(bench, case)))


def held_against(bench: Bench, case: int, quote: Quote, bill: Bill | None) -> AgainstRecord:
    """A bill of a quote, held against the record; None for one that cannot be made. Raises as `work_shown`
    does."""
    recorded = on_record(bench, case)
    shown = tuple(_shown(bench, quote, recorded))
    if bill is None:
        return AgainstRecord(shown, (), ())
    billed = {one.key for one in bill.lines}
    unbilled = tuple(one for one in shown if billed.isdisjoint(one.lines))
    known = {key for one in shown for key in one.lines}
    unshown = tuple(
        (one.key, one.words)
        for one in bill.lines
        if one.key not in known and _would_be_noted(one.key, one.stage, recorded)
    )
    return AgainstRecord(shown, unbilled, unshown)


def require_decided(found: AgainstRecord, not_done: Collection[str]) -> None:
    """Refuses a bill as long as nobody said of work that is done and not on it that it is left off.

    Raises:
        UsageError: such work, with what it rests on.
    """
    left = [one for one in found.unbilled if not {one.key, *one.lines} & set(not_done)]
    if not left:
        return
    keys = ", ".join(one.lines[0] if one.lines else one.key for one in left)
    anew = "" if all(one.lines for one in left) else " What the quote has no line for needs a new quote."
    raise UsageError(
        f"On record as done and not on the bill: {'; '.join(one.text for one in left)}.",
        f"Say of each whether it is billed or left off, --done KEY=AMOUNT or --not-done KEY: {keys}.{anew}",
    )


def _shown(bench: Bench, quote: Quote, recorded: OnRecord) -> Iterator[Shown]:
    room = Counter[str]()  # picked work holds as many as were picked
    for line in quote.lines:
        room[_stem(line)] += int(line.quantity.to_integral_value(ROUND_CEILING))
    for one in _as_quoted(quote, recorded):
        lines = _lines_of(quote, one, room)
        words = lines[0].words if lines else work_words(prices_in_force(bench), one, recorded)
        yield Shown(one.key, words, one.rests_on, tuple(each.key for each in lines))
        for item in one.items:
            part = quote.line(f"{STOCK}:{item}")
            if part is not None:
                yield Shown(part.key, part.words, f"used up: {one.rests_on}", (part.key,))


def _as_quoted(quote: Quote, recorded: OnRecord) -> Iterator[DoneWork]:
    """The work that is done; both readings each by itself where the quote has them so."""
    steps = {_step_of(line.key) for line in quote.lines}
    for one in recorded.done:
        if one.step == BOTH and BOTH not in steps and ONE in steps:
            for bay in sorted(recorded.read):
                yield replace(one, step=ONE, bay=bay)
        else:
            yield one


def _lines_of(quote: Quote, one: DoneWork, room: Counter[str]) -> Sequence[Line]:
    """The lines that are a work: of its bay, else picked, else of a reading whatever the shop has priced as
    one itself."""
    keys = {one.key, one.key.removesuffix(AGAIN)}
    own = [line for line in quote.lines if line.key.removesuffix(OWN_PART) in keys]
    if own:
        return own
    same = [line for line in quote.lines if _step_of(line.key) == one.step and ":picked-" in line.key]
    if not same and one.step in (ONE, BOTH):
        steps = packaged_tables().steps
        return [
            line
            for line in quote.lines
            if line.stage is Stage.READING and _step_of(line.key) not in steps and room[_stem(line)] > 0
        ]
    stem = next((_stem(line) for line in same if room[_stem(line)] > 0), "")
    room[stem] -= one.times
    return [line for line in same if stem and _stem(line) == stem]


def _stem(line: Line) -> str:
    return line.key.removesuffix(OWN_PART)


def _step_of(key: str) -> str:
    return key.partition(":")[0]


def _would_be_noted(key: str, stage: Stage, recorded: OnRecord) -> bool:
    """Whether the record would show a line as done if it was: work and parts, and a medium once files are
    handed back. Of an hour, the examination or shipping nothing is noted."""
    step = packaged_tables().steps.get(_step_of(key))
    if step is not None:
        return step.kind is not StepKind.HAND_ON or stage is Stage.LABORATORY
    return _step_of(key) == STOCK or (stage is Stage.MEDIA and not recorded.handed_back)
