"""How long a catalogue of a million files takes to be made, opened and asked, against a pass over the names.

Invented entries in invented folders, all on record in memory: what walking and judging takes is not in here.
Timed in one run, in seconds of the processor; what counts are the ratios to a plain pass of Python over all
names that looks for one word.

usage: ./run bench catalogue [ENTRIES]
"""

from __future__ import annotations

import random
import resource
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TypeVar

from mendbay.case.records import Case, CaseState
from mendbay.core.source import Gap, Lack
from mendbay.core.span import Span, SpanSet
from mendbay.files.catalogue import Catalogue, Query, View
from mendbay.files.catalogue_build import CatalogueBuilder
from mendbay.files.tree import Entry, Kind, Proof
from mendbay.files.verdict import Judgement, Verdict
from mendbay.jobs.catalogue_port import CatalogueFacts
from mendbay.outlets.catalogue_shelf import CatalogueShelf

SEED = 20261129
WORDS = ("kiln", "glaze", "Töpferei", "raku", "ash", "stoneware", "IMG", "invoice", "celadon", "log")
ENDINGS = (".jpg", ".xlsx", ".txt", ".pdf", ".raw")
FILES_IN_A_FOLDER = 200
T = TypeVar("T")


def entries(count: int) -> Iterator[tuple[Entry, Judgement | None]]:
    """A tree three folders deep."""
    chance = random.Random(SEED)
    folders = [b""]
    while count > 0:
        above = chance.choice(folders[-50:]) if len(folders) < 3 or chance.random() < 0.9 else b""
        above = above if above.count(b"/") < 2 else b""
        name = f"{chance.choice(WORDS)}-{len(folders)}".encode()
        folder = above + b"/" + name if above else name
        folders.append(folder)
        yield entry(folder, Kind.FOLDER, 4096), None
        count -= 1
        for at in range(min(count, FILES_IN_A_FOLDER)):
            name = f"{chance.choice(WORDS)} {chance.choice(WORDS)}_{at:04}{chance.choice(ENDINGS)}".encode()
            whole = chance.random() < 0.97
            gaps = () if whole else (Gap(Span(0, 512), Lack.REFUSED),)
            verdict = Verdict.WHOLE if whole else Verdict.HOLED
            yield (
                entry(folder + b"/" + name, Kind.FILE, chance.randrange(1 << 22)),
                Judgement(verdict, gaps, SpanSet(), SpanSet(), ()),
            )
        count -= min(count, FILES_IN_A_FOLDER)


def entry(path: bytes, kind: Kind, size: int) -> Entry:
    return Entry(path, kind, 12, size, 0o100644, 1_700_000_000, 1_700_000_000, 1, Proof.CHECKSUM)


def timed(what: str, against: float, work: Callable[[], T]) -> tuple[float, T]:
    begun = time.process_time()
    result = work()
    seconds = time.process_time() - begun
    beside = f" {seconds / against:9.3f} times the pass" if against else ""
    print(f"{what:52} {1000 * seconds:10.1f} ms{beside}", flush=True)
    return seconds, result


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    given = list(entries(count))
    names = [one.path.rpartition(b"/")[2] for one, _ in given]
    print(f"{count} entries")
    plain, _ = timed(
        "a plain pass over all names", 0.0, lambda: [one for one in names if b"raku" in one.lower()]
    )
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    builder = CatalogueBuilder()

    def add() -> None:
        for one, judgement in given:
            builder.add(one, judgement)

    timed("taking the entries", plain, add)
    _, columns = timed("putting them in order", plain, builder.columns)
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(f"  {(after - before) >> 10} MiB more at most")
    with tempfile.TemporaryDirectory() as folder:
        case = Case(1, "quillmere", "", "Quillmere Pottery", "", "", (), "", CaseState.OPEN)
        (Path(folder) / case.folder).mkdir()
        shelf = CatalogueShelf(Path(folder))
        timed("keeping", plain, lambda: shelf.keep(case, columns, CatalogueFacts("")))
        size = sum(one.stat().st_size for one in Path(folder).rglob("*") if one.is_file())
        print(f"  {size >> 20} MiB")
        _, kept = timed("opening, checked", plain, lambda: shelf.open(case))
        assert kept is not None
        ask(kept.catalogue, plain)


def ask(rows: Catalogue, plain: float) -> None:
    many = frozenset(rows.columns.folders[:2000].tolist())
    last = len(rows)
    timed("a window, all closed", plain, lambda: rows.window(View(), 0, 60))
    timed("a window, 2000 folders opened", plain, lambda: rows.window(View(many), 50_000, 60))
    everything = View(everything=frozenset({0}))
    timed("a window, everything open", plain, lambda: rows.window(everything, last // 2, 60))
    timed("the same scrolled on", plain, lambda: rows.window(everything, last // 2 + 60, 60))
    path = rows.path(last - 1)
    timed("a path's row", plain, lambda: rows.number_of(path))
    queries = {
        "the first letter typed (what is folded is loaded)": Query("k"),
        "a letter": Query("a"),
        "two letters": Query("ki"),
        "a word in a tenth of all": Query("raku"),
        "a rare name": Query("_0199.pdf"),
        "three words": Query("raku kiln 0007"),
        "a word that is nowhere": Query("porcelain"),
        "a letter beyond ASCII": Query("töpf"),
        "an ending": Query("*.jpg"),
        "a pattern with two stars": Query("raku*07*.xlsx"),
        "a verdict": Query(verdicts=frozenset({Verdict.HOLED})),
        "a verdict and a word": Query("kiln", frozenset({Verdict.HOLED})),
        "what is wanted, by path": Query(wanted=("**/kiln*/*.xlsx", "Töpferei*")),
    }
    for what, query in queries.items():
        timed(what, plain, lambda query=query: rows.found_window(query, 0, 60))
    holed = rows.search(queries["a verdict"])
    timed("what the holed files come to", plain, lambda: rows.sums(holed))


if __name__ == "__main__":
    main()
