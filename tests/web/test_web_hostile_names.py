"""Hostile names on the customer's own drive: read, listed, shown, searched, handed back and reported, on
every page, paper, list and screen that says them."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import pytest

from mendbay.case.records import Bay
from mendbay.faces.printable import printable
from mendbay.handback.bag import parse_bag_info, parse_manifest
from mendbay.handback.names import unescape
from mendbay.jobs.catalogue_files import catalogue_files
from mendbay.jobs.export_case import export_case
from mendbay.jobs.hand_back import hand_back
from mendbay.jobs.pick_wanted import add_wishes
from mendbay.jobs.read_drive import DriveAt, read_drive
from mendbay.jobs.take_in import take_in
from mendbay.wiring import catalogues, open_bench, open_handback_folder, papers
from support.commands import commands
from support.ext_images import SMALL_RECIPES, make
from support.looked_everywhere import UNSEEN, look_everywhere, require_dead, words_of
from support.web_client import Web, web_on

pytestmark = pytest.mark.slow

NAMES = (
    b"<svg onload=alert(1)>zqAz.txt",
    b"=1+1|zqBz.csv",
    b"zqCz\nPayload-Oxum: 0.0\r\nTo: y.txt",
    b"zqDz\x1b[31m\x1b]8;;http://127.0.0.1:9\x07.txt",
    "zqEz\u202egnp.exe".encode(),
    b"zqFz\xff\xfe.txt",
    b"zqGz\xed\xa0\x80.txt",
    b"{{7*7}}zqHz{%raw%}.txt",
    b"zqIz\\..\\..\\x.txt",
    b"-zqJz --force",
    b"zqKz%0a%0d%00.txt",
    b"zqLz\x7f\xc2\x85\xe2\x80\xa8.txt",
    b"zqMz\"'><img src=x onerror=alert(1)>.html",
    b"zqNz" + b"n" * 251,
    b"$(touch owned)zqOz`touch owned`.txt",
    b"javascript:alert(1)zqPz.svg",
    b"@SUM(1)zqQz\t.txt",
    "zqRz\u2066\ufeff\u00ad\u200b.txt".encode(),
)
"""Each with a letter to find it by."""
LINK, TARGET = b"zqSz\nlink\x1b[2J", b"../../\x1b[31m\n<svg onload=alert(1)>"
CONTENT = b"<script>alert(1)</script>\x1b[31m{{7*7}}\n"
OF_ONE_KIND = 5
MARKS = {chr(one) for one in range(ord("A"), ord("S"))}
SORTS = {
    ".json": "application/json",
    ".html": "text/html",
    ".csv": "text/csv",
    ".txt": "text/plain",
    ".pdf": "application/pdf",
}


@pytest.fixture(scope="module")
def web(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Web]:
    """A shop that read a drive full of them, and handed its files back."""
    base = tmp_path_factory.mktemp("names")
    tree = os.fsencode(base / "tree")
    for name in NAMES:
        for path in (tree + b"/" + name, tree + b"/in-" + name[:200] + b"/" + name):
            os.makedirs(os.path.dirname(path), exist_ok=True)
            with open(path, "wb") as file:
                file.write(CONTENT)
    os.symlink(TARGET, tree + b"/" + LINK)
    image = make(base / "drive.img", 8, SMALL_RECIPES["ext4"], base / "tree")
    (base / "drive.toml").write_text(f'image = "drive.img"\nserial = "K-1"\nrefused = {_places(image)}\n')
    home = base / "home"
    with open_bench(home) as bench:
        take_in(bench, "Ada", bays=[Bay(0, "1", "AL20-HX4", "K-1")])
        read_drive(bench, 1, DriveAt("1", f"unsteady:{base / 'drive.toml'}"))
        catalogue_files(bench, catalogues(home), 1)
        add_wishes(bench, 1, ["*zq*"])
        hand_back(bench, 1, base / "out", open_handback_folder, papers())
        export_case(bench, 1, base / "export", open_handback_folder)
    with web_on(home) as found:
        yield found


def _places(image: Path) -> list[list[int]]:
    """Every second place where a file lies, as sectors: what is missing is told by name."""
    found = [one.start() // 512 for one in re.finditer(re.escape(CONTENT), image.read_bytes())]
    return [[one, 1] for one in sorted(found)[::2]]


def _marks(text: str) -> set[str]:
    return set(re.findall("zq([A-S])z", text))


def test_no_name_is_alive_on_any_page_paper_or_list(web: Web) -> None:
    shown = set[str]()
    for said in look_everywhere(web, ["/case/1/files", "/case/1/hand-back", "/case/1", "/"], OF_ONE_KIND):
        shown |= _marks(said)
    assert shown >= MARKS


def test_no_name_is_alive_where_it_is_searched_for(web: Web) -> None:
    listed = re.search(r"generation=([^&\"]+)", web.get("/case/1/files"))
    assert listed
    for name in NAMES:
        for path in ("files", "files/rows"):
            asked = f"search={quote(name)}&all=yes&generation={listed[1]}"
            answer = web.client.get(f"/case/1/{path}?{asked}")
            assert answer.status_code == (
                422 if len(name.decode("utf-8", "replace").splitlines()) > 1 else 200
            ), (path, name)
            require_dead(answer.text, "text/html", (path, name))


def test_no_name_gives_the_bag_a_line_of_its_own(web: Web) -> None:
    for bag in (web.home.parent / "out", web.home.parent / "export"):
        told = dict(parse_bag_info((bag / "bag-info.txt").read_text()))
        held = [one for one in (bag / "data").rglob("*") if one.is_file()]
        size = sum(one.stat().st_size for one in held)
        assert told["Payload-Oxum"] == f"{size}.{len(held)}"
        for one in ("sha256", "sha512"):
            for name in (f"manifest-{one}.txt", f"tagmanifest-{one}.txt"):
                digests, faults = parse_manifest((bag / name).read_text(), one, name)
                assert not faults
                assert all((bag / path).is_file() for path in digests)
        for path in bag.rglob("*"):
            assert not UNSEEN.search(path.name), path
            if path.is_file() and path.suffix in SORTS:
                data = path.read_bytes()
                sort = SORTS[path.suffix]
                said = words_of(data) if sort == "application/pdf" else data.decode()
                if "data" not in path.relative_to(bag).parts or bag.name == "export":
                    require_dead(said, sort, path, attached=True)
    renamed = json.loads((web.home.parent / "out/names.json").read_text())["renamed"]
    made = {one["path"].removeprefix("data/"): bytes.fromhex(one["raw_path_hex"]) for one in renamed}
    undone = {raw for path, raw in made.items() if unescape(path) == raw}
    assert {one for one in NAMES if b"zqC" in one} <= {raw.rpartition(b"/")[2] for raw in undone}
    assert not list(Path.cwd().glob("owned*"))


def test_no_name_speaks_to_a_terminal(web: Web) -> None:
    out = str(web.home.parent / "out")
    found = ""
    with commands() as program:
        for words in (
            ("files", "list", "1"),
            ("--json", "files", "list", "1"),
            *(("files", "show", "1", printable(one)) for one in NAMES[2:5]),
            ("handback", "check", out),
            ("--json", "handback", "make", "1", out),
            ("handback", "make", "1", str(web.home.parent / "again")),
            ("case", "show", "1"),
            ("drive", "show", "1", "1"),
        ):
            done = program.run(["--home", str(web.home), *words])
            assert not UNSEEN.search(done.stdout + done.stderr), words
            found += done.stdout
    assert _marks(found) >= MARKS
