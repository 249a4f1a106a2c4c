"""Export a case whole: everything of it in open formats, in one new folder that is a bag (RFC 8493)."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from mendbay.case import export
from mendbay.case.custody import export_lines
from mendbay.case.export import ExportedFile, LeftOut
from mendbay.case.personal import event_for_customer, has_remark, remark_of
from mendbay.case.personal import for_customer as as_for_customer
from mendbay.case.records import Case, Event, Image
from mendbay.core.coverage import Coverage
from mendbay.core.errors import DestinationError, Interrupted, MendbayError, SourceChanged, UsageError
from mendbay.core.note import Note, NoteKind
from mendbay.core.quantity import counted
from mendbay.core.source import Reading
from mendbay.core.span import Span, SpanSet
from mendbay.handback.names import plan_names
from mendbay.imaging.image_source import ImageSource
from mendbay.jobs.bench import Bench
from mendbay.jobs.catalogue_port import FOLDER as CATALOGUE
from mendbay.jobs.events import StepProgress
from mendbay.jobs.forget_case import IMAGE, copies_among
from mendbay.jobs.image_figures import left_of
from mendbay.jobs.keep_copies import EXPORT
from mendbay.jobs.papers import shop_of
from mendbay.jobs.ports import HandBackFolder, HeldFile, ImageStore
from mendbay.jobs.remembered import remembered

OpenFolder = Callable[[Path, str], HandBackFolder]
READ_BYTES = 4 << 20
TOLD_BYTES = 64 << 20
"""Of one large file, how far it is is told so often (own choice: about a second of a disk)."""
ROMS = "roms/"
"""Below it lie the dumps of customers' and donors' chips."""
_TEXTS = ("README.txt", "case.json", "events.csv", "custody.jsonl", "notes.jsonl")
_BESIDE_IMAGES = (".coverage", ".coverage-wal", ".coverage-shm")


@dataclass(frozen=True, slots=True)
class Exported:
    """What an export holds.

    Args:
        files, size_bytes: of the payload.
        left_out: what is not in it, with the reason.
        missing: what should be in it and could not be had; part of `left_out`.
        entries, head: of the custody log in it; the head empty if there is no entry.
    """

    folder: Path
    files: int
    size_bytes: int
    left_out: tuple[LeftOut, ...]
    missing: tuple[LeftOut, ...]
    entries: int
    head: str


@dataclass(frozen=True, slots=True)
class _OpenImage:
    noted: Image
    store: ImageStore
    coverage: Coverage
    left: SpanSet
    """What is unread since the other half of a mirror gave it."""


@dataclass(frozen=True, slots=True)
class _Choice:
    with_images: bool
    for_customer: bool


def export_case(
    bench: Bench,
    number: int,
    folder: Path,
    open_folder: OpenFolder,
    *,
    with_images: bool = False,
    for_customer: bool = False,
) -> Exported:
    """Writes everything of a case into a new folder. Interrupted, the same call goes on; the folder is no bag
    until all of it is there.

    Args:
        with_images: also the raw images, and hand-backs that lie in the case's folder.
        for_customer: leave out what is the shop's own, as for somebody's request to see what is kept of them.

    Raises:
        NoSuchCase: there is no such case.
        CaseForgotten: it was forgotten.
        UsageError: the folder lies in the case's own.
        NoRoom, DestinationError: the destination, or it is finished already; nothing copied is lost.
        SourceChanged: a file of the case cannot be read, or changed on the way.
        Interrupted: stopped by hand.
    """
    case = remembered(bench, number)
    home = bench.images.folder(case).resolve()
    if folder.resolve().is_relative_to(home):
        raise UsageError(f"{folder} lies in the folder of the case itself.", "Name a folder elsewhere.")
    if (folder / "bagit.txt").exists():
        raise DestinationError(f"{folder} holds a finished export or hand-back.", "Choose another folder.")
    choice = _Choice(with_images, for_customer)
    with ExitStack() as stack:
        images, missing = _open_images(bench, case, stack)
        contents = _Contents(bench, case, choice, images, missing)
        kind = "export-for-the-customer" if for_customer else "export"
        destination = open_folder(folder, f"{case.number:04}-{kind}")
        stack.callback(destination.close)
        payload = _write(bench, contents, destination)
    result = Exported(
        folder,
        len(payload),
        sum(payload.values()),
        tuple(contents.left_out),
        tuple(missing),
        len(contents.custody),
        contents.custody[-1].hash if contents.custody else "",
    )
    _note(bench, case, choice, result)
    return result


class _Contents:
    """What goes into the export, by its place below `data/` in the bag."""

    def __init__(
        self, bench: Bench, case: Case, choice: _Choice, images: list[_OpenImage], missing: list[LeftOut]
    ) -> None:
        self.bench, self.case, self.choice = bench, case, choice
        self.left_out = list(missing)
        self.custody = bench.ledger.custody(case.number)
        notes = bench.notes.all_of(case.number)
        self._opened = images
        held = self._chosen(bench.files.held(case), notes)
        self._place = _places(images, held)
        self.files = {self._place[f"files/{one.path}"]: one for one in held}
        self.images = {self._place[_raw(one)]: one for one in images} if choice.with_images else {}
        self.documents = self._documents(self._notes(notes), self._events())

    def _documents(self, notes: list[Note], events: list[Event]) -> dict[str, bytes]:
        """Every text of the export by its place."""
        case, choice, now = self.case, self.choice, self.bench.now()
        texts = {
            "README.txt": export.readme(case, now, choice.for_customer, choice.with_images),
            "case.json": export.json_document(self._facts(now)),
            "events.csv": export.events_csv(events),
            "custody.jsonl": export_lines(self.custody),
            "notes.jsonl": export.notes_lines(notes),
            **{_figures(one): export.coverage_csv(one.coverage, one.left) for one in self._opened},
        }
        return {self._place[name]: text for name, text in texts.items()}

    def _facts(self, now: str) -> dict[str, object]:
        """What `case.json` holds."""
        bench, case = self.bench, self.case
        items = () if self.choice.for_customer else bench.shelf.items()
        return {
            "format": export.FORMAT,
            "exported_at": now,
            "for_customer": self.choice.for_customer,
            **export.case_facts(case, bench.ledger.bays(case.number)),
            "images": [*map(self._image, self._opened), *self._images_gone()],
            "stock": [asdict(one) for one in items if one.case == case.number],
            "custody": {
                "entries": len(self.custody),
                "head": self.custody[-1].hash if self.custody else None,
            },
            "files": [
                asdict(ExportedFile(_below(place), one.path, one.size_bytes))
                for place, one in self.files.items()
            ],
            "left_out": [asdict(one) for one in self.left_out],
        }

    def _image(self, one: _OpenImage) -> dict[str, object]:
        raw = _below(self._place[_raw(one)]) if self.choice.with_images else None
        runs = [asdict(run) for run in one.store.runs()]
        coverage = _below(self._place[_figures(one)])
        return export.image_facts(one.noted, coverage, raw, runs, one.left.total_bytes)

    def _images_gone(self) -> list[dict[str, object]]:
        """Images that the ledger knows and that are there no longer, or cannot be opened."""
        opened = {one.noted.path for one in self._opened}
        noted = self.bench.ledger.images(self.case.number)
        return [export.image_facts(one, None, None, []) for one in noted if one.path not in opened]

    def _events(self) -> list[Event]:
        every = self.bench.ledger.events(self.case.number)
        if not self.choice.for_customer:
            return list(every)
        outcomes = self.bench.notes.of(NoteKind.OUTCOME, self.case.number)
        remarks = {remark_of(one) for one in outcomes}
        theirs = [kept for one in every if (kept := event_for_customer(one, remarks)) is not None]
        if len(theirs) < len(every):
            self._leave_out(
                counted(len(every) - len(theirs), "event"), "of the shop's stock, with what it cost"
            )
        return theirs

    def _notes(self, notes: tuple[Note, ...]) -> list[Note]:
        if not self.choice.for_customer:
            return list(notes)
        theirs = [as_for_customer(one) for one in notes]
        gone = len([one for one in theirs if one is None])
        if gone:
            self._leave_out(counted(gone, "note"), "the shop's own, or of a donor's chip")
        if remarks := sum(map(has_remark, notes)):
            self._leave_out(
                f"{counted(remarks, 'remark')} at closing",
                "the shop's own word; the whole export has them",
            )
        return [one for one in theirs if one is not None]

    def _chosen(self, held: tuple[HeldFile, ...], notes: tuple[Note, ...]) -> list[HeldFile]:
        """The files that go in; of the others it is noted why not."""
        opened = {f"{one.noted.path.removesuffix(IMAGE)}" for one in self._opened}
        apart = {f"{stem}{ending}" for stem in opened for ending in (IMAGE, *_BESIDE_IMAGES)}
        copies = {one.path for one in copies_among(held)}
        theirs = {one.subject for one in notes if one.kind is NoteKind.DUMP and as_for_customer(one)}
        found, bulky = [], 0
        for one in held:
            if one.path in apart:
                continue  # in the export as images and coverage
            if one.path.startswith(f"{CATALOGUE}/"):
                continue  # made again from the images at any time
            if not one.is_plain:
                self._leave_out(one.path, "no regular file")
            elif one.path in copies and not self.choice.with_images:
                bulky += 1
            elif self.choice.for_customer and _is_donors(one.path, theirs):
                self._leave_out(one.path, "of a donor's chip, or the shop's working paper")
            else:
                found.append(one)
        if bulky:
            self._leave_out(f"{bulky} files of images and hand-backs", "images were not asked for")
        return found

    def _leave_out(self, what: str, why: str) -> None:
        self.left_out.append(LeftOut(what, why))

    def sizes(self) -> dict[str, int]:
        """Every file of the payload with its size."""
        return {
            **{path: len(data) for path, data in self.documents.items()},
            **{path: one.size_bytes for path, one in self.files.items()},
            **{path: one.coverage.size_bytes for path, one in self.images.items()},
        }

    def holes(self) -> dict[str, int]:
        """How much of each image was never read, and so takes no room."""
        return {
            path: one.coverage.size_bytes - one.coverage.read.total_bytes for path, one in self.images.items()
        }


def _write(bench: Bench, contents: _Contents, destination: HandBackFolder) -> Mapping[str, int]:
    """Copies all of it, reads each copy again, and declares the bag. Returns the payload's sizes by path."""
    sizes = contents.sizes()
    destination.expect(sizes, contents.holes())
    for at, path in enumerate(sizes, 1):
        if bench.stop():
            raise _stopped()
        bench.tell(StepProgress("exporting", at, len(sizes), path))
        if path in contents.images:
            _put_image(bench, destination, path, contents.images[path])
            continue
        if path in contents.documents:
            data = contents.documents[path]
            readings: Iterator[Reading] = iter([Reading(Span(0, len(data)), data)] if data else [])
        else:
            readings = _readings(bench, contents.case, contents.files[path])
        destination.put(path, _heeded(bench, path, sizes[path], readings))
        _require_equal(destination, path)
    shop = shop_of(bench).name
    destination.finish(
        bench.now()[:10],
        [
            *([("Source-Organization", shop)] if shop else []),
            (
                "External-Description",
                "All that is kept of a case; data/README.txt explains it.",
            ),
        ],
    )
    return sizes


