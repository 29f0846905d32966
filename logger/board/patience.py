"""Connections that never finish asking must not take the place of those that do.

The server counts every open connection against its limit and waits for ever for the end of a request's head.
So a connection gets `HEAD_S` for its first head and for each further one it begins; and where too many are
waiting at once, the one that has waited longest gives way. A request whose head is complete, a stream to a
viewer above all, is no business of this. Who connects can't be told apart: all come from this computer.
"""

from __future__ import annotations

import asyncio
import logging
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

log = logging.getLogger(__name__)

HEAD_S = 10.0
MOST_WAITING = 96  # of the server's 256 connections; a browser opens six, some of them ahead of time


class PatientProtocol(H11Protocol):
    """HTTP/1.1 with an end to waiting for a request's head."""

    head_s = HEAD_S
    most_waiting = MOST_WAITING
    _said_s = float("-inf")

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._deadline: asyncio.TimerHandle | None = None

    @property
    def waiting_until_s(self) -> float | None:
        """By when, on the event loop's clock, its head must be there; None while none is awaited."""
        return None if self._deadline is None else self._deadline.when()

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._await_head()
        self._make_room()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)  # which ends the server's own time-out between two requests
        if self.cycle is not None and not self.cycle.response_complete:
            self._have_head()
        else:  # a head has begun, or a body that nobody wants goes on; more bytes do not give more time
            self._await_head()

    def connection_lost(self, exc: Exception | None) -> None:
        self._have_head()
        super().connection_lost(exc)

    def _await_head(self) -> None:
        if self._deadline is None:
            self._deadline = self.loop.call_later(self.head_s, self.give_up)

    def _have_head(self) -> None:
        if self._deadline is not None:
            self._deadline.cancel()
            self._deadline = None

    def give_up(self) -> None:
        """Close a connection that has not finished asking."""
        self._have_head()
        self.transport.close()

    def _say(self, number: int) -> None:
        """Once a minute is enough."""
        cls, now_s = PatientProtocol, self.loop.time()
        if now_s - cls._said_s >= 60.0:
            cls._said_s = now_s
            log.warning("board: %d connections ask nothing; the oldest are closed to make room", number)

    def _make_room(self) -> None:
        waiting = [
            (each.waiting_until_s, each)
            for each in self.connections
            if isinstance(each, PatientProtocol) and each.waiting_until_s is not None
        ]
        if len(waiting) > self.most_waiting:
            self._say(len(waiting))
            min(waiting, key=lambda pair: pair[0])[1].give_up()
