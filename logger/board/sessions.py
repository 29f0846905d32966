"""Sessions of people: who a browser belongs to, and for how long.

Acting and watching end at different times. Who logged in as operator may act until nothing was done for
`ACT_IDLE_S`, and `ACT_AGE_S` at the most: a shift with its breaks, never two. After that the page goes on
showing figures and alarms as a guest's, since a lookout that goes dark by itself helps nobody; to act takes
the code again. Watching ends after `SEE_IDLE_S` without a page open, `SEE_AGE_S` at the most. The board's
own page on this computer has no log-in, opens a session by itself, and ends it as it did before.

All of it is in memory: a daemon that starts again, with another code or the same, knows no session.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

from logger.board.roles import Role

ACT_IDLE_S = 12 * 3600.0
ACT_AGE_S = 16 * 3600.0
SEE_IDLE_S = 7 * 24 * 3600.0
SEE_AGE_S = 30 * 24 * 3600.0
HERE_IDLE_S = 2 * 3600.0
HERE_AGE_S = 24 * 3600.0
MOST_SESSIONS = 256
MOST_DEVICES = 256


@dataclass(frozen=True, slots=True)
class Session:
    """``here``: the page on this computer, without log-in. ``name``: as typed, else the role."""

    role: Role
    name: str
    opened: float
    used: float  # anything asked, a stream too
    acted: float  # asked by a person's hand: a page opened, something done
    here: bool = False


class Sessions:
    """256 random bits each, idle and absolute time-outs, a bounded number; not for several threads."""

    def __init__(self, now: Callable[[], float] = time.monotonic) -> None:
        self._now = now
        self._open: dict[str, Session] = {}
        self._devices: dict[str, None] = {}  # those that have logged in before, the oldest first

    def open(self, role: Role = Role.OPERATOR, name: str = "", *, here: bool = True) -> str:
        """A new session's key; where there are too many, the one longest unused ends."""
        now = self._now()
        self._open = {key: each for key, each in self._open.items() if _alive(each, now)}
        while len(self._open) >= MOST_SESSIONS:
            del self._open[min(self._open, key=lambda key: self._open[key].used)]
        key = secrets.token_urlsafe(32)
        self._open[key] = Session(role, name, now, now, now, here)
        return key

    def get(self, key: str, *, acts: bool = False) -> Session | None:
        """The session, with the role it has now; None where it is over. To ask counts as use."""
        session, now = self._open.get(key), self._now()
        if session is None or not _alive(session, now):
            self._open.pop(key, None)
            return None
        may_act = _may_act(session, now)
        session = replace(session, used=now, acted=now if acts and may_act else session.acted)
        self._open[key] = session
        return session if may_act else replace(session, role=min(session.role, Role.GUEST))

    def close(self, key: str) -> None:
        """The person logs out."""
        self._open.pop(key, None)

    def close_all(self) -> int:
        """Everybody logs out, here and elsewhere; how many sessions that were. Devices are known no more."""
        number = len(self._open)
        self._open.clear()
        self._devices.clear()
        return number

    def know(self, device: str | None) -> str:
        """The name of a device that has just logged in: the one it has, or a new one."""
        if device is None or device not in self._devices:
            device = secrets.token_urlsafe(32)
        self._devices.pop(device, None)
        self._devices[device] = None
        while len(self._devices) > MOST_DEVICES:
            del self._devices[next(iter(self._devices))]
        return device

    def knows(self, device: str) -> bool:
        """Whether a device has logged in before."""
        return device in self._devices


def _alive(session: Session, now: float) -> bool:
    idle_s, age_s = (HERE_IDLE_S, HERE_AGE_S) if session.here else (SEE_IDLE_S, SEE_AGE_S)
    return now - session.opened < age_s and now - session.used < idle_s


def _may_act(session: Session, now: float) -> bool:
    if session.here or session.role < Role.OPERATOR:
        return True
    return now - session.opened < ACT_AGE_S and now - session.acted < ACT_IDLE_S
