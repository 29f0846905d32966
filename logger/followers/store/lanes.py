"""How much is sent at once: what is new and what is old each learn it for themselves."""

from __future__ import annotations

LEAST, MOST = 50, 5_000
SLOW_S, QUICK_S = 0.5, 0.2
"""A write that took longer is halved, so that what is new need not wait for it; a quicker one may grow."""
CEILING_HOLDS_S = 600.0


class Lane:
    """Entries a batch: grows while writes are quick, halves where they are slow or something is refused."""

    def __init__(self, size: int = 1_000) -> None:
        self.size = size
        self._ceiling, self._ceiling_until_s = MOST, 0.0

    def took(self, count: int, took_s: float, now_s: float) -> None:
        """A write of so many entries succeeded."""
        if took_s > SLOW_S:
            self.size = max(LEAST, min(count, self.size) // 2)
        elif took_s < QUICK_S and count >= self.size:
            most = self._ceiling if now_s < self._ceiling_until_s else MOST
            self.size = min(most, 2 * self.size)

    def refused(self, count: int) -> None:
        """Something among so many entries can't be taken: look for it in the first half."""
        self.size = max(1, count // 2)

    def too_large(self, count: int, now_s: float) -> None:
        """So many were too much; for a while half of that is the most."""
        self.refused(count)
        self._ceiling, self._ceiling_until_s = self.size, now_s + CEILING_HOLDS_S
