"""The only reader of clocks. Everything else is handed times as data.

Station time = ``offset_ns`` + boot-monotonic time. The offset is fixed when the clock is made, so no
step of the wall clock (network time, a person, a battery-less board that wakes up in the past) can
make two entries change places. How far the wall clock has moved away since is `Clock.step_ns`; the
loop writes it down as a Circumstance, and `core.walltime` resolves it.
"""

from __future__ import annotations

import ctypes
import time
import uuid
from collections.abc import Callable
from pathlib import Path

BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
CLOCKS = Path("/sys/class/rtc")
"""Where Linux lists the clocks that go on without power."""
TRUST_AFTER_S = 600.0
"""A machine without such a clock, whose time nobody has set, is believed after so long: no better comes."""
_BOOTTIME = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)


def stopwatch_ns() -> int:
    """Monotonic nanoseconds for time-outs; no relation to station time."""
    return time.monotonic_ns()


def _boottime_ns() -> int:
    # CLOCK_BOOTTIME goes on while the machine sleeps; CLOCK_MONOTONIC would lose that time
    return time.clock_gettime_ns(_BOOTTIME)


def read_boot_id(path: Path = BOOT_ID) -> str:
    """The kernel's id of this boot; where there is none, a new id: then each start counts as a boot."""
    try:
        return path.read_text("ascii").strip() or f"start-{uuid.uuid4()}"
    except (OSError, UnicodeDecodeError):
        return f"start-{uuid.uuid4()}"


def set_from_outside() -> bool:
    """Whether the kernel says that the wall clock follows a reference (network time, a receiver).

    Linux, adjtimex(2): TIME_ERROR (5) while nobody steers the clock. False where it can't be asked.
    """
    try:
        library = ctypes.CDLL(None)
        room = ctypes.create_string_buffer(512)  # struct timex, all zero: only asks
        return int(library.adjtimex(room)) not in (-1, 5)
    except (OSError, AttributeError):
        return False


def kept_without_power() -> bool:
    """Whether the machine has a clock of its own that goes on while it is switched off."""
    try:
        return any(CLOCKS.iterdir())
    except OSError:
        return False


class Clock:
    """Station time, which never runs backwards.

    ``speed`` other than 1 is for the demo: time passes that many times faster from the making of the
    clock on, the wall clock is taken to follow, and the boot id is its own.
    Raises ValueError where the speed is not positive.
    """

    def __init__(
        self,
        speed: float = 1.0,
        *,
        boottime_ns: Callable[[], int] = _boottime_ns,
        wall_ns: Callable[[], int] = time.time_ns,
        boot_id: str | None = None,
        trust_after_s: float = TRUST_AFTER_S,
    ) -> None:
        if not speed > 0:
            raise ValueError(f"speed is {speed:g}; it must be above 0, 1 is life")
        self.speed = speed
        self._boottime_ns = boottime_ns
        self._wall_ns = wall_ns
        self._begin_ns = boottime_ns()
        self._trust_after_ns = int(trust_after_s * 1e9)
        self._last_ns = 0
        self.boot_id = read_boot_id() if boot_id is None else boot_id
        if speed != 1:
            self.boot_id = f"{self.boot_id}-x{speed:g}-{self._begin_ns}"
        self.offset_ns = wall_ns() - self.mono_ns()

    def mono_ns(self) -> int:
        """Nanoseconds since boot, scaled by the speed from the clock's making on."""
        now = self._boottime_ns()
        if self.speed == 1:
            return now
        return self._begin_ns + int((now - self._begin_ns) * self.speed)

    def now_ns(self) -> int:
        """Station time, ns since 1970."""
        return self.offset_ns + self.mono_ns()

    def wall_ns(self) -> int:
        """What the wall clock shows, ns since 1970; at another speed than 1, station time."""
        return self._wall_ns() if self.speed == 1 else self.now_ns()

    def step_ns(self) -> int:
        """Wall clock minus station time: what an anchor says. Always 0 at another speed than 1."""
        return 0 if self.speed != 1 else self._wall_ns() - self.now_ns()

    def trusted(self) -> bool:
        """Whether the wall clock may be believed as a date, by those who send times away.

        It may where it is steered from outside, or where the machine has a clock that goes on without power
        and it does not say that the last entry lies in the future; else once the machine has been up long.
        """
        if self.speed != 1 or self._boottime_ns() >= self._trust_after_ns:
            return True
        return set_from_outside() or (kept_without_power() and self._wall_ns() >= self._last_ns)

    def keep_offset(self, offset_ns: int | None) -> None:
        """Take over the offset that the journal knows of this very boot; None changes nothing."""
        if offset_ns is not None:
            self.offset_ns = offset_ns

    def not_before(self, last_at_ns: int) -> None:
        """Raise the offset so that station time is later than ``last_at_ns``, the last entry's."""
        self._last_ns = last_at_ns
        behind = last_at_ns + 1 - self.now_ns()
        if behind > 0:
            self.offset_ns += behind
