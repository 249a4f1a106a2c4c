"""What the jobs need from the world outside, as protocols. Wiring hands in what fulfils them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from mendbay.case.records import Case

if TYPE_CHECKING:
    from mendbay.core.coverage import Coverage
    from mendbay.core.source import Gap, Identity, Marked, Reading
    from mendbay.core.span import Int64s, Span, SpanSet
    from mendbay.handback.bag import PayloadFile, Reread
    from mendbay.handback.facts import HandBack
    from mendbay.imaging.ata_answer import Answer
    from mendbay.imaging.ata_command import Question
    from mendbay.imaging.attempt import Attempt
    from mendbay.imaging.block_digests import Claim
    from mendbay.imaging.differences import Difference
    from mendbay.imaging.lacking import Refusal
    from mendbay.imaging.temperature import HeatLimits
    from mendbay.jobs.log_memory import LogMemory


PowerCycle = Callable[[str], bool]
"""Asked to cut and restore a drive's power (bay label given); True if it was done."""


PowerAsked = Callable[[str], bool]
"""Asked whether a person wants the power of a drive cut and restored (bay label given); True once for each
time a person wants it."""


def never() -> bool:
    """For readings that nobody stops, and drives that nobody lets rest."""
    return False


def no_power_cycle(bay: str) -> bool:
    """For benches where nobody can."""
    return False


def nobody_asks(bay: str) -> bool:
    """For benches where nobody wants a drive's power cut that is there."""
    return False


class DriveReader(Protocol):
    """A drive that can be asked for ranges, one at a time, and can refuse, hang or vanish.

    `ask` queues a read (sector-aligned, at most `largest_read_bytes`); `answer` waits for the oldest
    one queued. At most `depth` reads may be queued; the drive itself never sees more than one at a
    time. After an answer that is not `GIVEN` everything queued behind it is dropped without having
    been tried, so that the caller can choose again: `queued` is then 0.
    """

    depth: int
    largest_read_bytes: int

    @property
    def identity(self) -> Identity: ...

    @property
    def queued(self) -> int: ...

    def ask(self, span: Span) -> None: ...

    def answer(self) -> Attempt: ...

    def returned(self) -> bool:
        """After the drive vanished and its power was cycled: whether it answers again, with the same
        size, sector size and, where known, serial number.

        Raises:
            SourceChanged: a drive answers, but another one.
        """
        ...

    def break_off(self) -> None:
        """For another thread, when a person waits no longer: the `answer` under way, and every later one,
        raises `KeyboardInterrupt`, at once though the drive hangs."""
        ...

    def close(self) -> None: ...


class DriveLine(Protocol):
    """A line on which a drive can be asked about itself; nothing that changes it can be sent.

    `is_present` says whether it leads to the drive itself, and not to what one once answered.
    """

    is_present: bool

    def ask(self, question: Question) -> Answer:
        """What the drive answers. That it does not, or that nothing is passed on, is an answer too; after one
        that hung, all further ones are told as hung without being sent.

        Raises:
            SourceError: it may not be asked at all.
        """
        ...

    def close(self) -> None: ...


class Thermometer(Protocol):
    """How warm a drive is.

    `limits` are those it is judged by, known after the first reading; `why_silent` says why it will
    never tell (again), and is empty while it may.
    """

    limits: HeatLimits
    why_silent: str

    def celsius(self) -> int | None:
        """Degrees Celsius, None if it gives none now."""
        ...

    def begin_anew(self) -> None:
        """For a drive that was gone and is back: what it said, or did not say, before counts no more."""
        ...

    def close(self) -> None: ...


class HeatWatch(Protocol):
    """Looks after a drive that is being read.

    `fell_silent` says whether reading may not go on because a drive that was hot no longer tells how warm it
    is.
    """

    @property
    def fell_silent(self) -> bool: ...

    @property
    def celsius(self) -> int | None:
        """The drive's temperature as last told, None where it told none lately."""
        ...

    def is_due(self) -> bool:
        """Whether it wants to look now; cheap."""
        ...

    def may_go_on(self) -> bool:
        """Whether reading may go on; may take long, and no read may be under way."""
        ...

    def begin_anew(self) -> None:
        """For a drive that was gone and is back."""
        ...

    def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class DriveAtHand:
    """A whole drive that is plugged into this machine, as the system tells without asking it.

    Args:
        where: how it is named to be read.
        size_bytes: 0 where it says that it holds nothing.
        model, serial: as it called itself when it was plugged in; empty where it did not.
        way: how it is connected, such as `USB`; empty where that cannot be told.
        uses: what uses it, as phrases; empty if nothing is known to.
    """

    where: str
    size_bytes: int
    model: str = ""
    serial: str = ""
    way: str = ""
    uses: tuple[str, ...] = ()


