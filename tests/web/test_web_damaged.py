"""Whatever of a case's files and works on disk is damaged is told on the pages, with what to do, and
never ends in a fault; nor does anything stay open of it."""

from __future__ import annotations

import json
import os
import random
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import google_crc32c
import pytest

from mendbay.case.records import Bay
from mendbay.core.clock import SystemClock
from mendbay.files.verdict import Verdict
from mendbay.handback.facts import VERDICTS
from mendbay.jobs.take_in import take_in
from mendbay.jobs.work_port import Outcome, Standing, WorkKind, WorkOrder, WorkState
from mendbay.outlets.catalogue_shelf import CatalogueShelf
from mendbay.outlets.work_json import state_json
from mendbay.outlets.work_shelf import WorkShelf
from mendbay.wiring import works
from support.file_trees import listed_home, named
from support.web_client import Web, text_of, web_on
from support.works import order_of

PAGES = ("/case/1/files", "/case/1/files?all=yes", "/case/1/files?search=a&wanted=yes", "/case/1/hand-back")
MAY_STAY = 60
"""What a server may hold open for its threads, far below one file for each hurt."""
FLIPS = 10
"""Places at which a bit of each file is turned."""


def hurts(data: bytes, chance: random.Random) -> Iterator[bytes]:
    """The bytes with a bit turned here and there, cut off, emptied, and with more behind."""
    for _ in range(FLIPS if data else 0):
        at = chance.randrange(len(data))
        yield data[:at] + bytes([data[at] ^ (1 << chance.randrange(8))]) + data[at + 1 :]
    yield from (data[: len(data) * part // 4] for part in range(4))
    yield data + b"\0"


def in_place_of(path: Path, how: str) -> None:
    """Something else where a file was."""
    path.unlink()
    match how:
        case "folder":
            path.mkdir()
        case "link":
            path.symlink_to("/etc/hostname")
        case "pipe":
            os.mkfifo(path)
        case "nothing":
            pass


def open_files() -> int:
    return len(os.listdir("/proc/self/fd"))


def require_told(web: Web, *more: str) -> None:
    """Every page answers, and not with a fault."""
    for url in (*PAGES, *more):
        answer = web.client.get(url)
        assert answer.status_code in (200, 404, 409, 422), (url, text_of(answer.text)[:300])


# ---------------------------------------------------------------------- the catalogue


@pytest.fixture
def listed(tmp_path: Path) -> Iterator[Web]:
    listed_home(tmp_path / "home", named(b"kiln/", b"kiln/a.txt", b"z \xff.txt"))
    with web_on(tmp_path / "home") as web:
        web.get("/case/1/files")
        yield web


def catalogue_folder(web: Web) -> Path:
    (found,) = web.home.glob("cases/*/catalogue/*")
    return found


def forget_open(web: Web) -> None:
    """The server reads the catalogue anew: the same files under another generation."""
    folder = catalogue_folder(web)
    rank, _, part = folder.name.partition("-")
    folder.rename(folder.with_name(f"{int(rank) + 1:06}-{part}"))


def test_a_damaged_catalogue_is_told_and_can_be_made_again(listed: Web) -> None:
    chance = random.Random(5)
    names = sorted(one.name for one in catalogue_folder(listed).iterdir())
    assert len(names) > 15
    before = open_files()
    for name in names:
        data = (catalogue_folder(listed) / name).read_bytes()
        for hurt in list(hurts(data, chance))[:: 1 if name == "facts.json" else 7]:
            (catalogue_folder(listed) / name).write_bytes(hurt)
            forget_open(listed)
            said = text_of(listed.get("/case/1/files"))
            assert "cannot be used" in said or "2 files" in said or "Listed" in said
            require_told(listed)
        (catalogue_folder(listed) / name).write_bytes(data)
        for how in ("folder", "link", "pipe", "nothing"):
            place = catalogue_folder(listed) / name
            in_place_of(place, how)
            forget_open(listed)
            said = text_of(listed.get("/case/1/files"))
            assert "cannot be used" in said
            assert "Make it again" in said
            place = catalogue_folder(listed) / name
            shutil.rmtree(place) if how == "folder" else place.unlink(missing_ok=True)
            place.write_bytes(data)
    forget_open(listed)
    assert "cannot be used" not in text_of(listed.get("/case/1/files"))
    assert open_files() <= before + MAY_STAY


@pytest.mark.parametrize(
    "change",
    [
        lambda body: body.pop("facts"),
        lambda body: body.update(facts=None),
        lambda body: body["facts"].pop("volume"),
        lambda body: body["facts"].update(events=float("inf")),
        lambda body: body["facts"].update(volume=7),
        lambda body: body.update(files=[]),
        lambda body: body["files"].clear(),
        lambda body: body.update(format="catalogue 9"),
    ],
)
def test_facts_whose_sum_holds_but_that_lack_something(
    listed: Web, change: Callable[[dict[str, object]], object]
) -> None:
    place = catalogue_folder(listed) / "facts.json"
    body = json.loads(place.read_text())["body"]
    change(body)
    text = json.dumps(body, sort_keys=True)
    place.write_text(json.dumps({"body": body, "crc32c": google_crc32c.value(text.encode())}))
    forget_open(listed)
    assert "cannot be used" in text_of(listed.get("/case/1/files"))


def test_a_folder_of_catalogues_that_cannot_be_read_is_told(
    listed: Web, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(self: object, case: object) -> str:
        return "000009-00000000"

    monkeypatch.setattr(CatalogueShelf, "generation", gone)
    shutil.rmtree(catalogue_folder(listed).parent)
    (listed.home / "cases").glob("*")
    assert "not listed" in text_of(listed.get("/case/1/files")) or "No drive" in text_of(
        listed.get("/case/1/files")
    )


# ---------------------------------------------------------------------- works


@pytest.fixture
def held(tmp_path: Path) -> Iterator[tuple[Web, Path]]:
    """A case with a work that counts as alive, as this process holds it, and its folder."""
    listed_home(tmp_path / "home", named(b"a.txt"))
    with web_on(tmp_path / "home") as web:
        shelf = works(web.home)
        order = WorkOrder(
            shelf.new_id(), WorkKind.READ_DRIVE, 1, "Ina", "2026-11-29T01:00:00Z", {"bay": "1", "source": "x"}
        )
        shelf.begin(order)
        yield web, web.home / "works" / order.id
        shelf.let_go(order.id)


STATE = {
    "format": 1,
    "standing": "runs",
    "started_at": "2026-11-29T01:00:00Z",
    "updated_at": "2026-11-29T01:00:00Z",
    "ended_at": "",
    "progress": {
        "1": {
            "phase": "reading",
            "now": [0, 512],
            "read_bytes": 5,
            "refused_bytes": 0,
            "aim_bytes": 100,
            "wanted_bytes": 50,
            "wanted_read_bytes": 5,
            "why": {"worth": "the rest", "chance": 0.5, "tries": 1, "is_doubted": True},
        }
    },
    "step": {"step": "copying", "done": 1, "total": 3, "now": "a", "in_bytes": True},
    "said": ["one"],
    "said_count": 1,
    "advice": {},
    "question": None,
    "outcome": None,
    "trouble": None,
    "result": None,
    "result_words": ["w"],
}
WRONG = (None, [], {}, "x", -1, 10**400, True, 1.5, ["x"], "\udcff\u202e<b>")


def test_what_is_being_read_now_is_shown(held: tuple[Web, Path]) -> None:
    web, folder = held
    (folder / "state.json").write_text(json.dumps(STATE))
    said = text_of(web.get("/case/1/files"))
    assert "Bay 1 Reading:" in said
    assert "It is of the rest. It is 50" in said
    assert "likely to be given, was refused 1 time before" in said.replace("\N{THIN SPACE}", " ")


def test_a_damaged_state_is_told_whatever_is_wrong_with_it(held: tuple[Web, Path]) -> None:
    web, folder = held
    before = open_files()
    for wrong in WRONG:
        for name in STATE:
            (folder / "state.json").write_text(json.dumps({**STATE, name: wrong}))
            require_told(web)
        for part, inner in (("step", STATE["step"]), ("progress", STATE["progress"]["1"])):  # type: ignore[index]
            for name in inner:
                for held_there in ({**inner, name: wrong}, {one: inner[one] for one in inner if one != name}):
                    state = {**STATE, part: held_there if part == "step" else {"1": held_there}}
                    (folder / "state.json").write_text(json.dumps(state))
                    require_told(web)
    (folder / "state.json").write_text(json.dumps({**STATE, "progress": {"1": {}}}))
    assert "order the same again" in text_of(web.get("/case/1/files"))
    assert open_files() <= before + MAY_STAY


@pytest.mark.parametrize("kind", [WorkKind.CATALOGUE, WorkKind.CHECK_HAND_BACK])
def test_damaged_files_of_a_work_are_told(held: tuple[Web, Path], kind: WorkKind) -> None:
    web, folder = held
    order = json.loads((folder / "order.json").read_text())
    options = {} if kind is WorkKind.CATALOGUE else {"folder": "/tmp/x"}
    whole = {
        "order.json": json.dumps({**order, "kind": str(kind), "options": options}).encode(),
        "state.json": json.dumps(STATE).encode(),
    }
    chance, before = random.Random(7), open_files()
    for name in whole:
        for hurt in hurts(whole[name], chance):
            for one, data in whole.items():
                (folder / one).write_bytes(hurt if one == name else data)
            with web_on(web.home) as fresh:  # an order that was read once is not read again
                require_told(fresh)
        for how in ("folder", "link", "pipe", "nothing"):
            place = folder / name
            in_place_of(place, how)
            with web_on(web.home) as fresh:
                require_told(fresh)
            shutil.rmtree(place) if how == "folder" else place.unlink(missing_ok=True)
            place.write_bytes(whole[name])
    assert open_files() <= before + MAY_STAY


# ---------------------------------------------------------------------- the report of a hand-back


REPORT = {
    "made_at": "2026-11-29T01:00:00Z",
    "shop": "Shop",
    "keep_until": "2027-01-01",
    "drives": "two",
    "totals": {
        "verified_files": 3,
        **{
            word: {"files": 1, "size_bytes": 2, "missing_bytes": 1}
            for word in ("copied", *map(str, VERDICTS))
        },
    },
    "files": [
        {
            "path": f"data/{at}.txt",
            "raw_path_hex": "",
            "verdict": str(Verdict.HOLED),
            "gaps": [{"start": 0, "stop": 5}],
            "size_bytes": 9,
            "reasons": ["r"] * 30,
        }
        for at in range(450)
    ],
    "proof": [{"what": "w", "outcome": "o"}] * 300,
    "advice": ["a"] * 300,
}


@pytest.fixture
def handed(tmp_path: Path) -> Iterator[tuple[Web, Path]]:
    """A case with many hand-backs on record, the first of which is there."""
    listed_home(tmp_path / "home", named(b"a.txt"))
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / "report.json").write_text(json.dumps(REPORT))
    with web_on(tmp_path / "home") as web:
        with web.bench() as bench:
            for at in range(120):
                place = str(folder) if not at else f"/media/none/{at}"
                bench.note(1, "hand-back", "Made.", {"folder": place})
        yield web, folder


def test_long_lists_are_cut_and_can_be_seen_whole(handed: tuple[Web, Path]) -> None:
    web, _ = handed
    page = web.get("/case/1/hand-back")
    assert page.count("/media/none/") == 6
    assert "and 114 more" in text_of(page)
    found, url = "", "/case/1/hand-back/all"
    while url:
        page = web.get(url)
        found += page
        more = page.split('">and ')[0].rpartition('href="')[2] if "more</a>" in page else ""
        url = more.replace("&amp;", "&")
    assert all(f"/media/none/{at}<" in found for at in range(1, 120))
    said = web.get("/case/1/hand-back/report?at=0")
    assert "199.txt" in said
    assert "200.txt" not in said
    assert "and 250 more" in text_of(said)
    assert said.count("<dt>") == 100
    assert "and 200 more, which stand in the report" in text_of(said)
    last = web.get("/case/1/hand-back/report?at=0&first=400")
    assert "449.txt" in last
    assert "more</a>" not in last
    assert last.count(">r r r r r r r r</td>") == 50
    assert "None from there on" in web.get("/case/1/hand-back/report?at=0&first=999999")
    assert "None from there on" in text_of(web.get("/case/1/hand-back/all?first=999999"))


def test_a_damaged_report_is_told(handed: tuple[Web, Path]) -> None:
    web, folder = handed
    chance, before = random.Random(3), open_files()
    small = {**REPORT, "files": REPORT["files"][:2]}  # type: ignore[index]
    data = json.dumps(small).encode()
    more = (
        "/case/1/hand-back/report?at=0",
        "/case/1/hand-back/report-page?at=0",
        "/case/1/hand-back/report-file?at=0&form=json",
        "/case/1/hand-back/all",
    )
    for hurt in hurts(data, chance):
        (folder / "report.json").write_bytes(hurt)
        require_told(web, *more)
    for wrong in WRONG:
        for name in REPORT:
            (folder / "report.json").write_text(json.dumps({**small, name: wrong}))
            require_told(web, *more)
        for name in REPORT["files"][0]:  # type: ignore[index]
            one = {**REPORT["files"][0], name: wrong}  # type: ignore[index]
            (folder / "report.json").write_text(json.dumps({**small, "files": [one]}))
            require_told(web, *more)
    for how in ("folder", "link", "pipe", "nothing"):
        (folder / "report.json").write_bytes(data)
        in_place_of(folder / "report.json", how)
        require_told(web, *more)
        place = folder / "report.json"
        shutil.rmtree(place) if how == "folder" else place.unlink(missing_ok=True)
    (folder / "report.pdf").write_bytes(b"%PDF-1.7 and nothing more")
    assert "cannot be drawn" in text_of(web.get("/case/1/hand-back/report-page?at=0"))
    web.get("/case/1/hand-back/report-picture?at=0", status=404)
    assert open_files() <= before + MAY_STAY


# ---------------------------------------------------------------------- what a reading says of itself

OF_A_READING = {
    "step": (
        {},
        {"step": "x", "done": "y", "total": 3},
        {"step": 1, "done": [1], "total": [2]},
        {"total": -1},
    ),
    "progress": ({"1": {"now": [1]}}, {"1": {"aim_bytes": "x"}}, {"1": {"now": [3, 1], "why": 7}}),
    "advice": ({"1": {}}, {"1": {"text": 5}}, {"1": {"text": "x", "at": 7}}),
    "result": (5, "x", [], {"drives": 5}, {"drives": [5]}, {"drives": [{"bay": []}]}),
}


@pytest.mark.parametrize("part", OF_A_READING)
@pytest.mark.parametrize("is_alive", [True, False])
def test_a_reading_whose_state_is_damaged_can_still_be_looked_at_and_stopped(
    web: Web, part: str, is_alive: bool
) -> None:
    with web.bench() as bench:
        take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1")])
    shelf = WorkShelf(web.home, SystemClock())
    order = order_of(shelf, WorkKind.READ_DRIVE, {"bay": "1", "source": "/dev/nothing"})
    shelf.begin(order)  # alive as long as its lock is held here
    if not is_alive:
        shelf.let_go(order.id)
    state = WorkState(Standing.RUNS) if is_alive else WorkState(Standing.ENDED, outcome=Outcome.INCOMPLETE)
    parts = [
        f"/case/1/drives/now?part={one}&bay=1" for one in ("reading", "asked", "ended", "record", "drive")
    ]
    try:
        for told in OF_A_READING[part]:
            body = {**state_json(state), part: told}
            (web.home / "works" / order.id / "state.json").write_text(json.dumps(body))
            for url in ("/case/1", "/case/1/files", "/case/1/drives?bay=1", *parts):
                web.get(url)
            assert ("Stop reading" in web.get("/case/1/drives")) is is_alive
    finally:
        shelf.let_go(order.id)


def test_an_advice_that_reading_has_overtaken_is_marked_and_what_was_said_has_its_time(web: Web) -> None:
    with web.bench() as bench:
        take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1")])
    shelf = WorkShelf(web.home, SystemClock())
    order = order_of(shelf, WorkKind.READ_DRIVE, {"bay": "1", "source": "/dev/nothing"})
    shelf.begin(order)
    advice = {"go_on": True, "text": "Bay 1, recommended: go on.", "at": "2026-11-29T01:00:00Z"}
    then = {"lacking_bytes": 4096, "read_bytes": 0, "of_wanted": False}
    of_wanted = {**advice, **then, "of_wanted": True}
    said = {"said": ["First.", "Last."], "said_at": ["2026-11-29T01:00:00Z", "2026-11-29T01:00:05Z"]}
    place = web.home / "works" / order.id / "state.json"
    whole = {**STATE["progress"]["1"], "read_bytes": 4096}  # type: ignore[index]
    try:
        for one, is_old in (({**advice, **then}, True), (of_wanted, False), (advice, False)):
            place.write_text(json.dumps({**STATE, **said, "progress": {"1": whole}, "advice": {"1": one}}))
            page = text_of(web.get("/case/1/drives/now?part=reading"))
            assert ("overtaken: 4.10 kB of the 4.10 kB" in page) is is_old
            assert "Said last 2026-11-29 01:00: Last." in page
    finally:
        shelf.let_go(order.id)
