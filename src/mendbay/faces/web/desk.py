"""What the server holds for as long as it runs."""

from __future__ import annotations

import secrets
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from mendbay.core.clock import Clock, SystemClock
from mendbay.faces.web.gatherer import Found, Gathered, Gatherer
from mendbay.faces.web.live import Pulse
from mendbay.faces.web.weigher import Weigher
from mendbay.jobs.asked_by_works import asked_by_works
from mendbay.wiring import forget_worked_out, ledger_watch, works

if TYPE_CHECKING:
    from mendbay.faces.web.guard import Rules
    from mendbay.jobs.work_port import Works

APART = ("phone.js", "phone.css")
"""Files of the telephone's pages, which load them by themselves."""
STATIC_TYPES = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml", ".txt": "text/plain"}


@dataclass(frozen=True, slots=True)
class Desk:
    """The shop's home and what is kept open of it.

    Args:
        home: where cases are kept; None for this machine's default.
        rules: who may ask.
        pulse: tells pages that something changed.
        boot: differs with every start of the server.
        static: the server's own files, by their path below `static/`.
        phone_port: where telephones are listened to while a key for one is open; 0 for any that is free.
        kept: what a view keeps between requests, by its own name; lost when the server ends.
        clock: says which day it is.
        of_cases: the names of that which holds what was shown of cases.
    """

    home: Path | None
    rules: Rules
    pulse: Pulse
    boot: str = field(default_factory=lambda: secrets.token_hex(4))
    static: Mapping[str, tuple[bytes, str]] = field(default_factory=lambda: static_files())
    phone_port: int = 0
    kept: dict[str, Any] = field(default_factory=dict)
    clock: Clock = field(default_factory=SystemClock)
    of_cases: set[str] = field(default_factory=set)
    lock: threading.RLock = field(default_factory=threading.RLock, repr=False)

    def keep(self, name: str, make: Callable[[], Any], *, of_cases: bool = False) -> Any:
        """What is kept under a name; made with the first asking. What has an `end` or a `close` is ended with
        the server.

        Args:
            of_cases: it holds what was shown of cases and can be made anew, so it can be let go of at any
                time.
        """
        with self.lock:
            if name not in self.kept:
                self.kept[name] = make()
            if of_cases:
                self.of_cases.add(name)
            return self.kept[name]

    def let_go_of_cases(self) -> None:
        """Keeps nothing more of what was shown of cases: once one is forgotten, or nobody looked for long."""
        with self.lock:
            gone = [self.kept.pop(name) for name in self.of_cases if name in self.kept]
        for one in gone:
            if hasattr(one, "close"):
                one.close()

    def forget(self, case: int | None) -> None:
        """Keeps nothing more of a case, in what was gathered of the whole shop either.

        Args:
            case: None for any case.
        """
        self.let_go_of_cases()
        with self.lock:
            kept = list(self.kept.values())
        for one in kept:
            if isinstance(one, Gatherer):
                one.let_go()
            elif hasattr(one, "forget"):
                one.forget(case)

    def look_at_ledger(self) -> None:
        """Lets go of cases that were forgotten, by a command say; and of all of them once another ledger was
        put in the place of the one before, as cases of the same numbers may be others.

        Raises:
            LedgerError: the ledger is not there, or cannot be read.
        """
        news = self.version.news()
        if news.is_other:
            forget_worked_out(self.home)
            self.forget(None)
        for case in news.forgotten:
            self.forget(case)

    def gathered(
        self,
        name: str,
        gather: Callable[[], tuple[Found, str]],
        *,
        with_works: bool = False,
        **how: Any,
    ) -> Gathered[Found] | None:
        """What is gathered from the whole shop under a name; None while it is gathered the first time.

        Args:
            gather, how: of `Gatherer`.
            with_works: gathered anew also once works wait for a person to do something, or no longer do.

        Raises:
            MendbayError: it cannot be gathered.
        """
        version = self._version_with_works if with_works else self._version_today
        kept: Gatherer[Found] = self.keep(
            name, lambda: Gatherer(gather, version, lambda: self.pulse.tell("ledger"), **how)
        )
        return kept.get()

    def _version_today(self) -> object:
        """What is gathered is of one day too: what is due is another on the next."""
        return self.version.now(), self.clock.now().date()

    def _version_with_works(self) -> object:
        return self._version_today(), asked_by_works(self.works)

    @property
    def weigher(self) -> Weigher:
        """Works out what to do next where it is not worked out yet."""
        found: Weigher = self.keep("weigher", lambda: Weigher(self.home, lambda: self.pulse.tell("ledger")))
        return found

    @property
    def works(self) -> Works:
        """The long jobs of the shop; what it knows of those that ended is kept."""
        found: Works = self.keep("works", lambda: works(self.home))
        return found

    @property
    def version(self) -> LedgerVersion:
        """Tells exactly whether the ledger has changed."""
        found: LedgerVersion = self.keep("version", lambda: LedgerVersion(self.home))
        return found

    def end(self) -> None:
        """Ends what is kept."""
        with self.lock:
            kept, names = dict(self.kept), list(self.kept)
            self.kept.clear()
        for name in reversed(names):
            ending = getattr(kept[name], "end", None) or getattr(kept[name], "close", None)
            if ending is not None:
                ending()


class LedgerVersion:
    """Tells whether the ledger has changed since it was asked for last, by whomever; so that what was made of
    the whole ledger can be kept until then. Any thread may ask."""

    def __init__(self, home: Path | None) -> None:
        self._watch = ledger_watch(home)
        self._lock = threading.Lock()
        self._at: tuple[int, int] | None = None
        self._gone: frozenset[int] = frozenset()

    def now(self) -> tuple[int, int]:
        """Differs after every change."""
        return self._watch.now()

    def news(self) -> LedgerNews:
        """What of it takes away from what is on record, since this was asked for last.

        Raises:
            LedgerError: the ledger is not there, or cannot be read.
        """
        with self._lock:
            before, at = self._at, self._watch.now()
            if at == before:
                return LedgerNews()
            gone = self._watch.forgotten()
            new = frozenset() if before is None else gone - self._gone
            self._at, self._gone = at, gone
            return LedgerNews(before is not None and at[0] != before[0], new)


@dataclass(frozen=True, slots=True)
class LedgerNews:
    """
    Args:
        is_other: another file was put in its place.
        forgotten: cases that were forgotten.
    """

    is_other: bool = False
    forgotten: frozenset[int] = frozenset()


def static_files() -> dict[str, tuple[bytes, str]]:
    """Path, bytes and media type of every file that pages load."""
    folder = files("mendbay.faces.web") / "static"
    found: dict[str, tuple[bytes, str]] = {}
    for place, prefix in ((folder, ""), (folder / "vendor", "vendor/")):
        for one in place.iterdir():
            kind = STATIC_TYPES.get(Path(one.name).suffix)
            if one.is_file() and kind is not None:
                found[prefix + one.name] = (one.read_bytes(), kind)
    for ending in (".css", ".js"):
        found[f"pages{ending}"] = (_joined(found, ending), STATIC_TYPES[ending])
    return found


def _joined(found: Mapping[str, tuple[bytes, str]], ending: str) -> bytes:
    """What every page loads, whichever page it was reached from: the common file, then those of single
    pages. A form that was sent exchanges the body alone, and its page's own files would not be loaded
    then."""
    common = f"mendbay{ending}"
    own = sorted(name for name in found if name.endswith(ending) and "/" not in name and name != common)
    return b"\n".join(found[name][0] for name in (common, *own) if name not in APART)
