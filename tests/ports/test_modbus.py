"""A Modbus bus against pymodbus's servers: on a pty pair (RTU) and on TCP."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from logger.core.bay import Bay as FoldedBay
from logger.core.decode.registers import RegisterFormat
from logger.core.entries import Circumstance
from logger.ports.modbus import Asked, ModbusBus
from logger.settings import loads

from .cable import await_true, open_descriptors
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


# ---------------------------------------------------------------------- dead devices


def rate_hz(bay: Bay, name: str, seconds: float) -> float:
    """Readings a second of an instrument, over so long."""
    before, began_s = len(bay[name].readings), time.monotonic()
    await_true(lambda: time.monotonic() - began_s >= seconds, "time to pass")
    return (len(bay[name].readings) - before) / (time.monotonic() - began_s)


def test_a_dead_device_does_not_slow_the_others_for_long(line: Line, bay: Bay, make_bus: MakeBus) -> None:
    """Left alone longer each time it does not answer, it costs one time-out in each such wait."""
    line.spoil.dead = {3}
    slow = {"silent_s": (0.25, 8.0)}
    make_bus(line.cable.path, "rtu", ask("a"), ask("b", device=2), ask("dead", device=3), **slow)
    await_true(lambda: bay["dead"].links == ["down"], "the dead device to be told")
    assert "device 3" in bay["dead"].last_why
    alone = rate_hz(bay, "a", 1.5)
    assert alone > 15.0  # of 50 a second asked for, on a machine that may be busy
    assert bay["a"].links == bay["b"].links == ["up"]


def test_a_dead_device_behind_a_tcp_gateway_does_not_slow_the_others(
    meters: TcpDevices, bay: Bay, make_bus: MakeBus
) -> None:
    make_bus(meters.url, "tcp", ask("a"), ask("dead", device=3), silent_s=(0.25, 8.0))
    await_true(lambda: bay["dead"].links == ["down"], "the dead device to be told")
    assert rate_hz(bay, "a", 1.0) > 15.0


def test_a_device_that_comes_back_is_asked_again(line: Line, bay: Bay, make_bus: MakeBus) -> None:
    line.spoil.dead = {2}
    make_bus(line.cable.path, "rtu", ask("a"), ask("b", device=2))
    await_true(lambda: bay["b"].links == ["down"], "it to be told")
    line.spoil.dead = set()
    bay.await_all(3, "b")
    assert bay["b"].links == ["down", "up"]


def test_a_late_answer_is_not_taken_for_the_answer_to_another_question(
    line: Line, bay: Bay, make_bus: MakeBus
) -> None:
    """Two registers of one device; an RTU answer does not say which it is from."""
    make_bus(line.cable.path, "rtu", ask("a"), ask("b", register=1))
    bay.await_all(3, "a", "b")
    line.spoil.late_s = {1: 0.13}  # beyond the time-out of 0.1 s
    await_true(lambda: len(bay["a"].garbage + bay["b"].garbage) >= 3, "answers too late")
    line.spoil.late_s = {}
    counts = [len(bay[name].readings) for name in "ab"]
    await_true(lambda: all(len(bay[n].readings) > c + 3 for n, c in zip("ab", counts, strict=True)), "more")
    assert {r.number for r in bay["a"].readings} == {1234}
    assert {r.number for r in bay["b"].readings} == {77}


def test_an_exception_is_told_with_what_to_do_and_the_others_go_on(bay: Bay, make_bus: MakeBus) -> None:
    with TcpDevices([device(1, {0: [1234]}), device(2, {0: [1]}, fails=2)]) as meters:
        bus = make_bus(meters.url, "tcp", ask("a"), ask("b", device=2, register=0))
        await_true(lambda: bay["b"].links == ["down"], "the refusal to be told")
        assert "register" in bay["b"].last_why
        assert bus.ports[1].health().message == bay["b"].last_why
        bay.await_all(5, "a")
    assert bay["b"].readings == []
    assert bay["b"].garbage[0].reason == "exception-2"


def test_a_register_that_is_not_there_is_told_and_the_devices_other_goes_on(
    line: Line, bay: Bay, make_bus: MakeBus
) -> None:
    """The server itself refuses: the exception comes over the line like any answer."""
    make_bus(line.cable.path, "rtu", ask("a"), ask("lost", register=900), ask("c", device=2))
    await_true(lambda: bay["lost"].links == ["down"], "the refusal to be told")
    assert "device 1, holding register 900: it has no such register" in bay["lost"].last_why
    assert "counts from 0" in bay["lost"].last_why
    bay.await_all(len(bay["a"].readings) + 5, "a", "c")
    assert [bay[name].links for name in ("a", "c", "lost")] == [["up"], ["up"], ["down"]]


def test_a_late_refusal_puts_no_other_register_of_its_device_down(
    line: Line, bay: Bay, make_bus: MakeBus
) -> None:
    """Answers held up for longer than the wait after a time-out fall into the next question."""
    make_bus(line.cable.path, "rtu", ask("a"), ask("lost", register=900))
    bay.await_all(3, "a")
    await_true(lambda: bay["lost"].links == ["down"], "the refusal to be told")
    line.spoil.late_s = {1: 0.25}
    await_true(
        lambda: sum(g.reason == "exception-2" for g in bay["a"].garbage) >= 1, "a refusal that is late"
    )
    line.spoil.late_s = {}
    count = len(bay["a"].readings)
    bay.await_all(count + 3, "a")
    assert not [why for why in whys(bay, "a") if "no such register" in why]
    assert {r.number for r in bay["a"].readings} == {1234}


def whys(bay: Bay, name: str) -> list[str]:
    """Why its link changed, each time."""
    return [item.data["why"] for item in bay[name].items if isinstance(item, Circumstance)]


# ---------------------------------------------------------------------- the wire


def test_spoiled_answers_and_noise_are_no_readings(line: Line, bay: Bay, make_bus: MakeBus) -> None:
    line.spoil.noise, line.spoil.tail, line.spoil.flip = b"\x00\xff", b"\x55", 3
    make_bus(line.cable.path, "rtu", ask("a"), ask("c", device=2))
    bay.await_all(5, "a", "c")
    assert {r.number for r in bay["a"].readings} == {1234}
    assert {r.number for r in bay["c"].readings} == {4321}
    assert bay["a"].garbage != []


def test_a_babbling_line_is_kept_as_garbage_and_read_again_once_it_is_quiet(
    line: Line, bay: Bay, make_bus: MakeBus
) -> None:
    """The babble is made of the beginnings of right answers, with no right check sum among them."""
    bus = make_bus(line.cable.path, "rtu", ask("a"), ask("c", device=2))
    bay.await_all(3, "a", "c")
    for _ in range(30):
        line.cable.send(b"\x01\x03\x02\x02\x03\x02" * 100)
    counts = [len(bay[name].readings) for name in "ac"]
    await_true(
        lambda: all(len(bay[n].readings) > c + 5 for n, c in zip("ac", counts, strict=True)), "readings again"
    )
    assert [{r.number for r in bay[name].readings} for name in "ac"] == [{1234}, {4321}]
    assert bay["a"].garbage + bay["c"].garbage != []
    assert sum(port.health().bytes_in for port in bus.ports) >= 30 * 600


def test_an_echo_of_the_question_is_no_answer(line: Line, bay: Bay, make_bus: MakeBus) -> None:
    """Two-wire adapters often let the master hear itself."""
    line.spoil.echo = True
    make_bus(line.cable.path, "rtu", ask("a"))
    bay.await_all(5, "a")
    assert {r.number for r in bay["a"].readings} == {1234}


def replug(line: Line, bay: Bay, times: int) -> None:
    for turn in range(times):
        before = len(bay["a"].readings)
        line.cable.unplug()
        await_true(lambda: bay["a"].links[-1] == "down", f"loss {turn}")
        line.cable.plug()
        await_true(lambda seen=before: len(bay["a"].readings) > seen + 1, f"readings after replug {turn}")


def unplug_and_count(line: Line, bay: Bay, make_bus: MakeBus, times: int) -> None:
    make_bus(line.cable.path, "rtu", ask("a"), ask("c", device=2))
    bay.await_all(2, "a", "c")
    replug(line, bay, 1)
    before, threads = open_descriptors(), threading.active_count()
    replug(line, bay, times)
    await_true(lambda: open_descriptors() <= before, f"{before} descriptors, but {open_descriptors()}")
    assert threading.active_count() == threads
    bay.await_all(1, "c")


def test_unplugged_and_plugged_again_without_a_leak(line: Line, bay: Bay, make_bus: MakeBus) -> None:
    unplug_and_count(line, bay, make_bus, 10)


@pytest.mark.full
def test_two_hundred_unplugs_leave_nothing_behind(line: Line, bay: Bay, make_bus: MakeBus) -> None:
    unplug_and_count(line, bay, make_bus, 200)


def test_a_tcp_server_that_restarts_is_found_again(meters: TcpDevices, bay: Bay, make_bus: MakeBus) -> None:
    make_bus(meters.url, "tcp", ask("a"))
    bay.await_all(3, "a")
    meters.stop()
    await_true(lambda: bay["a"].links[-1] == "down", "the loss to be told")
    count = len(bay["a"].readings)
    meters.restart()
    bay.await_all(count + 3, "a")
    assert bay["a"].links == ["up", "down", "up"]


def test_a_bus_ends_at_once_while_a_device_hangs(meters: TcpDevices, bay: Bay, make_bus: MakeBus) -> None:
    bus = make_bus(meters.url, "tcp", ask("dead", device=3, timeout_s=5.0))
    await_true(lambda: bool(meters.asked_s), "the question")
    began_s = time.monotonic()
    bus.ports[0].stop()
    assert time.monotonic() - began_s < 1.0
    assert not bus.ports[0].alive


def test_an_instrument_may_leave_the_bus_and_the_others_stay(
    meters: TcpDevices, bay: Bay, make_bus: MakeBus
) -> None:
    bus = make_bus(meters.url, "tcp", ask("a"), ask("c", device=2))
    bay.await_all(2, "a", "c")
    bus.ports[0].stop()
    count = len(bay["a"].readings)
    bay.await_all(len(bay["c"].readings) + 3, "c")
    assert len(bay["a"].readings) <= count + 1
    assert [port.health().link for port in bus.ports] == ["down", "up"]


# ---------------------------------------------------------------------- into the fold


def test_a_totaliser_that_wraps_is_counted_through(bay: Bay, make_bus: MakeBus) -> None:
    """A 16-bit total of 0.1 L: 65,530 counts, then 10, are 1.6 L on."""
    described = loads(
        """
        [instruments.total]
        port = "socket://127.0.0.1:502"
        dialect = "modbus"
        quantity = "flow"
        unit = "L"
        wraps_at = 65536
        most = "40 L/min"
        modbus = { register = 0, number = "uint16", scale = "0.1 L" }
        [stations.table]
        feed.kind = "unweighed"
        outlets = { tailings = { scale = false } }
        water.wash = { meter = "total" }
        """,
        env={"HOME": "/home/bay"},
    ).bay
    with TcpDevices([device(1, {0: [65530]})]) as meters:
        make_bus(meters.url, "tcp", ask("total", format=RegisterFormat("uint16", "ABCD", "L", 1, -1)))
        bay.await_all(3, "total")
        meters.hold(1, 0, [10])
        await_true(lambda: bay["total"].readings[-1].number == 10, "the wrapped total")
    fold = FoldedBay(described)
    start = 1_772_431_200 * 10**9
    numbers = [65530] * 20 + [10] * 20
    for number, counted in enumerate(numbers, 1):
        shown = next(r for r in bay["total"].readings if r.number == counted)
        fold.apply(shown._replace(at_ns=start + number * 10**9, seq=number))
    track = fold.channels["total"].now.flow
    assert track is not None
    first = start // 10**9
    assert track.passed(first + 5, first + 35).litres == pytest.approx(1.6)
