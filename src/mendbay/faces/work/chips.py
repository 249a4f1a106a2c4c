"""Reads and writes chips for works, by the same checks as the commands that do the same."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from mendbay.core.cautions import cautions_for
from mendbay.core.errors import Interrupted, TransferIncomplete
from mendbay.faces.board_words import (
    CHIP,
    chip_json,
    chip_sentences,
    kept_sentence,
    proven_json,
    proven_sentences,
    read_json,
)
from mendbay.jobs.bench import Bench
from mendbay.jobs.chip_work_options import ReadChip, WriteChip
from mendbay.jobs.events import Event, Said, StepProgress
from mendbay.jobs.remembered import remembered
from mendbay.jobs.rom_reads import read_chip
from mendbay.jobs.transfer_rom import carry_out, tell_plan
from mendbay.wiring import BenchProgrammers, shop_files, transfer_journals

CHECKING = "holding the plan against the dumps"
"""What comes before the chip is asked: it takes about a second for each MiB, and cannot be counted."""
AGAIN = "Read the chip again: that begins a new sitting."


def read_a_chip(bench: Bench, case: int, options: ReadChip) -> tuple[Mapping[str, object], list[str]]:
    """Reads a chip several times, as one sitting.

    Returns:
        What came of it, and the same in sentences.

    Raises:
        Interrupted: it was stopped; the whole reads until then are kept.
        ProgrammerError, DumpUnproven: as `jobs.rom_reads.read_chip`.
    """
    _say_before(bench, case)
    clip = options.clip.clip(BenchProgrammers())
    try:
        kept, facts = read_chip(_stoppable(bench), clip, case, options.bay, options.role, options.times)
    except KeyboardInterrupt:
        raise Interrupted("Stopped; the reads that came through whole are kept.", AGAIN) from None
    said = [kept_sentence(kept), *chip_sentences(facts)]
    return {"chip": chip_json(facts), "reads": [read_json(one) for one in kept]}, said


def write_a_chip(
    home: Path, bench: Bench, case: int, options: WriteChip
) -> tuple[Mapping[str, object], list[str], bool]:
    """Writes a chip as it was planned, or puts its backup back, and proves it.

    Returns:
        What came of it, the same in sentences, and whether it is proven which chip that is.

    Raises:
        Interrupted: it was stopped; what it says tells how the chip stands.
        HeldBack, TransferRefused, ProgrammerError, TransferIncomplete: as `jobs.transfer_rom.carry_out`.
    """
    shop, journals = shop_files(home), transfer_journals(home)
    _say_before(bench, case)
    bench.tell(StepProgress(CHECKING, 0, 0))
    planned = tell_plan(bench, shop, journals, case, options.bay)
    if options.restore:
        planned.require_undo()
    else:
        planned.require_write()
    try:
        done = carry_out(
            _stoppable(bench),
            options.clip.clip(BenchProgrammers()),
            shop,
            journals,
            case,
            options.bay,
            restore=options.restore,
            same_chip=options.same_chip,
            put_away=options.put_away,
            roles_checked=options.roles_checked,
            right_chip=True,
            plan_digest=options.plan,
            although=options.although,
            asked=options.asked,
        )
    except TransferIncomplete as trouble:
        if bench.stop():
            raise Interrupted(trouble.what, trouble.next_step) from trouble
        raise
    return proven_json(done), proven_sentences(done), not done.certificate.may_be_patients


def _say_before(bench: Bench, case: int) -> None:
    remembered(bench, case)
    for one in cautions_for(CHIP):
        bench.tell(Said(f"CAUTION, {one.title}: {one.text}"))


def _stoppable(bench: Bench) -> Bench:
    """The bench whose job is stopped between two blocks, as from the keyboard: it then tells how the chip
    stands."""

    def tell(event: Event) -> None:
        bench.tell(event)
        if isinstance(event, StepProgress) and bench.stop():
            raise KeyboardInterrupt

    return replace(bench, tell=tell)
