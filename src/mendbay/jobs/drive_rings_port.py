"""What a page shows of a drive as rings: the picture, and the same in words. Wiring has it drawn."""

from __future__ import annotations

from dataclasses import dataclass

from mendbay.core.span import Span


@dataclass(frozen=True, slots=True)
class RingWords:
    """One ring: where it lies, and the share in each condition that is there, in words.

    Args:
        holds_wanted: whether wanted files lie in it.
    """

    span: Span
    place: str
    shares: str
    holds_wanted: bool = False


@dataclass(frozen=True, slots=True)
class DriveRings:
    """The picture of a drive, or of a range of it.

    Args:
        svg: made by us alone; nothing in it is from the drive but its numbers.
        bands: from the outer edge inward.
        legend: swatch (SVG) and words of each condition and sign that is in it.
        larger: which conditions are drawn larger than they are, and how much there is of them, as a sentence;
        empty for none.
    """

    svg: str
    bands: tuple[RingWords, ...]
    legend: tuple[tuple[str, str], ...]
    larger: str = ""
