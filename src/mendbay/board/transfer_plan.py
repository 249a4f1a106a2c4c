"""The transfer of a ROM's content to another chip, written out as an object before anything is done.

A plan names what is written, the verified backup of what is overwritten, the chip, its supply, and every
block that will change. It can be stored as JSON; a plan that was loaded proves nothing until
`transfer_check.prepare` has held it against the dumps themselves. The reverse way, putting the backup
back, is the same plan with the purpose `restore`.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from hashlib import sha256

import numpy as np
import numpy.typing as npt

from mendbay.board.flash_id import ChipFacts
from mendbay.core.errors import UsageError
from mendbay.core.sealed import canonical, count, record, rows, text

FORMAT = "transfer plan 1"
BLANK = 0xFF
"""What an erased byte reads."""
FEWEST_READS = 2
TEXT_LIMIT_BYTES = 16 << 20
"""Longest JSON text that is taken: a chip of 256 MiB with every block of 4 KiB listed fits."""

Bytes = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]


class Role(StrEnum):
    """What a person says the chip on the clip is."""

    PATIENT = "patient"
    """It holds the only copy: nothing is ever written to it."""
    DONOR = "donor"
    NEW = "new"
    """A chip bought for the purpose."""

    @property
    def chip(self) -> str:
        """The chip as a sentence calls it, without its article: `donor's chip`, `new chip`."""
        return "new chip" if self is Role.NEW else f"{self.value}'s chip"


class Purpose(StrEnum):
    """Which way a plan goes."""

    TRANSFER = "transfer"
    RESTORE = "restore"


class Padding(StrEnum):
    """What to do if the dump is shorter than the chip."""

    FILL = "fill with FF"
    REFUSE = "refuse"


@dataclass(frozen=True, slots=True)
class Dump:
    """A chip's whole content as it was read. `reads` is how many reads agreed; `chip_id` is the id of the
    chip it was read from as hexadecimal digits, empty if not known."""

    name: str
    sha256: str
    size_bytes: int
    reads: int
    chip_id: str


@dataclass(frozen=True, slots=True)
class Target:
    """The chip to be written. `sfdp_sha256` is empty for a chip without a table."""

    chip_id: str
    chip_name: str
    sfdp_sha256: str
    size_bytes: int
    page_bytes: int
    volts: float
    role: Role


@dataclass(frozen=True, slots=True)
class Evidence:
    """What a plan is held against: the dumps themselves, and the chip as it answers now.

    Args:
        patient_reads: every whole read of the patient's chip, as bytes.
        backup_reads: every whole read of the target chip's present content.
        target: what the chip on the clip is, just identified.
        patient_chip: what the patient's chip is, if it was identified when it was read.
        failed_rules: the rules of the dump's family it fails now, as sentences.
    """

    patient_reads: Sequence[bytes]
    backup_reads: Sequence[bytes]
    target: ChipFacts
    patient_chip: ChipFacts | None = None
    failed_rules: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class BlockStep:
    """One block that changes: erased first if `erase`, then `pages` of its pages are programmed."""

    offset: int
    size_bytes: int
    erase: bool
    pages: int


@dataclass(frozen=True, slots=True)
class TransferPlan:
    """A transfer. `override_reason` says why a dump is used although rules of its family failed
    (`failed_rules`); it goes into the custody log. `steps` are in the order they are done."""

    purpose: Purpose
    patient: Dump
    backup: Dump
    target: Target
    padding: Padding
    steps: tuple[BlockStep, ...]
    verification_reads: int
    failed_rules: tuple[str, ...]
    override_reason: str
    made_at: str
    family: str = ""

    @property
    def job(self) -> str:
        """What a journal belongs to: SHA-256 over the dumps, the backup's name, the chip, its size and the
        padding; the same for a transfer and its restoring. The name tells two blank chips apart."""
        parts = (
            FORMAT,
            self.patient.sha256,
            self.backup.sha256,
            self.backup.name,
            self.target.chip_id,
            str(self.target.size_bytes),
            self.padding.value,
        )
        return sha256("\n".join(parts).encode()).hexdigest()

    @property
    def digest(self) -> str:
        """SHA-256 of `to_json`: every word of the plan."""
        return sha256(self.to_json().encode()).hexdigest()

    def to_json(self) -> str:
        """The plan as one line of JSON with sorted keys. Steps are `[offset, bytes, erase, pages]`."""
        body = asdict(self)
        body["steps"] = [[one.offset, one.size_bytes, one.erase, one.pages] for one in self.steps]
        return canonical({"format": FORMAT, **body})

    @classmethod
    def from_json(cls, sealed: str) -> TransferPlan:
        """Reads what `to_json` writes. What comes back is a plan on paper: nothing of it is verified.

        Raises:
            UsageError: not such a text, or a field is missing, unknown or of the wrong kind.
        """
        if len(sealed) > TEXT_LIMIT_BYTES:
            raise UsageError(
                "The transfer plan is too long to be one", "Give the file the plan was stored in"
            )
        try:
            body = record(json.loads(sealed), (*cls.__dataclass_fields__, "format"))
            if body["format"] != FORMAT:
                raise ValueError("it is of another format")
            return cls(
                purpose=Purpose(text(body["purpose"])),
                patient=_dump_of(body["patient"]),
                backup=_dump_of(body["backup"]),
                target=_target(body["target"]),
                padding=Padding(text(body["padding"])),
                steps=tuple(_step(row) for row in rows(body["steps"])),
                verification_reads=count(body["verification_reads"]),
                failed_rules=tuple(text(one) for one in rows(body["failed_rules"])),
                override_reason=text(body["override_reason"]),
                made_at=text(body["made_at"]),
                family=text(body["family"]),
            )
        except (ValueError, KeyError, RecursionError) as trouble:
            raise UsageError(
                f"The transfer plan cannot be read: {trouble or type(trouble).__name__}",
                "Draw the plan up again from its dumps",
            ) from None


def draw_up(
    evidence: Evidence,
    *,
    patient_name: str,
    backup_name: str,
    volts: float,
    role: Role,
    made_at: str,
    padding: Padding = Padding.REFUSE,
    override_reason: str = "",
    verification_reads: int = FEWEST_READS,
    family: str = "",
) -> TransferPlan:
    """Draws a plan up for what is at hand. It is always made, also one that `prepare` will refuse with its
    reasons; then it may have no steps.

    Args:
        patient_name: what the patient's dump is called in the case's folder; `backup_name` likewise.
        volts: the supply the chip will be given.
        role: what the person says the chip on the clip is.
        made_at: UTC, ISO 8601.
        override_reason: why the dump is used although rules of its family failed.
        family: the learned family whose rules it was held against; empty if none were.
    """
    facts, patient_chip = evidence.target, evidence.patient_chip
    chip = Target(
        chip_id=facts.id.code.hex(),
        chip_name=facts.name,
        sfdp_sha256=facts.sfdp_sha256,
        size_bytes=facts.size_bytes or 0,
        page_bytes=facts.page_bytes or 0,
        volts=volts,
        role=role,
    )
    patient_id = patient_chip.id.code.hex() if patient_chip else ""
    return TransferPlan(
        purpose=Purpose.TRANSFER,
        patient=_dump(patient_name, evidence.patient_reads, patient_id),
        backup=_dump(backup_name, evidence.backup_reads, chip.chip_id),
        target=chip,
        padding=padding,
        steps=planned_steps(Purpose.TRANSFER, evidence),
        verification_reads=verification_reads,
        failed_rules=tuple(evidence.failed_rules),
        override_reason=override_reason,
        made_at=made_at,
        family=family,
    )


def restoring(plan: TransferPlan, evidence: Evidence, made_at: str) -> TransferPlan:
    """The plan that puts the backup back after `plan` was cut off. It goes on in the same journal, and what
    speaks against the patient's dump does not concern it."""
    steps = planned_steps(Purpose.RESTORE, evidence)
    return replace(
        plan,
        purpose=Purpose.RESTORE,
        steps=steps,
        made_at=made_at,
        failed_rules=(),
        override_reason="",
        family="",
    )


