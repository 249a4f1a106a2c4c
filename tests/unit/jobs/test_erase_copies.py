"""Copies that are kept, planned to be erased, and erased, on a real folder."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from hashlib import sha256
from pathlib import Path
from shutil import copytree, rmtree

import pytest

from mendbay.case.custody import verify
from mendbay.case.hand_over import Direction, Role
from mendbay.case.items import What, Where
from mendbay.case.outcome import DataBack, End, said
from mendbay.case.records import Bay
from mendbay.core.errors import (
    BagInvalid,
    CustodyBroken,
    DestinationError,
    ErasureIncomplete,
    ErasureRefused,
    Interrupted,
    NothingWanted,
    SourceChanged,
    UsageError,
)
from mendbay.core.note import NoteKind
from mendbay.core.source import Identity
from mendbay.handback.erasure import ErasurePlan, Sort
from mendbay.jobs import erase_copies as erase_copies_module
from mendbay.jobs.close_case import close_case
from mendbay.jobs.copies_erased import copies_erased_on
from mendbay.jobs.erase_copies import certificate_facts, certificate_paper, end_erasure
from mendbay.jobs.events import Event, StepProgress
from mendbay.jobs.keep_copies import day_at_hand_back, held, keep, keeping
from mendbay.jobs.keep_items import change_item, move_item
from mendbay.jobs.letters import letter_words
from mendbay.jobs.reached_customer import COPY_CHECKED, check_hand_back
from mendbay.jobs.read_drive import DriveAt, read_drive
from mendbay.jobs.take_in import take_in
from mendbay.jobs.take_in_form import tell
from mendbay.outlets import eraser as eraser_module
from mendbay.wiring import eraser, shop_copies
from support.erasures import (
    ALL_SORTS,
    IMAGE_BYTES,
    MARKER,
    SAID,
    Shop,
    image_bytes,
    put_down_check,
    put_down_hand_over,
    remains,
    shop_with_copies,
    write_bag,
)


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    with shop_with_copies(tmp_path / "home") as made:
        yield made


def custody_of(shop: Shop) -> list[str]:
    entries = shop.bench.ledger.custody(1)
    assert verify(entries).holds
    return [f"{one.what}; {one.item}" for one in entries]


# ---------------------------------------------------------------------- keeping


def test_keeping_follows_the_hand_back_and_custody_tells_it(shop: Shop) -> None:
    assert keep(shop.bench, 1).keep_until == "2026-12-25"
    assert keep(shop.bench, 1, "2027-01-31").keep_until == "2027-01-31"
    assert keep(shop.bench, 1, days=0).keep_until == "2026-11-25"
    assert (
        custody_of(shop)[-1] == "keep-until day put down: 2026-11-25 (before: 2027-01-31); the shop's copies"
    )
    before = len(custody_of(shop))
    keep(shop.bench, 1, days=0)
    assert len(custody_of(shop)) == before


def test_the_days_agreed_at_take_in_count(tmp_path: Path) -> None:
    with shop_with_copies(tmp_path / "home", bag=False) as shop:
        tell(shop.bench, 1, "keep-days", "3")
        assert keep(shop.bench, 1).keep_until == "2026-11-28"  # after today, as nothing was handed back
        shop.bench.note(1, "hand-back", "Files handed back.", {"folder": "/nowhere"})
        assert keep(shop.at("2026-11-27T12:00:00Z").bench, 1).keep_until == "2026-11-28"
        shop.bench.ledger.amend_case(1, keep_until="")
        assert day_at_hand_back(shop.bench, shop.bench.ledger.case(1)) == "2026-11-28"
        tell(shop.bench, 1, "keep-days", "0")
        assert day_at_hand_back(shop.bench, shop.bench.ledger.case(1)) == "2026-11-24"
        assert keep(shop.bench, 1).keep_until == "2026-11-24"
        assert held(shop.bench, shop_copies(shop.home), 1).due  # at once
        shop.plan(reason="", unproven="x")
        tell(shop.bench, 1, "keep-days", "not known")
        shop.bench.ledger.amend_case(1, keep_until="")
        assert day_at_hand_back(shop.bench, shop.bench.ledger.case(1)) == "2026-12-25"
        keep(shop.bench, 1, "2026-12-01")
        assert day_at_hand_back(shop.bench, shop.bench.ledger.case(1)) == "2026-12-01"


def test_the_shops_own_days_count(shop: Shop) -> None:
    (shop.home / "settings").mkdir()
    (shop.home / "settings" / "keeping.toml").write_text("days = 90\n")
    assert keep(shop.bench, 1).keep_until == "2027-02-23"


@pytest.mark.parametrize(
    "more", [{"day": "2026-11-24"}, {"day": "soon"}, {"day": "2027-01-01", "days": 3}, {"days": -1}]
)
def test_days_that_cannot_be(shop: Shop, more: dict[str, object]) -> None:
    with pytest.raises(UsageError):
        keep(shop.bench, 1, **more)  # type: ignore[arg-type]


def test_what_is_held_and_due(shop: Shop) -> None:
    copies = shop_copies(shop.home)
    found = held(shop.bench, copies, 1)
    assert found.amounts[Sort.IMAGES].files == 1
    assert found.amounts[Sort.IMAGES].size_bytes == IMAGE_BYTES
    assert found.amounts[Sort.IMAGES].stored_bytes <= IMAGE_BYTES
    assert (found.amounts[Sort.DUMPS].files, found.amounts[Sort.PICTURES].files) == (1, 1)
    assert found.hand_backs == (str(shop.bag),)
    keep(shop.bench, 1, "2026-11-30")
    assert not keeping(shop.at("2026-11-30T23:59:59Z").bench, copies)[0].due
    assert keeping(shop.at("2026-12-01T00:00:00Z").bench, copies)[0].due


# ---------------------------------------------------------------------- the whole way


def test_images_and_the_hand_back_go_and_the_rest_stays(shop: Shop) -> None:
    keep(shop.bench, 1, "2026-11-30")
    later = shop.at("2026-12-01T08:00:00Z")
    planned = later.plan(reason="")
    assert planned.plan.proof.files == 3
    assert {one.sort for one in planned.plan.files} == {Sort.IMAGES, Sort.HAND_BACK}
    done = later.erase()
    assert remains(shop) == ["board.png", "read-1.bin"]
    assert not shop.bag.exists()
    assert not shop.image.exists()
    assert done.plan_gone
    assert not (shop.folder / planned.path).exists()
    story = custody_of(shop)
    assert [one.split(" (")[0].split(";")[0] for one in story[-3:]] == [
        "erasure of copies planned",
        "erasure of copies begun",
        "copies erased",
    ]
    assert done.sha256 in story[-1]
    told = json.loads((shop.folder / done.path).read_text())
    assert told["overwritten_bytes"] == planned.plan.stored_bytes
    assert told["proof"]["manifest_sha256"] == planned.plan.proof.manifest_sha256
    left = "".join(one.read_text("latin-1") for one in (shop.folder / "erasures").iterdir())
    assert "log.txt" not in left
    assert "Quillmere" not in left + " ".join(story[1:])
    with pytest.raises(UsageError, match="is done"):
        later.erase()


def test_letters_say_when_the_copies_were_erased(shop: Shop) -> None:
    case = shop.bench.ledger.case(1)
    shop.plan(sorts=(Sort.DUMPS,))
    shop.erase()
    assert copies_erased_on(shop.bench, case) == "", "of the customer's files nothing is gone"
    shop.plan(sorts=(Sort.IMAGES,))
    shop.erase("2")
    assert copies_erased_on(shop.bench, case) == "", "the copy of the files is still there"
    shop.plan(sorts=(Sort.HAND_BACK,), unproven="the customer has them")
    shop.erase("3")
    assert copies_erased_on(shop.bench, case) == "2026-11-25"
    words = " ".join(letter_words(shop.bench, 1).split())
    assert "We erased our copies on 2026-11-25." in words
    assert "We keep our copies" not in words


def test_closing_keeps_no_copies_that_are_erased(tmp_path: Path) -> None:
    """Nothing was handed back: a day from the closing on would be a promise of nothing."""
    with shop_with_copies(tmp_path / "home", bag=False) as shop:
        shop.plan(sorts=(Sort.IMAGES,), unproven="the customer wants nothing of it")
        shop.erase()
        assert copies_erased_on(shop.bench, shop.case)
        declined = said([], nothing_broken=True, end=End.DECLINED, data=DataBack.NONE)
        closed = close_case(shop.bench, 1, declined)
        assert closed.case.keep_until == ""
        assert not any("No day" in one for one in closed.missing)


def test_plans_that_were_overtaken_go_too_and_others_stay(shop: Shop) -> None:
    overtaken, other = shop.plan(), shop.plan(sorts=(Sort.DUMPS,))
    shop.plan()
    shop.erase("3")
    assert not (shop.folder / overtaken.path).exists()
    assert (shop.folder / other.path).exists()
    shop.erase("2")


def test_everything_can_go(shop: Shop) -> None:
    shop.plan(sorts=ALL_SORTS)
    shop.erase()
    assert remains(shop) == []
    with pytest.raises(NothingWanted):
        shop.plan(unproven="done before", sorts=ALL_SORTS)


def test_the_paper_tells_the_certificate_and_custody_proves_it(shop: Shop) -> None:
    shop.plan()
    done = shop.erase()
    facts = certificate_facts(shop.bench, 1)
    assert facts["original"]["sha256"] == done.sha256
    assert facts["certificate"]["reason"] == SAID
    words = " ".join(shop.bench.stationery.words("erasure", facts).split())
    assert "This is no sanitization of a medium." in words
    assert "sectors set aside" in words
    assert certificate_paper(shop.bench, 1, "1").startswith(b"%PDF")
    place = shop.folder / done.path
    place.chmod(0o600)
    place.write_text(place.read_text().replace("the bench", "nobody"))
    with pytest.raises(SourceChanged):
        certificate_paper(shop.bench, 1)
    with pytest.raises(UsageError):
        certificate_paper(shop.bench, 1, "2")


# ---------------------------------------------------------------------- what is refused


def test_no_erasure_without_proof_or_a_word(shop: Shop) -> None:
    with pytest.raises(UsageError):
        shop.erase()
    (shop.bag / "data" / "photo.jpg").write_bytes(b"changed")
    with pytest.raises(ErasureRefused, match="not a sound hand-back"):
        shop.plan()
    shop.plan(sorts=(Sort.IMAGES,), unproven="the customer confirmed it by letter")
    done = shop.erase()
    assert done.certificate.proof.word == "the customer confirmed it by letter"
    assert not done.certificate.proof.manifest_sha256


def test_a_folder_of_another_case_proves_nothing(tmp_path: Path) -> None:
    with shop_with_copies(tmp_path / "home", bag=False) as shop:
        write_bag(tmp_path / "other", "0002")
        with pytest.raises(ErasureRefused, match="No hand-back is on record"):
            shop.plan()
        with pytest.raises(ErasureRefused, match="is not a hand-back of case 1"):
            shop.plan(hand_back=tmp_path / "other")
        with pytest.raises(ErasureRefused, match="not on record as a hand-back"):
            shop.plan(hand_back=tmp_path / "other", sorts=(Sort.HAND_BACK,), unproven="x")
        write_bag(tmp_path / "ours", "0001")
        with pytest.raises(ErasureRefused, match="lies on the shop's own medium"):
            shop.plan(hand_back=tmp_path / "ours")
        plan = shop.plan(hand_back=tmp_path / "ours", unproven="x").plan
        assert [one.path for one in plan.files] == ["bay-1.img"]


def test_a_plan_rests_on_nothing_that_is_so_no_longer(shop: Shop) -> None:
    shop.plan()
    put_down_hand_over(shop.bench, What.MEDIUM, 2, direction=Direction.RECEIVED)  # it came back
    with pytest.raises(ErasureRefused, match="is so no longer: 0001-02"):
        shop.erase()
    assert shop.image.exists()


@pytest.mark.parametrize("put_right", ["moved", "changed"])
def test_a_medium_that_is_not_with_the_customer_proves_nothing(shop: Shop, put_right: str) -> None:
    shop.plan()
    if put_right == "moved":
        move_item(shop.bench, 1, "2", Where.HERE, mistake="it still lies here")
    else:
        change_item(shop.bench, 1, "2", what=What.CABLE)
    with pytest.raises(ErasureRefused, match="is so no longer: 0001-02"):
        shop.erase()
    with pytest.raises(ErasureRefused, match="case release 1 ITEM --to customer"):
        shop.plan()
    assert shop.image.exists()


def test_a_copy_on_another_medium_is_put_on_record_when_it_is_checked(shop: Shop) -> None:
    copies = shop_copies(shop.home)
    here = check_hand_back(shop.bench, copies, shop.bag)
    assert (here.case, here.why_not) == (0, "it lies on the same medium as the cases")
    with on_another_medium(shop) as place:
        copytree(shop.bag, place)
        done = check_hand_back(shop.bench, copies, place)
        assert (done.case, done.check.files) == (1, 3)
        digest = sha256((place / "manifest-sha256.txt").read_bytes()).hexdigest()
        assert custody_of(shop)[-1].endswith(f"manifest-sha256.txt {digest}")
        assert str(place) not in " ".join(custody_of(shop))
        assert shop.bench.ledger.events(1)[-1].facts == {"manifest_sha256": digest}
        shop.bench.note(1, "hand-back", "Files handed back.", {"folder": "", "manifest_sha256": "1" * 64})
        assert check_hand_back(shop.bench, copies, place).case == 1, "one of old was recorded without digest"
        (place / "data" / "photo.jpg").write_bytes(b"changed")
        with pytest.raises(BagInvalid):
            check_hand_back(shop.bench, copies, place)


@contextmanager
def on_another_medium(shop: Shop) -> Iterator[Path]:
    """A folder yet to be made on another file system than the cases."""
    elsewhere = Path("/dev/shm")
    if not elsewhere.is_dir() or elsewhere.stat().st_dev == shop.home.stat().st_dev:
        pytest.skip("NOT CHECKED: no second file system at /dev/shm")
    place = elsewhere / f"mendbay-test-{os.getpid()}"
    try:
        yield place
    finally:
        rmtree(place, ignore_errors=True)


def test_the_shops_own_copy_alone_does_not_say_that_the_customer_has_the_files(tmp_path: Path) -> None:
    with shop_with_copies(tmp_path / "home", bag=False) as shop:
        shop = shop.at("2026-11-24T12:00:00Z")
        put_down_hand_over(shop.bench, What.MEDIUM, 1)  # before anything was handed back
        shop = shop.at("2026-11-25T12:00:00Z")
        write_bag(shop.bag, "0001")
        shop.bench.note(1, "hand-back", "Files handed back.", {"folder": str(shop.bag)})
        for number, what, role in ((2, What.DRIVE, Role.CUSTOMER), (3, What.MEDIUM, Role.LAB)):
            with pytest.raises(ErasureRefused, match="lies on the shop's own medium"):
                shop.plan()
            put_down_hand_over(shop.bench, what, number, role)
        with pytest.raises(ErasureRefused, match="case release 1 ITEM --to customer"):
            shop.plan()
        put_down_hand_over(shop.bench, What.MEDIUM, 4, signed=False)
        with pytest.raises(ErasureRefused, match=r"hand-over 4 is not signed .*no copy of it"):
            shop.plan()
        spared = shop.plan(sorts=(Sort.IMAGES,)).plan.proof
        assert spared.handed_over.endswith("not signed or not checked, so the shop's own copy stays")
        put_down_hand_over(shop.bench, What.MEDIUM, 4)
        with pytest.raises(ErasureRefused, match="has the files: no copy of it on another medium"):
            shop.plan()
        shop.bench.note(1, COPY_CHECKED, "Another.", {"manifest_sha256": "0" * 64})
        with pytest.raises(ErasureRefused, match="no copy of it on another medium was checked between"):
            shop.plan()
        put_down_check(shop.bench, shop.bag)
        proof = shop.plan().plan.proof
        assert proof.handed_over == (
            "0001-02 (medium), Tarn T2, hand-over 4 of 2026-11-25, signed; "
            "a copy of it on another medium was checked before, on 2026-11-25"
        )
        assert not proof.elsewhere
        put_down_hand_over(shop.bench, What.MEDIUM, 5, direction=Direction.RECEIVED)  # it came back
        with pytest.raises(ErasureRefused, match="lies on the shop's own medium"):
            shop.plan()
        shop.plan(unproven="the customer confirmed it by letter")
        shop.erase("3")
        words = " ".join(shop.bench.stationery.words("erasure", certificate_facts(shop.bench, 1)).split())
        assert "The customer has the files" not in words
        assert "on the shop's own medium was checked" in words


def test_a_copy_checked_after_the_medium_left_says_nothing_of_it(tmp_path: Path) -> None:
    with shop_with_copies(tmp_path / "home", bag=False) as shop:
        write_bag(shop.bag, "0001")
        put_down_check(shop.at("2026-11-25T11:59:59Z").bench, shop.bag)  # of an earlier hand-back
        shop.bench.note(1, "hand-back", "Files handed back.", {"folder": str(shop.bag)})
        put_down_hand_over(shop.at("2026-11-25T13:00:00Z").bench, What.MEDIUM)
        with pytest.raises(ErasureRefused, match="no copy of it on another medium"):
            shop.plan()
        put_down_check(shop.at("2026-11-25T13:00:01Z").bench, shop.bag)
        with pytest.raises(ErasureRefused, match="hand-over 1; the check of 2026-11-25 came after it"):
            shop.plan()
        back = shop.at("2026-11-25T14:00:00Z").bench
        put_down_hand_over(back, What.MEDIUM, 2, direction=Direction.RECEIVED)
        put_down_check(shop.at("2026-11-25T14:30:00Z").bench, shop.bag)
        put_down_hand_over(shop.at("2026-11-25T15:00:00Z").bench, What.MEDIUM, 3)
        assert "hand-over 3 of 2026-11-25, signed" in shop.plan().plan.proof.handed_over


def test_what_happens_while_a_person_is_asked_counts(shop: Shop) -> None:
    keep(shop.bench, 1, "2026-11-30")
    later = shop.at("2026-12-01T08:00:00Z")
    later.plan(reason="")

    def put_off(plan: ErasurePlan) -> None:
        keep(later.bench, 1, "2030-01-01")

    with pytest.raises(ErasureRefused, match="kept until 2030-01-01"):
        later.erase(confirm=put_off)
    later.plan()
    holding = "import sys; file = open(sys.argv[1]); print('open', flush=True); sys.stdin.read()"
    with subprocess.Popen(
        [sys.executable, "-c", holding, str(shop.image)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:

        def opened(plan: ErasurePlan) -> None:
            assert other.stdout is not None
            other.stdout.readline()

        with pytest.raises(ErasureRefused, match=f"in use: process {other.pid} has it open"):
            later.erase("2", confirm=opened)
        assert other.stdin is not None
        other.stdin.close()
    assert shop.image.read_bytes() == image_bytes()


def test_a_plan_that_names_files_is_noted_before_it_is_kept(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After a power cut between the two there may be a note without a file, and never the other way."""
    seen: list[int] = []

    def full(self, case, path, data):  # type: ignore[no-untyped-def]
        seen.append(len(shop.bench.notes.of(NoteKind.ERASURE, 1)))
        raise DestinationError("There is no room.", "Free some.")

    with monkeypatch.context() as patch:
        patch.setattr(type(shop.bench.files), "keep", full)
        with pytest.raises(DestinationError):
            shop.plan()
    assert seen == [1]
    with pytest.raises(SourceChanged):
        shop.erase()
    assert shop.plan().plan.name == "2"
    shop.erase("2")


