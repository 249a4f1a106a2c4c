"""Cases whose files are listed, for the pages that show them: a small drive that was read, and any number of
rows without a drive."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from pathlib import Path

from mendbay.case.records import Bay
from mendbay.core.source import Gap, Lack
from mendbay.core.span import Span, SpanSet
from mendbay.files.catalogue_build import CatalogueBuilder
from mendbay.files.tree import Entry, Kind
from mendbay.files.verdict import Judgement, Verdict
from mendbay.jobs.catalogue_files import catalogue_files
from mendbay.jobs.catalogue_port import CatalogueFacts
from mendbay.jobs.read_drive import DriveAt, read_drive
from mendbay.jobs.take_in import take_in
from mendbay.wiring import catalogues, open_bench
from support.catalogues import entry, judgement
from support.ext_images import small_image

REFUSED = "refused = [[1800, 40], [9000, 400]]"
"""Sectors that the small drive does not give: some of its largest file among them."""


def read_home(home: Path, *, listed: bool = True) -> Path:
    """A home whose case 1 has a small drive that was read, its files listed."""
    home.parent.mkdir(exist_ok=True, parents=True)
    (home.parent / "drive.img").write_bytes(small_image("ext4"))
    (home.parent / "drive.toml").write_text(f'image = "drive.img"\nserial = "K-1"\n{REFUSED}\n')
    with open_bench(home) as bench:
        take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1")])
        read_drive(bench, 1, DriveAt("1", f"unsteady:{home.parent / 'drive.toml'}"))
        if listed:
            catalogue_files(bench, catalogues(home), 1)
    return home


def listed_home(home: Path, entries: Sequence[tuple[Entry, Judgement | None]]) -> str:
    """A home whose case 1 has these entries as its catalogue, and no drive; the catalogue's generation."""
    if not home.exists():
        with open_bench(home) as bench:
            take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1")])
    builder = CatalogueBuilder()
    for one, judged in entries:
        builder.add(one, judged)
    with open_bench(home) as bench:
        case = bench.ledger.case(1)
        bench.images.folder(case).mkdir(parents=True, exist_ok=True)
        columns = builder.columns()
        facts = CatalogueFacts(bench.now(), {"kind": "ext4", "label": "", "uuid": ""}, {"1": 1 << 20})
        return catalogues(home).keep(case, columns, facts)


def named(*names: bytes) -> list[tuple[Entry, Judgement | None]]:
    """The root, and whole files of these paths; one that ends in a slash is a folder."""
    return [
        (entry(b"", Kind.FOLDER), None),
        *(
            (entry(one.rstrip(b"/"), Kind.FOLDER), None)
            if one.endswith(b"/")
            else (entry(one), judgement(Verdict.WHOLE))
            for one in names
        ),
    ]


def many(count: int, in_a_folder: int = 200) -> Iterator[tuple[Entry, Judgement | None]]:
    """So many entries in folders of equal size; one file in thirty has a hole."""
    chance = random.Random(20261129)
    whole = judgement(Verdict.WHOLE)
    holed = Judgement(Verdict.HOLED, (Gap(Span(0, 512), Lack.REFUSED),), SpanSet(), SpanSet(), ())
    yield entry(b"", Kind.FOLDER), None
    for at in range(count):
        folder = b"shelf %05d" % (at // in_a_folder)
        if at % in_a_folder == 0:
            yield entry(folder, Kind.FOLDER), None
        else:
            yield entry(folder + b"/pot %07d.jpg" % at), holed if chance.random() < 1 / 30 else whole
