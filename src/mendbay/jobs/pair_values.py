"""What of the drives of a case goes first: by what the customer wants and what describes the files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from mendbay.core.errors import MendbayError
from mendbay.core.quantity import counted
from mendbay.core.span import Span, SpanSet
from mendbay.files.tree import Entry, Kind
from mendbay.files.wanted import METADATA, matcher, ranges_of, select
from mendbay.imaging.values import WEIGHT_ALLOCATED, WEIGHT_METADATA, WEIGHT_WANTED, Want
from mendbay.jobs.bench import Bench
from mendbay.jobs.events import Said
from mendbay.jobs.list_files import FileLine, judged
from mendbay.jobs.volume import OpenVolume

ByBay = Mapping[str, SpanSet]


class Wishes:
    """What is wanted first. Patterns that were given stay; else it is what the case says, whenever asked.

    Args:
        given: the patterns on the command line, if any.
    """

    def __init__(self, bench: Bench, case: int, given: tuple[str, ...]) -> None:
        self._bench = bench
        self._case = case
        self._given = given
        self._told = False
        self.now = given or bench.ledger.case(case).wanted

    def changed(self) -> bool:
        """Whether the case wants something else than before; `now` is then what. Where the ledger cannot
        tell, which is said once, it stays as it was."""
        if self._given:
            return False
        try:
            wanted = self._bench.ledger.case(self._case).wanted
        except MendbayError as trouble:
            if not self._told:
                self._told = True
                self._bench.tell(Said(f"{trouble.what} What is wanted stays as it was."))
            return False
        before, self.now = self.now, wanted
        return self.now != before


class PairValues:
    """The ranges of each bay's drive by what they are worth. Attributes in bytes of the drives.

    `descriptions` are those of the files, empty until they are taken.
    """

    def __init__(self, volume: OpenVolume, wishes: Wishes) -> None:
        self.wishes = wishes
        self.descriptions: ByBay = {}
        self._volume = volume
        self._entries: tuple[Entry, ...] = ()
        self._wanted: ByBay = {}
        self._allocated: ByBay | None = None
        self._asked_descriptions = False

    def take_descriptions(self) -> None:
        """Finds out what describes the files; reads much of it to find the rest."""
        system = self._volume.system
        self.descriptions = system.source.needs(system.metadata())
        used = system.allocated()
        if used is not None:
            self._allocated = system.source.needs(used)

    def unallocated(self) -> ByBay | None:
        """What the file system says is free; None if it does not tell."""
        system = self._volume.system
        used = system.allocated()
        if used is None:
            return None
        whole = Span(0, min(system.facts.size_bytes, system.source.size_bytes))
        return system.source.needs((used | system.metadata()).complement(whole))

    def select(self) -> None:
        """Looks for the files that are wanted now, and for their descriptions if those are wanted."""
        system = self._volume.system
        if METADATA in self.wishes.now:
            self._asked_descriptions = True
            if not self.descriptions:
                self.take_descriptions()
        named = [wish for wish in self.wishes.now if wish != METADATA]
        tree = (one for one in system.walk() if one.path) if named else ()  # a walk reads the drives
        self._entries = select(tree, self.wishes.now).entries
        self._wanted = system.source.needs(ranges_of(system, self._entries))

    def selected_files(self) -> int:
        """How many files were wanted when it was looked last."""
        return sum(one.kind is Kind.FILE for one in self._entries)

    def unmatched(self) -> tuple[str, ...]:
        """The patterns that nothing matched when it was looked last."""
        paths = [one.path for one in self._entries]
        named = [wish for wish in self.wishes.now if wish != METADATA]
        return tuple(wish for wish in named if not any(map(matcher([wish]), paths)))

    def selected_words(self) -> str:
        """What is wanted by what was found when it was looked last, in a few words."""
        files = counted(self.selected_files(), "file")
        if METADATA not in self.wishes.now:
            return files
        return "the descriptions of all files" + (f" and {files}" if len(self.wishes.now) > 1 else "")

    def of_descriptions(self) -> Mapping[str, Sequence[Want]]:
        """What describes the files, and nothing else."""
        return {bay: [Want(spans, WEIGHT_METADATA)] for bay, spans in self.descriptions.items()}

    def of_wanted(self) -> Mapping[str, Sequence[Want]]:
        """What is wanted, and nothing else."""
        return {bay: [Want(spans, WEIGHT_WANTED)] for bay, spans in self._wanted.items()}

    def of_everything(self) -> Mapping[str, Sequence[Want]]:
        """All of it, each class with its weight."""
        classes = (
            (self.descriptions, WEIGHT_METADATA),
            (self._wanted, WEIGHT_WANTED),
            (self._allocated or {}, WEIGHT_ALLOCATED),
        )
        bays = {bay for spans, _ in classes for bay in spans}
        return {
            bay: [Want(spans[bay], weight) for spans, weight in classes if spans.get(bay)]
            for bay in sorted(bays)
        }

    def asked_bytes(self, bay: str) -> int:
        """How many bytes of a drive were read first for the sake of what is wanted."""
        wanted = self._wanted.get(bay, SpanSet())
        if self._asked_descriptions:
            wanted = wanted | self.descriptions.get(bay, SpanSet())
        return wanted.total_bytes

    def judged(self, volume: OpenVolume) -> tuple[FileLine, ...]:
        """The wanted files with their verdicts by what was read so far.

        Args:
            volume: the one that is read, with what is known of its halves now.
        """
        return tuple(judged(volume, one) for one in self._entries if one.kind is Kind.FILE)
