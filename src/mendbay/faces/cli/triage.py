"""`mendbay triage`: what is broken, as far as is known, and what to do next."""

from __future__ import annotations

import sys

import click

from mendbay.core.errors import EXIT_INCOMPLETE, UsageError
from mendbay.core.quantity import chance_text
from mendbay.faces import triage_words as words
from mendbay.faces import wording
from mendbay.faces.cli.screen import Screen, wrapped
from mendbay.faces.cli.triage_tables import tables as tables_
from mendbay.jobs.consents import to_ask
from mendbay.jobs.hand_repairs import CameOf
from mendbay.jobs.next_steps import LEAST, NotOffered, held, short_list, why_not_offered
from mendbay.jobs.triage_case import (
    Believed,
    ToldTry,
    Triage,
    answer,
    cautions_of,
    describe,
    note_tried,
    signs_of,
    take_back,
    take_back_tried,
    tell_triage,
    tell_what_is_left,
    what_if,
    why,
)
from mendbay.triage.belief import Asked, Moved, WhatIf, sign_of
from mendbay.triage.next_step import Offer
from mendbay.triage.tables import StepKind
from mendbay.triage.worlds import Place
from mendbay.wiring import open_bench

FAULTS_SHOWN = 6
CASE = click.argument("case", type=int)
SIGN = click.argument("sign")
BAY = click.option("--bay", default="", help="Which drive, for what each drive has.")


@click.group(name="triage")
def command() -> None:
    """Say what is known; see what is likely broken, why, and what to do next."""


@command.command(name="show")
@CASE
@click.option("--all", "everything", is_flag=True, help="Every fault and every step.")
@click.pass_obj
def show(screen: Screen, case: int, everything: bool) -> None:
    """Show what is likely broken in CASE, and what to do next.

    Of a closed case no step is shown, unless --all asks for every one.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        every = everything or screen.as_json
        told = tell_triage(bench, case) if every else tell_what_is_left(bench, case)
    screen.answer(_json(told), _text(told, everything))


@command.command(name="signs")
@CASE
@click.option("--open", "only_open", is_flag=True, help="Only what nobody answered yet.")
@click.pass_obj
def signs(screen: Screen, case: int, only_open: bool) -> None:
    """List what can be asked of CASE: every sign, its answers, and what is known."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        told = tell_triage(bench, case)
    asked = [one for one in signs_of(told) if not (only_open and one in told.known)]
    lines: list[str] = []
    for one in asked:
        sign = sign_of(told.belief.worlds, one)
        known = told.known.get(one)
        lines.append(wrapped(f"{words.called(one)}: {sign.question(told.subject.box)}"))
        if beside := words.beside_sentence(told, one):
            lines.append(wrapped(beside, "    "))
        for each in sign.answers:
            mark = "*" if known and known.answer == each.id else " "
            lines.append(wrapped(f"{mark} {each.id}: {each.words}", "  "))
        if known:
            lines.append(wrapped(f"({known.origin})", "    "))
    called = wording.called_as()
    if not asked:
        lines.append("Everything is answered.")
    else:
        lines.append(wrapped(f"Next: {called} triage tell {case} SIGN ANSWER, with --bay for a drive's"))
    screen.answer([_sign_json(told, one) for one in asked], "\n".join(lines))


@command.command(name="tell")
@CASE
@SIGN
@click.argument("answer", metavar="ANSWER")
@BAY
@click.pass_obj
def tell(screen: Screen, case: int, sign: str, answer: str, bay: str) -> None:
    """Enter the ANSWER to SIGN; it takes the place of an earlier one."""
    _tell(screen, case, Asked(sign, bay), answer)


def _tell(screen: Screen, case: int, asked: Asked, said: str) -> None:
    with open_bench(screen.home, tell=screen.tell) as bench:
        told = answer(bench, case, asked, said)
    screen.answer(_json(told), _text(told, False))


