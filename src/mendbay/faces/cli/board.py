"""`mendbay board`: pictures to identifiers, and the electrical sheet."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from mendbay.board.electrical_form import Gate, Size
from mendbay.board.identifier import Identifier
from mendbay.board.number_form import Kind
from mendbay.board.sighting import How
from mendbay.board.unique_data import FamilyNote, Need, Seat
from mendbay.core.errors import EXIT_INCOMPLETE
from mendbay.faces import wording
from mendbay.faces.cli.screen import Screen, table, wrapped
from mendbay.faces.cli.sheet_words import answer_entry, answer_sheet, step_json, step_text
from mendbay.faces.lesson_words import family_words
from mendbay.faces.picture_words import contradiction_words, left_words, look_json, remark_words, sure_words
from mendbay.jobs import measure_board
from mendbay.jobs.corrections import Lesson, lessons, unlearn
from mendbay.jobs.know_family import KnownFamily, known_families, note_family, withdraw_family
from mendbay.jobs.measure_board import step_of
from mendbay.jobs.read_pictures import (
    BoardLook,
    correct_identifier,
    read_pictures,
    tell_board,
    withdraw_correction,
    withdraw_picture,
)
from mendbay.wiring import make_practice, open_bench, read_pictures_with, shop_files

KINDS = {str(one).replace(" ", "-").lower(): one for one in Kind}
SIZES = {"3.5": Size.LARGE, "2.5": Size.SMALL, "unknown": Size.UNKNOWN}
NEEDS = {"must": Need.MUST, "may": Need.MAY, "not": Need.NOT}
SEATS = {"chip": Seat.SEPARATE_CHIP, "controller": Seat.IN_CONTROLLER, "unknown": Seat.UNKNOWN}
GATES = {str(one.value).replace(" ", "").lower(): one for one in Gate}


SEEN_COLUMN = 31
TIED = "\u00a0"
"""A blank that no line is broken at."""


@click.group(name="board")
def command() -> None:
    """Read pictures of a drive and its board; measure the board."""


@command.command(name="pictures")
@click.argument("case", type=int)
@click.argument("bay")
@click.argument("places", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.pass_obj
def pictures(screen: Screen, case: int, bay: str, places: tuple[Path, ...]) -> None:
    """Read pictures of the drive in BAY of CASE.

    PLACES are pictures or folders of them; the identifiers they show are listed.

    What cannot be taken for a picture is listed, and the others are read. A picture that was withdrawn from
    BAY is left out of a folder; name the file itself to file it anew.

    Ends with 3 if a picture could not be read, or must be taken again for what is still needed; it is listed.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        look = read_pictures(bench, shop_files(screen.home), read_pictures_with, case, bay, places)
    _answer_look(screen, look, case, bay)
    if look.incomplete:
        sys.exit(EXIT_INCOMPLETE)


@command.command(name="show")
@click.argument("case", type=int)
@click.argument("bay")
@click.pass_obj
def show(screen: Screen, case: int, bay: str) -> None:
    """List the identifiers known of the drive in BAY of CASE.

    Each with what speaks for and against it.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        look = tell_board(bench, shop_files(screen.home), case, bay)
    _answer_look(screen, look, case, bay)


@command.command(name="correct")
@click.argument("case", type=int)
@click.argument("bay")
@click.argument("kind", type=click.Choice(sorted(KINDS)))
@click.argument("value")
@click.option("--instead-of", "read", default="", help="The value that is wrong, if there are several.")
@click.pass_obj
def correct(screen: Screen, case: int, bay: str, kind: str, value: str, read: str) -> None:
    """Say what an identifier really is.

    An empty VALUE says there is none. The correction is kept, and the next reading of the same characters
    learns from it.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        look = correct_identifier(bench, shop_files(screen.home), case, bay, KINDS[kind], value, read)
    doubts = [contradiction_words(one) for one in look.identifiers if one.kind is KINDS[kind]]
    said = [wrapped(f"CAUTION: {one}", "  ") for one in doubts if one]
    screen.answer(look_json(look), "\n".join([*said, _look_text(look, case, bay)]))


