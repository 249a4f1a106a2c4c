"""Whether a drive is the one that the case has for its bay, by the serial number it says.

A label and the drive's own word are two things: the case keeps both. The label stands with the bay, the
drive's own word in its image, in custody, and in the story's event of the connection. Where nobody typed a
label, the serial number that pictures of the bay show with near certainty counts as its label.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from dataclasses import replace

from mendbay.case.records import Bay, Facts
from mendbay.core.errors import NoSuchCase, WrongDrive
from mendbay.core.serials import plain_serial, same_serial
from mendbay.core.source import Identity
from mendbay.jobs.bench import Bench
from mendbay.jobs.events import Said
from mendbay.jobs.label_serials import doubt_words, may_show, pictured_serials, pictures_against
from mendbay.jobs.noted_twice import HERE, put_right
from mendbay.jobs.power_permit import Although
from mendbay.jobs.said_serials import (
    MODEL_FROM_DRIVE,
    SAID,
    SERIAL_FROM_DRIVE,
    TELLS_SERIALS,
    last_said,
    said_serial,
)


def require_bays_drive(
    bench: Bench, case: int, bay: str, where: str, found: Identity, although: Although
) -> str:
    """Passes where nothing speaks against a drive being that of its bay, or a reason is given.

    Returns:
        What speaks against it, as a sentence; empty for nothing.

    Raises:
        WrongDrive: its serial number contradicts the label, as typed or as pictures show it, or is that of
            another bay's drive, be it of another open case, by label, drive or pictures.
    """
    if not plain_serial(found.serial):
        return ""
    known = _bay(bench, case, bay)
    pictured = pictured_serials(bench, known)
    misfits = pictures_against(pictured, found.serial)
    fits = same_serial(known.serial, found.serial) or (bool(pictured) and not misfits)
    contradicts = bool(plain_serial(known.serial)) and not same_serial(known.serial, found.serial)
    was_read = fits and plain_serial(said_serial(bench, case, bay)) == plain_serial(found.serial)
    elsewhere = _elsewhere(bench, case, bay, found.serial, parts=not fits, labels=not was_read)
    if not contradicts and not misfits and not elsewhere:
        return ""
    against = f"The drive at {where} says serial number {found.serial}"
    against += f"; the case has {known.serial} for bay {bay}" if contradicts else ""
    against += f"; the pictures of bay {bay} show {' and '.join(pictured)}." if misfits else "."
    if elsewhere:
        against += f" That is the drive of bay {elsewhere.bay} of {_called(elsewhere, case)}."
    twice = elsewhere is not None and _is_noted(known, found.serial) and _is_noted(elsewhere, found.serial)
    if elsewhere and twice:
        against += f" It is noted of bay {bay} too: one of the two labels is mistyped."
    if although.other_serial.strip():
        return against
    label = shlex.quote(f"{bay}={known.model}/{found.serial}")
    right = (
        f"if the label was noted wrongly: mendbay case bay {case} {label} --amend; " if contradicts else ""
    )
    if misfits:
        said = shlex.quote(found.serial)
        right += (
            f"if it was misread: mendbay board correct {case} {bay} serial-number {said}; if the picture is "
            f"of another drive: mendbay board withdraw {case} {bay} PICTURE; "
        )
    if elsewhere and twice:
        right += f"if its label was noted wrongly: {put_right((known, elsewhere))}; "
    moved = ""
    if elsewhere and any(same_serial(one, found.serial) for one in pictured_serials(bench, elsewhere)):
        moved = (
            f"if a picture of it is of another drive: mendbay board withdraw {elsewhere.case} "
            f"{elsewhere.bay} PICTURE; "
        )
    if elsewhere and bench.images.exists(bench.ledger.case(elsewhere.case), elsewhere.bay):
        moved += (
            f"if it was read there by mistake: mendbay drive set-aside {elsewhere.case} {elsewhere.bay} "
            "--reason REASON; "
        )
    raise WrongDrive(
        against,
        f"Connect the drive of bay {bay}, or name the right bay and case. Otherwise, {right}{moved}"
        "--although-other-serial REASON reads it all the same, and custody keeps that.",
    )


def pictures_doubt(bench: Bench, case: int, bay: str, found: Identity) -> str:
    """What is to be minded where the pictures of a bay show another serial number than a drive says, but too
    uncertainly to refuse it, as sentences; empty otherwise."""
    return doubt_words(bench, _bay(bench, case, bay), found.serial)


def _is_noted(bay: Bay, serial: str) -> bool:
    return plain_serial(bay.serial) == plain_serial(serial)


def _bay(bench: Bench, case: int, bay: str) -> Bay:
    return next((one for one in bench.ledger.bays(case) if one.bay == bay), Bay(case, bay))


def _called(bay: Bay, case: int) -> str:
    return "this case" if bay.case == case else f"case {bay.case}, which is open"


def _elsewhere(bench: Bench, case: int, bay: str, serial: str, *, parts: bool, labels: bool) -> Bay | None:
    """The other bay that a serial number is of; None for none. In another case only a whole serial
    number counts, and pictures are weighed only once no label and no drive has it. What a drive said that was
    read for its own bay is not undone by another label, which is mistyped then: `labels` is no."""
    if not labels:
        return _read_elsewhere(bench, case, bay, serial)
    for other in bench.ledger.bays(case):
        if other.bay != bay and any(
            same_serial(one, serial) if parts else plain_serial(one) == plain_serial(serial)
            for one in (*_serials(bench, other), *pictured_serials(bench, other))
        ):
            return other
    here = [one.number for one in bench.ledger.cases() if one.number != case and one.state in HERE]
    others = [bay for number in here for bay in bench.ledger.bays(number)]
    for other in others:
        if any(plain_serial(one) == plain_serial(serial) for one in _serials(bench, other)):
            return other
    told = {one for kind in TELLS_SERIALS for one in bench.notes.last_of_kind(kind)}
    for other in others:
        if other.case not in told or not may_show(bench, other, serial):
            continue
        if any(plain_serial(one) == plain_serial(serial) for one in pictured_serials(bench, other)):
            return other
    return None


def _read_elsewhere(bench: Bench, case: int, bay: str, serial: str) -> Bay | None:
    """The other bay whose drive said a serial number when it was read."""
    here = [one.number for one in bench.ledger.cases() if one.state in HERE or one.number == case]
    bays = (one for number in here for one in bench.ledger.bays(number))
    return next(
        (
            one
            for one in bays
            if (one.case, one.bay) != (case, bay)
            and plain_serial(said_serial(bench, one.case, one.bay)) == plain_serial(serial)
        ),
        None,
    )


def _serials(bench: Bench, bay: Bay) -> Iterator[str]:
    """What label and drive of a bay say."""
    yield bay.serial
    yield said_serial(bench, bay.case, bay.bay)


def note_connected(
    bench: Bench, case: int, bay: str, found: Identity, adapter: str, against: str, although: Although
) -> None:
    """Notes what a drive that is about to be read says of itself, without losing what the label said.

    Args:
        against: what `require_bays_drive` returned.
    """
    with bench.ledger.together():
        known = _known(bench, case, bay)
        now = replace(
            known,
            model=known.model or found.model,
            serial=known.serial or found.serial,
            size_bytes=found.size_bytes,
            sector_bytes=found.sector_bytes,
            physical_bytes=found.physical_bytes,
        )
        bench.ledger.amend_bay(now)
        _note_said(bench, known, found)
        says = f"serial number {found.serial}" if found.serial else "it gives no serial number"
        if found.serial and known.serial and plain_serial(known.serial) != plain_serial(found.serial):
            earlier = last_said(bench, case, bay).get(SERIAL_FROM_DRIVE) == known.serial
            says += f", {'it said' if earlier else 'on its label'} {known.serial}"
        pictured = pictured_serials(bench, known) if against else ()
        if pictures_against(pictured, found.serial):
            says += f", in its pictures {' and '.join(pictured)}"
        item = f"drive of bay {bay}; {says}"
        if against:
            reason = although.other_serial.strip()
            bench.custody(
                case, "reading decided on although its serial number is another", f"{item}; {reason}"
            )
            bench.note(case, "imaging", f"{against} It is read as the drive of bay {bay}: {reason}")
        bench.custody(case, f"connected for reading (adapter: {adapter})", item)


def silent_drive_words(bench: Bench, case: int, bay: str, found: Identity) -> str:
    """What is said where a bay has a serial number and the drive read for it says none; empty otherwise."""
    known = _bay(bench, case, bay)
    own = known.serial if plain_serial(known.serial) else next(iter(pictured_serials(bench, known)), "")
    if plain_serial(found.serial) or not own:
        return ""
    return (
        f"The drive for bay {bay} says no serial number, so nobody can tell by it whether it is the bay's, "
        f"{own}. Make sure of it."
    )


def _known(bench: Bench, case: int, bay: str) -> Bay:
    """The bay; one that the case has not yet is added, and that is told."""
    try:
        return bench.ledger.bay(case, bay)
    except NoSuchCase:
        new = Bay(case, bay)
    bench.ledger.add_bay(new)
    bench.note(case, "take-in", f"Bay {bay} added, as its drive is read.", {"bay": bay})
    bench.tell(Said(f"Case {case} had no bay {bay}: it is added."))
    return new


def _note_said(bench: Bench, known: Bay, found: Identity) -> None:
    """Puts into the story who the drive says it is, unless that and what the bay has from it were told
    before."""
    before = last_said(bench, known.case, known.bay)
    facts: Facts = {
        "bay": known.bay,
        SAID: found.serial or str(before.get(SAID, "")),
        SERIAL_FROM_DRIVE: _from_drive(known.serial, found.serial, before.get(SERIAL_FROM_DRIVE)),
        MODEL_FROM_DRIVE: _from_drive(known.model, found.model, before.get(MODEL_FROM_DRIVE)),
    }
    told = (SAID, SERIAL_FROM_DRIVE, MODEL_FROM_DRIVE)
    if all(facts[one] == str(before.get(one, "")) for one in told):
        return
    says = f"serial number {found.serial}" if found.serial else f"model {found.model} and no serial number"
    by_label = known.serial not in ("", found.serial, facts[SERIAL_FROM_DRIVE])
    label = f" Its label says {known.serial}." if by_label else ""
    bench.note(known.case, "imaging", f"The drive of bay {known.bay} says {says}.{label}", facts)


def _from_drive(known: str, found: str, before: object) -> str:
    """What a bay has from its drive: what the drive says where nothing is known, and what it said before
    for as long as the bay still says the same."""
    return found if not known else known if known == before else ""