@command.command(name="untell")
@CASE
@SIGN
@click.argument("reason")
@BAY
@click.pass_obj
def untell(screen: Screen, case: int, sign: str, reason: str, bay: str) -> None:
    """Take back what was answered to SIGN: it is unknown again. The record stays."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        told = take_back(bench, case, Asked(sign, bay), reason)
    screen.answer(_json(told), _text(told, False))


@command.command(name="tried")
@CASE
@click.argument("step")
@BAY
@click.option("--take-back", "reason", default="", metavar="REASON", help="It was not made after all.")
@click.option(
    "--came",
    type=click.Choice([one.value for one in CameOf]),
    default=CameOf.STILL_NOT.value,
    show_default=True,
    help="What came of it: the drive or box is ready, it still is not, or nobody tried it yet.",
)
@click.option("--done", default="", metavar="WORDS", help="What was done, in a sentence.")
@click.pass_obj
def tried(screen: Screen, case: int, step: str, bay: str, reason: str, came: str, done: str) -> None:
    """Put down that the repair STEP was made, and what came of it.

    It is not offered again, its fault becomes less likely, and what the repair may have changed is open
    again: what is answered from now on is of the box as it is after the repair. Of one that nobody tried
    yet, say what came of it the same way once it is tried.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        if reason:
            told = take_back_tried(bench, case, step, bay, reason)
        else:
            told = note_tried(bench, case, step, bay, CameOf(came), done)
    screen.answer(_json(told), _text(told, False))


@command.command(name="about")
@CASE
@click.option("--came", type=click.Choice(["box", "drive"]), help="What came in: a box, or a drive alone.")
@click.option("--worth", type=float, help="What losing the data would cost, in the shop's currency.")
@click.option("--bays", help="The one or two bays to judge, like 1,2; an empty text for all.")
@click.pass_obj
def about(screen: Screen, case: int, came: str | None, worth: float | None, bays: str | None) -> None:
    """Say what came in with CASE, which bays to judge, and what the data is worth."""
    chosen = None if bays is None else tuple(one.strip() for one in bays.split(",") if one.strip())
    box = None if came is None else came == "box"
    with open_bench(screen.home, tell=screen.tell) as bench:
        told = describe(bench, case, box=box, worth=worth, bays=chosen)
    screen.answer(_json(told), _text(told, False))


@command.command(name="why")
@CASE
@click.argument("fault")
@BAY
@click.pass_obj
def why_(screen: Screen, case: int, fault: str, bay: str) -> None:
    """Say which answers speak for FAULT and which against it, and how strongly."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        told, moved = why(bench, case, Place(fault, bay))
    worlds = told.belief.worlds
    before = float(worlds.prior @ worlds.faulty[:, worlds.place(fault, bay)])
    chance = told.belief.fault(fault, bay)
    origin = worlds.tables.faults[fault].first.source
    said = words.place_words(worlds.tables, Place(fault, bay))
    lines = [wrapped(f"{said}: {chance_text(chance)}, before any answer {chance_text(before)}.")]
    lines.append(wrapped(words.begins_sentence(worlds.tables, fault), "  "))
    lines += [_moved_line(told, one) for one in moved]
    if not moved:
        lines.append("Nothing is answered yet.")
    screen.answer(
        {
            "case": case,
            "fault": fault,
            "bay": bay or None,
            "chance": round(chance, 6),
            "before": round(before, 6),
            "source": origin,
            "moved": [_moved_json(one) for one in moved],
        },
        "\n".join(lines),
    )


@command.command(name="what-if")
@CASE
@SIGN
@BAY
@click.pass_obj
def what_if_(screen: Screen, case: int, sign: str, bay: str) -> None:
    """Say what each answer to SIGN, not given yet, would mean."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        told, found = what_if(bench, case, Asked(sign, bay))
    asked = sign_of(told.belief.worlds, Asked(sign, bay))
    lines = [wrapped(asked.question(told.subject.box))]
    for one, each in zip(found, asked.answers, strict=True):
        lines.append(wrapped(f"{each.words} ({chance_text(one.chance)}):", "  "))
        lines += [_row(chance_text(chance), said, "      ") for said, chance in _likeliest(told, one, 3)]
    screen.answer(
        {
            "case": case,
            "sign": sign,
            "bay": bay or None,
            "answers": [
                {
                    "answer": one.answer,
                    "chance": round(one.chance, 6),
                    "faults": _faults_json(told, one.faults.tolist()),
                }
                for one in found
            ],
        },
        "\n".join(lines),
    )


