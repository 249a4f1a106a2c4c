"""How long every page of the bench in the browser takes, while drives are being read, against a plain answer.

A home with many cases, of which one has a million files listed and another is being read from a simulated
drive by a work of its own; a real server on this machine; one client that keeps its connection. Each page is
asked for many times, in mixed order. Beside the milliseconds stands the ratio to a static file of the same
server, asked for in the same mix. Pages are found in the book of addresses, so that new ones appear by
themselves.

usage: ./run bench bench_pages [CASES] [FILES] [ROUNDS]
"""

from __future__ import annotations

import json
import os
import random
import statistics
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from http.client import HTTPConnection
from pathlib import Path
from urllib.parse import quote_plus, urlsplit

from catalogue import entries
from ten_thousand_cases import build_home

from mendbay.case.records import Bay
from mendbay.core.source import Identity
from mendbay.faces.web.app import book_of_all
from mendbay.files.catalogue_build import CatalogueBuilder
from mendbay.jobs.catalogue_port import CatalogueFacts
from mendbay.jobs.take_in import take_in
from mendbay.jobs.work_port import Ask, WorkKind, WorkOrder, WorkRequest
from mendbay.wiring import catalogues, open_bench, start_work, works

SEED = 20261129
CASES_ASKED = 20
"""Different cases that a page of a case is asked for."""
DRIVE_BYTES = 16 << 30
SLOW = f"slow = [{{ at = 0, count = {DRIVE_BYTES // 512}, seconds = 0.05 }}]"
"""Of the simulated drive, so that it is read throughout."""
PLAIN = "a static file"


def listed_case(home: Path, count: int) -> tuple[int, str]:
    """A case with that many files listed; its number and the generation."""
    builder = CatalogueBuilder()
    for one, judgement in entries(count):
        builder.add(one, judgement)
    columns = builder.columns()
    with open_bench(home) as bench:
        case = take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1")])
        bench.images.create(case, "1", Identity("drive", "bay 1", 1 << 20, 512)).close()
        facts = CatalogueFacts(bench.now(), {"kind": "ext4", "label": "", "uuid": ""}, {"1": 0})
        return case.number, catalogues(home).keep(case, columns, facts)


def begin_reading(home: Path) -> tuple[int, str]:
    """Begins to read a simulated drive of another case; its number and the name of the work."""
    image = home.parent / "drive.img"
    with image.open("wb") as file:
        file.truncate(DRIVE_BYTES)
    lines = ('image = "drive.img"', 'serial = "K-1"', "refused = [[90000, 400], [200000, 60]]", SLOW)
    (home.parent / "drive.toml").write_text("\n".join(lines) + "\n")
    with open_bench(home) as bench:
        case = take_in(bench, "A weaver", bays=[Bay(0, "1")]).number
        now = bench.now()
    shelf = works(home)
    options = {"bay": "1", "source": f"unsteady:{home.parent / 'drive.toml'}"}
    order = WorkOrder(shelf.new_id(), WorkKind.READ_DRIVE, case, "Kim", now, options)
    start_work(home, order)
    return case, order.id


def addresses(
    home: Path, listed: int, generation: str, read: int, chance: random.Random
) -> dict[str, list[str]]:
    """By page, the addresses it is asked for at."""
    with open_bench(home) as bench:
        numbers = [one.number for one in chance.sample(list(bench.ledger.cases()), CASES_ASKED)]
    found: dict[str, list[str]] = {}
    for name, one in book_of_all().addresses.items():
        needed = [field for field in one.fields if field.required]
        if (
            one.method != "GET"
            or needed
            or name.endswith("-file")
            or any(part != "case" for part, _ in one.parts())
        ):
            continue
        is_of_case = any(True for _ in one.parts())
        found[name] = [one.url({"case": case}, {}) for case in numbers] if is_of_case else [one.url({}, {})]
    of = f"/case/{listed}/files"
    rows = f"{of}/rows?generation={generation}"
    firsts = [chance.randrange(900_000) for _ in range(40)]
    words = ("k", "ki", "kiln", "raku kiln", "töpf", "_0199.pdf", "*.jpg", "nowhere")
    found |= {
        "files, a million": [of, f"{of}?all=yes", f"{of}?search=raku"],
        "rows, all open, anywhere": [f"{rows}&all=yes&first={first}&count=100" for first in firsts],
        "drives, one being read": [f"/case/{read}/drives", f"/case/{read}/drives?bay=1"],
        "rows found": [f"{rows}&search={quote_plus(word)}&count=100" for word in words],
    }
    found.pop("files-rows", None)
    return found


