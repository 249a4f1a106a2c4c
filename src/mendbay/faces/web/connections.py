"""Connections of browsers. One that says nothing takes no other's place: whoever reaches the server, with the
key or without, could otherwise shut everybody out by opening as many as it holds."""

from __future__ import annotations

import asyncio
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

HEAD_SECONDS = 20.0
"""How long the head of a request may be on its way (own choice)."""
_ANSWERING = (h11.SEND_RESPONSE, h11.SEND_BODY)


class Connection(H11Protocol):
    """A connection that ends when the head of a request does not come, and before that as soon as its place
    is needed."""

    head_seconds = HEAD_SECONDS
    since = 0.0
    _head_timer: asyncio.TimerHandle | None = None

    @property
    def waits(self) -> bool:
        """Whether nothing was asked on it, or all that was is answered."""
        return self.conn.our_state not in _ANSWERING

    def connection_made(self, transport: Any) -> None:
        super().connection_made(transport)
        self._expect_head()
        if self.limit_concurrency is not None:
            self._make_room(self.limit_concurrency)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        self._expect_head()

    def connection_lost(self, exc: Exception | None) -> None:
        self._forget_timer()
        super().connection_lost(exc)

    def _unsupported_upgrade_warning(self) -> None:
        """Says nothing: any page of a browser can ask for one, and a terminal is no place for what strangers
        have it say."""

    def _make_room(self, limit: int) -> None:
        """Ends others that wait until this one has its place, first those that never asked, and of them the
        oldest."""
        waiting = [
            one for one in self.connections if isinstance(one, Connection) and one.waits and one is not self
        ]
        waiting.sort(key=lambda one: (one.cycle is not None, one.since))
        for one in waiting[: max(0, len(self.connections) - limit + 1)]:
            self.connections.discard(one)
            one.transport.abort()

    def _expect_head(self) -> None:
        """Sets the time that a head may take, from its first byte or from the beginning; none while an answer
        is made. Between two requests the server's own shorter time holds."""
        if not self.waits:
            self._forget_timer()
        elif self._head_timer is None:
            self.since = self.loop.time()
            self._head_timer = self.loop.call_later(self.head_seconds, self._give_up)

    def _give_up(self) -> None:
        self._head_timer = None
        if self.waits and not self.transport.is_closing():
            self.transport.abort()

    def _forget_timer(self) -> None:
        if self._head_timer is not None:
            self._head_timer.cancel()
            self._head_timer = None
