"""One request as a view sees it."""

from __future__ import annotations

import hashlib
import json
import re
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from mendbay.core.errors import ChangedMeanwhile, LedgerError, UsageError
from mendbay.faces.web.addresses import Address, Book
from mendbay.faces.web.answers import Go
from mendbay.jobs.events import Advised, Event, Said
from mendbay.jobs.papers import SHARED_ACCOUNTS
from mendbay.jobs.ports import never
from mendbay.wiring import open_bench, person

if TYPE_CHECKING:
    from mendbay.faces.web.desk import Desk
    from mendbay.jobs.bench import Bench


_DOUBLED = re.compile(r"(?<!\.)([.!?])\.(?=\s|$)")
TOLD_KEPT = 500
"""Sentences of jobs that one request keeps, the newest: a page shows a few."""


@dataclass(frozen=True, slots=True)
class Visit:
    """What a view is given.

    Args:
        path: the variable parts of the address.
        said: what query or form says, field by field.
        seen: the mark of what the form's page showed; empty if it carries none.
        who: the person at the bench, for custody; empty for the account the server runs under.
        here: path and query of this request.
        mark: how the news stood before anything was looked at; what comes later is news to the page.
        told: the last sentences that jobs said during it.
        gone: whether whoever asks for a page has gone away meanwhile, so that nobody waits for it.
    """

    desk: Desk
    book: Book
    address: Address
    path: Mapping[str, Any]
    said: Mapping[str, Any]
    who: str = ""
    here: str = "/"
    seen: str = ""
    mark: str = ""
    told: deque[Event] = field(default_factory=lambda: deque(maxlen=TOLD_KEPT))
    gone: Callable[[], bool] = never

    @property
    def unnamed(self) -> str:
        """In whose name things are put down while nobody says who is at the bench; empty if it is not sound,
        which whatever puts something down tells."""
        try:
            return person()
        except UsageError:
            return ""

    @property
    def nobodys(self) -> str:
        """The account whose name is nobody's and would stand in custody; empty where a person is known."""
        return self.unnamed if not self.who and self.unnamed in SHARED_ACCOUNTS else ""

    @contextmanager
    def bench(self, **options: Any) -> Iterator[Bench]:
        """The bench, in the name of the person who visits; what a job says in sentences is kept in `told`.

        Args:
            options: of `wiring.open_bench`.

        Raises:
            LedgerError: the ledger is not there, or cannot be opened.
        """
        self.desk.look_at_ledger()
        with open_bench(self.desk.home, tell=self._hear, who=self.who or None, **options) as bench:
            yield bench
        if self.address.method != "GET":
            with suppress(LedgerError):  # the next visit tells it
                self.desk.look_at_ledger()  # what was just written lies in the ledger's own file from here on

    def _hear(self, event: Event) -> None:
        """How far a job is, nobody can look at before the answer is there."""
        if isinstance(event, (Said, Advised)):
            self.told.append(event)

    def url(self, name: str, query: Mapping[str, object] | None = None, **values: object) -> str:
        """A link to the address of that name; parts of its path that are not given are this visit's."""
        wanted = {name for name, _ in self.book.addresses[name].parts()}
        own = {key: one for key, one in self.path.items() if key in wanted}
        return self.book.url(name, query, **{**own, **values})

    def go(
        self, name: str, notice: str = "", query: Mapping[str, object] | None = None, **values: object
    ) -> Go:
        """Leads to the address of that name; what was written with a point at its end ends with that one."""
        return Go(self.url(name, query, **values), _DOUBLED.sub(r"\1", notice))

    def require_unchanged(self, what: str, *now: object) -> None:
        """Refuses a form whose page showed something else than what is on record now; one without a mark is
        taken as it is.

        Args:
            what: in words, for the refusal.
            now: the same values, in the same order, as the page gave to `seen`.

        Raises:
            ChangedMeanwhile: it did.
        """
        if self.seen and self.seen != seen(*now):
            raise ChangedMeanwhile(
                f"{what[:1].upper()}{what[1:]} was changed by somebody else after this page was shown: "
                "nothing of yours is kept.",
                "Load the page again, look at what is there now, and send the form again if it still holds.",
            )


def seen(*values: object) -> str:
    """The mark of what a page shows, for `Visit.require_unchanged`."""
    text = json.dumps([str(one) for one in values], ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()[:24]
