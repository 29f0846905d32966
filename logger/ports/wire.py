"""A wire that is open: a serial device, a TCP connection or a serial server's port, as one file descriptor.

pyserial opens and configures the device; reading and writing go to the descriptor itself, because
one `os.read` returns what is there and loses nothing at a hang-up, where a read of more than is
there does. TCP is a plain socket: unlike pyserial's it is closed even after the far end reset it, and
keep-alive tells a dead line within half a minute. A serial server's line is set by RFC 2217 over such
a socket (`ports.rfc2217`).
"""

from __future__ import annotations

import errno
import fcntl
import os
import select
import socket
import termios
import time
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

import serial

from logger.ports.rfc2217 import ComPort

READ_BYTES = 4096
WRITE_S = 0.5
CONNECT_S = 1.5
AGREE_S = 1.5
SERVER = "rfc2217"
TROUBLE = (serial.SerialException, OSError, termios.error, TypeError, ValueError)
"""Everything that opening or using a wire was seen to raise. A hang-up shows in four different ways."""


class WireError(OSError):
    """A wire is not to be had or was lost. The message is for a person."""


@dataclass(frozen=True, slots=True)
class Settings:
    """Line settings of a serial device or a serial server's port; a TCP connection has none."""

    baud: int = 9600
    data_bits: int = 8
    parity: str = "N"
    stop_bits: float = 1
    dtr: bool | None = None
    rts: bool | None = None

    def __post_init__(self) -> None:
        for what, value, allowed in (
            ("data_bits", self.data_bits, (5, 6, 7, 8)),
            ("parity", self.parity, ("N", "E", "O", "M", "S")),
            ("stop_bits", self.stop_bits, (1, 1.5, 2)),
        ):
            if value not in allowed:
                raise ValueError(
                    f"{what} {value!r} is not possible; use one of {', '.join(map(str, allowed))}"
                )
        if not 50 <= self.baud <= 4_000_000:
            raise ValueError(f"baud {self.baud} is not possible; use 50 to 4000000, most scales 9600")


def check_url(url: str) -> tuple[str, int] | None:
    """(host, port) of ``socket://host:port`` or ``rfc2217://host:port``; None for a device path.

    ValueError for anything else.
    """
    if url.startswith("/"):
        return None
    try:
        parts = urlsplit(url)
        if parts.scheme in ("socket", SERVER) and parts.hostname and parts.port and not parts.path.strip("/"):
            return parts.hostname, parts.port
    except ValueError:
        pass
    raise ValueError(
        f'"{url}" is not a wire; use a device such as "/dev/serial/by-id/...", "socket://host:port" '
        'or "rfc2217://host:port"'
    )


class Wire:
    """An open wire. Not thread-safe: one thread owns it."""

    def __init__(self, held: serial.Serial | socket.socket, url: str, remote: ComPort | None = None) -> None:
        self._held = held
        self._url = url
        self._remote = remote
        self.fd: int = held.fileno()

    def agree(self, wake: int) -> None:
        """Have a serial server set its line; any other wire is ready as it is. Ends early when the
        descriptor ``wake`` becomes readable. WireError where it refuses or does not answer.

        What arrives before is dropped, as opening a device drops what was there.
        """
        remote = self._remote
        if remote is None:
            return
        until_s = time.monotonic() + AGREE_S
        poller = select.poll()
        poller.register(self.fd, select.POLLIN)
        poller.register(wake, select.POLLIN)
        self._send(remote.hello())
        while not remote.agreed and (left_s := until_s - time.monotonic()) > 0:
            ready = dict(poller.poll(left_s * 1000))
            if wake in ready:
                return
            if ready:
                self.read()
        if not remote.settled:  # a server that forgets to answer the purge alone will do
            raise WireError(errno.ETIMEDOUT, f"{self._url}: {remote.missing}; {_NO_SERVER}")

    def read(self) -> bytes:
        """What has arrived, at most 4096 bytes; b"" where nothing has. WireError at a hang-up."""
        data = self._receive()
        if self._remote is None or not data:
            return data
        given, answer = self._remote.feed(data)
        self._send(answer)
        if self._remote.refused:
            raise WireError(errno.EPROTO, f"{self._url}: {self._remote.refused}")
        return given

    def _receive(self) -> bytes:
        try:
            data = os.read(self.fd, READ_BYTES)
        except (BlockingIOError, InterruptedError):
            return b""
        except OSError as error:
            raise _wire_error(error, self._url) from error
        if not data:
            raise _wire_error(OSError(errno.EIO, "closed at the far end"), self._url)
        return data

    def write(self, data: bytes) -> None:
        """Send all of it within half a second, else WireError."""
        self._send(data if self._remote is None else self._remote.wrap(data))

    def _send(self, data: bytes) -> None:
        until_s = time.monotonic() + WRITE_S
        while data:
            try:
                data = data[os.write(self.fd, data) :]
            except (BlockingIOError, InterruptedError):
                gate = select.poll()
                gate.register(self.fd, select.POLLOUT)
                left_s = until_s - time.monotonic()
                if left_s <= 0 or not gate.poll(left_s * 1000):
                    raise WireError(errno.ETIMEDOUT, f"{self._url}: {_STUCK}") from None
            except OSError as error:
                raise _wire_error(error, self._url) from error

    def leads_elsewhere(self) -> bool:
        """Whether the device path leads to another device by now. A name that is missing does not
        count: as long as the device itself answers, its bytes are worth having."""
        if isinstance(self._held, socket.socket):
            return False
        try:
            return Path(self._url).stat().st_rdev != os.fstat(self.fd).st_rdev
        except OSError:
            return False

    def close(self) -> None:
        """Give the descriptor back at once; a descriptor left open makes the kernel number the port anew."""
        if not isinstance(self._held, socket.socket) and self._held.is_open:
            try:
                fcntl.ioctl(self.fd, termios.TIOCNXCL)
            except TROUBLE:
                pass
        try:
            self._held.close()
        except TROUBLE:
            pass