def test_planning_heeds_a_stop_and_checks_a_hand_back_once(shop: Shop) -> None:
    told: list[StepProgress] = []

    def note(event: Event) -> None:
        assert isinstance(event, StepProgress)
        told.append(event)

    replace(shop, bench=replace(shop.bench, tell=note)).plan()
    checked = [one.now for one in told if one.step == "checking the hand-back"]
    assert len(checked) == len(set(checked)) > 0
    image = [(one.done, one.total) for one in told if one.in_bytes and one.now == "bay-1.img"]
    assert image == [(0, IMAGE_BYTES), (1 << 20, IMAGE_BYTES), (2 << 20, IMAGE_BYTES)]
    asked = iter(range(1 << 30))
    with pytest.raises(Interrupted):
        replace(shop, bench=replace(shop.bench, stop=lambda: next(asked) >= len(told) - 1)).plan()
    assert len(shop.bench.notes.of(NoteKind.ERASURE, 1)) == 1


def test_a_place_used_for_something_else_since_is_left_alone(shop: Shop) -> None:
    (shop.bag / "holiday.txt").write_bytes(MARKER)
    planned = shop.plan()
    assert any("holiday.txt" in one for one in planned.stays)
    shop.erase()
    assert (shop.bag / "holiday.txt").read_bytes() == MARKER
    (shop.bag / "report.json").write_text('{"case_number": "0009"}')
    with pytest.raises(ErasureRefused, match="does not hold a hand-back of case 1 any more"):
        shop.plan(unproven="x")


