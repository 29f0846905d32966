"""Keeps one wire open in a thread of its own: what every port that has a wire builds on.

A wire that breaks is closed at once and opened again: at once when its device reappears, else after
0.25 s, 0.5 s and so on up to 8 s. Only a wire that delivered something counts as mended, so one that
opens and breaks again does not flap four times a second.
"""

from __future__ import annotations

import logging
import os
import random
import threading
import time
from abc import ABC, abstractmethod
from collections.abc import Callable
from pathlib import Path

from logger.ports.schedule import Backoff
from logger.ports.wire import Settings, Wire, WireError, check_url, explain, open_wire

log = logging.getLogger(__name__)

GLANCE_S = 0.25  # how often, while waiting, whether the device has reappeared


class WireKeeper(ABC):
    """A thread that opens a wire, lets `_serve` use it, and opens it again when that fails.

    ``url`` is a device path, ``socket://host:port`` or ``rfc2217://host:port``. ``reopen_s``: first and
    longest wait before opening again; ``reopen_jitter``: share of it that is random, so that many ports
    don't knock together. ValueError where a setting is impossible.
    """

    def __init__(
        self,
        name: str,
        url: str,
        settings: Settings,
        *,
        reopen_s: tuple[float, float] = (0.25, 8.0),
        reopen_jitter: float = 0.1,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        check_url(url)
        self.name = name
        self._url = url
        self._settings = settings
        self._backoff = Backoff(*reopen_s, reopen_jitter, random.random)
        self._monotonic = monotonic
        self._thread: threading.Thread | None = None
        self._stopping = threading.Event()
        self._waking = threading.Lock()
        self._wake: tuple[int, int] | None = None
        self._opened = 0

    def start(self) -> None:
        """Begin; returns at once. RuntimeError where it was started before."""
        if self._thread is not None:
            raise RuntimeError(f"port {self.name} was started before; make a new one")
        self._wake = os.pipe()
        self._thread = threading.Thread(target=self._run, name=f"port {self.name}", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 2.0) -> None:
        """End the thread and close the wire; safe to call twice."""
        self._stopping.set()
        if self._thread is None:
            return
        with self._waking:
            if self._wake is not None:
                os.write(self._wake[1], b"x")
        self._thread.join(timeout_s)
        if self._thread.is_alive():
            log.warning("port %s did not end within %.1f s; it ends by itself later", self.name, timeout_s)

    @property
    def alive(self) -> bool:
        return self._thread is not None and self._thread.is_alive()

    @abstractmethod
    def _begun(self) -> None:
        """The wire is open."""

    @abstractmethod
    def _serve(self, wire: Wire, wake_fd: int) -> None:
        """Use the wire until the port is to stop, which makes ``wake_fd`` readable; WireError on loss."""

    @abstractmethod
    def _lost(self, why: str) -> None:
        """The wire is lost or not to be had; ``why`` is for a person."""

    @abstractmethod
    def _delivered(self) -> int:
        """How many readings were handed on so far."""

    @abstractmethod
    def _ended(self) -> None:
        """The thread is about to end, as was asked."""

    def _run(self) -> None:
        while not self._stopping.is_set():
            seen = self._delivered()
            try:
                self._session()
            except WireError as error:
                self._lost(str(error.strerror))
            except Exception as error:  # a port's thread must never die without a word
                log.exception("port %s: unexpected trouble", self.name)
                self._lost(explain(error, self._url))
            if self._delivered() > seen:
                self._backoff.mended()
            self._rest(self._backoff.wait_s())
        self._ended()
        with self._waking:
            for end in self._wake or ():
                os.close(end)
            self._wake = None

    def _session(self) -> None:
        """From opening the wire to its end. Returns when the port is to stop; WireError on loss."""
        wire = open_wire(self._url, self._settings)
        try:
            if self._stopping.is_set():  # connecting may outlast the patience of stop()
                return
            assert self._wake is not None  # noqa: S101 - for the type checker; start() made it
            wire.agree(self._wake[0])
            if self._stopping.is_set():
                return
            self._opened += 1
            self._begun()
            self._serve(wire, self._wake[0])
        finally:
            wire.close()

    def _look(self, wire: Wire) -> None:
        """WireError where the device path leads to another device by now."""
        if wire.leads_elsewhere():
            raise WireError(0, f"{self._url}: the name leads to another device now; it is opened anew")

    def _rest(self, wait_s: float) -> None:
        """Wait before opening again, or until the device reappears."""
        until_s = self._monotonic() + wait_s
        before = _identity(self._url)
        while (left_s := until_s - self._monotonic()) > 0:
            if self._stopping.wait(min(left_s, GLANCE_S)):
                return
            now = _identity(self._url)
            if now is not None and now != before:
                self._backoff.mended()
                return
            before = now


def _identity(url: str) -> tuple[int, int] | None:
    """What stands at a device path now; None for nothing there, and for what is no path."""
    try:
        found = Path(url).stat()
    except OSError:
        return None
    return found.st_ino, found.st_rdev
