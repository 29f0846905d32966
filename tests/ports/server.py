"""A serial server with one port: a pty on one side, RFC 2217 by pyserial's server half on the other."""

from __future__ import annotations

import os
import select
import socket
import threading
import tty
from types import TracebackType

import serial
from serial.rfc2217 import PortManager

from .cable import await_true


class _Device(serial.Serial):
    """A pty as a serial device: it has no modem lines, so those are made up and written down."""

    cts = dsr = ri = cd = True
    refused_baud = 0

    def __init__(self, path: str) -> None:
        self.lines: dict[str, bool] = {}
        super().__init__(path, timeout=0)

    def _update_dtr_state(self) -> None:
        self.lines["dtr"] = self.dtr

    def _update_rts_state(self) -> None:
        self.lines["rts"] = self.rts

    def _reconfigure_port(self, force_update: bool = False) -> None:
        if self._baudrate == self.refused_baud:
            raise ValueError("this server does not go that fast")
        if not self.is_open:  # a pty has no line either, and would refuse seven bits
            super()._reconfigure_port(force_update)


class _Connection:
    def __init__(self, link: socket.socket) -> None:
        self.link = link

    def write(self, data: bytes) -> None:
        self.link.sendall(data)


class SerialServer:
    """It serves one client at a time, as such servers do; a second one is turned away."""

    def __init__(self, refused_baud: int = 0) -> None:
        self._master, slave = os.openpty()
        os.set_blocking(self._master, False)
        tty.setraw(slave)
        self.device = _Device(os.ttyname(slave))
        self.device.refused_baud = refused_baud
        os.close(slave)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.number = self._listener.getsockname()[1]
        self._link: socket.socket | None = None
        self._manager: PortManager | None = None
        self.clients = self.turned_away = 0
        self.cut = threading.Event()
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run, name="serial server", daemon=True)

    @property
    def url(self) -> str:
        return f"rfc2217://127.0.0.1:{self.number}"

    def __enter__(self) -> SerialServer:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._end.set()
        self._thread.join(5.0)
        self._hang_up()
        self._listener.close()
        self.device.close()
        os.close(self._master)

    def send(self, data: bytes) -> None:
        """What the instrument prints."""
        while data:
            select.select([], [self._master], [], 5.0)
            data = data[os.write(self._master, data) :]

    def offer(self, data: bytes) -> None:
        """As much of it as is taken now; a moment's wait where that is nothing."""
        if select.select([], [self._master], [], 0.02)[1]:
            os.write(self._master, data)

    def heard(self) -> bytes:
        """What has come to the instrument."""
        return os.read(self._master, 4096) if select.select([self._master], [], [], 0)[0] else b""

    def await_request(self, request: bytes) -> None:
        got = bytearray()

        def arrived() -> bool:
            got.extend(self.heard())
            return request in got

        await_true(arrived, f"{request!r} at the instrument")

    def drop(self) -> None:
        """Cut the connection, as when the server is switched off and on; it is free again afterwards."""
        self.cut.set()
        await_true(lambda: not self.cut.is_set(), "the connection cut")

    def _run(self) -> None:
        while not self._end.is_set():
            if self.cut.is_set():
                self._hang_up()
                self.cut.clear()
            watched = [self._listener, *([self._link, self.device] if self._link else [])]
            ready = select.select(watched, [], [], 0.01)[0]
            try:
                self._serve(ready)
            except OSError:
                self._hang_up()

    def _serve(self, ready: list[object]) -> None:
        if self._listener in ready:
            link, _ = self._listener.accept()
            if self._link is not None:
                self.turned_away += 1
                link.close()
            else:
                self.clients += 1
                self._link = link
                self._manager = PortManager(self.device, _Connection(link))
        if self._link is not None and self._manager is not None:
            if self._link in ready:
                data = self._link.recv(4096)
                if not data:
                    self._hang_up()
                    return
                self.device.write(b"".join(self._manager.filter(data)))
            if self.device in ready:
                self._link.sendall(b"".join(self._manager.escape(self.device.read(4096))))

    def _hang_up(self) -> None:
        if self._link is not None:
            self._link.close()
        self._link = self._manager = None
