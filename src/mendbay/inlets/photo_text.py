"""Text in a picture: where it is, which way it runs, what it says and how sure each character is.

Finding and reading are done by the models that come with rapidocr; the way from the picture to straight
crops and from the reader's answers to characters is ours, for three reasons: text at any angle is turned
upright before it is read, crops come from the full picture however small a copy of it was searched, and
the alphabet is limited to what labels and boards carry, so that a letter is never taken for its look-alike
of another script.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from mendbay.inlets import photo_geometry as geometry
from mendbay.inlets.photo_geometry import Pixels, Quads

ALPHABET = "".join(map(chr, range(0x20, 0x7F))) + "°µΩ±×®©™"

SEARCHED_SIDE = 1600
"""Side of the tiles in which a large picture is searched, and of the small copy searched as a whole."""
WHOLE_SIDE = 2300
"""Pictures up to this side are searched in one go."""
FIRST_SIDE = 1100
TILE_OVERLAP = 240
MOST_TILES = 24
PLAIN = 1.5
"""Standard deviation of grey below which a tile shows nothing."""
MOST_LINES = 600
"""More places than this in one picture are no label; the largest are kept."""
READ_HEIGHT = 48
"""Height in pixels of a line as the reading model takes it."""
LONGEST_READ = 3200
LONGEST_STRIP = 4
"""How many times longer than wide a picture may be that is searched; narrower ones are widened."""
BATCH = 6
SURE = 0.85
WEAKEST = 0.5
"""Lines read with less confidence than this on average are noise more often than text."""
SMALL_PRINT = 20.0


@dataclass(frozen=True, slots=True)
class Line:
    """One line read: `quad` (4, 2) in the picture it was read from, `characters` a confidence for each."""

    text: str
    confidence: float
    characters: tuple[float, ...]
    quad: Quads

    @property
    def weight(self) -> float:
        """For choosing between readings of one place: sure characters count, unsure ones do not."""
        return float(sum(max(one - 0.3, 0) for one in self.characters))


NOTHING_READ = ("", 0.0, ())


class TextReader:
    """The two models, loaded once. Reads nothing from outside the installed package.

    Raises:
        ImportError: rapidocr, onnxruntime or OpenCV is not installed.
    """

    def __init__(self, threads: int) -> None:
        import rapidocr

        models = Path(str(rapidocr.__file__)).parent / "models"
        engine: Any = rapidocr.RapidOCR(
            params={
                # with paths given the library never looks for models elsewhere
                "Det.model_path": str(_only(models, "*det*.onnx")),
                "Rec.model_path": str(_only(models, "*rec*.onnx")),
                "Cls.model_path": str(_only(models, "*cls*.onnx")),
                "EngineConfig.onnxruntime.intra_op_num_threads": threads,
                "EngineConfig.onnxruntime.inter_op_num_threads": 1,
                "Global.log_level": "critical",
            }
        )
        self._finder = engine._load_det_model()
        recogniser = engine._load_rec_model()
        self._session = recogniser.session
        letters = recogniser.postprocess_op.character
        self._kept = np.array([0] + [at for at, one in enumerate(letters) if at and one in set(ALPHABET)])
        self._letters = ["", *(letters[at] for at in self._kept[1:])]

    def read(self, pixels: Pixels, angle: float) -> list[Line]:
        """The lines of a BGR picture whose text runs at `angle`, in reading order, and those that run across.

        Every line of the text direction is read as it stands and, if that is unsure, upside down; places
        that stand on end are read both ways.
        """
        turned = geometry.turned_upright(pixels, angle)
        found = geometry.lying(self._search(turned.pixels))
        lines = self._read_best(turned.pixels, found)
        kept = [one for one in _merged(lines) if one.confidence >= WEAKEST]
        kept.sort(key=lambda one: (round(float(one.quad[:, 1].mean()) / 12), float(one.quad[:, 0].min())))
        return [replace(one, quad=turned.back(one.quad)) for one in kept]

    def direction(self, pixels: Pixels) -> float:
        """The angle at which most of the text runs, found on a small copy and by reading a few lines both
        ways; 0 if there is no text."""
        shrunk, scale = _at_most(pixels, FIRST_SIDE)
        found = geometry.lying(self._find(shrunk)) / scale
        if not len(found):
            return 0.0
        wide, high = geometry.sizes(found)
        telling = wide > 1.6 * high
        if not telling.any():
            return 0.0
        found, wide = found[telling], wide[telling]
        line = geometry.common_line(geometry.angles(found), wide)
        off = np.abs((geometry.angles(found) - line + 90) % 180 - 90)
        along = found[off < 20]
        order = np.argsort(-geometry.sizes(along)[0])[:10]
        along = np.stack([_running(quad, line) for quad in along[order]])
        upright = self._read_all(pixels, along)
        reversed_ = self._read_all(pixels, np.roll(along, 2, axis=1))
        gain = sum(_weight(one) for one in upright) - sum(_weight(one) for one in reversed_)
        return line if gain >= 0 else line + 180

    def _search(self, pixels: Pixels) -> Quads:
        """Places of text in an upright picture, by searches of the whole and, where it is large or the print
        small, of its parts."""
        rows, columns = pixels.shape[:2]
        found = []
        # letters that are soft at full size are found in a smaller copy, where they are sharp
        for side in (FIRST_SIDE, SEARCHED_SIDE if max(rows, columns) > WHOLE_SIDE else WHOLE_SIDE):
            copy, scale = _at_most(pixels, side)
            found.append(self._find(copy) / scale)
        if max(rows, columns) > WHOLE_SIDE:
            parts = list(geometry.tiles(rows, columns, SEARCHED_SIDE, TILE_OVERLAP))[:MOST_TILES]
            found.extend(self._in_tile(pixels, part, 1.0) for part in parts)
        else:
            found.extend(self._closer(pixels, np.concatenate(found)))
        quads = np.concatenate(found)
        if len(quads) > MOST_LINES:
            wide, high = geometry.sizes(quads)
            quads = quads[np.argsort(-wide * high)[:MOST_LINES]]
        return quads

    def _closer(self, pixels: Pixels, found: Quads) -> Iterable[Quads]:
        """Looks again, twice as large, at the part that holds print too small for a good search, or at all of
        a picture in which nothing was found."""
        rows, columns = pixels.shape[:2]
        top, left, bottom, right = 0, 0, rows, columns
        if len(found):
            _, high = geometry.sizes(geometry.lying(found))
            small = high < SMALL_PRINT * 1.5  # the finder's places are half as high again as the letters
            if not small.any():
                return
            places = found[small]
            left, top = (max(int(one) - 30, 0) for one in places.min(axis=(0, 1)))
            right, bottom = (int(one) + 30 for one in places.max(axis=(0, 1)))
        part = pixels[top:bottom, left:right]
        side = SEARCHED_SIDE // 2 + TILE_OVERLAP
        for down, across in list(geometry.tiles(part.shape[0], part.shape[1], side, TILE_OVERLAP // 2))[:6]:
            yield self._in_tile(
                pixels,
                (slice(down.start + top, down.stop + top), slice(across.start + left, across.stop + left)),
                2.0,
            )

    def _in_tile(self, pixels: Pixels, part: tuple[slice, slice], scale: float) -> Quads:
        """Places within one tile, without those cut by an edge that is not the picture's own."""
        tile = pixels[part]
        if float(tile.std()) < PLAIN:
            return geometry.NO_QUADS
        if scale != 1:
            tile = np.asarray(
                cv2.resize(tile, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC), np.uint8
            )
        quads = self._find(tile) / scale
        if not len(quads):
            return quads
        box = geometry.boxes(quads)
        rows, columns = pixels.shape[:2]
        inner = np.array([part[1].start > 0, part[0].start > 0, part[1].stop < columns, part[0].stop < rows])
        edge = np.array([0, 0, part[1].stop - part[1].start, part[0].stop - part[0].start])
        cut = (np.abs(box - edge) < 4) & inner
        return np.asarray(quads[~cut.any(axis=1)] + np.array([part[1].start, part[0].start]))

    def _find(self, pixels: Pixels) -> Quads:
        if min(pixels.shape[:2]) < 16:
            return geometry.NO_QUADS
        # the finder enlarges the shorter side to 736 pixels, which would make a strip enormous
        least = max(pixels.shape[:2]) // LONGEST_STRIP
        short = [max(least - side, 0) for side in pixels.shape[:2]]
        if any(short):
            pixels = np.asarray(
                cv2.copyMakeBorder(pixels, 0, short[0], 0, short[1], cv2.BORDER_REPLICATE), np.uint8
            )
        answer = self._finder(np.ascontiguousarray(pixels))
        if answer.boxes is None or not len(answer.boxes):
            return geometry.NO_QUADS
        return np.asarray(answer.boxes, np.float64).reshape(-1, 4, 2)

    def _read_best(self, pixels: Pixels, quads: Quads) -> list[Line]:
        """The surest reading of each place over the directions its text may run in."""
        if not len(quads):
            return []
        away = np.abs(geometry.angles(quads)) > 90  # lying() leaves upright places running to the right
        quads = np.where(away[:, None, None], np.roll(quads, 2, axis=1), quads)
        readings = self._read_all(pixels, quads)
        lines = [Line(*reading, quad) for reading, quad in zip(readings, quads, strict=True)]
        across = np.abs(geometry.angles(quads)) > 45
        again = [at for at, one in enumerate(lines) if across[at] or one.confidence < SURE]
        if again:
            turned = np.roll(quads[again], 2, axis=1)
            for at, reading, quad in zip(again, self._read_all(pixels, turned), turned, strict=True):
                other = Line(*reading, quad)
                if other.confidence > lines[at].confidence and other.weight > lines[at].weight:
                    lines[at] = other
        return [one for one in lines if one.text]

    def _read_all(self, pixels: Pixels, quads: Quads) -> list[tuple[str, float, tuple[float, ...]]]:
        """Text, mean confidence and confidence of each character for every place."""
        crops = [geometry.cut_out(pixels, quad, READ_HEIGHT)[:, :LONGEST_READ] for quad in quads]
        readings: list[tuple[str, float, tuple[float, ...]]] = [NOTHING_READ] * len(crops)
        order = sorted(range(len(crops)), key=lambda at: crops[at].shape[1])
        for start in range(0, len(order), BATCH):
            chosen = order[start : start + BATCH]
            for at, reading in zip(chosen, self._read_batch([crops[at] for at in chosen]), strict=True):
                readings[at] = reading
        return readings

    def _read_batch(self, crops: Sequence[Pixels]) -> list[tuple[str, float, tuple[float, ...]]]:
        width = max(max(one.shape[1] for one in crops), 320)
        batch = np.zeros((len(crops), 3, READ_HEIGHT, width), np.float32)
        for at, crop in enumerate(crops):
            batch[at, :, :, : crop.shape[1]] = crop.transpose(2, 0, 1) / 127.5 - 1
        chances = np.asarray(self._session(batch))[:, :, self._kept]
        return [self._spelt(one) for one in chances]

    def _spelt(self, chances: NDArray[np.float32]) -> tuple[str, float, tuple[float, ...]]:
        """Text from the chances of each letter at each step: a letter counts once for as long as it stays the
        likeliest, and is as sure as at its surest step."""
        best = chances.argmax(axis=1)
        begins = np.flatnonzero(np.diff(best, prepend=-1))
        surest = np.maximum.reduceat(chances.max(axis=1), begins)
        spelt = [
            (self._letters[at], float(sure)) for at, sure in zip(best[begins], surest, strict=True) if at
        ]
        while spelt and spelt[0][0] == " ":
            spelt.pop(0)
        while spelt and spelt[-1][0] == " ":
            spelt.pop()
        if not spelt:
            return NOTHING_READ
        sure = tuple(round(min(max(one, 0.0), 1.0), 4) for _, one in spelt)
        return "".join(one for one, _ in spelt), round(float(np.mean(sure)), 4), sure


