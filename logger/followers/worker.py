"""The thread of a follower, and what it says of its troubles."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable

from logger.core.entries import Circumstance

log = logging.getLogger("tallydeck.followers")

LONGEST_REST_S = 1.0
AFTER_A_FAULT_S = 5.0
BEHIND_S = 60.0
"""Trouble that lasts so long is the operator's to know; shorter ones mend themselves."""


class Worker:
    """A thread that takes turns for ever: ``turn`` does a piece of work and answers how long to rest (s).

    Work waits in the journal, so a fault of the program costs time, never an entry.
    """

    def __init__(self, name: str, turn: Callable[[], float]) -> None:
        self._name, self._turn = name, turn
        self._woken = threading.Event()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self.turns = 0  # a watchdog reads it
        self.faults = 0

    def start(self) -> None:
        self._thread.start()

    def wake(self) -> None:
        """There may be work. Thread-safe; costs nothing while it works."""
        self._woken.set()

    def stop(self, timeout_s: float) -> None:
        """End after the turn in hand. Safe to call twice."""
        self._stopping.set()
        self._woken.set()
        if self._thread.is_alive():
            self._thread.join(timeout_s)

    @property
    def alive(self) -> bool:
        return self._thread.is_alive()

    @property
    def stopping(self) -> bool:
        return self._stopping.is_set()

    def rest(self, seconds: float) -> bool:
        """Rest within a turn; True where it is to end."""
        return self._stopping.wait(seconds)

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._woken.clear()
            try:
                rest_s = self._turn()
            except Exception:
                self.faults += 1
                log.exception("%s: a fault of the program; what it had in hand is tried again", self._name)
                rest_s = AFTER_A_FAULT_S
                self._woken.clear()
                self._stopping.wait(rest_s)
                rest_s = 0.0
            self.turns += 1
            if rest_s > 0:
                self._woken.wait(min(rest_s, LONGEST_REST_S))


class Trouble:
    """Tells the log of trouble at once, and the bay once it lasts (or at once where somebody must act).

    ``put`` enters a Circumstance of kind ``follower``: state ``expected`` (at the start), ``behind`` or
    ``paused`` with ``message`` and ``do``, and ``well``.
    """

    def __init__(
        self,
        name: str,
        put: Callable[[Circumstance], None],
        now_ns: Callable[[], int],
        *,
        patience_s: float = BEHIND_S,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._name, self._put, self._now_ns = name, put, now_ns
        self._patience_s, self._now_s = patience_s, now_s
        self._since_s: float | None = None
        self._told = ""  # the state that the bay knows
        self.message = ""
        self.paused = False
        put(Circumstance(now_ns(), "follower", name, {"state": "expected"}))

    def failed(self, what: str, do: str, *, paused: bool = False) -> None:
        """A try failed. ``paused``: it is of no use to try again before somebody did something."""
        now_s = self._now_s()
        message = f"{what}; {do}"
        if message != self.message:
            log.warning("%s: %s", self._name, message)
        self.message, self.paused = message, paused
        if self._since_s is None:
            self._since_s = now_s
        state = "paused" if paused else "behind"
        if state != self._told and (paused or now_s - self._since_s >= self._patience_s):
            self._told = state
            self._put(
                Circumstance(
                    self._now_ns(), "follower", self._name, {"state": state, "message": what, "do": do}
                )
            )

    def well(self) -> None:
        """A try succeeded."""
        if self.message:
            log.info("%s: it takes what is sent again", self._name)
        self.message, self.paused, self._since_s = "", False, None
        if self._told not in ("", "well"):
            self._told = "well"
            self._put(Circumstance(self._now_ns(), "follower", self._name, {"state": "well"}))
