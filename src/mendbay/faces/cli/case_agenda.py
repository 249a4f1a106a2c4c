"""`mendbay case today`, `waiting`, `wait`, `go-on`, `in-hand`, `due` and `list`: whose turn each case is."""

from __future__ import annotations

from collections.abc import Mapping

import click

from mendbay.case.agenda import Chore, Entry, Wait, WaitsFor
from mendbay.case.records import Case, CaseState
from mendbay.core.errors import UsageError
from mendbay.core.quantity import count_text
from mendbay.faces import wording
from mendbay.faces.agenda_words import HEADS, figures_words, wait_words
from mendbay.faces.cli.asked_option import CUSTOMER_ASKED
from mendbay.faces.cli.screen import Screen, table, wrapped
from mendbay.jobs.agenda import Day, tell_agenda
from mendbay.jobs.in_hand import holders_of, lay_down, take_over
from mendbay.jobs.shop_currency import shop_currency
from mendbay.jobs.waiting import TELLABLE, WORDS, go_on, set_due, wait
from mendbay.wiring import open_bench

SHOWN = 12
"""Steps that are listed; `--all` and `--json` give every one."""
NAME_COLUMN = 24
CASE = click.argument("case", type=int)


@click.command(name="today")
@click.option("--all", "everything", is_flag=True, help="Every step, not the first dozen alone.")
@click.pass_obj
def today(screen: Screen, everything: bool) -> None:
    """Say what to do today, across all cases: late ones first, then what is worth most a minute."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        day = tell_agenda(bench)
        currency = shop_currency(bench)
        holders = holders_of(bench, day.cases.values())
    agenda = day.agenda
    shown = agenda.steps if everything else agenda.steps[:SHOWN]
    lines = [f"Today, {agenda.day}: {wording.counted(len(agenda.steps), 'case')} to do something for."]
    for place, head in HEADS.items():
        chosen = [one for one in shown if one.place == place]
        if chosen:
            lines += ["", head]
        for one in chosen:
            lines += _step_lines(day, one, currency, holders.get(one.case.number, ""))
    left = len(agenda.steps) - len(shown)
    if left:
        lines += ["", f"And {count_text(left)} more: {wording.called_as()} case today --all"]
    if agenda.waiting:
        lines += ["", "Waiting", *_waiting_lines(day, holders)]
    first = next((one.chore for one in agenda.steps if one.chore is not None), None)
    if first is not None:
        lines += ["", f"Next: {wording.called_as()} {first.command}"]
    elif not agenda.waiting:
        lines.append(f"Next: {wording.called_as()} case open CUSTOMER")
    screen.answer(
        {
            "day": agenda.day,
            "steps": [_entry_json(day, one, holders) for one in agenda.steps],
            "waiting": [_entry_json(day, one, holders) for one in agenda.waiting],
        },
        "\n".join(lines),
    )


@click.command(name="waiting")
@click.pass_obj
def waiting(screen: Screen) -> None:
    """Say what waits for whom, late ones first."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        day = tell_agenda(bench, steps=False)
        holders = holders_of(bench, day.cases.values())
    lines = _waiting_lines(day, holders) or ["No case waits for anybody."]
    lines.append(f"Next: {wording.called_as()} case today")
    screen.answer([_entry_json(day, one, holders) for one in day.agenda.waiting], "\n".join(lines))


@click.command(name="wait")
@CASE
@click.argument("who", type=click.Choice([one.value for one in TELLABLE]))
@click.argument("what", metavar="FOR-WHAT")
@click.option("--until", default="", metavar="DAY", help="The day it is expected, like 2026-12-24.")
@click.option(
    "--although-refused",
    default="",
    metavar="REASON",
    help="A part, though the customer refused using parts up; custody keeps the reason.",
)
@CUSTOMER_ASKED
@click.pass_obj
def wait_(
    screen: Screen, case: int, who: str, what: str, until: str, although_refused: str, customer_asked: bool
) -> None:
    """Say that CASE waits for the customer, a part or a machine, and FOR-WHAT.

    What the customer is waited for stands in letters and reminders as it is typed here.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        now = wait(bench, case, WaitsFor(who), what, until, although=although_refused, asked=customer_asked)
    by = f", expected by {until}" if until else ""
    lines = [
        wrapped(f"Case {case} waits for {WORDS[WaitsFor(who)]}: {what.strip()}{by}."),
        f"Next, once it is there: {wording.called_as()} case go-on {case}",
    ]
    screen.answer(_state_json(now, who, what.strip(), until), "\n".join(lines))


@click.command(name="go-on")
@CASE
@click.argument("remark", default="")
@click.option("--all", "everything", is_flag=True, help="Also not for what is on record, like an open quote.")
@click.pass_obj
def go_on_(screen: Screen, case: int, remark: str, everything: bool) -> None:
    """Say that CASE waits no longer for what was told with `wait`.

    A quote, a bill or a part that is on record is waited for until it is answered, paid or there, unless
    --all says that this too is settled.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        done = go_on(bench, case, remark, everything=everything)
    called, first = wording.called_as(), done.waits[:1]
    if done.noted:
        lines = [f"Case {case} goes on."]
    elif done.waits:
        lines = [wrapped(f"Nothing was told that case {case} waits for, so nothing was noted.")]
    else:
        lines = [f"Case {case} waits for nothing; nothing was noted."]
    lines += [wrapped(f"It still waits for {WORDS[one.who]}: {one.what}.") for one in done.waits]
    if done.waits:
        lines.append(wrapped(f"Next, once that is settled: {called} case go-on {case} --all"))
    else:
        lines.append(f"Next: {called} triage show {case}")
    turn, what = (str(first[0].who), first[0].what) if first else ("us", remark.strip())
    screen.answer(_state_json(done.case, turn, what, first[0].until if first else ""), "\n".join(lines))


