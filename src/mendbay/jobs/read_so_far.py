"""How far the drives of a case are read, for a customer: by the figures that readings left on record."""

from __future__ import annotations

from dataclasses import dataclass

from mendbay.core.quantity import percent_text
from mendbay.jobs.bench import Bench


@dataclass(frozen=True, slots=True)
class ReadSoFar:
    """A drive of which something was read.

    Args:
        share: how much of it was read, as `53.2 %`.
        ended: nothing of it is left to be asked for; what it refused, or the other half of a mirror gave, is
            not.
        complete: all of it was read.
    """

    bay: str
    share: str
    ended: bool
    complete: bool


def read_so_far(bench: Bench, case: int) -> tuple[ReadSoFar, ...]:
    """The drives of which something was read, in the order of their bays.

    Raises:
        NoSuchCase: there is no such case.
    """
    images = {one.bay: one for one in bench.ledger.images(case)}  # of each bay the last
    found = []
    for bay in bench.ledger.bays(case):
        image = images.get(bay.bay)
        if image is None or not image.read_bytes:
            continue
        told = image.read_bytes + image.refused_bytes + image.waived_bytes + image.unread_bytes
        whole = max(told, bay.size_bytes)  # the figures leave out what the other half gave
        share = percent_text(image.read_bytes, whole)
        found.append(ReadSoFar(bay.bay, share, image.unread_bytes == 0, image.read_bytes == whole))
    return tuple(found)
