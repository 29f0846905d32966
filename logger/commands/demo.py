"""`tallydeck demo`: the simulated bay on real wires, the daemon and the board, in one process."""

from __future__ import annotations

import shutil
import signal
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from logger.app import Daemon, with_ports
from logger.clock import Clock, stopwatch_ns
from logger.core.entries import Finding
from logger.core.walltime import rfc3339
from logger.settings import load
from logger.settings.shipped import shipped
from logger.simulator.demo import DemoBay


def run_demo(
    *,
    speed: float,
    port: int,
    seed: int,
    directory: Path | None,
    seconds: float | None,
    say: Callable[..., None],
) -> None:
    """Run until stopped, or for so many seconds. StartError where the daemon can't start."""
    enough = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: enough.set())
    home = Path(tempfile.mkdtemp(prefix="tallydeck-demo-"))
    try:
        bay = DemoBay(home / "wires", speed=speed, seed=seed)
        bay.start()
        daemon = demo_daemon(bay, directory or home / "journal", port, speed, _Teller(say))
        try:
            daemon.start()
            say(
                f"The board is at {daemon.board.url}  (a simulated bay, {speed:g} times life; Ctrl-C ends it)"
            )
            _operate(bay, daemon, speed, enough, seconds)
        finally:
            daemon.stop()
            bay.stop()
    finally:
        shutil.rmtree(home, ignore_errors=True)


def demo_daemon(
    bay: DemoBay, directory: Path, port: int, speed: float, told: Callable[[list[Finding]], None]
) -> Daemon:
    """A daemon for a simulated bay that has been started: its configuration, on the bay's wires."""
    configuration = with_ports(load(shipped("demo.toml")), bay.urls, directory, port)
    return Daemon(configuration, clock=Clock(speed), told=told)


def _operate(
    bay: DemoBay, daemon: Daemon, speed: float, enough: threading.Event, seconds: float | None
) -> None:
    """Say what the script's operator says, each at its time (seconds of the simulated bay)."""
    begun_ns = stopwatch_ns()
    script = iter(bay.script)
    upcoming: tuple[float, dict[str, Any]] | None = next(script, None)
    while not enough.wait(0.05):
        passed = (stopwatch_ns() - begun_ns) / 1e9
        if seconds is not None and passed > seconds:
            return
        while upcoming is not None and passed * speed >= upcoming[0]:
            daemon.loop.submit(upcoming[1], "the demo")
            upcoming = next(script, None)


class _Teller:
    """Tells findings in the terminal as they are committed, one plain line each."""

    def __init__(self, say: Callable[..., None]) -> None:
        self._say = say

    def __call__(self, findings: list[Finding]) -> None:
        for finding in findings:
            line = tell(finding)
            if line:
                self._say(line)


def tell(finding: Finding) -> str:
    """A finding as one line for a person; empty where it is not worth one."""
    clock = rfc3339(finding.at_ns)[11:19]
    data = finding.data
    match finding.kind:
        case "alarm":
            return f"{clock}  {data['state'].upper():<12} {data['kind']}: {data['what']}"
        case "recognised":
            credit = f", {data['credit_kg']:.3f} kg credited" if data["credit_kg"] else ""
            return f"{clock}  {data['channel']}: {data['what']} ({data['step_kg']:+.2f} kg{credit})"
        case "run-opened":
            return f"{clock}  run {data['run']} opened, lot {data['lot'] or 'none'}"
        case "run-closed":
            return f"{clock}  run {data['run']} closed"
        case _:
            return ""