def distinct_reads(reads: Sequence[bytes]) -> list[bytes]:
    """The reads without repetitions: one object given twice is one read."""
    return list({id(one): one for one in reads}.values())


def _dump(name: str, reads: Sequence[bytes], chip_id: str) -> Dump:
    distinct = distinct_reads(reads)
    first = distinct[0] if distinct else b""
    agreeing = sum(one == first for one in distinct)
    return Dump(name, sha256(first).hexdigest(), len(first), agreeing, chip_id)


def padded(content: bytes, size_bytes: int) -> bytes:
    """The content with FF behind it up to a size; unchanged if it is as long or longer."""
    return content.ljust(size_bytes, bytes([BLANK]))


def planned_steps(purpose: Purpose, evidence: Evidence) -> tuple[BlockStep, ...]:
    """The blocks that change, from the dumps alone; empty if sizes or units do not allow any plan."""
    facts = evidence.target
    size, page = facts.size_bytes or 0, facts.page_bytes or 0
    patient, backup = (next(iter(reads), b"") for reads in (evidence.patient_reads, evidence.backup_reads))
    units = facts.erase_units
    if (
        len(backup) != size
        or not 0 < len(patient) <= size
        or not units
        or not 0 < page <= units[-1].size_bytes
    ):
        return ()
    image = padded(patient, size)
    before, after = (backup, image) if purpose is Purpose.TRANSFER else (image, backup)
    return needed_steps(as_array(before), as_array(after), facts, last_bytes=len(patient))


