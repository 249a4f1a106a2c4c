"""A bench with a case and a two-bay box on it, whose drives are read together."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from mendbay.core.span import Span, SpanSet
from mendbay.imaging.hazard import Condition
from mendbay.jobs.bench import Bench
from mendbay.jobs.events import Event, Said
from mendbay.jobs.ports import ImageStore
from mendbay.jobs.read_drive import DriveAt
from mendbay.jobs.take_in import take_in
from mendbay.outlets.scenario.damage import Faults, write_drive
from mendbay.outlets.scenario.geometry import Level
from mendbay.outlets.scenario.scenario import Scenario
from mendbay.outlets.scenario.small import SmallBase, make_small_scenario
from mendbay.wiring import open_bench
from support.promise import PATIENT


@dataclass
class Shop:
    """A bench with a case, the box on it, and what was said."""

    bench: Bench
    box: Scenario
    said: list[str] = field(default_factory=list)

    def drives(self, **conditions: Condition) -> list[DriveAt]:
        return [
            DriveAt(bay, f"unsteady:{drive}", condition=conditions.get(f"bay_{bay}"))
            for bay, drive in zip("12", self.box.drives, strict=True)
        ]

    @contextmanager
    def images(self) -> Iterator[list[ImageStore]]:
        case = self.bench.ledger.case(1)
        stores = [self.bench.images.reopen(case, bay, writable=False) for bay in "12"]
        try:
            yield stores
        finally:
            for store in stores:
                store.close()

    def read_of(self) -> list[SpanSet]:
        """What of each drive is in its image."""
        with self.images() as stores:
            return [store.coverage().read for store in stores]


@contextmanager
def shop(
    tmp_path: Path, base: SmallBase, *, refusals: int = 0, level: Level = Level.MIRROR, parted: bool = False
) -> Iterator[Shop]:
    said: list[str] = []

    def tell(event: Event) -> None:
        if isinstance(event, Said):
            said.append(event.text)

    box = make_small_scenario(tmp_path / "box", 1, base=base, level=level, parted=parted, refusals=refusals)
    if not refusals:  # the maker damages some places that belong to no file all the same
        for bay, drive in enumerate(box.drives):
            drive.unlink()
            write_drive(drive, box.images[bay], Faults(SpanSet()), seed=bay, serial=f"S{bay}")
    with open_bench(tmp_path / "home", tell=tell, assumed=PATIENT) as bench:
        take_in(bench, "Quillmere Pottery")
        yield Shop(bench, box, said)


def data_area(box: Scenario) -> SpanSet:
    """What the halves hold alike, in bytes of either drive."""
    return box.geometry.on_drive(0, SpanSet([Span(0, box.geometry.volume_bytes)]))
