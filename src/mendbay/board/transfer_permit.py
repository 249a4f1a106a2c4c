"""The last look before a chip is written, and the permit that the driver asks for.

A verified plan says what may be written; a permit says that the chip on this clip, as it was read just now,
is the one. A chip that may be the patient's own never gets one, whatever anybody says it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from weakref import WeakSet

import numpy as np

from mendbay.board.transfer_check import VerifiedPlan, require_verified
from mendbay.board.transfer_journal import JournalState
from mendbay.board.transfer_plan import Bytes, Mask, Purpose, Role, as_array
from mendbay.core.errors import ProgrammerError, TransferRefused

VOLTS_WITHIN = 0.1
MOST_WITNESSES = 64

_SEAL = object()


@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class WritePermit:
    """Leave to write one verified plan over one bus; made by `permit_writing` alone.

    `current` is the chip's content as it was just read. `witnesses` are places at which it differs from the
    patient's dump, and will after the write wherever that is possible.

    Raises:
        TypeError: built by anything but `permit_writing`.
    """

    plan: VerifiedPlan
    bus: object = field(repr=False)
    current: Bytes = field(repr=False)
    witnesses: tuple[int, ...] = field(repr=False)
    seal: object = field(repr=False)

    def __post_init__(self) -> None:
        if self.seal is not _SEAL:
            raise TypeError("a WritePermit is made by permit_writing() alone")


_GENUINE: WeakSet[WritePermit] = WeakSet()


def require_permit(permit: object, bus: object) -> WritePermit:
    """The permit, if it was made for this bus.

    Raises:
        TransferRefused: it is anything else.
    """
    if not isinstance(permit, WritePermit) or permit not in _GENUINE or permit.bus is not bus:
        raise TransferRefused(
            "Nothing may be written: there is no permit for the chip on this clip",
            "Start the transfer from its verified plan",
        )
    return permit


def permit_writing(
    plan: VerifiedPlan,
    bus: object,
    *,
    role: Role,
    volts: float | None,
    reads: Sequence[Bytes],
    state: JournalState,
) -> WritePermit | None:
    """Looks at the chip on the clip as it was just read.

    Args:
        role: what the person says now that the chip is.
        volts: the supply it has; None if nobody has confirmed one.
        reads: two whole reads of it.
        state: what the journal says it holds.

    Returns:
        The permit; or None for a chip that may be the patient's and holds what the plan wants: it may
        only be read, and nothing is left to do.

    Raises:
        TransferRefused: it is not the plan's chip, or may be the patient's.
        ProgrammerError: the reads differ where the content is known.
    """
    require_verified(plan)
    check_person_and_supply(plan, role, volts)
    first, second = reads
    _check_content(state, first, second)
    if _may_be_patient(plan, first, second):
        wanted = as_array(plan.image)
        if np.array_equal(first, wanted) or np.array_equal(second, wanted):
            return None
        raise TransferRefused(
            "The chip on the clip holds the patient's data and may be the patient's own",
            "Nothing was written; a chip that may be the patient's is never overwritten",
        )
    permit = WritePermit(plan, bus, first, _witnesses(plan, first, second), _SEAL)
    _GENUINE.add(permit)
    return permit


def check_person_and_supply(plan: VerifiedPlan, role: Role, volts: float | None) -> None:
    """What a person says of the chip.

    Raises:
        TransferRefused: it is said to be the patient's, or its supply is not the plan's.
    """
    if role is Role.PATIENT:
        raise TransferRefused(
            "The chip on the clip is said to be the patient's: nothing is ever written to it",
            "Put the chip to be written on the clip",
        )
    planned = plan.plan.target.volts
    if volts is None or abs(volts - planned) > VOLTS_WITHIN:
        found = "has no confirmed supply" if volts is None else f"has {volts:g} V"
        raise TransferRefused(
            f"The chip {found}, and the plan gives it {planned:g} V", "Set the supply the plan names"
        )


def _check_content(state: JournalState, first: Bytes, second: Bytes) -> None:
    known = ~state.unknown
    if not np.array_equal(first[known], second[known]):
        raise ProgrammerError(
            "Two reads of the chip differ before anything was written",
            "Press the clip on anew and shorten its wires or lower the clock, then start again",
        )
    wrong = np.flatnonzero((first != state.content) & known)
    if wrong.size:
        what = "what the journal says of it" if state.touched else "the backup"
        raise TransferRefused(
            f"The chip on the clip does not hold {what}: {wrong.size} bytes differ, the first at "
            f"{int(wrong[0]):X}h",
            "Nothing was written; put the right chip on the clip, or make a new backup and a new plan",
        )


def _may_be_patient(plan: VerifiedPlan, first: Bytes, second: Bytes) -> bool:
    """Whether no byte differs from the patient's dump in both reads alike.

    Near the end of a transfer the chip differs from the patient's only in the block that was cut off, so
    the journal alone would not tell them apart; and noise on the clip must not make the patient's chip look
    like another.
    """
    return not _stable_difference(plan, first, second).any()


def _stable_difference(plan: VerifiedPlan, first: Bytes, second: Bytes) -> Mask:
    patient = as_array(plan.patient)
    one, other = first[: len(patient)], second[: len(patient)]
    differs: Mask = (one == other) & (one != patient)
    return differs


def _witnesses(plan: VerifiedPlan, first: Bytes, second: Bytes) -> tuple[int, ...]:
    differs = _stable_difference(plan, first, second)
    patient = as_array(plan.patient)
    lasting = differs & (as_array(plan.images[Purpose.RESTORE])[: len(patient)] != patient)
    found = np.flatnonzero(lasting if lasting.any() else differs)
    chosen = found[np.linspace(0, len(found) - 1, min(MOST_WITNESSES, len(found))).astype(np.int64)]
    return tuple(int(one) for one in chosen)
