"""What is to be minded before drives get power and are read, for every face that says it in sentences."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from mendbay.imaging.hazard import Condition
from mendbay.jobs.authority import concern
from mendbay.jobs.bench import Bench
from mendbay.jobs.drive_condition import said_condition
from mendbay.jobs.imaging_record import was_read_from_device
from mendbay.jobs.power_permit import unasked_power
from mendbay.jobs.triage_case import kept_without_power

DRIVE, CLICKS = ("reading-drive",), ("clicking-drive",)
OWN_TIME = "A simulated drive: the minutes and hours of an advice are what its reads take by its own count."


@dataclass(frozen=True, slots=True)
class BeforeReading:
    """What is to be said before drives are read or asked.

    Args:
        minds: what nobody asked the customer or put down yet, as sentences.
        drive: there is a device among them: the caution `DRIVE` is due.
        is_known: each of those devices was read in this case before, so that its title is enough.
        clicks: a person says, or said last, that one clicks which triage does not keep without power:
            `CLICKS` is due.
        own_time: a sentence on simulated drives; empty where there is none.
    """

    minds: tuple[str, ...]
    drive: bool
    is_known: bool
    clicks: bool
    own_time: str

    @property
    def cautions(self) -> tuple[str, ...]:
        """The cautions that are due, whether or not they are known."""
        return (*(DRIVE if self.drive else ()), *(CLICKS if self.clicks else ()))


def before_reading(
    bench: Bench, case: int, sources: Mapping[str, str], said: Mapping[str, Condition | None]
) -> BeforeReading:
    """What is to be said before these drives are read or asked.

    Args:
        sources: where the drive of each bay is.
        said: by bay, what a person says it is like; None counts as what was said last.
    """
    devices = [bay for bay, where in sources.items() if bench.drives.is_device(where)]
    clicking = [
        bay for bay in sources if (said.get(bay) or said_condition(bench, case, bay)) is Condition.CLICKS
    ]
    return BeforeReading(
        minds=tuple(one for one in (unasked_power(bench, case), concern(bench, case)) if one),
        drive=bool(devices),
        is_known=bool(devices) and all(was_read_from_device(bench, case, bay) for bay in devices),
        clicks=any(kept_without_power(bench, case, bay) is None for bay in clicking),
        own_time=OWN_TIME if any(map(bench.drives.keeps_own_time, sources.values())) else "",
    )