@click.command(name="in-hand")
@CASE
@click.option("--none", "none", is_flag=True, help="Nobody has it in hand any more.")
@click.pass_obj
def in_hand(screen: Screen, case: int, none: bool) -> None:
    """Say that you have CASE in hand from now on: MENDBAY_WHO, or your account's name.

    The list of cases and the day's work show who has which; it bars nobody from anything.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        before = (lay_down if none else take_over)(bench, case)
        now = "" if none else bench.who
    if before == now:
        said = f"Case {case}: {now or 'nobody'} has it in hand already; nothing was noted."
    elif none:
        said = f"Nobody has case {case} in hand now; it was {before}."
    else:
        said = f"{now} has case {case} in hand now{f'; it was {before}' if before else ''}."
    answer = {"case": case, "in_hand": now or None, "before": before or None}
    screen.answer(answer, wrapped(said))


@click.command(name="due")
@CASE
@click.argument("day", default="")
@click.option("--none", "none", is_flag=True, help="There is no deadline any more.")
@click.pass_obj
def due(screen: Screen, case: int, day: str, none: bool) -> None:
    """Set the DAY by which the customer needs CASE, like 2026-12-24."""
    if bool(day) == none:
        raise UsageError("Neither a day nor --none is given, or both.", "Give one: 2026-12-24, or --none.")
    with open_bench(screen.home, tell=screen.tell) as bench:
        now = set_due(bench, case, day)
    said = f"Case {case} is due on {now.due_on}." if now.due_on else f"Case {case} has no deadline."
    screen.answer({"case": case, "due_on": now.due_on or None}, said)


@click.command(name="list")
@click.option("--open", "only_open", is_flag=True, help="Only cases that are worked on, or wait.")
@click.option("--waiting", "only_waiting", is_flag=True, help="Only cases that wait for somebody else.")
@click.option("--overdue", "only_late", is_flag=True, help="Only cases that are late.")
@click.option("--mine", "only_mine", is_flag=True, help="Only cases that you have in hand.")
@click.pass_obj
def list_(screen: Screen, only_open: bool, only_waiting: bool, only_late: bool, only_mine: bool) -> None:
    """List the cases, all or some, with deadline and whose turn each is."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        day = tell_agenda(bench, steps=False)
        cases = bench.ledger.cases()
        holders, me = holders_of(bench, cases), bench.who
    entries = {one.case.number: one for one in day.agenda.entries}
    chosen = [
        one
        for one in cases
        if (not only_open or one.state in (CaseState.OPEN, CaseState.WAITING))
        and (not only_waiting or (one.number in entries and entries[one.number].case.waits))
        and (not only_mine or holders.get(one.number) == me)
        and (not only_late or (one.number in entries and entries[one.number].late))
    ]
    rows = [_list_row(one, entries.get(one.number)) for one in chosen]
    head = ("case", "opened", "state", "due", "turn", "customer", "what it is")
    if rows:
        text = table(rows, head, right=(0,))
        if any(one.number in entries and entries[one.number].late for one in chosen):
            text += f"\n! late; {wording.called_as()} case today says why"
        held = [f"{one.number} {holders[one.number]}" for one in chosen if one.number in holders]
        text += "\n" + wrapped(f"In hand: {'; '.join(held)}") if held else ""
    elif cases:
        asked = {"open": only_open, "waiting": only_waiting, "late": only_late, "in your hand": only_mine}
        words = " and ".join(word for word, is_asked in asked.items() if is_asked)
        text = f"No case is {words}.\nNext: {wording.called_as()} case list"
    else:
        text = f"There is no case yet.\nNext: {wording.called_as()} case open CUSTOMER"
    screen.answer([_list_json(one, entries.get(one.number), holders) for one in chosen], text)


