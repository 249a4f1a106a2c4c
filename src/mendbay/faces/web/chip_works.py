"""Works on the chips of a bay, as its pages order and show them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from mendbay.core.errors import ImageBusy, MendbayError, UsageError
from mendbay.faces.board_words import ROLES
from mendbay.faces.web.case_works import ShownWork, order_work, shown_works
from mendbay.faces.web.clip_form import ADAPTER, told_for_forms
from mendbay.faces.web.visit import Visit
from mendbay.jobs.rom_reads import READS
from mendbay.jobs.work_options import bays_held, options_of
from mendbay.jobs.work_port import DOING, JSON, Outcome, WorkKind
from mendbay.wiring import BenchProgrammers

if TYPE_CHECKING:
    from mendbay.jobs.bench import Bench

KINDS = (WorkKind.READ_CHIP, WorkKind.WRITE_CHIP)
LOOKED_AT = 40
"""Works of a case among which those of a bay are looked for."""
STOPPED_WORDS = ("Interrupted", "TransferIncomplete")
"""Troubles that tell how the chip stands; what can be done then is for the steps of the page to say."""
LOST = {
    WorkKind.READ_CHIP: "Its process is gone without a word. The reads that came through whole are kept.",
    WorkKind.WRITE_CHIP: "Its process is gone without a word. How far the chip is was put down before every "
    "block: the steps below say it.",
}


@dataclass(frozen=True, slots=True)
class ChipWork:
    """A work on a chip, in words.

    Args:
        title: what it does.
        what, then: what went wrong and what can be done, of one that did not come to its end; else empty.
        role: whose chip was read; empty for other works.
    """

    shown: ShownWork
    title: str
    what: str = ""
    then: str = ""
    role: str = ""

    @property
    def is_alive(self) -> bool:
        return self.shown.is_alive

    @property
    def writes(self) -> bool:
        return self.shown.order.kind is WorkKind.WRITE_CHIP


def works_of_chips(visit: Visit, bay: str, *kinds: WorkKind) -> tuple[ChipWork, ...]:
    """The works on chips of a bay that live; where none does, the newest that ended of those kinds, or of any
    where none is given."""
    found = [one for one in shown_works(visit, KINDS, LOOKED_AT) if one.order.options.get("bay") == bay]
    living = [one for one in found if one.is_alive]
    ended = [one for one in found if one.order.kind in (kinds or KINDS)][:1]
    return tuple(_told(one) for one in living or ended)


def _told(one: ShownWork) -> ChipWork:
    options = one.order.options
    if one.order.kind is WorkKind.WRITE_CHIP:
        title = "Putting the backup back" if options.get("restore") else "Writing the chip as planned"
        role = ""
    else:
        role = str(options.get("role", ""))
        words = next((words for of, words in ROLES.items() if of.value == role), "a chip")
        title = f"Reading {words}"
    if one.state.outcome is Outcome.LOST:
        return ChipWork(one, title, LOST[one.order.kind], "", role)
    trouble = one.state.trouble
    if trouble is None:
        return ChipWork(one, title, role=role)
    writes = one.order.kind is WorkKind.WRITE_CHIP
    then = "" if writes and trouble.kind in STOPPED_WORDS else words_for_forms(trouble.next_step)
    return ChipWork(one, title, trouble.what, then, role)


@dataclass(frozen=True, slots=True)
class SaidBefore:
    """What a form says of itself once the same was ordered, so that nobody types it twice. What a person
    gives their word on, supplies and cautions, is said anew each time.

    Args:
        role: whose chip is read; empty once it was.
        times: whole reads.
        adapter: that the clip hung on, or may.
        practice: the file of a practice chip; empty once that was done, as the next chip is another.
    """

    role: str = ""
    times: int = READS
    adapter: str = ADAPTER
    practice: str = ""


def said_before(works: Sequence[ChipWork], *, writes: bool) -> SaidBefore:
    """What was said of the newest of these works that writes, or reads: what is written on is never taken
    from what was read."""
    for one in works:
        if one.writes != writes:
            continue
        options, came = one.shown.order.options, one.shown.state.outcome is Outcome.DONE
        times, clip = options.get("times"), str(options.get("programmer", ""))
        practice = clip.removeprefix(BenchProgrammers.SIMULATED)
        return SaidBefore(
            "" if came else one.role,
            times if isinstance(times, int) else READS,
            clip if practice == clip and clip else ADAPTER,
            practice if practice != clip and not came else "",
        )
    return SaidBefore()


def words_for_forms(next_step: str) -> str:
    """A next step, naming what a form has instead of options of the command line."""
    try:
        with told_for_forms():
            raise MendbayError("", next_step)
    except MendbayError as trouble:
        return trouble.next_step


def require_chips_at_rest(visit: Visit, bay: str) -> None:
    """Refuses what must not be done while a chip of the bay is read or written.

    Raises:
        ImageBusy: one is.
    """
    for one in works_of_chips(visit, bay):
        if one.is_alive:
            raise ImageBusy(
                f"A chip of bay {bay} is on the clip now: {one.title[:1].lower()}{one.title[1:]}.",
                "Let it finish, or stop it first.",
            )


def clip_said(visit: Visit) -> dict[str, JSON]:
    """The clip as a person says they have set it, as options of a work.

    Raises:
        UsageError: they do not say that it is on the right chip, or which supply it may get; or what the clip
            hangs on cannot be used.
    """
    said = visit.said
    if not said["ready"]:
        raise UsageError(
            "Nobody said that the clip is on the right chip.", "Read the cautions, set it, and tick it."
        )
    if not said["volts"]:
        raise UsageError(
            "No supply is ticked, so the chip may get none.",
            "Set and check the supply that its data sheet allows, and tick that one.",
        )
    return {
        "programmer": _programmer(said),
        "supply_checked": list(said["volts"]),
        "marked_3v": bool(said["marked"]),
    }


def _programmer(said: Mapping[str, str]) -> str:
    """What the clip hangs on; a chip to practise on by the file that describes it."""
    if not said["practice"]:
        if not said["programmer"]:
            raise UsageError("No adapter is named.", "Type the address of the adapter.")
        return said["programmer"]
    described = Path(said["practice"])
    with suppress(OSError, ValueError):
        if described.is_absolute() and described.is_file():
            return f"{BenchProgrammers.SIMULATED}{described}"
    raise UsageError(
        f"{said['practice'][:200]!r} describes no chip to practise on.",
        "Name its description with its whole path on the machine that serves this bench.",
    )


def order_chip_work(visit: Visit, bench: Bench, kind: WorkKind, options: Mapping[str, JSON]) -> None:
    """Orders a work on the chip on a clip.

    Raises:
        ImageBusy: another work has the same clip, or the bay.
        UsageError, DestinationError, ToolMissing: as `wiring.start_work`.
    """
    _require_free_bay(visit, str(options["bay"]))
    order_work(visit, bench, kind, options)


def _require_free_bay(visit: Visit, bay: str) -> None:
    """Refuses, in words, what the shelf of works would refuse: the drive of the bay is in use."""
    for one in shown_works(visit, tuple(WorkKind), LOOKED_AT):
        if one.is_alive and bay in _bays(one):
            doing = DOING[one.order.kind]
            raise ImageBusy(
                f"The drive of bay {bay}, or its image, is in use: {doing[:1].lower()}{doing[1:]}.",
                "Let that finish, or stop it first: no clip goes onto a board while its drive is worked on.",
            )


def _bays(one: ShownWork) -> tuple[str, ...]:
    try:
        return bays_held(options_of(one.order))
    except UsageError:  # written by hand, or by another version
        return ()
