"""Say how the drives of a case belong together, from what has been read of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from mendbay.core.errors import CannotAssemble
from mendbay.core.quantity import count_text, counted
from mendbay.files.readers.ext import open_ext
from mendbay.files.tree import VolumeFacts
from mendbay.jobs.bench import Bench
from mendbay.jobs.halves_compared import with_known
from mendbay.jobs.looks import LOOKED, remember
from mendbay.jobs.ports import ImageStore
from mendbay.jobs.volume import OpenVolume, candidates_on, case_images, left_out, sources_of
from mendbay.pair.assemble import Assembled
from mendbay.pair.volume import Level


@dataclass(frozen=True, slots=True)
class Looked:
    """What the images of a case make.

    Args:
        candidates: the volumes, the one with a file system first.
        volume: that one with what is known of its halves; None where no volume holds a file system.
    """

    candidates: tuple[Assembled, ...]
    volume: OpenVolume | None


def look_at_pair(
    bench: Bench, number: int, bays: Sequence[str] = ()
) -> tuple[tuple[Assembled, ...], VolumeFacts | None]:
    """The volumes on the drives, the one with a file system first, and what that file system says.

    Where its halves count as in step and were found to differ all the same, its remarks begin with that. What
    the drives of the whole case showed is remembered for triage.

    Raises:
        NoSuchCase: the case has no image yet.
        CannotAssemble: the drives make no volume.
    """
    case = bench.ledger.case(number)
    with case_images(bench, case, bays) as stores:
        try:
            found = looked(bench, number, stores)
        except CannotAssemble:
            if not bays:
                _remember(bench, number, stores, ())
            raise
        if not bays:
            _remember(bench, number, stores, found.candidates)
        if found.volume is None:
            return found.candidates, None
        _note(bench, number, found.candidates[0])
        return found.candidates, found.volume.system.facts


def looked(bench: Bench, number: int, stores: Mapping[str, ImageStore]) -> Looked:
    """The same of images that are open, without remembering or noting anything.

    Raises:
        CannotAssemble: the drives make no volume.
    """
    drives = sources_of(stores)
    candidates = candidates_on(drives)
    for at, one in enumerate(candidates):
        system = open_ext(one.volume)
        if system is not None:
            found = with_known(bench, number, OpenVolume(one, system))
            chosen = replace(one, remarks=(*_apart(found), *one.remarks, *left_out(drives, one)))
            return Looked((chosen, *candidates[:at], *candidates[at + 1 :]), replace(found, assembled=chosen))
    return Looked(candidates, None)


def why_not_taken(one: Assembled, chosen: Assembled, *, is_known: bool) -> str:
    """Why `looked` took another candidate than this one, as a sentence.

    Args:
        is_known: a file system was found on the one that was taken.
    """
    if not is_known:
        return "No file system was found on any; the largest is shown."
    if one.volume.size_bytes > chosen.volume.size_bytes:
        return "It is larger, but no file system that can be read here was found on it."
    if chosen.level is Level.MIRROR and one.level is Level.SINGLE and set(one.bays) <= set(chosen.bays):
        return "It is one half of the mirror, taken alone: together the halves hold more of it."
    if one.volume.size_bytes < chosen.volume.size_bytes:
        return "It is smaller than the one that holds the file system."
    return "It is as large as the one that holds the file system, and comes after it."


def _apart(found: OpenVolume) -> tuple[str, ...]:
    """What is known to speak against halves that count as in step."""
    if not (found.assembled.halves_in_step and found.halves_differ):
        return ()
    where = ""
    if found.apart:
        ranges = counted(len(found.apart), "range")
        where = f" in {count_text(found.apart.total_bytes)} bytes ({ranges})"
    return (f"All the same the halves were found to DIFFER{where}: one of them may hold an older state",)


def _remember(
    bench: Bench, case: int, stores: Mapping[str, ImageStore], candidates: Sequence[Assembled]
) -> None:
    """How the drives belong together, where two were looked at. That nothing fits is said only once both are
    read through: what is missing so far may be what joins them."""
    if len(stores) < 2:
        return
    answer, words = "", "The images do not tell yet how the drives belong together."
    joined = [one.level for one in candidates if len(one.bays) > 1]
    alone = {one.bays[0] for one in candidates if one.level is Level.SINGLE}
    if joined:
        answer = "mirror" if joined[0] is Level.MIRROR else "stripe"
        words = f"The images show how the drives belong together: a {joined[0]}."
    elif len(alone) > 1:
        answer, words = "separate", "Looked at together, each image holds a volume of its own."
    elif not any(store.coverage().unread for store in stores.values()):
        answer, words = "nothing", "The images, read through, do not fit together in any way that is known."
    remember(bench, case, "layout-found", answer, words)


def in_story_since(bench: Bench, number: int, chosen: Assembled) -> str:
    """Since when the story tells of a volume, UTC; empty while it does not."""
    text = _known_words(chosen)
    return next(
        (one.at for one in bench.ledger.events(number) if one.kind == LOOKED and one.text == text), ""
    )


def _known_words(chosen: Assembled) -> str:
    size, bays = count_text(chosen.volume.size_bytes), ", ".join(sorted(chosen.bays))
    return f"Volume known: {size} bytes on bays {bays}."


def _note(bench: Bench, number: int, chosen: Assembled) -> None:
    """Notes in the story that the volume is known, once for what it says."""
    if not in_story_since(bench, number, chosen):
        bench.note(number, LOOKED, _known_words(chosen))