# ---------------------------------------------------------------------- words


def _step_lines(day: Day, entry: Entry, currency: str, holder: str) -> list[str]:
    assert entry.chore is not None
    case = day.cases[entry.case.number]
    state = "; ".join(entry.late)
    if not state and entry.case.due_on:
        state = f"due {entry.case.due_on}"
    state = "; ".join(filter(None, (state, f"in hand: {holder}" if holder else "")))
    name = _short(case.customer, NAME_COLUMN)
    lines = [wrapped(f"{case.number:4}  {name}{f' ({state})' if state else ''}", "", "      ")]
    lines.append(wrapped(entry.chore.words, "      ", ""))
    figures = filter(None, (figures_words(entry.chore, currency), entry.chore.command))
    lines.append(wrapped("; ".join(figures), "      ", ""))
    return lines


def _waiting_lines(day: Day, holders: Mapping[int, str]) -> list[str]:
    lines: list[str] = []
    for entry in day.agenda.waiting:
        case = day.cases[entry.case.number]
        late = ", LATE" if entry.late else ""
        holder = f"; in hand: {holders[case.number]}" if case.number in holders else ""
        lines.append(
            wrapped(f"{case.number:4}  {_short(case.customer, NAME_COLUMN)}{late}{holder}", "", "      ")
        )
        lines += [wrapped(wait_words(one, day.agenda.day), "      ", "") for one in entry.case.waits]
    return lines


def _list_row(case: Case, entry: Entry | None) -> tuple[str, ...]:
    late = "!" if entry is not None and entry.late else ""
    turn = _turn(entry)
    what = str(case.kind) or case.box
    return (
        str(case.number),
        case.opened_at[:10],
        case.state.words,
        f"{case.due_on}{late}" if case.due_on else late,
        turn,
        _short(case.customer, 14),
        _short(what, 10),
    )


def _turn(entry: Entry | None) -> str:
    return "" if entry is None else str(entry.turn)


def _short(text: str, room: int) -> str:
    line = " ".join(text.split())
    return line if len(line) <= room else f"{line[: room - 1]}…"


# ---------------------------------------------------------------------- JSON


def _list_json(case: Case, entry: Entry | None, holders: Mapping[int, str]) -> dict[str, object]:
    return {
        "case": case.number,
        "opened_at": case.opened_at,
        "state": str(case.state),
        "customer": case.customer,
        "box": case.box,
        "kind": str(case.kind) or None,
        "due_on": case.due_on or None,
        "in_hand": holders.get(case.number),
        "turn": _turn(entry) or None,
        "waits": [] if entry is None else [_wait_json(one) for one in entry.case.waits],
        "late": [] if entry is None else list(entry.late),
    }


def _entry_json(day: Day, entry: Entry, holders: Mapping[int, str]) -> dict[str, object]:
    case = day.cases[entry.case.number]
    return {
        "case": case.number,
        "customer": case.customer,
        "state": str(case.state),
        "kind": str(case.kind) or None,
        "due_on": entry.case.due_on or None,
        "in_hand": holders.get(case.number),
        "late": list(entry.late),
        "due_today": entry.due_today,
        "turn": str(entry.turn),
        "waits": [_wait_json(one) for one in entry.case.waits],
        "step": None if entry.chore is None else _chore_json(entry.chore),
    }


def _wait_json(one: Wait) -> dict[str, object]:
    return {
        "for": str(one.who),
        "what": one.what,
        "since": one.since,
        "until": one.until or None,
        "told": one.told,
        "differs": one.differs or None,
    }


def _chore_json(one: Chore) -> dict[str, object]:
    return {
        "step": one.id,
        "words": one.words,
        "command": one.command,
        "chance": None if one.chance is None else round(one.chance, 6),
        "value": round(one.value, 2),
        "minutes": round(one.minutes, 1),
        "worth_a_minute": round(one.worth, 4),
        "source": one.source,
    }


def _state_json(case: Case, turn: str, what: str, until: str) -> Mapping[str, object]:
    return {
        "case": case.number,
        "state": str(case.state),
        "turn": turn,
        "what": what,
        "until": until or None,
    }


COMMANDS: tuple[click.Command, ...] = (today, waiting, wait_, go_on_, in_hand, due, list_)