@command.command(name="uncorrect")
@click.argument("case", type=int)
@click.argument("bay")
@click.argument("kind", type=click.Choice(sorted(KINDS)))
@click.argument("reason")
@click.pass_obj
def uncorrect(screen: Screen, case: int, bay: str, kind: str, reason: str) -> None:
    """Take back the last correction of a KIND of identifier.

    What it replaced counts again, and it teaches nothing. The record stays; custody tells when, who and why.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        look, gone = withdraw_correction(bench, shop_files(screen.home), case, bay, KINDS[kind], reason)
    said = f"Taken back: that the {KINDS[kind]} is {gone or 'none'}."
    screen.answer(look_json(look), f"{said}\n{_look_text(look, case, bay)}")


@command.command(name="withdraw")
@click.argument("case", type=int)
@click.argument("bay")
@click.argument("picture")
@click.argument("reason")
@click.pass_obj
def withdraw(screen: Screen, case: int, bay: str, picture: str, reason: str) -> None:
    """Take back a PICTURE that is of another drive.

    Corrections of what it alone showed go with it, and are named. The file and the record stay; custody tells
    when, who and why.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        look, place = withdraw_picture(bench, shop_files(screen.home), case, bay, picture, reason)
        path = bench.images.folder(bench.ledger.case(case)) / place
    screen.answer(
        look_json(look),
        f"{_look_text(look, case, bay)}\nThe file lies as before at {path}\n"
        f"To file it to another drive: {wording.called_as()} board pictures CASE BAY FILE",
    )


@command.command(name="lessons")
@click.pass_obj
def lessons_(screen: Screen) -> None:
    """List what the shop has learned of misread characters."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        found = lessons(bench)
    rows = [
        (
            str(one.number),
            str(one.correction.kind),
            one.correction.read_text,
            one.correction.right_text,
            f"{one.case}/{one.bay}",
        )
        for one in found
    ]
    screen.answer(
        [_lesson_json(one) for one in found],
        table(rows, ("lesson", "of a", "read as", "is", "case/bay"), right=(0,))
        + f"\nTo take one back: {wording.called_as()} board unlearn LESSON REASON"
        if rows
        else "Nothing was learned yet; board correct teaches it.",
    )


@command.command(name="unlearn")
@click.argument("lesson", type=int)
@click.argument("reason")
@click.pass_obj
def unlearn_(screen: Screen, lesson: int, reason: str) -> None:
    """Take back a LESSON of misread characters.

    Its correction still holds for its own bay.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        gone = unlearn(bench, lesson, reason)
    said = gone.correction
    screen.answer(
        _lesson_json(gone),
        wrapped(
            f"Unlearned: {said.kind} {said.right_text} read as {said.read_text}. Bay {gone.bay} of case "
            f"{gone.case} keeps its correction."
        ),
    )


@command.command(name="family")
@click.argument("family")
@click.argument("need", type=click.Choice(sorted(NEEDS)))
@click.argument("basis")
@click.option(
    "--seat", type=click.Choice(sorted(SEATS)), default="unknown", show_default=True,
    help="Where the data sits: a chip of its own, or inside the controller.",
)  # fmt: skip
@click.pass_obj
def family_(screen: Screen, family: str, need: str, basis: str, seat: str) -> None:
    """Note whether the ROM of a model FAMILY must move.

    It must, may or need not move to a donor's board.

    BASIS says from where that is known. The last word on a family counts; board show and donor find go by it.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        known = note_family(bench, FamilyNote(family, SEATS[seat], NEEDS[need], basis))
    screen.answer(
        _known_json(known),
        wrapped(f"Noted of family {family}: the ROM {known.note.need}; it sits: {known.note.seat}. {basis}")
        + f"\nNext: {wording.called_as()} donor find CASE BAY",
    )


@command.command(name="families")
@click.pass_obj
def families_(screen: Screen) -> None:
    """List what is noted of the ROMs of model families.

    Whether the ROM must move, where it sits, and how that is known.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        found = known_families(bench)
    lines = []
    for one in found:
        lines.append(family_words(one))
        lines.append(wrapped(f"{one.note.basis} ({one.who}, {one.at})", "  "))
    empty = f"Nothing is noted of any family; by default the ROM must move.\nNext: {wording.called_as()}"
    screen.answer(
        [_known_json(one) for one in found],
        "\n".join(lines) if lines else f"{empty} board family FAMILY must|may|not BASIS",
    )


