"""A whole daemon whose parts can be made to fail from outside: SIGUSR1 does what the second argument says.

Run as a program: ``watched_daemon.py CONFIGURATION loop|port|board|slow-port``.
"""

from __future__ import annotations

import logging
import signal
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

from logger.app import Daemon
from logger.commands.serve import run_serve
from logger.loop import Call
from logger.settings import load


def _block() -> None:
    threading.Event().wait()


def _hang_open(*_: object) -> None:
    time.sleep(60)


def main() -> None:
    configuration, what = Path(sys.argv[1]), sys.argv[2]
    logging.basicConfig(level=logging.INFO, stream=sys.stderr)
    daemon = Daemon(load(configuration))

    def end_port() -> None:
        port = daemon.ports[0]
        port._stopping.set()  # type: ignore[attr-defined]

    faults: dict[str, Callable[[], object]] = {
        "loop": lambda: daemon.loop._inbox.put(Call(_block)),
        "port": end_port,
        "board": lambda: daemon.board._loop.call_soon_threadsafe(_block),  # type: ignore[union-attr]
        "slow-port": lambda: None,
    }
    if what == "slow-port":
        from logger.ports import serial

        serial.open_wire = _hang_open  # type: ignore[assignment]
    signal.signal(signal.SIGUSR1, lambda *_: faults[what]())
    run_serve(daemon, lambda: None)


if __name__ == "__main__":
    main()
