"""The catalogue of a case says of every file what a listing says, and goes with the copies or the case."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from mendbay.case.records import Bay
from mendbay.core.errors import CaseForgotten, Interrupted, NoSuchCase
from mendbay.files.catalogue import Query
from mendbay.files.catalogue_rows import Flag
from mendbay.files.tree import Kind
from mendbay.files.verdict import Verdict
from mendbay.handback.erasure import Sort
from mendbay.jobs.bench import Bench
from mendbay.jobs.catalogue_files import STEP, catalogue_files, open_catalogue, read_since
from mendbay.jobs.catalogue_port import CatalogueFacts
from mendbay.jobs.events import Event, Said, StepProgress
from mendbay.jobs.list_files import list_files
from mendbay.jobs.read_drive import DriveAt, read_drive
from mendbay.jobs.take_in import take_in
from mendbay.wiring import catalogues, open_bench
from support.catalogues import catalogue_of, entry
from support.erasures import ALL_SORTS, shop_with_copies
from support.ext_images import small_image
from support.full_case import forget, full_home, held_below

NAME = b"the-lost-kiln-log.xlsx"


@contextmanager
def read_case(home: Path, damage: bytes = b"") -> Iterator[Bench]:
    """A bench whose case 1 has a drive that was read; the block that first names a file is emptied before."""
    data = bytearray(small_image("ext4"))
    if damage:
        at = data.index(damage) // 1024 * 1024
        data[at : at + 1024] = bytes(1024)
    home.parent.mkdir(exist_ok=True, parents=True)
    (home.parent / "drive.img").write_bytes(data)
    (home.parent / "drive.toml").write_text('image = "drive.img"\nserial = "K-1"\nrefused = [[9000, 400]]\n')
    with open_bench(home) as bench:
        take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1")])
        read_drive(bench, 1, DriveAt("1", f"unsteady:{home.parent / 'drive.toml'}"))
        yield bench


@pytest.mark.parametrize("damage", [b"", b"pot-03.txt"])
def test_it_says_of_every_file_what_a_listing_says(tmp_path: Path, damage: bytes) -> None:
    told: list[Event] = []
    with read_case(tmp_path / "home", damage) as bench:
        made = catalogue_files(replace(bench, tell=told.append), catalogues(tmp_path / "home"), 1)
        listing = list_files(bench, 1, nameless=True)
        kept = open_catalogue(bench, catalogues(tmp_path / "home"), 1)
        assert kept is not None
        assert read_since(bench, bench.ledger.case(1), kept.facts) == 0
    rows = kept.catalogue
    found = sorted(
        (
            rows.path(one.number),
            one.kind,
            one.size_bytes,
            one.verdict,
            one.missing_bytes,
            one.inode,
            bool(one.flags & Flag.PROBLEMS),
            not one.flags & Flag.NAMELESS,
        )
        for one in map(rows.row, rows.search(Query()).tolist())
    )
    assert found == sorted(
        (
            line.entry.path,
            line.entry.kind,
            line.entry.size_bytes if line.entry.is_described else None,
            line.judgement.verdict if line.judgement else None,
            sum(gap.span.length for gap in line.judgement.gaps) if line.judgement else 0,
            line.entry.inode,
            bool(line.entry.problems),
            line.entry.named,
        )
        for line in listing.lines
    )
    assert (kept.generation, kept.facts) == (made.generation, made.facts)
    assert kept.facts.entries == len(listing.lines)
    assert {Verdict(one): count for one, count in kept.facts.verdicts.items() if count} == listing.verdicts
    assert (kept.facts.hidden, kept.facts.unread) == (listing.hidden, listing.unread)
    assert kept.facts.remarks == listing.facts.remarks
    assert next(one.step for one in told if isinstance(one, StepProgress)) == STEP
    if damage:
        assert rows.nameless_top is not None


def test_stopped_it_keeps_what_was(tmp_path: Path) -> None:
    with read_case(tmp_path / "home") as bench:
        shelf = catalogues(tmp_path / "home")
        made = catalogue_files(bench, shelf, 1)
        with pytest.raises(Interrupted):
            catalogue_files(replace(bench, stop=lambda: True), shelf, 1)
        assert shelf.generation(bench.ledger.case(1)) == made.generation


def test_a_damaged_one_is_told_and_none(tmp_path: Path) -> None:
    told: list[Event] = []
    with read_case(tmp_path / "home") as bench:
        shelf = catalogues(tmp_path / "home")
        catalogue_files(bench, shelf, 1)
        (size,) = (tmp_path / "home" / "cases").glob("*/catalogue/*/size.npy")
        size.write_bytes(b"nothing")
        assert open_catalogue(replace(bench, tell=told.append), shelf, 1) is None
    assert any(isinstance(one, Said) and "size.npy" in one.text for one in told)


def test_a_case_without_an_image_has_none(tmp_path: Path) -> None:
    with open_bench(tmp_path) as bench:
        take_in(bench, "Quillmere Pottery")
        with pytest.raises(NoSuchCase):
            catalogue_files(bench, catalogues(tmp_path), 1)
        assert open_catalogue(bench, catalogues(tmp_path), 1) is None


def put_down(home: Path, bench: Bench, number: int) -> None:
    """A catalogue with the name of a customer's file."""
    columns = catalogue_of([entry(b"", Kind.FOLDER), entry(NAME)]).columns
    catalogues(home).keep(bench.ledger.case(number), columns, CatalogueFacts(bench.now()))


def test_a_forgotten_case_keeps_none_and_gets_none(tmp_path: Path) -> None:
    home = full_home(tmp_path / "home")
    with open_bench(home) as bench:
        case = bench.ledger.case(2)
        put_down(home, bench, 2)
        assert NAME in held_below(home)
        forget(bench, 2, "asked by its owner")
        assert NAME not in held_below(home)
        with pytest.raises(CaseForgotten):
            put_down(home, bench, 2)
        with pytest.raises(CaseForgotten):
            catalogue_files(bench, catalogues(home), 2)
        with pytest.raises(CaseForgotten):
            open_catalogue(bench, catalogues(home), 2)
        assert catalogues(home).open(case) is None


@pytest.mark.parametrize("sorts", [(), ALL_SORTS, (Sort.IMAGES,), (Sort.HAND_BACK,)])
def test_it_goes_with_the_copies(tmp_path: Path, sorts: tuple[Sort, ...]) -> None:
    with shop_with_copies(tmp_path) as shop:
        put_down(tmp_path, shop.bench, 1)
        planned = shop.plan(sorts=sorts).plan
        assert not any(one.path.startswith("catalogue/") for one in planned.files)
        assert NAME in held_below(shop.folder)
        shop.erase(planned.name)
        assert NAME not in held_below(shop.folder)
        assert not (shop.folder / "catalogue").exists()


def test_it_stays_while_the_copies_do(tmp_path: Path) -> None:
    with shop_with_copies(tmp_path) as shop:
        put_down(tmp_path, shop.bench, 1)
        shop.erase(shop.plan(sorts=(Sort.PICTURES,)).plan.name)
        assert NAME in held_below(shop.folder)
