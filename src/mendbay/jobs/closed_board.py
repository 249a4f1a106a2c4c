"""What the electrical sheet of a drive's board keeps power away for."""

from __future__ import annotations

from dataclasses import dataclass

from mendbay.board.electrical_form import Gate
from mendbay.jobs.bench import Bench
from mendbay.jobs.hand_repairs import board_works_since
from mendbay.jobs.measure_board import Measured, begun_sheet


@dataclass(frozen=True, slots=True)
class ClosedBoard:
    """A drive whose board has something that keeps power away.

    Args:
        gates: what is barred from power, in words.
        why: that, with what was measured, as a sentence.
        mendable: only supplies of the board are closed, not the drive itself: mending the board, or fitting
            another, is what opens them.
    """

    bay: str
    gates: str
    why: str
    mendable: bool

    @property
    def stop(self) -> str:
        """What to leave, as a sentence."""
        return f"STOP: give the drive of bay {self.bay} no power."

    @property
    def words(self) -> str:
        """What to leave, and why, as sentences."""
        return f"{self.stop} {self.why}"


def closed_board(bench: Bench, case: int, bay: str) -> ClosedBoard | None:
    """What the sheet of a bay's board keeps closed; None if nothing, if a person let it through, or if
    the drive came ready since, with another board or with its own mended.

    Raises:
        LedgerError: a note is not one that Mendbay wrote.
    """
    if all(one.bay != bay for one in bench.ledger.bays(case)):
        return None
    measured = begun_sheet(bench, case, bay)
    if measured is None:
        return None
    fitted = board_works_since(bench, case, bay)
    at = {one.number: one.at for one in measured.sheet.records}
    closings = [one for one in measured.standing.closings if at[one.entry] >= fitted]
    if not closings:
        return None
    gates = dict.fromkeys(one.gate.value for one in closings)
    why = dict.fromkeys(f"{_measured_at(measured, one.step)}: {one.why.rstrip('.')}" for one in closings)
    shut = f"{' and '.join(gates)} {'is' if len(gates) == 1 else 'are'} barred"
    return ClosedBoard(
        bay,
        " and ".join(gates),
        f"{shut} by the electrical sheet of its board ({'; '.join(why)}).",
        Gate.DRIVE.value not in gates,
    )


def _measured_at(measured: Measured, step: str) -> str:
    """What was measured at a step, in words: `the suppressor of the 12 V rail`; its id where the form has
    none."""
    found = measured.sheet.form.steps.get(step)
    observation = measured.sheet.form.observations.get(found.observation) if found is not None else None
    return step if observation is None else observation.subject
