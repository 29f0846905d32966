"""A wire with a person before it: read what comes in a time, write, count what the UART calls wrong."""

from __future__ import annotations

import fcntl
import os
import re
import select
import struct
import time
from typing import Protocol

from logger.ports.wire import Settings, Wire, WireError, open_wire

_TIOCGICOUNT = 0x545D  # linux/include/uapi/asm-generic/ioctls.h
_COUNTS = struct.Struct(
    "20i"
)  # struct serial_icounter_struct: cts dsr rng dcd rx tx frame overrun parity brk …


class Line(Protocol):
    """What `finding` needs of a wire; tests give one that garbles where the settings are wrong."""

    def take(self, timeout_s: float) -> bytes:
        """What arrives within the time, as soon as something does; b"" nothing. WireError at a hang-up."""

    def write(self, data: bytes) -> None:
        """Send. WireError where it can't."""

    def errors(self) -> int:
        """Characters with a framing or parity error since the opening; 0 where the device does not tell."""

    def close(self) -> None: ...


class Ear:
    """A `Line` on a real wire. Opening raises WireError, which says what to do."""

    def __init__(self, url: str, settings: Settings) -> None:
        self._wire: Wire = open_wire(url, settings)
        try:
            self._agree()
        except BaseException:
            self._wire.close()
            raise
        self._poll = select.poll()
        self._poll.register(self._wire.fd, select.POLLIN)
        self._before = self._count()

    def _agree(self) -> None:
        """A serial server's line is set; nothing wakes this one earlier."""
        never = os.pipe()
        try:
            self._wire.agree(never[0])
        finally:
            for end in never:
                os.close(end)

    def take(self, timeout_s: float) -> bytes:
        until_s = time.monotonic() + timeout_s
        while True:
            left_s = max(0.0, until_s - time.monotonic())
            if self._poll.poll(left_s * 1000):
                data = self._wire.read()
                if data:
                    return data
            if left_s <= 0:
                return b""

    def write(self, data: bytes) -> None:
        self._wire.write(data)

    def errors(self) -> int:
        return max(0, self._count() - self._before)

    def close(self) -> None:
        self._wire.close()

    def _count(self) -> int:
        try:
            counts = _COUNTS.unpack(fcntl.ioctl(self._wire.fd, _TIOCGICOUNT, bytes(_COUNTS.size)))
        except (OSError, ValueError):  # a pty, a socket, or a driver that does not count
            return 0
        return int(counts[6] + counts[8])


def has_settings(url: str) -> bool:
    """Whether speed and format can be chosen: not so over plain TCP, where the converter has its own."""
    return not url.startswith("socket://")


def settings_of(baud: int, framing: str) -> Settings:
    """Line settings from the short form, e.g. 9600 and "7E1". ValueError says what is possible."""
    match = re.fullmatch(r"([5-8])([NEOMS])(1|1\.5|2)", framing.strip().upper())
    if match is None:
        raise ValueError(f'format "{framing}" is not possible; write it like "8N1" or "7E1"')
    return Settings(baud, int(match[1]), match[2], float(match[3]))


class Opener:
    """Opens one wire again and again, at one setting after the other. A converter on the network serves one
    client and takes a moment to see that it has left, so it is tried again."""

    def __init__(self, url: str) -> None:
        self._url = url
        self._waits_s: tuple[float, ...] = ()

    def __call__(self, setting: tuple[int, str] | None) -> Ear:
        """WireError, ValueError where the setting can't be."""
        settings = settings_of(*(setting or (9600, "8N1")))
        for wait_s in self._waits_s:
            try:
                return Ear(self._url, settings)
            except WireError:
                time.sleep(wait_s)
        ear = Ear(self._url, settings)
        self._waits_s = () if self._url.startswith("/") else (0.1, 0.3, 1.0)
        return ear
