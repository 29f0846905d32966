"""sd_notify(3), heard by a real datagram socket."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.service.notify import Notifier, watchdog_s


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[str, socket.socket]]:
    """What NOTIFY_SOCKET says, and the socket behind it."""
    address = str(tmp_path / "notify") if request.param == "path" else f"@tallydeck-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(address.replace("@", "\0", 1) if address.startswith("@") else address)
        listener.settimeout(5)
        yield address, listener


def test_fields_arrive_as_one_message(manager: tuple[str, socket.socket]) -> None:
    address, listener = manager
    notifier = Notifier.from_environment({"NOTIFY_SOCKET": address})
    assert notifier.listening
    assert notifier.tell(READY=1, STATUS="Waage läuft")
    assert listener.recv(4096).decode() == "READY=1\nSTATUS=Waage läuft"


def test_a_value_cannot_add_a_field(manager: tuple[str, socket.socket]) -> None:
    """A line end in a status would begin another assignment."""
    address, listener = manager
    Notifier.from_environment({"NOTIFY_SOCKET": address}).tell(STATUS="one\nREADY=1\r\ntwo")
    assert listener.recv(4096) == b"STATUS=one READY=1 two"


def test_without_a_manager_nothing_happens() -> None:
    notifier = Notifier.from_environment({})
    assert not notifier.listening
    assert not notifier.tell(READY=1)


def test_a_manager_that_is_gone_is_said_once(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    notifier = Notifier.from_environment({"NOTIFY_SOCKET": str(tmp_path / "nobody")})
    assert [notifier.tell(WATCHDOG=1) for _ in range(3)] == [False, False, False]
    assert len(caplog.records) == 1
    assert "can't be told" in caplog.text


def test_another_kind_of_socket_is_said_and_left_alone(caplog: pytest.LogCaptureFixture) -> None:
    """A virtual machine's manager may name a vsock address, which is not spoken."""
    assert not Notifier.from_environment({"NOTIFY_SOCKET": "vsock:2:1"}).listening
    assert "vsock:2:1" in caplog.text


@pytest.mark.parametrize(
    ("env", "expected"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "30000000"}, 30.0),
        ({"WATCHDOG_USEC": "500000", "WATCHDOG_PID": "7"}, 0.5),
        ({"WATCHDOG_USEC": "500000", "WATCHDOG_PID": "8"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
    ],
)
def test_the_watchdogs_interval(env: dict[str, str], expected: float | None) -> None:
    """In seconds, and only where it is meant for this process."""
    assert watchdog_s(env, 7) == expected
