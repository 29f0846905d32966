"""Wires on which more comes than any instrument sends: memory is bounded, others go on, the end is prompt."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from logger.ports.flood import Surge
from logger.ports.serial import MOST_BYTES_S

from .cable import FRAME, Cable, MakePort, Sink, await_true
from .server import SerialServer


@contextmanager
def flooding(send: object) -> Iterator[None]:
    """Call `send` without end, until the far end has gone or the block is left."""
    ended = threading.Event()

    def run() -> None:
        try:
            while not ended.is_set():
                send()
        except OSError:
            pass

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    yield
    ended.set()
    thread.join(5.0)


def bytes_told(sink: Sink) -> int:
    """What is in the record: every byte of a reading, and what garbage holds or counts."""
    told = len(FRAME) * len(sink.readings)
    for piece in sink.garbage:
        word, _, count = piece.reason.partition("flood-")
        told += len(piece.raw) if word else int(count)
    return told


def test_a_tcp_flood_keeps_the_record_small_and_stopping_quick(sink: Sink, make: MakePort) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = make(f"socket://127.0.0.1:{server.getsockname()[1]}")
        with server.accept()[0] as link, flooding(lambda: link.sendall(FRAME * 200)):
            begin_s = time.monotonic()
            await_true(lambda: port.health().bytes_in > 40 * MOST_BYTES_S, "forty seconds' worth of bytes")
            assert "no scale sends" in port.health().message
            stop_s = time.monotonic()
            port.stop()
            assert time.monotonic() - stop_s < 0.5
    seconds = 2 + time.monotonic() - begin_s
    assert len(sink.readings) <= MOST_BYTES_S / len(FRAME) * seconds
    assert len(sink.garbage) <= 25 + seconds
    assert bytes_told(sink) == port.health().bytes_in


def test_a_device_that_never_stops_sending_is_let_go_at_once(
    tmp_path: Path, sink: Sink, make: MakePort
) -> None:
    with Cable(tmp_path / "scale") as cable:
        cable.plug()
        port = make(cable.path)
        sink.await_link("up")
        with flooding(lambda: cable.offer(FRAME * 50)):
            await_true(lambda: port.health().bytes_in > 2 * MOST_BYTES_S, "two seconds' worth of bytes")
            begin_s = time.monotonic()
            port.stop()
            assert time.monotonic() - begin_s < 0.5
    assert bytes_told(sink) == port.health().bytes_in


def test_a_serial_servers_flood_is_bounded_too(sink: Sink, make: MakePort) -> None:
    with SerialServer() as server:
        port = make(server.url)
        sink.await_link("up")
        with flooding(lambda: server.offer(FRAME * 50)):
            await_true(lambda: port.health().bytes_in > 2 * MOST_BYTES_S, "two seconds' worth of bytes")
            port.stop()
    assert bytes_told(sink) == port.health().bytes_in


def test_a_flood_that_is_over_is_no_longer_spoken_of(
    sink: Sink, make: MakePort, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.ports.serial.CALM_S", 0.1)
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = make(f"socket://127.0.0.1:{server.getsockname()[1]}")
        with server.accept()[0] as link:
            link.sendall(FRAME * 5000)
            await_true(lambda: "no scale sends" in port.health().message, "the flood told")
            await_true(lambda: port.health().message == "", "calm")
            link.sendall(FRAME)
            before = len(sink.readings)
            sink.await_readings(before + 1)


def test_one_wires_flood_does_not_keep_another_from_being_read(
    tmp_path: Path, sink: Sink, make: MakePort
) -> None:
    calm = Sink()
    with Cable(tmp_path / "calm") as cable, socket.create_server(("127.0.0.1", 0)) as server:
        cable.plug()
        make(cable.path, into=calm)
        calm.await_link("up")
        port = make(f"socket://127.0.0.1:{server.getsockname()[1]}")
        with server.accept()[0] as link, flooding(lambda: link.sendall(FRAME * 200)):
            await_true(lambda: port.health().bytes_in > 5 * MOST_BYTES_S, "five seconds' worth of bytes")
            for count in range(1, 11):
                cable.send(FRAME)
                assert calm.await_readings(count) < 1.0
            port.stop()


def test_a_surge_takes_a_seconds_worth_and_then_the_next() -> None:
    surge = Surge(100)
    assert [surge.room(at_ns, 60) for at_ns in (0, 1, 999_999_999, 10**9)] == [True, False, False, True]
    assert surge.room(10**9 + 5, 40)
    assert not surge.room(10**9 + 6, 1)


def test_two_ports_on_one_device_one_reads_and_the_other_waits(
    tmp_path: Path, sink: Sink, make: MakePort
) -> None:
    second = Sink()
    with Cable(tmp_path / "scale") as cable:
        cable.plug()
        first = make(cable.path)
        sink.await_link("up")
        make(cable.path, into=second, reopen_s=(0.02, 0.05))
        second.await_link("down")
        assert "another program holds this port" in second.last_why
        cable.send(FRAME * 50)
        sink.await_readings(50)
        assert (sink.garbage, second.readings) == ([], [])
        first.stop()
        second.await_link("down", "up")
        cable.send(FRAME)
        second.await_readings(1)


@pytest.mark.parametrize("times", [10, pytest.param(200, marks=pytest.mark.full)])
def test_a_tcp_port_unplugged_again_and_again_is_read_each_time(
    sink: Sink, make: MakePort, times: int
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(5.0)
        make(f"socket://127.0.0.1:{server.getsockname()[1]}", reopen_s=(0.01, 0.02))
        for turn in range(times):
            with server.accept()[0] as link:
                link.sendall(FRAME)
                sink.await_readings(turn + 1)
        assert sink.links[: 2 * times - 1] == ["up", *["down", "up"] * (times - 1)]