def _heeded(bench: Bench, path: str, size: int, readings: Iterable[Reading]) -> Iterator[Reading]:
    """The readings of one file, with how far it is told, and an end where a stop was asked for."""
    told = 0
    for one in readings:
        if bench.stop():
            raise _stopped()
        if one.span.start - told >= TOLD_BYTES:
            told = one.span.start
            bench.tell(StepProgress("exporting one file", told, size, path, in_bytes=True))
        yield one


def _stopped() -> Interrupted:
    return Interrupted("Stopped; what is copied is kept.", "The same once more goes on from there.")


def _put_image(bench: Bench, destination: HandBackFolder, path: str, image: _OpenImage) -> None:
    coverage, size = image.coverage, image.coverage.size_bytes
    origin = f"image {image.noted.path}, {coverage.read.total_bytes} read in {len(image.store.runs())} runs"
    if destination.kept(path, size, coverage.gaps(Span(0, size)), origin=origin) is not None:
        return
    source = ImageSource(image.store, image.noted.bay)
    spans = (Span(at, min(at + READ_BYTES, size)) for at in range(0, size, READ_BYTES))
    destination.put(path, _heeded(bench, path, size, map(source.read, spans)), origin=origin)
    _require_equal(destination, path)


def _require_equal(destination: HandBackFolder, path: str) -> None:
    if not destination.verify(path).equal:
        raise DestinationError(
            f"{path} was written, but does not read back as it was.", "Export to another medium."
        )


