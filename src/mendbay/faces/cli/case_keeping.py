"""How long copies are kept, and their end: `case keep`, `keeping`, `erase-plan`, `erase`, `erasure`."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from mendbay.core.errors import UsageError
from mendbay.core.quantity import bytes_text, count_text, counted
from mendbay.faces import wording
from mendbay.faces.cli.screen import Screen, table, wrapped
from mendbay.faces.keeping_words import (
    IN_USE,
    REACHES,
    erased_json,
    erased_words,
    file_words,
    ground_words,
    is_number_of,
    kept_words,
    medium_words,
    plan_left_words,
    proof_words,
    rule_words,
)
from mendbay.faces.saving_words import copies_words
from mendbay.handback.erasure import DEFAULT_SORTS, ErasurePlan, Sort, totals
from mendbay.handback.erasure_limits import Medium, limits
from mendbay.jobs import erase_copies, keep_copies, plan_erasure
from mendbay.jobs.erase_copies import Erased, certificate_paper
from mendbay.jobs.keep_copies import Held
from mendbay.jobs.plan_erasure import Planned
from mendbay.jobs.save_shop import last_save
from mendbay.jobs.told_days import told_words
from mendbay.wiring import eraser, open_bench, shop_copies, tool, write_new_file

CASE = click.argument("case", type=int)
SHOWN = 20
"""Files of a plan that are listed; `--json` lists all."""


@click.command(name="keep")
@CASE
@click.argument("day", required=False, default="")
@click.option(
    "--days",
    type=int,
    help="So many days after the hand-back, or the closing without one (before: after today).",
)
@click.option(
    "--although-told",
    default="",
    metavar="REASON",
    help="Why before the day that the customer was told in writing; custody keeps it.",
)
@click.pass_obj
def keep(screen: Screen, case: int, day: str, days: int | None, although_told: str) -> None:
    """Say until which DAY (2027-02-25) the copies of CASE are kept; without one, as the shop does."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        before = bench.ledger.case(case).keep_until
        found = keep_copies.keep(bench, case, day, days, although_told)
        told = keep_copies.told_before(bench, found, before)
    screen.answer(
        {"case": case, "keep_until": found.keep_until},
        wrapped(kept_words(case, found.keep_until)) + f"\nNext: {wording.called_as()} case keeping",
    )
    screen.warn(told)


