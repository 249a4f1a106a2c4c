"""What taking over from other images of a drive came to: sentences that nobody has wrapped yet, and JSON."""

from __future__ import annotations

from typing import Any

from mendbay.core.quantity import count_text
from mendbay.core.span import SpanSet
from mendbay.faces import wording
from mendbay.faces.printable import printable
from mendbay.faces.reading_words import difference_json, differences_words
from mendbay.jobs.blend_images import BlendedIn, BlendResult


def blended_words(result: BlendResult) -> list[str]:
    """What a blend brought: image by image, then what the image of the bay holds now."""
    lines: list[str] = []
    for one in result.images:
        name = printable(one.other.encode("utf-8", "surrogateescape"))
        lines.append(f"{count_text(one.taken_bytes)} bytes taken over from {name}.")
        lines += [one.serials] if one.serials else []
        lines.append(" ".join(agreement_words(one)))
        lines += [unsound_words(one, "Verifying the image")] if one.unsound and one.compared_bytes else []
    lines.append(holds_words(result))
    return [*lines, *differences_words([each for one in result.images for each in one.differences])]


def agreement_words(one: BlendedIn) -> list[str]:
    """How far two images agree, in one sentence, or its two halves."""
    if not one.compared_bytes:
        return ["The two had nothing in common to compare: make sure that both are of this drive."]
    compared = f"{count_text(one.compared_bytes)} bytes that both hold were compared"
    unlike = SpanSet(each.span for each in one.differences).total_bytes
    if unlike:
        return [f"{compared};", f"{count_text(unlike)} of them are in sectors that differ."]
    return [f"{compared}{'.' if one.unsound else ' and are equal.'}"]


def unsound_words(one: BlendedIn, verify: str = "drive verify") -> str:
    """That one of the images no longer holds what its drive gave.

    Args:
        verify: how verifying an image is called.
    """
    return (
        f"{count_text(one.unsound.total_bytes)} bytes are no longer what the drive gave, in one image or "
        f"the other; nothing was taken over there. {verify} tells whether it is the bay's; if not, it "
        "is the other: have it verified at the bench it comes from."
    )


def holds_words(result: BlendResult) -> str:
    """How much the image of the bay holds now."""
    return (
        f"The image of bay {result.bay} now holds {count_text(result.read_bytes)} of "
        f"{count_text(result.size_bytes)} bytes."
    )


def blended_json(result: BlendResult) -> dict[str, Any]:
    """What a blend brought, for programs."""
    return {
        "bay": result.bay,
        "taken_bytes": result.taken_bytes,
        "compared_bytes": result.compared_bytes,
        "read_bytes": result.read_bytes,
        "size_bytes": result.size_bytes,
        "images": [
            {
                "path": one.other,
                "taken_bytes": one.taken_bytes,
                "compared_bytes": one.compared_bytes,
                "differences": [difference_json(each) for each in one.differences],
                "unsound": wording.spans_json(one.unsound),
                "serials": one.serials or None,
                "other_case": one.other_case,
            }
            for one in result.images
        ],
    }
