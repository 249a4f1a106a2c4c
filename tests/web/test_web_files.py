"""The files of a case in the browser, asked without one."""

from __future__ import annotations

import asyncio
import re
import threading
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from mendbay.case.records import Bay
from mendbay.core.errors import Interrupted
from mendbay.core.source import Gap, Lack
from mendbay.core.span import Span, SpanSet
from mendbay.faces.web.files_shown import MOST_OPENED, packed, unpacked
from mendbay.faces.web.gate import Gate
from mendbay.faces.web.views import file as file_view
from mendbay.files.tree import Entry, Kind, Proof
from mendbay.files.verdict import Judgement, Verdict
from mendbay.jobs.bench import Bench
from mendbay.jobs.catalogue_files import catalogue_files
from mendbay.jobs.document_shown import document_notes, document_shown
from mendbay.jobs.list_files import FileLine
from mendbay.jobs.pick_wanted import add_wishes
from mendbay.jobs.preview_file import FilePreview
from mendbay.jobs.preview_port import DocumentKind, MadeDocument, MadePiece, MadeRow, NoPreview
from mendbay.jobs.take_in import take_in
from mendbay.jobs.work_port import WorkKind
from mendbay.wiring import catalogues, open_bench, works
from support.ext_images import small_image
from support.file_trees import listed_home, many, named, read_home
from support.web_client import HOST, Web, text_of, web_on
from support.works import WorkShop, until

HOSTILE = b"<img src=x onerror=alert(1)>\xe2\x80\xae\xff\x1b[2J.txt"


@pytest.fixture
def read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Web]:
    """A case with a small drive that was read, its files listed."""
    monkeypatch.setenv("MENDBAY_WHO", "Kim")
    with web_on(read_home(tmp_path / "shop" / "home")) as found:
        yield found


def rows(html: str) -> list[int]:
    """The row numbers of an answer, as it has them."""
    return [int(one) for one in re.findall(r'data-number="(\d+)"', html)]


def generation(web: Web) -> str:
    found = re.search(r'data-generation="([^"]+)"', web.get("/case/1/files"))
    assert found is not None
    return found[1]


# ---------------------------------------------------------------------- listing


def test_a_visit_lists_nothing_a_button_does(tmp_path: Path) -> None:
    home = read_home(tmp_path / "shop" / "home", listed=False)
    with web_on(home) as web:
        assert "not listed yet" in text_of(web.get("/case/1/files"))
        assert works(home).orders(1) == ()
        web.get("/case/1/files/rows?generation=000001-00000000", status=404)
        web.post("/case/1/files/list")
        (order,) = works(home).orders(1)
        assert order.kind is WorkKind.CATALOGUE
        until(lambda: not works(home).is_alive(order.id))
        said = text_of(web.get("/case/1/files"))
        assert "Listed 20" in said
        assert "Nothing was read since" in said


def test_without_a_drive_there_is_nothing_to_list(web: Web) -> None:
    web.done("/cases/open", {"customer": "A weaver"})
    assert "No drive of this case was read yet" in text_of(web.get("/case/1/files"))
    assert "no image" in text_of(web.post("/case/1/files/list", status=404).text)
    web.get("/case/2/files", status=404)
    web.get("/case/2/files/rows?generation=x", status=404)


def test_rows_of_an_earlier_listing_are_refused(read: Web) -> None:
    before = generation(read)
    with read.bench() as bench:
        catalogue_files(bench, catalogues(read.home), 1)
    after = generation(read)
    assert before != after
    for url in (
        f"/case/1/files/rows?generation={before}",
        f"/case/1/file?number=2&generation={before}",
        f"/case/1/file/preview?number=2&generation={before}",
    ):
        assert "listed anew" in text_of(read.get(url, status=409))
    read.post("/case/1/files/pick", {"pick": "2", "generation": before}, status=409)
    read.post("/case/1/file/read", {"number": "2", "generation": before}, status=409)
    # a page with folders of the earlier listing opens none of them
    assert read.get(f"/case/1/files?opened=1&generation={before}").count("closed") == read.get(
        "/case/1/files"
    ).count("closed")