def _readings(bench: Bench, case: Case, file: HeldFile) -> Iterator[Reading]:
    """A file of the case from first to last byte.

    Raises:
        SourceChanged: it is not as long as it was, or cannot be read.
    """
    at = 0
    for data in bench.files.read(case, file.path):
        if at + len(data) > file.size_bytes:
            break
        yield Reading(Span(at, at + len(data)), data)
        at += len(data)
    else:
        if at == file.size_bytes:
            return
    raise SourceChanged(
        f"{file.path!r} of case {case.number} changed while it was copied.", "Run the same command again."
    )


def _open_images(bench: Bench, case: Case, stack: ExitStack) -> tuple[list[_OpenImage], list[LeftOut]]:
    """The images that are there, and those that cannot be opened."""
    noted = {one.bay: one for one in bench.ledger.images(case.number)}
    found, missing = [], []
    for bay in bench.ledger.bays(case.number):
        if not bench.images.exists(case, bay.bay):
            continue
        path = bench.images.name(bay.bay)
        try:
            store = bench.images.reopen(case, bay.bay, writable=False)
        except MendbayError as trouble:
            missing.append(LeftOut(path, trouble.what))
            continue
        stack.callback(store.close)
        coverage, left = store.coverage(), left_of(bench, case.number, bay.bay, store)
        image = noted.get(bay.bay)
        if image is None or image.path != path:
            image = Image(case.number, bay.bay, path, "", case.opened_at)
        found.append(_OpenImage(_with_figures(image, coverage, left), store, coverage, left))
    return found, missing


