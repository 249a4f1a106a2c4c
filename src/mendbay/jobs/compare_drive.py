"""Read once more what the image of a drive holds already, and note where the drive now gives other bytes."""

from __future__ import annotations

from dataclasses import dataclass

from mendbay.case.records import Facts
from mendbay.core.errors import DriveDied, DriveVanished, Interrupted, MendbayError
from mendbay.core.quantity import count_text
from mendbay.core.span import Span, SpanSet
from mendbay.imaging.attempt import Outcome
from mendbay.imaging.block_digests import pieces
from mendbay.imaging.differences import Difference
from mendbay.jobs.bench import Bench
from mendbay.jobs.drive_reading import COMMIT_SECONDS, Ending, fall_of
from mendbay.jobs.events import Said, StepProgress
from mendbay.jobs.imaging_record import image_of
from mendbay.jobs.power_permit import AGAINST_NOTHING, Although, require_power
from mendbay.jobs.read_drive import DriveAt, OpenDrive, opened

REFUSALS_BORNE = 3
"""Reads in a row of what was given before that may be refused: the drive is getting worse, and what is
compared is in the image already (own choice)."""
REFUSALS_BORNE_IN_ALL = 16
"""Reads refused in one reading, in a row or not, after which it ends for the same reason (own choice):
damage that spreads over the drive is met once in many reads, and each refusal is wear for nothing new."""


@dataclass(frozen=True, slots=True)
class Compared:
    """What a second reading showed. Bytes; `refused_bytes` were given before, and lie in reads that were not
    given this time: which of their sectors were refused is not known, as none was asked for alone;
    `left_bytes` were not asked for again. `differences` are those of this reading alone. `mended_bytes` were
    no longer in the image as the drive had given them, and are taken from this reading."""

    bay: str
    ending: Ending
    compared_bytes: int
    refused_bytes: int
    left_bytes: int
    differences: tuple[Difference, ...]
    mended_bytes: int = 0


def compare_drive(
    bench: Bench,
    number: int,
    drive: DriveAt,
    *,
    seconds: float | None = None,
    although: Although = AGAINST_NOTHING,
) -> Compared:
    """Reads again, from the start, what the image of a bay holds. The image keeps its bytes.

    A drive that vanishes is brought back as in any reading; what it vanished over counts as refused and is
    not asked for again.

    Args:
        seconds: how long it may take; None: to the end.
        although: why it is read where the customer or triage is against power, or its serial number is.

    Raises:
        NoSuchCase: the bay has no image.
        HeldBack: the customer refused power or reading, or triage keeps the drive without it.
        WrongDrive: its serial number contradicts the label, or is that of another bay.
        SourceError, ForeignImage, ImageBusy, DamagedCheckpoint: nothing was begun.
        DriveVanished, DriveDied, SourceChanged: what was compared until it was gone for good, refused too
            much, or another came back in its place is kept.
    """
    image_of(bench, number, drive.bay, writable=False).close()  # `opened` would make one
    require_power(bench, number, [drive.bay], although, reading=True)
    with opened(bench, number, drive, although) as one:
        try:
            result = _read_again(bench, one, seconds)
        except MendbayError as trouble:
            bench.note(number, "imaging", f"Bay {drive.bay}: {trouble.what}")
            raise
    unlike = SpanSet(found.span for found in result.differences).total_bytes
    text = (
        f"Drive of bay {drive.bay} read again: {count_text(result.compared_bytes)} bytes compared with the "
        f"image, {count_text(unlike)} of them in sectors that differ, {count_text(result.refused_bytes)} "
        f"not given this time; {ended_words(result.ending)}{_mended(result)}."
    )
    facts: Facts = {"bay": drive.bay, "compared_bytes": result.compared_bytes, "unlike_bytes": unlike}
    bench.note(number, "imaging", text, facts)
    bench.custody(
        number,
        f"read again and compared with its image: {count_text(unlike)} bytes in sectors that differ"
        + _mended(result),
        f"drive of bay {drive.bay}",
    )
    return result


def ended_words(ending: Ending) -> str:
    """Why a second reading stopped: it goes only over what the image holds, and that may be little."""
    return "all that the image holds was asked for" if ending is Ending.DONE else str(ending)


def _mended(result: Compared) -> str:
    if not result.mended_bytes:
        return ""
    return (
        f"; {count_text(result.mended_bytes)} bytes of the image were no longer what the drive had given, "
        "and are taken from this reading"
    )


def _read_again(bench: Bench, one: OpenDrive, seconds: float | None) -> Compared:
    run = one.store.runs()[-1].number
    held = one.store.coverage().read
    started = committed = bench.clock.steady_seconds()
    compared = refused = in_a_row = refusals = 0
    ending = Ending.DONE
    for span in (part for each in held for part in pieces(each)):
        now = bench.clock.steady_seconds()
        over = _over(bench, one, refusals, seconds is not None and now - started >= seconds)
        if over is not None:
            ending = over
            break
        one.reader.ask(span)
        attempt = one.reading.with_celsius(one.reader.answer())
        if attempt.outcome is Outcome.GIVEN:
            one.store.keep(span, attempt.data, attempt.seconds, attempt.celsius)
            compared, in_a_row = compared + span.length, 0
        else:
            is_gone = attempt.outcome is Outcome.VANISHED
            one.store.note(fall_of(attempt) if is_gone else attempt)
            refused, in_a_row, refusals = refused + span.length, in_a_row + 1, refusals + 1
            if in_a_row >= REFUSALS_BORNE:
                raise DriveDied(
                    f"The drive in bay {one.bay} refused {in_a_row} reads in a row of what it gave before.",
                    "Power it off: it is getting worse, and what was compared is in the image already.",
                )
            if is_gone and not _is_back(one):
                ending = Ending.STOPPED
                break
        if now - committed >= COMMIT_SECONDS:
            committed = now
            one.store.commit_soon()
        bench.tell(StepProgress("comparing", compared + refused, held.total_bytes, in_bytes=True))
    found = tuple(each for each in one.store.differences() if each.second_run == run)
    left = held.total_bytes - compared - refused
    mended = SpanSet(
        span for span, by in one.store.provenance(Span(0, one.store.identity.size_bytes)) if by == run
    )
    return Compared(one.bay, ending, compared, refused, left, found, mended.total_bytes)


def _is_back(one: OpenDrive) -> bool:
    """Whether a drive that vanished was brought back; False if it was stopped by hand over that.

    Raises:
        DriveVanished: it is gone.
        SourceChanged: another came back.
    """
    try:
        one.reading.bring_back()
    except Interrupted:
        return False
    except DriveVanished:
        raise DriveVanished(
            f"The drive in bay {one.bay} no longer answers; what was compared so far is kept.",
            "Cut its power, wait until it stands still; weigh whether to go on at all.",
        ) from None
    return True


def _over(bench: Bench, one: OpenDrive, refusals: int, is_time_up: bool) -> Ending | None:
    """Why the next piece is not to be read; None where it is. Nothing is under way then, so the drive may be
    asked how warm it is."""
    if bench.stop():
        return Ending.STOPPED
    if is_time_up:
        return Ending.TIME_UP
    if refusals >= REFUSALS_BORNE_IN_ALL:
        bench.tell(
            Said(
                f"The drive in bay {one.bay} refused {refusals} reads of what it gave before. Power it "
                "off: it is getting worse, and what was compared is in the image already."
            )
        )
        return Ending.WORSE
    return one.reading.heat_ending()
