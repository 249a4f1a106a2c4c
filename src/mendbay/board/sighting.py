"""What was seen in a picture of a label, a board or a box, before anything is made of it.

A sighting is text at a place in a picture, with how it was read and how sure the reader is of it. Places
are corners in pixels of the picture as it was taken, so that the spot can be outlined in it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

Corner = tuple[float, float]
Corners = tuple[Corner, Corner, Corner, Corner]
"""The four corners of a text or code, in reading order from its top left, as (x, y) in pixels of the
picture as taken: x grows to the right, y downwards."""

PICTURE_BYTES = 48 << 20
"""Size of the largest file taken for a picture: far above any telephone's."""


class How(StrEnum):
    """How a text was read."""

    BARCODE = "barcode"
    TEXT = "text"
    HAND = "hand"
    """Typed or corrected by a person."""


class PictureFault(StrEnum):
    """Why a picture, or a part of it, cannot be read; each has its advice for the next picture."""

    DARK = "dark"
    GLARE = "glare"
    BLURRED = "blurred"
    SMALL = "small"
    """The writing is too small in the picture."""
    OBLIQUE = "oblique"
    """Taken too far from the side."""
    EMPTY = "empty"
    """Neither a code nor writing was found."""
    CROWDED = "crowded"
    """More codes than are taken from one picture."""
    UNUSABLE = "unusable"
    """Not a picture, damaged, or too large."""
    UNREAD = "not read"
    """Reading it took too long, or the process that read it ended: another time it may be read."""


@dataclass(frozen=True, slots=True)
class Sighting:
    """One text seen in one picture.

    Args:
        picture: name of the picture's file inside its folder.
        text: what was read, outer blanks removed; never empty.
        how: by barcode or as text.
        confidence: 0 to 1. A barcode whose own checks hold has 1; text what its reader says of it.
        corners: where it lies in the picture as taken.
        code: for a barcode the name of its standard as the standard calls it (`Code 128`, `QR Code`,
            `Data Matrix`); else empty.
        characters: for text, how sure the reader is of each character, if it says so; else empty.
    """

    picture: str
    text: str
    how: How
    confidence: float
    corners: Corners
    code: str = ""
    characters: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Trouble:
    """What is wrong with a picture, and what to do about it.

    Args:
        fault: the kind of trouble.
        measured: the figure behind it in words, such as `sharpness 12 of at least 40`.
        advice: one sentence: what to photograph again and how.
        corners: the part of the picture it concerns; None for the whole.
    """

    fault: PictureFault
    measured: str
    advice: str
    corners: Corners | None = None


@dataclass(frozen=True, slots=True)
class PictureReading:
    """All that was seen in one picture.

    `usable` says whether the picture is good enough that what is missing from `sightings` can be taken as
    not being in the picture; `troubles` says why not, or what was in the way.
    """

    picture: str
    sha256: str
    width: int
    height: int
    sightings: tuple[Sighting, ...]
    troubles: tuple[Trouble, ...]
    usable: bool
    seconds: float

    @property
    def unread(self) -> bool:
        """Whether nothing but the reading went wrong, so that it is worth another."""
        return bool(self.troubles) and all(one.fault is PictureFault.UNREAD for one in self.troubles)

    @property
    def blind(self) -> bool:
        """Whether nothing could be seen at all, for want of a picture or of its reading."""
        return any(one.fault in (PictureFault.UNUSABLE, PictureFault.UNREAD) for one in self.troubles)
