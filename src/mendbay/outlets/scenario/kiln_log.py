"""The studio's kiln log: what was fired when, how hot, and how it came out; as a workbook and as programs.

Temperatures are degrees Celsius. The cones' end points are rounded figures of common practice, no source.
"""

from __future__ import annotations

import io
import random
import re
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from openpyxl import Workbook  # type: ignore[import-untyped]

from mendbay.outlets.scenario import story
from mendbay.outlets.scenario.drawing.glazes import GLAZES

SAMPLE_MINUTES = 5
CONES = {"06": 998, "04": 1060, "5": 1186, "6": 1222, "8": 1249, "10": 1285}
NOTES = (
    "Even from top to bottom.",
    "Bottom shelf half a cone cooler; move the witness cones.",
    "Two cracked plates on the middle shelf, both thick in the foot.",
    "Celadon pooled nicely. Keep the slow cool.",
    "Crawling on the shino where the ware was dusty.",
    "Power dipped at about 900 for ten minutes, carried on by hand.",
    "Oxblood clear on the left, grey on the right: more draught next time.",
    "Element 3 looks tired.",
    "Tile board read, photographs taken.",
    "Glaze ran onto the shelf: the ash recipe wants less on the lower third.",
    "Good. Same again.",
)
LOAD = ("mugs", "bowls", "test tiles", "vases", "plates", "jars", "beakers", "mixed")


@dataclass(frozen=True, slots=True)
class Firing:
    """One firing; `peak` in degrees, times in seconds since 1970, `readings` every five minutes."""

    number: int
    lit_at: int
    kind: str
    cone: str
    peak: int
    hold_minutes: int
    atmosphere: str
    load: str
    energy_kwh: float
    glaze: str
    note: str
    readings: tuple[int, ...]


def firings(seed: int) -> tuple[Firing, ...]:
    """Every firing from the day the box was set up to the newest one, oldest first."""
    chance = random.Random(f"kiln {seed}")  # noqa: S311 - an invented studio
    found: list[Firing] = []
    at = story.BOX_SET_UP_AT + 3 * 86400
    while at <= story.NEWEST_FIRING_AT - 86400:
        found.append(_firing(chance, len(found) + 1, at))
        at += int(chance.choice((1.2, 1.5, 2, 2, 2.5, 3)) * 86400) + chance.randrange(-5400, 5400)
    return tuple(found)


def write_kiln_log(path: Path, rows: Sequence[Firing], saved_at: int) -> None:
    """Writes the workbook with the given firings; the same rows and time give the same bytes."""
    book = Workbook(write_only=True)
    _firing_sheet(book, rows)
    _reading_sheet(book, rows)
    _recipe_sheet(book)
    cones = book.create_sheet("Cones")
    cones.append(["Cone", "End point at 60 degrees an hour"])
    for name, degrees in CONES.items():
        cones.append([name, degrees])
    book.properties.creator = story.OWNER
    book.properties.title = f"{story.STUDIO}: kiln log"
    out = io.BytesIO()
    book.save(out)
    path.write_bytes(_repeatable(out.getvalue(), saved_at))


def write_program(path: Path, cone: str, cooling: int) -> None:
    """Writes a firing program as the controller exports it: segment, rate, target, hold."""
    peak = CONES[cone]
    rows = [
        (1, 90, 120, 60),
        (2, 110, 600, 0),
        (3, 150, peak - 100, 0),
        (4, 60, peak, 20),
        (5, -cooling, 760, 0),
    ]
    lines = ["segment;degrees an hour;target;hold minutes"] + [";".join(map(str, row)) for row in rows]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def _firing(chance: random.Random, number: int, at: int) -> Firing:
    bisque = number % 3 == 1
    cone = chance.choice(("06", "04")) if bisque else chance.choice(("5", "6", "6", "8", "10"))
    peak = CONES[cone] + chance.randint(-6, 7)
    hold = 10 if bisque else chance.choice((0, 10, 15, 20, 30))
    atmosphere = "reduction" if cone in ("8", "10") and chance.random() < 0.8 else "oxidation"
    glaze = "" if bisque else chance.choice(GLAZES).name
    readings = _curve(chance, peak, hold)
    energy = round(len(readings) * SAMPLE_MINUTES / 60 * chance.uniform(3.3, 4.1), 1)
    return Firing(
        number,
        at - at % 60,
        "bisque" if bisque else "glaze",
        cone,
        peak,
        hold,
        atmosphere,
        chance.choice(LOAD),
        energy,
        glaze,
        chance.choice(NOTES),
        readings,
    )


