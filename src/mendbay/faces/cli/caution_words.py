"""Cautions on the terminal, before anything is done to a drive or a chip."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from mendbay.core.cautions import cautions_for
from mendbay.faces import wording
from mendbay.faces.cli.screen import Screen, wrapped
from mendbay.faces.cli.take_in_words import authority_warning
from mendbay.imaging.hazard import Condition
from mendbay.jobs.authority import concern
from mendbay.jobs.bench import Bench
from mendbay.jobs.imaging_record import was_read_from_device
from mendbay.jobs.power_permit import POWER, unasked_power
from mendbay.jobs.triage_case import kept_without_power

DRIVE = ("reading-drive",)
"""Before a drive is read, or asked about itself."""
CLICKS = ("clicking-drive",)
"""Before a drive is read of which a person says that it clicks."""


def say_cautions(screen: Screen, ids: tuple[str, ...]) -> None:
    """Shows these cautions in full, and that local rules come first. A program that asked for JSON gets its
    answer alone."""
    cautions = cautions_for(ids)
    lines = [wrapped(f"CAUTION, {one.title}: {one.text}", "", "  ") for one in cautions]
    screen.say("\n".join([*lines, wrapped(cautions[0].deferral, "", "  "), ""]))


def say_drive_cautions(
    screen: Screen, bench: Bench, sources: Sequence[str], case: int | None = None, bays: Sequence[str] = ()
) -> None:
    """Shows what is to be minded before drives are read or asked: in full, or in one line where each of them
    was read in this case before. Nothing where no source is a device.

    Args:
        sources: where the drives are.
        case, bays: of the case they belong to, one bay for each source; none for drives of no case.
    """
    devices = [at for at, where in enumerate(sources) if bench.drives.is_device(where)]
    if not devices:
        return
    if case is not None and all(was_read_from_device(bench, case, bays[at]) for at in devices):
        titles = [one.title for one in cautions_for(DRIVE)]
        screen.say("\n".join(wrapped(f"CAUTION as before: {title}.", "", "  ") for title in titles))
    else:
        say_cautions(screen, DRIVE)


def say_clicking(screen: Screen, bench: Bench, case: int, said: Mapping[str, Condition | None]) -> None:
    """Shows, before power or reading goes on, what the usual advice is for drives of which a person says that
    they click; nothing for those that triage keeps without power, as that said it already.

    Args:
        said: by bay, what the person says with the command.
    """
    clicking = [bay for bay, condition in said.items() if condition is Condition.CLICKS]
    clicking = [bay for bay in clicking if kept_without_power(bench, case, bay) is None]
    if not clicking:
        return
    say_cautions(screen, CLICKS)
    for bay in clicking:
        screen.say(
            f"To have triage weigh it: {wording.called_as()} triage tell {case} sound clicks --bay {bay}"
        )


def say_own_time(screen: Screen, bench: Bench, sources: Sequence[str]) -> None:
    """Says once, before they are read, that some of the drives are simulated and count time by themselves."""
    if any(map(bench.drives.keeps_own_time, sources)):
        said = (
            "A simulated drive: the minutes and hours of an advice are what its reads take by its own count."
        )
        screen.say(wrapped(said, "", "  "))


def say_unsettled(screen: Screen, bench: Bench, case: int) -> None:
    """Says once, before a drive of a case is read, what nobody asked the customer or put down yet, with the
    commands that put it right; reading goes on. A program that asked for JSON gets its answer alone."""
    called = wording.called_as()
    if unasked := unasked_power(bench, case):
        screen.say(wrapped(f"Mind: {unasked}", "", "  "))
        screen.say(f"  What to read to them: {called} case consent {case} {POWER}")
        screen.say(f"  To put their word down: {called} case consent {case} {POWER} yes|no|ask")
    if unsettled := authority_warning(concern(bench, case), case):
        screen.say(wrapped(unsettled, "", "  "))