@click.command(name="keeping")
@click.pass_obj
def keeping(screen: Screen) -> None:
    """List what the shop still holds of its cases, until when, and what is due for erasure."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        found = keep_copies.keeping(bench, shop_copies(screen.home))
    screen.answer([_held_json(one) for one in found], _held_text(found))


def _held_text(found: tuple[Held, ...]) -> str:
    if not found:
        return "The shop holds no copies."
    rows = [
        (
            str(one.case.number),
            one.case.state.words,
            one.case.keep_until or f"{counted(one.rule.days, 'day', plain=True)} after",
            "DUE" if one.due else "",
            bytes_text(sum(each.stored_bytes for each in one.amounts.values())),
            ", ".join(f"{sort} {count_text(each.files)}" for sort, each in one.amounts.items()),
        )
        for one in found
    ]
    lines = [table(rows, ("case", "state", "kept until", "", "on disk", "files"), right=(0, 4))]
    lines += [
        wrapped(f"Case {one.case.number}: a hand-back lies in {each}, on another medium; it is left alone.")
        for one in found
        for each in one.elsewhere
    ]
    lines += [wrapped(line) for line in rule_words(found)]
    due = next((one for one in found if one.due), None)
    unsaid = next((one for one in found if not one.case.keep_until), None)
    called = wording.called_as()
    if due is not None:
        lines.append(f"Next: {called} case erase-plan {due.case.number}")
    elif unsaid is not None:
        lines.append(f"Next: {called} case keep {unsaid.case.number}")
    return "\n".join(lines)


def _held_json(one: Held) -> dict[str, object]:
    return {
        "case": one.case.number,
        "state": str(one.case.state),
        "keep_until": one.case.keep_until or None,
        "keep_days": one.rule.days,
        "keep_said": one.rule.agreed,
        "due": one.due,
        "held": [
            {
                "class": str(sort),
                "files": each.files,
                "size_bytes": each.size_bytes,
                "stored_bytes": each.stored_bytes,
            }
            for sort, each in one.amounts.items()
        ],
        "hand_backs": list(one.hand_backs),
        "elsewhere": list(one.elsewhere),
    }


@click.command(name="erase-plan")
@CASE
@click.option(
    "--class",
    "sorts",
    multiple=True,
    type=click.Choice([str(one) for one in Sort]),
    help=f"What goes; repeat it. Without: {', '.join(DEFAULT_SORTS)}.",
)
@click.option("--reason", default="", help="Why the copies go although their day is not over.")
@click.option(
    "--hand-back",
    type=click.Path(path_type=Path, file_okay=False),
    help="The hand-back folder that proves that the customer has the files.",
)
@click.option(
    "--unproven", default="", metavar="WHY", help="Why it does not matter that none can be checked."
)
@click.pass_obj
def erase_plan(
    screen: Screen, case: int, sorts: tuple[str, ...], reason: str, hand_back: Path | None, unproven: str
) -> None:
    """Plan the erasure of the copies of CASE: what goes, what stays, what overwriting cannot reach.

    Nothing is erased yet. A customer's own drive is never erased, only copies that the shop made.
    """
    with screen.stoppable() as stop, open_bench(screen.home, tell=screen.tell, stop=stop) as bench:
        found = plan_erasure.plan_erasure(
            bench,
            shop_copies(screen.home),
            case,
            sorts=tuple(Sort(one) for one in sorts),
            reason=reason,
            hand_back=hand_back,
            unproven=unproven,
        )
        saved = copies_words(last_save(bench))
        told = told_words(bench, bench.ledger.case(case))
    screen.answer(_plan_json(found), _plan_text(found, saved))
    screen.warn(told)


def _plan_text(found: Planned, saved: str) -> str:
    plan = found.plan
    lines = [f"Erasure plan {plan.name} of case {plan.case}. Nothing is erased yet."]
    lines += [wrapped(ground_words(plan)), *map(wrapped, proof_words(plan))]
    lines += ["", "What goes"]
    for sort, (count, size) in totals(plan.files).items():
        lines.append(f"  {sort}: {wording.counted(count, 'file')}, {bytes_text(size)}")
    for one in plan.files[:SHOWN]:
        lines.append(wrapped(file_words(one), "    "))
    if len(plan.files) > SHOWN:
        lines.append(f"    and {wording.counted(len(plan.files) - SHOWN, 'file')} more")
    lines += ["", "What stays", *(wrapped(one, "  ") for one in found.stays)]
    lines.append(wrapped("the customer's own drive: it is never erased", "  "))
    if saved:
        lines.append(wrapped(saved, "  "))
    lines += ["", "What overwriting cannot reach (this is no sanitization of the medium)"]
    for medium in plan.media:
        lines.append(wrapped(medium_words(medium), "  "))
        lines += [wrapped(f"{one.what}, {REACHES[one.reach]}: {one.words}", "  ") for one in limits(medium)]
    lines.append(f"Next: {wording.called_as()} case erase {plan.case} {plan.name}")
    return "\n".join(lines)


def _plan_json(found: Planned) -> dict[str, object]:
    plan = found.plan
    return {
        "case": plan.case,
        "plan": plan.name,
        "path": found.path,
        "digest": plan.digest,
        "keep_until": plan.keep_until or None,
        "reason": plan.reason or None,
        "proof": {
            "folder": plan.proof.folder or None,
            "files": plan.proof.files,
            "size_bytes": plan.proof.size_bytes,
            "manifest_sha256": plan.proof.manifest_sha256 or None,
            "elsewhere": plan.proof.elsewhere,
            "handed_over": plan.proof.handed_over or None,
            "word": plan.proof.word or None,
        },
        "files": [
            {
                "folder": one.root or None,
                "path": one.path,
                "class": str(one.sort),
                "size_bytes": one.size_bytes,
                "stored_bytes": one.stored_bytes,
                "digest": one.digest,
            }
            for one in plan.files
        ],
        "stays": list(found.stays),
        "media": [_medium_json(one) for one in plan.media],
    }


def _medium_json(medium: Medium) -> dict[str, object]:
    return {
        "file_system": medium.file_system or None,
        "between": list(medium.between),
        "devices": [
            {
                "name": one.name,
                "model": one.model or None,
                "serial": one.serial or None,
                "size_bytes": one.size_bytes,
                "rotational": one.rotational,
            }
            for one in medium.devices
        ],
        "not_reached": [
            {"what": one.what, "reach": str(one.reach), "words": one.words} for one in limits(medium)
        ],
    }


@click.command(name="erase")
@CASE
@click.argument("plan")
@click.option("--yes", is_flag=True, help="Do not ask for the number of the case.")
@click.option(
    "--leave", default="", metavar="REASON", help="End a plan that cannot be finished, and certify."
)
@click.pass_obj
def erase(screen: Screen, case: int, plan: str, yes: bool, leave: str) -> None:
    """Erase what PLAN of CASE names, read it back, and certify it. Stopped, the same command goes on."""

    def confirm(found: ErasurePlan) -> None:
        if not yes:
            _confirm(screen, found)

    copies, hand = shop_copies(screen.home), eraser(screen.home)
    with screen.stoppable() as stop, open_bench(screen.home, tell=screen.tell, stop=stop) as bench:
        if leave:
            done = erase_copies.end_erasure(bench, copies, hand, case, plan, tool(), leave)
        else:
            done = erase_copies.erase_copies(bench, copies, hand, case, plan, tool(), confirm)
    screen.answer(erased_json(done), _erased_text(done))


def _confirm(screen: Screen, plan: ErasurePlan) -> None:
    """Asks for the number of the case, typed.

    Raises:
        UsageError: another was typed, or nobody can be asked.
    """
    if not screen.as_json and sys.stdin.isatty():
        amount = f"{wording.counted(len(plan.files), 'file')}, {bytes_text(plan.size_bytes)}"
        typed = click.prompt(
            wrapped(f"{amount} of case {plan.case} will be erased for good. Type the case's number", hang=""),
            default="",
            show_default=False,
            err=True,
        )
        if is_number_of(str(typed), plan.case):
            return
    raise UsageError(
        "Nothing was erased: nobody typed the case's number, or said --yes.",
        f"mendbay case erase {plan.case} {plan.name} asks again.",
    )


def _erased_text(done: Erased) -> str:
    certificate = done.certificate
    lines = [wrapped(erased_words(certificate)), wrapped(IN_USE)]
    lines += [wrapped(f"LEFT: {what}: {why}") for what, why in certificate.left]
    lines.append(wrapped(f"Certificate: {done.path}, SHA-256 {done.sha256}"))
    if not done.plan_gone:
        lines.append(wrapped(plan_left_words(certificate.plan)))
    lines.append(f"Next: {wording.called_as()} case erasure {certificate.case} FILE.pdf")
    return "\n".join(lines)


@click.command(name="erasure")
@CASE
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--plan", default="", help="Of this plan; without it the last certificate.")
@click.pass_obj
def erasure(screen: Screen, case: int, file: Path, plan: str) -> None:
    """Print the certificate of an erasure of CASE into FILE, a PDF."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        write_new_file(file, certificate_paper(bench, case, plan))
    screen.answer({"case": case, "file": str(file)}, f"The certificate is in {file}.")


COMMANDS: tuple[click.Command, ...] = (keep, keeping, erase_plan, erase, erasure)
