"""What must hold before a chip may be written, and the plan that has passed it.

`prepare` is the only way to a `VerifiedPlan`, and the driver writes nothing without one. It looks at
everything and refuses with all its reasons at once, so that a technician can put them right in one go.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import sha256
from types import MappingProxyType
from weakref import WeakSet

from mendbay.board.flash_id import ChipFacts, Supply, size_text
from mendbay.board.sfdp import EraseType
from mendbay.board.transfer_plan import (
    FEWEST_READS,
    Dump,
    Evidence,
    Padding,
    Purpose,
    Role,
    TransferPlan,
    distinct_reads,
    padded,
    planned_steps,
    smallest_unit,
)
from mendbay.core.errors import TransferRefused
from mendbay.core.quantity import counted

_SEAL = object()


@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class VerifiedPlan:
    """A plan that `prepare` has found good; nothing else can make one.

    `patient` and `backup` are the contents themselves, `image` is what the chip will hold.

    Raises:
        TypeError: built by anything but `prepare`.
    """

    plan: TransferPlan
    target: ChipFacts
    patient: bytes = field(repr=False)
    backup: bytes = field(repr=False)
    image: bytes = field(repr=False)
    images: Mapping[Purpose, bytes] = field(repr=False)
    seal: object = field(repr=False)

    def __post_init__(self) -> None:
        if self.seal is not _SEAL:
            raise TypeError("a VerifiedPlan is made by prepare() alone")

    def allows_block(self, offset: int, size_bytes: int) -> bool:
        """Whether a block may be erased: it lies on the chip, is one of its units, and dump and backup differ
        in every smallest unit of it."""
        units = [one for one in self.target.erase_units if one.size_bytes == size_bytes]
        if not units or offset < 0 or offset % size_bytes or offset + size_bytes > len(self.image):
            return False
        step = self._smallest
        return all(self._differs(at, step) for at in range(offset, offset + size_bytes, step))

    def allows_page(self, offset: int, data: bytes) -> bool:
        """Whether these bytes may be programmed there: they are the plan's own, within one page, in a unit
        in which dump and backup differ."""
        page, step = self.target.page_bytes or 0, self._smallest
        if not page or not data or offset < 0 or offset % page + len(data) > page:
            return False
        return self.image[offset : offset + len(data)] == data and self._differs(offset - offset % step, step)

    @property
    def _smallest(self) -> int:
        """The smallest unit that holds whole pages, as the steps are drawn up by."""
        return smallest_unit(self.target)

    def _differs(self, offset: int, size_bytes: int) -> bool:
        place = slice(offset, offset + size_bytes)
        return self.images[Purpose.TRANSFER][place] != self.images[Purpose.RESTORE][place]

    def unit(self, size_bytes: int) -> EraseType:
        """The erase type of a size that `allows_block` has let pass."""
        return next(one for one in self.target.erase_units if one.size_bytes == size_bytes)


_GENUINE: WeakSet[VerifiedPlan] = WeakSet()


def require_verified(plan: object) -> VerifiedPlan:
    """The plan, if `prepare` has made this very object: neither a plan on paper nor a copy passes.

    Raises:
        TransferRefused: it is anything else.
    """
    if not isinstance(plan, VerifiedPlan) or plan not in _GENUINE:
        raise TransferRefused(
            "Nothing may be written: the plan has not been verified",
            "Prepare the plan against its dumps first",
        )
    return plan


def prepare(plan: TransferPlan, evidence: Evidence) -> VerifiedPlan:
    """Holds a plan against its evidence.

    Raises:
        TransferRefused: anything speaks against it; the message lists every reason.
    """
    reasons = refusals(plan, evidence)
    if reasons:
        count = "one reason" if len(reasons) == 1 else f"{len(reasons)} reasons"
        raise TransferRefused(
            f"The transfer is refused for {count}: " + " ".join(reasons),
            "Nothing was written; put right what is named, then prepare the plan again",
        )
    images = images_of(plan, evidence)
    patient, backup = bytes(evidence.patient_reads[0]), images[Purpose.RESTORE]
    made = VerifiedPlan(plan, evidence.target, patient, backup, images[plan.purpose], images, _SEAL)
    _GENUINE.add(made)
    return made


def images_of(plan: TransferPlan, evidence: Evidence) -> Mapping[Purpose, bytes]:
    """What the chip holds after the transfer, and after its backup was put back."""
    image = padded(bytes(evidence.patient_reads[0]), plan.target.size_bytes)
    return MappingProxyType({Purpose.TRANSFER: image, Purpose.RESTORE: bytes(evidence.backup_reads[0])})


def refusals(plan: TransferPlan, evidence: Evidence) -> tuple[str, ...]:
    """Every reason against a plan, as sentences; none if it may be done."""
    found = [
        *_against_reads("patient's dump", plan.patient, evidence.patient_reads),
        *_against_reads("backup", plan.backup, evidence.backup_reads),
        *_against_patient_chip(plan, evidence),
        *_against_target(plan, evidence.target),
        *_against_sizes(plan),
        *_against_voltage(plan, evidence),
        *_against_rules(plan, evidence),
    ]
    if plan.target.role is Role.PATIENT:
        found.append("The chip to be written is the patient's own: nothing is ever written to it.")
    if evidence.patient_reads and evidence.backup_reads:
        found.extend(_against_contents(plan, evidence.patient_reads[0], evidence.backup_reads[0]))
    if plan.verification_reads < FEWEST_READS:
        found.append(
            f"It reads the chip back {plan.verification_reads} times: {FEWEST_READS} are the fewest."
        )
    if not found:
        found.extend(_against_steps(plan, evidence))
    return tuple(found)


def _against_reads(what: str, record: Dump, reads: Sequence[bytes]) -> list[str]:
    distinct = distinct_reads(reads)
    if len(distinct) < FEWEST_READS:
        return [
            f"The {what} is unverified: {counted(len(distinct), 'whole read')} "
            f"{'is' if len(distinct) == 1 else 'are'} there, {FEWEST_READS} are the fewest."
        ]
    found = []
    if any(one != distinct[0] for one in distinct):
        found.append(f"The {what} is unverified: its reads differ.")
    if len(distinct[0]) != record.size_bytes or sha256(distinct[0]).hexdigest() != record.sha256:
        found.append(f"The {what} is not the one the plan names: its SHA-256 or its length differs.")
    return found


def _against_patient_chip(plan: TransferPlan, evidence: Evidence) -> list[str]:
    chip = evidence.patient_chip
    if chip is None:
        return []
    found = [f"Patient's chip: {one}" for one in chip.conflicts]
    for said, size in (("id", chip.id.size_bytes), ("own table", chip.sfdp.size_bytes)):
        if size is not None and size != plan.patient.size_bytes:
            found.append(
                f"The patient's dump has {size_text(plan.patient.size_bytes)}, and the {said} of its chip "
                f"says {size_text(size)}."
            )
    return found


def _against_target(plan: TransferPlan, chip: ChipFacts) -> list[str]:
    found = [f"Chip to be written: {one}" for one in chip.conflicts]
    if chip.id.code.hex() != plan.target.chip_id:
        found.append(f"The chip on the clip is {chip.name}, and the plan names {plan.target.chip_name}.")
    elif chip.sfdp_sha256 != plan.target.sfdp_sha256:
        found.append("The chip on the clip has the id the plan names, but another parameter table.")
    if not chip.id.parity_holds:
        found.append(f"The id {chip.id.text} fails the parity of its maker's code.")
    if chip.size_bytes is None:
        found.append("The size of the chip to be written is not known.")
    elif chip.size_bytes != plan.target.size_bytes:
        found.append(
            f"The chip to be written has {size_text(chip.size_bytes)}, and the plan says "
            f"{size_text(plan.target.size_bytes)}."
        )
    if chip.sfdp.has_sector_map:
        found.append(
            "The chip to be written has regions with erase units of their own, which are not supported."
        )
    elif not chip.erase_units:
        found.append("How the chip to be written is erased is not known.")
    page = chip.page_bytes
    if not page:
        found.append("The page size of the chip to be written is not known.")
    elif page != plan.target.page_bytes:
        found.append(f"The chip's page has {page} bytes, and the plan says {plan.target.page_bytes}.")
    elif chip.erase_units and chip.erase_units[-1].size_bytes < page:
        found.append("The chip's page is larger than any unit it erases, which cannot be.")
    return found


def _against_sizes(plan: TransferPlan) -> list[str]:
    chip, dump = plan.target.size_bytes, plan.patient.size_bytes
    found = []
    if plan.backup.size_bytes != chip:
        found.append(
            f"The backup has {size_text(plan.backup.size_bytes)}, and the chip to be written "
            f"{size_text(chip)}."
        )
    if dump > chip:
        found.append(f"The patient's dump has {size_text(dump)}: more than the chip's {size_text(chip)}.")
    elif dump < chip and plan.padding is Padding.REFUSE:
        found.append(
            f"The patient's dump has {size_text(dump)}, the chip {size_text(chip)}, and the plan allows no "
            "filling."
        )
    return found


def _against_voltage(plan: TransferPlan, evidence: Evidence) -> list[str]:
    volts, chip = plan.target.volts, evidence.target
    found = []
    if not chip.volts_fit(volts):
        known = (
            f"is a part for {chip.supply.value}"
            if chip.supply in (Supply.LOW, Supply.HIGH)
            else "is not for it"
        )
        found.append(f"The plan gives the chip {volts:g} V, and {chip.name} {known}.")
    clear = (Supply.LOW, Supply.HIGH)
    patient = evidence.patient_chip.supply if evidence.patient_chip else Supply.UNKNOWN
    if patient in clear and chip.supply in clear and patient is not chip.supply:
        found.append(
            f"The patient's chip is a part for {patient.value}, the one to be written is one for "
            f"{chip.supply.value}."
        )
    return found


def _against_rules(plan: TransferPlan, evidence: Evidence) -> list[str]:
    if plan.purpose is Purpose.RESTORE:
        return []
    found = []
    if tuple(plan.failed_rules) != tuple(evidence.failed_rules):
        new = "; ".join(one.rstrip(".") for one in evidence.failed_rules if one not in plan.failed_rules)
        also = f", and its reason is not for: {new}" if new and plan.override_reason.strip() else ""
        also = also or (f"; it also fails: {new}" if new else "")
        found.append(f"What speaks against the transfer is not what the plan names{also}.")
    if evidence.failed_rules and not plan.override_reason.strip():
        failed = "; ".join(one.rstrip(".") for one in evidence.failed_rules)
        found.append(
            f"Something speaks against the transfer, and no reason is given to do it all the same: {failed}."
        )
    return found


def _against_contents(plan: TransferPlan, patient: bytes, backup: bytes) -> list[str]:
    found = []
    if patient and patient.count(patient[0]) == len(patient):
        found.append(f"The patient's dump is nothing but {patient[0]:02X}: it was not really read.")
    if patient and backup.startswith(patient):
        found.append(
            "The chip to be written already holds the patient's data: it may be the patient's own chip, or "
            "nothing is left to do."
        )
    return found


def _against_steps(plan: TransferPlan, evidence: Evidence) -> list[str]:
    steps = planned_steps(plan.purpose, evidence)
    return [] if steps == plan.steps else ["The blocks the plan lists are not those that differ."]
