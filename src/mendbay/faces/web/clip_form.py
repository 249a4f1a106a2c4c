"""The clip on a chip, as a form of the browser says it."""

from __future__ import annotations

from mendbay.board.flash_id import Supply
from mendbay.core.errors import UsageError
from mendbay.faces.web.fields import Field, flag, line, several
from mendbay.faces.web.visit import Visit
from mendbay.jobs.clip import Clip, said_before
from mendbay.wiring import BenchProgrammers

ADAPTER = "ftdi://ftdi:232h/1"
"""What the adapter of most benches is called."""
VOLTS = {"1.8": "1.8 V is set and checked", "3.3": "3.3 V is set and checked"}
CLIP: tuple[Field, ...] = (
    line("programmer", "Adapter", required=True, limit=1000),
    several("volts", "Supplies that are set and checked", VOLTS),
    flag("marked", "Marking and data sheet say that it is a 3 V part"),
    flag("ready", "The cautions are read, and the clip is on the right chip"),
)
"""What such a form asks."""


def clip_of(visit: Visit) -> Clip:
    """The clip a person says they have set.

    Raises:
        UsageError: they do not say that it is on the right chip.
    """
    said = visit.said
    if not said["ready"]:
        raise UsageError(
            "Nobody said that the clip is on the right chip.", "Read the cautions, set it, and tick it."
        )
    volts = tuple(float(one) for one in said["volts"])
    marking = Supply.HIGH if said["marked"] else Supply.UNKNOWN
    return Clip(BenchProgrammers(), said["programmer"], said_before(volts, said["marked"]), marking)
