"""What a drive's size says about it: the count its class should have, or a reason to look again.

Sources: IDEMA LBA1-02 and LBA1-03 for capacities above 50 GB up to 8000 GB; SFF-8447 for larger ones.
LBA1-02 was binding only from 80 GB (2.5-inch) and 160 GB (3.5-inch) on, and many sound drives keep a
count of their maker's own, so a count off the standard is by itself no sign of harm.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from mendbay.core.quantity import bytes_text, count_text

GB = 10**9
_GIB = 2**30
_RULED_SECTORS = (512, 4096)
_LINEAR_TOP_GB = 8000

_BOUND_FROM_GB = 80
"""The smallest class LBA1-02 binds."""

_USUAL_GB = (
    *(80, 100, 120, 128, 160, 200, 240, 250, 256, 300, 320, 400, 480, 500, 512, 600, 640, 750, 800, 900, 960),
    *(1000, 1024, 1200, 1500, 1600, 1800, 1920, 2000, 2048, 2400, 2500, 3000, 3840, 4000, 5000, 6000, 7680),
    *(8000, 10_000, 12_000, 14_000, 15_360, 16_000, 18_000, 20_000, 22_000, 24_000, 26_000, 28_000, 30_000),
)
"""Classes drives are sold in (common practice, no source). Only used to name the nearest one."""

_NEAR_PERMILLE = 10
"""How far from a class a count may lie and still be spoken of as that class (common practice, no source)."""

_ADDRESS_LIMITS = {
    2**28 - 1: "28-bit addressing",
    2**28: "28-bit addressing",
    2**32 - 1: "32-bit addressing",
    2**32: "32-bit addressing",
}
"""Counts at which an address runs out. ATA IDENTIFY words 60-61 stop at 2^28 - 1 (ACS-3, 7.12.7)."""

_MOST_SECTORS = 2**48
"""48-bit addressing counts no further (ACS-3)."""


class Fit(StrEnum):
    """How a drive's size sits with the standard."""

    CONFORMING = "conforming"
    """Exactly the count the standard gives for a whole number of GB."""
    OWN_COUNT = "own count"
    """Not the standard's count: its maker's or a box maker's own. Common, and no fault."""
    OLDER = "not bound"
    """Below the classes the standard binds; nothing can be concluded."""
    CLIPPED = "clipped"
    """Less than the drive holds: the count is where an address runs out, or is far below its label."""
    ABSURD = "absurd"
    """Cannot be the size of the drive: nothing, a broken sector, beyond all addresses, or more than its
    label says."""


@dataclass(frozen=True, slots=True)
class Capacity:
    """What a size amounts to.

    `advertised_gb` is the class in 10^9 bytes it belongs to or is nearest to, None if there is none.
    `standard_sectors` is that class's count in the drive's sectors, `surplus_sectors` how far the drive
    lies above it (negative: below); both None without a class. `sentence` is for a person.
    """

    size_bytes: int
    sector_bytes: int
    fit: Fit
    advertised_gb: int | None
    standard_sectors: int | None
    surplus_sectors: int | None
    sentence: str