def ask(connection: HTTPConnection, url: str) -> tuple[float, int]:
    """Seconds until the whole answer is there, and its status."""
    begun = time.perf_counter()
    connection.request("GET", url)
    answer = connection.getresponse()
    answer.read()
    return time.perf_counter() - begun, answer.status


def measure(url: str, pages: dict[str, list[str]], rounds: int, chance: random.Random) -> None:
    """Asks all pages in mixed order and prints what they took."""
    connection = HTTPConnection(urlsplit(url).netloc, timeout=120)
    connection.request("GET", "/")
    home = connection.getresponse().read().decode()
    pages = {PLAIN: [home.split('rel="stylesheet" href="')[1].split('"')[0]], **pages}
    for urls in pages.values():
        ask(connection, urls[0])  # what is loaded with the first asking is loaded
    asked = [(name, chance.choice(urls)) for name, urls in pages.items() for _ in range(rounds)]
    chance.shuffle(asked)
    took: dict[str, list[float]] = defaultdict(list)
    others: dict[str, int] = defaultdict(int)
    for name, one in asked:
        seconds, status = ask(connection, one)
        took[name].append(seconds)
        others[name] += status != 200
    plain = statistics.median(took[PLAIN])
    print(f"{'page':34}{'median':>12}{'95 %':>12}{'of plain':>10}{'of plain':>10}")
    for name in pages:
        times = sorted(took[name])
        middle, high = statistics.median(times), times[min(len(times) - 1, round(0.95 * len(times)))]
        remark = f"   {others[name]} refused" if others[name] else ""
        print(
            f"{name:34}{1000 * middle:9.1f} ms{1000 * high:9.1f} ms{middle / plain:10.1f}{high / plain:10.1f}"
            f"{remark}",
            flush=True,
        )


def main() -> None:
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    files = int(sys.argv[2]) if len(sys.argv) > 2 else 1_000_000
    rounds = int(sys.argv[3]) if len(sys.argv) > 3 else 60
    chance = random.Random(SEED)
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder) / "home"
        build_home(home, cases)
        listed, generation = listed_case(home, files)
        read, reading = begin_reading(home)
        pages = addresses(home, listed, generation, read, chance)
        words = [sys.executable, "-m", "mendbay.faces.web", "--home", str(home), "--port", "0", "--json"]
        server = subprocess.Popen(
            words, stdout=subprocess.PIPE, text=True, env={**os.environ, "MENDBAY_WHO": "Kim"}
        )
        try:
            assert server.stdout is not None
            url = json.loads(server.stdout.readline())["url"]
            print(f"{cases} cases, {files} files listed, {rounds} times each")
            measure(url, pages, rounds, chance)
            state = works(home).state(reading)
            is_read = "still being read" if works(home).is_alive(reading) else "read to its end"
            print(f"the drive is {is_read}; {state.said_count} sentences were said of it")
        finally:
            server.terminate()
            server.wait(120)
            if works(home).is_alive(reading):
                works(home).ask(reading, WorkRequest(Ask.STOP))
                for _ in range(300):
                    if not works(home).is_alive(reading):
                        break
                    time.sleep(0.1)


if __name__ == "__main__":
    main()
