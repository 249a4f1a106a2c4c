"""`mendbay case receive`, `release` and what belongs to them: hand-overs, signed papers, the receipt."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from mendbay.case.hand_over import HandOver, Role
from mendbay.core.errors import UsageError
from mendbay.faces import wording
from mendbay.faces.cli.asked_option import CUSTOMER_ASKED
from mendbay.faces.cli.case_items import item_json, item_lines
from mendbay.faces.cli.screen import Screen, wrapped
from mendbay.jobs.hand_over_items import (
    HandedOver,
    hand_over_paper,
    hand_overs_of,
    keep_signed,
    receive,
    release,
    take_signed_back,
)
from mendbay.jobs.keep_items import item_named
from mendbay.jobs.put_down_wrongly import call_off
from mendbay.jobs.write_receipt import write_receipt
from mendbay.wiring import open_bench, write_new_file

CASE = click.argument("case", type=int)
ITEMS = click.argument("items", nargs=-1, required=True, metavar="ITEM...")
NUMBER = click.argument("number", type=int, metavar="HAND-OVER")
NAME = click.option("--name", default="", help="Who brought or took them; for the paper alone.")
WORDS = click.option("--words", default="", help="What was agreed; for the paper alone.")
FILE = click.argument("file", type=click.Path(path_type=Path))
ROLES = click.Choice([str(one) for one in Role])


@click.command(name="receive")
@CASE
@ITEMS
@click.option(
    "--from", "role", type=ROLES, default="customer", show_default=True, help="Whose hand they come from."
)
@click.option("--place", default="", help="Where they are put, such as a shelf.")
@NAME
@WORDS
@click.pass_obj
def receive_(
    screen: Screen, case: int, items: tuple[str, ...], role: str, place: str, name: str, words: str
) -> None:
    """Take ITEMs in, with a paper to sign: what came back, or what came at take-in."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        over = receive(bench, case, items, Role(role), place=place, person=name, words=words)
        folder = bench.images.folder(bench.ledger.case(case))
    _answer(screen, over, folder / over.path)


@click.command(name="release")
@CASE
@ITEMS
@click.option("--to", "role", type=ROLES, required=True, help="Into whose hand they go.")
@NAME
@WORDS
@click.option(
    "--although-refused",
    default="",
    metavar="REASON",
    help="Although the customer refused it; custody keeps the reason.",
)
@CUSTOMER_ASKED
@click.pass_obj
def release_(
    screen: Screen,
    case: int,
    items: tuple[str, ...],
    role: str,
    name: str,
    words: str,
    although_refused: str,
    customer_asked: bool,
) -> None:
    """Give ITEMs away, with a paper to sign."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        over = release(
            bench,
            case,
            items,
            Role(role),
            person=name,
            words=words,
            although=although_refused,
            asked=customer_asked,
        )
        folder = bench.images.folder(bench.ledger.case(case))
    _answer(screen, over, folder / over.path)


@click.command(name="hand-over")
@CASE
@NUMBER
@FILE
@click.pass_obj
def hand_over(screen: Screen, case: int, number: int, file: Path) -> None:
    """Write the paper of a HAND-OVER to a new PDF file, to print and sign."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        over = hand_over_paper(bench, case, number)
    write_new_file(file, over.pdf)
    _answer(screen, over, file)


@click.command(name="signed")
@CASE
@NUMBER
@click.argument("file", type=click.Path(path_type=Path), required=False)
@click.option(
    "--take-back",
    "wrong",
    default="",
    metavar="NAME",
    help="One kept by mistake: its name in the case.",
)
@click.option("--reason", default="", help="Why it is taken back; without the customer's name.")
@click.pass_obj
def signed(screen: Screen, case: int, number: int, file: Path | None, wrong: str, reason: str) -> None:
    """Keep FILE, a scan or photo of the signed paper of a HAND-OVER, with CASE.

    It is a PDF or a picture. One that was kept by mistake is taken back with --take-back and --reason: its
    file is removed, and custody keeps its SHA-256 and the reason.
    """
    if bool(file) == bool(wrong) or (reason and not wrong):
        raise UsageError(
            "Either a signed paper is kept, or one is taken back with a reason.",
            f"mendbay case signed {case} {number} FILE, or --take-back NAME --reason REASON",
        )
    with open_bench(screen.home, tell=screen.tell) as bench:
        if file is not None:
            over = keep_signed(bench, case, number, file)
        else:
            over = take_signed_back(bench, case, number, wrong, reason)
    last = over.signed[-1:]
    if file is not None:
        lines = [f"The signed paper of hand-over {number} is kept as {last[0].path}."]
        lines.append(f"SHA-256 {last[0].sha256}")
    else:
        lines = [wrapped(f"Taken back: {wrong}. The file is gone; custody keeps its SHA-256.")]
        lines += [f"Hand-over {number}:", *_signed_lines(over)]
    if not over.signed:
        lines.append(f"Next: {wording.called_as()} case signed {case} {number} FILE")
    screen.answer(hand_over_json(over), "\n".join(lines))


