"""Small pictures of pictures and text out of documents, made in child processes, for many who ask at once.

A picture from a customer's drive is never sent on as it is: a child (`preview_child.py`) decodes it and makes
a new one. Of an office document it gives nothing but text. Each child has a thread of its own, which starts
it, gives it one picture after another and outlives it, since the kernel ends a child with the thread that
started it; whoever asks waits for the answer. A child that takes too long, ends or answers nonsense is
replaced, and what is known of the picture is said.
"""

from __future__ import annotations

import hashlib
import queue
import signal
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self

from mendbay.board.sighting_text import NotAReading
from mendbay.core.errors import ToolMissing
from mendbay.core.quantity import bytes_text
from mendbay.core.span import SpanSet
from mendbay.inlets import preview_wire
from mendbay.inlets.photo_process import NotTaken, PhotoProcess
from mendbay.jobs.ports import never
from mendbay.jobs.preview_port import (
    DOCUMENT_BYTES,
    LARGE_SIDE,
    MOST_HOLES,
    PDF_BYTES,
    PICTURE_BYTES,
    THUMBNAIL_SIDE,
    MadeDocument,
    MadePicture,
    NoPreview,
)

MEMORY_BYTES = 2 << 30
SECONDS_PER_PICTURE = 20.0
CPU_SECONDS_PER_PICTURE = 20
PICTURES_PER_CHILD = 500
"""Then another child is started, so that a limit on its whole life can mean something."""
CHILDREN = 2
LOOK_SECONDS = 0.2
"""How often who waits looks whether the preview is still wanted."""
WAITING_SECONDS = 120.0
"""How long whoever asks waits for those who asked before."""
KEPT_BYTES = 48 << 20
"""Of previews made, those asked for last; of large ones some hundred."""

BESIDE = "Its verdict stands beside it."
KEEP = "Keep it as a file and open that."
AGAIN = "Ask for it again."
Picture = MadePicture | NoPreview
Answer = MadePicture | MadeDocument | NoPreview


@dataclass(slots=True)
class _Wish:
    """A picture of a picture or of a page of a PDF, or with a side of 0 the text of a document, that somebody
    waits for."""

    data: bytes
    side: int
    page: int = 0
    answer: Future[Answer] = field(default_factory=Future)

    @property
    def called(self) -> str:
        return "file" if self.page or not self.side else "picture"

    @property
    def instead(self) -> str:
        """What there is where it cannot be made: only files of a drive have a verdict."""
        return KEEP if self.page else BESIDE


