"""What is said before a work gives a drive power: the cautions, and what nobody asked the customer yet."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from mendbay.core.cautions import cautions_for
from mendbay.imaging.hazard import Condition
from mendbay.jobs.authority import concern
from mendbay.jobs.bench import Bench
from mendbay.jobs.events import Said
from mendbay.jobs.imaging_record import was_read_from_device
from mendbay.jobs.power_permit import unasked_power
from mendbay.jobs.triage_case import kept_without_power

DRIVE, CLICKS = ("reading-drive",), ("clicking-drive",)


def say_before_reading(
    bench: Bench, case: int, sources: Mapping[str, str], said: Mapping[str, Condition | None]
) -> None:
    """Tells what is to be minded before drives are read or asked, the same that the command line says.

    Args:
        sources: where the drive of each bay is.
        said: by bay, what a person says it is like.
    """
    for sentence in _before_reading(bench, case, sources, said):
        bench.tell(Said(sentence))


def _before_reading(
    bench: Bench, case: int, sources: Mapping[str, str], said: Mapping[str, Condition | None]
) -> Iterator[str]:
    if unasked := unasked_power(bench, case):
        yield f"Mind: {unasked}"
    if unsettled := concern(bench, case):
        yield f"Mind: {unsettled}"
    devices = [bay for bay, where in sources.items() if bench.drives.is_device(where)]
    if devices and all(was_read_from_device(bench, case, bay) for bay in devices):
        yield from (f"CAUTION as before: {one.title}." for one in cautions_for(DRIVE))
    elif devices:
        yield from _cautions(DRIVE)
    clicking = [bay for bay, condition in said.items() if condition is Condition.CLICKS]
    if any(kept_without_power(bench, case, bay) is None for bay in clicking):
        yield from _cautions(CLICKS)
    if any(map(bench.drives.keeps_own_time, sources.values())):
        yield (
            "A simulated drive: the minutes and hours of an advice are what its reads take by its own count."
        )


def _cautions(ids: tuple[str, ...]) -> Iterator[str]:
    cautions = cautions_for(ids)
    yield from (f"CAUTION, {one.title}: {one.text}" for one in cautions)
    yield cautions[0].deferral
