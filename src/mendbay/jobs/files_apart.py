"""Which files lie where the halves of a mirror in step were found to differ. Nothing is compared here, and no
file is read."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import islice

from mendbay.core.span import SpanSet, union
from mendbay.files.tree import Entry, Kind
from mendbay.jobs.bench import Bench
from mendbay.jobs.drive_picture import Looks
from mendbay.jobs.halves_apart import mapped
from mendbay.jobs.halves_compared import open_case_volume
from mendbay.jobs.other_half import of_halves
from mendbay.jobs.remembered import remembered
from mendbay.jobs.volume import OpenVolume, case_images, sources_of

MOST_FILES = 500
WALKED = 20_000
"""Entries of a file system that are looked at most: whoever asks waits for it (own choice)."""
LOOK_SECONDS = 5.0


@dataclass(frozen=True, slots=True)
class FileApart:
    """A file, or a folder's list of names, of which bytes lie where the halves differ.

    Args:
        path: raw, as on the volume.
        size_bytes: of the file.
        differ_bytes: so many of its bytes lie there.
    """

    path: bytes
    is_folder: bool
    size_bytes: int
    differ_bytes: int


@dataclass(frozen=True, slots=True)
class FilesApart:
    """What lies where the halves differ.

    Args:
        files: in the order of the tree, at most `MOST_FILES`; `more` others were found.
        apart_bytes: how many bytes of the volume differ in all.
        elsewhere_bytes: how many of them lie in nothing that was looked at: descriptions, free space, or
            entries beyond `WALKED`.
        is_whole: whether every entry was looked at.
    """

    files: tuple[FileApart, ...] = ()
    more: int = 0
    apart_bytes: int = 0
    elsewhere_bytes: int = 0
    is_whole: bool = True


class FilesApartSeen:
    """What was seen of it, kept between requests."""

    def __init__(self) -> None:
        self._looks: Looks[FilesApart] = Looks(LOOK_SECONDS)

    def of(self, bench: Bench, number: int) -> FilesApart:
        """As `files_apart`."""
        case = remembered(bench, number)
        glances = tuple(bench.images.glance(case, one.bay) for one in bench.ledger.bays(number))
        stamp = (glances, len(of_halves(bench, number)))
        return self._looks.of(number, stamp, bench.clock.steady_seconds, lambda: files_apart(bench, number))


def files_apart(bench: Bench, number: int) -> FilesApart:
    """The files of which bytes lie where the halves of the case's mirror are known to differ.

    Raises:
        NoSuchCase: there is no such case, or it has no image.
        CaseForgotten: it was forgotten.
        CannotAssemble, NoFileSystem: as `jobs.volume.open_volume`.
    """
    case = remembered(bench, number)
    with case_images(bench, case) as stores:
        volume = open_case_volume(bench, number, sources_of(stores))
        if not volume.apart:
            return FilesApart()
        return _looked_through(volume)


@dataclass
class _Found:
    files: list[FileApart] = field(default_factory=list)
    count: int = 0
    covered: list[SpanSet] = field(default_factory=list)


def _looked_through(volume: OpenVolume) -> FilesApart:
    entries = volume.system.walk()
    found = _Found()
    for entry in islice(entries, WALKED):
        hit = _hit(volume, entry)
        if not hit:
            continue
        found.count += 1
        found.covered.append(hit)
        if len(found.files) < MOST_FILES:
            found.files.append(
                FileApart(entry.path, entry.kind is Kind.FOLDER, entry.size_bytes, hit.total_bytes)
            )
    covered = union(found.covered)
    return FilesApart(
        tuple(found.files),
        found.count - len(found.files),
        volume.apart.total_bytes,
        (volume.apart - covered).total_bytes,
        next(iter(entries), None) is None,
    )


def _hit(volume: OpenVolume, entry: Entry) -> SpanSet:
    """Where the halves differ within an entry, in bytes of the volume."""
    if entry.kind not in (Kind.FILE, Kind.FOLDER):
        return SpanSet()
    return mapped(volume.system.layout(entry)) & volume.apart
