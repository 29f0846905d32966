"""Snapshots to many viewers: each gets only the newest, at most four a second; nobody is waited for.

One pump turns a snapshot into text once, however many watch. A change of the alarms does not wait for
its turn. A viewer that reads slowly misses snapshots, never memory.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable, Mapping
from dataclasses import dataclass
from typing import Any

from logger.board.desk import Desk
from logger.board.problems import plain_json

PULSE_S = 1.0  # how often a viewer is told how old the newest snapshot is


class TooManyViewersError(Exception):
    """The cap on viewers is reached."""


@dataclass(frozen=True, slots=True)
class Newest:
    """The newest snapshot as it goes out; ``number`` counts publications."""

    number: int
    seq: str
    text: str


class Hub:
    """Lives in the board's event loop; only `wake` may be called from elsewhere."""

    def __init__(
        self,
        desk: Desk,
        loop: asyncio.AbstractEventLoop,
        *,
        most: int = 64,
        interval_s: float = 0.25,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        self._desk, self._loop, self._now = desk, loop, now
        self._most, self._interval_s = most, interval_s
        self._viewers: set[asyncio.Event] = set()
        self._changed = asyncio.Event()
        self._poked = False
        self._heard = now()
        self._newest = Newest(0, "", "{}")
        self._alarms: Any = None
        self.closing = False

    @property
    def viewers(self) -> int:
        return len(self._viewers)

    def age_s(self) -> float:
        """Seconds since the loop last handed out a snapshot."""
        return self._now() - self._heard

    def wake(self) -> None:
        """There is a new snapshot. From any thread; costs nothing while an earlier call is unread."""
        if not self._poked:
            self._poked = True
            try:
                self._loop.call_soon_threadsafe(self._changed.set)
            except RuntimeError:  # the board has stopped; there is nobody to tell
                pass

    def close(self) -> None:
        """End every stream now."""
        self.closing = True
        for viewer in self._viewers:
            viewer.set()

    async def pump(self) -> None:
        """Publish snapshots until cancelled."""
        self._publish(self._desk.snapshot())
        sent, waiting = self._now(), False
        while True:
            left_s = max(0.0, sent + self._interval_s - self._now()) if waiting else None
            await _wait(self._changed, left_s)
            if self._changed.is_set():
                self._changed.clear()
                self._poked = False
                self._heard = self._now()
                waiting = True
            snapshot = self._desk.snapshot()
            due = self._now() - sent >= self._interval_s
            if waiting and (due or _alarms(snapshot) != self._alarms):
                self._publish(snapshot)
                sent, waiting = self._now(), False

    def _publish(self, snapshot: Mapping[str, Any]) -> None:
        self._alarms = _alarms(snapshot)
        self._newest = Newest(self._newest.number + 1, str(snapshot.get("seq", "")), plain_json(snapshot))
        for viewer in self._viewers:
            viewer.set()

    def join(
        self, last_seq: str = "", still: Callable[[], bool] = lambda: True
    ) -> AsyncIterator[dict[str, str]]:
        """A stream of events for one viewer: ``state`` on change, ``pulse`` each second.

        ``last_seq`` is the newest the viewer already has. ``still``: whether the viewer may still see it,
        asked with each pulse. Raises TooManyViewersError at the cap.
        """
        if len(self._viewers) >= self._most:
            raise TooManyViewersError
        viewer = asyncio.Event()
        self._viewers.add(viewer)
        return self._stream(viewer, last_seq, still)

    async def _stream(
        self, viewer: asyncio.Event, last_seq: str, still: Callable[[], bool]
    ) -> AsyncIterator[dict[str, str]]:
        try:
            shown = self._newest.number if last_seq and last_seq == self._newest.seq else 0
            pulse_at = self._now()
            while not self.closing:
                viewer.clear()
                newest = self._newest
                if newest.number != shown:
                    shown = newest.number
                    yield {"event": "state", "id": newest.seq, "data": newest.text}
                elif self._now() >= pulse_at:
                    if not still():
                        return
                    pulse_at = self._now() + PULSE_S
                    yield {"event": "pulse", "data": plain_json({"age_s": round(self.age_s(), 3)})}
                else:
                    await _wait(viewer, pulse_at - self._now())
        finally:
            self._viewers.discard(viewer)


def _alarms(snapshot: Mapping[str, Any]) -> Any:
    return [(alarm.get("id"), alarm.get("state")) for alarm in snapshot.get("alarms") or ()]


async def _wait(event: asyncio.Event, timeout_s: float | None) -> None:
    try:
        async with asyncio.timeout(timeout_s):
            await event.wait()
    except TimeoutError:
        pass
