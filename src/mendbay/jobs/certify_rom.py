"""What a certificate of a finished ROM transfer says on paper: the certificate, and the facts around it.

Nothing is printed that a third party could not check: the file kept with the case must still hold what the
ledger says, and the custody log must verify and name it.
"""

from __future__ import annotations

from dataclasses import dataclass

from mendbay.board.transfer import Certificate
from mendbay.board.transfer_journal import outcome
from mendbay.board.transfer_plan import Dump, Purpose, Role, TransferPlan
from mendbay.case.custody import CustodyEntry
from mendbay.case.records import Bay, Case
from mendbay.core.errors import CustodyBroken, TransferRefused
from mendbay.core.note import Note, NoteKind
from mendbay.jobs.bench import Bench
from mendbay.jobs.board_ports import Journals
from mendbay.jobs.check_custody import check_custody
from mendbay.jobs.consents import require_undisputed
from mendbay.jobs.ports import KeptFile
from mendbay.jobs.read_pictures import describe, identifiers_of
from mendbay.jobs.rom_reads import rom_reads
from mendbay.jobs.take_in import named_by_pictures
from mendbay.jobs.transfer_rom import certificate_of, certificate_path, custody_item, newest_plan


@dataclass(frozen=True, slots=True)
class DumpBehind:
    """A dump that a transfer rests on.

    Args:
        path: of its first read in the case's folder.
        reads: how many whole reads agreed.
        withdrawn: why these reads count no longer; empty while they do.
    """

    path: str
    reads: int
    withdrawn: str = ""


@dataclass(frozen=True, slots=True)
class CertifiedTransfer:
    """A certificate with all that a paper of it tells.

    Args:
        certified_at: when it was kept, UTC; `certified_by`: who was at the bench.
        original: the file in the case's folder.
        entry: of the custody log, that tells of it.
        patient, backup: what it rests on; None if the ledger has no plan of it.
        later: purpose and time of every certificate kept since of the same chip and dumps, oldest first.
        unfinished: a step was begun since on that chip, and no right reading of it ended it.
        by_pictures: model and serial number of the drive as its pictures show them, if the take-in says
            neither.
        board_number: of the patient's board with its revision, if it is known.
        donors: the items of the stock that are reserved for the case or were used in it, as a person knows
            them.
    """

    certificate: Certificate
    case: Case
    bay: Bay
    certified_at: str
    certified_by: str
    original: KeptFile
    entry: CustodyEntry
    patient: DumpBehind | None = None
    backup: DumpBehind | None = None
    later: tuple[tuple[Purpose, str], ...] = ()
    unfinished: bool = False
    by_pictures: str = ""
    board_number: str = ""
    donors: tuple[str, ...] = ()

    @property
    def purpose(self) -> Purpose:
        return Purpose(self.certificate.purpose)

    @property
    def role(self) -> Role:
        """Whose chip was written or read."""
        return Role(self.certificate.role)


@dataclass(frozen=True, slots=True)
class KeptCertificate:
    """A certificate in short.

    Args:
        bay: whose chip it is of.
        certified_at: when it was kept, UTC.
        withdrawn: why reads that it rests on count no longer; empty while they do.
    """

    bay: str
    purpose: Purpose
    certified_at: str
    withdrawn: str = ""


def certificates_kept(bench: Bench, case: int, bay: str | None = None) -> tuple[KeptCertificate, ...]:
    """The ROM certificates of a case, or of one bay of it, the oldest first.

    Raises:
        NoSuchCase: there is no such case.
        LedgerError: a note is not one that Mendbay wrote.
    """
    bench.ledger.case(case)
    found = []
    for note in bench.notes.of(NoteKind.CERTIFICATE, case, bay):
        certificate = certificate_of(note)
        dumps = _dumps(bench, case, note.bay, certificate)
        reasons = dict.fromkeys(one.withdrawn for one in dumps if one is not None and one.withdrawn)
        found.append(KeptCertificate(note.bay, Purpose(certificate.purpose), note.at, "; ".join(reasons)))
    return tuple(found)


