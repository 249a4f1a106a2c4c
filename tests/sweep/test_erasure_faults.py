"""Power is cut at every call that changes something; calls fail, once and for good; the program is killed.

Whatever fails, nothing is claimed that is not so: a file that the journal does not name, or that bears its
own name, still holds every byte, one that counts as read back holds none of its content, one that counts as
gone is gone, and there is a certificate only if all of them are. The same command, run again, finishes.
"""

from __future__ import annotations

import errno
import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from shutil import rmtree
from tempfile import mkdtemp
from typing import Any

import pytest

from mendbay.core.errors import MendbayError
from mendbay.handback.erasure import ErasurePlan, Sort
from mendbay.outlets import eraser, erasure_journal, file_ranges
from support.erasures import FILES, MARKER, Shop, image_bytes, remains, shop_with_copies
from support.failing import FailingOs

pytestmark = pytest.mark.slow
CHANGING = ("pwrite", "fsync", "rename", "unlink", "ftruncate", "fchmod")
ANY = (*CHANGING, "open", "pread", "stat", "fstat", "lseek", "posix_fadvise")


class PowerCut(BaseException):
    """Stops everything where it stands."""


@contextmanager
def broken(failing: Any) -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        for module in (eraser, erasure_journal, file_ranges):
            patch.setattr(module, "os", failing)
        yield


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Path]:
    """A folder in memory where there is one: what fails is made to fail, and flushing takes long."""
    memory = Path("/dev/shm")
    if not os.access(memory, os.W_OK):
        yield tmp_path
        return
    made = Path(mkdtemp(dir=memory))
    yield made
    rmtree(made)


def planned(shop: Shop) -> ErasurePlan:
    """Of a few files, or of those of a hand-back too."""
    if shop.bag.exists():
        return shop.plan().plan
    return shop.plan(sorts=(Sort.IMAGES, Sort.DUMPS), unproven="there was nothing to hand back").plan


def originals(shop: Shop) -> dict[tuple[str, str], bytes]:
    bag = {(str(shop.bag), path): data for path, data in FILES.items()}
    return {("", "bay-1.img"): image_bytes(), **bag}


def nothing_false_is_claimed(shop: Shop, plan: ErasurePlan) -> None:
    before = originals(shop)
    steps = _steps(shop, plan)
    for number, file in enumerate(plan.files):
        place = (Path(file.root) if file.root else shop.folder) / file.path
        step = steps.get(number)
        if step is None:
            assert place.exists(), f"{file.path} vanished without a word"
            known = before.get((file.root, file.path))
            assert known is None or place.read_bytes() == known, f"{file.path} was touched without a word"
        elif step.done:
            assert not place.exists()
        else:
            known = before.get((file.root, file.path))
            if place.exists():
                assert not step.equal
                assert known is None or place.read_bytes() == known, f"{file.path} looks whole and is not"
            new = place.with_name(step.name)
            assert not step.equal or not new.exists() or MARKER not in new.read_bytes()
    certificates = list(shop.folder.glob("erasures/certificate-*.json"))
    if certificates:
        assert len(steps) == len(plan.files)
        assert all(step.done for step in steps.values())
        kept = {Sort.DUMPS: "read-1.bin", Sort.PICTURES: "board.png"}
        assert remains(shop) == sorted(name for sort, name in kept.items() if sort not in plan.sorts)


def _steps(shop: Shop, plan: ErasurePlan) -> dict[int, erasure_journal.Step]:
    path = shop.folder / "erasures" / f"{plan.digest[:16]}.journal"
    if not path.exists() or not path.read_bytes():
        return {}
    copy = path.with_name("copy-of-journal")
    copy.write_bytes(path.read_bytes())
    fd = os.open(copy, os.O_RDWR)
    try:
        return dict(erasure_journal.ErasureJournal(fd, plan.digest, "x").steps)
    finally:
        os.close(fd)
        copy.unlink()


def finishes(shop: Shop, plan: ErasurePlan) -> None:
    done = shop.erase()
    assert sum(count for _, count, _ in done.certificate.sorts) == len(plan.files)
    assert done.certificate.left == ()
    nothing_false_is_claimed(shop, plan)
    assert done.plan_gone
    assert not shop.bag.exists()


