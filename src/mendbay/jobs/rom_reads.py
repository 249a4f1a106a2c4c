"""Reads of ROM chips: taken from a programmer or from files, kept unchanged with the case, and found again.

Reads belong to a sitting: everything read in one go, the clip untouched. The newest sitting counts; what an
earlier one gave stays, but a clip that was pressed on anew begins a new one.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path

from mendbay.board.flash_bus import FlashBus, read_sfdp
from mendbay.board.flash_id import ChipFacts, FlashId, chip_facts
from mendbay.board.rom_dump import SMALLEST
from mendbay.board.rom_vote import MOST_READS
from mendbay.board.serial_flash import ReadProgress, SerialFlash
from mendbay.board.transfer_journal import outcome
from mendbay.board.transfer_plan import Role, TransferPlan
from mendbay.core.errors import DumpUnproven, LedgerError, ProgrammerError, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.core.quantity import count_text, counted
from mendbay.jobs.bench import Bench
from mendbay.jobs.board_ports import Journals
from mendbay.jobs.clip import Clip
from mendbay.jobs.events import StepProgress
from mendbay.jobs.own_names import own_name, some_names
from mendbay.jobs.ports import KeptFile
from mendbay.jobs.practice import CHIP, note_practice
from mendbay.jobs.remembered import remembered
from mendbay.jobs.withdraw import reason_of, require_reason, subject_of, withdraw

DUMP_LIMIT_BYTES = 64 << 20
"""No board carries a larger serial flash for its ROM."""
NAMELESS = "a file without a name"
_PLAIN_TEXT = bytes([*range(0x20, 0x7F), *b"\t\n\f\r"])
READS = 3
"""Two reads find a fault; of three that differ, most show where."""


@dataclass(frozen=True, slots=True)
class RomRead:
    """One read of a chip as the case keeps it.

    Args:
        file: where it lies, with its digest.
        role: whose chip it was.
        sitting: number of the sitting, from 1 for each bay and role.
        at: when it was kept.
        origin: the adapter, or the own name of the file it was made from, as `own_name` gives it.
        chip_id: the chip's id as hexadecimal digits; empty if not known.
        sfdp: the chip's own table as hexadecimal digits; empty if it has none or it was not read.
        volts: the supply it had; 0 if not known.
        withdrawn: why its sitting counts no longer; empty while it does.
    """

    file: KeptFile
    role: Role
    sitting: int
    at: str
    origin: str
    chip_id: str = ""
    sfdp: str = ""
    volts: float = 0.0
    withdrawn: str = ""

    @property
    def by_mendbay(self) -> bool:
        """Whether Mendbay read the chip itself, so that its supply is known; else it is a file."""
        return self.volts > 0

    def chip(self) -> ChipFacts | None:
        """What the chip says it is, if it was asked."""
        if not self.chip_id:
            return None
        return chip_facts(FlashId.parse(bytes.fromhex(self.chip_id)), bytes.fromhex(self.sfdp))


_CHIPS = {Role.PATIENT: "patient's chip", Role.DONOR: "donor's chip", Role.NEW: "new chip"}


def whose(role: Role) -> str:
    """A chip's owner at the beginning of a sentence: `The donor's`, `The new chip's`."""
    return "The new chip's" if role is Role.NEW else f"The {role.value}'s"


def rom_reads(
    bench: Bench, case: int, bay: str, role: Role | None = None, *, also_withdrawn: bool = False
) -> tuple[RomRead, ...]:
    """The reads kept for a bay, oldest first; those of withdrawn sittings only if asked for.

    Raises:
        NoSuchCase: there is no such case or bay.
    """
    bench.ledger.bay(case, bay)
    gone = {note.subject: note for note in bench.notes.of(NoteKind.WITHDRAWAL, case, bay)}
    found = []
    for note in bench.notes.of(NoteKind.DUMP, case, bay):
        withdrawal = gone.get(subject_of(note))
        reason = reason_of(withdrawal) if withdrawal else ""
        found.append(replace(_read_of(note), withdrawn=reason))
    return tuple(one for one in found if role in (None, one.role) and (also_withdrawn or not one.withdrawn))


def reads_of_shop(bench: Bench) -> Iterator[tuple[int, str, RomRead]]:
    """Every read the ledger knows, of any case, the oldest first, also those of withdrawn sittings; each with
    its case and bay."""
    gone = {note.subject: note for note in bench.notes.of(NoteKind.WITHDRAWAL)}
    for note in bench.notes.of(NoteKind.DUMP):
        withdrawal = gone.get(subject_of(note))
        reason = reason_of(withdrawal) if withdrawal else ""
        yield note.case, note.bay, replace(_read_of(note), withdrawn=reason)


