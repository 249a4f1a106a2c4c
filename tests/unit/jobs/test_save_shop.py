"""The whole shop is saved at work; a copy is whole or is none, and is put back where no shop is."""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from mendbay.core.errors import (
    BagInvalid,
    CustodyBroken,
    DestinationError,
    Interrupted,
    LedgerError,
    MendbayError,
    NoRoom,
    UsageError,
)
from mendbay.core.note import Note, NoteKind
from mendbay.core.span import SpanSet
from mendbay.handback.bag import encode_path
from mendbay.jobs.events import Event
from mendbay.jobs.save_shop import last_save, put_back
from mendbay.jobs.saving_port import PutBack
from mendbay.ledger.database import Ledger
from mendbay.outlets import home_files, saved_copy, saved_files, saved_folder
from mendbay.outlets.image_file import ImageFile
from mendbay.outlets.safe_folder import SafeFolder
from mendbay.outlets.saved_table import read_journal
from mendbay.wiring import ledger_copies, open_bench, saved_copies
from support import saved_shops
from support.saved_shops import (
    CASE,
    PICTURE,
    SIZE,
    faults_of,
    files,
    make_shop,
    never_stops,
    read_on,
    require_claims,
    require_sums,
    save,
)


@pytest.fixture
def home(tmp_path: Path) -> Path:
    make_shop(tmp_path / "home")
    return tmp_path / "home"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "copy"