def count_calls(folder: Path, names: tuple[str, ...], bag: bool) -> int:
    with shop_with_copies(folder, bag=bag) as shop:
        planned(shop)
        counter = FailingOs(names, 1 << 60, OSError, False)
        with broken(counter):
            shop.erase()
    return counter.calls


def sweep(
    place: Path,
    names: tuple[str, ...],
    trouble: Callable[[], BaseException],
    for_good: bool,
    *,
    every: int = 1,
    bag: bool = False,
) -> None:
    total = count_calls(place / "count", names, bag)
    failed = tried = 0
    for at in range(1, total + 1, every):
        tried += 1
        with shop_with_copies(place / f"home{at}", bag=bag) as shop:
            plan = planned(shop)
            try:
                with broken(FailingOs(names, at, trouble, for_good)):
                    done = shop.erase()
            except (MendbayError, PowerCut):
                failed += 1
            else:
                assert done.certificate.left == ()
            nothing_false_is_claimed(shop, plan)
            certified = list(shop.folder.glob("erasures/certificate-*.json"))
            if not certified:
                finishes(shop, plan)
    assert failed > tried // 2, "hardly anything failed: the sweep does not reach the medium"


def sick() -> OSError:
    return OSError(errno.EIO, "Input/output error")


@pytest.mark.parametrize(("for_good", "every"), [(False, 3), (True, 2)], ids=["once", "for good"])
def test_changing_calls_fail(place: Path, for_good: bool, every: int) -> None:
    sweep(place, CHANGING, sick, for_good, every=every)


def test_power_is_cut_at_every_changing_call(place: Path) -> None:
    sweep(place, CHANGING, PowerCut, True)


def test_any_call_fails(place: Path) -> None:
    sweep(place, ANY, sick, False, every=5)


@pytest.mark.parametrize("trouble", [sick, PowerCut])
def test_a_hand_back_is_erased_amid_trouble(place: Path, trouble: Callable[[], BaseException]) -> None:
    sweep(place, CHANGING, trouble, True, every=23, bag=True)


WORKER = """
import sys
from pathlib import Path
from mendbay.jobs.erase_copies import erase_copies
from mendbay.wiring import eraser, open_bench, shop_copies
home = Path(sys.argv[1])
with open_bench(home) as bench:
    print("ready", flush=True)
    erase_copies(bench, shop_copies(home), eraser(home), 1, "1", "a test", lambda plan: None)
"""


def test_killed_at_random_moments_it_goes_on(tmp_path: Path) -> None:
    chance = random.Random(8)
    killed = 0
    with shop_with_copies(tmp_path / "home") as shop:
        for at in range(40):
            shop.bench.files.keep(shop.case, f"photos/bay-1/{at}.png", MARKER * (500 + at))
        plan = shop.plan(sorts=(Sort.IMAGES, Sort.HAND_BACK, Sort.PICTURES)).plan
        for _ in range(5):
            with subprocess.Popen(
                [sys.executable, "-c", WORKER, str(shop.home)],
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
            ) as worker:
                assert worker.stdout is not None
                worker.stdout.readline()
                time.sleep(chance.uniform(0, 0.25))
                worker.send_signal(signal.SIGKILL)
                killed += worker.wait() == -signal.SIGKILL
            steps = _steps(shop, plan)
            for number, file in enumerate(plan.files):
                place = (Path(file.root) if file.root else shop.folder) / file.path
                if number not in steps:
                    assert place.exists()
                elif steps[number].equal:
                    assert not place.exists() or MARKER not in place.read_bytes()
            if list(shop.folder.glob("erasures/certificate-*.json")):
                break
        assert killed > 1, "it was too quick to be killed"
        if not list(shop.folder.glob("erasures/certificate-*.json")):
            shop.erase()
        told = json.loads((shop.folder / "erasures" / "certificate-1.json").read_text())
        assert sum(count for _, count, _ in told["sorts"]) == len(plan.files)
        assert remains(shop) == ["read-1.bin"]