# ---------------------------------------------------------------------- the tree


def test_folders_open_and_close_by_plain_links(tmp_path: Path) -> None:
    listed_home(
        tmp_path / "home", named(b"kiln/", b"kiln/log.txt", b"kiln/raku/", b"kiln/raku/a.jpg", b"z.txt")
    )
    with web_on(tmp_path / "home") as web:
        first = web.get("/case/1/files")
        assert "log.txt" not in first
        (link,) = re.findall(r'href="(/case/1/files\?[^"]+)">kiln/', first)
        opened = web.get(link.replace("&amp;", "&"))
        assert "log.txt" in opened
        assert "a.jpg" not in opened
        (link,) = re.findall(r'href="(/case/1/files\?[^"]+)">kiln/', opened)
        assert "log.txt" not in web.get(link.replace("&amp;", "&"))
        assert "a.jpg" in web.get("/case/1/files?all=yes")


def test_windows_at_the_ends(tmp_path: Path) -> None:
    made = listed_home(tmp_path / "home", list(many(450)))
    with web_on(tmp_path / "home") as web:

        def asked(first: int, count: int) -> list[int]:
            return rows(web.get(f"/case/1/files/rows?generation={made}&all=yes&first={first}&count={count}"))

        assert asked(0, 3) == [1, 2, 3]
        assert asked(447, 200) == [448, 449, 450]
        assert asked(449, 1) == [450]
        assert asked(450, 5) == asked(10**9, 5) == []
        for refused in (
            "first=-1",
            "count=0",
            "count=201",
            "first=x",
            f"first={10**15}",
            "opened=!",
            "opened=1..",
        ):
            web.get(f"/case/1/files/rows?generation={made}&{refused}", status=422)


def test_pages_without_script_reach_every_row_once(tmp_path: Path) -> None:
    listed_home(tmp_path / "home", list(many(450)))
    with web_on(tmp_path / "home") as web:
        url, found = "/case/1/files?all=yes", []
        while url:
            page = web.get(url)
            found += [int(one) for one in re.findall(r'name="pick" value="(\d+)"', page)]
            later = re.search(r'href="([^"]+)">Later rows', page)
            url = later[1].replace("&amp;", "&") if later else ""
        assert found == list(range(1, 451))
        last = re.search(r'href="([^"]+)">The last rows', web.get("/case/1/files?all=yes"))
        assert last is not None
        assert "pot 0000449.jpg" in web.get(last[1].replace("&amp;", "&"))


def test_search_and_filters(tmp_path: Path) -> None:
    entries = named(b"kiln/", b"kiln/log.txt", b"T\xc3\xb6pfer.jpg", b"z.txt")
    holed = Judgement(Verdict.HOLED, (Gap(Span(0, 5), Lack.REFUSED),), SpanSet(), SpanSet(), ())
    entries[-1] = (entries[-1][0], holed)
    made = listed_home(tmp_path / "home", entries)
    with web_on(tmp_path / "home") as web:

        def found(query: str) -> set[str]:
            html = web.get(f"/case/1/files/rows?generation={made}&{query}")
            return {one for one in ("log.txt", "Töpfer.jpg", "z.txt") if one in html}

        assert found("search=TÖPF") == {"Töpfer.jpg"}
        assert found("search=kiln") == {"log.txt"}
        assert found("verdict=holed") == {"z.txt"}
        assert found("verdict=whole&verdict=holed") == {"log.txt", "Töpfer.jpg", "z.txt"}
        assert found("wanted=yes") == set()
        web.done("/case/1/files/wish", {"pattern": "*.jpg, z.txt"})
        assert found("wanted=yes") == {"Töpfer.jpg", "z.txt"}
        assert "is more than can be searched" in text_of(
            web.get(f"/case/1/files?search={'a+' * 40}", status=422)
        )