class Drives(Protocol):
    """The drives on the bench, named by a device, an image file or a simulated drive's description."""

    def look(self, where: str) -> Identity:
        """What a drive says it is; not one of its sectors is read.

        Raises:
            SourceError or one of its kinds: it cannot be used.
        """
        ...

    def at_hand(self) -> tuple[DriveAtHand, ...]:
        """The whole drives that are plugged into this machine; no device is opened."""
        ...

    def open(self, where: str) -> DriveReader:
        """The drive, ready to be read.

        Raises:
            SourceError or one of its kinds: it cannot be used.
        """
        ...

    def line(self, where: str) -> DriveLine:
        """A line to the drive itself; one that answers nothing where there is no drive.

        Raises:
            SourceError: it is not there, or a partition.
        """
        ...

    def drive_behind(self, where: str) -> str:
        """The name of the whole drive that a name leads to: for a partition the drive it lies on, else
        `where`. Nothing is opened.

        Raises:
            SourceError: a partition of which the system does not tell the drive.
        """
        ...

    def is_device(self, where: str) -> bool:
        """Whether a name is of a block device, so that what is done with it may be done to a drive. Nothing
        is opened; False also where nothing is there."""
        ...

    def is_simulated(self, where: str) -> bool:
        """Whether a name is of a simulated drive. Nothing is opened."""
        ...

    def keeps_own_time(self, where: str) -> bool:
        """Whether a name is of a simulated drive whose reads take no time but by its own count.

        Raises:
            UsageError: its description cannot be used.
        """
        ...

    def guard(self, where: str, folder: Path, needed_bytes: int, file_name: str) -> None:
        """Makes sure that a copy may be written into a folder.

        Raises:
            DestinationOnSource, NoRoom, DestinationError: it may not.
        """
        ...


@dataclass(frozen=True, slots=True)
class Run:
    """One sitting in which a drive was read: through which adapter, from what, when, and what came of it.

    `ended_at` is the time of its last noted read, empty if it has none. `taken_from` names the image a
    blended run came from, empty for a run of our own.
    """

    number: int
    adapter: str
    source: str
    started_at: str
    taken_from: str
    ended_at: str = ""
    given_bytes: int = 0
    refused_reads: int = 0
    bench: str = ""


class ImageStore(Protocol):
    """An image of one drive with its log of reads: one durable unit.

    What `keep` and `note` were given is claimed by the checkpoint only after `commit`, which makes
    the bytes durable first.

    An image belongs to one thread at a time: what looks like a question may fold in, or make durable, what
    was added last. It may pass to another when one of them has waited for the other. Any thread may ask for
    `path` and `identity`, and `take` ranges that it knows to be read, until the image is closed.
    """

    @property
    def path(self) -> Path: ...

    @property
    def identity(self) -> Identity: ...

    def coverage(self) -> Coverage:
        """The condition of every range, with what is not yet committed included."""
        ...

    def coverage_here(self) -> Coverage:
        """The coverage with only those tries counted that went through the adapter of the present run; 0 for
        a sector that only others refused."""
        ...

    def begin_run(self, adapter: str, source: str) -> int:
        """Starts a run; what is kept or noted from now on belongs to it. Returns its number."""
        ...

    def runs(self) -> tuple[Run, ...]:
        """Every run that added to the image, oldest first."""
        ...

    def provenance(self, span: Span) -> tuple[tuple[Span, int], ...]:
        """The number of the run that gave each part of `span`, in order of place."""
        ...

    def keep(self, span: Span, data: memoryview, seconds: float, celsius: float | None = None) -> None:
        """Writes bytes that the drive gave, and notes the read with the digests of its blocks. What is held
        already stays, and is compared; where the two differ, that is noted."""
        ...

    def note(self, attempt: Attempt) -> None:
        """Notes a read that was not given."""
        ...

    def waive(self, spans: SpanSet) -> None:
        """Notes that these ranges are deliberately left."""
        ...

    def take(self, span: Span) -> bytes:
        """The bytes of a range that is `read`, from the image. Any thread may ask."""
        ...

    def refused_here(self) -> Int64s:
        """Start and stop of every read not given through the adapter of the present run, or that may have
        gone through it; shape (n, 2)."""
        ...

    def refused_reads(self) -> Iterator[tuple[int, int, float]]:
        """(start, stop, seconds) of every read not given, oldest first."""
        ...

    def refusals(self) -> tuple[Refusal, ...]:
        """Every read not given, oldest first; without those of a range that was read and then doubted."""
        ...

    def given_by_run(self) -> Mapping[int, SpanSet]:
        """What each run gave, whether or not another gave it too."""
        ...

    def claims(self) -> Iterator[Claim]:
        """What is read, in order of place, cut into the pieces whose digests were noted."""
        ...

    def claims_in(self, span: Span) -> Iterator[Claim]:
        """The pieces, each whole, that hold any byte of `span`."""
        ...

    def differences(self) -> tuple[Difference, ...]:
        """Every difference found between two reads of one range, oldest first."""
        ...

    def note_difference(self, one: Difference) -> None:
        """Notes that two reads differ."""
        ...

    def doubt(self, spans: SpanSet, why: str) -> SpanSet:
        """Takes back, durably, the claim that these ranges are read, so that they are read again; returns
        what is unread now: the pieces that hold any of them."""
        ...

    def commit_soon(self) -> None:
        """Starts a commit in the background unless one is under way."""
        ...

    def commit(self) -> None: ...

    def digest(self, *, compute: bool = True) -> str:
        """SHA-256 of the whole image, empty while anything is missing from it, or a piece of it is not what
        the drive gave or, unless `compute`, while it is not known."""
        ...

    def noted_digest(self) -> str:
        """SHA-256 of the whole image as it was when it was noted; empty if none was."""
        ...

    def changed(self) -> SpanSet:
        """The pieces that, when the image was last hashed or verified as a whole, were not what the drive had
        given."""
        ...

    def note_changed(self, spans: SpanSet) -> None:
        """Notes, durably, which pieces are not what the drive gave, in place of what was noted before."""
        ...

    def two_answers(self) -> SpanSet:
        """Where two reads of the drive brought other bytes, both without an error."""
        ...

    def close(self) -> None: ...


