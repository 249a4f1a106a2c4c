import io
import itertools
import struct

import openpyxl
import pypdf
import pytest
from PIL import Image

from mendbay.files.tree import Kind
from mendbay.outlets.scenario import papers, recordings, story
from mendbay.outlets.scenario.content import KILN_LOG, Planned, later_changes, produce, shared_content
from mendbay.outlets.scenario.drawing.photographs import Photograph, draw_photograph
from mendbay.outlets.scenario.kiln_log import CONES, firings, write_kiln_log

SEED = 5
MAY = story.moment(2026, 5, 3, 10, 30)


@pytest.mark.parametrize("subject", ["tiles", "above", "mug"])
def test_a_photograph_is_dated_and_repeats(subject):
    made = draw_photograph(Photograph(subject, 12, MAY), SEED)
    assert made == draw_photograph(Photograph(subject, 12, MAY), SEED)
    assert made != draw_photograph(Photograph(subject, 12, MAY), SEED + 1)
    picture = Image.open(io.BytesIO(made))
    assert picture.size == (1600, 1200)
    assert picture.getexif().get_ifd(0x8769)[0x9003] == "2026:05:03 10:30:00"
    # a picture, not a flat field or noise: wide range of tones, yet far smaller than its 5.8 MB of pixels
    low, high = picture.convert("L").resize((80, 60)).getextrema()
    assert high - low > 90
    assert 300_000 < len(made) < 1_500_000


def test_the_kiln_log_repeats_and_later_ones_begin_with_the_same_rows(tmp_path):
    rows = firings(SEED)
    for name, count in (("a.xlsx", 60), ("b.xlsx", 60), ("c.xlsx", 75)):
        write_kiln_log(tmp_path / name, rows[:count], MAY)
    assert (tmp_path / "a.xlsx").read_bytes() == (tmp_path / "b.xlsx").read_bytes()
    first, later = (openpyxl.load_workbook(tmp_path / name) for name in ("a.xlsx", "c.xlsx"))
    assert first.sheetnames == ["Firings", "Readings", "Glaze recipes", "Cones"]
    old = list(first["Firings"].iter_rows(values_only=True))
    assert len(old) == 61
    assert list(later["Firings"].iter_rows(values_only=True))[:61] == old


def test_firings_are_plausible():
    rows = firings(SEED)
    assert [one.number for one in rows] == list(range(1, len(rows) + 1))
    assert all(first.lit_at < second.lit_at for first, second in itertools.pairwise(rows))
    for one in rows:
        assert abs(one.peak - CONES[one.cone]) < 10
        assert abs(max(one.readings) - one.peak) < 6
        top = one.readings.index(max(one.readings))
        assert one.readings[0] < 40
        assert one.readings[-1] < one.peak / 2
        assert all(b - a < 25 for a, b in zip(one.readings[:top], one.readings[1:], strict=False))


def test_an_invoice_is_a_page_that_repeats(tmp_path):
    for name in ("a", "b"):
        papers.write_invoice(tmp_path / name, SEED, "2026-003", "Umbelow Kitchen", MAY)
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()
    (page,) = pypdf.PdfReader(tmp_path / "a").pages
    text = page.extract_text()
    assert "Umbelow Kitchen" in text
    assert "2026-05-03" in text


def test_orders_of_a_later_day_begin_with_the_earlier_ones(tmp_path):
    papers.write_orders(tmp_path / "a", SEED, MAY)
    papers.write_orders(tmp_path / "b", SEED, MAY + 30 * 86400)
    first, later = ((tmp_path / name).read_text() for name in ("a", "b"))
    assert later.startswith(first)
    assert len(later) > len(first)


def test_a_film_is_a_riff_file_whose_index_leads_to_its_pictures(tmp_path):
    recordings.write_film(tmp_path / "film", SEED, 5, 1222)
    film = (tmp_path / "film").read_bytes()
    assert film[:4] == b"RIFF"
    assert film[8:12] == b"AVI "
    assert struct.unpack("<I", film[4:8])[0] + 8 == len(film)
    movie = film.index(b"movi")
    index = film.index(b"idx1")
    (length,) = struct.unpack("<I", film[index + 4 : index + 8])
    assert length == 5 * 16
    for at in range(index + 8, index + 8 + length, 16):
        name, _, offset, size = struct.unpack("<4sIII", film[at : at + 16])
        start = movie + offset
        assert film[start : start + 8] == name + struct.pack("<I", size)
        assert Image.open(io.BytesIO(film[start + 8 : start + 8 + size])).size == recordings.FILM_SIZE


def test_every_shared_file_is_older_than_the_parting_and_every_later_one_newer():
    shared, later = shared_content(SEED), later_changes(SEED)
    assert all(story.BOX_SET_UP_AT < one.modified_at <= story.LAST_SHARED_WRITE_AT for one in shared)
    assert all(story.PARTED_AT + 86400 < one.modified_at <= story.NEWEST_FIRING_AT for one in later.planned)
    assert story.LAST_SHARED_WRITE_AT < story.PARTED_AT - 7 * 86400


def test_paths_are_planned_once_and_could_all_be_made():
    for planned in (shared_content(SEED), list(later_changes(SEED).planned)):
        paths = [one.path for one in planned]
        assert len(set(paths)) == len(paths)
        for path in paths:
            assert all(0 < len(part) <= 255 and b"\0" not in part for part in path.split(b"/"))


def test_the_names_and_kinds_that_make_rescues_hard_are_there():
    shared = shared_content(SEED)
    names = [one.path.rpartition(b"/")[2] for one in shared]
    assert any(len(name) == 255 for name in names)
    assert any(b"\n" in name for name in names)
    assert any(b"%" in name for name in names)
    assert any(b'"' in name for name in names)
    assert any(not _is_utf8(name) for name in names)
    targets = {one.target for one in shared if one.target}
    assert any(target.startswith(b"/") for target in targets)
    assert any(target.startswith(b"../..") for target in targets)
    assert any(one.same_as for one in shared)
    assert any(one.make is None and not one.target and not one.same_as for one in shared)


def test_the_kiln_log_is_in_both_states_and_something_is_gone():
    shared, later = shared_content(SEED), later_changes(SEED)
    paths = {one.path for one in shared}
    assert KILN_LOG in paths
    assert KILN_LOG in {one.path for one in later.planned}
    assert later.gone
    assert set(later.gone) <= paths


def test_producing_lists_everything_and_tells_how_far_it_is(tmp_path):
    planned = [
        Planned(b"a/one", MAY, lambda path: path.write_bytes(b"one")),
        Planned(b"a/link", MAY, target=b"one"),
        Planned(b"a/two", MAY, same_as=b"a/one"),
        Planned(b"b", MAY),
        Planned(b"\xff", MAY, lambda path: path.write_bytes(b"last")),
    ]
    told = []
    items = produce(planned, tmp_path / "new", lambda what, share: told.append((what, share)))
    assert [item.kind for item in items] == [Kind.FILE, Kind.LINK, Kind.FILE, Kind.FOLDER, Kind.FILE]
    assert items[0].staged.read_bytes() == b"one"
    assert items[4].staged.read_bytes() == b"last"
    assert told[-1] == ("\\xff", 1.0)
    with pytest.raises(FileExistsError):
        produce(planned, tmp_path / "new")


def _is_utf8(name):
    try:
        name.decode()
    except UnicodeDecodeError:
        return False
    return True