def newest_sitting(bench: Bench, case: int, bay: str, role: Role) -> tuple[RomRead, ...]:
    """The reads of the last sitting of a role; none if it was never read."""
    found = rom_reads(bench, case, bay, role)
    return tuple(one for one in found if one.sitting == found[-1].sitting)


def contents(bench: Bench, case: int, reads: Sequence[RomRead]) -> list[bytes]:
    """The bytes of reads, each proven by its digest.

    Raises:
        SourceChanged: a file is gone or changed.
    """
    of = remembered(bench, case)
    return [bench.files.take(of, one.file) for one in reads]


def keep_files(
    bench: Bench, case: int, bay: str, role: Role, files: Sequence[Path], chip_id: str = ""
) -> tuple[RomRead, ...]:
    """Takes over files that any programmer made, as one sitting.

    Args:
        chip_id: the chip's id if the programmer showed it, as hexadecimal digits.

    Raises:
        UsageError: no files, a file named twice, too large, or certainly no dump; or the id is none.
        DestinationError: they cannot be kept.
    """
    if chip_id:
        _checked_id(chip_id)
    if len({_same(path) for path in files}) < len(files):
        raise _named_twice()
    dumps = [(str(path), bench.files.fetch(path, DUMP_LIMIT_BYTES)) for path in files]
    return keep_dumps(bench, case, bay, role, dumps, chip_id)


def keep_dumps(
    bench: Bench, case: int, bay: str, role: Role, dumps: Sequence[tuple[str, bytes]], chip_id: str = ""
) -> tuple[RomRead, ...]:
    """The same with what the files hold.

    Args:
        dumps: the name or path of each file, and its bytes.

    Raises:
        UsageError: no files, a name given twice, too large, or certainly no dump; or the id is none.
        DestinationError: they cannot be kept.
    """
    if chip_id:
        chip_id = _checked_id(chip_id)
    if not dumps:
        raise UsageError("No dump was named.", "Name the files your programmer made, at least two.")
    if len({name for name, _ in dumps}) < len(dumps):
        raise _named_twice()
    for name, data in dumps:
        _require_dump(name, data)
    reads = [
        (_file_name(Path(name), number), data, own_name(name) or NAMELESS)
        for number, (name, data) in enumerate(dumps, 1)
    ]
    return _keep(bench, case, bay, role, reads, _Chip(chip_id))


def _named_twice() -> UsageError:
    return UsageError(
        "One file is named twice.", "Read the chip again for another read; a copy proves nothing."
    )


def _require_dump(path: str, data: bytes) -> None:
    """
    Raises:
        UsageError: what the file holds is certainly no dump of a chip.
    """
    if not data:
        raise UsageError(f"{path} is empty.", "Read the chip again.")
    if len(data) > DUMP_LIMIT_BYTES:
        raise UsageError(
            f"{path} has {counted(len(data), 'byte')}; no board carries a ROM that large.",
            "Name the file that your programmer wrote of the chip. Nothing was kept.",
        )
    if not data.translate(None, _PLAIN_TEXT):
        raise UsageError(
            f"{path} is plain text and no dump of a chip.",
            "Have your programmer write raw bytes (a binary file) and name that. Nothing was kept.",
        )
    if len(data) < SMALLEST:
        raise UsageError(
            f"{path} has {counted(len(data), 'byte')}; no ROM chip holds less than {SMALLEST}.",
            "Name the file that your programmer wrote of the whole chip. Nothing was kept.",
        )


def doubts_of_sizes(reads: Sequence[RomRead]) -> tuple[str, ...]:
    """What is odd about the sizes of reads, as sentences: no chip has them, or not the one its id names."""
    said = []
    for one in reads:
        size, chip = one.file.size_bytes, one.chip()
        name = one.file.path.rpartition("/")[2]
        if chip is not None and chip.id.size_bytes not in (None, size):
            said.append(f"{name} has {count_text(size)} bytes, its chip by its id {chip.id.size_bytes}.")
        elif size & (size - 1):
            said.append(
                f"{name} has {count_text(size)} bytes: chips hold a power of two, so it is cut off, holds "
                "more than the chip, or is no dump."
            )
    return tuple(said)


