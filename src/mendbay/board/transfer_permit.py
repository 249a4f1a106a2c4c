"""The last look before a chip is written, and the permit that the driver asks for.

A verified plan says what may be written; a permit says that the chip on this clip, as it was read just now,
is the one. A chip that may be the patient's own never gets one, whatever anybody says it is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from weakref import WeakSet

import numpy as np

from mendbay.board.flash_id import ChipFacts
from mendbay.board.transfer_check import VerifiedPlan, require_verified
from mendbay.board.transfer_journal import JournalState
from mendbay.board.transfer_plan import BLANK, Bytes, Mask, Purpose, Role, as_array, smallest_unit
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
    same_chip: bool = False,
) -> WritePermit | None:
    """Looks at the chip on the clip as it was just read.

    Args:
        role: what the person says now that the chip is.
        volts: the supply it has; None if nobody has confirmed one.
        reads: two whole reads of it; more of them tell cells that are not settled from others.
        state: what the journal says it holds.
        same_chip: a person says that this is the chip whose transfer was cut off, whatever its open blocks
            hold.

    Returns:
        The permit; or None for a chip that may be the patient's and holds what the plan wants: it may
        only be read, and nothing is left to do.

    Raises:
        TransferRefused: it is not the plan's chip, or may be the patient's.
        ProgrammerError: the reads differ where the content is known.
    """
    require_verified(plan)
    check_person_and_supply(plan, role, volts)
    first, second, *_ = reads
    _check_content(plan, state, first, second)
    if state.cut_off and not same_chip:
        _check_open_blocks(plan, state, reads)
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


def _check_content(plan: VerifiedPlan, state: JournalState, first: Bytes, second: Bytes) -> None:
    known = ~state.unknown
    if not np.array_equal(first[known], second[known]):
        raise ProgrammerError(
            "Two reads of the chip differ before anything was written",
            "Press the clip on anew and shorten its wires or lower the clock, then start again",
        )
    wrong = np.flatnonzero((first != state.content) & known)
    if wrong.size:
        if _may_be_patient(plan, first, second):
            raise TransferRefused(
                "The chip on the clip reads as the patient's own, byte for byte",
                "Nothing was written. Put the patient's board away, marked as the only copy, and the "
                f"{plan.plan.target.role.chip} on the clip",
            )
        what = "what the journal says of it" if state.touched else "the backup"
        raise TransferRefused(
            f"The chip on the clip does not hold {what}: {wrong.size} bytes differ, the first at "
            f"{int(wrong[0]):X}h",
            "Nothing was written; put the right chip on the clip, or make a new backup and a new plan",
        )


def _check_open_blocks(plan: VerifiedPlan, state: JournalState, reads: Sequence[Bytes]) -> None:
    """What stands in a block that was cut off must be on the way from one of the two contents to the other:
    erasing only sets bits, and programming only clears them. Another chip of the same type, of which all
    else is code that drives share, would be told apart by nothing but this."""
    start = _foreign_block(state, reads, plan.images, plan.target)
    if start is not None:
        raise TransferRefused(
            f"The block at {start:X}h was cut off, and what it holds is neither of the two contents "
            "half written: it may be another chip",
            "Nothing was written. Put the chip that was cut off on the clip. If this is it for certain, "
            "say so with --same-chip; what it holds now is kept first",
        )


def _foreign_block(
    state: JournalState, reads: Sequence[Bytes], images: Mapping[Purpose, bytes], facts: ChipFacts
) -> int | None:
    """Where the first open block begins that is neither content half written."""
    unit = smallest_unit(facts)
    for start in (np.flatnonzero(state.unknown.reshape(-1, unit).any(1)) * unit).tolist():
        place = slice(start, start + unit)
        contents = [as_array(one)[place] for one in images.values()]
        if not on_the_way([one[place] for one in reads], contents):
            return int(start)
    return None


def may_be_left_by(
    state: JournalState, content: bytes, images: Mapping[Purpose, bytes], facts: ChipFacts
) -> bool:
    """Whether a content may be what a transfer that was broken off left on its chip. A blank chip is not
    asked about: it holds nothing to be taken for something else."""
    found = as_array(content)
    if found.size != state.content.size or bool((found == BLANK).all()):
        return False
    known = ~state.unknown
    if not np.array_equal(found[known], state.content[known]):
        return False
    return _foreign_block(state, [found], images, facts) is None


def on_the_way(reads: Sequence[Bytes], contents: Sequence[Bytes]) -> bool:
    """Whether a block may be one of these contents half erased or half programmed: wherever its reads agree,
    it has all bits that one of them has."""
    found = reads[0]
    steady = np.logical_and.reduce([one == found for one in reads])
    return any(bool(((found & one) == one)[steady].all()) for one in contents)


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
