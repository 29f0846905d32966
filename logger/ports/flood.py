"""Keeps garbage from flooding the journal: a wrong baud rate yields hundreds of pieces a second.

A token bucket: a burst of 20 pieces passes as it is, then one entry every 2 s. What comes in between is
gathered into one Garbage of reason ``flood-N``: N bytes came, and `raw` holds the first 256 of them.
"""

from __future__ import annotations

from logger.core.entries import Garbage

BURST = 20
REFILL_NS = 2_000_000_000
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
        self._count += len(piece.raw)
        self._kept += piece.raw[: KEPT_BYTES - len(self._kept)]
        return self.due(piece.at_ns)

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
