"""Sources without a serial number: what they are taken for, and halves that were swapped."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from mendbay.case.records import Bay
from mendbay.core.errors import ForeignImage
from mendbay.core.span import Span
from mendbay.jobs.bench import Bench
from mendbay.jobs.events import Tell
from mendbay.jobs.read_drive import DriveAt, read_drive
from mendbay.jobs.read_pair import read_pair
from mendbay.jobs.same_drive import likeness
from mendbay.jobs.take_in import take_in
from mendbay.wiring import open_bench
from support.memory_store import MemoryStore
from support.scripted_drive import ScriptedDrive, numbered

SECTORS = 2048
DATA = numbered(SECTORS)
APART = 777
"""The sector in which the halves differ: none of those that tell halves of a mirror apart by themselves, nor
of those compared with an image's own."""


@pytest.fixture
def shop(tmp_path: Path, hear: Tell) -> Iterator[Bench]:
    with open_bench(tmp_path / "home", tell=hear) as bench:
        take_in(bench, "Gamma", bays=[Bay(0, "1"), Bay(0, "2")])
        yield bench


def drive(tmp_path: Path, name: str, data: bytes, serial: str = "", refused: str = "") -> str:
    (tmp_path / f"{name}.img").write_bytes(data)
    described = f'image = "{name}.img"\nserial = "{serial}"\nrefused = [{refused}]\n'
    (tmp_path / f"{name}.toml").write_text(described)
    return f"unsteady:{tmp_path / name}.toml"


def runs_of(bench: Bench) -> list[int]:
    """How many runs the image of each bay has."""
    found = []
    for bay in ("1", "2"):
        store = bench.images.reopen(bench.ledger.case(1), bay, writable=False)
        found.append(len(store.runs()))
        store.close()
    return found


@pytest.mark.parametrize(
    ("held", "sector_bytes"),
    [([700, 701], 512), ([0, 2047], 512), ([0, 1, 255], 4096)],
    ids=["none that tells halves apart", "first and last", "large sectors"],
)
@pytest.mark.parametrize("refuses", [False, True], ids=["giving", "refusing"])
def test_a_sector_is_asked_for_and_counted_once(held: list[int], sector_bytes: int, refuses: bool) -> None:
    drive = ScriptedDrive(DATA, sector_bytes=sector_bytes)
    store = MemoryStore(drive.identity)
    spans = [Span.at(sector * sector_bytes, sector_bytes) for sector in held]
    for span in spans:
        store.keep(span, memoryview(DATA[span.start : span.stop]), 0.0)
    drive.dead = refuses
    found = likeness(store, drive)
    assert sorted(span for span, _ in drive.log) == spans
    assert (found.compared, found.unlike_at) == (0 if refuses else len(held), None)


def half(number: int) -> bytes:
    at = APART * 512
    return DATA[:at] + bytes([number]) * 512 + DATA[at + 512 :]


def test_a_source_without_a_serial_number_is_told_and_kept_in_the_story(
    shop: Bench, tmp_path: Path, said: list[str]
) -> None:
    read_drive(shop, 1, DriveAt("1", drive(tmp_path, "one", DATA, "S1AAA", "[100, 3]"), "dock"))
    said.clear()
    assert read_drive(shop, 1, DriveAt("1", drive(tmp_path, "silent", DATA), "port")).is_complete
    words = (
        "The source for bay 1 gives no serial number; its image is of S1AAA. "
        "It is taken for the same drive, as "
    )
    (told,) = [one for one in said if one.startswith(words)]
    assert told.endswith(" compared sectors are the same.")
    count = int(told.removeprefix(words).split(" ")[0])
    assert count >= 8
    (noted,) = [one for one in shop.ledger.events(1) if told in one.text]
    assert noted.facts["run"] == 2
    assert shop.ledger.custody(1)[-1].item == "drive of bay 1; it gives no serial number"


def test_a_drive_whose_image_has_no_serial_number_is_told_too(
    shop: Bench, tmp_path: Path, said: list[str]
) -> None:
    blank = bytes(SECTORS * 512)
    read_drive(shop, 1, DriveAt("1", drive(tmp_path, "silent", blank)))
    read_drive(shop, 1, DriveAt("1", drive(tmp_path, "one", blank, "S1AAA")))
    assert (
        "The drive for bay 1 says serial number S1AAA; its image was begun from a source without one. It is "
        "taken for the same drive, though nothing could be compared: make sure of it."
    ) in said


def test_two_serial_numbers_need_no_word(shop: Bench, tmp_path: Path, said: list[str]) -> None:
    one = drive(tmp_path, "one", DATA, "S1AAA")
    read_drive(shop, 1, DriveAt("1", one))
    read_drive(shop, 1, DriveAt("1", one))
    assert not any("taken for the same drive" in text for text in said)


@pytest.mark.parametrize("serials", [("", ""), ("S1AAA", "S2BBB")])
def test_swapped_halves_are_noticed_where_their_images_differ(
    shop: Bench, tmp_path: Path, serials: tuple[str, str]
) -> None:
    for bay, serial in zip((1, 2), serials, strict=True):
        first_time = drive(tmp_path, f"half-{bay}", half(bay), serial, "[100, 3]")
        read_drive(shop, 1, DriveAt(str(bay), first_time, "dock"))
    first, second = (drive(tmp_path, f"silent-{bay}", half(bay)) for bay in (1, 2))
    with pytest.raises(ForeignImage, match="Where the images of bay 1 and bay 2 differ"):
        read_drive(shop, 1, DriveAt("1", second))
    with pytest.raises(ForeignImage, match="that of bay 2 has"):
        read_pair(shop, 1, [DriveAt("1", second), DriveAt("2", first)])
    assert runs_of(shop) == [1, 1]
    assert read_drive(shop, 1, DriveAt("1", first, "port")).is_complete
    assert read_drive(shop, 1, DriveAt("2", second, "port")).is_complete
