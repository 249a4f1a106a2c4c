"""The works of a shop as folders: `works/ID/` in its home (docs/formats/works.md).

What is read there may be damaged, and is told as a trouble, never raised.
"""

from __future__ import annotations

import fcntl
import json
import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import MAXYEAR, UTC, datetime, timedelta
from hashlib import blake2b
from pathlib import Path

from mendbay.core.clock import Clock
from mendbay.core.errors import DestinationError, ImageBusy, LedgerError, UsageError
from mendbay.core.texts import require_line
from mendbay.jobs.work_options import bays_held, clip_held, options_of
from mendbay.jobs.work_port import DOING, Outcome, Standing, Trouble, WorkOrder, WorkRequest, Works, WorkState
from mendbay.outlets import work_requests
from mendbay.outlets.own_folders import make_own
from mendbay.outlets.work_folder import (
    ASKED,
    ERRORS,
    ORDER,
    STATE,
    TOLD,
    TOLD_BYTES,
    WorkFolder,
    is_name,
    is_short,
    require_name,
)
from mendbay.outlets.work_json import NotOurs, order_from, order_json, state_from

WORKS = "works"
"""The folder of all works, in the shop's home."""
LONG_AGO = datetime.min.replace(tzinfo=UTC)
_BEGINNING, _GOING = ".new-", ".gone-"
LOST = Trouble(
    "Lost",
    "The process that did this is gone without a word: it was killed, the machine was switched off, or its "
    "last word could not be written, as on a full disk.",
    "See that the disk has room, and order the same again: what was kept by then is not done twice.",
    70,
)
"""What is said of a work whose process ended without saying how."""

ENDING = (
    "Wait until it has ended. To stop it sooner, tell the process that has this name in its command line to "
    "end: it stops cleanly. Then do this again."
)
"""What to do about a living work that no page can show, as its order cannot be read."""


