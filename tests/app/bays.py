"""Helpers: a daemon on the wires of a simulated bay, in this process or in one of its own."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from logger.app import Daemon
from logger.board.client import ClientError, DaemonClient
from logger.commands.demo import demo_daemon
from logger.core.entries import Finding
from logger.simulator.demo import DemoBay
from logger.simulator.foundry import foundry_scenario
from logger.simulator.scenario import Scenario


def until(true: Callable[[], Any], timeout_s: float = 20.0, what: str = "it") -> Any:
    """Wait for a condition; fail with its name where it does not come."""
    end = time.monotonic() + timeout_s
    while time.monotonic() < end:
        value = true()
        if value:
            return value
        time.sleep(0.02)
    raise AssertionError(f"{what} did not happen within {timeout_s:g} s")


@contextlib.contextmanager
def running_bay(
    home: Path, *, speed: float = 5.0, seed: int = 1, scenario: Scenario | None = None
) -> Iterator[DemoBay]:
    bay = DemoBay(home / "wires", speed=speed, seed=seed, scenario=scenario or foundry_scenario(calm=True))
    bay.start()
    try:
        yield bay
    finally:
        bay.stop()


@contextlib.contextmanager
def running_daemon(
    bay: DemoBay, home: Path, told: Callable[[list[Finding]], None] = lambda found: None
) -> Iterator[Daemon]:
    daemon = demo_daemon(bay, home / "journal", 0, bay.speed, told)
    daemon.start()
    try:
        yield daemon
    finally:
        daemon.stop()


def write_configuration(bay: DemoBay, home: Path) -> Path:
    """The demo's configuration with the bay's real wires, for a daemon of its own process."""
    text = (Path(__file__).parent.parent.parent / "config" / "demo.toml").read_text("utf-8")
    for name, url in bay.urls.items():
        text = text.replace(f'"demo:{name}"', f'"{url}"')
    text = text.replace("port = 8787 ", "port = 0 ")
    path = home / "bay.toml"
    path.write_text(text + f'\n[journal]\ndirectory = "{home / "journal"}"\n')
    return path


class OwnProcess:
    """`tallydeck serve` as a process that can be killed."""

    def __init__(self, configuration: Path) -> None:
        self.directory = configuration.parent / "journal"
        command = [
            sys.executable,
            "-c",
            "from logger.cli import main; main()",
            "serve",
            "-c",
            str(configuration),
        ]
        self.log = (configuration.parent / "serve.log").open("ab")
        self.process = subprocess.Popen(command, stdout=self.log, stderr=self.log)

    def client(self) -> DaemonClient:
        """The API of this very process, once it listens."""
        from logger.app import StartError, read_address

        def found() -> DaemonClient | None:
            assert self.process.poll() is None, Path(self.log.name).read_text()
            with contextlib.suppress(StartError, ClientError):
                address = read_address(self.directory)
                if address.pid == self.process.pid:
                    client = DaemonClient(address.url, address.token)
                    client.state()
                    return client
            return None

        return until(found, 30.0, "the daemon's answer")

    def kill(self) -> None:
        os.kill(self.process.pid, signal.SIGKILL)
        self.process.wait(10.0)
        self.log.close()

    def terminate(self) -> int:
        self.process.terminate()
        code = self.process.wait(20.0)
        self.log.close()
        return code