@pytest.fixture
def at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Times tell at once whether a file changed: the test waits for nothing."""
    monkeypatch.setattr(saved_copy, "SETTLED_NS", -1)


def put(folder: Path, home: Path, *, set_aside: bool = False) -> PutBack:
    copies = saved_copies(folder, home)
    return put_back(
        copies, lambda: open_bench(home, who="Kim"), lambda event: None, never_stops, set_aside=set_aside
    )


def break_custody(home: Path) -> None:
    with Ledger(home / "ledger.sqlite3") as ledger, ledger.together():
        ledger._store.write("DROP TRIGGER custody_keep")
        ledger._store.write("UPDATE custody SET what = 'never received'")


def test_all_that_counts_is_in_the_copy_and_nothing_else(home: Path, folder: Path) -> None:
    (home / "works" / "a-work").mkdir(parents=True)
    (home / "works" / "a-work" / "order.json").write_text("{}")
    (home / "presses").mkdir()
    (home / "presses" / "0001-0badcafe").write_text("begun")
    (home / "bench.key").write_text("the key")
    (home / "worked-out.sqlite3-wal").write_text("")
    (home / CASE / "catalogue" / "000001-0badcafe").mkdir(parents=True)
    (home / CASE / "catalogue" / "000001-0badcafe" / "names").write_text("names")
    (home / CASE / "pictures" / "b.jpg.412.new").write_text("half")
    done = save(home, folder)
    assert sorted(files(folder / "data")) == sorted(
        [
            "ledger.sqlite3",
            "settings/keeping.toml",
            f"{CASE}/{PICTURE}",
            f"{CASE}/bay-1.img",
            f"{CASE}/bay-1.coverage",
        ]
    )
    assert done.lacking == ()
    assert done.kept.whole == done.kept.copied
    assert require_claims(folder / "data" / CASE / "bay-1.img") == SIZE // 2
    assert faults_of(folder, home) == []
    for path in (folder, *folder.rglob("*")):
        assert stat.S_IMODE(path.stat().st_mode) & 0o077 == 0, path


def test_a_system_program_checks_the_copy(home: Path, folder: Path) -> None:
    (home / CASE / PICTURE).rename(home / CASE / "pictures" / "label.jpg")
    save(home, folder)
    require_sums(folder)


def test_a_second_save_copies_what_is_new_or_changed(home: Path, folder: Path, at_once: None) -> None:
    save(home, folder)
    again = save(home, folder)
    assert again.kept.copied.files == 1, "the ledger alone"
    kept = (folder / "data" / CASE / "bay-1.img").stat().st_ino
    seen = (home / CASE / PICTURE).stat()
    (home / CASE / PICTURE).write_bytes(b"a Picture")
    os.utime(home / CASE / PICTURE, ns=(seen.st_atime_ns, seen.st_mtime_ns))
    (home / "settings" / "keeping.toml").unlink()
    (home / "settings" / "shop.toml").write_text('name = "A shop"\n')
    done = save(home, folder)
    assert (done.kept.copied.files, done.kept.removed) == (3, 1), "also what kept its size and time"
    assert (folder / "data" / CASE / "bay-1.img").stat().st_ino == kept
    assert sorted(files(folder / "data" / "settings")) == ["shop.toml"]
    read_on(home, SIZE // 2, SIZE)
    assert save(home, folder).kept.copied.files == 3, "the ledger, the image and its log"
    assert require_claims(folder / "data" / CASE / "bay-1.img") == SIZE
    assert faults_of(folder, home) == []


def test_a_log_that_alone_changed_takes_no_image_with_it(home: Path, folder: Path, at_once: None) -> None:
    save(home, folder)
    kept = (folder / "data" / CASE / "bay-1.img").stat().st_ino
    image = ImageFile.reopen(home / CASE / "bay-1.img")
    image.note_changed(SpanSet([saved_shops.Span(0, 512)]))
    image.close()
    assert save(home, folder).kept.copied.files == 2, "the ledger and the log"
    assert (folder / "data" / CASE / "bay-1.img").stat().st_ino == kept
    assert require_claims(folder / "data" / CASE / "bay-1.img") == SIZE // 2
    assert faults_of(folder, home) == []


def test_an_image_written_to_shortly_before_is_copied_again(home: Path, folder: Path) -> None:
    """Its time may stay as it is with the next write."""
    save(home, folder)
    assert save(home, folder).kept.copied.files == 3


def test_a_copy_stays_whole_until_the_next_one_is(
    home: Path, folder: Path, at_once: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    save(home, folder)
    before = files(folder)
    read_on(home, SIZE // 2, SIZE)
    done: list[str] = []

    def tell(event: Event) -> None:
        done.append("")

    with pytest.raises(Interrupted, match="nothing that was there before"):
        save(home, folder, {"tell": tell, "stop": lambda: len(done) >= 3})
    now = files(folder)
    assert {path: now[path] for path in before} == before
    assert faults_of(folder, home) == []
    assert save(home, folder).lacking == ()
    assert faults_of(folder, home) == []
    assert not (folder / "coming").exists()


def test_the_images_can_stay_out(home: Path, folder: Path) -> None:
    done = save(home, folder, with_images=False)
    assert any("images of drives are not in this copy" in one for one in done.remarks)
    assert f"{CASE}/bay-1.img" not in files(folder / "data")
    assert f"{CASE}/bay-1.coverage" in files(folder / "data")
    assert "Images-Of-Drives: left out" in (folder / "bag-info.txt").read_text()
    assert faults_of(folder, home) == []
    assert save(home, folder).kept.whole.files == 5
    with pytest.raises(UsageError, match="would drop them"):
        save(home, folder, with_images=False)
    assert faults_of(folder, home) == []


@pytest.mark.parametrize("place", ["home", "home/copy", "."])
def test_a_copy_lies_apart_from_the_shop(home: Path, tmp_path: Path, place: str) -> None:
    with pytest.raises(DestinationError, match="lie in each other"):
        save(home, tmp_path / place)


def test_a_copy_lies_apart_from_cases_that_lie_elsewhere(home: Path, tmp_path: Path) -> None:
    (home / "cases").rename(tmp_path / "large")
    (home / "cases").symlink_to(tmp_path / "large")
    with pytest.raises(DestinationError, match="lie in each other"):
        save(home, tmp_path / "large" / "copy")
    save(home, tmp_path / "copy")
    assert require_claims(tmp_path / "copy" / "data" / CASE / "bay-1.img") == SIZE // 2
    assert faults_of(tmp_path / "copy", home) == []


def test_what_is_no_copy_stays_as_it_is(home: Path, folder: Path, tmp_path: Path) -> None:
    folder.mkdir()
    (folder / "letter.txt").write_text("mine")
    with pytest.raises(DestinationError, match="not empty"):
        save(home, folder)
    (folder / "letter.txt").rename(folder / "saved.json")
    with pytest.raises(DestinationError, match="not what Mendbay writes"):
        save(home, folder)
    assert files(folder) == {"saved.json": b"mine"}
    with pytest.raises(DestinationError, match="There is no folder"):
        save(home, tmp_path / "not mounted" / "copy")
    (tmp_path / "link").symlink_to(tmp_path / "empty")
    (tmp_path / "empty").mkdir()
    with pytest.raises(DestinationError, match="is no folder"):
        save(home, tmp_path / "link")


def test_links_are_not_followed_and_are_told(home: Path, folder: Path, tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("of another")
    (home / CASE / "pictures" / "a.jpg").symlink_to(tmp_path / "secret")
    os.mkfifo(home / CASE / "pipe")
    (home / CASE / os.fsdecode(b"\xff.jpg")).write_text("x")
    done = save(home, folder)
    assert len(done.lacking) == 3
    assert done.lacking[0].startswith(f"{CASE}/\\xff.jpg: no plain file, or a name")
    assert not any(b"of another" in one for one in files(folder).values())
    assert faults_of(folder, home) == []


def test_the_copy_of_another_shop_or_a_later_one_stays(home: Path, folder: Path, tmp_path: Path) -> None:
    save(home, folder)
    shutil.copytree(home, tmp_path / "earlier")
    with Ledger(home / "ledger.sqlite3") as ledger:
        ledger.custody_append(1, saved_shops.AT, "Kim", "moved", "drive")
    save(home, folder)
    save(home, folder)
    make_shop(tmp_path / "other")
    before = files(folder / "data")
    for other in ("other", "earlier"):
        with pytest.raises(DestinationError, match="another shop, or one that is newer"):
            save(tmp_path / other, folder)
    assert files(folder / "data") == before
    assert faults_of(folder, home) == []


def test_images_that_the_shop_lost_are_not_dropped_from_the_copy(home: Path, folder: Path) -> None:
    save(home, folder)
    (home / CASE / "bay-1.img").unlink()
    with pytest.raises(DestinationError, match=r"has lost cases/0001-quillmere-pottery/bay-1\.img"):
        save(home, folder)
    assert require_claims(folder / "data" / CASE / "bay-1.img") == SIZE // 2
    assert faults_of(folder, home) == []
    done = save(home, folder, although_gone=True)
    assert done.lacking == (f"{CASE}/bay-1.img: named by the ledger, and not there.",)
    assert faults_of(folder, home) == []


def test_a_broken_custody_log_takes_no_earlier_copy_with_it(home: Path, folder: Path, tmp_path: Path) -> None:
    save(home, folder)
    break_custody(home)
    before = files(folder / "data")
    with pytest.raises(CustodyBroken, match="stays as it is"):
        save(home, folder)
    assert files(folder / "data") == before
    done = save(home, tmp_path / "fresh")
    assert "custody log of case 1 does not verify" in done.lacking[0]
    assert any("custody log of case 1" in one for one in faults_of(tmp_path / "fresh", home))


def test_a_damaged_ledger_is_not_saved(home: Path, folder: Path) -> None:
    save(home, folder)
    before = files(folder / "data")
    data = bytearray((home / "ledger.sqlite3").read_bytes())
    data[8192:12288] = os.urandom(4096)
    (home / "ledger.sqlite3").write_bytes(data)
    with pytest.raises(LedgerError):
        save(home, folder)
    assert files(folder / "data") == before
    assert faults_of(folder, home) == []


def test_a_damaged_log_of_an_image_keeps_nothing_else_from_being_saved(home: Path, folder: Path) -> None:
    (home / CASE / "bay-1.coverage").write_bytes(b"no database" * 1000)
    done = save(home, folder)
    assert done.lacking[0].startswith(f"{CASE}/bay-1.img: it changed each time")
    assert (folder / "data" / CASE / "bay-1.coverage").read_bytes() == b"no database" * 1000
    assert faults_of(folder, home) == []


def test_what_is_doubted_and_read_anew_meanwhile_is_copied_as_its_log_claims(
    home: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The log is copied, then the image gets other bytes, then it is copied."""
    copied, times = saved_copy.copy_log, [0]

    def then_read_anew(source: Path, target: Path) -> None:
        copied(source, target)
        times[0] += 1
        if times[0] == 1:
            image = ImageFile.reopen(home / CASE / "bay-1.img")
            image.begin_run("direct", "drive")
            span = saved_shops.Span(0, 512 * 512)
            image.doubt(SpanSet([span]), "tried")
            for part in SpanSet([span]) - image.coverage().read:
                saved_shops.keep(image, part.start, part.stop, saved_shops.content(2))
            image.close()

    monkeypatch.setattr(saved_copy, "copy_log", then_read_anew)
    assert save(home, folder).lacking == ()
    assert times[0] == 2
    require_claims(folder / "data" / CASE / "bay-1.img")