def withdraw_sitting(
    bench: Bench, journals: Journals, case: int, bay: str, role: Role, sitting: int, reason: str
) -> tuple[RomRead, ...]:
    """Takes back that a sitting of reads is of this chip. Files and record stay; a plan that rests on it is
    refused from then on.

    Returns:
        The reads that count no longer.

    Raises:
        NoSuchCase: there is no such case or bay.
        UsageError: there is no such sitting, no reason is given, or a transfer that rests on it was begun and
            is not finished: going on with it, and undoing it, take these reads.
    """
    require_reason(reason)
    standing = rom_reads(bench, case, bay, role)
    gone = [one for one in standing if one.sitting == sitting]
    if not gone:
        known = ", ".join(dict.fromkeys(str(one.sitting) for one in standing)) or "none"
        raise UsageError(
            f"{whose(role)} ROM (bay {bay}) has no sitting {sitting} that counts.", f"It has: {known}."
        )
    paths = {one.file.path for one in gone}
    _refuse_needed(bench, journals, case, bay, paths)
    notes = [note for note in bench.notes.of(NoteKind.DUMP, case, bay) if note.subject in paths]
    with bench.shelf.together():
        withdraw(bench, map(subject_of, notes), case, bay, reason)
        what = f"bay {bay}, {role.value}, sitting {sitting}, {counted(len(gone), 'read', plain=True)}"
        bench.custody(case, "reads of a ROM withdrawn", f"{what}: {reason.strip()}")
        bench.note(case, "rom", f"Reads of a ROM withdrawn, {what}: {reason.strip()}")
    return tuple(replace(one, withdrawn=reason.strip()) for one in gone)


def unfinished_plans(bench: Bench, journals: Journals, case: int, bay: str) -> Iterator[TransferPlan]:
    """The plans of a bay whose chip holds parts of both contents, each once: a block was begun and the chip
    not read back right since. Also those that were given up."""
    plans = [TransferPlan.from_json(note.body) for note in bench.notes.of(NoteKind.PLAN, case, bay)]
    for plan in {one.job: one for one in plans}.values():
        if outcome(journals.lines(bench.ledger.case(case), plan.job)).unfinished:
            yield plan


def read_under_both(bench: Bench, case: int, bay: str, role: Role) -> str:
    """That the newest reads of a chip hold the same as those of the patient's, or of the chip that is to take
    its place, as a sentence: one chip was read under both names. Empty if not, or once a transfer is
    certified, after which it is so.

    Raises:
        NoSuchCase: there is no such case or bay.
    """
    own = {one.file.sha256 for one in newest_sitting(bench, case, bay, role)}
    if not own or bench.notes.of(NoteKind.CERTIFICATE, case, bay):
        return ""
    for other in (Role.DONOR, Role.NEW) if role is Role.PATIENT else (Role.PATIENT,):
        if own & {one.file.sha256 for one in newest_sitting(bench, case, bay, other)}:
            return (
                f"{whose(role)} reads hold the very same as those of the {_CHIPS[other]}: one chip seems to "
                "have been read under both names."
            )
    return ""


def _refuse_needed(bench: Bench, journals: Journals, case: int, bay: str, paths: set[str]) -> None:
    for plan in unfinished_plans(bench, journals, case, bay):
        if {plan.patient.name, plan.backup.name} & paths:
            raise UsageError(
                f"A transfer that rests on these reads was begun and is not finished (bay {bay}): its chip "
                "holds parts of both, and nothing else says what they are.",
                f"mendbay rom steps {case} {bay} shows how far it is.",
            )


def _same(path: Path) -> object:
    """What two names of one file share, hard links too."""
    try:
        found = path.stat()
    except (OSError, ValueError):
        return path
    return found.st_dev, found.st_ino


def _file_name(path: Path, number: int) -> str:
    """A name that tells two files of the same name apart and fits every file system."""
    plain = re.sub(r"[^A-Za-z0-9._ -]", "_", path.name).strip(". ")[-80:] or "dump.bin"
    return f"{number} {plain}"


def read_chip(
    bench: Bench,
    clip: Clip,
    case: int,
    bay: str,
    role: Role,
    times: int = READS,
) -> tuple[tuple[RomRead, ...], ChipFacts]:
    """Reads a chip through an adapter, several times, as one sitting.

    Args:
        times: how many whole reads.

    Returns:
        The reads, and what the chip says it is.

    Raises:
        ProgrammerError: no adapter, no chip, a question not confirmed, or an id that is not steady.
        UsageError: fewer than two reads, or more than can be judged together.
        DumpUnproven: the size of the chip is not known.
    """
    if not 2 <= times <= MOST_READS:
        raise UsageError(
            f"A chip cannot be read {counted(times, 'time')} in one sitting.",
            f"Read it 2 to {MOST_READS} times; {READS} is usual.",
        )
    bench.ledger.bay(case, bay)
    with clip.identified() as (bus, facts):
        table = _own_table(bus, facts)
        flash = SerialFlash(bus, facts, clock=bench.clock)
        chip = _Chip(facts.id.code.hex(), table.hex(), bus.volts or 0.0)
        sitting = _next_sitting(bench, case, bay, role)
        if clip.is_simulated:
            note_practice(bench, case, bay, CHIP)
        kept: list[RomRead] = []
        try:
            for number in range(1, times + 1):
                (data,) = flash.read_whole(1, partial(tell_reading, bench, number - 1, times))
                read = (f"read-{number}.bin", data, bus.name)
                kept += _keep(
                    bench, case, bay, role, [read], chip, sitting
                )  # at once: the next may be the last
        finally:
            with suppress(ProgrammerError):  # a chip that is gone has left its mode with its supply
                flash.leave()
    return tuple(kept), facts


