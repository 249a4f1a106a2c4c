"""What speaks against a patient's dump before it is moved: faults of its reads, failed rules, a mix-up."""

from __future__ import annotations

from collections.abc import Sequence

from mendbay.board.number_form import Kind as NumberKind
from mendbay.board.rom_fault_kinds import Standing
from mendbay.board.rom_reads import Verdict
from mendbay.board.rules.judge import judge
from mendbay.board.transfer_plan import Evidence, Role
from mendbay.core.errors import BadFormFile, DumpUnproven, UsageError
from mendbay.jobs.bench import Bench
from mendbay.jobs.board_ports import ShopFiles
from mendbay.jobs.judge_rom import judged_reads
from mendbay.jobs.learn_rom import failed_sentences, families, family_named
from mendbay.jobs.read_pictures import corrections_of, identifiers_of
from mendbay.jobs.rom_reads import RomRead, contents, newest_sitting

SHORTEST_SERIAL = 6
"""Shorter texts stand in a ROM by chance."""


def fitting_family(bench: Bench, shop: ShopFiles, case: int, bay: str) -> str:
    """The name of the learned family that a patient's newest reads belong to: whose shared bytes they have,
    or at least half of whose rules they keep. Of several the one with most rules that hold; empty if none.

    Raises:
        NoSuchCase: there is no such case or bay.
        SourceChanged: a read is gone or changed.
    """
    reads = newest_sitting(bench, case, bay, Role.PATIENT)
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


def mixed_up(bench: Bench, case: int, bay: str, evidence: Evidence) -> tuple[str, ...]:
    """Whether the two chips seem to have been read under each other's name: the patient's serial number
    stands in the backup and not in the patient's dump."""
    drive = bench.ledger.bay(case, bay)
    corrected = corrections_of(bench, case, bay, NumberKind.SERIAL)
    serials = {drive.serial, *(one.right_text for one in corrected[-1:])}
    serials |= {one.value for one in identifiers_of(bench, case, bay) if one.kind is NumberKind.SERIAL}
    backup = _both_ways(evidence.backup_reads[:1])
    patient = _both_ways(evidence.patient_reads[:1])
    for serial in sorted(one for one in serials if len(one) >= SHORTEST_SERIAL):
        spelled = {serial.encode(), serial.replace("-", "").replace(" ", "").encode()}
        in_backup = any(one in dump for one in spelled for dump in backup)
        in_patient = any(one in dump for one in spelled for dump in patient)
        if in_backup and not in_patient:
            return (
                f"The patient's serial number {serial} stands in the chip to be written and not in the "
                "patient's dump: the two seem to have been mixed up.",
            )
    return ()


def _both_ways(dumps: Sequence[bytes]) -> list[bytes]:
    """The dumps as they are, and with the bytes of each word swapped, as some families keep their text."""
    found = []
    for dump in dumps:
        swapped = bytearray(dump)
        even = len(dump) - len(dump) % 2
        swapped[0:even:2], swapped[1:even:2] = dump[1:even:2], dump[0:even:2]
        found += [dump, bytes(swapped)]
    return found