@command.command(name="step")
@CASE
@click.argument("step")
@BAY
@click.pass_obj
def step_(screen: Screen, case: int, step: str, bay: str) -> None:
    """Say how a STEP is done, with its cautions first, what it costs and what may be lost."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        told = tell_triage(bench, case)
    offered = [one for one in told.offers if one.step.id == step and one.bay == bay]
    if not offered:
        raise _no_step(told, step, bay)
    screen.answer(offer_json(told, offered[0]), "\n".join(step_lines(told, offered[0])))
    if held(offered[0]):
        sys.exit(EXIT_INCOMPLETE)


def _no_step(told: Triage, step: str, bay: str) -> UsageError:
    tables, why = told.belief.worlds.tables, why_not_offered(told, step, bay)
    if why is NotOffered.NO_SUCH_STEP:
        return UsageError(f"There is no step {step[:40]!r}.", f"Use one of: {', '.join(tables.steps)}.")
    known = tables.steps[step]
    if why is NotOffered.OF_A_DRIVE:
        return UsageError(
            f"{step} is a step of a drive.", f"Say which: --bay {' or '.join(told.subject.bays)}."
        )
    if why is NotOffered.OF_NO_DRIVE:
        return UsageError(f"{step} is a step of the {known.seat}.", "Leave --bay out.")
    if why is NotOffered.NOTHING_CAME_IN:
        return UsageError(
            f"{step} cannot be taken: {words.NOTHING_CAME_IN}.",
            f"mendbay triage show {told.case} lists what can be asked, or seen in pictures.",
        )
    if why is NotOffered.BOARD_ALONE:
        return UsageError(
            f"{step} cannot be taken: {words.BOARD_ALONE}.",
            f"mendbay triage show {told.case} lists what can be done with it.",
        )
    if why is NotOffered.MADE:
        return UsageError(
            f"{step} cannot be taken now: {words.MADE}.",
            f"mendbay triage show {told.case} lists what can be done.",
        )
    needs = ", ".join(f"{sign} to be {one or 'known'}" for sign, one in known.needs)
    return UsageError(
        f"{step} cannot be taken now.",
        f"It needs {needs}."
        if why is NotOffered.NEEDS_FIRST
        else f"What it would tell is known: mendbay triage show {told.case}",
    )


# ---------------------------------------------------------------------- words


def _text(told: Triage, everything: bool) -> str:
    tables = told.belief.worlds.tables
    lines: list[str] = []
    for one in told.keep_off:
        stop, why, then = words.stop_sentences(one)
        lines += [wrapped(stop, "", "  "), wrapped(why, "  ", ""), wrapped(then, "  ")]
    for board in told.closed_boards:
        stop, why, then = words.closed_sentences(board)
        lines += [wrapped(stop, "", "  "), wrapped(why, "  ", ""), wrapped(then, "  ")]
        lines.append(wrapped(f"The sheet: {wording.called_as()} board sheet {told.case} {board.bay}", "  "))
    for left_out in told.left_out:
        lines.append(wrapped(f"LEFT OUT, though on record: {left_out}", "", "  "))
    if lines:
        lines.append("")
    lines.append(wrapped(words.subject_sentence(told)))
    lines.append(f"{wording.counted(len(told.known), 'answer')} known.")
    lines += [wrapped(one, "", "  ") for one in words.before_power_sentences(told)]
    lines += [wrapped(one) for one in words.tried_sentences(told)]
    if again := words.open_again_sentence(told):
        lines.append(wrapped(again, "", "  "))
    lines.append(f"{words.rests_sentence(told)} ({wording.called_as()} triage tables).")
    lines += ["", "What is likely broken (up to two things at once are looked at):"]
    ranked = told.belief.ranked()
    if not everything:
        ranked = tuple(one for one in ranked if one[1] >= LEAST)[:FAULTS_SHOWN]
    rows = [(chance_text(chance), words.place_words(tables, place)) for place, chance in ranked]
    rows.append((chance_text(told.belief.sound()), "nothing is broken"))
    lines += [_row(chance, said, "  ") for chance, said in rows]
    if layouts := words.layout_words(told):
        each = (f"{said} {chance_text(chance)}" for said, chance in layouts)
        lines.append(wrapped(f"The drives: {', '.join(each)}.", "  "))
    lines += _step_list(told, everything)
    return "\n".join(lines)


def _step_list(told: Triage, everything: bool) -> list[str]:
    """What to do next, with the commands."""
    called = wording.called_as()
    known = f"{called} triage signs {told.case} --open"
    if told.over and not everything:
        return ["", words.OVER, f"Next: {called} triage show {told.case} --all   (every step all the same)"]
    if not told.offers:  # of an enquiry, for which all was asked
        return ["", "All that can be asked or seen in pictures is known.", f"Next: {known}"]
    lines = ["", "What to do next, the whole job then expected to cost:"]
    listed = told.offers if everything else short_list(told)
    for number, offer in enumerate(listed, 1):
        lines += _offer_lines(told, number, offer)
    if not everything:
        lines += [wrapped(one, "  ") for one in words.refused_sentences(told)]
    lines += [wrapped(one, "  ", "") for one in words.speak_again_sentences(told)]
    first = listed[0]
    where = f" --bay {first.bay}" if first.bay else ""
    if told.speak_again and first.step.kind is StepKind.HAND_ON:
        lines.append(f"Next: {called} case consent {told.case} {told.speak_again[0].consents[0]}")
        lines.append(f"  or: {called} triage step {told.case} {first.step.id}{where}")
    else:
        lines.append(f"Next: {called} triage step {told.case} {first.step.id}{where}")
    lines.append(f"  or put down what is known: {known}")
    return lines


def _row(chance: str, said: str, indent: str) -> str:
    """A chance and what it is of, in two columns."""
    first = f"{indent}{chance:>9}  "
    return first + wrapped(said, " " * len(first), "").lstrip()


def _offer_lines(told: Triage, number: int, offer: Offer) -> list[str]:
    lines = [wrapped(f"{number}. {offer.step.words_of(offer.bay)}", "", "   ")]
    lines.append(wrapped(f"{offer.step.id}: {words.figures(offer)}", "     "))
    if because := words.because(told, offer):
        lines.append(wrapped(because, "     "))
    lines += [wrapped(one, "     ") for one in words.held_sentences(told, offer)]
    titles = [one.title for one in to_ask(offer.step.consents, told.consents)]
    if titles:
        lines.append(wrapped(f"ask the customer first: {'; '.join(titles)}", "     "))
    if first := words.first_sentence(told.offers, offer):
        lines.append(wrapped(first, "     "))
    return lines


def step_lines(told: Triage, offer: Offer) -> list[str]:
    """A step as it is read before it is done: cautions first."""
    lines: list[str] = []
    for caution in cautions_of(offer.step):
        lines += [wrapped(f"CAUTION, {caution.title}", "", "  "), wrapped(caution.text, "  ")]
    cautions = cautions_of(offer.step)
    if cautions:
        lines += [wrapped(cautions[0].deferral), ""]
    for sentence in words.held_sentences(told, offer):
        lines += [wrapped(sentence), ""]
    for risk in to_ask(offer.step.consents, told.consents):
        lines += [wrapped(f"ASK THE CUSTOMER FIRST: {risk.ask}", "", "  "), wrapped(risk.risk, "  ", "")]
        said = f"{wording.called_as()} case consent {told.case} {risk.id} yes|no|ask --how phone"
        lines += [f"  {said}", ""]
    lines.append(wrapped(offer.step.words_of(offer.bay)))
    lines.append(wrapped(words.figures(offer)[:1].upper() + words.figures(offer)[1:] + ".", "  "))
    if because := words.because(told, offer):
        lines.append(wrapped(because, "  "))
    called = wording.called_as()
    if offer.step.reveals:
        sign = told.belief.worlds.tables.signs[offer.step.reveals]
        bay = f" --bay {offer.bay}" if offer.bay else ""
        lines.append(wrapped(f"It answers: {sign.question(told.subject.box)}", "  "))
        answers = "|".join(one.id for one in sign.answers)
        lines.append(f"Next: {called} triage tell {told.case} {sign.id} ANSWER{bay}")
        lines.append(wrapped(f"ANSWER being {answers.replace('|', ', ')}", "  "))
    return lines


def _likeliest(told: Believed, one: WhatIf, count: int) -> list[tuple[str, float]]:
    places = told.belief.worlds.places
    order = sorted(range(len(places)), key=lambda at: -one.faults[at])[:count]
    return [(words.place_words(told.belief.worlds.tables, places[at]), float(one.faults[at])) for at in order]


def _moved_line(told: Believed, one: Moved) -> str:
    return wrapped(f"{one.bits:+6.1f} bits, {words.moved_sentence(told, one)}", "  ")


# ---------------------------------------------------------------------- JSON


def _json(told: Triage) -> dict[str, object]:
    return {
        "case": told.case,
        "box": told.subject.box,
        "bays": list(told.subject.bays),
        "assumed": told.assumed,
        "left_out": list(told.left_out),
        "tried": [_repair_json(one) for one in told.tried],
        "mended": [_repair_json(one) for one in told.mended],
        "untried": [_repair_json(one) for one in told.untried],
        "open_again": [{"sign": one.sign, "bay": one.bay or None} for one in told.open_again],
        "closed_cases": told.rests_on,
        "closed_cases_left_out": list(told.teach_nothing),
        "worth": told.stakes.data,
        "known": [_sign_json(told, one) for one in sorted(told.known)],
        "keep_without_power": [
            {
                "bay": one.bay,
                "chance": round(one.chance, 6),
                "reasons": [_moved_json(each) for each in one.reasons],
            }
            for one in told.keep_off
        ],
        "closed_boards": [
            {"bay": one.bay, "gates": one.gates, "words": one.words} for one in told.closed_boards
        ],
        "faults": _faults_json(told, told.belief.faults().tolist()),
        "sound": round(told.belief.sound(), 6),
        "layouts": {one: round(told.belief.layout(one), 6) for one in told.belief.worlds.tables.layouts},
        "speak_again": [
            {
                "consents": list(one.consents),
                "step": one.offer.step.id,
                "bay": one.offer.bay or None,
                "total": round(one.offer.total, 2),
                "solves": round(one.offer.solves, 6),
                "instead": round(one.instead, 2),
            }
            for one in told.speak_again
        ],
        "steps": [offer_json(told, one) for one in told.offers],
    }


def _repair_json(one: ToldTry) -> dict[str, object]:
    return {"step": one.step.id, "bay": one.bay or None, "origin": one.origin, "done": one.done or None}


def _faults_json(told: Believed, chances: list[float]) -> list[dict[str, object]]:
    rows = sorted(zip(chances, told.belief.worlds.places, strict=True), key=lambda one: -one[0])
    return [
        {"fault": place.fault, "bay": place.bay or None, "chance": round(chance, 6)} for chance, place in rows
    ]


def _sign_json(told: Triage, asked: Asked) -> dict[str, object]:
    sign, known = sign_of(told.belief.worlds, asked), told.known.get(asked)
    return {
        "sign": asked.sign,
        "bay": asked.bay or None,
        "asks": sign.question(told.subject.box),
        "answers": [{"answer": one.id, "words": one.words} for one in sign.answers],
        "known": known.answer if known else None,
        "origin": known.origin if known else None,
    }


def _moved_json(one: Moved) -> dict[str, object]:
    return {
        "sign": one.asked.sign,
        "bay": one.asked.bay or None,
        "answer": one.answer,
        "bits": round(one.bits, 4),
    }


def offer_json(told: Triage, one: Offer) -> dict[str, object]:
    """A step as plain data."""
    return {
        "step": one.step.id,
        "bay": one.bay or None,
        "kind": str(one.step.kind),
        "cautions": list(one.step.cautions),
        "words": one.step.words,
        "total": round(one.total, 2),
        "cost": round(one.cost, 2),
        "harm": round(one.harm, 6),
        "solves": round(one.solves, 6),
        "saves": round(one.saves, 2),
        "harmful": one.harmful,
        "before": one.before,
        "barred": one.barred or None,
        "powers": one.step.powers,
        "consents": list(one.step.consents),
        "ask_first": [risk.id for risk in to_ask(one.step.consents, told.consents)],
        "refused": one.refused or None,
    }


command.add_command(tables_)
