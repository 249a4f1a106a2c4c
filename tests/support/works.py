"""Works on simulated drives: a shop with one, orders, and waiting for what a state says."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from mendbay.core.clock import SystemClock
from mendbay.faces.work.process import carry
from mendbay.faces.work.runner import TELLS_TO_STOP
from mendbay.faces.work.telling import Telling
from mendbay.jobs.take_in import take_in
from mendbay.jobs.work_port import JSON, WorkKind, WorkOrder, Works, WorkState
from mendbay.outlets.work_desk import open_desk
from mendbay.outlets.work_shelf import WorkShelf
from mendbay.wiring import open_bench, start_work, works

PATIENCE = 90.0
"""Seconds after which something that must happen is given up, on a busy machine."""
DRIVE_BYTES = 32 << 20


def until(what: Callable[[], object]) -> None:
    """Waits until something is so."""
    deadline = time.monotonic() + PATIENCE
    while not what():
        assert time.monotonic() < deadline, "it did not happen in time"
        time.sleep(0.02)


def order_of(shelf: Works, kind: WorkKind, options: Mapping[str, JSON], case: int = 1) -> WorkOrder:
    return WorkOrder(shelf.new_id(), kind, case, "Ina", "2026-11-29T01:00:00Z", options)


@dataclass
class WorkShop:
    """A home with a case, and works on it."""

    home: Path
    ordered: list[WorkOrder] = field(default_factory=list)

    @property
    def works(self) -> Works:
        return works(self.home)

    def drive(self, *lines: str, name: str = "drive", bytes_: int = DRIVE_BYTES) -> str:
        """A drive that gives what its number says, and is described by the lines besides."""
        folder = self.home.parent
        image = folder / f"{name}.img"
        if not image.exists():
            image.write_bytes(bytes(range(256)) * (bytes_ // 256))
        text = "\n".join((f'image = "{image.name}"', f'serial = "{name}"', *lines))
        (folder / f"{name}.toml").write_text(f"{text}\n")
        return f"unsteady:{folder / name}.toml"

    def start(self, kind: WorkKind, **options: JSON) -> str:
        """Orders a work and starts its process; returns its name."""
        order = order_of(self.works, kind, options)
        start_work(self.home, order)
        self.ordered.append(order)
        return order.id

    def state(self, work: str) -> WorkState:
        return self.works.state(work)

    def ended(self, work: str) -> WorkState:
        """The state of a work, once it has ended."""
        until(lambda: self.state(work).is_over)
        return self.state(work)

    def read_bytes(self, bay: str) -> int:
        """How much of a bay's drive is in its image."""
        with open_bench(self.home) as bench:
            store = bench.images.reopen(bench.ledger.case(1), bay, writable=False)
            try:
                return store.coverage().read.total_bytes
            finally:
                store.close()

    def process(self, work: str) -> int:
        """The process that does a work, found by its words."""
        for folder in Path("/proc").iterdir():
            try:
                words = (folder / "cmdline").read_bytes().split(b"\0") if folder.name.isdigit() else []
            except OSError:
                continue
            if work.encode() in words and b"mendbay.faces.work.process" in words:
                return int(folder.name)
        raise AssertionError("no process does it")

    def stop_all(self) -> None:
        """Ends what still runs, so that no test leaves a process behind."""
        for one in self.ordered:
            if self.works.is_alive(one.id):
                os.kill(self.process(one.id), signal.SIGKILL)


def open_shop(home: Path) -> WorkShop:
    with open_bench(home) as bench:
        take_in(bench, "Quillmere Pottery")
    return WorkShop(home)


def work_here(home: Path | None, order: WorkOrder) -> None:
    """As `wiring.start_work`, but done at once and by this process: quick, for tests of what a work says."""
    assert home is not None
    shelf = WorkShelf(home, SystemClock())
    shelf.begin(order)
    with open_desk(home, order.id, os.dup(shelf.hand_over(order.id))) as desk:
        shelf.let_go(order.id)
        carry(home, desk, Telling(desk, SystemClock(), stops_when_telling=order.kind in TELLS_TO_STOP))
