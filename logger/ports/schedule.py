"""When a port sends what its exchange asks for, and when it tries again. Pure: times come in as numbers."""

from __future__ import annotations

from collections.abc import Callable

from logger.core.decode.contract import Exchange

SILENT_TIMEOUTS = 5  # after so many time-outs of silence a stream is started again


class Schedule:
    """When to send what; times are monotonic seconds.

    A poll is due `interval_s` after the last one once that was answered, else when `timeout_s` has
    passed. A stream that has been started and fell silent (the scale was switched off and on) is
    started again after five time-outs.
    """

    def __init__(self, exchange: Exchange, now_s: float) -> None:
        self._exchange = exchange
        self._sent_s: float | None = None
        self._heard_s = now_s
        self._answered = True
        self._greeted = False

    def heard(self, now_s: float, answered: bool) -> None:
        """Bytes came; `answered` where they completed something."""
        self._heard_s = now_s
        self._answered = self._answered or answered

    def due(self, now_s: float) -> bytes:
        """What to send now; b"" nothing. It is taken as sent."""
        if not self._greeted:
            self._greeted = True
            self._heard_s = now_s
            if self._exchange.start:
                return self._exchange.start
        if self._exchange.poll and self.next_s() <= now_s:
            self._sent_s, self._answered = now_s, False
            return self._exchange.poll
        if not self._exchange.poll and self._exchange.start and self.next_s() <= now_s:
            self._heard_s = now_s
            return self._exchange.start
        return b""

    def next_s(self) -> float:
        """When `due` may have something next."""
        exchange = self._exchange
        if exchange.poll:
            wait_s = exchange.interval_s if self._answered else max(exchange.interval_s, exchange.timeout_s)
            return self._heard_s if self._sent_s is None else self._sent_s + wait_s
        return self._heard_s + SILENT_TIMEOUTS * exchange.timeout_s if exchange.start else float("inf")

    def stale(self, now_s: float) -> bool:
        """Whether a line begun can't be completed any more: silence or the poll has reached its time-out."""
        overdue = bool(self._exchange.poll) and not self._answered and self.next_s() <= now_s
        return overdue or now_s - self._heard_s >= self._exchange.timeout_s


class Backoff:
    """How long to wait before opening again: `first_s`, then twice as long each time up to `longest_s`.

    A share of up to `jitter` comes on top, by `chance` (0 to 1), so that many ports don't knock together.
    """

    def __init__(self, first_s: float, longest_s: float, jitter: float, chance: Callable[[], float]) -> None:
        if not 0 < first_s <= longest_s:
            raise ValueError(
                f"reopen_s {(first_s, longest_s)}: the first wait must be above 0 and the longest no shorter"
            )
        if not 0 <= jitter <= 1:
            raise ValueError(f"reopen_jitter {jitter} is no share of the wait; use 0 to 1")
        self._first_s, self._longest_s = first_s, longest_s
        self._jitter, self._chance = jitter, chance
        self._next_s = first_s

    def mended(self) -> None:
        """The wire worked, or its device came back: begin with short waits again."""
        self._next_s = self._first_s

    def wait_s(self) -> float:
        """The wait that is due now."""
        wait_s = self._next_s
        self._next_s = min(2 * wait_s, self._longest_s)
        return wait_s * (1 + self._jitter * self._chance())