def _with_figures(image: Image, coverage: Coverage, left: SpanSet) -> Image:
    """The image with the figures of its checkpoint, which is the truth about it."""
    return replace(
        image,
        read_bytes=coverage.read.total_bytes,
        refused_bytes=coverage.refused.total_bytes,
        waived_bytes=coverage.waived.total_bytes,
        unread_bytes=(coverage.unread - left).total_bytes,
    )


def _raw(one: _OpenImage) -> str:
    """What the image is to be called in the export."""
    return f"images/bay-{one.noted.bay}{IMAGE}"


def _figures(one: _OpenImage) -> str:
    """What its coverage is to be called."""
    return f"images/bay-{one.noted.bay}.coverage.csv"


def _places(images: list[_OpenImage], held: list[HeldFile]) -> dict[str, str]:
    """The place in the bag of everything that may go in, so that no two are one on any system."""
    wished = [
        *_TEXTS,
        *map(_raw, images),
        *map(_figures, images),
        *(f"files/{one.path}" for one in held),
    ]
    named = plan_names([one.encode("utf-8", "surrogateescape") for one in wished])
    return {wish: one.path for wish, one in zip(wished, named, strict=True)}


def _is_donors(path: str, theirs: set[str]) -> bool:
    """Whether a file is of another chip than the customer's; `theirs` are the places of their dumps."""
    return path.startswith(ROMS) and path not in theirs and "/certificate" not in path


def _below(path: str) -> str:
    return path.removeprefix("data/")


def _note(bench: Bench, case: Case, choice: _Choice, result: Exported) -> None:
    what = "what concerns the customer" if choice.for_customer else "everything kept"
    images = "with the raw images" if choice.with_images else "without the raw images"
    said = f"{what}, {images}"
    with bench.ledger.together():
        bench.custody(case.number, "case exported", f"{said}; custody log up to entry {result.entries}")
        bench.note(
            case.number,
            EXPORT,
            f"Exported: {said}.",
            {
                "files": result.files,
                "bytes": result.size_bytes,
                "left_out": len(result.left_out),
                "folder": str(result.folder.absolute()),
            },
        )