def test_a_hand_back_on_another_medium_is_never_erased(shop: Shop) -> None:
    with on_another_medium(shop) as place:
        write_bag(place, "0001")
        shop.bench.note(1, "hand-back", "Files handed back.", {"folder": str(place)})
        planned = shop.plan()
        assert all(one.root != str(place) for one in planned.plan.files)
        assert any("may be the customer's own" in one for one in planned.stays)
        with pytest.raises(ErasureRefused, match="may be the customer's own"):
            shop.plan(sorts=(Sort.HAND_BACK,))
        assert held(shop.bench, shop_copies(shop.home), 1).elsewhere == (str(place),)


def put_link(place: Path, aside: Path) -> None:
    place.symlink_to(aside)


def put_other_name(place: Path, aside: Path) -> None:
    os.link(aside, place)


def put_pipe(place: Path, aside: Path) -> None:
    os.mkfifo(place)


def put_socket(place: Path, aside: Path) -> None:
    here = Path.cwd()
    os.chdir(place.parent)  # a socket's name must be short
    try:
        with socket.socket(socket.AF_UNIX) as made:
            made.bind(place.name)
    finally:
        os.chdir(here)


def put_device(place: Path, aside: Path) -> None:
    if os.geteuid() != 0:
        pytest.skip("NOT CHECKED: only root makes device nodes")
    try:
        os.mknod(place, 0o600 | 0o060000, os.makedev(7, 99))
    except PermissionError:
        pytest.skip("NOT CHECKED: this machine lets nobody make device nodes")


