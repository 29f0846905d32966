"""Who logged in, acted, or was sent away, as log lines that a machine can find.

What somebody does again and again is told once a minute with a count, so that nobody can fill the log.
"""

from __future__ import annotations

import logging
import time
from collections import OrderedDict
from collections.abc import Callable
from typing import Any

from logger.board.door import Heard

log = logging.getLogger("tallydeck.board")
QUIET_S = 60.0
MOST_KEPT = 512


class Audit:
    """Lives in the board's event loop."""

    def __init__(self, now: Callable[[], float] = time.monotonic) -> None:
        self._now = now
        self._said: OrderedDict[tuple[str, str], list[float]] = (
            OrderedDict()
        )  # what -> [when, how often since]

    def logged_in(self, who: str, role: str, address: str) -> None:
        self._say("log-in", f"{who} logged in as {role}", who=who, role=role, address=address)

    def logged_out(self, who: str, address: str, sessions: int) -> None:
        """``sessions``: how many ended with it."""
        self._say("log-out", f"{who} logged out, {sessions} sessions ended", who=who, address=address)

    def wrong_code(self, address: str, wait_s: float) -> None:
        text = f"a wrong code from {address}" + (f"; it waits {wait_s:.0f} s" if wait_s >= 1 else "")
        self._say("log-in-refused", text, logging.WARNING, address=address)

    def too_fast(self, address: str) -> None:
        """A try during a wait, which was not looked at."""
        self._seldom("log-in-refused", f"{address} tries codes without waiting", address=address)

    def acted(self, who: str, address: str, heard: Heard) -> None:
        """An action came in; ``heard``: what became of it."""
        became = "taken" if heard.status == 200 else f"not taken ({heard.body.get('code', heard.status)})"
        self._say(
            "board-action",
            f"{who}: {heard.action!r} {became}",
            who=who,
            address=address,
            action=heard.action,
            status=heard.status,
            seq=heard.body.get("seq", 0),
        )

    def refused(self, who: str, address: str, code: str, asked: str) -> None:
        """Somebody asked for what is not theirs, or from where nobody may."""
        text = f"{who or 'somebody'} at {address} was refused {asked}: {code}"
        self._seldom("board-refused", text, who=who, address=address, code=code)

    def _seldom(self, kind: str, text: str, **own: Any) -> None:
        key, now = (kind, f"{own['address']} {own.get('code', '')}"), self._now()
        told = self._said.pop(key, None)
        if told is not None and now - told[0] < QUIET_S:
            told[1] += 1
            self._said[key] = told
            return
        again = int(told[1]) if told is not None else 0
        self._said[key] = [now, 0]
        while len(self._said) > MOST_KEPT:
            self._said.popitem(last=False)
        self._say(kind, text + (f" (and {again} times more)" if again else ""), logging.WARNING, **own)

    @staticmethod
    def _say(kind: str, text: str, level: int = logging.INFO, **own: Any) -> None:
        log.log(level, "%s", text, extra={"tallydeck": {"kind": kind, **own}})
