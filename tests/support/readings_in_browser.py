"""Readings ordered by the pages of drives, as a person at the browser orders and watches them."""

from __future__ import annotations

import re
from dataclasses import dataclass

from mendbay.jobs.work_port import WorkState
from mendbay.wiring import works
from support.web_client import Web, text_of
from support.works import until

DRIVES = "/case/1/drives"


@dataclass
class Readings:
    """The readings of case 1."""

    web: Web

    def begin(self, **form: str) -> None:
        """Looks, then begins with what the page gives along, and waits until something is told of it."""
        page = self.web.post(f"{DRIVES}/look", form, status=200).text
        sent = next(
            one for one in re.findall(r"<form.*?</form>", page, re.DOTALL) if f"{DRIVES}/begin" in one
        )
        hidden = dict(re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)"', sent))
        self.web.done(f"{DRIVES}/begin", hidden)
        until(lambda: self.state.progress or self.state.is_over)

    @property
    def work(self) -> str:
        order = works(self.web.home).newest(1)
        assert order is not None
        return order.id

    @property
    def state(self) -> WorkState:
        return works(self.web.home).state(self.work)

    def ask(self, what: str, **more: str) -> str:
        return self.web.done(f"{DRIVES}/ask", {"work": self.work, "ask": what, **more})

    def part(self, name: str) -> str:
        """A part of the page as it stands."""
        return self.web.get(f"{DRIVES}/now?part={name}")

    def said(self, words: str) -> bool:
        return any(words in one for one in self.state.said)

    def read_bytes(self, bay: str = "1") -> int:
        found = self.state.progress.get(bay, {}).get("read_bytes", 0)
        assert isinstance(found, int)
        return found

    def goes_on(self, bay: str = "1") -> None:
        """Waits until more is read than now."""
        before = self.read_bytes(bay)
        until(lambda: self.read_bytes(bay) > before or self.state.is_over)
        assert not self.state.is_over, text_of(" ".join(self.state.result_words))

    def stop(self) -> WorkState:
        self.ask("stop")
        until(lambda: self.state.is_over)
        return self.state