class WorkShelf(Works):
    """Works as folders.

    Args:
        home: the shop's home; `works` is made in it with the first work.
        clock: names the works.
    """

    def __init__(self, home: Path, clock: Clock) -> None:
        self._root = home / WORKS
        self._clock = clock
        self._orders: dict[str, WorkOrder] = {}
        self._over: set[str] = set()
        """Works whose lock was free: no process takes it again."""
        self._held: dict[str, int] = {}
        self._named_at = LONG_AGO

    def new_id(self) -> str:
        before = max([self._named_at, *map(_named_at, self._names()[:1])])  # the clock may have been set back
        now = max(self._clock.now(), before + timedelta(milliseconds=1))
        self._named_at = now
        return f"{now:%Y%m%dT%H%M%S}.{now.microsecond // 1000:03}Z-{secrets.token_hex(6)}"

    # ------------------------------------------------------------------ beginning

    def begin(self, order: WorkOrder) -> None:
        require_name(order.id)
        require_line(order.who, "name of a person")
        options_of(order)  # what it refuses is refused before anything is placed
        try:
            with self._alone():
                self._require_free(order)
                self._place(order)
        except OSError as trouble:
            raise DestinationError(
                f"The work cannot be written into {self._root}: {trouble.strerror}.",
                "Check the folder and its room.",
            ) from trouble

    def hand_over(self, work: str) -> int:
        """The descriptor that holds the lock of a work placed here, to be passed to the process that does it.

        Raises:
            UsageError: it was not placed here, or was handed over.
        """
        if work not in self._held:
            raise UsageError(f"The work {work} was not begun here.", "Begin it first.")
        return self._held[work]

    def let_go(self, work: str) -> None:
        """Lets go of a work that was handed over, or could not be started; from now on it lives as long as
        the process that has it."""
        fd = self._held.pop(work, None)
        if fd is not None:
            os.close(fd)

    @contextmanager
    def _alone(self) -> Iterator[None]:
        """While open, nobody else begins a work or tidies up."""
        make_own(self._root.parent, self._root)
        fd = os.open(self._root, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            fcntl.flock(fd, fcntl.LOCK_EX)
            yield
        finally:
            os.close(fd)

    def _require_free(self, order: WorkOrder) -> None:
        if order.id in self._names():
            raise UsageError(f"There is a work {order.id} already.", "Give it another name.")
        for other in self.orders():
            what = _shared(order, other)
            if not what or not self._goes_on(other.id):
                continue
            doing = DOING[other.kind]
            raise ImageBusy(
                f"{what} what {other.who} began at {other.at}: {doing[0].lower()}{doing[1:]}.",
                "Wait until it has ended, or stop it first.",
            )
        if any(_held(order)):
            self._require_none_unknown()

    def _require_none_unknown(self) -> None:
        """Refuses while a work lives of which nobody can tell what it uses: it could be the very drive, and
        two that read one drive at a time wear it out for nothing."""
        for work in self._names():
            try:
                options_of(self.order(work))
            except (LedgerError, UsageError):  # damaged, gone meanwhile, or not to be opened just now
                if self._goes_on(work):
                    raise ImageBusy(
                        f"The work {work} is under way, and its order cannot be read: it may be using this "
                        "very drive or clip.",
                        ENDING,
                    ) from None

    def _goes_on(self, work: str) -> bool:
        """Whether a work lives and has not said that it ended; where that cannot be told, it does."""
        if not self.is_alive(work):
            return False
        try:
            return not self.state(work).is_over
        except UsageError:
            return self.is_alive(work)

    def _place(self, order: WorkOrder) -> None:
        """Places a work in one step, its lock held already, so that nobody ever sees it without."""
        fresh = self._root / f"{_BEGINNING}{order.id}"
        fresh.mkdir(mode=0o700)
        (fresh / ASKED).mkdir(mode=0o700)
        with WorkFolder.at(fresh) as folder:
            fd = folder.lock()
            assert fd is not None
            try:
                folder.replace(ORDER, order_json(order), lasting=True)
                fresh.rename(self._root / order.id)
            except BaseException:
                os.close(fd)
                raise
        self._held[order.id] = fd

    # ------------------------------------------------------------------ looking

    def order(self, work: str) -> WorkOrder:
        if work in self._orders and work in self._names():
            return self._orders[work]
        with self._opened(work) as folder:
            try:
                self._orders[work] = order_from(folder.document(ORDER), work)
            except (OSError, NotOurs) as trouble:
                raise LedgerError(
                    f"The order of the work {work} cannot be read: {_why(trouble)}.",
                    "Nothing that was read is lost by that. Order it again.",
                ) from trouble
        return self._orders[work]

    def orders(self, case: int | None = None) -> tuple[WorkOrder, ...]:
        found = []
        for work in self._names():
            with suppress(LedgerError, UsageError):  # damaged, or gone meanwhile
                order = self._orders.get(work) or self.order(work)
                if case is None or order.case == case:
                    found.append(order)
        return tuple(found)

    def damaged(self) -> tuple[str, ...]:
        told = []
        for work in self._names():
            try:
                if work not in self._orders:
                    self.order(work)
            except LedgerError as trouble:
                told.append(trouble.what)
            except UsageError:  # gone meanwhile
                continue
        return tuple(told)

    def newest(self, case: int) -> WorkOrder | None:
        return next(iter(self.orders(case)), None)

    def state(self, work: str) -> WorkState:
        alive = self.is_alive(work)  # first: a work that ends in between has said so before
        with self._opened(work) as folder:
            try:
                state = state_from(folder.document(STATE))
            except FileNotFoundError:
                state = WorkState()
            except (OSError, NotOurs) as trouble:
                state = WorkState(
                    damage=f"The state of this work cannot be read: {_why(trouble)}. Nothing that was read "
                    "is lost by that: once it has ended, order the same again."
                )
            if state.is_over:
                return state
            if alive:
                return replace(state, standing=Standing.RUNS) if state.damage else state
            return replace(
                state, standing=Standing.ENDED, outcome=Outcome.LOST, question=None, trouble=_lost(folder)
            )

    def told(self, work: str) -> tuple[str, ...]:
        found = []
        with self._opened(work) as folder:
            try:
                lines = folder.data(TOLD, TOLD_BYTES).split(b"\n")
            except (OSError, NotOurs):
                return ()
        for line in lines:
            with suppress(ValueError, RecursionError, TypeError, KeyError):  # torn by a crash, or damaged
                text = json.loads(line)["text"]
                if isinstance(text, str):
                    found.append(text)
        return tuple(found)

    def is_alive(self, work: str) -> bool:
        require_name(work)
        if work in self._over:
            return False
        try:
            with WorkFolder(self._root, work) as folder:
                if folder.is_locked():
                    return True
        except OSError as trouble:
            return is_short(trouble)  # then taken for living: nothing may be begun beside one that is
        self._over.add(work)
        return False

    def revision(self) -> str:
        seen = blake2b(digest_size=16)
        for work in self._names():
            mark = ""
            if self.is_alive(work):
                with suppress(OSError), WorkFolder(self._root, work) as folder:
                    mark = f"alive {folder.mark_of_state()}"
            seen.update(f"{work} {mark}\n".encode())
        return seen.hexdigest()

    # ------------------------------------------------------------------ asking and tidying

    def ask(self, work: str, request: WorkRequest) -> None:
        if self.state(work).is_over:
            raise UsageError("This work has ended; nothing can be asked of it.", "Order it again to go on.")
        with self._opened(work) as folder:
            try:
                with folder.inside(ASKED) as asked:
                    work_requests.place(asked, request)
            except OSError as trouble:
                raise DestinationError(
                    f"The work {work} cannot be asked: {trouble.strerror}.", "Check the folder and its room."
                ) from trouble

    def tidy(self, keep: int) -> int:
        ended = [work for work in self._names() if not self.is_alive(work)]
        return self._remove(ended[max(0, keep) :])

    def forget(self, case: int) -> int:
        orders = {one.id: one.case for one in self.orders()}
        going = [work for work in self._names() if orders.get(work, case) == case]
        living = [work for work in going if self.is_alive(work)]
        if any(work in orders for work in living):
            raise DestinationError(f"A work of case {case} is under way.", "Stop it, and do this again.")
        if living:
            raise DestinationError(
                f"The work {living[0]} is under way, and its order cannot be read: it may be of case {case}.",
                ENDING,
            )
        removed = self._remove([work for work in going if work not in living])
        if self._left() or (set(going) - set(living)) & set(self._names()):
            raise DestinationError(
                f"What is kept of works in {self._root} cannot be removed.",
                "Check the folder and its rights, and do this again.",
            )
        return removed

    def _left(self) -> bool:
        """Whether something is there that was to be removed."""
        try:
            return any(one.startswith(_GOING) for one in os.listdir(self._root))
        except OSError:
            return False

    def _remove(self, works: list[str]) -> int:
        if not self._root.is_dir():
            return 0
        removed = 0
        with suppress(OSError), self._alone():
            for work in works:
                with suppress(OSError):
                    (self._root / work).rename(self._root / f"{_GOING}{work}")
                    removed += 1
                self._orders.pop(work, None)
                self._over.discard(work)
            for path in self._root.iterdir():
                if path.name.startswith((_GOING, _BEGINNING)):  # also what a crash left
                    shutil.rmtree(path, ignore_errors=True)
        return removed

    # ------------------------------------------------------------------ the folder

    def _names(self) -> list[str]:
        """The names of all works, the newest first."""
        try:
            return sorted((one for one in os.listdir(self._root) if is_name(one)), reverse=True)
        except OSError:
            return []

    @contextmanager
    def _opened(self, work: str) -> Iterator[WorkFolder]:
        try:
            folder = WorkFolder(self._root, work)
        except OSError as trouble:
            raise UsageError(f"There is no work {work}.", "Look at the list of works.") from trouble
        with folder:
            yield folder


def _named_at(work: str) -> datetime:
    """The time in the name of a work; long ago where it is none."""
    with suppress(ValueError):
        at = datetime.strptime(work.partition("Z")[0], "%Y%m%dT%H%M%S.%f").replace(tzinfo=UTC)
        return at if at.year < MAXYEAR else LONG_AGO
    return LONG_AGO


def _shared(order: WorkOrder, other: WorkOrder) -> str:
    """What an order would use, or do, together with another, as a sentence begins; empty for nothing."""
    (bays, clip), (other_bays, other_clip) = _held(order), _held(other)
    if clip and clip == other_clip:
        return f"This clip is in use, for case {other.case}, by"
    if order.case != other.case:
        return ""
    for bay in sorted(bays & other_bays):
        return f"Bay {bay} of case {order.case} is in use by"
    return "The same is done by" if (order.kind, order.options) == (other.kind, other.options) else ""


def _held(order: WorkOrder) -> tuple[frozenset[str], str]:
    """The bays and the clip that an order has for itself, as far as it can be read."""
    try:
        options = options_of(order)
    except UsageError:  # damaged, or of a work that was changed since
        return frozenset(), ""
    return frozenset(bays_held(options)), clip_held(options)


def _why(trouble: Exception) -> str:
    return (trouble.strerror or "unknown") if isinstance(trouble, OSError) else str(trouble)


def _lost(folder: WorkFolder) -> Trouble:
    """What is said of a lost work, with the last line that its process wrote on its way, if any."""
    with suppress(OSError, NotOurs):
        lines = folder.data(ERRORS, 1 << 16).decode("utf-8", "replace").split("\n")
        last = next((one.strip() for one in reversed(lines) if one.strip()), "")
        if last:
            return replace(LOST, what=f"{LOST.what} The last it wrote: {last[:300]}")
    return LOST
