"""Which of what outlets did may teach anything of them: nothing from alarms, pauses and just after."""

from __future__ import annotations

from collections import deque

AFTER_S = 40  # an outlet that was cleared, or a feed that came again, is not yet as usual
KEPT = 32


class Lessons:
    """Spans of a station that teach nothing, on *any* outlet: a plugged one overflows into its neighbours."""

    def __init__(self) -> None:
        self._closed: deque[tuple[int, int]] = deque(maxlen=KEPT)
        self._held: dict[int, int] = {}  # who holds -> since when
        self.paused_s: int | None = None  # since when the feed is said to stand; only where it is not weighed

    @property
    def held(self) -> bool:
        """Whether an alarm holds them now."""
        return bool(self._held)

    def hold(self, number: int, since_s: int) -> None:
        """From ``since_s`` on nothing teaches, until `release`."""
        self._held.setdefault(number, since_s)

    def release(self, number: int, now_s: int) -> None:
        since = self._held.pop(number, None)
        if since is not None:
            self._closed.append((since, now_s + AFTER_S))

    def pause(self, paused_s: int | None, now_s: int) -> None:
        """The feed is said to stand since then; None: it is not."""
        if paused_s is None and self.paused_s is not None:
            self._closed.append((self.paused_s, now_s + AFTER_S))
        self.paused_s = paused_s

    def spoilt(self, from_s: int, to_s: int) -> bool:
        """Whether a span overlaps one that teaches nothing."""
        open_ends = list(self._held.values()) + ([] if self.paused_s is None else [self.paused_s])
        return any(to_s > since for since in open_ends) or any(
            from_s < end and to_s > start for start, end in self._closed
        )