def test_a_hostile_name_is_only_text(tmp_path: Path) -> None:
    made = listed_home(tmp_path / "home", named(HOSTILE))
    with web_on(tmp_path / "home") as web:
        for url in ("/case/1/files", f"/case/1/files/rows?generation={made}", "/case/1/files?search=img"):
            html = web.get(url)
            assert "<img" not in html
            assert "\u202e" not in html
            assert "\x1b" not in html
            assert r"\xff" in html
        page = web.done("/case/1/files/pick", {"pick": "1", "generation": made})
        assert "<img" not in page
        (pattern,) = _wishes(web)
        assert pattern == "/<img src=x onerror=alert(1)>???[2J.txt"
        assert "wanted</span>" in web.get("/case/1/files")
        web.done("/case/1/files/unwish", {"pattern": pattern})
        assert _wishes(web) == ()


def _wishes(web: Web) -> tuple[str, ...]:
    with web.bench() as bench:
        return bench.ledger.case(1).wanted


def test_of_many_wishes_a_page_shows_the_newest_and_another_all(tmp_path: Path) -> None:
    listed_home(tmp_path / "home", named(b"a.txt"))
    wishes = [f"w{at:03}.txt" for at in range(250)]
    with web_on(tmp_path / "home") as web:
        with web.bench() as bench:
            add_wishes(bench, 1, wishes)
        page = web.get("/case/1/files")
        assert page.count('class="wish"') == 20
        assert "w249.txt" in page
        assert "w229.txt" not in page
        assert "and 230 more" in text_of(page)
        assert "and 240 more" in text_of(web.get("/case/1"))
        first, rest = web.get("/case/1/files/wishes"), web.get("/case/1/files/wishes?first=200")
        assert [one for one in wishes if one in first] == wishes[50:]
        assert [one for one in wishes if one in rest] == wishes[:50]
        gone = web.post("/case/1/files/unwish", {"pattern": "w000.txt"})
        assert gone.headers["location"] == "/case/1/files/wishes"
        assert 'value="w000.txt"' not in web.get("/case/1/files/wishes?first=200")


def test_files_and_folders_are_picked_in_one_go(tmp_path: Path) -> None:
    made = listed_home(tmp_path / "home", named(b"kiln/", b"kiln/a, b.txt", b"z.txt"))
    with web_on(tmp_path / "home") as web:
        said = text_of(web.done("/case/1/files/pick", {"pick": ["1", "2"], "generation": made}))
        assert "/kiln/**" in said
        assert _wishes(web) == ("/kiln/**", "/kiln/a? b.txt")
        for refused in ({"pick": "0"}, {"pick": "99"}, {"pick": "-1"}, {"pick": "x"}, {}):
            web.post("/case/1/files/pick", {**refused, "generation": made}, status=422)
        web.post("/case/1/files/wish", {"pattern": "x" * 201}, status=422)
        web.post("/case/1/files/unwish", {"pattern": "/nothing"}, status=422)
        assert len(_wishes(web)) == 2


def test_open_folders_are_told_shortly() -> None:
    some = frozenset({1, 2, 700, 999_999})
    assert unpacked(packed(some)) == some
    assert unpacked("") == frozenset()
    most = frozenset(range(5, 5 * MOST_OPENED + 1, 5))
    assert unpacked(packed(most)) == most


# ---------------------------------------------------------------------- one file


def test_every_file_has_a_page_with_its_evidence(read: Web) -> None:
    made = generation(read)
    html = read.get(f"/case/1/files/rows?generation={made}&all=yes")
    html += read.get(f"/case/1/files/rows?generation={made}&search=large")
    files = [one for one in rows(html) if f"/case/1/file?number={one}&amp;" in html]
    files = [*files[:10], files[-1]]
    said = []
    for one in files:
        said.append(text_of(read.get(f"/case/1/file?number={one}&generation={made}")))
        read.get(f"/case/1/file/preview?number={one}&generation={made}")
    assert any("Where its bytes came from" in one for one in said)
    assert any("missing: refused by the drive" in one for one in said)
    read.get(f"/case/1/file?number=0&generation={made}", status=404)
    read.get(f"/case/1/file?number=99999&generation={made}", status=404)
    read.get(f"/case/1/file/picture?number={files[0]}&generation={made}", status=404)