def test_what_goes_while_it_is_saved_is_not_in_the_copy(
    home: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    taken = saved_copy.copy_bytes

    def then_gone(*words: object) -> str:
        (home / CASE / PICTURE).unlink(missing_ok=True)
        return taken(*words)  # type: ignore[arg-type]

    monkeypatch.setattr(saved_copy, "copy_bytes", then_gone)
    assert save(home, folder).lacking == ()
    assert f"{CASE}/{PICTURE}" not in files(folder / "data")
    assert faults_of(folder, home) == []


def test_what_goes_from_the_home_itself_while_it_is_listed_ends_no_save(
    home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = home_files.SafeFolder.names
    monkeypatch.setattr(home_files.SafeFolder, "names", lambda own: [*real(own), "bench.key.412.new"])
    with home_files.HomeFiles(home) as found:
        assert "ledger.sqlite3" not in found.look()[0]


def test_what_vanishes_each_time_is_told(home: Path, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    taken = saved_copy.copy_bytes

    def then_another(*words: object) -> str:
        for one in (home / CASE).glob("passing-*"):
            one.unlink()
            (home / CASE / f"{one.name}x").write_text("x")
        return taken(*words)  # type: ignore[arg-type]

    monkeypatch.setattr(saved_copy, "copy_bytes", then_another)
    (home / CASE / "passing-").write_text("x")
    done = save(home, folder)
    assert done.lacking
    assert all("it vanished while it was copied" in one for one in done.lacking)
    assert faults_of(folder, home) == []


def test_what_was_erased_goes_from_the_copy_with_the_next_save(home: Path, folder: Path) -> None:
    save(home, folder)
    (home / CASE / "bay-1.img").unlink()
    with open_bench(home) as bench:
        body = '{"what": "certificate"}'
        bench.notes.add(Note(1, "", NoteKind.ERASURE, "1", bench.now(), "Kim", body))
    assert save(home, folder).lacking == ()
    assert f"{CASE}/bay-1.img" not in files(folder / "data")
    assert f"{CASE}/bay-1.coverage" in files(folder / "data")
    assert faults_of(folder, home) == []


def test_room_is_looked_at_before(home: Path, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(saved_copy, "SPARE_BYTES", 1 << 62)
    with pytest.raises(NoRoom, match="are to be copied"):
        save(home, folder)


def test_two_saves_into_one_folder_do_not_meet(home: Path, folder: Path) -> None:
    with (
        saved_copies(folder, home).saving(),
        pytest.raises(DestinationError, match="Another save into"),
    ):
        save(home, folder)


@pytest.mark.parametrize("harm", ["changed", "lacking", "added", "undeclared", "sums", "no ledger"])
def test_whatever_is_wrong_with_a_copy_is_named_and_not_put_back(
    home: Path, folder: Path, tmp_path: Path, harm: str
) -> None:
    save(home, folder)
    picture = folder / "data" / CASE / PICTURE
    named = f"data/{CASE}/{PICTURE}"
    if harm == "changed":
        picture.write_bytes(b"A picture")
    elif harm == "lacking":
        picture.unlink()
    elif harm == "added":
        (folder / "data" / "more.txt").write_text("more")
        named = "data/more.txt"
    elif harm == "undeclared":
        (folder / "bagit.txt").unlink()
        named = "bagit.txt"
    elif harm == "sums":
        (folder / "manifest-sha256.txt").write_text("")
    else:
        (folder / "data" / "ledger.sqlite3").unlink()
        named = "data/ledger.sqlite3"
    assert any(named in one for one in faults_of(folder, home))
    with pytest.raises(BagInvalid):
        put(folder, tmp_path / "back")
    assert not (tmp_path / "back").exists()
    assert not list(tmp_path.glob(".back*"))


@pytest.mark.parametrize(
    ("now", "other"),
    [
        ('"made_at": "2', '"made_at": "soon, 2'),
        ('"changed_ns": ', '"changed_ns": 9999999999999999999999'),
        ('"size_bytes": ', '"size_bytes": 1e999, "was": '),
        ('"seen_bytes": ', '"seen_bytes": 1e999, "was": '),
        ('"size_bytes": ', '"size_bytes": -'),
        ('"path": "ledger', '"path": "../ledger'),
        ('"format": "saved shop 1"', '"format": "saved shop 2"'),
    ],
)
def test_what_a_copy_says_of_itself_is_not_believed_unread(
    home: Path, folder: Path, tmp_path: Path, now: str, other: str
) -> None:
    save(home, folder)
    said = (folder / "saved.json").read_text()
    assert now in said
    (folder / "saved.json").write_text(said.replace(now, other))
    assert any("it is no saved copy of a shop" in one for one in faults_of(folder, home))
    with pytest.raises(BagInvalid, match="is no saved copy"):
        put(folder, tmp_path / "back")
    with pytest.raises(DestinationError, match="not what Mendbay writes"):
        save(home, folder)


@pytest.mark.parametrize("name", ["data", "data/ledger.sqlite3", "saved.json", "manifest-sha256.txt"])
def test_no_link_in_a_copy_is_followed(home: Path, folder: Path, tmp_path: Path, name: str) -> None:
    save(home, folder)
    other = tmp_path / "other"
    if name == "data/ledger.sqlite3":
        other.touch()  # which a ledger would be made of
        (folder / name).unlink()
    else:
        shutil.move(folder / name, other)
    (folder / name).symlink_to(other)
    before = other.read_bytes() if other.is_file() else files(other)
    assert faults_of(folder, home)
    with pytest.raises(BagInvalid):
        put(folder, tmp_path / "back")
    if name in ("data", "saved.json"):
        with pytest.raises(DestinationError):
            save(home, folder)
    assert (other.read_bytes() if other.is_file() else files(other)) == before


def test_a_copy_without_our_sums_is_named_and_not_put_back(home: Path, folder: Path, tmp_path: Path) -> None:
    save(home, folder)
    for one in ("manifest-sha256.txt", "tagmanifest-sha256.txt"):
        (folder / one).unlink()
    lines = [
        f"{hashlib.sha512(one).hexdigest()}  data/{encode_path(path)}"
        for path, one in files(folder / "data").items()
    ]
    (folder / "manifest-sha512.txt").write_text("\n".join(lines))
    assert faults_of(folder, home) == [
        "manifest-sha256.txt: it is no saved copy of a shop: that file is missing"
    ]
    with pytest.raises(BagInvalid):
        put(folder, tmp_path / "back")


@pytest.mark.parametrize("name", ["settings/keeping.toml", f"{CASE}/bay-1.img"])
def test_what_a_save_that_broke_off_had_copied_in_part_gets_no_place(
    home: Path, folder: Path, at_once: None, name: str
) -> None:
    """It was being copied when the save was killed, and is now as it was in the copy before."""
    save(home, folder)
    part = folder / "coming" / "data" / name
    part.parent.mkdir(parents=True)
    part.write_bytes(b"da")
    (folder / "coming" / "journal.jsonl").touch()
    save(home, folder)
    assert faults_of(folder, home) == []


def test_a_torn_line_of_what_was_copied_takes_no_other_with_it(home: Path, folder: Path) -> None:
    (folder / "coming").mkdir(parents=True)
    (folder / "coming" / "journal.jsonl").write_text('{"path": "settings/keep')
    with (
        saved_copies(folder, home).saving() as saving,
        ledger_copies(home) as ledger,
    ):
        ledger.copy_to(saving.ledger_place)
        saving.take(True, lambda path, more: None)
    root = SafeFolder(folder)
    noted = read_journal(root)
    root.close()
    assert noted is not None
    assert f"{CASE}/bay-1.img" in noted


def test_looking_at_a_copy_changes_nothing(home: Path, folder: Path) -> None:
    save(home, folder)
    before = files(folder)
    assert faults_of(folder, home) == []
    assert files(folder) == before


def test_a_copy_is_put_back_whole_where_no_shop_is(home: Path, folder: Path, tmp_path: Path) -> None:
    (home / CASE / PICTURE).chmod(0o400)
    save(home, folder)
    with pytest.raises(DestinationError, match="is there, and stays as it is"):
        put(folder, home)
    done = put(folder, tmp_path / "back")
    assert done.aside is None
    back, saved = files(tmp_path / "back"), files(folder / "data")
    assert {path: data for path, data in back.items() if not path.startswith("ledger")} == {
        path: data for path, data in saved.items() if not path.startswith("ledger")
    }
    assert require_claims(tmp_path / "back" / CASE / "bay-1.img") == SIZE // 2
    assert stat.S_IMODE((tmp_path / "back").stat().st_mode) == 0o700
    assert stat.S_IMODE((tmp_path / "back" / CASE / PICTURE).stat().st_mode) == 0o400
    with open_bench(tmp_path / "back") as bench:
        last = last_save(bench)
        assert last is not None
        assert last.folder == str(folder)
        assert bench.ledger.case(1).customer == "Quillmere Pottery"
    assert save(tmp_path / "back", folder).lacking == (), "it goes on as the same shop"


def test_a_shop_that_is_there_is_set_aside_unless_it_is_in_use(home: Path, folder: Path) -> None:
    save(home, folder)
    holder = subprocess.Popen(
        [sys.executable, "-c", f"f = open({str(home / 'ledger.sqlite3')!r}); print(1, flush=True); input()"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    assert holder.stdout is not None
    holder.stdout.readline()
    try:
        with pytest.raises(DestinationError, match=r"is in use: process \d+ has .*ledger"):
            put(folder, home, set_aside=True)
    finally:
        holder.communicate(b"\n")
    before = files(home)
    done = put(folder, home, set_aside=True)
    assert done.aside == home.with_name("home.aside-1")
    assert files(done.aside) == before
    assert put(folder, home, set_aside=True).aside == home.with_name("home.aside-2")


def test_when_the_shop_was_last_saved_is_known(home: Path, folder: Path) -> None:
    with open_bench(home) as bench:
        assert last_save(bench) is None
    save(home, folder, with_images=False)
    with open_bench(home) as bench:
        last = last_save(bench)
    assert last is not None
    assert (last.folder, last.with_images) == (str(folder), False)
    day = last.made_at[:10]
    assert not last.is_old(last.made_at)
    assert last.is_old(f"{int(day[:4]) + 1}{last.made_at[4:]}")


def test_a_putting_back_that_breaks_off_leaves_nothing(
    home: Path, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    save(home, folder)
    copied, left = saved_folder.copy_bytes, [2]

    def then_full(*words: object) -> str:
        left[0] -= 1
        if left[0] < 0:
            raise NoRoom("The disk is full.", "Free some room.")
        return copied(*words)  # type: ignore[arg-type]

    monkeypatch.setattr(saved_folder, "copy_bytes", then_full)
    before = files(home)
    with pytest.raises(NoRoom):
        put(folder, home, set_aside=True)
    with pytest.raises(NoRoom):
        put(folder, tmp_path / "back")
    assert files(home) == before
    assert sorted(one.name for one in tmp_path.iterdir()) == ["copy", "home"]


@pytest.mark.parametrize(
    ("number", "kind", "words"),
    [
        (errno.ENOSPC, NoRoom, "became full"),
        (errno.EROFS, DestinationError, "can only be read"),
        (errno.EFBIG, DestinationError, "a file that large"),
        (errno.EINVAL, DestinationError, "takes no such name"),
        (errno.EIO, DestinationError, "cannot be written"),
    ],
)
def test_what_the_place_of_a_copy_cannot_do_is_told(
    home: Path,
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    number: int,
    kind: type[MendbayError],
    words: str,
) -> None:
    def fails(fd: int, data: bytes, start: int) -> None:
        raise OSError(number, "made by the test")

    monkeypatch.setattr(saved_files, "write_exactly", fails)
    with pytest.raises(kind, match=words):
        save(home, folder)


def test_a_file_that_cannot_be_read_ends_the_save_and_keeps_the_copy(
    home: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    save(home, folder)

    def fails(source: int, place: Path, beat: object) -> tuple[str, int]:
        if place.name.endswith(".jpg"):
            with saved_files.reading(place):
                raise OSError(errno.EIO, "broken")
        return summed(source, place, beat)  # type: ignore[arg-type]

    summed = saved_copy.sum_of
    monkeypatch.setattr(saved_copy, "sum_of", fails)
    with pytest.raises(DestinationError, match=r"label 100 %\.jpg cannot be read"):
        save(home, folder)
    assert faults_of(folder, home) == []


def test_names_that_pass_are_told_from_names_that_stay() -> None:
    for name in ("a.jpg.12.new", "shop.toml.new", "bay-1.coverage-wal"):
        assert home_files.PASSING.fullmatch(name), name
    for name in ("a.new", "new", "a.jpg.new", "bay-1.coverage", "a.12"):
        assert not home_files.PASSING.fullmatch(name), name
