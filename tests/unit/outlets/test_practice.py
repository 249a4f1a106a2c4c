"""The practice material holds what it says: a sound ROM family, three noisy reads, legible pictures."""

from __future__ import annotations

import csv
import io
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
import zxingcpp
from PIL import Image

from mendbay.core.errors import DestinationError
from mendbay.outlets.scenario import story
from mendbay.outlets.scenario.board_rom import (
    CODE_PARTS,
    OWN_PARTS,
    ROM_BYTES,
    SERIAL_PAGES,
    rom_content,
)
from mendbay.outlets.scenario.practice import STOCK_HEADER, Practice, make_practice


@pytest.fixture(scope="module")
def practice(tmp_path_factory: pytest.TempPathFactory) -> Practice:
    return make_practice(tmp_path_factory.mktemp("practice") / "board")


def test_every_check_of_a_rom_holds() -> None:
    rom = rom_content("AH4K-00001A", 3)
    assert len(rom) == ROM_BYTES
    for at, size in CODE_PARTS:
        assert struct.unpack("<I", rom[at + size - 4 : at + size])[0] == zlib.crc32(rom[at : at + size - 4])
    for at, size in OWN_PARTS:
        words = np.frombuffer(rom[at : at + size - 2], "<u2")
        assert struct.unpack("<H", rom[at + size - 2 : at + size])[0] == int(words.sum()) & 0xFFFF
    first, second = (rom[at : at + 512] for at in SERIAL_PAGES)
    assert first == second


def test_drives_share_code_and_differ_in_their_own_parts() -> None:
    one, other = (np.frombuffer(rom_content("A", drive), np.uint8) for drive in (1, 2))
    places = np.flatnonzero(one != other)
    own = np.zeros(ROM_BYTES, bool)
    for at, size in OWN_PARTS:
        own[at : at + size] = True
    for at in SERIAL_PAGES:
        own[at : at + 512] = True
    assert places.size > 1000
    assert own[places].all()


def test_reads_of_the_patient_differ_in_few_bits_and_a_vote_restores_it(practice: Practice) -> None:
    truth = np.unpackbits(np.frombuffer(rom_content(story.SERIALS[0], 7), np.uint8))
    reads = [np.unpackbits(np.frombuffer(path.read_bytes(), np.uint8)) for path in practice.patient]
    assert len(reads) == 5
    assert all(0 < int((read != truth).sum()) < 200 for read in reads)
    assert np.array_equal(np.sum(reads, axis=0) >= 3, truth == 1)


def test_codes_in_the_pictures_can_be_read(practice: Practice) -> None:
    label = Image.open(practice.pictures / "1 label.jpg")
    found = {code.text for code in zxingcpp.read_barcodes(label)}
    assert story.SERIALS[0] in found
    board = Image.open(practice.pictures / "3 board contacts.jpg")
    assert "TB-4471-200 R3" in {code.text for code in zxingcpp.read_barcodes(board)}


def test_the_stock_list_is_a_table(practice: Practice) -> None:
    rows = list(csv.reader(io.StringIO(practice.stock.read_text())))
    assert tuple(rows[0]) == STOCK_HEADER
    assert {len(row) for row in rows} == {len(STOCK_HEADER)}


def test_a_folder_that_exists_is_left_alone(practice: Practice, tmp_path: Path) -> None:
    with pytest.raises(DestinationError, match="exists"):
        make_practice(tmp_path)
