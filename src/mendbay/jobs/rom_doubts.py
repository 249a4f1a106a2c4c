"""What speaks against moving a patient's dump: faults of its reads, failed rules, a mix-up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256

from mendbay.board.number_form import Kind as NumberKind
from mendbay.board.rom_fault_kinds import Standing
from mendbay.board.rom_reads import Verdict
from mendbay.board.rules.judge import judge
from mendbay.board.transfer_plan import BLANK, Evidence, Role
from mendbay.core.errors import BadFormFile, DumpUnproven, UsageError
from mendbay.jobs.bench import Bench
from mendbay.jobs.board_ports import ShopFiles
from mendbay.jobs.judge_rom import judged_reads
from mendbay.jobs.learn_rom import failed_sentences, families, family_named
from mendbay.jobs.read_pictures import corrections_of, identifiers_of
from mendbay.jobs.rom_reads import RomRead, contents, newest_sitting, reads_of_shop

SHORTEST_SERIAL = 6
"""Shorter texts stand in a ROM by chance."""


def fitting_family(bench: Bench, shop: ShopFiles, case: int, bay: str, role: Role = Role.PATIENT) -> str:
    """The name of the learned family that a chip's newest reads belong to: whose shared bytes they have,
    or at least half of whose rules they keep. Of several the one with most rules that hold; empty if none.

    Raises:
        NoSuchCase: there is no such case or bay.
        SourceChanged: a read is gone or changed.
    """
    reads = newest_sitting(bench, case, bay, role)
    try:
        dump = judged_reads(contents(bench, case, reads), reads).data if reads else b""
    except DumpUnproven:
        return ""
    best, most = "", (False, 0)
    for one in families(bench, shop)[0]:
        if one.withdrawn or one.family.size != len(dump):
            continue
        found = judge(one.family, dump)
        rank = (found.revision is not None, len(found.held))
        if rank > most and (rank[0] or len(found.held) >= max(2, len(found.failed))):
            best, most = one.name, rank
    return best


def failures_now(
    bench: Bench, shop: ShopFiles, case: int, reads: Sequence[RomRead], family: str
) -> tuple[str, ...]:
    """What a patient's reads fail as things are known now, as sentences: the rules of their family, which may
    have been learned anew, and what is proven wrong with the reads.

    Args:
        family: the learned family they are held against; empty if none.

    Raises:
        SourceChanged: a read is gone or changed.
    """
    found: tuple[str, ...] = ()
    if family:
        try:
            dump = judged_reads(contents(bench, case, reads), reads).data
            found = failed_sentences(judge(family_named(bench, shop, family), dump))
        except (UsageError, BadFormFile, DumpUnproven) as trouble:
            found = (trouble.what,)
    return (*found, *doubts_of_reads(bench, case, reads))


def doubts_of_reads(bench: Bench, case: int, reads: Sequence[RomRead]) -> tuple[str, ...]:
    """What speaks against a patient's reads being the content of a ROM, as sentences: what is proven wrong
    with them though they agree, or what a person is asked about them."""
    if not reads:
        return ()
    try:
        judged = judged_reads(contents(bench, case, reads), reads)
    except DumpUnproven as trouble:
        return (trouble.what,)
    if judged.verdict is Verdict.UNUSABLE:
        return tuple(one.what for one in judged.faults if one.standing is Standing.PROVEN)
    if judged.verdict is Verdict.DOUBTFUL:
        return tuple(one.what for one in judged.faults)
    return ()


@dataclass(frozen=True, slots=True)
class WhoseIsWhose:
    """What the drive's serial number says of the two dumps.

    Args:
        mistaken: why the two chips seem to have been read under each other's name; nothing outweighs it.
        remark: what it does not tell, as a sentence; empty if it tells the two apart.
        next_step: how it can be made to tell.
        needs_word: whether only a person can say whose chip is whose.
    """

    mistaken: tuple[str, ...] = ()
    remark: str = ""
    next_step: str = ""
    needs_word: bool = False


def whose_is_whose(bench: Bench, case: int, bay: str, evidence: Evidence) -> WhoseIsWhose:
    """Looks for the serial numbers that are known of a bay's drive in both dumps, without regard to capitals
    and with the bytes of each word in either order.

    Returns:
        That the chips seem mixed up, or how far the serial number tells them apart; where no number does, a
        person's word is needed.

    Raises:
        NoSuchCase: there is no such case or bay.
    """
    serials = _serials(bench, case, bay)
    backup = _both_ways(evidence.backup_reads[:1])
    patient = _both_ways(evidence.patient_reads[:1])
    in_both = ""
    told = False
    for serial in serials:
        spelled = _spelled(serial)
        in_backup = any(one in dump for one in spelled for dump in backup)
        in_patient = any(one in dump for one in spelled for dump in patient)
        if in_backup and not in_patient:
            return WhoseIsWhose(
                (
                    f"The patient's serial number {serial} stands in the chip to be written and not in the "
                    "patient's dump: the two seem to have been mixed up.",
                )
            )
        told = told or (in_patient and not in_backup)
        in_both = in_both or (serial if in_patient and in_backup else "")
    if told:
        return WhoseIsWhose()
    step = (
        f"mendbay board pictures {case} {bay} FOLDER reads the label, and mendbay board correct {case} {bay} "
        "serial-number NUMBER takes it typed in."
    )
    if in_both:
        return WhoseIsWhose(
            remark="Whose chip is whose could not be checked: the patient's serial number "
            f"{in_both} stands in both dumps.",
            next_step=step,
            needs_word=True,
        )
    if not serials:
        return WhoseIsWhose(
            remark="Whose chip is whose could not be checked: no serial number of the drive is known that "
            "could be looked for in the two dumps.",
            next_step=step,
            needs_word=True,
        )
    numbers = f"numbers {', '.join(serials)} stand" if serials[1:] else f"number {serials[0]} stands"
    return WhoseIsWhose(
        remark=f"The drive's serial {numbers} in neither of the two dumps, so it does not tell whose chip is "
        "whose. Not every family keeps it there.",
        next_step=f"mendbay board show {case} {bay} says how the number is known; if it was mistyped, "
        f"mendbay case bay {case} {bay}=MODEL/NUMBER --amend or mendbay board correct {case} {bay} "
        "serial-number NUMBER puts it right.",
        needs_word=True,  # the number may be mistyped: then nothing guards against mixed-up chips
    )


def _spelled(serial: str) -> set[bytes]:
    """How a serial number may stand in a dump of capitals, with and without what divides it."""
    plain = serial.replace("-", "").replace(" ", "")
    return {one.encode().upper() for one in (serial, plain) if len(one) >= SHORTEST_SERIAL}


def _serials(bench: Bench, case: int, bay: str) -> list[str]:
    """The serial numbers that are known of a bay's drive, and are long enough to be looked for."""
    corrected = corrections_of(bench, case, bay, NumberKind.SERIAL)
    found = {bench.ledger.bay(case, bay).serial, *(one.right_text for one in corrected[-1:])}
    found |= {one.value for one in identifiers_of(bench, case, bay) if one.kind is NumberKind.SERIAL}
    return sorted(one for one in found if len(one) >= SHORTEST_SERIAL and "?" not in one)


