"""A Modbus bus against pymodbus's servers: on a pty pair (RTU) and on TCP."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from logger.ports.modbus import Asked, ModbusBus

from .devices import Bay, Line, RtuDevices, TcpDevices, ask, device

FAST = {"silent_s": (0.02, 0.05), "reopen_s": (0.02, 0.05)}
MakeBus = Callable[..., ModbusBus]


@pytest.fixture
def bay() -> Bay:
    return Bay()


@pytest.fixture
def make_bus(bay: Bay) -> Iterator[MakeBus]:
    """Make a bus and start all its instruments; all end with the test."""
    buses: list[ModbusBus] = []

    def start(url: object, framing: str, *asked: Asked, **settings: object) -> ModbusBus:
        settings.setdefault("now", time.monotonic_ns)
        bus = ModbusBus(str(url), framing, asked, bay.put, **{**FAST, **settings})  # type: ignore[arg-type]
        buses.append(bus)
        for port in bus.ports:
            port.start()
        return bus

    yield start
    for bus in buses:
        for port in bus.ports:
            port.stop()


@pytest.fixture
def meters() -> Iterator[TcpDevices]:
    """Devices 1 and 2 on TCP; device 3 never answers."""
    devices = [device(1, {0: [1234, 77]}), device(2, {0: [4321]}), device(3, {0: [1]}, dead=True)]
    with TcpDevices(devices) as made:
        yield made


@pytest.fixture
def line(tmp_path: Path) -> Iterator[Line]:
    """The same devices on a serial line; a test makes one of them dead."""
    devices = [device(1, {0: [1234, 77]}), device(2, {0: [4321]}), device(3, {0: [1]})]
    with RtuDevices(devices) as made, Line(tmp_path / "bus", made) as between:
        yield between


def test_several_instruments_of_several_devices_share_a_tcp_address(
    meters: TcpDevices, bay: Bay, make_bus: MakeBus
) -> None:
    bus = make_bus(meters.url, "tcp", ask("a"), ask("b", register=1, kind="input"), ask("c", device=2))
    bay.await_all(5, "a", "b", "c")
    assert {(r.number, r.exp, r.unit) for r in bay["a"].readings} == {(1234, -2, "L/min")}
    assert {r.number for r in bay["b"].readings} == {77}
    assert {r.number for r in bay["c"].readings} == {4321}
    assert [bay[name].links for name in "abc"] == [["up"]] * 3
    assert [port.health().link for port in bus.ports] == ["up"] * 3


def test_several_instruments_of_several_devices_share_a_serial_line(
    line: Line, bay: Bay, make_bus: MakeBus
) -> None:
    make_bus(line.cable.path, "rtu", ask("a"), ask("b", register=1, kind="input"), ask("c", device=2))
    bay.await_all(5, "a", "b", "c")
    assert [{r.number for r in bay[name].readings} for name in "abc"] == [{1234}, {77}, {4321}]
    assert not [each for name in "abc" for each in bay[name].garbage]
