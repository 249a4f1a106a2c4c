"""The page that tells how the drives of a case belong together, over boxes that were read."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from html import unescape
from itertools import pairwise
from pathlib import Path

import pytest

from mendbay.core.source import Source
from mendbay.core.span import Span, SpanSet
from mendbay.faces.cli.files import _listing_text
from mendbay.jobs import files_apart as files_apart_job
from mendbay.jobs.catalogue_files import catalogue_files
from mendbay.jobs.files_apart import files_apart
from mendbay.jobs.list_files import list_files
from mendbay.jobs.pair_picture import pair_seen
from mendbay.jobs.read_drive import DriveAt
from mendbay.jobs.read_pair import read_pair
from mendbay.jobs.take_in import take_in
from mendbay.jobs.volume import candidates_on, case_images, part_of_stripe, sources_of
from mendbay.outlets.scenario.geometry import Level
from mendbay.outlets.scenario.small import SmallBase
from mendbay.wiring import catalogues
from support.answers import one_line
from support.boxes import small_base
from support.commands import commands
from support.pair_shop import Shop, shop
from support.web_client import Web, text_of, web_on

PAIR = "/case/1/pair"


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> SmallBase:
    return small_base(tmp_path_factory.mktemp("base"))


@contextmanager
def read_box(
    tmp_path: Path, base: SmallBase, *, level: Level, parted: bool = False
) -> Iterator[tuple[Shop, Web]]:
    """A box whose drives were read through, and the bench in the browser over the same home."""
    with shop(tmp_path, base, level=level, parted=parted) as found:
        read_pair(found.bench, 1, found.drives())
        with web_on(tmp_path / "home") as web:
            yield found, web


def test_nothing_was_read(web: Web) -> None:
    web.done("/cases/open", {"customer": "Quillmere Pottery"})
    assert "has no image of a drive yet" in text_of(web.get(PAIR))
    web.get("/case/7/pair", status=404)
    web.post(f"{PAIR}/keep", status=404)


def test_mirror_in_step(tmp_path: Path, base: SmallBase) -> None:
    with read_box(tmp_path, base, level=Level.MIRROR) as (found, web):
        events = len(found.bench.ledger.events(1))
        page = web.get(PAIR)
        said = text_of(page)
        assert "Mirror of" in said
        assert "each part of the volume lies on both drives" in said
        assert "in step" in said
        assert page.count("<rect") > 12
        assert len(found.bench.ledger.events(1)) == events  # a page changes nothing
        assert "The case does not know this yet." in said, "what is shown is not yet what the case knows"
        told = text_of(web.done(f"{PAIR}/keep"))
        assert "in the case's story" in told
        assert "does not know this yet" not in told
        assert "It stands in the case's story since" in told
        assert f'action="{PAIR}/keep"' not in web.get(PAIR), "nothing has changed since"
        assert "not compared" not in said.replace("were not compared", "")


def test_half_that_fell_behind(tmp_path: Path, base: SmallBase) -> None:
    with read_box(tmp_path, base, level=Level.MIRROR, parted=True) as (_, web):
        said = text_of(web.get(PAIR))
        assert "is the fresher half; the other fell behind at" in said
        assert "they are not in step" in said
        assert "That comes once" not in said
        assert not re.search(r"\dT\d\d:\d\d", said)  # times are written for people, in sentences too


def test_stripe_takes_turns(tmp_path: Path, base: SmallBase) -> None:
    with read_box(tmp_path, base, level=Level.STRIPE) as (found, web):
        seen = pair_seen(found.bench, 1)
        assert seen.turn_bytes > 0
        owners = [turn.on[0][0] for turn in seen.turns]
        assert all(one != other for one, other in pairwise(owners))
        with case_images(found.bench, found.bench.ledger.case(1)) as stores:
            volume: Source = candidates_on(sources_of(stores))[0].volume
            for turn in seen.turns:  # exactly what the volume itself says
                ((bay, where),) = turn.on
                needs = volume.needs(SpanSet([turn.span])).items()
                assert {one: spans for one, spans in needs if spans} == {bay: SpanSet([where])}
        said = text_of(web.get(PAIR))
        assert "the drives take turns every" in said


def test_one_half_alone(tmp_path: Path, base: SmallBase) -> None:
    with shop(tmp_path, base) as found:
        read_pair(found.bench, 1, found.drives()[:1])
        with web_on(tmp_path / "home") as web:
            assert "Mirror of" in text_of(web.get(PAIR))


def test_files_where_the_halves_differ(tmp_path: Path, base: SmallBase) -> None:
    name = b"files/14.bin"
    with shop(tmp_path, base) as found:
        place = next(iter(found.box.geometry.on_drive(1, SpanSet(base.newest.placed[name].blocks))))
        with found.box.images[1].open("r+b") as image:
            image.seek(place.start)
            before = image.read(800)
            image.seek(place.start)
            image.write(bytes(byte ^ 0xFF for byte in before))
        read_pair(found.bench, 1, found.drives(), both_whole=True)
        events = len(found.bench.ledger.events(1))
        seen = files_apart(found.bench, 1)
        assert [one.path for one in seen.files] == [name]
        assert seen.files[0].differ_bytes == seen.apart_bytes >= 800
        assert (seen.more, seen.elsewhere_bytes, seen.is_whole) == (0, 0, True)
        with web_on(tmp_path / "home") as web:
            assert f'href="{PAIR}/apart"' in web.get(PAIR)
            said = text_of(web.get(f"{PAIR}/apart"))
            assert "files/14.bin" in said
            assert "each of these leads to its own page" in said
            catalogue_files(found.bench, catalogues(tmp_path / "home"), 1)
            link = re.search(r'href="(/case/1/file\?[^"]+)">files/14.bin', web.get(f"{PAIR}/apart"))
            assert link is not None
            assert "14.bin" in text_of(web.get(unescape(link[1])))
        assert len(found.bench.ledger.events(1)) >= events


def test_halves_taken_alone_are_told_apart(tmp_path: Path, base: SmallBase) -> None:
    with shop(tmp_path, base) as found:
        read_pair(found.bench, 1, found.drives())
        with case_images(found.bench, found.bench.ledger.case(1)) as stores:
            volume = candidates_on(sources_of(stores))[0].volume
            data = volume.read(Span(0, volume.size_bytes)).data
        copies = [tmp_path / "one.img", tmp_path / "two.img"]
        for one in copies:
            one.write_bytes(data)
        take_in(found.bench, "Quillmere Pottery")
        read_pair(found.bench, 2, [DriveAt(bay, str(one)) for bay, one in zip("12", copies, strict=True)])
        with web_on(tmp_path / "home") as web:
            said = text_of(web.get("/case/2/pair"))
        with commands() as program:
            typed = one_line(program.run(["--home", str(tmp_path / "home"), "pair", "look", "2"]).stdout)
        for told in (said, typed):
            for bay in "12":
                assert re.search(rf"Single volume of [^,]+, bay {bay}, the whole drive", told)
            assert told.count("It is one half of the mirror, taken alone") == 2
        assert "smaller than the one that holds" not in said


def test_files_apart_are_cut(tmp_path: Path, base: SmallBase, monkeypatch: pytest.MonkeyPatch) -> None:
    with shop(tmp_path, base) as found:
        with found.box.images[1].open("r+b") as image:
            for name in (b"files/14.bin", b"files/05.bin"):
                place = next(iter(found.box.geometry.on_drive(1, SpanSet(base.newest.placed[name].blocks))))
                image.seek(place.start)
                byte = image.read(1)
                image.seek(place.start)
                image.write(bytes([byte[0] ^ 0xFF]))
        read_pair(found.bench, 1, found.drives(), both_whole=True)
        monkeypatch.setattr(files_apart_job, "MOST_FILES", 1)
        seen = files_apart(found.bench, 1)
        assert (len(seen.files), seen.more, seen.is_whole) == (1, 1, True)
        monkeypatch.setattr(files_apart_job, "WALKED", 2)
        cut = files_apart(found.bench, 1)
        assert (len(cut.files), cut.is_whole, cut.elsewhere_bytes) == (0, False, cut.apart_bytes)
        with web_on(tmp_path / "home") as web:
            assert "Only the first" in text_of(web.get(f"{PAIR}/apart"))


def test_no_files_are_apart(tmp_path: Path, base: SmallBase) -> None:
    with read_box(tmp_path, base, level=Level.STRIPE) as (_, web):
        assert "differ nowhere" in text_of(web.get(f"{PAIR}/apart"))
        web.get("/case/7/pair/apart", status=404)


def test_of_a_stripe_no_bay_is_offered_alone_and_one_asked_for_is_told(
    tmp_path: Path, base: SmallBase
) -> None:
    with read_box(tmp_path, base, level=Level.STRIPE) as (found, web):
        assert re.search(r"take turns every \d+ KiB \(\d+ sectors\)", one_line(text_of(web.get(PAIR))))
        page = web.get("/case/1/hand-back")
        assert "it needs both" in text_of(page)
        assert 'name="bay"' not in page
        half = list_files(found.bench, 1, bays=["1"])
        words = part_of_stripe(half.assembled)
        assert words.startswith("A stripe needs both drives, and bay 1 alone is looked at")
        assert part_of_stripe(list_files(found.bench, 1).assembled) == ""
        assert one_line(_listing_text(half, [], 1)).startswith(one_line(words))


def test_of_a_mirror_a_bay_can_be_chosen(tmp_path: Path, base: SmallBase) -> None:
    with read_box(tmp_path, base, level=Level.MIRROR) as (_, web):
        assert 'name="bay"' in web.get("/case/1/hand-back")
