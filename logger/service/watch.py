"""The watchdog is fed only by real progress: every worker has moved lately, or nobody is told we live.

A worker says in words what is wrong with it. While any does, the service manager gets no sign of life and
in the end restarts the daemon; the log says which worker it was.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from logger.service.notify import Notifier

log = logging.getLogger("tallydeck.service")

LIMIT_S = 10.0  # a worker that has not moved for so long is stuck; a slow card may take seconds for a sync
LOOK_S = 1.0


@dataclass(frozen=True, slots=True)
class Worker:
    """``trouble`` answers what is wrong with it, "" for nothing."""

    name: str
    trouble: Callable[[], str]


class Moving:
    """A count that must change: `still_s` is for how long it has not."""

    def __init__(self, read: Callable[[], object], now_s: Callable[[], float] = time.monotonic) -> None:
        self._read, self._now_s = read, now_s
        self._seen = read()
        self._since_s = now_s()

    def still_s(self) -> float:
        """Seconds since the count was last seen to have changed. Ask often: it looks only when asked."""
        value, now_s = self._read(), self._now_s()
        if value != self._seen:
            self._seen, self._since_s = value, now_s
        return now_s - self._since_s

    def stuck(self, limit_s: float) -> str:
        """Words for a count that has stood still for longer than that, "" for one that moves."""
        still_s = self.still_s()
        return f"it has not moved for {still_s:.0f} s" if still_s > limit_s else ""


class Watch:
    """Looks at every worker at each `turn`; feeds the watchdog at half its interval, while all is well.

    ``interval_s`` is the manager's (`notify.watchdog_s`), None where it does not watch; trouble is logged
    all the same.
    """

    def __init__(
        self,
        notifier: Notifier,
        interval_s: float | None,
        workers: Callable[[], Iterable[Worker]],
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._notifier, self._interval_s, self._workers, self._now_s = notifier, interval_s, workers, now_s
        self._due_s = now_s()
        self._troubles: dict[str, str] = {}
        self._status = ""

    @property
    def pause_s(self) -> float:
        """How long to wait between two turns: often enough to feed by half the interval."""
        return LOOK_S if self._interval_s is None else min(LOOK_S, self._interval_s / 8)

    def turn(self, status: str) -> bool:
        """Look at everyone; True where all move. ``status`` is one line for the manager's own display."""
        troubles = {worker.name: what for worker in self._workers() if (what := worker.trouble())}
        for name in [each for each in troubles if each not in self._troubles]:
            log.error(
                "STUCK: %s: %s. No sign of life is given to the service manager, which restarts the daemon; "
                "without one, restart it yourself. What was committed is safe",
                name,
                troubles[name],
                extra={"tallydeck": {"kind": "worker-stuck", "worker": name}},
            )
        for name in [each for each in self._troubles if each not in troubles]:
            log.warning("%s moves again", name, extra={"tallydeck": {"kind": "worker-moves", "worker": name}})
        # the words of the first look stay, so that the status does not change every second
        self._troubles = {name: self._troubles.get(name, what) for name, what in troubles.items()}
        self._feed()
        self._say("; ".join(f"STUCK: {name}: {what}" for name, what in self._troubles.items()) or status)
        return not troubles

    def _feed(self) -> None:
        if self._interval_s is None or self._troubles or self._now_s() < self._due_s:
            return
        self._due_s = self._now_s() + self._interval_s / 2 - self.pause_s  # the turn before is not too late
        self._notifier.tell(WATCHDOG=1)

    def _say(self, status: str) -> None:
        if status != self._status:
            self._status = status
            self._notifier.tell(STATUS=status)
