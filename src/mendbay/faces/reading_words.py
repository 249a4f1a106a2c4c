"""What reading drives came to, for every face: sentences that nobody has wrapped yet, and JSON."""

from __future__ import annotations

from collections.abc import Sequence

from mendbay.core.quantity import bytes_text, count_text, percent_text
from mendbay.core.span import SpanSet
from mendbay.faces import wording
from mendbay.faces.printable import printable
from mendbay.files.tree import VolumeFacts
from mendbay.files.wanted import seems_several
from mendbay.imaging.differences import Difference
from mendbay.jobs.compare_drive import Compared, ended_words
from mendbay.jobs.imaging_record import ImagingRecord
from mendbay.jobs.read_pair import BrokenOff, PairResult
from mendbay.jobs.task_advice import TaskAdvice, task_words
from mendbay.jobs.verify_image import Verified
from mendbay.jobs.volume import explanation, fresher_bay
from mendbay.pair.assemble import Assembled, Member
from mendbay.pair.volume import Level

FILES_SHOWN = 20
LEVELS = {
    Level.MIRROR: "Mirror",
    Level.STRIPE: "Stripe",
    Level.SPAN: "Span",
    Level.SINGLE: "Single volume",
}


# ---------------------------------------------------------------------- drives together


def pair_words(result: PairResult) -> list[str]:
    """What reading the drives together came to."""
    return [
        *assembled_words(result.assembled),
        *(line for one in result.drives for line in wording.read_result_words(one, is_lacking=lacks(result))),
        *together_words(result),
        *wanted_words(result),
        *unmatched_words(result),
    ]


def broken_off_words(found: BrokenOff) -> list[str]:
    """What reading the drives together came to before it broke off."""
    if found.together is not None:
        return pair_words(found.together)
    return [line for one in found.drives for line in wording.read_result_words(one)]


def lacks(result: PairResult) -> bool:
    """Whether anything is still to be had from one of the drives that no other gave."""
    together = result.compared is not None or result.assembled.halves_in_step
    return bool(result.missing_bytes or result.alone_bytes or not together)


def assembled_words(one: Assembled) -> list[str]:
    """How a volume was put together: what it is, then why."""
    return [f"{LEVELS[one.level]} of {bytes_text(one.volume.size_bytes)}", *explanation(one)]


def place_words(one: Member) -> str:
    """Where a member lies on its drive."""
    return "the whole drive" if one.partition is None else f"partition {one.partition}"


def other_words(one: Assembled) -> list[str]:
    """The same of a volume that was not taken, with where it lies: two of the same size are told apart by
    that."""
    first, *reasons = assembled_words(one)
    lies = " and ".join(f"bay {each.bay}, {place_words(each)}" for each in one.members)
    return [f"{first}, {lies}", *reasons]


def together_words(result: PairResult) -> list[str]:
    """What two halves gave together, and whether they are alike; nothing for drives read by themselves."""
    compared, halves = result.compared, result.halves
    if compared is None and not result.assembled.halves_in_step:
        return []
    lines = []
    if halves is not None and halves.apart:
        lines.append(
            f"The halves DIFFER in {count_text(halves.apart.total_bytes)} bytes "
            f"({wording.counted(len(halves.apart), 'range')}) where they should be the same. Which one is "
            "right, only the files can tell: look at those that are not whole before they are handed back."
        )
    elif halves is not None:
        lines.append(
            f"Both halves were read and compared: {bytes_text(halves.compared_bytes)} came from both and are "
            "the same."
        )
    elif compared is None:
        lines.append("The halves are NOT compared yet: that comes once everything was tried.")
    elif compared.differ_at is not None:
        lines.append(
            "The halves DIFFER where they should be the same; both were read whole. Which one is right, only "
            "the files can tell: look at them before they are handed back."
        )
    elif compared.compared_bytes:
        lines.append(
            f"Read as one task. {bytes_text(compared.compared_bytes)} were read from both halves and are the "
            "same."
        )
    if result.missing_bytes:
        lines.append(f"Neither half gave {count_text(result.missing_bytes)} bytes.")
    else:
        lines.append("Together the halves gave every byte.")
    if result.alone_bytes:
        lines.append(
            f"{count_text(result.alone_bytes)} bytes were given by one half alone; as the halves differ, "
            "nothing proves them."
        )
    if result.advice is not None:
        lines.append(task_words(result.advice))
    return lines


def wanted_words(result: PairResult) -> list[str]:
    """How many of the wanted files are whole, then those that are not, up to so many; nothing without any."""
    files = [line for line in result.wanted if line.judgement is not None]
    if not files:
        return []
    counts = ", ".join(f"{count_text(count)} {word}" for word, count in sorted(result.verdicts.items()))
    rows = [
        f"{printable(line.entry.path)}: {wording.verdict_text(line.judgement, line.entry.size_bytes)}"
        for line in files
        if line.judgement is not None and line.judgement.verdict != "whole"
    ]
    lines = [f"Wanted first: {wording.counted(len(files), 'file')} ({counts}).", *rows[:FILES_SHOWN]]
    if len(rows) > FILES_SHOWN:
        lines.append(f"... and {count_text(len(rows) - FILES_SHOWN)} more that are not whole.")
    return lines


def unmatched_words(result: PairResult) -> list[str]:
    """The wishes that no file fits."""
    return [
        *(f"No file matches '{printable(one.encode())}'." for one in result.unmatched),
        *(wording.several_hint(one) for one in result.unmatched if seems_several(one)),
    ]


def is_complete(result: PairResult, *, only_wanted: bool) -> bool:
    """Whether the reading brought all that was to be had by it."""
    if only_wanted:
        return all(line.judgement is None or line.judgement.verdict == "whole" for line in result.wanted)
    return not (result.missing_bytes or result.alone_bytes)


