"""`mendbay case close` and `case reopen`: how a case ended."""

from __future__ import annotations

import json
import sys

import click

from mendbay.case.outcome import DataBack, End, said, to_json
from mendbay.core.errors import EXIT_INCOMPLETE, UsageError
from mendbay.faces import wording
from mendbay.faces.cli.screen import Screen, wrapped
from mendbay.faces.keeping_words import kept_words
from mendbay.jobs.close_case import (
    Closing,
    close_case,
    look_at_closing,
    outcome_words,
    reopen_case,
)
from mendbay.wiring import open_bench

ENDS = {one.replace(" ", "-"): one for one in End}
DATA = {one.replace(" ", "-"): one for one in DataBack}


@click.command(name="close")
@click.argument("case", type=int)
@click.option("--found", multiple=True, metavar="FAULT[:BAY]", help="What was broken; repeat it.")
@click.option("--nothing-broken", is_flag=True, help="Everything was sound.")
@click.option("--not-known", is_flag=True, help="Nobody knows what was broken.")
@click.option("--likely", is_flag=True, help="No repair or measurement proves it; it counts half.")
@click.option("--end", type=click.Choice([*ENDS]), help="What became of the job.")
@click.option("--data", type=click.Choice([*DATA]), help="How much of the wanted data the customer has.")
@click.option("--remark", default="", help="Anything to learn from it; without the customer's name.")
@click.option(
    "--although-no-hand-back",
    default="",
    metavar="REASON",
    help="Close it as handed back though nothing proves that the customer has it; custody keeps the reason.",
)
@click.pass_obj
def close(
    screen: Screen,
    case: int,
    found: tuple[str, ...],
    nothing_broken: bool,
    not_known: bool,
    likely: bool,
    end: str | None,
    data: str | None,
    remark: str,
    although_no_hand_back: str,
) -> None:
    """Close CASE with what was found; without options, see what the case says of its end.

    What was broken has the names of `triage tables faults`, with the bay of a drive: heads:1, adapter. A
    user's trouble is one of them too: network, password, full-disk. Closing again puts right
    what was said before.
    """
    only_looks = not any((found, nothing_broken, not_known, likely, end, data, remark))
    if only_looks and although_no_hand_back:
        raise UsageError(
            "--although-no-hand-back alone closes nothing.",
            f"{wording.called_as()} case close {case} says what else closing needs.",
        )
    with open_bench(screen.home, tell=screen.tell) as bench:
        if only_looks:
            closing = look_at_closing(bench, case)
        else:
            outcome = said(
                found,
                nothing_broken=nothing_broken,
                not_known=not_known,
                likely=likely,
                end=ENDS[end] if end else None,
                data=DATA[data] if data else None,
                remark=remark,
            )
            closing = close_case(bench, case, outcome, although_no_hand_back)
    screen.answer(_json(closing), _text(closing))
    if closing.outcome is None:
        sys.exit(EXIT_INCOMPLETE)


@click.command(name="reopen")
@click.argument("case", type=int)
@click.option("--reason", required=True, help="Why; without the customer's name.")
@click.pass_obj
def reopen(screen: Screen, case: int, reason: str) -> None:
    """Open CASE again: how it ended counts no longer, and stays on record."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        now = reopen_case(bench, case, reason)
    screen.answer(
        {"case": case, "state": str(now.state)},
        f"Case {case} is open again, and teaches the odds nothing until it is closed.\n"
        f"Next: {wording.called_as()} triage show {case}",
    )


def _text(closing: Closing) -> str:
    case, called = closing.case.number, wording.called_as()
    if closing.outcome is not None:
        lines = [wrapped(f"Case {case} is closed: {outcome_words(closing.outcome)}.")]
        if closing.outcome.remark:
            lines.append(wrapped(closing.outcome.remark, "  "))
        lines.append(wrapped(closing.teaches))
        lines += [wrapped(kept_words(case, closing.case.keep_until))] * bool(closing.case.keep_until)
        lines += [wrapped(one) for one in (*closing.against, *closing.missing)]
        lines.append(f"Next: {called} triage tables   (what the closed cases taught)")
        return "\n".join(lines)
    lines = [f"Case {case} is not closed. What it says of its end:"]
    lines += [wrapped(_hint(one.words, one.found), "  ") for one in closing.hints] or ["  nothing yet"]
    if closing.missing:
        lines.append("What is open, or missing:")
        lines += [wrapped(one, "  ") for one in closing.missing]
    end, data = closing.end, closing.data
    lines.append(
        f"Next: {called} case close {case} --found FAULT:BAY \\\n"
        f"        --end {end.replace(' ', '-') if end else 'END'} --data {data or 'DATA'}"
    )
    lines.append(wrapped("or --nothing-broken, or --not-known; --likely if nothing proves it", "  "))
    lines.append(wrapped(f"END being {', '.join(ENDS)}; DATA being {', '.join(DATA)}", "  "))
    return "\n".join(lines)


def _hint(words: str, found: tuple[str, ...]) -> str:
    return f"{words} So perhaps: {' or '.join(found)}." if found else words


def _json(closing: Closing) -> dict[str, object]:
    return {
        "case": closing.case.number,
        "state": str(closing.case.state),
        "outcome": None if closing.outcome is None else json.loads(to_json(closing.outcome)),
        "hints": [
            {
                "words": one.words,
                "found": list(one.found),
                "end": str(one.end) if one.end else None,
                "data": str(one.data) if one.data else None,
            }
            for one in closing.hints
        ],
        "missing": list(closing.missing),
        "against": list(closing.against),
        "teaches_nothing": closing.teaches_not or None,
        "keep_until": closing.case.keep_until or None,
    }


COMMANDS: tuple[click.Command, ...] = (close, reopen)
