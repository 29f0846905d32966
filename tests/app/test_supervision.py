"""A real daemon under a service manager: ready, alive by progress, stopping; and signals at every stage."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from logger.app import StartError, read_address
from logger.board.client import DaemonClient
from logger.journal.journal import JournalReader
from tests.app.bays import running_bay, write_configuration

WATCHDOG_S = 3.0
PROGRAM = Path(__file__).with_name("watched_daemon.py")


class Manager:
    """The service manager's side: a real datagram socket, and the daemon as its child."""

    def __init__(self, home: Path, configuration: Path, fault: str) -> None:
        self.directory = home / "journal"
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(str(home / "notify"))
        self.log = (home / "daemon.log").open("w+")
        env = os.environ | {
            "NOTIFY_SOCKET": str(home / "notify"),
            "WATCHDOG_USEC": str(int(WATCHDOG_S * 1e6)),
            "PYTHONPATH": str(PROGRAM.parent.parent.parent),
        }
        command = [sys.executable, str(PROGRAM), str(configuration), fault]
        self.process = subprocess.Popen(command, env=env, stdout=self.log, stderr=self.log)
        self.heard: list[tuple[float, str]] = []

    def listen(self, wanted: str, timeout_s: float = 30.0) -> None:
        """Until a message with that line has come."""
        end = time.monotonic() + timeout_s
        while True:
            self.socket.settimeout(max(0.01, end - time.monotonic()))
            try:
                message = self.socket.recv(4096).decode()
            except TimeoutError:
                raise AssertionError(f"no {wanted}; heard {self.heard}; log:\n{self.text()}") from None
            self.heard.append((time.monotonic(), message))
            if any(line.startswith(wanted) for line in message.split("\n")):
                return

    def fed(self) -> list[float]:
        return [at for at, message in self.heard if "WATCHDOG=1" in message]

    def text(self) -> str:
        return Path(self.log.name).read_text()

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(10)
        self.socket.close()
        self.log.close()


Start = Callable[..., Manager]


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, Path]]:
    """A simulated bay's wires, and a configuration for them."""
    folder = tmp_path_factory.mktemp("supervised")
    with running_bay(folder, speed=1.0) as bay:
        yield folder, write_configuration(bay, folder)


@pytest.fixture
def start(home: tuple[Path, Path], tmp_path: Path) -> Iterator[Start]:
    begun: list[Manager] = []

    def begin(fault: str) -> Manager:
        text = home[1].read_text().replace(str(home[0] / "journal"), str(tmp_path / "journal"))
        (tmp_path / "bay.toml").write_text(text)
        begun.append(Manager(tmp_path, tmp_path / "bay.toml", fault))
        return begun[-1]

    yield begin
    for manager in begun:
        manager.close()


def test_ready_is_told_when_the_board_answers_and_stopping_before_the_end(start: Start) -> None:
    """READY=1 comes when a client can ask at once; then signs of life, a status, STOPPING=1, exit 0."""
    manager = start("loop")
    manager.listen("READY=1")
    address = read_address(manager.directory)
    assert DaemonClient(address.url, address.token).state()["bay"] == "Foundry bay"
    for _ in range(3):
        manager.listen("WATCHDOG=1")
    fed = manager.fed()
    assert max(later - earlier for earlier, later in pairwise(fed)) < 0.75 * WATCHDOG_S
    assert any("STATUS=recording; 7 links; board at http://" in message for _, message in manager.heard)
    manager.process.send_signal(signal.SIGHUP)
    manager.listen("WATCHDOG=1")
    manager.process.terminate()
    manager.listen("STOPPING=1")
    assert manager.process.wait(20) == 0
    with JournalReader(manager.directory / "journal.sqlite") as reader:
        assert list(reader.read())[-1].kind == "stop"  # type: ignore[union-attr]


@pytest.mark.parametrize(("fault", "named"), [("loop", "loop"), ("port", "port feed"), ("board", "board")])
def test_a_stuck_worker_ends_the_signs_of_life_and_is_named(start: Start, fault: str, named: str) -> None:
    """A blocked loop, a port whose thread ended, a board that hangs: each alone stops the watchdog's feed."""
    manager = start(fault)
    manager.listen("READY=1")
    manager.listen("WATCHDOG=1")
    manager.process.send_signal(signal.SIGUSR1)
    manager.listen(f"STATUS=STUCK: {named}")
    since = time.monotonic()
    with pytest.raises(AssertionError, match="no WATCHDOG=1"):
        manager.listen("WATCHDOG=1", 0.75 * WATCHDOG_S)
    assert all(at < since for at in manager.fed())
    assert f"STUCK: {named}" in manager.text()
    manager.process.send_signal(signal.SIGABRT)  # as the service manager does
    assert manager.process.wait(10) == -signal.SIGABRT
    assert "Fatal Python error: Aborted" in manager.text()


def test_sigterm_during_the_start_ends_it_cleanly(start: Start) -> None:
    """At any moment once the program listens to signals: exit 0, and the record's file is whole."""
    manager = start("loop")
    manager.listen("STATUS=starting")
    manager.process.terminate()
    assert manager.process.wait(20) == 0
    assert not (manager.directory / "address.json").exists()
    with JournalReader(manager.directory / "journal.sqlite") as reader:
        assert list(reader.read())[-1].kind == "stop"  # type: ignore[union-attr]


def test_hanging_ports_hold_the_stop_up_together_not_one_after_another(start: Start) -> None:
    """Every wire hangs while it is opened; a second SIGTERM changes nothing and is answered."""
    manager = start("slow-port")
    manager.listen("READY=1")
    manager.process.terminate()
    begun = time.monotonic()
    manager.listen("STOPPING=1")
    manager.process.terminate()
    assert manager.process.wait(20) == 0
    assert time.monotonic() - begun < 6.0, "six ports of 2 s each must not add up"
    assert "already stopping" in manager.text()
    with JournalReader(manager.directory / "journal.sqlite") as reader:
        assert list(reader.read())[-1].kind == "stop"  # type: ignore[union-attr]


def test_a_second_daemon_on_one_journal_says_whose_it_is(start: Start, tmp_path: Path) -> None:
    """Exit 73 and one line with the other's process id; the first goes on."""
    manager = start("loop")
    manager.listen("READY=1")
    command = [
        sys.executable,
        "-c",
        "from logger.cli import main; main()",
        "serve",
        "-c",
        str(tmp_path / "bay.toml"),
    ]
    second = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert second.returncode == 73
    assert f"another daemon (process {manager.process.pid})" in second.stderr
    assert "Traceback" not in second.stderr
    manager.listen("WATCHDOG=1")
    assert read_address(manager.directory).pid == manager.process.pid


def test_a_start_that_fails_tells_the_manager_why(start: Start, tmp_path: Path) -> None:
    (tmp_path / "journal").write_text("a file where the folder should be")
    manager = start("loop")
    manager.listen("STATUS=can't start")
    assert manager.process.wait(20) != 0
    with pytest.raises(StartError):
        read_address(manager.directory)