class PreviewPool:
    """Makes previews; to be used in a `with` statement, or closed. May be asked from any number of threads.

    Children start with the first pictures.

    Args:
        children: how many pictures are decoded at once.
        seconds_per_picture: after that the child is replaced and the picture has no preview.
        cpu_seconds_per_picture: the same for its processor time, which the kernel enforces.
        memory_bytes: address space a child may use; 0 for no limit.
        picture_bytes: size of the largest file taken.
    """

    def __init__(
        self,
        *,
        children: int = CHILDREN,
        seconds_per_picture: float = SECONDS_PER_PICTURE,
        cpu_seconds_per_picture: int = CPU_SECONDS_PER_PICTURE,
        memory_bytes: int = MEMORY_BYTES,
        picture_bytes: int = PICTURE_BYTES,
    ) -> None:
        least = min(children, seconds_per_picture, cpu_seconds_per_picture, picture_bytes)
        if least <= 0 or memory_bytes < 0 or picture_bytes > PICTURE_BYTES:
            raise ValueError("the limits of previews must be above zero, and no file larger than is sent")
        self.seconds_per_picture = seconds_per_picture
        self.cpu_seconds_per_picture = cpu_seconds_per_picture
        self.memory_bytes = memory_bytes
        self.picture_bytes = picture_bytes
        self._children = children
        self._wishes: queue.SimpleQueue[_Wish | None] = queue.SimpleQueue()
        self._keepers: list[_Keeper] = []
        self._guard = threading.Lock()
        self._closed = False
        self._kept = _Kept()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Ends the children. Whoever still waits is told that there is no preview; so is who asks later."""
        with self._guard:
            self._closed = True
            keepers, self._keepers = self._keepers, []
        for _ in keepers:
            self._wishes.put(None)
        for one in keepers:
            one.stop()
        for one in keepers:
            one.join()
        while not self._wishes.empty():
            wish = self._wishes.get()
            if wish is not None and wish.answer.set_running_or_notify_cancel():
                wish.answer.set_result(_closing())

    def page(self, pdf: bytes, number: int, *, stop: Callable[[], bool] = never) -> Picture:
        """A page of a PDF as a picture of at most 1600 pixels a side, or why there is none.

        Raises:
            ToolMissing: as `picture`.
        """
        if len(pdf) > PDF_BYTES:
            return NoPreview(
                f"The PDF has {len(pdf)} bytes; of at most {PDF_BYTES} the pages are shown",
                KEEP,
            )
        return _pictured(self._asked(pdf, LARGE_SIDE, number, stop))

    def document(
        self, data: bytes, holes: SpanSet, *, stop: Callable[[], bool] = never
    ) -> MadeDocument | NoPreview:
        """The beginning of an office document as text, or why there is none.

        Raises:
            ToolMissing: as `picture`.
        """
        if len(data) > DOCUMENT_BYTES:
            return NoPreview(
                f"The document has {bytes_text(len(data))}; of at most {bytes_text(DOCUMENT_BYTES)} the text "
                "is shown",
                BESIDE,
            )
        if len(holes) > MOST_HOLES:
            return NoPreview("Too much of the document is missing for its text to be found", BESIDE)
        answer = self._asked(preview_wire.with_holes(data, holes), 0, 0, stop)
        assert not isinstance(answer, MadePicture)
        return answer

    def picture(self, data: bytes, *, large: bool = False, stop: Callable[[], bool] = never) -> Picture:
        """A picture of at most 1600 (`large`) or 320 pixels a side, upright, or why there is none.

        Raises:
            ToolMissing: the libraries for pictures are not installed, or the child does not start.
        """
        if len(data) > self.picture_bytes:
            return NoPreview(
                f"The picture has {len(data)} bytes; of at most {self.picture_bytes} a preview is made",
                BESIDE,
            )
        if not data:
            return NoPreview("The file is empty")
        return _pictured(self._asked(data, LARGE_SIDE if large else THUMBNAIL_SIDE, 0, stop))

    def _asked(self, data: bytes, side: int, page: int, stop: Callable[[], bool]) -> Answer:
        key = (hashlib.sha256(data).digest(), side, page)
        with self._guard:
            if self._closed:
                return _closing()
            held = self._kept.get(key)
            if held is not None:
                return held
            self._begin()
            wish = _Wish(data, side, page)
            self._wishes.put(wish)
        answer = _awaited(wish.answer, WAITING_SECONDS + self.seconds_per_picture, stop)
        with self._guard:
            self._kept.put(key, answer)
        return answer

    def _begin(self) -> None:
        """Starts the threads with the first picture."""
        while len(self._keepers) < self._children:
            keeper = _Keeper(self, self._wishes)
            self._keepers.append(keeper)
            keeper.start()


class _Keeper(threading.Thread):
    """The thread that starts a child and gives it the pictures, until it is told to end."""

    def __init__(self, pool: PreviewPool, wishes: queue.SimpleQueue[_Wish | None]) -> None:
        super().__init__(name="previews", daemon=True)
        self._pool = pool
        self._wishes = wishes
        self._child: PhotoProcess | None = None
        self._guard = threading.Lock()
        self._stopped = False

    def run(self) -> None:
        try:
            while not self._stopped and (wish := self._wishes.get()) is not None:
                if wish.answer.set_running_or_notify_cancel():
                    self._grant(wish)
        finally:
            self._end()

    def stop(self) -> None:
        """Has the picture at hand broken off; called by another thread."""
        with self._guard:
            self._stopped = True
            if self._child is not None:
                self._child.process.kill()

    def _grant(self, wish: _Wish) -> None:
        try:
            wish.answer.set_result(self._answer(wish))
        except BaseException as trouble:  # told in the thread that waits; this one has pictures to come
            self._end()
            if self._stopped:
                wish.answer.set_result(_closing())
            else:
                wish.answer.set_exception(trouble)

    def _answer(self, wish: _Wish) -> Answer:
        for last in (False, True):
            found = self._tried(wish, last)
            if found is not None:
                return found
            if self._stopped:
                return _closing()
        what = "The process that makes previews was ended from outside, twice"
        return NoPreview(
            what, "Close other programs if the machine is short of memory, then ask again.", True
        )

    def _tried(self, wish: _Wish, last: bool) -> Answer | None:
        """One try; None if the child ended by no doing of the picture, or, unless it is the last try, before
        it had the whole picture."""
        child = self._ready_child()
        try:
            message = preview_wire.asked(wish.data, wish.side, wish.page)
            answer = child.ask(message, self._pool.seconds_per_picture)
            if not wish.side:
                return preview_wire.document_answer_of(answer)
            return preview_wire.answer_of(answer, wish.side)
        except TimeoutError:
            self._end()
            limit = f"{self._pool.seconds_per_picture:g} seconds"
            return NoPreview(f"No preview could be made within {limit}", wish.instead, again=True)
        except NotAReading:
            self._end()
            return NoPreview(
                "No preview could be made: the process that does it answered nonsense, so the "
                f"{wish.called} is damaged, or was made to have that done",
                wish.instead,
                again=True,
            )
        except EOFError as trouble:
            fate = child.fate()
            self._end()
            if fate == -signal.SIGKILL or (isinstance(trouble, NotTaken) and not last):
                return None
            if fate == -signal.SIGXCPU:
                limit = f"{self._pool.cpu_seconds_per_picture} seconds of processor time"
                return NoPreview(f"No preview could be made within {limit}", wish.instead)
            return NoPreview(
                f"No preview could be made: the {wish.called} broke the process that does it, so it is "
                "damaged, or was made to do so",
                wish.instead,
            )

    def _ready_child(self) -> PhotoProcess:
        child = self._child
        if child is not None and (child.pictures >= PICTURES_PER_CHILD or child.ended()):
            self._end()
        if self._child is None:
            pool = self._pool
            child = PhotoProcess(
                "mendbay.inlets.preview_child",
                pool.memory_bytes,
                pool.cpu_seconds_per_picture,
                PICTURES_PER_CHILD,
                1,
            )
            with self._guard:
                self._child = child
                if self._stopped:
                    child.process.kill()
            try:
                child.await_ready()
            except ToolMissing:
                self._end()
                raise
        assert self._child is not None
        return self._child

    def _end(self) -> None:
        with self._guard:
            child, self._child = self._child, None
        if child is not None:
            child.end()


def _awaited(answer: Future[Answer], seconds: float, stop: Callable[[], bool]) -> Answer:
    """The answer, if it comes in time and as long as somebody wants it."""
    until = time.monotonic() + seconds
    while not answer.done():
        if time.monotonic() > until or stop():
            answer.cancel()
            return NoPreview("Too many previews are asked for at once", AGAIN, again=True)
        with suppress(TimeoutError):
            answer.result(LOOK_SECONDS)
    return answer.result()


class _Kept:
    """The previews asked for last, by the digest of their file and their side, up to `KEPT_BYTES`."""

    def __init__(self) -> None:
        self._held: OrderedDict[tuple[bytes, int, int], Answer] = OrderedDict()
        self._bytes = 0

    def get(self, key: tuple[bytes, int, int]) -> Answer | None:
        found = self._held.get(key)
        if found is not None:
            self._held.move_to_end(key)
        return found

    def put(self, key: tuple[bytes, int, int], answer: Answer) -> None:
        if key in self._held or (isinstance(answer, NoPreview) and answer.again):
            return
        self._held[key] = answer
        self._bytes += _size(answer)
        while self._bytes > KEPT_BYTES:
            self._bytes -= _size(self._held.popitem(last=False)[1])


def _size(answer: Answer) -> int:
    if isinstance(answer, MadeDocument):
        return 500 + sum(
            200 + 4 * len(cell or "") for one in answer.pieces for row in one.rows for cell in row.cells
        )
    return 500 + (len(answer.data) if isinstance(answer, MadePicture) else 0)


def _pictured(answer: Answer) -> Picture:
    assert not isinstance(answer, MadeDocument)
    return answer


def _closing() -> NoPreview:
    return NoPreview("Mendbay is being closed", AGAIN, again=True)