def _signed_lines(over: HandOver) -> list[str]:
    if over.called_off:
        return [wrapped(f"called off: {over.called_off}", "    ")]
    return [f"    signed: {one.path}" for one in over.signed] or ["    NOT SIGNED YET"]


@click.command(name="hand-overs")
@CASE
@click.pass_obj
def hand_overs(screen: Screen, case: int) -> None:
    """List the hand-overs of CASE, and which papers are not signed yet."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        found = hand_overs_of(bench, case)
    lines: list[str] = []
    for one in found:
        codes = ", ".join(item.code for item in one.items)
        lines.append(wrapped(f"{one.number}  {one.at}  {one.between}: {codes}"))
        lines += _signed_lines(one)
    unsigned = next((one.number for one in found if not one.signed and not one.called_off), 0)
    called = wording.called_as()
    if unsigned:
        lines.append(f"Next: {called} case signed {case} {unsigned} FILE")
    elif not found:
        lines += [f"Case {case} has no hand-overs yet.", f"Next: {called} case receive {case} ITEM..."]
    screen.answer([hand_over_json(one) for one in found], "\n".join(lines))


@click.command(name="receipt")
@CASE
@FILE
@click.option("--agreed", multiple=True, metavar="SENTENCE", help="What was agreed beside; repeat it.")
@click.pass_obj
def receipt(screen: Screen, case: int, file: Path, agreed: tuple[str, ...]) -> None:
    """Write the customer's receipt of CASE to a new PDF file: what is here, and how to check later."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        made = write_receipt(bench, case, agreed)
    write_new_file(file, made.pdf)
    screen.answer(
        {
            "path": str(file),
            "kept_as": made.path,
            "items": [one.code for one in made.items],
            "head": made.head,
        },
        f"The receipt of case {case}, {wording.counted(len(made.items), 'item')}, is in {file}.\n"
        "Next: print it; one copy for the customer, one to be signed.",
    )


@click.command(name="call-off")
@CASE
@NUMBER
@click.option("--reason", required=True, help="Why; without the customer's name. Custody keeps it.")
@click.pass_obj
def call_off_(screen: Screen, case: int, number: int, reason: str) -> None:
    """Call off a HAND-OVER that never took place, while it is not signed: its items are where they were."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        over = call_off(bench, case, number, reason)
        back = [item_named(bench, case, one.code) for one in over.items]
    screen.answer(
        hand_over_json(over),
        "\n".join(
            (
                wrapped(f"Hand-over {number} of case {case} is called off; custody tells it. Now:"),
                *item_lines(back, "  "),
                f"Next: {wording.called_as()} case hand-overs {case}",
            )
        ),
    )


COMMANDS = (receive_, release_, hand_over, signed, hand_overs, call_off_, receipt)


def hand_over_json(one: HandOver) -> dict[str, Any]:
    """A hand-over as the JSON answers tell it."""
    return {
        "case": one.case,
        "number": one.number,
        "direction": str(one.direction),
        "with": str(one.role),
        "at": one.at,
        "who": one.who,
        "name": one.person,
        "words": one.words,
        "items": [item_json(item) for item in one.items],
        "head": one.head,
        "signed": [
            {"path": each.path, "sha256": each.sha256, "size_bytes": each.size_bytes, "at": each.at}
            for each in one.signed
        ],
        "called_off": one.called_off or None,
    }


def _answer(screen: Screen, over: HandedOver, path: Path) -> None:
    one = over.done
    codes = ", ".join(item.code for item in one.items)
    then = f"{wording.called_as()} case signed {one.case} {one.number} FILE"
    screen.answer(
        {**hand_over_json(one), "path": str(path)},
        "\n".join(
            (
                wrapped(f"Hand-over {one.number} of case {one.case}, {one.between}: {codes}"),
                f"The paper to sign: {path}",
                wrapped(f"Next: print it, have it signed, then {then}"),
            )
        ),
    )
