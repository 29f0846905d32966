"""Listening and finding while the daemon runs: one at a time, bounded, never on a port it reads itself."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from logger.core.guess.pieces import Listener, Shown, printable
from logger.ports.ear import Ear, Opener, has_settings, settings_of
from logger.ports.finding import REQUESTS, Stopped, find, plan
from logger.ports.listing import is_device, list_wires, stable_name
from logger.ports.telling import found_dict
from logger.ports.wire import WireError, check_url

MOST_PIECES = 2000


class WireRefused(Exception):
    """It is not done. ``code`` names why for programs, ``do`` is the remedy, ``more`` goes with it."""

    def __init__(self, code: str, detail: str, do: str, **more: Any) -> None:
        super().__init__(detail)
        self.code, self.detail, self.do, self.more = code, detail, do, more


class WireBench:
    """``held``: port -> instrument, as the daemon reads them. All calls block; any thread may make them."""

    def __init__(self, held: Mapping[str, str]) -> None:
        self._held = dict(held)
        self._one = threading.Lock()
        self._ending = threading.Event()

    def end(self) -> None:
        """The daemon stops: what runs ends soon."""
        self._ending.set()

    def list(self) -> list[dict[str, Any]]:
        """Every serial port of this computer."""
        return [asdict(each) for each in list_wires(self._held)]

    def listen(self, port: str, baud: int, framing: str, seconds: float, send: bytes) -> dict[str, Any]:
        """What comes within a time. WireRefused."""
        with self._turn(port):
            ear = self._open(port, baud, framing)
            try:
                return self._listen(ear, seconds, send)
            except WireError as error:
                raise self._trouble(error) from error
            finally:
                ear.close()

    def _listen(self, ear: Ear, seconds: float, send: bytes) -> dict[str, Any]:
        listener = Listener()
        began_ns = time.monotonic_ns()
        until_s = time.monotonic() + seconds
        pieces: list[Shown] = []
        if send:
            ear.write(send)
        while time.monotonic() < until_s and not self._ending.is_set() and len(pieces) < MOST_PIECES:
            data = ear.take(0.05)
            now_ns = time.monotonic_ns()
            pieces += listener.feed(data, now_ns) if data else listener.idle(now_ns)
        rows = [
            {
                "t_s": round((each.at_ns - began_ns) / 1e9, 4),
                "hex": each.data.hex(),
                "text": printable(each.data),
                "sma": each.sma,
                "line": each.line,
            }
            for each in [*pieces, *listener.end()]
        ]
        return {"sent": printable(send), "pieces": rows}

    def find(
        self,
        port: str,
        *,
        silent: bool,
        ask: tuple[bytes, ...],
        baud: int | None,
        framing: str | None,
        seconds: float,
        name: str,
        unit: str | None,
    ) -> dict[str, Any]:
        """Search for at most ``seconds``. WireRefused, also where the time was not enough."""
        search = plan(
            has_settings=has_settings(port),
            baud=baud,
            framing=framing,
            requests=() if silent else ask or REQUESTS,
            learn_s=min(6.0, seconds / 4),
        )
        until_s = time.monotonic() + seconds

        with self._turn(port):
            try:
                found = find(
                    Opener(port),
                    search,
                    now=time.monotonic,
                    stopped=lambda: self._ending.is_set() or time.monotonic() > until_s,
                )
            except Stopped:
                raise WireRefused(
                    "not-found-in-time",
                    f"nothing was decided within {seconds:g} s",
                    "allow more time, or name the speed and the format if they are known",
                ) from None
            except WireError as error:
                raise self._trouble(error) from error
            except ValueError as error:
                raise WireRefused("wrong-setting", str(error), "give settings that are possible") from error
        proposal = found.proposal
        if proposal is not None and unit is not None:
            try:
                proposal = proposal.with_unit(unit)
            except ValueError as error:
                raise WireRefused("wrong-setting", str(error), "give a unit that is known") from error
        return found_dict(found, proposal, name, stable_name(port))

    def _turn(self, port: str) -> _Turn:
        """The right to use a port now. WireRefused where it is held, is no wire, or another search runs."""
        try:
            address = check_url(port)
        except ValueError as error:
            raise WireRefused("no-wire", str(error), "choose a port from /api/v1/wires") from error
        for url, instrument in self._held.items():
            if _same(url, port):
                raise WireRefused(
                    "held",
                    f"the daemon itself reads {port}: the instrument {instrument}",
                    "look at it on the board; to search the port, take it out of the configuration",
                    instrument=instrument,
                )
        if address is None and not is_device(port):
            raise WireRefused("no-wire", f"{port}: this is no serial device", "choose one from /api/v1/wires")
        if not self._one.acquire(blocking=False):
            raise WireRefused(
                "busy",
                "another port is being listened to or searched",
                "wait until that has ended, then ask again",
            )
        return _Turn(self._one)

    def _open(self, port: str, baud: int, framing: str) -> Ear:
        try:
            settings = settings_of(baud, framing)
        except ValueError as error:
            raise WireRefused("wrong-setting", str(error), "give settings that are possible") from error
        try:
            return Ear(port, settings)
        except WireError as error:
            raise self._trouble(error) from error

    def _trouble(self, error: WireError) -> WireRefused:
        return WireRefused("no-port", str(error.strerror), "put that right and ask again")


class _Turn:
    def __init__(self, lock: threading.Lock) -> None:
        self._lock = lock

    def __enter__(self) -> None: ...

    def __exit__(self, *_: object) -> None:
        self._lock.release()


def _same(one: str, other: str) -> bool:
    if one.startswith("/") and other.startswith("/"):
        return os.path.realpath(one) == os.path.realpath(other)
    # the same host and TCP port is the same converter, whichever way it is spoken to
    return one.lower().partition("://")[2].rstrip("/") == other.lower().partition("://")[2].rstrip("/") != ""
