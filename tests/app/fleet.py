"""Many bays on one machine: simulated bays in a few processes, a daemon of its own for each, all `serve`."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

from logger.board.client import DaemonClient
from logger.simulator.demo import DemoBay
from logger.simulator.foundry import foundry_scenario
from tests.app.bays import OwnProcess, until, write_configuration

BAYS_A_PROCESS = 5


def links(*, store: str = "", token: str = "", broker: int = 0, more: str = "") -> str:
    """The tables [store] and [mqtt] of a configuration; ``more`` stands below the last."""
    text = ""
    if store:
        text += f'\n[store]\nurl = "{store}"\n' + (f'token = "file:{token}"\n' if token else "")
    if broker:
        text += f'\n[mqtt]\nhost = "127.0.0.1"\nport = {broker}\n'
    return text + more


def with_links(configuration: Path, text: str) -> Path:
    """Put these tables behind a configuration, once."""
    configuration.write_text(configuration.read_text("utf-8") + text, "utf-8")
    return configuration


class Member:
    """A bay of the fleet: its wires, its configuration, its daemon."""

    def __init__(self, home: Path, number: int) -> None:
        self.number = number
        self.name = f"Foundry bay {number:02}"
        self.level = f"foundry-bay-{number:02}"
        self.home = home / self.level
        self.home.mkdir(parents=True)
        self.journal = self.home / "journal" / "journal.sqlite"
        self.configuration = self.home / "bay.toml"
        self.daemon: OwnProcess | None = None
        self.client: DaemonClient | None = None

    @property
    def urls(self) -> Path:
        return self.home / "urls.json"

    def begin(self, text: str) -> None:
        """Start the daemon; then a lot and a run of the bay's own."""
        wires = cast(DemoBay, SimpleNamespace(urls=json.loads(self.urls.read_text())))
        write_configuration(wires, self.home)
        told = self.configuration.read_text("utf-8").replace('name = "Foundry bay"', f'name = "{self.name}"')
        self.configuration.write_text(told, "utf-8")
        with_links(self.configuration, text)
        self.daemon = OwnProcess(self.configuration)
        self.client = self.daemon.client()
        client = self.client
        until(lambda: not client.state()["recording"]["message"], what="live figures")
        for action in (
            {"action": "open-lot", "lot": f"L-{self.number:02}", "material": "floor sweepings"},
            {"action": "start-run", "lot": f"L-{self.number:02}"},
        ):
            answer = client.submit(action)
            assert answer.accepted, answer


class Fleet:
    """``count`` bays with daemons; ``text`` is put behind each configuration."""

    def __init__(self, home: Path, count: int, text: str, speed: float = 1.0) -> None:
        self._text, self._speed = text, speed
        self.members = [Member(home, number) for number in range(1, count + 1)]
        self._bays: list[subprocess.Popen[bytes]] = []

    def __enter__(self) -> Fleet:
        try:
            for first in range(0, len(self.members), BAYS_A_PROCESS):
                some = self.members[first : first + BAYS_A_PROCESS]
                homes = [str(member.home) for member in some]
                command = [sys.executable, "-m", "tests.app.fleet", str(self._speed), *homes]
                self._bays.append(subprocess.Popen(command, stdin=subprocess.PIPE))
            until(lambda: all(member.urls.exists() for member in self.members), 60.0, "the bays' wires")
            with ThreadPoolExecutor(2) as threads:  # no more at once than there are cores
                list(threads.map(lambda member: member.begin(self._text), self.members))
        except BaseException:
            self.__exit__()
            raise
        return self

    def still(self) -> None:
        """Take every instrument away; the daemons go on."""
        for process in self._bays:
            assert process.stdin is not None
            process.stdin.close()
            process.wait(10.0)
        self._bays = []

    def end(self) -> None:
        """Stop every daemon cleanly, all at once."""
        daemons = [member.daemon for member in self.members if member.daemon is not None]
        for member in self.members:
            member.daemon = None
        for daemon in daemons:
            daemon.process.terminate()
        codes = []
        for daemon in daemons:
            codes.append(daemon.process.wait(60.0))
            daemon.log.close()
        assert not any(codes), codes

    def __exit__(self, *_: object) -> None:
        for process in self._bays:
            process.kill()
            process.wait(10.0)
            assert process.stdin is not None
            process.stdin.close()
        for member in self.members:
            if member.daemon is not None:
                member.daemon.kill()
                member.daemon = None


def play(speed: float, homes: Sequence[Path]) -> None:
    """Simulated bays, until nobody holds the other end of stdin any more."""
    bays = []
    for number, home in enumerate(homes):
        seed = 100 * int(home.name.rsplit("-", 1)[1]) + number
        bay = DemoBay(home / "wires", speed=speed, seed=seed, scenario=foundry_scenario(calm=True))
        bay.start()
        bays.append(bay)
        beside = home / "urls.new"
        beside.write_text(json.dumps(bay.urls))
        beside.rename(home / "urls.json")
    sys.stdin.read()
    for bay in bays:
        bay.stop()


def numbers_of(pid: int) -> dict[str, Any]:
    """What a process costs: ``cpu_s`` so far, ``rss_mb`` now, ``peak_mb`` so far."""
    stat = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    status = dict(
        line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines() if ":" in line
    )
    return {
        "cpu_s": (int(stat[11]) + int(stat[12])) / os.sysconf("SC_CLK_TCK"),
        "rss_mb": int(status["VmRSS"].split()[0]) / 1024,
        "peak_mb": int(status["VmHWM"].split()[0]) / 1024,
    }


if __name__ == "__main__":
    play(float(sys.argv[1]), [Path(home) for home in sys.argv[2:]])
