"""Set the image of a bay aside, as it is of another drive: the bay can then be read anew."""

from __future__ import annotations

from dataclasses import dataclass, replace

from mendbay.case.records import Bay, Case, Facts
from mendbay.core.errors import MendbayError, NoSuchCase
from mendbay.jobs.bench import Bench
from mendbay.jobs.looks import open_again
from mendbay.jobs.nameless import require_nameless
from mendbay.jobs.other_half import ASIDE
from mendbay.jobs.remembered import remembered
from mendbay.jobs.said_serials import MODEL_FROM_DRIVE, SAID, SERIAL_FROM_DRIVE, last_said
from mendbay.jobs.withdraw import require_reason


@dataclass(frozen=True, slots=True)
class SetAside:
    """What was set aside.

    Args:
        name: what the image is called in the case's folder from now on.
        image_serial: the serial number of its drive, empty if that gave none, or it cannot be known.
        bay: as it is noted now; what it had from that drive alone is cleared.
    """

    name: str
    image_serial: str
    bay: Bay


def set_aside(bench: Bench, number: int, label: str, reason: str) -> SetAside:
    """Moves the image of a bay and its checkpoint together to a name of their own in the case's folder.
    Nothing is deleted, and it can still be blended from. What comparing the halves of a mirror, or a look at
    what the images hold, showed until then counts no longer.

    Args:
        reason: without the customer's name.

    Raises:
        NoSuchCase: there is no such case or bay, or it has no image.
        UsageError: no reason, or one that cannot be kept.
        ImageBusy, DestinationError: the image cannot be moved; nothing is told.
        CaseForgotten: the case was forgotten.
    """
    require_reason(reason, "set aside")
    case = remembered(bench, number)
    require_nameless(case, reason)
    bay = bench.ledger.bay(number, label)
    serial = _serial_of(bench, case, label)
    untold = _untold(bench, case, label)
    if not untold and not bench.images.exists(case, label) and not bench.images.is_half_aside(case, label):
        raise NoSuchCase(
            f"Bay {label} of case {number} has no image.", f"mendbay case show {number} tells what there is."
        )
    with bench.ledger.together():
        name = untold or bench.images.aside_name(case, label)
        bay = _forget_drive(bench, bay)
        _empty_figures(bench, case, bay)
        of = f", serial number {serial}" if serial else ""
        facts: Facts = {"bay": label, ASIDE: name, SAID: ""}
        text = f"The image of bay {label}{of} is set aside as {name}: {reason.strip()}"
        bench.note(number, "imaging", text, facts)
        open_again(bench, number, "What the images showed together is open again: one was set aside.")
        bench.custody(
            number, f"image set aside: {reason.strip()}", f"image of bay {label}{of}; kept as {name}"
        )
        if not untold:  # last: of what cannot be moved nothing is told
            bench.images.set_aside(case, label, name)
    return SetAside(name, serial, bay)


def asides(bench: Bench, number: int, label: str) -> tuple[str, ...]:
    """The names of the images of a bay that were set aside, as told in the story."""
    return tuple(
        str(one.facts[ASIDE])
        for one in bench.ledger.events(number)
        if ASIDE in one.facts and one.facts.get("bay") == label
    )


def _untold(bench: Bench, case: Case, label: str) -> str:
    """An image that was moved before a kill kept it from being told; empty for none."""
    if bench.images.exists(case, label) or bench.images.is_half_aside(case, label):
        return ""
    told = asides(bench, case.number, label)
    return next((one for one in bench.images.asides(case, label) if one not in told), "")


def _serial_of(bench: Bench, case: Case, label: str) -> str:
    try:
        store = bench.images.reopen(case, label, writable=False)
    except MendbayError:
        return ""  # it can be set aside all the same
    try:
        return store.identity.serial
    finally:
        store.close()


def _forget_drive(bench: Bench, bay: Bay) -> Bay:
    """The bay without what it has from the drive of the image alone."""
    said = last_said(bench, bay.case, bay.bay)
    now = replace(
        bay,
        serial="" if bay.serial == said.get(SERIAL_FROM_DRIVE) else bay.serial,
        model="" if bay.model == said.get(MODEL_FROM_DRIVE) else bay.model,
        size_bytes=0,
        sector_bytes=0,
        physical_bytes=0,
    )
    bench.ledger.amend_bay(now)
    return now


def _empty_figures(bench: Bench, case: Case, bay: Bay) -> None:
    """The ledger's figures of the bay's image are those of an image that is still to be made."""
    path = bench.images.name(bay.bay)
    for one in bench.ledger.images(case.number, bay.bay):
        if one.path == path:
            bench.ledger.note_image(
                replace(
                    one,
                    finished_at="",
                    read_bytes=0,
                    refused_bytes=0,
                    waived_bytes=0,
                    unread_bytes=one.read_bytes + one.refused_bytes + one.waived_bytes + one.unread_bytes,
                    sha256="",
                )
            )
