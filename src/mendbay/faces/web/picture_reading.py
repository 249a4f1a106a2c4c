"""Pictures of a bay, read one after another while the person goes on.

One thread reads them all, so that a telephone that sends one after another has one reader and not many: the
process that decodes pictures ends with the thread that started it. What was read stands in the ledger at
once, picture by picture. What is left when the server ends is ordered as works; what a server that was killed
left is taken up at the next start.
"""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from mendbay.core.clock import SystemClock, iso
from mendbay.core.errors import MendbayError
from mendbay.core.quantity import counted
from mendbay.faces.web.reading_orders import TRIES, ReadingOrder, left_behind
from mendbay.faces.web.uploads import Uploads
from mendbay.jobs.events import Event, StepProgress
from mendbay.jobs.read_pictures import BoardLook, read_pictures
from mendbay.jobs.work_port import WorkKind, WorkOrder
from mendbay.wiring import open_bench, person, read_pictures_with, shop_files, start_work, works

if TYPE_CHECKING:
    from mendbay.board.sighting import PictureReading as Reading
    from mendbay.faces.web.desk import Desk
    from mendbay.jobs.board_ports import Pictures

KEPT = "picture-reading"
ENDING_SECONDS = 1.0
WRITING_SECONDS = 30.0
"""How long a reading that is being written down is waited for at the end."""
OUTCOMES = 50
"""Bays whose last reading is remembered."""

_log = logging.getLogger("mendbay.web")
Place = tuple[int, str]
"""A case and a bay."""


@dataclass(frozen=True, slots=True)
class Standing:
    """How the reading of a bay's pictures stands.

    Args:
        waiting: pictures sent and not read yet.
        now: the one that is being read, by its name; empty for none.
        left_out: what was not taken of the last that were sent, as sentences.
        trouble, next_step: why the last reading broke off; empty if it did not.
    """

    waiting: int = 0
    now: str = ""
    left_out: tuple[str, ...] = ()
    trouble: str = ""
    next_step: str = ""


@dataclass(slots=True)
class _Task:
    order: ReadingOrder
    left: int = field(init=False)

    def __post_init__(self) -> None:
        self.left = len(self.uploads.files)

    @property
    def place(self) -> Place:
        return self.order.case, self.order.bay

    @property
    def who(self) -> str:
        return self.order.who

    @property
    def uploads(self) -> Uploads:
        return self.order.uploads


class _Ended(Exception):
    """The server ends, and others go on."""


class _Lent:
    """A reader that a job may close, and that stays open all the same.

    Args:
        done: called when a picture is read, before that is written down.
    """

    def __init__(self, reader: Pictures, done: Callable[[], None]) -> None:
        self._reader = reader
        self._done = done

    def read_bytes(self, data: bytes, name: str) -> Reading:
        reading = self._reader.read_bytes(data, name)
        self._done()
        return reading

    def close(self) -> None:
        """Whoever lent it closes it."""


