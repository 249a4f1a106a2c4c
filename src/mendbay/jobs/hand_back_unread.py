"""What of the files to be handed back was not asked of the drives yet, so that reading on may bring more."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from mendbay.core.quantity import bytes_text, counted
from mendbay.core.source import Lack
from mendbay.core.span import SpanSet
from mendbay.files.tree import Entry
from mendbay.files.verdict import Judgement, Verdict, is_undescribed
from mendbay.jobs.list_files import folder_problems
from mendbay.jobs.other_half import left_to_other
from mendbay.jobs.ports import ImageStore
from mendbay.jobs.volume import OpenVolume, sources_of


@dataclass(frozen=True, slots=True)
class StillUnread:
    """What reading on may bring.

    Args:
        files, total_bytes: of how many files bytes were not asked for yet, and how many bytes.
        only_names: files of which only the name is known, because their description was not read yet.
        hides: there are folders that cannot be listed in full, and the drives were not read to the end.
        how: the command that reads on.
    """

    files: int
    total_bytes: int
    only_names: int
    hides: bool
    how: str

    @property
    def words(self) -> str:
        """It in a sentence or two; empty if everything was asked for."""
        told = []
        if self.files:
            told.append(f"{bytes_text(self.total_bytes)} of {counted(self.files, 'file')} to be handed back")
        if self.only_names:
            told.append(f"{counted(self.only_names, 'file')} of which only the name is known")
        if self.hides:
            told.append("folders that may hold more files")
        if not told:
            return ""
        return f"NOT all was asked for yet: {', and '.join(told)}. Reading on may bring more: {self.how}"


def still_unread(
    number: int,
    volume: OpenVolume,
    stores: Mapping[str, ImageStore],
    everything: Iterable[Entry],
    judged: Iterable[tuple[Entry, Judgement]],
) -> StillUnread:
    """What was not asked for yet of the files to be handed back. Reads nothing of them.

    Args:
        stores: the images by bay.
        everything: all entries of the volume.
        judged: the files to be handed back.
    """
    files = total = names = 0
    for entry, judgement in judged:
        unread = SpanSet(gap.span for gap in judgement.gaps if gap.why is Lack.UNREAD).total_bytes
        files += unread > 0
        total += unread
        names += is_undescribed(entry) and judgement.verdict is not Verdict.LOST
    hides = any(folder_problems(everything)) and _is_unfinished(volume, stores)
    bay = next(iter(stores))
    how = f"pair read {number} BAY=SOURCE ..." if len(stores) > 1 else f"drive read {number} {bay} SOURCE"
    return StillUnread(files, total, names, hides, f"mendbay {how}")


def _is_unfinished(volume: OpenVolume, stores: Mapping[str, ImageStore]) -> bool:
    left = left_to_other(sources_of(dict(stores)), stores, volume)
    return any(bool(one.coverage().unread - left[bay]) for bay, one in stores.items())