class HandBackFolder(Protocol):
    """A folder that becomes a bag (RFC 8493), written once and safely, and resumable."""

    def expect(self, sizes: Mapping[str, int], holes: Mapping[str, int] | None = None) -> None:
        """Says what is about to be copied: size in bytes by payload path, and how much of it are gaps.

        Raises:
            NoRoom: with the numbers; nothing was written.
        """
        ...

    def kept(
        self,
        path: str,
        size_bytes: int,
        gaps: Iterable[Gap] = (),
        marks: Iterable[Marked] = (),
        modified_at: int = 0,
        origin: str = "",
    ) -> PayloadFile | None:
        """The copy an earlier run made of the very same thing, read again and found good; else None."""
        ...

    def put(
        self, path: str, readings: Iterable[Reading], modified_at: int = 0, origin: str = ""
    ) -> PayloadFile:
        """Copies one file; gaps become zeros in the copy and are listed."""
        ...

    def settle(self) -> None:
        """Makes all copies so far durable."""
        ...

    def verify(self, path: str) -> Reread:
        """Reads a copy again from the medium and compares it with what was written."""
        ...

    def finish(
        self,
        bagging_date: str,
        labels: Sequence[tuple[str, str]] = (),
        tags: Mapping[str, bytes] | None = None,
    ) -> tuple[PayloadFile, ...]:
        """Writes tag files and manifests; the folder is a bag from then on."""
        ...

    def close(self) -> None: ...


class Papers(Protocol):
    """Makes the report a customer reads."""

    def html(self, facts: HandBack) -> str: ...

    def pdf(self, facts: HandBack) -> bytes: ...


@dataclass(frozen=True, slots=True)
class Blended:
    """What came of a blend: the ranges taken over, those left because the other image no longer holds what
    its drive gave there, and the numbers that the other's runs have here."""

    taken: SpanSet
    unsound: SpanSet
    runs: Mapping[int, int]


@dataclass(frozen=True, slots=True)
class ImageGlance:
    """An image seen from outside, without opening it.

    Args:
        busy: a process is writing to it now.
        changed_ns: when image or checkpoint last changed, nanoseconds since 1970.
    """

    busy: bool
    changed_ns: int