def test_a_look_notes_nothing_reading_it_compares(read: Web) -> None:
    made = generation(read)
    html = read.get(f"/case/1/files/rows?generation={made}&all=yes&count=200")
    one = next(one for one in rows(html) if f"/case/1/file?number={one}&amp;" in html)
    with read.bench() as bench:
        before = len(bench.ledger.events(1)), len(bench.ledger.custody(1))
    read.get(f"/case/1/file?number={one}&generation={made}")
    with read.bench() as bench:
        assert (len(bench.ledger.events(1)), len(bench.ledger.custody(1))) == before
    which = {"number": str(one), "generation": made}
    assert "is being read" in text_of(read.done("/case/1/file/read", which))
    (order,) = works(read.home).orders(1)
    assert order.kind is WorkKind.READ_FILE
    until(lambda: not works(read.home).is_alive(order.id))
    for page in ("file", "file/reading"):
        said = text_of(read.get(f"/case/1/{page}?number={one}&generation={made}"))
        assert "Read and compared: whole" in said
        assert "Ordered by Kim" in said
    other = next(each for each in rows(html) if each != one and f"/case/1/file?number={each}&amp;" in html)
    assert "Read and compared" not in text_of(read.get(f"/case/1/file?number={other}&generation={made}"))
    read.post("/case/1/file/stop", {**which, "work": order.id}, status=422)
    with read.bench() as bench:
        path = catalogues(read.home).open(bench.ledger.case(1)).catalogue.path(one)  # type: ignore[union-attr]
    assert order.options == {"path": [part.hex() for part in path.split(b"/")]}


