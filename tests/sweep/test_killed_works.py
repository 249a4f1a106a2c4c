"""Long jobs whose process is killed between any two of their steps: files handed back, copies erased, a chip
written. What is claimed then is so, and the same asked again comes to its end."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest

from mendbay.case.records import Bay, CaseState
from mendbay.faces.web import case_works
from mendbay.handback.erasure import Sort
from mendbay.jobs.catalogue_port import FOLDER as CATALOGUE
from mendbay.jobs.plan_erasure import plan_erasure
from mendbay.jobs.take_in import take_in
from mendbay.ledger.database import Ledger
from mendbay.outlets.documents import PrintedPapers
from mendbay.wiring import check_handback, open_bench, shop_copies
from support.flash_bench import rom
from support.killed_changes import Change, do, fresh, look_and_do_again, warm
from support.kills import killed
from support.lively_home import READ, lively_home
from support.web_client import web_on
from support.works import work_here

pytestmark = pytest.mark.slow

EACH = 4
"""Steps of each work before which it is killed, spread over all of them."""
LAST = 2
"""And as many of its last ones, where what was done is put down."""
PATIENT, DONOR = rom(1), rom(2)
CLIP = {"bay": "1", "volts": ["1.8", "3.3"], "marked": "yes", "ready": "yes"}


@pytest.fixture(autouse=True)
def who(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MENDBAY_WHO", "Kim")


def done_here(patch: pytest.MonkeyPatch) -> None:
    """Has works be done at once by the process that orders them, and papers be drawn without the
    typesetter's threads, which are not there in a process that was forked. Only once homes are made: these
    are kept for every test of this process."""
    patch.setattr(case_works, "start_work", work_here)
    patch.setattr(PrintedPapers, "pdf", lambda self, facts: b"%PDF-1.7\n%%EOF")


def killed_at(
    shop: Path, made: Path, change: Change, told: Path, ready: Callable[[Path], None] = lambda home: None
) -> Iterator[int]:
    """Does a work in a shop as it was made, killed before ever other steps; the step each time it was.

    Args:
        ready: what is done there before.
    """

    def begin() -> None:
        fresh(made, shop)
        ready(shop / "home")

    begin()
    warm(shop / "home", change)
    begin()
    assert not killed(lambda: do(shop / "home", change, told, None))
    undisturbed = json.loads(told.read_text())
    assert undisturbed["status"] == 303
    steps = undisturbed["steps"]
    wanted = {one * steps // EACH for one in range(EACH)} | set(range(steps - LAST, steps))
    tried = 0
    for step in sorted(wanted):
        begin()
        tried += killed(lambda step=step: do(shop / "home", change, told, step))
        require_sound(shop / "home")
        yield step
    assert tried >= EACH  # how often a work says how far it is hangs on time, so the very last may not come


def again(shop: Path, change: Change, told: Path) -> dict[str, Any]:
    """What a server that was started anew answers, and that it shows what was done before and after."""
    assert not killed(lambda: look_and_do_again(shop / "home", change, told))
    found: dict[str, Any] = json.loads(told.read_text())
    assert found["seen"] == found["after"] == 200
    require_sound(shop / "home")
    return found


def require_sound(home: Path) -> None:
    """The ledger is whole, and its custody log holds."""
    with Ledger(home / "ledger.sqlite3") as ledger:
        ledger.check()


def custody(home: Path, case: int, what: str) -> int:
    """How often custody tells something."""
    with open_bench(home) as bench:
        return sum(one.what.startswith(what) for one in bench.ledger.custody(case))


def test_files_are_handed_back_whole_or_it_is_not_said_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made, shop, back = tmp_path / "made", tmp_path / "shop", tmp_path / "shop" / "back"
    made.mkdir()
    lively_home(made / "home")
    done_here(monkeypatch)
    change = Change(
        "hand back",
        f"/case/{READ}/hand-back/make",
        {"folder": str(back), "what": "patterns", "patterns": "shelf-5/pot-0*"},
        page=f"/case/{READ}/hand-back",
    )
    before = custody(made / "home", READ, "files copied for a hand-back (")
    for step in killed_at(shop, made, change, tmp_path / "told"):
        said = custody(shop / "home", READ, "files copied for a hand-back (") > before
        is_bag = (back / "bagit.txt").exists()
        assert not is_bag or check_handback(back).is_valid, step
        assert is_bag or not said, step
        assert again(shop, change, tmp_path / "told")["again"] == 303, step
        assert check_handback(back).is_valid, step
        assert len(list((back / "data").rglob("*.txt"))) == 10, step
        assert custody(shop / "home", READ, "files copied for a hand-back (") > before, step
        with open_bench(shop / "home") as bench:
            assert bench.ledger.case(READ).state is CaseState.HANDED_BACK, step


def test_copies_are_gone_that_are_said_to_be_and_no_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made, shop = tmp_path / "made", tmp_path / "shop"
    made.mkdir()
    lively_home(made / "home")
    with open_bench(made / "home") as bench:
        folder = Path("home") / "cases" / bench.ledger.case(READ).folder
    planned: list[str] = []

    def ready(home: Path) -> None:  # a plan is of these very files
        sorts = (Sort.IMAGES, Sort.PICTURES)
        with open_bench(home) as bench:
            made = plan_erasure(bench, shop_copies(home), READ, sorts=sorts, reason="a", unproven="b")
        assert made.plan.name == "2"
        planned[:] = [one.path for one in made.plan.files]

    done_here(monkeypatch)
    change = Change(
        "erase",
        f"/case/{READ}/closing/erase/plan/2/now",
        {"typed": str(READ)},
        page=f"/case/{READ}/closing/erase",
    )
    kept = {
        one.relative_to(made / folder): one.read_bytes()
        for one in (made / folder).rglob("*")
        if one.is_file() and not {CATALOGUE, "erasures"} & set(one.parts)
    }
    for step in killed_at(shop, made, change, tmp_path / "told", ready):
        certified = custody(shop / "home", READ, "copies erased")
        assert len(planned) >= 3
        for path in planned:
            place = shop / folder / path
            assert not place.exists() or place.read_bytes() == kept[Path(path)], (step, path)
            assert not certified or not place.exists(), (step, path)
        assert again(shop, change, tmp_path / "told")["again"] in ((409, 422) if certified else (303,)), step
        assert not [path for path in planned if (shop / folder / path).exists()], step
        assert custody(shop / "home", READ, "copies erased") == 1, step
        assert len(list((shop / folder).glob("erasures/certificate-*.json"))) == 1, step
        for path in kept.keys() - set(map(Path, planned)):
            assert (shop / folder / path).read_bytes() == kept[path], (step, path)


def a_planned_transfer(made: Path) -> None:
    """A shop in which both chips were read, and a transfer to the donor's is planned."""
    for chip, content in (("patient", PATIENT), ("donor", DONOR)):
        (made / f"{chip}.bin").write_bytes(content)
        (made / f"{chip}.toml").write_text(f'memory = "{chip}.bin"\nid = "c2 99 0d"\n')
    with web_on(made / "home") as web:
        with web.bench() as bench:
            take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1")])
        for chip in ("patient", "donor"):
            clip = {**CLIP, "programmer": f"simulated:{made / chip}.toml", "chip": chip, "times": "2"}
            web.post("/case/1/board/read-chip", clip)
        web.post("/case/1/board/plan", {"bay": "1", "target": "donor"})


