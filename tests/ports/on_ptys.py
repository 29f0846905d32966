"""Strangers on real ptys: what they say is garbled where the port was opened at another speed.

A pty keeps the speed it was opened with, though it does not use it; the number of bits it always says
is eight. So the speed comes through here, formats are for the bench.
"""

from __future__ import annotations

import os
import select
import termios
import threading
import time
import tty
from types import TracebackType

from .strangers import Stranger
from .uart import garbled

SPEEDS = {
    getattr(termios, f"B{baud}"): baud
    for baud in (300, 600, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
}


class OnPty:
    """One stranger on a pty of its own, in a thread, until the block ends."""

    def __init__(self, stranger: Stranger, every_s: float = 0.05) -> None:
        self._who = stranger
        self._every_s = every_s
        self._master, slave = os.openpty()
        tty.setraw(slave)
        self.path = os.ttyname(slave)
        os.close(slave)
        os.set_blocking(self._master, False)
        self.heard = b""
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> OnPty:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._end.set()
        self._thread.join(5.0)
        os.close(self._master)

    @property
    def opened(self) -> bool:
        """Whether somebody has the port open."""
        poll = select.poll()
        poll.register(self._master, 0)
        return not any(flags & select.POLLHUP for _, flags in poll.poll(0))

    def _run(self) -> None:
        said, next_s, heard = 0, 0.0, b""
        while not self._end.wait(0.002):
            if not self.opened:
                heard = b""
                continue
            speed = (SPEEDS[termios.tcgetattr(self._master)[5]], "8N1")
            own = (self._who.setting[0], "8N1")
            try:
                got = os.read(self._master, 4096)
            except OSError:
                got = b""
            self.heard += got
            heard += garbled(got, speed, own)[0]
            ask = self._who.request
            due = ask in heard if ask else time.monotonic() >= next_s
            if due:
                heard, next_s = b"", time.monotonic() + self._every_s
                try:
                    os.write(self._master, garbled(self._who.frames(said), own, speed)[0])
                except OSError:
                    continue
                said += 1