def test_a_document_is_shown_as_escaped_text(read: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    hostile = "<script>alert(1)</script>\u202e"
    row, name = MadeRow(7, (hostile, None)), MadePiece(hostile, (), (), is_read=False)
    sheet = MadePiece(hostile, (2, 28), (row,), goes_on=True, is_hidden=True, is_wrong=True)
    made = MadeDocument(DocumentKind.SHEETS, (sheet, MadePiece("", (), ()), name), 3, True, True)
    shown = document_shown(made)

    def looks(bench: Bench, pool: object, case: int, path: bytes, **more: object) -> FilePreview:
        line = FileLine(Entry(path, Kind.FILE, 12, 9, 0o100644, 0, 0, 1, Proof.NONE), None)
        return FilePreview(line, shown, 9, 0, tuple(document_notes(shown, False)))

    monkeypatch.setattr(file_view, "preview_file", looks)
    html = read.get(f"/case/1/file/preview?{a_picture(read)}")
    assert "<script>alert" not in html
    assert "\u202e" not in html
    escaped = '&lt;script&gt;alert(1)&lt;/script&gt;<span class="t-escape">\\u{202e}</span>'
    assert html.count(escaped) == 3
    said = text_of(html)
    for words in (
        "(hidden)",
        "Row B AB",
        "Sheet 2, its name missing",
        "Nothing is written in it.",
        "Further",
        "text missing",
    ):
        assert words in said
    assert "year-month-day" in said
    assert "goes on behind" in said
    assert "not what was saved" in said


def test_why_there_is_no_preview_ends_as_a_sentence(read: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    def looks(bench: Bench, pool: object, case: int, path: bytes, **more: object) -> FilePreview:
        line = FileLine(Entry(path, Kind.FILE, 12, 9, 0o100644, 0, 0, 1, Proof.NONE), None)
        return FilePreview(line, NoPreview("No preview could be made", "Its verdict stands beside it."))

    monkeypatch.setattr(file_view, "preview_file", looks)
    said = text_of(read.get(f"/case/1/file/preview?{a_picture(read)}"))
    assert "No preview could be made. Its verdict stands beside it." in said


def a_picture(web: Web) -> str:
    """The query of a preview of some file."""
    made = generation(web)
    html = web.get(f"/case/1/files/rows?generation={made}&search=large.bin")
    return f"number={rows(html)[0]}&generation={made}"


def test_more_previews_than_can_be_made_are_told(read: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    query = a_picture(read)
    read.get(f"/case/1/file/preview?{query}")
    monkeypatch.setattr(file_view, "gate_of", lambda desk: Gate(0, 0))
    for page in ("preview", "picture"):
        said = text_of(read.get(f"/case/1/file/{page}?{query}", status=409))
        assert "Too many previews" in said
        assert "Load the page again" in said


def test_a_browser_that_goes_away_frees_what_looks_for_it(read: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    url, stopped = f"/case/1/file/preview?{a_picture(read)}", threading.Event()
    gate = Gate(1, 0)
    monkeypatch.setattr(file_view, "gate_of", lambda desk: gate)

    def looks_for_long(bench: Bench, *rest: object, **more: object) -> None:
        until(bench.stop)
        stopped.set()
        raise Interrupted("Stopped.", "Ask again.")

    monkeypatch.setattr(file_view, "preview_file", looks_for_long)

    async def ask() -> None:
        come = iter(("http.request", "http.disconnect"))

        async def receive() -> dict[str, object]:
            return {"type": next(come, "http.disconnect")}

        async def send(message: object) -> None:
            pass

        path, _, query = url.partition("?")
        await read.client.app(
            {
                "type": "http",
                "http_version": "1.1",
                "scheme": "http",
                "method": "GET",
                "path": path,
                "raw_path": path.encode(),
                "query_string": query.encode(),
                "root_path": "",
                "headers": [(b"host", HOST.encode())],
                "server": ("127.0.0.1", 8437),
                "client": ("127.0.0.1", 9),
            },
            receive,  # type: ignore[arg-type]
            send,  # type: ignore[arg-type]
        )

    asyncio.run(ask())
    assert stopped.wait(30)
    with gate.through():
        pass


@pytest.mark.slow
def test_a_million_rows(tmp_path: Path) -> None:
    listed = list(many(1_000_000))
    made = listed_home(tmp_path / "home", listed)
    found = sum(b"pot" in one.path and b"00999" in one.path for one, _ in listed)
    with web_on(tmp_path / "home") as web:
        ask = f"/case/1/files/rows?generation={made}&all=yes"
        assert rows(web.get(f"{ask}&first=999998&count=10")) == [999_999, 1_000_000]
        assert rows(web.get(f"{ask}&first=500000&count=2")) == [500_001, 500_002]
        assert f'data-total="{found}"' in web.get(f"/case/1/files/rows?generation={made}&search=pot+00999")


def test_what_is_picked_while_a_drive_is_read_is_read_next(tmp_path: Path) -> None:
    """A reading under way, of a drive that takes its time: the order in which it is read follows the page."""
    folder = tmp_path / "shop"
    folder.mkdir()
    (folder / "drive.img").write_bytes(small_image("ext4"))
    described = ('image = "drive.img"', 'serial = "K-1"', "real_time = true", "seconds_per_sector = 0.001")
    (folder / "drive.toml").write_text("\n".join(described) + "\n")
    with open_bench(folder / "home") as bench:
        take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1")])
    shop = WorkShop(folder / "home")
    work = shop.start(WorkKind.READ_PAIR, sources={"1": f"unsteady:{folder / 'drive.toml'}"})

    def progress() -> Mapping[str, Any]:
        return shop.state(work).progress.get("1", {})

    try:
        with web_on(shop.home) as web:
            until(lambda: progress().get("phase") == "reading the rest")
            assert "Being read now Bay 1" in text_of(web.get("/case/1/files"))
            web.post("/case/1/files/list")
            until(lambda: 'id="tree"' in web.get("/case/1/files"))
            made = generation(web)
            (number,) = rows(web.get(f"/case/1/files/rows?generation={made}&search=large.bin"))
            assert not progress()["wanted_bytes"]
            said = text_of(web.done("/case/1/files/pick", {"pick": str(number), "generation": made}))
            assert "Wanted first from now on: /large.bin" in said
            until(lambda: progress()["wanted_bytes"])
            wanted = progress()["wanted_bytes"]
            until(lambda: progress()["wanted_read_bytes"] == wanted)
            now = progress()
            assert not shop.state(work).is_over
            assert now["read_bytes"] < (17 << 20)  # most of the rest comes behind it
            until(lambda: "wanted;" in text_of(web.get("/case/1/files")))
    finally:
        shop.stop_all()
