"""A picture's reading as text: how it leaves the process that looked at the picture, and how it is kept.

That process has handled hostile bytes, so what it says is believed no more than those: everything is bounded
and checked here.
"""

from __future__ import annotations

import json
import math
import re
from typing import Any

from mendbay.board.sighting import Corners, How, PictureFault, PictureReading, Sighting, Trouble

MOST_SIGHTINGS = 1000
MOST_TROUBLES = 20
LONGEST_TEXT = 4000


UNFIT = re.compile("[\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")
"""Controls, line breaks, signs that turn the direction of a text, and halves of a pair: no text that is shown
or kept may hold them."""


class NotAReading(ValueError):
    """A text that is no picture's reading."""


def packed(reading: PictureReading) -> str:
    """A reading as JSON, without the picture's name and hash, which whoever keeps it knows."""
    return json.dumps(
        {
            "width": reading.width,
            "height": reading.height,
            "usable": reading.usable,
            "seconds": reading.seconds,
            "sightings": [
                [one.text, one.how.value, one.confidence, one.corners, one.code, one.characters]
                for one in reading.sightings
            ],
            "troubles": [
                [one.fault.value, one.measured, one.advice, one.corners] for one in reading.troubles
            ],
        }
    )


def unpacked(message: str | bytes, name: str, sha256: str) -> PictureReading:
    """The reading that `packed` wrote.

    Raises:
        NotAReading: it is anything else.
    """
    try:
        answer = json.loads(message)
        sightings = [_sighting(one, name) for one in _some(answer["sightings"], MOST_SIGHTINGS)]
        troubles = [_trouble(one) for one in _some(answer["troubles"], MOST_TROUBLES)]
        reading = PictureReading(
            picture=name,
            sha256=sha256,
            width=_count(answer["width"]),
            height=_count(answer["height"]),
            sightings=tuple(sightings),
            troubles=tuple(troubles),
            usable=answer["usable"] is True,
            seconds=_number(answer["seconds"], 0, 1e6),
        )
    except (KeyError, TypeError, ValueError, RecursionError) as trouble:
        raise NotAReading(str(trouble)[:200]) from None
    if reading.usable and reading.troubles:
        raise NotAReading("usable and in trouble")
    return reading


def _some(value: Any, most: int) -> list[Any]:
    if not isinstance(value, list) or len(value) > most:
        raise NotAReading("not a list, or too long")
    return value


def _text(value: Any, most: int = LONGEST_TEXT) -> str:
    if not isinstance(value, str) or len(value) > most:
        raise NotAReading("not a text, or too long")
    if UNFIT.search(value):
        raise NotAReading("a sign that cannot be shown")
    return value


def _number(value: Any, low: float, high: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise NotAReading("not a number")
    if not low <= value <= high:
        raise NotAReading("a number out of bounds")
    return float(value)


def _count(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= 1 << 20:
        raise NotAReading("not a count")
    return value


def _corners(value: Any) -> Corners:
    points = _some(value, 4)
    one, two, three, four = ((_number(x, -1e6, 1e6), _number(y, -1e6, 1e6)) for x, y in points)
    return one, two, three, four


def _sighting(value: Any, name: str) -> Sighting:
    text, how, confidence, corners, code, characters = _some(value, 6)
    if not _text(text).strip():
        raise NotAReading("an empty text")
    sure = tuple(_number(one, 0, 1) for one in _some(characters, LONGEST_TEXT))
    if sure and len(sure) != len(text):
        raise NotAReading("as many confidences as characters")
    return Sighting(name, text, How(how), _number(confidence, 0, 1), _corners(corners), _text(code, 60), sure)


def _trouble(value: Any) -> Trouble:
    fault, measured, advice, corners = _some(value, 4)
    place = None if corners is None else _corners(corners)
    return Trouble(PictureFault(fault), _text(measured), _text(advice), place)
