"""Catalogues kept in the folder of a case: found again, replaced in one step, never believed when damaged."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import google_crc32c
import numpy as np
import pytest

from mendbay.case.records import Case, CaseState
from mendbay.core.errors import CaseForgotten, DestinationError
from mendbay.files.catalogue import Catalogue, Query, View
from mendbay.files.catalogue_rows import DTYPES, Columns, Unsound, require_sound
from mendbay.files.tree import Kind
from mendbay.files.verdict import Verdict
from mendbay.jobs.catalogue_port import CatalogueFacts, DamagedCatalogue, KeptCatalogue
from mendbay.outlets import catalogue_shelf
from mendbay.outlets.catalogue_shelf import CatalogueShelf
from support.catalogues import catalogue_of, entry

NUMBER = 3
HOSTILE = (b"not-utf8-\xff", b"new\nline", b"n" * 255, b"..", b"twice", b"twice", b"a=\x00b")
FACTS = CatalogueFacts(
    "2026-11-20T10:00:00Z",
    {"kind": "ext4", "label": "pots", "uuid": "u"},
    {"1": 1 << 40},
    7,
    {"whole": 3},
    9,
    ("Folder at the top: damaged.",),
    {"1": 5},
    6,
    ("Bay 1 alone.",),
    ("The journal was not empty.",),
)


def columns() -> Columns:
    entries = [
        entry(b"", Kind.FOLDER),
        entry(b"kiln", Kind.FOLDER),
        *(entry(b"kiln/" + one) for one in HOSTILE),
        entry(b"inode-9", named=False),
    ]
    return catalogue_of(entries, [Verdict.WHOLE, Verdict.HOLED]).columns


@pytest.fixture
def case(tmp_path: Path) -> Case:
    found = _case()
    (tmp_path / found.folder).mkdir()
    return found


def _case() -> Case:
    return Case(NUMBER, "quillmere", "", "Quillmere Pottery", "", "", (), "", CaseState.OPEN)


@pytest.fixture
def shelf(tmp_path: Path) -> CatalogueShelf:
    return CatalogueShelf(tmp_path)


def opened(shelf: CatalogueShelf, case: Case) -> KeptCatalogue:
    found = shelf.open(case)
    assert found is not None
    return found


def place(tmp_path: Path, case: Case) -> Path:
    (found,) = (tmp_path / case.folder / "catalogue").iterdir()
    return found


def test_what_was_kept_is_opened_as_it_was(shelf: CatalogueShelf, case: Case) -> None:
    made = columns()
    assert shelf.open(case) is None
    assert shelf.generation(case) == ""
    generation = shelf.keep(case, made, FACTS)
    assert shelf.generation(case) == generation
    found = opened(shelf, case)
    assert (found.generation, found.facts) == (generation, FACTS)
    for name, column in made.as_mapping().items():
        assert np.array_equal(found.catalogue.columns.as_mapping()[name], column), name
    assert [found.catalogue.path(one) for one in range(1, 9)] == [
        b"kiln",
        *(b"kiln/" + one for one in sorted(HOSTILE)),
    ]


def test_nothing_of_it_can_be_changed(shelf: CatalogueShelf, case: Case) -> None:
    shelf.keep(case, columns(), FACTS)
    for column in opened(shelf, case).catalogue.columns.as_mapping().values():
        assert not column.flags.writeable


def test_a_new_one_takes_the_place_of_the_old_one_that_stays_usable(
    shelf: CatalogueShelf, case: Case, tmp_path: Path
) -> None:
    shelf.keep(case, columns(), FACTS)
    old = opened(shelf, case)
    newer = catalogue_of([entry(b"other")]).columns
    generation = shelf.keep(case, newer, replace(FACTS, events=8))
    assert generation != old.generation
    assert place(tmp_path, case).name == generation
    assert opened(shelf, case).catalogue.path(1) == b"other"
    assert old.catalogue.path(1) == b"kiln"
    assert len(old.catalogue.search(Query("kiln"))) == 8


def test_one_that_was_only_begun_is_cleared_away(shelf: CatalogueShelf, case: Case, tmp_path: Path) -> None:
    begun = tmp_path / case.folder / "catalogue" / "begun-0011223344556677"
    begun.mkdir(parents=True)
    (begun / "names.bytes").write_bytes(b"half")
    assert shelf.open(case) is None
    shelf.keep(case, columns(), FACTS)
    assert not begun.exists()


def test_one_that_another_process_is_at_stays(shelf: CatalogueShelf, case: Case, tmp_path: Path) -> None:
    begun = tmp_path / case.folder / "catalogue" / "begun-0011223344556677"
    begun.mkdir(parents=True)
    hold = "import fcntl,os,sys; d=os.open(sys.argv[1],0); fcntl.flock(d,2); print(flush=True); input()"
    with subprocess.Popen(
        [sys.executable, "-c", hold, str(begun)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout is not None
        other.stdout.readline()
        shelf.keep(case, columns(), FACTS)
        assert begun.exists()
        other.communicate(b"\n")


def test_what_ends_while_it_is_written_leaves_the_old_one(
    shelf: CatalogueShelf, case: Case, monkeypatch: pytest.MonkeyPatch
) -> None:
    generation = shelf.keep(case, columns(), FACTS)
    real, calls, broken = os.fsync, 0, 0

    def failing(fd: int) -> None:
        nonlocal calls
        calls += 1
        if calls == broken:
            raise OSError(5, "Input/output error")
        real(fd)

    monkeypatch.setattr(catalogue_shelf.os, "fsync", failing)
    for at in range(1, len(DTYPES) + 3):
        broken, calls = at, 0
        with pytest.raises(DestinationError):
            shelf.keep(case, columns(), FACTS)
        assert opened(shelf, case).generation == generation


def _cut(path: Path) -> None:
    os.truncate(path, path.stat().st_size // 2)


def _grow(path: Path) -> None:
    with path.open("ab") as file:
        file.write(b"more")


def _flip(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[-1 if len(data) < 200 else 150] ^= 0x55
    path.write_bytes(data)


def _link(path: Path) -> None:
    path.unlink()
    path.symlink_to("/etc/passwd")


def _folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


def _pipe(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


FILES = ["facts.json", *(catalogue_shelf._file_name(one) for one in DTYPES)]


@pytest.mark.parametrize("damage", [_cut, _grow, _flip, _link, _folder, _pipe, Path.unlink])
@pytest.mark.parametrize("name", FILES)
def test_a_damaged_file_is_refused_and_made_again(
    shelf: CatalogueShelf, case: Case, tmp_path: Path, name: str, damage: Callable[[Path], None]
) -> None:
    shelf.keep(case, columns(), FACTS)
    damage(place(tmp_path, case) / name)
    with pytest.raises(DamagedCatalogue):
        shelf.open(case)
    shelf.keep(case, columns(), FACTS)
    assert opened(shelf, case).facts == FACTS


def seal(folder: Path, body: dict[str, object]) -> None:
    text = json.dumps(body, sort_keys=True).encode()
    whole = {"body": body, "crc32c": google_crc32c.value(text)}
    (folder / "facts.json").write_text(json.dumps(whole))


def put(folder: Path, name: str, data: bytes) -> None:
    """Puts other bytes in the place of a file, sealed as if they were meant."""
    (folder / name).write_bytes(data)
    body = json.loads((folder / "facts.json").read_text())["body"]
    body["files"][name] = [len(data), google_crc32c.value(data)]
    seal(folder, body)


@pytest.mark.parametrize("column", [one for one in DTYPES if one not in catalogue_shelf.PLAIN_BYTES])
def test_another_type_is_refused_even_if_sealed(
    shelf: CatalogueShelf, case: Case, tmp_path: Path, column: str
) -> None:
    shelf.keep(case, columns(), FACTS)
    folder = place(tmp_path, case)
    for odd in (np.zeros(4, np.float32), np.zeros((2, 2, 2), DTYPES[column]), np.array([None, {}], object)):
        with (tmp_path / "odd.npy").open("wb") as file:
            np.save(file, odd, allow_pickle=True)
        put(folder, f"{column}.npy", (tmp_path / "odd.npy").read_bytes())
        with pytest.raises(DamagedCatalogue):
            shelf.open(case)


@pytest.mark.parametrize(
    ("column", "row", "value"),
    [
        ("parent", 0, 0),
        ("parent", 2, 2),
        ("parent", 2, 5),
        ("parent", 2, -1),
        ("parent", 3, 2),
        ("last", 0, 3),
        ("last", 1, 99),
        ("last", 3, 1),
        ("last", 2, 3),
        ("depth", 2, 9),
        ("kind", 2, 4),
        ("kind", 1, 0),
        ("verdict", 2, 9),
        ("verdict", 1, 1),
        ("size", 2, -2),
        ("missing", 2, -1),
        ("name_at", 1, 1 << 40),
        ("name_at", 2, -1),
        ("folded_at", 1, 0),
        ("folded_at", 3, 1 << 40),
        ("folded", 0, 65),
        ("folded", 3, 0),
        ("children", 0, 99),
        ("children", 0, -3),
        ("child_at", 1, 99),
        ("child_at", 2, 0),
        ("folders", 0, 1),
        ("folder_sums", 0, -1),
    ],
)
def test_columns_that_make_no_tree_are_unsound(column: str, row: int, value: int) -> None:
    made = columns()
    changed = np.array(getattr(made, column))
    changed[row] = value
    with pytest.raises(Unsound):
        require_sound(replace(made, **{column: changed}))


def test_one_of_another_version_is_told_as_such(shelf: CatalogueShelf, case: Case, tmp_path: Path) -> None:
    shelf.keep(case, columns(), FACTS)
    folder = place(tmp_path, case)
    body = json.loads((folder / "facts.json").read_text())["body"]
    seal(folder, {**body, "format": "catalogue 0"})
    with pytest.raises(DamagedCatalogue, match="another version"):
        shelf.open(case)
    for lacking in body["facts"]:
        seal(folder, {**body, "facts": {key: one for key, one in body["facts"].items() if key != lacking}})
        with pytest.raises(DamagedCatalogue):
            shelf.open(case)


def test_a_dropped_one_leaves_no_name_even_where_it_is_mapped(
    shelf: CatalogueShelf, case: Case, tmp_path: Path
) -> None:
    shelf.keep(case, columns(), FACTS)
    found = opened(shelf, case).catalogue
    shelf.drop(case)
    assert not (tmp_path / case.folder / "catalogue").exists()
    assert shelf.open(case) is None
    assert not found.columns.names.any()
    ask_everything(found)
    shelf.drop(case)
    (tmp_path / case.folder).rmdir()
    shelf.drop(case)


def ask_everything(found: Catalogue) -> None:
    """Every question ends, with an answer or an IndexError."""
    for work in (
        lambda: found.window(View(frozenset({1}), frozenset({0})), 0, 50),
        lambda: found.search(Query("kiln *.x", frozenset({Verdict.HOLED}))),
        lambda: found.wanted(["kiln/**", "n*"]),
        lambda: found.number_of(b"kiln/twice"),
        lambda: [found.path(one) for one in range(len(found))],
        lambda: found.sums([1, 2, 3]),
        lambda: found.above(5),
    ):
        with suppress(IndexError):
            work()  # type: ignore[no-untyped-call]


def test_a_forgotten_case_gets_none(case: Case, tmp_path: Path) -> None:
    def forgotten(number: int) -> None:
        raise CaseForgotten("Forgotten.", "Open a new case.")

    with pytest.raises(CaseForgotten):
        CatalogueShelf(tmp_path, forgotten).keep(case, columns(), FACTS)
    assert not (tmp_path / case.folder / "catalogue").exists()


@pytest.mark.parametrize("after", [1, 2])
def test_a_case_forgotten_while_it_is_made_gets_none(case: Case, tmp_path: Path, after: int) -> None:
    asked = 0

    def forgotten(number: int) -> None:
        nonlocal asked
        asked += 1
        if asked > after:
            raise CaseForgotten("Forgotten.", "Open a new case.")

    with pytest.raises(CaseForgotten):
        CatalogueShelf(tmp_path, forgotten).keep(case, columns(), FACTS)
    assert asked == after + 1
    assert [one for one in (tmp_path / case.folder).rglob("*") if one.is_file()] == []


def test_a_case_without_a_folder_gets_none(shelf: CatalogueShelf, tmp_path: Path) -> None:
    with pytest.raises(DestinationError):
        shelf.keep(_case(), columns(), FACTS)
    assert list(tmp_path.iterdir()) == []