def _only(folder: Path, pattern: str) -> Path:
    found = sorted(folder.glob(pattern))
    if not found:
        raise ImportError(f"the text reader came without its model {pattern}")
    return found[0]


def _weight(reading: tuple[str, float, tuple[float, ...]]) -> float:
    return sum(one - 0.5 for one in reading[2])


def _running(quad: Quads, angle: float) -> Quads:
    """The place turned so that its text runs within a right angle of `angle`."""
    off = (float(geometry.angles(quad[None])[0]) - angle + 180) % 360 - 180
    return np.roll(quad, 2, axis=0) if abs(off) > 90 else quad


def _at_most(pixels: Pixels, side: int) -> tuple[Pixels, float]:
    """The picture made so small that its longer side is at most `side`, and its scale."""
    scale = side / max(pixels.shape[:2])
    if scale >= 1:
        return pixels, 1.0
    return np.asarray(
        cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8
    ), scale


def _merged(lines: list[Line]) -> list[Line]:
    """One reading for each place: of those that lie over each other the one with the most sure characters."""
    kept: list[Line] = []
    taken = np.empty((0, 4))
    for one in sorted(lines, key=lambda line: -line.weight):
        box = geometry.boxes(one.quad[None])
        if len(taken) and float(geometry.shared(box[0], taken).max()) > 0.5:
            continue
        kept.append(one)
        taken = np.vstack([taken, box])
    return kept