def test_a_chip_is_never_without_a_copy_of_what_it_held(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After every other kill the backup is put back; after the others the same is written again."""
    made, shop = tmp_path / "made", tmp_path / "shop"
    made.mkdir()
    done_here(monkeypatch)
    a_planned_transfer(made)
    clip = {**CLIP, "programmer": f"simulated:{shop / 'donor.toml'}"}
    write = Change(
        "write",
        "/case/1/board/write",
        {**clip, "patient_away": "yes", "roles_checked": "yes"},
        page="/case/1/board/transfer?bay=1",
    )
    restore = Change("restore", "/case/1/board/restore", clip, page=write.page)
    half_written = 0
    for at, step in enumerate(killed_at(shop, made, write, tmp_path / "told")):
        then = (write, restore)[at % 2]
        assert (shop / "patient.bin").read_bytes() == PATIENT, step
        half_written += (now := (shop / "donor.bin").read_bytes()) not in (PATIENT, DONOR)
        backups = [one for one in (shop / "home" / "cases").rglob("*.bin") if one.read_bytes() == DONOR]
        assert backups, step
        with open_bench(shop / "home") as bench:
            on_record = " ".join(one.body for one in bench.notes.all_of(1))
        assert sha256(DONOR).hexdigest() in on_record, step
        proven = custody(shop / "home", 1, "ROM written: read back and proven")
        assert not proven or now == PATIENT, step
        answer = again(shop, then, tmp_path / "told")["again"]
        held = (shop / "donor.bin").read_bytes()
        if then is write:
            assert answer in (303, 409) if proven else answer == 303, step
            assert held == PATIENT, step
            assert custody(shop / "home", 1, "ROM written: read back and proven") == 1, step
        else:  # what was not begun, or is proven, has nothing to be put back
            assert held == DONOR if answer == 303 else held in (DONOR, PATIENT), (step, answer)
            assert answer == 303 or now in (DONOR, PATIENT), step
        assert (shop / "patient.bin").read_bytes() == PATIENT, step
    assert half_written