def standard_sectors(advertised_gb: int, sector_bytes: int) -> int:
    """The count of sectors that the standard gives a drive advertised with `advertised_gb` x 10^9 bytes.

    Source: IDEMA LBA1-02 (512-byte sectors) and LBA1-03 (4096), 50 < GB <= 8000; above, SFF-8447: whole
    GiB, rounded up.

    Raises:
        ValueError: 50 GB or less, or sectors of another size (the standard's branches for 520 and 528
            bytes are not implemented).
    """
    if advertised_gb <= 50:
        raise ValueError(f"the standard begins above 50 GB, not at {advertised_gb}")
    if sector_bytes not in _RULED_SECTORS:
        raise ValueError(f"no rule for sectors of {sector_bytes} bytes")
    if advertised_gb > _LINEAR_TOP_GB:
        return -(-advertised_gb * GB // _GIB) * _GIB // sector_bytes
    if sector_bytes == 512:
        return 97_696_368 + 1_953_504 * (advertised_gb - 50)
    return 12_212_046 + 244_188 * (advertised_gb - 50)


def advertised(size_bytes: int, sector_bytes: int, label_gb: int | None = None) -> Capacity:
    """What the size a drive reports says about it.

    Args:
        size_bytes, sector_bytes: as the drive (or the adapter before it) reports them.
        label_gb: the capacity on its label in 10^9 bytes, if somebody has read it.
    """
    absurd = _absurdity(size_bytes, sector_bytes)
    if absurd:
        return Capacity(size_bytes, sector_bytes, Fit.ABSURD, None, None, None, absurd)
    sectors = size_bytes // sector_bytes
    if sectors in _ADDRESS_LIMITS and (label_gb is None or label_gb * GB > size_bytes * 1.01):
        return _at_address_limit(size_bytes, sector_bytes, _ADDRESS_LIMITS[sectors])
    wrapped = _exact_class(size_bytes + 2**32 * sector_bytes)
    exact = _exact_class(size_bytes) if sector_bytes in _RULED_SECTORS else None
    if label_gb is not None and not _near(size_bytes, label_gb):
        return _against_label(size_bytes, sector_bytes, label_gb, wrapped)
    if exact is not None:
        standard = f"exactly the standard's count for {_class_text(exact)}"
        return _of_class(size_bytes, sector_bytes, Fit.CONFORMING, exact, f"{_size(size_bytes)}: {standard}.")
    if wrapped in _USUAL_GB and label_gb is None:
        return _wrapped(size_bytes, sector_bytes, wrapped)
    return _own_count(size_bytes, sector_bytes, label_gb)


def _absurdity(size_bytes: int, sector_bytes: int) -> str:
    """Why the size cannot be a drive's at all; empty if it can."""
    if sector_bytes <= 0 or sector_bytes & 7:
        return f"The drive reports sectors of {sector_bytes} bytes, which no drive has."
    if size_bytes <= 0:
        return "The drive reports no size at all: it answers, but does not know itself (yet)."
    if size_bytes % sector_bytes:
        return (
            f"The drive reports {count_text(size_bytes)} bytes, which is not a whole number of its "
            f"{sector_bytes}-byte sectors."
        )
    if size_bytes // sector_bytes > _MOST_SECTORS:
        return f"The drive reports {bytes_text(size_bytes)}, more than 48-bit addresses can reach."
    return ""


def _exact_class(size_bytes: int) -> int | None:
    """The whole number of GB whose standard count is exactly this size.

    Above 8000 GB every whole number of GiB fits some class, so there only one sold in tens of GB counts.
    """
    top = size_bytes // GB
    if size_bytes % 4096 == 0 and size_bytes <= standard_sectors(_LINEAR_TOP_GB, 512) * 512:
        gb, rest = divmod(size_bytes // 512 - 97_696_368, 1_953_504)
        return gb + 50 if rest == 0 and gb > 0 else None
    if size_bytes % _GIB == 0:
        gb = top // 10 * 10
        return gb if gb > _LINEAR_TOP_GB and gb * GB > size_bytes - _GIB else None
    return None


def _near(size_bytes: int, gb: int) -> bool:
    """Whether a size can belong to a class: some per mille off, or the surplus the standard itself adds."""
    return abs(size_bytes - gb * GB) * 1000 <= gb * GB * _NEAR_PERMILLE + _GIB * 1000


def _own_count(size_bytes: int, sector_bytes: int, label_gb: int | None) -> Capacity:
    nearest = label_gb or min(_USUAL_GB, key=lambda gb: abs(size_bytes - gb * GB))
    if size_bytes < (_BOUND_FROM_GB - 1) * GB:
        said = f"{_size(size_bytes)}: smaller than any drive whose size the standard fixes."
        return Capacity(size_bytes, sector_bytes, Fit.OLDER, None, None, None, said)
    if sector_bytes not in _RULED_SECTORS or not _near(size_bytes, nearest):
        said = f"{_size(size_bytes)}: a count of its maker's own. Compare it with the label."
        return Capacity(size_bytes, sector_bytes, Fit.OWN_COUNT, None, None, None, said)
    surplus = size_bytes // sector_bytes - standard_sectors(nearest, sector_bytes)
    how = "above" if surplus > 0 else "below"
    said = (
        f"{_size(size_bytes)}: {count_text(abs(surplus))} sectors {how} the standard's count for "
        f"{_class_text(nearest)}. Makers' own counts are common; a replacement must hold at least as many."
    )
    return _of_class(size_bytes, sector_bytes, Fit.OWN_COUNT, nearest, said)


def _at_address_limit(size_bytes: int, sector_bytes: int, limit: str) -> Capacity:
    said = (
        f"{_size(size_bytes)}: exactly where {limit} ends. Unless the label says the same, the adapter or a "
        "limit set on the drive hides the rest; ask again through another adapter."
    )
    return Capacity(size_bytes, sector_bytes, Fit.CLIPPED, None, None, None, said)


def _wrapped(size_bytes: int, sector_bytes: int, gb: int) -> Capacity:
    said = (
        f"{_size(size_bytes)}: what is left of a {_class_text(gb)} drive when only the lowest 32 bits of its "
        "count are passed on. Ask again through another adapter."
    )
    return _of_class(size_bytes, sector_bytes, Fit.CLIPPED, gb, said)


def _against_label(size_bytes: int, sector_bytes: int, label_gb: int, wrapped: int | None) -> Capacity:
    if wrapped == label_gb:
        return _wrapped(size_bytes, sector_bytes, wrapped)
    if size_bytes < label_gb * GB:
        said = (
            f"{_size(size_bytes)}, but the label says {_class_text(label_gb)}: the adapter or a limit set on "
            "the drive hides the rest, or its board carries another drive's data."
        )
        return _of_class(size_bytes, sector_bytes, Fit.CLIPPED, label_gb, said)
    said = (
        f"{_size(size_bytes)}, more than the {_class_text(label_gb)} on the label: the label or the board "
        "belongs to another drive, or the sector size is reported wrongly."
    )
    return _of_class(size_bytes, sector_bytes, Fit.ABSURD, label_gb, said)


def _of_class(size_bytes: int, sector_bytes: int, fit: Fit, gb: int, sentence: str) -> Capacity:
    if gb <= 50 or sector_bytes not in _RULED_SECTORS:
        return Capacity(size_bytes, sector_bytes, fit, gb, None, None, sentence)
    standard = standard_sectors(gb, sector_bytes)
    surplus = size_bytes // sector_bytes - standard
    return Capacity(size_bytes, sector_bytes, fit, gb, standard, surplus, sentence)


def _class_text(gb: int) -> str:
    """The class as it is sold: `500 GB`, `2 TB`, `1.5 TB`."""
    if gb < 1000:
        return f"{gb}\u2009GB"
    return f"{gb / 1000:g}\u2009TB"


def _size(size_bytes: int) -> str:
    return bytes_text(size_bytes)
