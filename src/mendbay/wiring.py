"""Builds the adapters and hands them to the jobs. Faces get everything they need from here."""

from __future__ import annotations

import getpass
import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import platformdirs

from mendbay.core.clock import SystemClock
from mendbay.core.errors import LedgerError
from mendbay.handback.bag import BagCheck
from mendbay.imaging.odds import Assumptions
from mendbay.inlets.bench_drives import UNSTEADY, BenchDrives
from mendbay.inlets.failing_loop import FailingLoop
from mendbay.inlets.failing_loop import available as failing_loop_trouble
from mendbay.inlets.unsteady_description import load_unsteady
from mendbay.jobs.bench import Bench
from mendbay.jobs.drive_reading import never, no_power_cycle
from mendbay.jobs.events import StepProgress, Tell, silent
from mendbay.jobs.ports import HandBackFolder, Papers, PowerCycle
from mendbay.ledger.database import Ledger
from mendbay.outlets.bag_check import check_bag
from mendbay.outlets.case_files import CaseCabinet
from mendbay.outlets.destination import Destination
from mendbay.outlets.image_shelf import ImageShelf

if TYPE_CHECKING:
    from mendbay.jobs.play_demo import Box


def home_folder(chosen: Path | None = None) -> Path:
    """Where cases are kept: the folder chosen, or this machine's place for a program's data."""
    return chosen or Path(platformdirs.user_data_dir("mendbay", appauthor=False))


def person() -> str:
    """Who is at the bench, for the custody log: the name of the account, or its number."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return f"account {os.getuid()}"


@contextmanager
def open_bench(
    home: Path | None = None,
    *,
    tell: Tell = silent,
    stop: Callable[[], bool] = never,
    power_cycle: PowerCycle = no_power_cycle,
    assumed: Assumptions | None = None,
    patience_seconds: float = 30.0,
    sector_bytes: int = 512,
) -> Iterator[Bench]:
    """The bench with its ledger open.

    Args:
        home: where cases are kept; None for this machine's default.
        patience_seconds: how long one read of a drive may take before it is abandoned.
        sector_bytes: of image files used as drives.

    Raises:
        LedgerError: the ledger cannot be opened.
    """
    folder = home_folder(home)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as trouble:
        raise LedgerError(
            f"The folder {folder} for cases cannot be made: {trouble.strerror}.",
            "Choose another with --home or MENDBAY_HOME.",
        ) from trouble
    clock = SystemClock()
    with Ledger(folder / "ledger.sqlite3") as ledger:
        yield Bench(
            ledger=ledger,
            drives=BenchDrives(patience_seconds, sector_bytes),
            images=ImageShelf(folder / "cases", clock),
            shelf=ledger.shelf,
            files=CaseCabinet(folder / "cases"),
            clock=clock,
            who=person(),
            tell=tell,
            stop=stop,
            power_cycle=power_cycle,
            assumed=assumed or Assumptions(),
        )


def open_handback_folder(folder: Path, case_number: str) -> HandBackFolder:
    """The folder a hand-back is written into."""
    return Destination(folder, case_number)


def papers() -> Papers:
    """What makes the reports."""
    from mendbay.outlets.documents import PrintedPapers  # the typesetter: only when a report is made

    return PrintedPapers()


def check_handback(folder: Path, tell: Tell = silent) -> BagCheck:
    """What is wrong with the hand-back in a folder, if anything, down to the last digest."""
    seen = 0
    total = sum(1 for one in (folder / "data").rglob("*") if one.is_file()) if folder.is_dir() else 0

    def count(path: str, size_bytes: int) -> None:
        nonlocal seen
        seen += 1
        tell(StepProgress("checking", seen, max(seen, total), path))

    return check_bag(folder, seen=count)


class DemoStage:
    """The demo's box, on real failing block devices where that is possible.

    Args:
        seed: the same seed makes the same box and the same faults.
        simulated: use drives simulated in the process even where real block devices could be had.
    """

    def __init__(self, seed: int, simulated: bool) -> None:
        self._seed = seed
        self._why_not_real = "asked for" if simulated else failing_loop_trouble()

    @property
    def why_not_real(self) -> str:
        return self._why_not_real

    def build(self, folder: Path, tell: Tell) -> Box:
        from mendbay.outlets.scenario.box import build_box  # drawing and spreadsheets: only for the demo

        return build_box(folder, self._seed, tell)

    @contextmanager
    def connect(self, box: Box) -> Iterator[Mapping[str, str]]:
        with ExitStack() as stack:
            if self._why_not_real:
                yield {bay: f"{UNSTEADY}{drive}" for bay, drive in box.drives.items()}
                return
            loops = {
                bay: stack.enter_context(FailingLoop(load_unsteady(drive)))
                for bay, drive in box.drives.items()
            }
            yield {bay: str(loop.path) for bay, loop in loops.items()}