@command.command(name="forget")
@click.argument("family")
@click.argument("reason")
@click.pass_obj
def forget(screen: Screen, family: str, reason: str) -> None:
    """Take back what was noted of a FAMILY.

    Without a note the ROM of a model family must move. The record stays.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        gone = withdraw_family(bench, family, reason)
    screen.answer(
        _known_json(gone),
        wrapped(
            f"Withdrawn: of family {gone.note.family} that the ROM {gone.note.need}. Nothing is noted of "
            "it now, so the ROM must move."
        ),
    )


@command.command(name="sheet")
@click.argument("case", type=int)
@click.argument("bay")
@click.option(
    "--size", type=click.Choice(sorted(SIZES)),
    help="Of the drive, in inches; kept with the case, everything is judged by it.",
)  # fmt: skip
@click.option(
    "--drive/--no-drive", "drive", default=None, help="Whether the drive is there too; kept with the case."
)
@click.option("--all", "everything", is_flag=True, help="List every step, also those not due.")
@click.pass_obj
def sheet(
    screen: Screen, case: int, bay: str, size: str | None, drive: bool | None, everything: bool
) -> None:
    """Show the electrical sheet of a board, and the next step.

    Cautions come first. --size and --drive change what the sheet is judged by.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        if size is None and drive is None:
            measured = measure_board.tell_sheet(bench, case, bay)
        else:
            measured = measure_board.describe_board(bench, case, bay, SIZES[size] if size else None, drive)
    answer_sheet(screen, measured, case, bay, everything)


@command.command(name="step")
@click.argument("case", type=int)
@click.argument("bay")
@click.argument("step")
@click.pass_obj
def step_(screen: Screen, case: int, bay: str, step: str) -> None:
    """Say how a STEP of the sheet is done, with its cautions first."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        measured = measure_board.tell_sheet(bench, case, bay)
    found = step_of(measured.sheet, step)
    lines = step_text(found, measured.standing.of(step).why)
    if not measured.standing.of(step).barred:
        lines.append(f"Next: {wording.called_as()} board measure {case} {bay} {step} VALUE")
    screen.answer(step_json(found), "\n".join(lines))


@command.command(name="measure", context_settings={"ignore_unknown_options": True})
@click.argument("case", type=int)
@click.argument("bay")
@click.argument("step")
@click.argument("value")
@click.option("--note", default="", help="Anything worth keeping with it.")
@click.pass_obj
def measure(screen: Screen, case: int, bay: str, step: str, value: str, note: str) -> None:
    """Enter the VALUE measured or seen at STEP.

    As the meter shows it: 0.8, 4k7, 12.1 V, OL.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        measured = measure_board.enter(bench, case, bay, step, value, note)
    answer_entry(screen, measured, case, bay, step)


@command.command(name="skip")
@click.argument("case", type=int)
@click.argument("bay")
@click.argument("step")
@click.argument("reason")
@click.pass_obj
def skip(screen: Screen, case: int, bay: str, step: str, reason: str) -> None:
    """Leave STEP out, and say why."""
    with open_bench(screen.home, tell=screen.tell) as bench:
        measured = measure_board.skip(bench, case, bay, step, reason)
    answer_entry(screen, measured, case, bay, step)


@command.command(name="override")
@click.argument("case", type=int)
@click.argument("bay")
@click.argument("gate", type=click.Choice(sorted(GATES)))
@click.argument("reason")
@click.option("--take-back", is_flag=True, help="Bar the gate again that an override let through.")
@click.pass_obj
def override(screen: Screen, case: int, bay: str, gate: str, reason: str, take_back: bool) -> None:
    """Allow power in spite of a finding.

    REASON goes into the custody log. What is found after it bars the gate again, and so does --take-back.
    """
    with open_bench(screen.home, tell=screen.tell) as bench:
        change = measure_board.take_override_back if take_back else measure_board.override
        measured = change(bench, case, bay, GATES[gate], reason)
    answer_sheet(screen, measured, case, bay, everything=False)


