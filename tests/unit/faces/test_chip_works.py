"""Works on simulated chips, each in its own process: read, written, stopped, killed."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import pytest

from mendbay.board.transfer_plan import Role
from mendbay.case.records import Bay
from mendbay.core.errors import ImageBusy, TransferRefused, UsageError
from mendbay.jobs.rom_reads import rom_reads
from mendbay.jobs.take_in import take_in
from mendbay.jobs.transfer_rom import Planned, give_up, plan_transfer, tell_plan
from mendbay.jobs.work_options import options_of
from mendbay.jobs.work_port import JSON, Ask, Outcome, WorkKind, WorkRequest, WorkState
from mendbay.wiring import open_bench, shop_files, transfer_journals
from support.flash_bench import rom
from support.works import WorkShop, order_of, until

pytestmark = pytest.mark.slow

SIZE = 256 << 10
BUSY = 4000
"""Frames for which erasing a block takes: the writing takes seconds then."""
PATIENT, DONOR = rom(1, SIZE), rom(2, SIZE)
CLIP: Mapping[str, JSON] = {"supply_checked": ["1.8", "3.3"], "marked_3v": True}


@dataclass
class ChipShop:
    """A home with a case, two chips as files, and works on them."""

    shop: WorkShop
    folder: Path

    def clip(self, chip: str) -> dict[str, JSON]:
        return {**CLIP, "bay": "1", "programmer": f"simulated:{self.folder / chip}.toml"}

    def content(self, chip: str) -> bytes:
        return (self.folder / f"{chip}.bin").read_bytes()

    def read(self, chip: str, **more: JSON) -> WorkState:
        options = {**self.clip(chip), "role": chip, "times": 2, **more}
        return self.shop.ended(self.shop.start(WorkKind.READ_CHIP, **options))

    def planned(self) -> Planned:
        for chip in ("patient", "donor"):
            assert self.read(chip).outcome is Outcome.DONE
        with open_bench(self.shop.home) as bench:
            return plan_transfer(bench, transfer_journals(self.shop.home), 1, "1", Role.DONOR)

    def told(self) -> Planned:
        with open_bench(self.shop.home) as bench:
            return tell_plan(bench, shop_files(self.shop.home), transfer_journals(self.shop.home), 1, "1")

    def write(self, plan: str, **more: JSON) -> str:
        options = {**self.clip("donor"), "plan": plan, "roles_checked": True, **more}
        return self.shop.start(WorkKind.WRITE_CHIP, **options)

    def in_the_middle(self, plan: str) -> str:
        """A work that has written some blocks and not all."""
        work = self.write(plan)
        until(lambda: self.blocks(work) > 0 or self.shop.state(work).is_over)
        assert not self.shop.state(work).is_over
        step = self.shop.state(work).step
        assert step is not None
        assert step["in_bytes"], "blocks are not alike: how far it is, is told in bytes"
        return work

    def blocks(self, work: str) -> int:
        step = self.shop.state(work).step
        if step is None or not str(step["step"]).startswith("writing"):
            return 0
        done = step["done"]
        assert isinstance(done, int)
        return done


@pytest.fixture
def chips(tmp_path: Path) -> Iterator[ChipShop]:
    home = tmp_path / "home"
    with open_bench(home) as bench:
        take_in(bench, "Quillmere Pottery", bays=[Bay(0, "1")])
    for name, content in (("patient", PATIENT), ("donor", DONOR)):
        (tmp_path / f"{name}.bin").write_bytes(content)
        described = f'memory = "{name}.bin"\nid = "c2 99 0d"\nerase = [[4096, 0x20]]\nerase_polls = {BUSY}\n'
        (tmp_path / f"{name}.toml").write_text(described)
    made = WorkShop(home)
    yield ChipShop(made, tmp_path)
    made.stop_all()


def test_a_transfer_by_works_from_the_first_read_to_the_proof(chips: ChipShop) -> None:
    plan = chips.planned().plan
    state = chips.shop.ended(chips.write(plan.digest))
    assert state.outcome is Outcome.DONE, state
    assert state.result_words[0].startswith("Written and proven.")
    assert isinstance(state.result, Mapping)
    assert state.result["written"] is True
    assert chips.content("donor") == PATIENT
    assert chips.content("patient") == PATIENT
    again = chips.shop.ended(chips.write(plan.digest))
    assert again.trouble is not None
    assert again.trouble.kind == "TransferRefused", "it is done, and not done twice"
    with open_bench(chips.shop.home) as bench:
        assert {one.who for one in bench.ledger.custody(1) if "ROM written" in one.what} == {"Ina"}


@pytest.mark.parametrize("how", ["killed", "stopped", "the machine ends"])
def test_one_that_does_not_come_to_its_end_leaves_steps_that_say_so(chips: ChipShop, how: str) -> None:
    plan = chips.planned().plan
    work = chips.in_the_middle(plan.digest)
    with open_bench(chips.shop.home) as bench, pytest.raises(Exception, match="under way"):
        give_up(bench, transfer_journals(chips.shop.home), 1, "1", "it smells")
    with pytest.raises(ImageBusy):
        chips.write(plan.digest)
    if how == "stopped":
        chips.shop.works.ask(work, WorkRequest(Ask.STOP))
    else:
        os.kill(chips.shop.process(work), signal.SIGKILL if how == "killed" else signal.SIGTERM)
    state = chips.shop.ended(work)
    assert state.outcome is (Outcome.LOST if how == "killed" else Outcome.STOPPED)
    assert state.trouble is not None
    assert how == "killed" or "half written" in state.trouble.what
    assert chips.content("donor") not in (PATIENT, DONOR)
    told = chips.told()
    assert told.unfinished
    assert told.may_write
    assert told.may_undo
    ended = chips.shop.ended(chips.write(plan.digest))
    assert ended.outcome is Outcome.DONE, ended
    assert chips.content("donor") == PATIENT
    assert not chips.told().may_write


def test_a_backup_is_put_back_after_a_kill(chips: ChipShop) -> None:
    plan = chips.planned().plan
    early = chips.shop.ended(chips.write(plan.digest, restore=True))
    assert early.trouble is not None
    assert early.trouble.kind == "TransferRefused", "nothing is half done"
    work = chips.in_the_middle(plan.digest)
    os.kill(chips.shop.process(work), signal.SIGKILL)
    chips.shop.ended(work)
    state = chips.shop.ended(chips.write(plan.digest, restore=True))
    assert state.result_words[0].startswith("The backup is put back and proven.")
    assert chips.content("donor") == DONOR


def test_another_plan_than_the_one_that_was_seen_is_not_carried_out(chips: ChipShop) -> None:
    seen = chips.planned().plan
    chips.read("donor")
    with open_bench(chips.shop.home) as bench:
        plan_transfer(bench, transfer_journals(chips.shop.home), 1, "1", Role.DONOR)
    state = chips.shop.ended(chips.write(seen.digest))
    assert state.trouble is not None
    assert state.trouble.kind == TransferRefused.__name__
    assert "planned anew" in state.trouble.what
    assert chips.content("donor") == DONOR


def test_no_supply_is_given_that_the_order_does_not_name(chips: ChipShop) -> None:
    state = chips.read("patient", supply_checked=["1.8"])
    assert state.trouble is not None
    assert "3.3 V" in state.trouble.what
    with open_bench(chips.shop.home) as bench:
        assert rom_reads(bench, 1, "1") == ()


@pytest.mark.parametrize(
    "wrong",
    [
        {"role": "nobody"},
        {"times": 1},
        {"times": 2.5},
        {"supply_checked": ["0.1"]},
        {"supply_checked": ["nan"]},
        {"supply_checked": ["much"]},
        {"programmer": ""},
        {"bay": ""},
    ],
)
def test_options_out_of_their_bounds_are_refused(chips: ChipShop, wrong: dict[str, JSON]) -> None:
    right = {**chips.clip("patient"), "role": "patient"}
    works = chips.shop.works
    options_of(order_of(works, WorkKind.READ_CHIP, right))
    with pytest.raises(UsageError):
        options_of(order_of(works, WorkKind.READ_CHIP, {**right, **wrong}))
    with pytest.raises(UsageError):
        options_of(order_of(works, WorkKind.WRITE_CHIP, chips.clip("donor")))