def open_wire(url: str, settings: Settings) -> Wire:
    """Open a device for us alone, or connect. WireError says what to do.

    A serial server's line is not set yet: see `Wire.agree`.
    """
    address = check_url(url)
    try:
        if address is None:
            return Wire(_device(url, settings), url)
        remote = _com_port(settings) if urlsplit(url).scheme == SERVER else None
        return Wire(_connection(*address), url, remote)
    except TROUBLE as error:
        raise _wire_error(error, url) from error


def _com_port(settings: Settings) -> ComPort:
    framing = settings.data_bits, settings.parity, settings.stop_bits
    return ComPort(settings.baud, *framing, dtr=settings.dtr, rts=settings.rts)


def _device(path: str, settings: Settings) -> serial.Serial:
    port = serial.Serial(
        baudrate=settings.baud,
        bytesize=settings.data_bits,
        parity=settings.parity,
        stopbits=settings.stop_bits,
        timeout=0,
        exclusive=True,
    )
    port.port = path
    if settings.dtr is not None:
        port.dtr = settings.dtr
    if settings.rts is not None:
        port.rts = settings.rts
    port.open()
    try:
        # The lock above only stops programs that ask for it; this makes a plain open fail as well.
        fcntl.ioctl(port.fileno(), termios.TIOCEXCL)
    except TROUBLE:
        port.close()
        raise
    return port


def _connection(host: str, port: int) -> socket.socket:
    link = socket.create_connection((host, port), timeout=CONNECT_S)
    try:
        link.setblocking(False)
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        link.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        for option, value in (("TCP_KEEPIDLE", 10), ("TCP_KEEPINTVL", 5), ("TCP_KEEPCNT", 3)):
            if hasattr(socket, option):
                link.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)
    except OSError:
        link.close()
        raise
    return link


def _wire_error(error: BaseException, url: str) -> WireError:
    return WireError(getattr(error, "errno", None) or 0, explain(error, url))


def explain(error: BaseException, url: str) -> str:
    """What is wrong with a wire and what to do, for a person."""
    number = getattr(error, "errno", None)
    origin = error if isinstance(error, termios.error) else error.__context__
    if number is None and isinstance(origin, termios.error) and origin.args:
        number = origin.args[0]
    remedy = _REMEDY.get(number or 0)
    if remedy is None and isinstance(error, socket.gaierror):
        remedy = "the host name is not known; check it, or give the address in numbers"
    if remedy is None and isinstance(error, TimeoutError):
        remedy = _REMEDY[errno.ETIMEDOUT]
    return f"{url}: {remedy or f'{error}; check the cable and the settings of the port'}"


_NO_SERVER = (
    "check that the serial server is set to RFC 2217 on this TCP port and that no other client holds it, "
    "or write socket:// if it is a plain TCP port"
)
_BUSY = "another program holds this port and would take its bytes; end it, `fuser -v` names it"
_STUCK = "the far end takes no more bytes; check that the instrument is on, it is opened again by itself"
_GONE = (
    "the wire is gone: unplugged, switched off, or a second program reads the port; "
    "check the plug, it is opened again by itself"
)
_REMEDY = {
    errno.ENOENT: "there is no such device; plug the adapter in, or choose a name from /dev/serial/by-id",
    errno.ENXIO: _GONE,
    errno.ENODEV: _GONE,
    errno.EIO: _GONE,
    errno.ECONNRESET: _GONE,
    errno.EPIPE: _GONE,
    errno.EBADF: _GONE,
    errno.ENOTTY: "this is no serial device; choose a name from /dev/serial/by-id",
    errno.EACCES: "not allowed to open it; add the program's user to the group that owns the device",
    errno.EPERM: "not allowed to open it; add the program's user to the group that owns the device",
    errno.EBUSY: _BUSY,
    errno.EAGAIN: _BUSY,
    errno.ECONNREFUSED: "nothing listens there; switch the converter on, or check the port number",
    errno.EHOSTUNREACH: "the host can't be reached; check the network cable and the address",
    errno.ENETUNREACH: "the network can't be reached; check the network cable and the address",
    errno.ETIMEDOUT: "no answer in time; check that the far end is switched on and the address is right",
}