@command.command(name="practise")
@click.argument("folder", type=click.Path(path_type=Path))
@click.pass_obj
def practise(screen: Screen, folder: Path) -> None:
    """Write material to practise on into a new FOLDER.

    Pictures, a stock list, ROM dumps, and simulated chips; docs/formats/simulated-chip.md explains how to
    give a chip noise, a loose clip or a cut of its power.
    """
    made = make_practice(folder)
    called = wording.called_as()
    lines = [
        f"Practice material lies in {folder}:",
        f"  {made.pictures}: four pictures of a drive and its board, one of them too poor",
        f"  {made.stock}: a list of spare boards and drives",
        f"  {made.family[0].parent}: good ROM dumps of the same board family",
        f"  {made.patient[0].parent}: five reads of the patient's ROM through a poor clip",
        f"  {made.patient_chip}, {made.donor_chip.name}: simulated chips on a clip",
        "Everything in it is invented.",
        f'Next: {called} case open "Quillmere Pottery" --bay 1=',
        f"then, with the number it gives the case: {called} board pictures CASE 1 {made.pictures}",
    ]
    screen.answer(
        {
            "folder": str(folder),
            "pictures": str(made.pictures),
            "stock": str(made.stock),
            "family": [str(one) for one in made.family],
            "patient": [str(one) for one in made.patient],
            "patient_chip": str(made.patient_chip),
            "donor_chip": str(made.donor_chip),
        },
        "\n".join(lines),
    )


# ---------------------------------------------------------------------- identifiers


def _answer_look(screen: Screen, look: BoardLook, case: int, bay: str) -> None:
    screen.answer(look_json(look), _look_text(look, case, bay))


def _look_text(look: BoardLook, case: int, bay: str) -> str:
    rows = [(str(one.kind), one.value, sure_words(one), _seen(one)) for one in look.identifiers]
    lines = [table(rows, ("what", "value", "sure", "seen in"))] if rows else ["Nothing was identified yet."]
    lines += [wrapped(one, "  ") for one in remark_words(look)]
    if look.readings:
        names = ", ".join(one.picture.replace(" ", TIED) for one in look.readings)
        said = wrapped(f"{wording.counted(len(look.readings), 'picture')}: {names}", "  ")
        lines.append(said.replace(TIED, " "))
    lines += [wrapped(one, "  ") for one in left_words(look)]
    called = wording.called_as()
    asked = {one.kind for one in look.advice if one.needed}
    doubtful = next((one for one in look.identifiers if not one.settled and one.kind in asked), None)
    if not look.identifiers:
        lines.append(f"Next: take other pictures, then {called} board pictures {case} {bay} FOLDER")
    elif doubtful is not None:
        kind = str(doubtful.kind).replace(" ", "-").lower()
        lines.append(f"Next: compare with the part, then {called} board correct {case} {bay} {kind} VALUE")
    else:
        lines.append(f"Next: {called} donor find {case} {bay}")
    return "\n".join(lines)


def _seen(one: Identifier) -> str:
    """Where it was seen, in the width a table has left: how, the surest picture, and how many places more;
    for what a person said, that alone."""
    if not one.sightings:
        return "typed"
    if one.how is How.HAND:
        return "by hand"
    first = one.sightings[0]
    more = f" and {len(one.sightings) - 1} more" if len(one.sightings) > 1 else ""
    room = SEEN_COLUMN - len(f"{first.how}: {more}")
    name = first.picture if len(first.picture) <= room else f"{first.picture[: room - 1]}…"
    return f"{first.how}: {name}{more}"


def _known_json(one: KnownFamily) -> dict[str, object]:
    return {
        "family": one.note.family,
        "need": str(one.note.need),
        "seat": str(one.note.seat),
        "basis": one.note.basis,
        "at": one.at,
        "who": one.who,
    }


def _lesson_json(one: Lesson) -> dict[str, object]:
    return {
        "lesson": one.number,
        "kind": str(one.correction.kind),
        "read": one.correction.read_text,
        "right": one.correction.right_text,
        "case": one.case,
        "bay": one.bay,
        "at": one.at,
        "who": one.who,
    }