class Images(Protocol):
    """The images of all cases, one for each bay."""

    def remembering(self, memory: LogMemory) -> Images:
        """The same images for who looks often: the log of one that is only looked at is read on from where
        the last look with that memory left off, where it is still the same log."""
        ...

    def folder(self, case: Case) -> Path:
        """The folder of a case."""
        ...

    def folders(self) -> frozenset[str]:
        """The names of the folders of cases that are there, as `Case.folder` has them."""
        ...

    def name(self, bay: str) -> str:
        """The file name of a bay's image in the folder of its case."""
        ...

    def exists(self, case: Case, bay: str) -> bool: ...

    def glance(self, case: Case, bay: str) -> ImageGlance | None:
        """The image seen from outside; None if there is none."""
        ...

    def create(self, case: Case, bay: str, identity: Identity) -> ImageStore:
        """A new, empty image.

        Raises:
            DestinationError, NoRoom: it cannot be made.
        """
        ...

    def reopen(self, case: Case, bay: str, *, writable: bool) -> ImageStore:
        """The image that is there.

        Raises:
            DestinationError, ImageBusy, DamagedCheckpoint: it cannot be used.
        """
        ...

    def aside_name(self, case: Case, bay: str) -> str:
        """What a bay's image will be called when it is set aside."""
        ...

    def asides(self, case: Case, bay: str) -> tuple[str, ...]:
        """The names of a bay's images that were set aside and are there, the first set aside first."""
        ...

    def is_half_aside(self, case: Case, bay: str) -> bool:
        """Whether a kill stopped the setting aside of a bay's image half way."""
        ...

    def set_aside(self, case: Case, bay: str, name: str) -> None:
        """Moves a bay's image with its checkpoint to a name that `aside_name` gave, or goes on with that;
        durable.

        Raises:
            DestinationError, ImageBusy: it cannot be moved.
        """
        ...

    def other(self, path: Path) -> ImageStore:
        """An image anywhere, to look at.

        Raises:
            DestinationError, DamagedCheckpoint: it cannot be used.
        """
        ...

    def blend(self, into: ImageStore, other: ImageStore, spans: SpanSet, origin: str) -> Blended:
        """Takes over into one image what another image of the same drive holds of `spans`, and all it knows
        of refusals, keeping the adapters, benches and times of its runs; `origin` is what they were taken
        from, as is noted with them.

        Raises:
            ForeignImage: both are the same file, or of drives of different size.
        """
        ...


@dataclass(frozen=True, slots=True)
class KeptFile:
    """A file in a case's folder that is never changed again: its place there (with `/`) and its bytes."""

    path: str
    sha256: str
    size_bytes: int


@dataclass(frozen=True, slots=True)
class HeldFile:
    """What lies in a case's folder and is not itself a folder, whoever put it there.

    Args:
        path: its place there, with `/`; bytes that are no text as surrogates.
        size_bytes: 0 unless it is a regular file.
        is_plain: whether it is a regular file, and no link, pipe or device.
    """

    path: str
    size_bytes: int
    is_plain: bool


class CaseFiles(Protocol):
    """Pictures, dumps and papers in the folder of a case."""

    def held(self, case: Case) -> tuple[HeldFile, ...]:
        """Everything that lies in the case's folder, by path; nothing if there is no folder.

        Raises:
            DestinationError: the folder cannot be looked through.
        """
        ...

    def read(self, case: Case, path: str) -> Iterator[bytes]:
        """The bytes of a regular file in the case's folder, piece by piece.

        Raises:
            SourceChanged: it is gone, is no regular file, or cannot be read.
        """
        ...

    def clear(self, case: Case) -> None:
        """Removes the case's folder with everything in it; links go, what they lead to stays. Nothing happens
        if there is no folder.

        Raises:
            DestinationError: something could not be removed, another medium is mounted inside, or the folder
                is itself a link; the rest may be gone.
        """
        ...

    def folders_of(self, number: int) -> tuple[str, ...]:
        """Names of the folders of a case by its number, whatever the customer's name in them.

        Raises:
            DestinationError: the folder that holds them cannot be looked through.
        """
        ...

    def fetch(self, source: Path, limit_bytes: int) -> bytes:
        """The bytes of a file outside, such as a picture or a dump.

        Raises:
            UsageError: not there, not a regular file, or larger than `limit_bytes`.
        """
        ...

    def keep(self, case: Case, path: str, data: bytes) -> KeptFile:
        """Writes a file for good: durable, and for reading only.

        If the place already holds other bytes, the new file gets a number before its ending; the same
        bytes are not written twice.

        Raises:
            DestinationError, NoRoom: it could not be written.
        """
        ...

    def remove(self, case: Case, kept: KeptFile) -> None:
        """Removes a kept file for good; it is not overwritten. Nothing happens if it is gone.

        Raises:
            SourceChanged: something else lies in its place, and stays there.
            DestinationError: it could not be removed.
        """
        ...

    def find(self, case: Case, path: str, data: bytes) -> KeptFile:
        """Where `keep`, given this path, has put these bytes.

        Raises:
            SourceChanged: none of the files that can be it holds them any more.
        """
        ...

    def take(self, case: Case, kept: KeptFile) -> bytes:
        """The bytes of a kept file, proven by their digest.

        Raises:
            SourceChanged: the file is gone or does not hold what was kept.
        """
        ...
