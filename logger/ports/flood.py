"""Keeps garbage from flooding the journal: a wrong baud rate yields hundreds of pieces a second.

A token bucket: a burst of 20 pieces passes as it is, then one entry every 2 s. What comes in between is
gathered into one Garbage of reason ``flood-N``: N bytes came, and `raw` holds the first 256 of them.
"""

from __future__ import annotations

from logger.core.entries import Garbage

BURST = 20
REFILL_NS = 2_000_000_000
SECOND_NS = 1_000_000_000
KEPT_BYTES = 256


class FloodGate:
    """Pieces of garbage in, few of them out; every byte is in an output or counted by one."""

    __slots__ = ("_count", "_full_at_ns", "_kept", "channel")

    def __init__(self, channel: str) -> None:
        self.channel = channel
        self._full_at_ns = 0  # when the bucket will be full again
        self._kept = b""
        self._count = 0

    def take(self, piece: Garbage) -> list[Garbage]:
        """What may go out now that this piece came."""
        if not self._count and self._token(piece.at_ns):
            return [piece]
        return self.gather(piece.raw, piece.at_ns)

    def gather(self, raw: bytes, at_ns: int) -> list[Garbage]:
        """Count bytes that nobody has looked at; what may go out now."""
        self._count += len(raw)
        self._kept += raw[: KEPT_BYTES - len(self._kept)]
        return self.due(at_ns)

    def due(self, at_ns: int) -> list[Garbage]:
        """What was gathered, where its time has come. To be asked now and then in silence."""
        return self.flush(at_ns) if self._count and self._token(at_ns) else []

    def flush(self, at_ns: int) -> list[Garbage]:
        """What was gathered, at once: the link broke or the program stops."""
        if not self._count:
            return []
        piece = Garbage(at_ns, self.channel, self._kept, f"flood-{self._count}")
        self._kept, self._count = b"", 0
        return [piece]

    def _token(self, at_ns: int) -> bool:
        full_at_ns = max(self._full_at_ns, at_ns) + REFILL_NS
        if full_at_ns - at_ns > BURST * REFILL_NS:
            return False
        self._full_at_ns = full_at_ns
        return True


class Surge:
    """Says when more comes than any instrument sends, so that a flood can't fill the memory."""

    __slots__ = ("_begin_ns", "_used", "most_a_second")

    def __init__(self, most_a_second: int) -> None:
        self.most_a_second = most_a_second
        self._begin_ns = 0
        self._used = 0

    def room(self, at_ns: int, amount: int) -> bool:
        """Whether this much more may be taken within the second; what may not does not count."""
        if at_ns - self._begin_ns >= SECOND_NS:
            self._begin_ns, self._used = at_ns, 0
        if self._used + amount > self.most_a_second:
            return False
        self._used += amount
        return True