def put_equal_copy(place: Path, aside: Path) -> None:
    place.write_bytes(aside.read_bytes())


def put_nothing(place: Path, aside: Path) -> None:
    """Nothing is put there."""


@pytest.mark.parametrize(
    "put", [put_link, put_other_name, put_pipe, put_socket, put_device, put_equal_copy, put_nothing]
)
def test_what_took_the_place_of_a_planned_file_is_not_touched(shop: Shop, put, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    shop.plan()
    aside = tmp_path / "aside.img"
    shop.image.rename(aside)
    put(shop.image, aside)
    with pytest.raises(ErasureRefused):
        shop.erase()
    assert aside.read_bytes() == image_bytes()
    assert "log.txt" in remains(shop)
    if put not in (put_equal_copy, put_nothing):
        with pytest.raises(ErasureRefused):
            shop.plan()


def test_a_folder_swapped_for_a_link_is_not_followed(shop: Shop, tmp_path: Path) -> None:
    shop.plan()
    (shop.bag / "data" / "Kiln").rename(tmp_path / "aside")
    (shop.bag / "data" / "Kiln").symlink_to(tmp_path / "aside")
    with pytest.raises((ErasureRefused, DestinationError)):
        shop.erase()
    assert MARKER in (tmp_path / "aside" / "log.txt").read_bytes()


@pytest.mark.parametrize("same_times", [False, True])
def test_a_file_changed_after_planning_is_refused(shop: Shop, same_times: bool) -> None:
    shop.plan()
    before = shop.image.stat()
    with shop.image.open("r+b") as file:
        file.write(b"X")
    if same_times:
        os.utime(shop.image, ns=(before.st_atime_ns, before.st_mtime_ns))
    with pytest.raises(ErasureRefused, match="changed or replaced"):
        shop.erase()
    assert shop.image.read_bytes()[1:] == image_bytes()[1:]


def test_the_content_itself_is_compared_right_before_it_goes(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Even if all that the system says of a file is as planned."""
    shop.plan()
    with shop.image.open("r+b") as file:
        file.write(b"X")
    monkeypatch.setattr("mendbay.handback.erasure_check._is_same", lambda file, found: True)
    real = eraser_module._require_same
    monkeypatch.setattr(eraser_module, "_require_same", lambda *args, untouched: real(*args, untouched=False))
    with pytest.raises(ErasureIncomplete, match="Its content is not what was planned"):
        shop.erase()
    assert shop.image.read_bytes()[1:] == image_bytes()[1:]


def test_a_file_that_is_open_or_locked_elsewhere_is_refused(shop: Shop) -> None:
    holding = "import sys; file = open(sys.argv[1]); print('open', flush=True); sys.stdin.read()"
    with subprocess.Popen(
        [sys.executable, "-c", holding, str(shop.image)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout is not None
        other.stdout.readline()
        with pytest.raises(ErasureRefused, match=f"in use: process {other.pid} has it open"):
            shop.plan()
        assert other.stdin is not None
        other.stdin.close()
    shop.plan()


def test_an_image_being_written_is_refused(shop: Shop) -> None:
    shop.image.unlink()
    store = shop.bench.images.create(shop.case, "1", Identity("file", "x", 1 << 20, 512))
    with pytest.raises(ErasureRefused, match="in use"):
        shop.plan()
    store.close()
    shop.plan()


def test_what_a_drive_of_any_case_was_read_from_is_refused(shop: Shop, tmp_path: Path) -> None:
    other = take_in(shop.bench, "Quillmere Pottery", bays=[Bay(0, "1")])
    read_drive(shop.bench, other.number, DriveAt("1", str(shop.image)))
    with pytest.raises(ErasureRefused, match="is what a drive of a case was read from"):
        shop.plan()


def test_a_plan_altered_on_disk_or_unknown_to_custody_is_refused(shop: Shop) -> None:
    planned = shop.plan()
    place = shop.folder / planned.path
    place.chmod(0o600)
    text = place.read_text()
    place.write_text(text.replace(SAID, "x"))
    with pytest.raises(SourceChanged):
        shop.erase()
    place.write_text(text)
    ledger = shop.bench.ledger

    class Forgetful:
        def __getattr__(self, name: str):  # type: ignore[no-untyped-def]
            return (lambda number: ()) if name == "custody" else getattr(ledger, name)

    with pytest.raises(CustodyBroken):
        replace(shop, bench=replace(shop.bench, ledger=Forgetful())).erase()  # type: ignore[arg-type]
    shop.erase()


def test_a_day_put_off_after_planning_holds_the_erasure_back(shop: Shop) -> None:
    keep(shop.bench, 1, "2026-11-30")
    later = shop.at("2026-12-01T08:00:00Z")
    later.plan(reason="")
    keep(later.bench, 1, "2027-06-01")
    with pytest.raises(ErasureRefused, match="kept until 2027-06-01"):
        later.erase()
    assert shop.image.read_bytes() == image_bytes()


# ---------------------------------------------------------------------- stopping, going on, ending


def test_stopped_by_hand_it_goes_on(shop: Shop) -> None:
    shop.plan()
    asked = 0

    def stop() -> bool:
        nonlocal asked
        asked += 1
        return asked > 3

    with pytest.raises(Interrupted):
        replace(shop, bench=replace(shop.bench, stop=stop)).erase()
    assert "broken off" in custody_of(shop)[-1]
    shop.erase()
    assert "gone on with" in custody_of(shop)[-2]
    assert remains(shop) == ["board.png", "read-1.bin"]


def stopped_at(shop: Shop, ask: int) -> None:
    """Erases until the stop is asked for the given time."""
    asked = iter(range(1, 1 << 30))
    with pytest.raises(Interrupted):
        replace(shop, bench=replace(shop.bench, stop=lambda: next(asked) >= ask)).erase()


def test_an_image_is_untouched_or_refused_wherever_its_erasure_stops(tmp_path: Path) -> None:
    """Half of it must never pass for what the drive gave, neither before the end nor after `--leave`."""
    with shop_with_copies(tmp_path / "home", bag=False) as shop:
        drive = tmp_path / "drive.img"
        drive.write_bytes(image_bytes())
        shop.image.unlink()
        read_drive(shop.bench, 1, DriveAt("1", str(drive)))
        shop.plan(unproven="x")
        for ask in range(1, 5):
            stopped_at(shop, ask)
            if shop.image.exists():
                assert shop.image.read_bytes() == image_bytes()
            else:
                with pytest.raises(DestinationError, match="is gone: erased, half erased or moved"):
                    shop.bench.images.reopen(shop.case, "1", writable=False)
        assert not shop.image.exists()
        done = end_erasure(
            shop.bench, shop_copies(shop.home), eraser(shop.home), 1, "1", "t", "the disk is failing"
        )
        assert "bears the name erased-" in done.certificate.left[0][1]
        with pytest.raises(DestinationError, match="is gone"):
            shop.bench.images.reopen(shop.case, "1", writable=True)
        rest = shop.plan(unproven="x").plan.files  # what was left can be erased by a new plan
        assert [one.path.startswith("erased-") for one in rest] == [True]
        shop.erase("2")
        assert list(shop.folder.glob("erased-*")) == []


def test_a_medium_that_reads_back_wrong_is_not_certified(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    shop.plan(sorts=(Sort.IMAGES, Sort.DUMPS))
    real = eraser_module.read_exactly

    def wrong(fd: int, start: int, stop: int) -> bytes:
        found = real(fd, start, stop)
        return found[:-1] + bytes([found[-1] ^ 1]) if start > 0 else found

    monkeypatch.setattr(eraser_module, "read_exactly", wrong)
    with pytest.raises(ErasureIncomplete, match="did not read back as overwritten"):
        shop.erase()
    assert not shop.image.exists()
    assert len(list(shop.folder.glob("erased-*"))) == 1
    assert not list(shop.folder.glob("erasures/certificate*"))
    assert "incomplete: 1 file of 2 erased" in custody_of(shop)[-1]
    done = end_erasure(
        shop.bench, shop_copies(shop.home), eraser(shop.home), 1, "1", "t", "the disk is failing"
    )
    assert [what for what, _ in done.certificate.left] == ["bay-1.img"]
    assert done.certificate.sorts == (("dumps", 1, len(MARKER) * 10),)
    words = shop.bench.stationery.words("erasure", certificate_facts(shop.bench, 1))
    assert "the disk is failing" in words


def test_of_two_who_end_an_erasure_at_once_one_certifies(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    """The journal is held until the certificate stands, and whoever comes then is told that it does."""
    shop.plan(sorts=(Sort.IMAGES,))
    real = eraser_module.read_exactly

    def wrong(fd: int, start: int, stop: int) -> bytes:
        return real(fd, start, stop)[:-1] + b"?" if start > 0 else real(fd, start, stop)

    with monkeypatch.context() as patch:
        patch.setattr(eraser_module, "read_exactly", wrong)
        with pytest.raises(ErasureIncomplete):
            shop.erase()

    def end() -> None:
        end_erasure(shop.bench, shop_copies(shop.home), eraser(shop.home), 1, "1", "t", "failing")

    refused: list[str] = []
    held_before = erase_copies_module.held

    def meanwhile(*of: object) -> object:
        monkeypatch.setattr(erase_copies_module, "held", held_before)
        try:
            end()
        except DestinationError as trouble:
            refused.append(trouble.what)
        return held_before(*of)  # type: ignore[arg-type]

    monkeypatch.setattr(erase_copies_module, "held", meanwhile)
    end()
    assert refused == ["This erasure is under way in another window."]
    notes = shop.bench.notes.of(NoteKind.ERASURE, 1, None, "1")
    assert ["certificate" in one.body for one in notes].count(True) == 1
    assert len(list(shop.folder.glob("erasures/certificate*"))) == 1


def test_nothing_is_ended_that_was_not_begun(shop: Shop) -> None:
    shop.plan()
    with pytest.raises(UsageError, match="Nothing was erased"):
        end_erasure(shop.bench, shop_copies(shop.home), eraser(shop.home), 1, "1", "t", "why")


def test_two_erasures_at_once_are_refused(shop: Shop) -> None:
    plan = shop.plan().plan
    with (
        eraser(shop.home).open(shop.case, plan.digest, plan.files),
        pytest.raises(DestinationError, match="under way"),
    ):
        shop.erase()


def test_a_new_file_in_the_old_place_is_not_taken_for_the_erased_one(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Once the old file is gone, the system may give its number to a new one of the same size."""
    shop.plan(sorts=(Sort.IMAGES,))
    with monkeypatch.context() as patch:

        def lost(self, number):  # type: ignore[no-untyped-def]
            raise KeyboardInterrupt

        patch.setattr("mendbay.outlets.erasure_journal.ErasureJournal.done", lost)
        with pytest.raises(KeyboardInterrupt):
            shop.erase()
    assert not shop.image.exists()
    shop.image.write_bytes(b"N" * IMAGE_BYTES)
    monkeypatch.setattr(eraser_module, "_is_begun", lambda file, found, device: True)
    shop.erase()
    assert shop.image.read_bytes() == b"N" * IMAGE_BYTES


def test_only_the_files_of_plans_are_forgotten(shop: Shop) -> None:
    for path in (
        "bay-1.img",
        "erasures/../bay-1.img",
        "erasures/certificate-1.json",
        "erasures/plan-1.json/x",
    ):
        with pytest.raises(ValueError, match="not the file of a plan"):
            eraser(shop.home).forget_plan(shop.case, path)
