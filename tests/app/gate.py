"""A gate before a broker: shut, so that somebody else is at the broker first; or open to 3.1.1 alone."""

from __future__ import annotations

import contextlib
import socket
import threading

V311 = 4


class Gate:
    """Passes bytes on to ``behind``; ``only``: the one version of MQTT that it lets in, politely
    (OASIS MQTT 3.1.1, 3.2.2.3: return code 1 for another one)."""

    def __init__(self, behind: int, only: int | None = None) -> None:
        self._behind, self._only = behind, only
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self.versions: list[int] = []
        self._links: list[socket.socket] = []
        self._accept()

    def __enter__(self) -> Gate:
        return self

    def __exit__(self, *_: object) -> None:
        self.shut()

    def shut(self) -> None:
        """Nobody gets in, and who is in is cut off."""
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        for link in self._links:
            with contextlib.suppress(OSError):
                link.shutdown(socket.SHUT_RDWR)
            link.close()
        self._links.clear()

    def open(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", self.port))
        self._accept()

    def _accept(self) -> None:
        threading.Thread(target=self._run, args=(self._listener,), daemon=True).start()

    def _run(self, listener: socket.socket) -> None:
        while True:
            try:
                link, _ = listener.accept()
            except OSError:
                return
            with contextlib.suppress(OSError):
                self._let_in(link)

    def _let_in(self, link: socket.socket) -> None:
        self._links.append(link)
        hello = link.recv(65536)
        version = hello[hello.index(b"MQTT") + 4]  # it stands behind the name (3.1.2.2)
        self.versions.append(version)
        if self._only not in (None, version):
            link.sendall(b"\x20\x02\x00\x01")
            link.close()
            return
        far = socket.create_connection(("127.0.0.1", self._behind))
        self._links.append(far)
        far.sendall(hello)
        for one, other in ((link, far), (far, link)):
            threading.Thread(target=self._pass, args=(one, other), daemon=True).start()

    @staticmethod
    def _pass(one: socket.socket, other: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := one.recv(65536):
                other.sendall(data)
        with contextlib.suppress(OSError):
            other.shutdown(socket.SHUT_RDWR)
