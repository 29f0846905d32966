"""Tries at a code, slowed down without locking anybody out.

Whoever tries has a few tries free; each wrong one beyond them costs a wait that doubles, up to a longest.
Tries come back with time. Waits are kept for each address (IPv6: its /64, which one device has whole), and
one for all addresses together, so that many of them are no faster than one. A device that has logged in
before has a wait of its own instead of both, so that a stranger's guessing cannot keep it out
(OWASP, "Slow Down Online Guessing Attacks with Device Cookies").

What a stranger gets in a day, in the long run: about a hundred tries from one address, about three hundred
from all together; `tests/board/test_throttle.py` counts them. Four digits are 10,000 codes, six a million.
"""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from ipaddress import ip_address, ip_network

MOST_KEPT = 1024


@dataclass(frozen=True, slots=True)
class Pace:
    """``free`` tries, then waits from ``first_s``, doubled up to ``longest_s``; one is back in ``back_s``."""

    free: int
    first_s: float
    longest_s: float
    back_s: float


ONE = Pace(free=5, first_s=10.0, longest_s=900.0, back_s=1800.0)
ALL = Pace(free=40, first_s=5.0, longest_s=300.0, back_s=600.0)


class Tries:
    """The wrong tries of one, and until when it waits."""

    def __init__(self, pace: Pace) -> None:
        self._pace = pace
        self._wrong = 0.0
        self._at = self._until = float("-inf")

    def wait_s(self, now: float) -> float:
        """How long until the next try is taken; 0: now."""
        return max(0.0, self._until - now)

    def wrong(self, now: float) -> None:
        """One more was wrong."""
        pace = self._pace
        back = 0.0 if self._at == float("-inf") else (now - self._at) / pace.back_s
        self._wrong = max(0.0, self._wrong - back) + 1.0
        self._at = now
        if (beyond := round(self._wrong) - pace.free) >= 0:
            self._until = now + min(pace.longest_s, pace.first_s * 2.0 ** min(beyond, 30))

    def take_back(self) -> None:
        """The last one was right after all."""
        self._wrong = max(0.0, self._wrong - 1.0)
        self._until = float("-inf")


class Throttle:
    """Waits by device, by address and for all. ``now``: seconds that only grow."""

    def __init__(self, now: Callable[[], float] = time.monotonic) -> None:
        self._now = now
        self._all = Tries(ALL)
        self._of: OrderedDict[str, Tries] = OrderedDict()

    def wait_s(self, address: str, device: str | None) -> float:
        """How long until the next try of this one is looked at; 0: now. ``device``: known from before."""
        now = self._now()
        return max(tries.wait_s(now) for tries in self._those(address, device))

    def wrong(self, address: str, device: str | None) -> None:
        """Count a try before it is looked at: two at once must not both go for one."""
        now = self._now()
        for tries in self._those(address, device):
            tries.wrong(now)

    def right(self, address: str, device: str | None, *, clean: bool) -> None:
        """The try that was counted was right, and counts no more.

        ``clean``: nor do the wrong ones before it. Not for the guests' code: who knows it could go on
        trying at the operator's for ever.
        """
        for tries in self._those(address, device):
            tries.take_back()
        if clean:
            self._of.pop(_key(address, device), None)

    def _those(self, address: str, device: str | None) -> list[Tries]:
        key = _key(address, device)
        own = self._of.get(key)
        if own is None:
            own = self._of[key] = Tries(ONE)
            while len(self._of) > MOST_KEPT:
                self._of.popitem(last=False)
        self._of.move_to_end(key)
        return [own] if device is not None else [own, self._all]


def _key(address: str, device: str | None) -> str:
    if device is not None:
        return f"device {device}"
    try:
        told = ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if told.version == 6 and told.ipv4_mapped is None:
        return str(ip_network((told, 64), strict=False))
    return str(told if told.version == 4 else told.ipv4_mapped)
