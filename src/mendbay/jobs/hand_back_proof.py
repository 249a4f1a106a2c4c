"""What was done to prove a hand-back, and what speaks against the images it was made from."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from mendbay.core.quantity import count_text, counted
from mendbay.core.source import Mark
from mendbay.core.span import SpanSet
from mendbay.handback import facts as words
from mendbay.jobs.halves_apart import both_gave
from mendbay.jobs.ports import ImageStore
from mendbay.jobs.volume import OpenVolume


def against(store: ImageStore, unsound: SpanSet) -> Iterator[str]:
    """What speaks against bytes of a drive's image."""
    if unsound:
        yield (
            f"{counted(unsound.total_bytes, 'byte')} of its image are no longer what the drive gave, so it "
            "has no SHA-256"
        )
    unlike = store.two_answers().total_bytes
    if unlike:
        yield (
            f"read again, the drive gave other bytes in sectors of {counted(unlike, 'byte')}; the copies "
            "hold its first answer"
        )


def joined_words(joined: words.Joined) -> str:
    """How far files that hold bytes of both halves of a mirror were compared; empty if wholly, or there is
    none. It stands in the customer's report, so no command is in it."""
    if joined.is_compared:
        return ""
    hold, its = ("holds", "its") if joined.files == 1 else ("hold", "their")
    both = f"{count_text(joined.both_bytes)}, and these were compared" if joined.both_bytes else "none"
    return (
        f"{counted(joined.files, 'file')} {hold} bytes of both drives: of {its} "
        f"{counted(joined.given_bytes, 'byte')} both gave {both}; where one drive alone gave a byte, nothing "
        "could be compared with it."
    )


def how_to_compare_all(joined: words.Joined, number: int) -> str:
    """What the shop can do so that all is compared, said after `joined_words`; empty if it is."""
    if joined.is_compared:
        return ""
    return f"To compare all: mendbay pair read {number} BAY=SOURCE ... --both-whole"


def _after_blank(text: str) -> str:
    return f" {text}" if text else ""


def proof_steps(
    volume: OpenVolume,
    described: int,
    files: Sequence[words.FileFacts],
    places: SpanSet,
) -> tuple[words.ProofStep, ...]:
    """The steps that were done to prove a hand-back, each with what came of it.

    Args:
        described: how many files have a description that holds.
        places: where the copied files lie on the volume; what lies there under several names is there once.
    """
    copied = [one for one in files if one.path]
    system = volume.system.facts
    steps = [
        words.ProofStep(
            "Every read of a drive was noted with its outcome; what a drive did not give is listed, never "
            "filled in silence.",
            _missing_words(files),
        ),
        words.ProofStep(
            "The descriptions of the files were checked against the checksums the file system keeps."
            if system.has_checksums
            else "The file system keeps no checksums; what it says of each file was checked for agreement.",
            f"{count_text(described)} of {counted(len(files), 'description')} hold.",
        ),
        words.ProofStep(
            "Every copy was read again from the destination and compared by SHA-256 and SHA-512.",
            f"{count_text(sum(one.verified for one in copied))} of {count_text(len(copied))} copies "
            "are equal.",
        ),
    ]
    steps.append(
        words.ProofStep(
            "Every piece of the images that the copies were made from was held against the digest noted when "
            "the drive gave it, if there is one; where a drive gave two answers was looked up in its record.",
            f"{_doubted(files, Mark.NOT_AS_READ, Mark.TWO_ANSWERS)} of {len(files)} files have bytes that "
            "something speaks against.",
        )
    )
    if volume.assembled.halves_in_step:
        steps.append(
            words.ProofStep(
                "The two drives should hold the same: wherever both gave a file's bytes, they were compared. "
                "Bytes that a drive stores once, for a file with several names, are counted once.",
                f"{_doubted(files, Mark.HALVES_DIFFER)} of {len(files)} files differ; both gave "
                f"{counted(both_gave(volume.assembled, places).total_bytes, 'byte')} of "
                f"{counted(places.total_bytes, 'byte')} stored."
                f"{_after_blank(joined_words(words.joined_of(files)))}",
            )
        )
    if volume.halves_differ:
        steps.append(
            words.ProofStep(
                "The drives were found to differ while they were read: what only one gave is not proven.",
                f"{_doubted(files, Mark.ONE_HALF_ALONE)} of {len(files)} files have such bytes.",
            )
        )
    return tuple(steps)


def _missing_words(files: Sequence[words.FileFacts]) -> str:
    """How many files lack bytes, in the numbers of the report's summary."""
    lacking = (
        (sum(one.verdict == "holed" and bool(one.path) for one in files), "with missing ranges"),
        (sum(one.verdict == "lost" for one in files), "lost"),
        (sum(one.is_awaited for one in files), "not read yet"),
    )
    told = ", ".join(f"{count_text(count)} {what}" for count, what in lacking if count)
    return f"Of {counted(len(files), 'file')}: {told or 'none with missing ranges'}."


def _doubted(files: Sequence[words.FileFacts], *marks: Mark) -> int:
    """How many files have bytes with any of the marks."""
    return sum(any(doubt.mark in marks for doubt in one.doubts) for one in files)
