"""A server of a test: a process that may be stopped, killed, frozen, and started again on its port."""

from __future__ import annotations

import signal
import socket
import subprocess
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, TypeVar

Self_ = TypeVar("Self_", bound="Manageable")


def until(true: Callable[[], Any], what: str, timeout_s: float = 10.0) -> Any:
    """Wait for a condition; fail with its name where it does not come."""
    end_s = time.monotonic() + timeout_s
    while not (value := true()):
        assert time.monotonic() < end_s, f"{what} did not come about within {timeout_s:g} s"
        time.sleep(0.005)
    return value


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return server.getsockname()[1]


def listens(port: int) -> bool:
    with socket.socket() as link:
        link.settimeout(1.0)
        return link.connect_ex(("127.0.0.1", port)) == 0


def filled(template: Path, places: Mapping[str, str]) -> str:
    """A file of `deploy/` with what stands there replaced by what a test has; all of it must stand there."""
    text = template.read_text("utf-8")
    for old, new in places.items():
        assert old in text, f"{template} has no {old}"
        text = text.replace(old, new)
    return text


class Manageable:
    """Within ``with`` it runs; whatever a test did to it, it is gone afterwards."""

    def __enter__(self: Self_) -> Self_:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.kill()

    def start(self) -> None:
        raise NotImplementedError

    def kill(self) -> None:
        raise NotImplementedError


class Program(Manageable):
    """``answers`` says whether it does what it is there for; `start` waits for it."""

    def __init__(
        self, name: str, command: Sequence[str], log: Path, answers: Callable[[], bool], **env: str
    ) -> None:
        self._name, self._command, self._answers, self._env = name, list(command), answers, env
        self._log = log
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        assert self._process is None, f"{self._name} runs already"
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                self._command, stdout=log, stderr=log, stdin=subprocess.DEVNULL, env=self._env or None
            )
        process = self._process

        def up() -> bool:
            assert process.poll() is None, f"{self._name} ended at its start: {self.log}"
            return self._answers()

        until(up, f"{self._name}'s start ({self._log})", 30.0)

    def stop(self) -> None:
        """SIGTERM: it puts down what it has."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """SIGKILL, as when the power goes; nothing if it does not run."""
        self._end(signal.SIGKILL)

    def freeze(self) -> None:
        """SIGSTOP: connections stay open, new ones are taken by the system, nothing is answered."""
        self._process_now().send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        self._process_now().send_signal(signal.SIGCONT)

    @property
    def running(self) -> bool:
        return self._process is not None

    @property
    def pid(self) -> int:
        return self._process_now().pid

    @property
    def log(self) -> str:
        return self._log.read_text("utf-8", "replace")

    def _process_now(self) -> subprocess.Popen[bytes]:
        assert self._process is not None, f"{self._name} does not run"
        return self._process

    def _end(self, how: signal.Signals) -> None:
        if self._process is None:
            return
        process, self._process = self._process, None
        process.send_signal(how)
        process.send_signal(signal.SIGCONT)  # a frozen one hears nothing else
        process.wait(20.0)