def pair_json(result: PairResult) -> dict[str, object]:
    """What reading the drives together came to."""
    return {
        "pair": assembled_json(result.assembled),
        "drives": [wording.read_result_json(one) for one in result.drives],
        "wanted": [wording.file_json(line) for line in result.wanted],
        "read_first_bytes": dict(result.wanted_bytes),
        "unmatched": list(result.unmatched),
        "missing_bytes": result.missing_bytes,
        "alone_bytes": result.alone_bytes,
        "one_task": None
        if result.compared is None
        else {
            "compared_bytes": result.compared.compared_bytes,
            "differ": result.compared.differ_at is not None,
            "advice": None if result.advice is None else _task_advice_json(result.advice),
        },
        "halves": None
        if result.halves is None
        else {
            "compared_bytes": result.halves.compared_bytes,
            "differing_bytes": result.halves.apart.total_bytes,
        },
    }


def _task_advice_json(one: TaskAdvice) -> dict[str, object]:
    return {
        "go_on": dict(one.go_on),
        "seconds": one.seconds,
        "brings_bytes": one.brings_bytes,
        "lacking_bytes": one.lacking_bytes,
        "refusals": one.refusals,
        "dies": dict(one.dies),
        "all_die": one.all_die,
        "bench": None if one.bench is None else one.bench.text,
        "gain": None if one.gain is None else one.gain.text,
    }


def assembled_json(one: Assembled) -> dict[str, object]:
    """How a volume was put together."""
    return {
        "level": str(one.level),
        "size_bytes": one.volume.size_bytes,
        "fresher": fresher_bay(one) or None,
        "explanation": list(explanation(one)),
    }


def volume_json(facts: VolumeFacts) -> dict[str, object]:
    """What a file system says of itself."""
    return {
        "kind": facts.kind,
        "label": facts.label,
        "uuid": facts.uuid,
        "size_bytes": facts.size_bytes,
        "block_bytes": facts.block_bytes,
        "has_checksums": facts.has_checksums,
        "remarks": list(facts.remarks),
    }


# ---------------------------------------------------------------------- images held against something


def verified_words(found: Verified) -> list[str]:
    """What holding an image against its digests showed, without the list of its places."""
    lines = [f"Bay {found.bay}: {count_text(found.checked_bytes)} bytes held against their digests."]
    if found.without_digest_bytes:
        lines.append(
            f"{count_text(found.without_digest_bytes)} bytes have no digest of their own: they were read "
            "before digests were noted."
        )
    if found.sha256_noted:
        same = "is" if found.sha256_noted == found.sha256_found else "is NOT"
        lines.append(f"The SHA-256 of the whole image {same} the one noted.")
    if found.holds:
        lines.append("Nothing differs from what the drive gave.")
    return lines


def verified_json(found: Verified) -> dict[str, object]:
    """What holding an image against its digests showed."""
    return {
        "bay": found.bay,
        "holds": found.holds,
        "complete": found.is_complete,
        "checked_bytes": found.checked_bytes,
        "without_digest_bytes": found.without_digest_bytes,
        "wrong": [
            {
                "start": one.span.start,
                "stop": one.span.stop,
                "run": one.run,
                "adapter": one.adapter,
                "read_at": one.read_at,
                "readable": one.is_readable,
            }
            for one in found.wrong
        ],
        "differences": [difference_json(one) for one in found.differences],
        "sha256_noted": found.sha256_noted or None,
        "sha256_found": found.sha256_found or None,
        "doubted_bytes": found.doubted_bytes,
    }


def compared_words(found: Compared, record: ImagingRecord) -> list[str]:
    """What a second reading of a drive showed, without the list of its places."""
    lines = [
        f"Bay {found.bay}: {count_text(found.compared_bytes)} bytes read again and compared, "
        f"{percent_text(found.compared_bytes, record.coverage.size_bytes)} of the drive; "
        f"{ended_words(found.ending)}."
    ]
    if found.refused_bytes:
        lines.append(f"not given this time, though given before: {count_text(found.refused_bytes)} bytes")
    if found.left_bytes:
        lines.append(f"not asked for again: {count_text(found.left_bytes)} bytes")
    if found.mended_bytes:
        lines.append(
            f"{count_text(found.mended_bytes)} bytes of the image were no longer what the drive had given; "
            "they are taken from this reading. Check the disk the image lies on."
        )
    if found.compared_bytes and not found.differences:
        lines.append("The drive gave the same bytes as before.")
    return lines


def compared_json(found: Compared) -> dict[str, object]:
    """What a second reading of a drive showed."""
    return {
        "bay": found.bay,
        "ending": found.ending.name.lower(),
        "compared_bytes": found.compared_bytes,
        "refused_bytes": found.refused_bytes,
        "left_bytes": found.left_bytes,
        "mended_bytes": found.mended_bytes,
        "differences": [difference_json(one) for one in found.differences],
    }


def difference_json(one: Difference) -> dict[str, object]:
    """A place on which two reads do not agree."""
    return {
        "start": one.span.start,
        "stop": one.span.stop,
        "first_run": one.first_run,
        "second_run": one.second_run,
        "at": one.at,
    }


def differences_words(found: Sequence[Difference]) -> list[str]:
    """What two reads that do not agree mean; nothing where all agree."""
    if not found:
        return []
    total = SpanSet(one.span for one in found).total_bytes
    return [
        f"Two reads do not agree on {count_text(total)} bytes, though the drive gave both without an "
        "error: neither can be relied on there. The image holds those of the first. No file that lies "
        "there is called whole: the list of files and the hand-back say which."
    ]