def needed_steps(
    before: Bytes, after: Bytes, facts: ChipFacts, *, last_bytes: int, again: Mask | None = None
) -> tuple[BlockStep, ...]:
    """The blocks to change so that `before` becomes `after`, in the order to do them.

    A block is erased if one of its pages must change and is not blank: a page that holds something is
    never programmed over. Pages that already hold their bytes are left alone unless their block is
    erased. Where whole larger units are to be erased, the larger unit is.

    Args:
        last_bytes: blocks that begin below this are done last: the chip then equals the patient's in that
            part only when nothing is left to do.
        again: bytes of steps that were cut off: their blocks are erased however they read, since half
            erased cells can read as blank and change later.
    """
    page, units = facts.page_bytes or 0, facts.erase_units
    unit = smallest_unit(facts)
    changed = (before != after).reshape(-1, page).any(axis=1)
    blank = (before == BLANK).reshape(-1, page).all(axis=1)
    wanted = (after != BLANK).reshape(-1, page).any(axis=1)
    per = unit // page
    erase = (changed & ~blank).reshape(-1, per).any(axis=1)
    if again is not None:
        erase |= again.reshape(-1, unit).any(axis=1)
    touched = erase | changed.reshape(-1, per).any(axis=1)
    steps: list[BlockStep] = []
    left = touched.copy()
    for size in sorted({one.size_bytes for one in units if one.size_bytes >= unit}, reverse=True):
        group = size // unit
        whole = (erase & left).reshape(-1, group).all(axis=1)
        for number in np.flatnonzero(whole):
            pages = wanted[number * group * per : (number + 1) * group * per]
            steps.append(BlockStep(int(number) * size, size, True, int(pages.sum())))
            left[number * group : (number + 1) * group] = False
    for number in np.flatnonzero(left):
        pages = changed[number * per : (number + 1) * per]
        steps.append(BlockStep(int(number) * unit, unit, False, int(pages.sum())))
    return tuple(sorted(steps, key=lambda one: (one.offset < last_bytes, one.offset)))


def smallest_unit(facts: ChipFacts) -> int:
    """The bytes of the smallest unit that can be erased and holds whole pages; there must be one."""
    page = facts.page_bytes or 1
    return next(one.size_bytes for one in facts.erase_units if one.size_bytes >= page)


def as_array(content: bytes) -> Bytes:
    """The bytes as an array of uint8, read-only."""
    return np.frombuffer(content, np.uint8)


def _dump_of(body: object) -> Dump:
    found = record(body, Dump.__dataclass_fields__)
    return Dump(
        name=text(found["name"]),
        sha256=text(found["sha256"]),
        size_bytes=count(found["size_bytes"]),
        reads=count(found["reads"]),
        chip_id=text(found["chip_id"]),
    )


def _target(body: object) -> Target:
    found = record(body, Target.__dataclass_fields__)
    volts = found["volts"]
    if isinstance(volts, bool) or not isinstance(volts, int | float):
        raise ValueError("the supply is no number")
    return Target(
        chip_id=text(found["chip_id"]),
        chip_name=text(found["chip_name"]),
        sfdp_sha256=text(found["sfdp_sha256"]),
        size_bytes=count(found["size_bytes"]),
        page_bytes=count(found["page_bytes"]),
        volts=float(volts),
        role=Role(text(found["role"])),
    )


def _step(row: object) -> BlockStep:
    if not isinstance(row, list) or len(row) != 4 or not isinstance(row[2], bool):
        raise ValueError("a step is not a list of four")
    return BlockStep(count(row[0]), count(row[1]), row[2], count(row[3]))
