"""The simulated bay's wires are real: a serial library opens them, and they can be pulled out."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import serial

from logger.simulator import troubles as t
from logger.simulator.demo import DemoBay
from logger.simulator.foundry import foundry_scenario
from logger.simulator.wires import PtyWire, TcpWire


def until(what: Callable[[], object], patience_s: float = 10.0) -> object:
    """Wait until something is true, and give it."""
    end_s = time.monotonic() + patience_s
    while time.monotonic() < end_s:
        got = what()
        if got:
            return got
        time.sleep(0.005)
    raise AssertionError("it never came")


@pytest.fixture
def demo(tmp_path: Path) -> Iterator[DemoBay]:
    bay = DemoBay(tmp_path / "wires", speed=5.0, seed=3, scenario=foundry_scenario(calm=True))
    bay.start()
    yield bay
    bay.stop()


def lines(url: str, count: int, ask: bytes = b"", end: bytes = b"\r") -> list[bytes]:
    with serial.serial_for_url(url, timeout=3.0) as port:
        got = []
        for _ in range(count):
            port.write(ask)
            got.append(port.read_until(end))
        return got


def test_a_pty_carries_bytes_both_ways_and_keeps_none_for_latecomers(tmp_path: Path) -> None:
    wire = PtyWire(tmp_path / "scale")
    wire.plug()
    wire.send(b"nobody hears this\r\n")
    with serial.Serial(wire.url, timeout=2.0) as port:
        port.write(b"\nW\r")
        assert until(wire.receive) == b"\nW\r"
        wire.send(b"\x00\x03\n\r\x11")
        assert port.read(5) == b"\x00\x03\n\r\x11"
    wire.unplug()


def test_a_pulled_pty_hangs_up_and_comes_back_under_its_name(tmp_path: Path) -> None:
    wire = PtyWire(tmp_path / "scale")
    wire.plug()
    with serial.Serial(wire.url, timeout=0.5) as port:
        wire.unplug()
        with pytest.raises(serial.SerialException):
            until(lambda: port.read(1))
    assert not (tmp_path / "scale").exists()
    assert wire.receive() == b""
    wire.plug()
    with serial.Serial(wire.url, timeout=2.0) as port:
        wire.send(b"back")
        assert port.read(4) == b"back"
    wire.unplug()


def test_a_pulled_tcp_wire_refuses_and_comes_back_on_its_port() -> None:
    wire = TcpWire()
    wire.plug()
    url = wire.url
    with serial.serial_for_url(url, timeout=2.0) as port:
        port.write(b"\nW\r")
        assert until(wire.receive) == b"\nW\r"
        wire.send(b"hello")
        assert port.read(5) == b"hello"
        wire.unplug()
    with pytest.raises(serial.SerialException):
        serial.serial_for_url(url, timeout=0.2)
    wire.plug()
    assert wire.url == url
    with serial.serial_for_url(url, timeout=2.0) as port:
        port.write(b"x")
        assert until(wire.receive) == b"x"
    wire.unplug()


def test_a_listener_who_does_not_read_stops_nobody(tmp_path: Path) -> None:
    wire = PtyWire(tmp_path / "scale")
    wire.plug()
    with serial.Serial(wire.url, timeout=1.0):
        for _ in range(2000):
            wire.send(b"x" * 100)
    wire.unplug()


def test_polled_scales_answer_on_pty_and_tcp(demo: DemoBay) -> None:
    for channel in ("concentrate", "tailings", "fines"):
        answers = [a for a in lines(demo.urls[channel], 5, b"\nW\r") if len(a) == 20]
        assert len(answers) >= 4
        assert all(a.startswith(b"\n") and a.endswith(b"kg \r") for a in answers)
    assert demo.urls["tailings"].startswith("socket://127.0.0.1:")


def test_the_feed_repeats_after_r(demo: DemoBay) -> None:
    with serial.serial_for_url(demo.urls["feed"], timeout=3.0) as port:
        port.write(b"\nR\r")
        frames = [port.read_until(b"\r") for _ in range(10)]
    assert sum(len(frame) == 20 for frame in frames) >= 9


def test_streaming_instruments_stream(demo: DemoBay) -> None:
    (*_, scale) = lines(demo.urls["middlings"], 3, end=b"\r\n")
    (*_, meter) = lines(demo.urls["wash-water"], 2, end=b"\r\n")
    assert scale[2:6] in (b",GS,", b",NT,")
    assert scale.endswith(b" kg\r\n")
    assert meter.startswith(b"FLOW ")
    assert meter.endswith(b" L/min\r\n")


def test_an_unplugged_instrument_goes_and_returns(demo: DemoBay) -> None:
    link = Path(demo.urls["fines"])
    assert link.is_symlink()
    demo.hurry(t.Unplugged(0.0, "fines", 2.5))
    until(lambda: not link.is_symlink())
    until(link.is_symlink)
    assert len(lines(demo.urls["fines"], 1, b"\nW\r")[0]) == 20


def test_a_silent_instrument_does_not_answer(demo: DemoBay) -> None:
    demo.hurry(t.Silent(0.0, "concentrate"))
    with serial.serial_for_url(demo.urls["concentrate"], timeout=0.3) as port:
        port.write(b"\nW\r")
        assert port.read(1) == b""


def test_a_garbled_line_carries_spoilt_frames(demo: DemoBay) -> None:
    demo.hurry(t.Garbled(0.0, "middlings", 0.9))
    got = lines(demo.urls["middlings"], 12, end=b"\n")
    assert sum(len(line) != 20 or line[2:6] != b",GS," for line in got) >= 3


def test_truth_and_events_can_be_read_while_it_runs(demo: DemoBay) -> None:
    until(lambda: demo.truth()["used_kg"] > 0.02, 15.0)
    truth = demo.truth()
    out_kg = sum(truth["delivered_kg"].values()) + truth["hold_up_kg"] + truth["astray_kg"]
    assert out_kg == pytest.approx(truth["used_kg"], rel=1e-9)
    assert [event.kind for event in demo.events()] == ["feed-start"]


def test_it_runs_at_its_speed(demo: DemoBay) -> None:
    begun_s, begun = time.monotonic(), demo.now_s
    until(lambda: demo.now_s > begun + 7.5)
    assert time.monotonic() - begun_s == pytest.approx(1.5, rel=0.3)


def test_stopping_takes_the_wires_away_and_may_be_done_twice(tmp_path: Path) -> None:
    bay = DemoBay(tmp_path, speed=1.0)
    bay.start()
    assert set(bay.urls) == {
        "feed",
        "concentrate",
        "middlings",
        "tailings",
        "fines",
        "wash-water",
        "feed-water",
    }
    bay.stop()
    bay.stop()
    assert list(tmp_path.iterdir()) == []


def test_it_starts_once_only(demo: DemoBay) -> None:
    with pytest.raises(RuntimeError, match="runs already"):
        demo.start()


def test_a_speed_out_of_range_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"0\.1 to 20"):
        DemoBay(tmp_path, speed=1000.0)
