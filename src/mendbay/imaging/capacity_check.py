"""A drive's size, held against itself: by its identity, by what the host sees, by what it holds with nothing
hidden, by its label, and by the standard.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from mendbay.core.capacity import Capacity, Fit, advertised
from mendbay.core.quantity import bytes_text, count_text
from mendbay.imaging.identify import SATURATED_28, DriveIdentity


class Verdict(StrEnum):
    """What is to be said of a size."""

    AS_STANDARD = "as the standard has it"
    OWN_COUNT = "a count of its own"
    NOT_BOUND = "too small for the standard"
    HIDDEN = "sectors are hidden"
    CLIPPED_BY_ADAPTER = "the adapter shows less"
    STRETCHED_BY_ADAPTER = "the adapter shows more"
    OTHER_SECTORS = "the adapter shows other sectors"
    CLIPPED = "less than the drive should have"
    ABSURD = "cannot be right"


GRAVE = frozenset({Verdict.ABSURD, Verdict.CLIPPED})
"""Those by which a drive counts as detected with a wrong size: its own word cannot be right."""
AMISS = GRAVE | {
    Verdict.HIDDEN,
    Verdict.CLIPPED_BY_ADAPTER,
    Verdict.STRETCHED_BY_ADAPTER,
    Verdict.OTHER_SECTORS,
}
"""Those to be seen to before the drive is read."""


@dataclass(frozen=True, slots=True)
class Said:
    """A verdict and its sentence, with what to do where something is to be done."""

    verdict: Verdict
    sentence: str


@dataclass(frozen=True, slots=True)
class SizeCheck:
    """What a drive's size amounts to.

    Args:
        capacity: as the standard and the label have it.
        said: the verdicts, the gravest first.
        hidden_sectors: how many the drive hides, 0 if none or not known.
    """

    capacity: Capacity
    said: tuple[Said, ...]
    hidden_sectors: int

    @property
    def is_right(self) -> bool:
        """Whether the drive says a size that can be right."""
        return not any(one.verdict in GRAVE for one in self.said)

    @property
    def amiss(self) -> tuple[Said, ...]:
        """What is to be seen to."""
        return tuple(one for one in self.said if one.verdict in AMISS)


_OF_FIT = {
    Fit.CONFORMING: Verdict.AS_STANDARD,
    Fit.OWN_COUNT: Verdict.OWN_COUNT,
    Fit.OLDER: Verdict.NOT_BOUND,
    Fit.CLIPPED: Verdict.CLIPPED,
    Fit.ABSURD: Verdict.ABSURD,
}


def check_size(
    identity: DriveIdentity,
    seen_bytes: int = 0,
    seen_sector_bytes: int = 0,
    native_sectors: int | None = None,
    label_gb: int | None = None,
) -> SizeCheck:
    """Holds a drive's size against all that is known of it.

    Args:
        seen_bytes, seen_sector_bytes: as the host sees the drive; 0 if that is not known.
        native_sectors: how many sectors it has with nothing hidden, None if it did not say.
        label_gb: the capacity on its label in 10^9 bytes, None if nobody read it.
    """
    hidden = max(0, (native_sectors or 0) - identity.sectors)
    full = identity.size_bytes + hidden * identity.sector_bytes
    capacity = advertised(full, identity.sector_bytes, label_gb)
    said = [Said(_OF_FIT[capacity.fit], capacity.sentence)]
    if hidden:
        said.append(_hidden(identity, hidden))
    if identity.sectors == SATURATED_28 and not identity.has_48_bits and capacity.fit is not Fit.CLIPPED:
        said.append(Said(Verdict.CLIPPED, "The count stands where 28-bit addresses end."))
    if seen_bytes and identity.sectors:
        said += _seen(identity, seen_bytes, seen_sector_bytes)
    order = (*sorted(GRAVE), *sorted(AMISS - GRAVE))
    said.sort(key=lambda one: order.index(one.verdict) if one.verdict in order else len(order))
    return SizeCheck(capacity, tuple(said), hidden)


def _hidden(identity: DriveIdentity, hidden: int) -> Said:
    return Said(
        Verdict.HIDDEN,
        f"{count_text(hidden)} sectors ({bytes_text(hidden * identity.sector_bytes)}) lie hidden behind the "
        "end that the drive shows. A box or a computer's maker may have set that; what is there is not read "
        "until the limit is lifted, which changes the drive: read what shows first.",
    )


def _seen(identity: DriveIdentity, seen_bytes: int, seen_sector_bytes: int) -> list[Said]:
    """What the host sees against what the drive says."""
    said = []
    if seen_sector_bytes and seen_sector_bytes != identity.sector_bytes:
        said.append(
            Said(
                Verdict.OTHER_SECTORS,
                f"The host sees sectors of {seen_sector_bytes} bytes, the drive has them of "
                f"{identity.sector_bytes}: this adapter translates. A box that translated in the same way "
                "wrote what is on it; without that, file systems are not found where they lie.",
            )
        )
    difference = seen_bytes - identity.size_bytes
    if difference < 0:
        said.append(
            Said(
                Verdict.CLIPPED_BY_ADAPTER,
                f"The host sees {bytes_text(seen_bytes)}, {count_text(-difference)} bytes less than the "
                f"{bytes_text(identity.size_bytes)} that the drive says. The adapter hides the rest: use "
                "another before reading.",
            )
        )
    elif difference > 0:
        said.append(
            Said(
                Verdict.STRETCHED_BY_ADAPTER,
                f"The host sees {bytes_text(seen_bytes)}, more than the {bytes_text(identity.size_bytes)} "
                "that the drive says: one of the two is wrong. Try another adapter.",
            )
        )
    return said
