"""Files that a browser sends, for as long as a job needs them as files."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from starlette.datastructures import UploadFile

from mendbay.core.errors import MendbayError, UsageError
from mendbay.core.quantity import bytes_text
from mendbay.faces.web import upload_folder
from mendbay.faces.web.upload_folder import room_told
from mendbay.jobs.own_names import own_name
from mendbay.jobs.picture_files import ending_of
from mendbay.wiring import home_folder

PIECE_BYTES = 1 << 20
FORGOTTEN_SECONDS = 86_400
"""After so long nobody reads what was sent any more."""
NAMELESS = "a file without a name"
NOTHING_KEPT = "nothing of what was sent is kept"


@dataclass(frozen=True, slots=True)
class Upload:
    """A file that was sent.

    Args:
        path: where it lies for now, under a name of ours.
        named: how the sender called it, for people alone.
    """

    path: Path
    named: str


@dataclass(frozen=True, slots=True)
class Uploads:
    """Files sent together, in a folder of their own."""

    folder: Path
    files: tuple[Upload, ...]

    @property
    def paths(self) -> tuple[Path, ...]:
        """Where they lie."""
        return tuple(one.path for one in self.files)

    @property
    def names(self) -> dict[Path, str]:
        """What the sender calls those that have a name."""
        return {one.path: one.named for one in self.files if one.named != NAMELESS}

    def in_words_of_the_sender(self, text: str) -> str:
        """A sentence of a job with the sender's names in the place of ours."""
        for one in self.files:
            text = text.replace(str(one.path), one.named).replace(one.path.name, one.named)
        return text

    @contextmanager
    def told_by_name(self) -> Iterator[None]:
        """Within it, troubles of jobs name files as the sender does."""
        try:
            yield
        except MendbayError as trouble:
            trouble.what = self.in_words_of_the_sender(trouble.what)
            trouble.next_step = self.in_words_of_the_sender(trouble.next_step)
            raise

    def remove(self) -> None:
        """Removes them."""
        upload_folder.remove(self.folder.parent.parent, self.folder.name)


def take_uploads(
    home: Path | None,
    sent: Sequence[UploadFile],
    limit_bytes: int,
    fits: Callable[[bytes], bool] = lambda beginning: True,
    otherwise: str = "",
) -> Uploads:
    """Writes what was sent into a fresh folder for its owner alone; `Uploads.remove` is for the caller.

    Args:
        limit_bytes: of one file.
        fits: told the first bytes of each, whether it can be of use at all.
        otherwise: what to do where one cannot.

    Raises:
        UsageError: a file is empty, too large or of no use; nothing is kept.
        NoRoom, DestinationError: it cannot be written down; nothing is kept.
    """
    place = home_folder(home)
    stem = f"picture-{datetime.now(UTC):%Y%m%d-%H%M%S}"
    with room_told(), upload_folder.opened(place) as top:
        name = upload_folder.new_folder(top)
        path = place / upload_folder.NAME / name
        try:
            with upload_folder.inside(top, name) as folder:
                files = tuple(
                    _taken(folder, path / f"{stem}-{number:02}", one, limit_bytes, fits, otherwise)
                    for number, one in enumerate(sent, 1)
                )
        except BaseException:
            shutil.rmtree(name, ignore_errors=True, dir_fd=top)
            raise
    return Uploads(path, files)


def _taken(
    folder: int,
    stem: Path,
    sent: UploadFile,
    limit_bytes: int,
    fits: Callable[[bytes], bool],
    otherwise: str,
) -> Upload:
    named = shown(sent.filename or "")
    file = sent.file
    file.seek(0)
    piece = file.read(PIECE_BYTES)
    if not piece:
        raise UsageError(f"{named} is empty: {NOTHING_KEPT}.", "Send it again, or leave it out.")
    if not fits(piece):
        raise UsageError(
            f"{named} is none of the files that are taken here, whatever its name says: {NOTHING_KEPT}.",
            otherwise,
        )
    path = stem.with_name(f"{stem.name}{ending_of(piece) or '.bin'}")
    size = 0
    with upload_folder.new_file(folder, path.name) as place:
        while piece:
            size += len(piece)
            if size > limit_bytes:
                raise UsageError(
                    f"{named} is larger than {bytes_text(limit_bytes)}: {NOTHING_KEPT}.",
                    "Send it smaller, or leave it out.",
                )
            upload_folder.write_whole(place, piece)
            piece = file.read(PIECE_BYTES)
    return Upload(path, named)


@contextmanager
def uploaded(
    home: Path | None,
    sent: Sequence[UploadFile],
    limit_bytes: int,
    fits: Callable[[bytes], bool] = lambda beginning: True,
    otherwise: str = "",
) -> Iterator[Uploads]:
    """The same for as long as it is open; troubles within name files as the sender does. Raises as
    `take_uploads`."""
    taken = take_uploads(home, sent, limit_bytes, fits, otherwise)
    try:
        with taken.told_by_name():
            yield taken
    finally:
        taken.remove()


def shown(name: str) -> str:
    """A file's own name as it is shown: its last part, on one line, and short."""
    return own_name(name) or NAMELESS


def remove_forgotten(
    home: Path | None,
    is_needed: Callable[[int], bool] = lambda folder: False,
    needed: Collection[str] = (),
    left: Collection[str] = (),
) -> None:
    """Removes what a server left behind that was broken off.

    Args:
        is_needed: told a folder as a descriptor, whether it is to stay all the same.
        needed: names of folders that stay.
        left: of folders that nobody needs any more, however young they are.
    """
    with suppress(OSError, MendbayError), upload_folder.opened(home_folder(home)) as top:
        for name in os.listdir(top):
            with suppress(OSError), upload_folder.inside(top, name) as folder:
                late = name in left or time.time() - os.stat(folder).st_mtime > FORGOTTEN_SECONDS
                if late and name not in needed and not is_needed(folder):
                    shutil.rmtree(name, ignore_errors=True, dir_fd=top)