def certified_transfer(
    bench: Bench, journals: Journals, case: int, bay: str, purpose: Purpose | None = None
) -> CertifiedTransfer:
    """The newest certificate of a bay, proven against the case's folder and its custody log.

    Args:
        purpose: the newest of this purpose alone; None for the newest of all.

    Raises:
        NoSuchCase: there is no such case or bay.
        TransferRefused: none is kept yet.
        LedgerError: its note is not one that Mendbay wrote.
        SourceChanged: its file in the case's folder is gone or changed.
        CustodyBroken: the custody log does not verify, or does not name it.
        DestinationError: the journal of its transfer cannot be read.
    """
    at_bay, record = bench.ledger.bay(case, bay), bench.ledger.case(case)
    kept = [(note, certificate_of(note)) for note in bench.notes.of(NoteKind.CERTIFICATE, case, bay)]
    fitting = [at for at, (_, one) in enumerate(kept) if purpose in (None, one.purpose)]
    if not fitting:
        raise _none_kept(bench, case, bay, purpose if kept else None)
    note, certificate = kept[fitting[-1]]
    newer = kept[fitting[-1] + 1 :]
    since = [(Purpose(one.purpose), each.at) for each, one in newer if one.job == certificate.job]
    original = bench.files.find(record, certificate_path(bay, certificate), note.body.encode())
    patient, backup = _dumps(bench, case, bay, certificate)
    return CertifiedTransfer(
        certificate=certificate,
        case=record,
        bay=at_bay,
        certified_at=note.at,
        certified_by=note.who,
        original=original,
        entry=_entry(bench, case, custody_item(bay, certificate, original.path)),
        patient=patient,
        backup=backup,
        later=tuple(since),
        unfinished=outcome(journals.lines(record, certificate.job)).unfinished,
        by_pictures="" if at_bay.model or at_bay.serial else named_by_pictures(bench, case, bay),
        board_number=_board_number(bench, case, bay),
        donors=tuple(
            f"item {one.number} ({one.full_name}), {one.state}"
            for one in bench.shelf.items()
            if one.case == case
        ),
    )


def _board_number(bench: Bench, case: int, bay: str) -> str:
    board = describe(identifiers_of(bench, case, bay))
    return " ".join(one for one in (board.board_number, board.revision) if one and board.board_number)


def _none_kept(bench: Bench, case: int, bay: str, purpose: Purpose | None) -> TransferRefused:
    """
    Args:
        purpose: what was asked for, if there are certificates of the other purpose.
    """
    if purpose is not None:
        what = "transfer of" if purpose is Purpose.TRANSFER else "putting back of a backup of"
        return TransferRefused(
            f"No {what} bay {bay} of case {case} is certified.",
            f"mendbay rom certificate {case} {bay} FILE without --of prints the newest that is.",
        )
    newest_plan(bench, case, bay)  # without a plan that is what is missing
    return TransferRefused(
        f"No transfer of bay {bay} of case {case} is certified yet.",
        f"mendbay rom write {case} {bay} ends with a certificate when the chip reads back right.",
    )


def _entry(bench: Bench, case: int, item: str) -> CustodyEntry:
    check, entries = check_custody(bench, case)
    if check.is_disputed:
        require_undisputed(bench, case)
    if not check.holds:
        raise CustodyBroken(
            f"The custody log of case {case} does not verify, and a certificate points to it.",
            f"mendbay case custody {case} says where it is broken.",
        )
    told = [one for one in entries if one.item == item]
    if not told:
        raise CustodyBroken(
            f"The custody log of case {case} does not tell of the certificate: no entry names {item}.",
            "Compare it with the customer's receipt and the newest backup of the ledger.",
        )
    return told[-1]


def _dumps(
    bench: Bench, case: int, bay: str, certificate: Certificate
) -> tuple[DumpBehind | None, DumpBehind | None]:
    notes = bench.notes.of(NoteKind.PLAN, case, bay, certificate.job)
    if not notes:
        return None, None
    plan = _plan_behind(notes, certificate)
    withdrawn = {one.file.path: one.withdrawn for one in rom_reads(bench, case, bay, also_withdrawn=True)}

    def behind(dump: Dump) -> DumpBehind:
        return DumpBehind(dump.name, dump.reads, withdrawn.get(dump.name, ""))

    return behind(plan.patient), behind(plan.backup)


def _plan_behind(notes: tuple[Note, ...], certificate: Certificate) -> TransferPlan:
    """The very plan, or for a restoring, which is made from one and not kept, the last of its job."""
    plans = [TransferPlan.from_json(note.body) for note in notes]
    return next((one for one in plans if one.digest == certificate.plan_sha256), plans[-1])
