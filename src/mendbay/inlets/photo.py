"""Pictures of labels, boards and boxes read into sightings, in a child process.

A picture comes from outside and is decoded by large libraries, so it never meets the process that holds
the shop's ledger: the child (`photo_child.py`) is given its bytes and answers with what it saw. A child that
takes too long or ends is replaced, and the picture that did it was not read, which may be tried again. One
that was ended from outside is replaced, and the picture given once more. Nothing here raises for a bad
picture.

Corners of sightings and troubles are in pixels of the picture as it is shown, its Exif orientation applied,
whatever scale it was read at; `width` and `height` are of that picture too.
"""

from __future__ import annotations

import hashlib
import os
import signal
import time
from dataclasses import replace
from types import TracebackType

from mendbay.board.sighting import PICTURE_BYTES, PictureFault, PictureReading, Trouble
from mendbay.board.sighting_text import NotAReading, unpacked
from mendbay.inlets.photo_process import NotTaken, PhotoProcess

MEMORY_BYTES = 4 << 30
SECONDS_PER_PICTURE = 90.0
CPU_SECONDS_PER_PICTURE = 120
"""Of all threads together. A board of 16 million pixels took 17 (measured), others may hold more."""
PICTURES_PER_CHILD = 100
"""Then another child is started, so that a limit on its whole life can mean something."""
THREADS = 2

AGAIN = "Send the picture again, or take it again."
SMALLER = "Send it at a smaller size, or have it read again."
MEMORY = "Close other programs if the machine is short of memory, then have the picture read again."


class _Child(PhotoProcess):
    """One reading process with its models, and the channel to it."""

    def __init__(self, memory_bytes: int, cpu_seconds: int, threads: int) -> None:
        limits = (memory_bytes, cpu_seconds, PICTURES_PER_CHILD, threads)
        super().__init__("mendbay.inlets.photo_child", *limits)


class PictureReader:
    """Reads pictures one after another; to be used in a `with` statement, or closed.

    The child is started with the first picture and keeps its models for the next ones. To be used from one
    thread, which must outlive it: the kernel ends the child with the thread that started it.

    Args:
        seconds_per_picture: after that the child is replaced and the picture could not be read.
        cpu_seconds_per_picture: the same for the processor time of all its threads, which the kernel
            enforces.
        memory_bytes: address space the child may use; 0 for no limit.
        threads: processor threads the child's libraries may use.
        picture_bytes: size of the largest file taken.
    """

    def __init__(
        self,
        *,
        seconds_per_picture: float = SECONDS_PER_PICTURE,
        cpu_seconds_per_picture: int = CPU_SECONDS_PER_PICTURE,
        memory_bytes: int = MEMORY_BYTES,
        threads: int = THREADS,
        picture_bytes: int = PICTURE_BYTES,
    ) -> None:
        least = min(seconds_per_picture, cpu_seconds_per_picture, threads, picture_bytes)
        if least <= 0 or memory_bytes < 0:
            raise ValueError("the limits of a picture reader must be above zero")
        self.seconds_per_picture = seconds_per_picture
        self.cpu_seconds_per_picture = cpu_seconds_per_picture
        self.memory_bytes = memory_bytes
        self.threads = min(threads, os.cpu_count() or 1)
        self.picture_bytes = picture_bytes
        self._child: _Child | None = None

    def __enter__(self) -> PictureReader:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Ends the child. The reader may be used again and then starts another."""
        if self._child is not None:
            self._child.end()
            self._child = None

    def read_bytes(self, data: bytes, name: str) -> PictureReading:
        """What is seen in a picture, given as the bytes of its file.

        Returns:
            The reading under the name given. Its one trouble is `UNUSABLE` if the bytes are no JPEG, PNG or
            WebP picture, damaged or too many, and `UNREAD` if reading them took too long or ended the child.

        Raises:
            ToolMissing: the libraries for reading pictures are not installed, or the child does not start.
        """
        digest = hashlib.sha256(data).hexdigest()
        if len(data) > self.picture_bytes:
            return _unusable(name, digest, self._too_large(len(data)), SMALLER)
        if not data:
            return _unusable(name, digest, "The file is empty", AGAIN)
        started = time.monotonic()
        reading = self._tried(data, name, digest, last=False) or self._tried(data, name, digest, last=True)
        if reading is None:
            what = "The process that was reading the picture was ended from outside, twice"
            reading = _unread(name, digest, what, MEMORY)
        return replace(reading, seconds=round(time.monotonic() - started, 3)) if reading.unread else reading

    def _tried(self, data: bytes, name: str, digest: str, *, last: bool) -> PictureReading | None:
        """One try; None if the child ended by no doing of the picture, or if that is not the last try, before
        it had the whole picture."""
        child = self._ready_child()
        try:
            return unpacked(child.ask(data, self.seconds_per_picture), name, digest)
        except TimeoutError:
            self.close()
            what = f"The picture could not be read within {self.seconds_per_picture:g} seconds"
            return _unread(name, digest, what, SMALLER)
        except NotAReading:
            self.close()
            what = (
                "The picture could not be read: the process that was reading it answered nonsense, so it is "
                "damaged, or was made to have that done"
            )
            return _unread(name, digest, what, AGAIN)
        except EOFError as trouble:
            fate = child.fate()
            self.close()
            if fate == -signal.SIGKILL or (isinstance(trouble, NotTaken) and not last):
                return None
            if fate == -signal.SIGXCPU:
                limit = self.cpu_seconds_per_picture
                what = f"The picture could not be read within {limit} seconds of processor time"
                return _unread(name, digest, what, SMALLER)
            what = (
                "The picture could not be read: it broke the process that was reading it, so it is damaged, "
                "or was made to do so"
            )
            return _unread(name, digest, what, AGAIN)
        except BaseException:
            self.close()  # an answer still to come would be taken for the next picture's
            raise

    def _too_large(self, size: int) -> str:
        return f"The file has {size} bytes; at most {self.picture_bytes} are taken"

    def _ready_child(self) -> _Child:
        if self._child is not None and (self._child.pictures >= PICTURES_PER_CHILD or self._child.ended()):
            self.close()
        if self._child is None:
            child = _Child(self.memory_bytes, self.cpu_seconds_per_picture, self.threads)
            try:
                child.await_ready()
            except BaseException:
                child.end()
                raise
            self._child = child
        return self._child


def _unusable(name: str, sha256: str, measured: str, advice: str) -> PictureReading:
    return _not_read(name, sha256, Trouble(PictureFault.UNUSABLE, measured, advice))


def _unread(name: str, sha256: str, measured: str, advice: str) -> PictureReading:
    return _not_read(name, sha256, Trouble(PictureFault.UNREAD, measured, advice))


def _not_read(name: str, sha256: str, trouble: Trouble) -> PictureReading:
    return PictureReading(name, sha256, 0, 0, (), (trouble,), False, 0.0)