def _own_table(bus: FlashBus, facts: ChipFacts) -> bytes:
    """The chip's own table as it came, once it is known to be steady and its size to be that of a ROM."""
    table = read_sfdp(bus)
    if chip_facts(facts.id, table) != facts:
        raise ProgrammerError(
            "The chip's parameter table reads differently each time.",
            "Press the clip on anew and shorten its wires, then start again.",
        )
    if (facts.largest_size_bytes or 0) > DUMP_LIMIT_BYTES:
        raise DumpUnproven(
            f"The chip answers as {facts.name} and says it has more bytes than any board's ROM.",
            "Check the clip and its wires, then read again.",
        )
    if facts.largest_size_bytes is None:
        raise DumpUnproven(
            f"The chip answers as {facts.name}, and neither its id nor its table says how large it is.",
            "Read it with a programmer that knows it, and keep the files: mendbay rom keep.",
        )
    return table


@dataclass(frozen=True, slots=True)
class _Chip:
    id: str = ""
    sfdp: str = ""
    volts: float = 0.0


def _next_sitting(bench: Bench, case: int, bay: str, role: Role) -> int:
    before = rom_reads(bench, case, bay, role, also_withdrawn=True)
    return before[-1].sitting + 1 if before else 1


def _keep(
    bench: Bench,
    case: int,
    bay: str,
    role: Role,
    reads: Sequence[tuple[str, bytes, str]],
    chip: _Chip,
    sitting: int = 0,
) -> tuple[RomRead, ...]:
    """Keeps (file name, bytes, origin) of one sitting, all noted together or not at all; of a new sitting if
    none is given."""
    of = remembered(bench, case)
    bench.ledger.bay(case, bay)
    if not sitting:
        sitting = _next_sitting(bench, case, bay, role)
    folder = f"roms/bay-{bay}/{role}-{sitting}"
    kept = [
        RomRead(
            bench.files.keep(of, f"{folder}/{name}", data),
            role,
            sitting,
            bench.now(),
            origin,
            chip.id,
            chip.sfdp,
            chip.volts,
        )
        for name, data, origin in reads
    ]
    if len({one.file.path for one in kept}) < len(kept):
        raise UsageError(
            "Two files have the same name and content.", "Read the chip again; a copy proves nothing."
        )
    names = some_names(of, [one.origin for one in kept if not one.by_mendbay])
    with bench.shelf.together():
        for one in kept:
            known = {key: value for key, value in asdict(one).items() if key != "withdrawn"}
            body = json.dumps(known, sort_keys=True)
            bench.notes.add(Note(case, bay, NoteKind.DUMP, one.file.path, one.at, bench.who, body))
            bench.custody(case, f"ROM of the {role} read", f"{one.file.path}, SHA-256 {one.file.sha256}")
        bench.note(
            case,
            "rom",
            f"Bay {bay}: {counted(len(kept), 'read')} of the {role}'s ROM kept, sitting {sitting}{names}.",
            {"role": str(role), "sitting": sitting, "reads": len(kept)},
        )
    return tuple(kept)


def _read_of(note: Note) -> RomRead:
    try:
        body = json.loads(note.body)
        file, role = KeptFile(**body.pop("file")), Role(body.pop("role"))
        return RomRead(file=file, role=role, **body)
    except (ValueError, KeyError, TypeError, AttributeError) as trouble:
        raise LedgerError(
            f"The ledger's note {note.number} of a ROM's read cannot be used: {trouble!r:.60}.",
            "End whatever of Mendbay runs, then put the newest backup of the ledger in its place.",
        ) from trouble


def _checked_id(text: str) -> str:
    try:
        return FlashId.parse(bytes.fromhex(text)).code.hex()
    except (ValueError, ProgrammerError) as trouble:
        raise UsageError(
            f"{text[:40]!r} is not a chip's id.", "Write it as the programmer shows it, like EF 40 12."
        ) from trouble


def tell_reading(bench: Bench, before: int, times: int, done: ReadProgress) -> None:
    """Tells how far whole reads of a chip are: `before` of `times` are done."""
    bench.tell(
        StepProgress(
            "reading the chip",
            before * done.total_bytes + done.done_bytes,
            times * done.total_bytes,
            f"(read {before + 1} of {times})",
            in_bytes=True,
        )
    )