def _curve(chance: random.Random, peak: int, hold_minutes: int) -> tuple[int, ...]:
    """The kiln's temperature: four rates up, the hold, and a fall that slows as it nears the room's."""
    knots_hours, knots = [0.0], [18.0 + chance.uniform(-3, 4)]
    for target, rate in ((120, 90), (600, 110), (peak - 100, 150), (peak, 60)):
        knots_hours.append(knots_hours[-1] + (target - knots[-1]) / (rate * chance.uniform(0.93, 1.05)))
        knots.append(float(target))
    knots_hours.append(knots_hours[-1] + hold_minutes / 60)
    knots.append(float(peak))
    hours = np.arange(0, knots_hours[-1] + 11, SAMPLE_MINUTES / 60)
    cooling = 20 + (peak - 20) * np.exp(-np.maximum(hours - knots_hours[-1], 0) / chance.uniform(6.5, 8.5))
    rising = np.interp(hours, knots_hours, knots)
    noise = np.array([chance.gauss(0, 1.3) for _ in hours])
    degrees = np.where(hours <= knots_hours[-1], rising, cooling) + noise
    return tuple(int(one) for one in np.rint(np.minimum(degrees, peak + 1)))


def _firing_sheet(book: Workbook, rows: Sequence[Firing]) -> None:
    sheet = book.create_sheet("Firings")
    sheet.append(
        ["No.", "Lit", "Kind", "Cone", "Peak °C", "Hold min", "Atmosphere", "Load", "kWh", "Glaze", "Notes"]
    )
    for one in rows:
        sheet.append(
            [
                one.number,
                datetime.fromtimestamp(one.lit_at, UTC).replace(tzinfo=None),
                one.kind,
                one.cone,
                one.peak,
                one.hold_minutes,
                one.atmosphere,
                one.load,
                one.energy_kwh,
                one.glaze,
                one.note,
            ]
        )


def _reading_sheet(book: Workbook, rows: Sequence[Firing]) -> None:
    """One row for each firing: the readings run to the right, five minutes apart."""
    sheet = book.create_sheet("Readings")
    longest = max((len(one.readings) for one in rows), default=0)
    clock = [str(timedelta(minutes=SAMPLE_MINUTES * step))[:-3] for step in range(longest)]
    sheet.append(["Firing", *clock])
    for one in rows:
        sheet.append([one.number, *one.readings])


def _recipe_sheet(book: Workbook) -> None:
    chance = random.Random("recipes")  # noqa: S311 - an invented studio
    sheet = book.create_sheet("Glaze recipes")
    parts = (
        "Feldspar",
        "Silica",
        "Whiting",
        "Kaolin",
        "Frit",
        "Wood ash",
        "Iron oxide",
        "Copper",
        "Cobalt",
        "Rutile",
    )
    sheet.append(["Glaze", *(f"{part} %" for part in parts)])
    for glaze in GLAZES:
        amounts = [
            chance.uniform(24, 46),
            chance.uniform(15, 30),
            chance.uniform(8, 20),
            chance.uniform(5, 14),
        ]
        amounts += [
            chance.uniform(0, 12),
            chance.choice((0.0, 0.0, 18.0)),
            *(chance.choice((0.0, 0.5, 2.0, 6.0)) for _ in range(4)),
        ]
        total = sum(amounts)
        sheet.append([glaze.name, *(round(100 * amount / total, 1) for amount in amounts)])


def _repeatable(workbook: bytes, saved_at: int) -> bytes:
    """The workbook with the one moment `saved_at` in place of every time it was written."""
    moment = datetime.fromtimestamp(saved_at, UTC)
    stamp = moment.strftime("%Y-%m-%dT%H:%M:%SZ").encode()
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(workbook)) as given, zipfile.ZipFile(out, "w") as made:
        for name in sorted(given.namelist()):
            content = given.read(name)
            if name == "docProps/core.xml":
                content = re.sub(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", stamp, content)
            entry = zipfile.ZipInfo(name, moment.timetuple()[:6])
            entry.compress_type = zipfile.ZIP_DEFLATED
            made.writestr(entry, content)
    return out.getvalue()