def patients_before(bench: Bench, case: int, bay: str, evidence: Evidence) -> tuple[str, ...]:
    """Whether the ledger knows what is to be overwritten as the dump of a patient, of this case or another:
    the roles would then be the other way round, or that drive's data would be lost from this chip.

    Returns:
        A sentence that names case, bay and sitting; nothing if it was never a patient's. A blank chip is
        not asked about, and a patient's sitting that was withdrawn does not count.

    Raises:
        LedgerError: the note of a read is not one that Mendbay wrote.
    """
    if not evidence.backup_reads:
        return ()
    backup = bytes(evidence.backup_reads[0])
    own = sha256(evidence.patient_reads[0]).hexdigest() if evidence.patient_reads else ""
    if backup.count(backup[:1]) == len(backup):
        return ()
    known = [each for each in reads_of_shop(bench) if each[2].role is Role.PATIENT and not each[2].withdrawn]
    filled = len(backup.rstrip(bytes([BLANK])))
    digests = {
        size: sha256(backup[:size]).hexdigest()
        for size in {one.file.size_bytes for *_, one in known}
        if filled <= size <= len(backup)  # a shorter dump, with a larger chip filled up behind it
    }
    places = dict.fromkeys(
        f"case {at}, bay {where} (sitting {one.sitting})"
        for at, where, one in known
        if one.file.sha256 == digests.get(one.file.size_bytes)
        and ((at, where) != (case, bay) or one.file.sha256 != own)  # that both are the same is told elsewhere
    )
    if not places:
        return ()
    return (
        f"What is to be overwritten is known as the patient's own dump of {', '.join(places)}: the two chips "
        "may have been read under each other's name.",
    )


def _both_ways(dumps: Sequence[bytes]) -> list[bytes]:
    """The dumps in capitals, as they are and with the bytes of each word swapped, as some families keep their
    text."""
    found = []
    for dump in dumps:
        swapped = bytearray(dump)
        even = len(dump) - len(dump) % 2
        swapped[0:even:2], swapped[1:even:2] = dump[1:even:2], dump[0:even:2]
        found += [bytes(dump).upper(), bytes(swapped).upper()]
    return found
