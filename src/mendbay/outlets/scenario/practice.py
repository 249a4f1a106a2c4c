"""Material to practise the board's part of the job on: pictures, a stock list and ROM dumps, all invented.

It belongs to the story of the demo: the board of bay 1's drive was burnt by a wrong adapter; a donor must
be found and the ROM moved.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from mendbay.core.errors import DestinationError
from mendbay.outlets.scenario import story
from mendbay.outlets.scenario.board_rom import rom_content
from mendbay.outlets.scenario.drawing.bench_pictures import (
    BoardText,
    LabelText,
    Shot,
    board_back_picture,
    board_front_picture,
    label_picture,
)

BOARD = "TB-4471-200"
REVISION = "R3"
CONTROLLER = ("KL5120B", "QV 2531")
MOTOR_DRIVER = ("MV3041CT", "2529")
ROM_CHIP = ("W25Q20CLSIG", "2527")
FIRMWARE = "H40.17C"
SECTORS = 3_907_029_168
"""The count the capacity standard (IDEMA LBA1-03) gives for 2000 GB."""
READ_NOISE = 5e-6
"""Share of bits a poor clip turns in each read of the patient's chip."""
FAMILY_SERIALS = ("AH4K-18834B", "AH4K-19102D", "AH4K-20001A", "AH4K-20511E", "AH4K-21007C")
DONOR_SERIAL = "AH4K-20650K"

CHIP_ID = "ef 40 12"
"""What a chip of that marking answers to Read ID."""
PATIENT, DONOR = 7, 9
"""Numbers of the two drives' adaptives."""

STOCK_HEADER = (
    "Our number", "Kind", "Board number", "Rev", "Controller", "Motor driver", "ROM chip", "Model",
    "Firmware", "Site", "Date", "Shelf", "Condition", "Price", "Currency",
)  # fmt: skip
STOCK_ROWS = (
    ("D-014", "board", BOARD, "R3", "KL5120B", "MV3041CT", "W25Q20CL", "AL20-HX4", "H40.17C", "QV",
     "2025-09-22", "B2", "tested good", "38.00", "EUR"),
    ("D-009", "board", BOARD, "R2", "KL5120B", "MV3041CT", "W25Q20CL", "AL20-HX4", "H40.11A", "QR",
     "2025-02-10", "B2", "tested good", "31.00", "EUR"),
    ("D-021", "drive", BOARD, "R3", "KL5120B", "MV3041CT", "W25Q20CL", "AL20-HX4", "H40.15B", "QV",
     "2025-06-03", "C1", "untested", "55.00", "EUR"),
    ("D-003", "board", BOARD, "R3", "KL5120B", "MV3038AB", "W25Q20CL", "AL20-HX4", "H40.17C", "QV",
     "2025-10-01", "A4", "tested good", "35.00", "EUR"),
    ("D-030", "board", "TB-4471-100", "R1", "KL0470A", "MV3041CT", "W25Q20CL", "AL10-HX2", "H20.05A", "QV",
     "2024-11-19", "A1", "tested good", "24.00", "EUR"),
    ("D-011", "board", BOARD, "R3", "KL5120B", "MV3041CT", "W25Q20CL", "AL20-HX4", "H40.17C", "QV",
     "2025-09-30", "B3", "damaged", "5.00", "EUR"),
    ("D-040", "board", "TB-5120-300", "R2", "KL5210C", "MV1420AB", "W25Q40CL", "AL40-HX6", "H60.02A", "QT",
     "2026-01-15", "B5", "tested good", "48.00", "EUR"),
)  # fmt: skip
"""The shop's spreadsheet of spare boards and drives; the first fits best, the fourth only looks right."""


@dataclass(frozen=True, slots=True)
class Practice:
    """Where the practice material lies. `patient` are five reads through a poor clip; the two chips are
    descriptions of simulated ones, each with its memory in a file beside it."""

    pictures: Path
    stock: Path
    family: tuple[Path, ...]
    patient: tuple[Path, ...]
    patient_chip: Path
    donor_chip: Path


def make_practice(folder: Path, seed: int = 1) -> Practice:
    """Writes the practice material into a new folder.

    Raises:
        DestinationError: the folder exists already, or cannot be written.
    """
    try:
        folder.mkdir(parents=True)
        return Practice(
            pictures=_pictures(folder / "pictures", seed),
            stock=_stock(folder / "stock.csv"),
            family=_family(folder / "known-good"),
            patient=_patient(folder / "patient", seed),
            patient_chip=_chip(folder / "patient-chip.toml", rom_content(story.SERIALS[0], PATIENT)),
            donor_chip=_chip(folder / "donor-chip.toml", rom_content(DONOR_SERIAL, DONOR)),
        )
    except FileExistsError as trouble:
        raise DestinationError(f"{folder} already exists.", "Choose a new folder.") from trouble
    except OSError as trouble:
        raise DestinationError(
            f"The practice material cannot be written to {folder}: {trouble.strerror}.",
            "Choose another folder.",
        ) from trouble


def _written(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path


def _chip(path: Path, content: bytes) -> Path:
    memory = _written(path.with_suffix(".bin"), content)
    described = f'memory = "{memory.name}"\nid = "{CHIP_ID}"\nsupply = [2.7, 3.6]\n'
    return _written(path, described.encode())


def _pictures(folder: Path, seed: int) -> Path:
    folder.mkdir()
    label = LabelText(
        story.DRIVE_MAKER,
        story.DRIVE_MODEL,
        story.SERIALS[0],
        "2.0 TB",
        SECTORS,
        FIRMWARE,
        "2025-W38",
        "QV",
        f"{BOARD} {REVISION}",
    )
    board = BoardText(BOARD, REVISION, CONTROLLER, MOTOR_DRIVER, ROM_CHIP, burnt=True)
    _written(folder / "1 label.jpg", label_picture(label, Shot(turn=2.0), seed))
    _written(folder / "2 board chips.jpg", board_front_picture(board, Shot(turn=-3.0), seed + 1))
    _written(folder / "3 board contacts.jpg", board_back_picture(board, Shot(turn=94.0), seed + 2))
    _written(folder / "4 label blurred.jpg", label_picture(label, Shot(blur=9.0, exposure=0.7), seed + 3))
    return folder


def _stock(path: Path) -> Path:
    out = io.StringIO()
    csv.writer(out, lineterminator="\r\n").writerows((STOCK_HEADER, *STOCK_ROWS))
    return _written(path, out.getvalue().encode())


def _family(folder: Path) -> tuple[Path, ...]:
    folder.mkdir()
    return tuple(
        _written(folder / f"{serial}.bin", rom_content(serial, drive))
        for drive, serial in enumerate(FAMILY_SERIALS, 1)
    )


def _patient(folder: Path, seed: int) -> tuple[Path, ...]:
    """Five reads through a poor clip: a few bits differ in each."""
    folder.mkdir()
    truth = np.frombuffer(rom_content(story.SERIALS[0], PATIENT), np.uint8)
    chance = np.random.default_rng([seed, 719])
    reads = []
    for number in range(1, 6):
        bits = np.unpackbits(truth)
        turned = chance.integers(0, bits.size, chance.poisson(READ_NOISE * bits.size))
        bits[turned] ^= 1
        reads.append(_written(folder / f"read-{number}.bin", np.packbits(bits).tobytes()))
    return tuple(reads)