class PictureReading:
    """
    Args:
        reader: starts what reads.
    """

    def __init__(self, home: Path | None, reader: Callable[[], Pictures]) -> None:
        self._home = home
        self._reader = reader
        self._queue: queue.SimpleQueue[_Task | None] = queue.SimpleQueue()
        self._lock = threading.Lock()
        self._tasks: list[_Task] = []
        self._outcomes: dict[Place, Standing] = {}
        self._now = ""
        self._thread: threading.Thread | None = None
        self._open: Pictures | None = None
        self._ending = self._handed_over = self._writing = False
        self._quiet = threading.Condition(self._lock)

    def put(self, case: int, bay: str, who: str, uploads: Uploads) -> None:
        """Has pictures read, and their files removed afterwards.

        Raises:
            NoRoom, DestinationError: it cannot be written down that they wait; their files are removed.
        """
        try:
            self._put(ReadingOrder(case, bay, who, uploads).taken())
        except MendbayError:
            uploads.remove()
            raise

    def take_up(self) -> None:
        """Has read what a server that was killed had not; what brought it down each time is given up."""
        for order in left_behind(self._home, self._give_up):
            self._put(order)

    def _give_up(self, order: ReadingOrder) -> None:
        count = counted(len(order.uploads.files), "picture")
        with self._lock:
            self._outcomes[order.case, order.bay] = Standing(
                trouble=f"{count} of this bay could not be read: the server ended {TRIES} times meanwhile. "
                "Nothing of what was sent is kept.",
                next_step="Send them again one by one, so that the others are read if one cannot be.",
            )

    def _put(self, order: ReadingOrder) -> None:
        task = _Task(order)
        with self._lock:
            self._tasks.append(task)
            self._outcomes.pop(task.place, None)
            if self._thread is None:
                self._thread = threading.Thread(target=self._run, name="pictures", daemon=True)
                self._thread.start()
        self._queue.put(task)

    def standing(self, case: int, bay: str) -> Standing:
        """How it stands with the pictures of a bay."""
        place = (case, bay)
        with self._lock:
            mine = [one for one in self._tasks if one.place == place]
            if not mine:
                return self._outcomes.get(place, Standing())
            is_first = self._tasks[0].place == place
            return Standing(sum(one.left for one in mine), self._now if is_first else "")

    def knows(self, case: int, bay: str) -> bool:
        """Whether pictures of a bay were sent since the server began."""
        place = (case, bay)
        with self._lock:
            return place in self._outcomes or any(one.place == place for one in self._tasks)

    def waiting(self, case: int) -> int:
        """How many pictures of all bays of a case were sent and are not read yet."""
        with self._lock:
            return sum(one.left for one in self._tasks if one.place[0] == case)

    def forget(self, case: int | None) -> None:
        """Keeps nothing of how the readings of a case ended; None for those of all."""
        with self._lock:
            for place in [one for one in self._outcomes if case in (None, one[0])]:
                del self._outcomes[place]

    def await_quiet(self, seconds: float) -> bool:
        """Waits until nothing is left to be read; whether that came."""
        with self._quiet:
            return self._quiet.wait_for(lambda: not self._tasks, seconds)

    def end(self) -> None:
        """Ends; what is not read yet is read by works, which go on without the server."""
        with self._lock:
            thread, self._ending = self._thread, True
        self._queue.put(None)
        if thread is not None:
            thread.join(ENDING_SECONDS)  # after the picture it has in hand
        with self._quiet:
            self._quiet.wait_for(lambda: not self._writing, WRITING_SECONDS)
            left = list(self._tasks)
            self._handed_over = True  # what is still being read is written down by nobody here
        for place in dict.fromkeys(one.place for one in left):
            self._hand_over(place, [one for one in left if one.place == place])

    def _hand_over(self, place: Place, tasks: Sequence[_Task]) -> None:
        files = [file for one in tasks for file in one.uploads.files]
        names = {path: name for one in tasks for path, name in one.uploads.names.items()}
        order = WorkOrder(
            works(self._home).new_id(),
            WorkKind.READ_PICTURES,
            place[0],
            tasks[0].who or person(),
            iso(SystemClock().now()),
            {
                "bay": place[1],
                "places": [str(one.path.absolute()) for one in files],
                "names": [names.get(one.path, one.path.name) for one in files],
            },
        )
        try:
            start_work(self._home, order)
        except MendbayError as trouble:
            _log.error("pictures of case %s wait for the next start: %s", place[0], trouble.what)
            for one in tasks:
                one.order.let_go()
            return
        for one in tasks:
            one.order.drop()

    def _run(self) -> None:
        while (task := self._queue.get()) is not None:
            if self._ending:
                break
            outcome = self._outcome(task)
            with self._quiet:
                self._writing = False
                if outcome is None or self._handed_over:
                    self._quiet.notify_all()
                    break
                self._tasks.remove(task)
                self._outcomes[task.place] = outcome
                while len(self._outcomes) > OUTCOMES:
                    del self._outcomes[next(iter(self._outcomes))]
                self._now = ""
            task.uploads.remove()
            task.order.let_go()
            if self._queue.empty():
                self._rest()
            with self._quiet:
                self._quiet.notify_all()
        self._rest()

    def _awake(self) -> Pictures:
        """The reader, which goes on from one sending to the next: it takes seconds to start."""
        if self._open is None:
            self._open = self._reader()
        return _Lent(self._open, self._is_read)

    def _is_read(self) -> None:
        """
        Raises:
            _Ended: the picture was handed over meanwhile.
        """
        with self._lock:
            if self._handed_over:
                raise _Ended
            self._writing = True

    def _rest(self) -> None:
        if self._open is not None:
            self._open.close()
            self._open = None

    def _outcome(self, task: _Task) -> Standing | None:
        """What became of it; None if it is left to others."""

        def tell(event: Event) -> None:
            if isinstance(event, StepProgress):
                with self._quiet:
                    self._writing = False
                    self._quiet.notify_all()
                    if self._ending and event.done < event.total:
                        raise _Ended
                    self._now = event.now
                    task.left = event.total - event.done

        try:
            with task.uploads.told_by_name(), open_bench(self._home, tell=tell) as bench:
                mine = replace(bench, who=task.who) if task.who else bench
                shop = shop_files(self._home)
                sent = task.uploads
                look = read_pictures(mine, shop, self._awake, *task.place, sent.paths, sent.names)
        except _Ended:
            return None
        except MendbayError as trouble:
            return Standing(trouble=trouble.what, next_step=trouble.next_step)
        except Exception as trouble:  # a thread that dies of one picture would read no other
            _log.error("pictures of case %s", task.place[0], exc_info=trouble)
            return Standing(
                trouble="Something unforeseen went wrong while pictures were read.",
                next_step="The terminal in which the server runs says where. Send the pictures again.",
            )
        return Standing(left_out=_left_out(look, task.uploads))


def _left_out(look: BoardLook, uploads: Uploads) -> tuple[str, ...]:
    said = [f"{one.name}: {one.why}. {one.next_step}".strip() for one in look.left_out]
    return tuple(map(uploads.in_words_of_the_sender, said))


def picture_reading(desk: Desk) -> PictureReading:
    """The one of this server."""
    found: PictureReading = desk.keep(KEPT, lambda: PictureReading(desk.home, read_pictures_with))
    return found
