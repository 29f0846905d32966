"""Real wires for simulated instruments: pseudo-terminals and TCP servers, which can be pulled out.

All calls come from one thread and none of them blocks. What is sent while nobody listens is gone, as on
a real wire.
"""

from __future__ import annotations

import os
import select
import socket
import tty
from contextlib import suppress
from pathlib import Path
from random import Random
from typing import Protocol

_CHUNK = 4096


class Wire(Protocol):
    """One instrument's wire."""

    @property
    def url(self) -> str:
        """Where a port finds it; stays the same when it is pulled out and put back."""

    def plug(self) -> None: ...

    def unplug(self) -> None: ...

    def receive(self) -> bytes:
        """What has come in since the last call; empty where nothing has."""

    def send(self, data: bytes) -> None: ...


class PtyWire:
    """A pseudo-terminal in raw mode behind a symbolic link of fixed name.

    Only the instrument's end is held open, so that a missing listener shows as a hang-up.
    """

    def __init__(self, link: Path) -> None:
        self._link = link
        self._fd = -1
        self._poll = select.poll()

    @property
    def url(self) -> str:
        return str(self._link)

    def plug(self) -> None:
        """Make the terminal and its link; nothing happens where it is plugged in already."""
        if self._fd >= 0:
            return
        master, slave = os.openpty()
        tty.setraw(slave)
        name = os.ttyname(slave)
        os.close(slave)
        os.set_blocking(master, False)
        self._fd = master
        self._poll.register(master, select.POLLIN)
        self._link.unlink(missing_ok=True)
        self._link.symlink_to(name)

    def unplug(self) -> None:
        """Remove the link and hang up."""
        if self._fd < 0:
            return
        self._link.unlink(missing_ok=True)
        self._poll.unregister(self._fd)
        os.close(self._fd)
        self._fd = -1

    def _state(self) -> int:
        """Poll flags; a hang-up where nobody listens."""
        if self._fd < 0:
            return select.POLLHUP
        events = self._poll.poll(0)
        return events[0][1] if events else 0

    def receive(self) -> bytes:
        if not self._state() & select.POLLIN:
            return b""
        try:
            return os.read(self._fd, _CHUNK)
        except OSError:  # EIO: the listener left between the two calls
            return b""

    def send(self, data: bytes) -> None:
        if self._state() & select.POLLHUP:
            return
        with suppress(OSError):  # full, because the listener does not read; or gone
            os.write(self._fd, data)


class TcpWire:
    """A TCP server on this machine; everyone connected hears all."""

    def __init__(self, port: int = 0) -> None:
        self._port = port
        self._server: socket.socket | None = None
        self._clients: list[socket.socket] = []

    @property
    def url(self) -> str:
        """``socket://127.0.0.1:port``; the port is known once it was plugged in."""
        return f"socket://127.0.0.1:{self._port}"

    def plug(self) -> None:
        if self._server is not None:
            return
        server = socket.create_server(("127.0.0.1", self._port), reuse_port=False)
        server.setblocking(False)
        self._port = server.getsockname()[1]
        self._server = server

    def unplug(self) -> None:
        """Refuse and drop every connection."""
        if self._server is not None:
            self._server.close()
            self._server = None
        for client in self._clients:
            client.close()
        self._clients = []

    def receive(self) -> bytes:
        self._accept()
        data = b""
        for client in list(self._clients):
            try:
                part = client.recv(_CHUNK)
            except BlockingIOError:
                continue
            except OSError:
                part = b""
            if not part:
                self._drop(client)
            data += part
        return data

    def _accept(self) -> None:
        while self._server is not None:
            try:
                client, _ = self._server.accept()
            except OSError:  # nobody is waiting
                return
            client.setblocking(False)
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._clients.append(client)

    def _drop(self, client: socket.socket) -> None:
        client.close()
        self._clients.remove(client)

    def send(self, data: bytes) -> None:
        for client in list(self._clients):
            try:
                client.sendall(data)
            except BlockingIOError:
                continue
            except OSError:
                self._drop(client)


class Spoiler:
    """What a bad line does to frames: loses, cuts and spoils them, and lets them come in two parts.

    ``missing`` and ``spoilt`` are fractions of the frames; ``split`` is the fraction that comes in two
    parts, the second one with the next call.
    """

    def __init__(self, rng: Random, split: float = 0.05) -> None:
        self._rng = rng
        self._split = split
        self._held = b""

    def through(self, frames: list[bytes], missing: float, spoilt: float) -> bytes:
        """What comes out at the other end now."""
        out = bytearray(self._held)
        self._held = b""
        for frame in frames:
            if self._rng.random() < missing:
                continue
            out += self._spoil(frame) if self._rng.random() < spoilt else frame
        if len(out) > 1 and frames and self._rng.random() < self._split:
            cut = self._rng.randrange(1, len(out))
            self._held = bytes(out[cut:])
            del out[cut:]
        return bytes(out)

    def _spoil(self, frame: bytes) -> bytes:
        kind = self._rng.randrange(4)
        where = self._rng.randrange(len(frame))
        if kind == 0:
            return frame[:where]
        if kind == 1:
            return frame[where + 1 :]
        if kind == 2:
            return frame[:where] + bytes([frame[where] ^ (1 << self._rng.randrange(8))]) + frame[where + 1 :]
        return self._rng.randbytes(self._rng.randint(1, 12)) + frame
