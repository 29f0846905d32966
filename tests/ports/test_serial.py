"""A serial port against real ptys: opening, losing, finding again, asking, and letting go."""

from __future__ import annotations

import os
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial

from logger.core.decode.contract import Exchange
from logger.core.decode.line import LineDecoder, LineFormat
from logger.core.decode.sma import SmaDecoder, exchange
from logger.core.entries import Garbage, Reading
from logger.ports.serial import SerialPort
from logger.ports.wire import Settings, Wire, open_wire

from .cable import FRAME, LISTEN, Answerer, Cable, MakePort, Sink, await_true, drop, open_descriptors, spoil


def frame(grams: int) -> bytes:
    return f"\n 1G  {grams / 1000:10.3f}kg \r".encode()


@pytest.fixture
def cable(tmp_path: Path) -> Iterator[Cable]:
    with Cable(tmp_path / "scale") as made:
        yield made


def test_a_frame_sent_whole_arrives_stamped_and_counted(cable: Cable, sink: Sink, make: MakePort) -> None:
    cable.plug()
    before_ns = time.monotonic_ns()
    port = make(cable.path)
    sink.await_link("up")
    cable.send(FRAME)
    sink.await_readings(1)
    reading = sink.readings[0]
    assert (reading.number, reading.exp, reading.unit, reading.channel) == (1234, -3, "kg", "tails")
    assert before_ns <= reading.at_ns <= time.monotonic_ns()
    health = port.health()
    assert (health.link, health.opened, health.frames, health.rejected) == ("up", 1, 1, 0)
    assert health.bytes_in == len(FRAME)
    assert health.last_item_ns == reading.at_ns


def test_a_frame_in_single_bytes_is_one_reading(cable: Cable, sink: Sink, make: MakePort) -> None:
    cable.plug()
    make(cable.path)
    sink.await_link("up")
    cable.send_split(FRAME, [1] * len(FRAME))
    sink.await_readings(1)
    assert sink.readings[0].number == 1234
    assert sink.garbage == []


def test_a_spoiled_and_a_dropped_byte_cost_a_frame_each(cable: Cable, sink: Sink, make: MakePort) -> None:
    cable.plug()
    make(cable.path)
    sink.await_link("up")
    cable.send(FRAME + spoil(FRAME, 12) + drop(drop(FRAME, 12), 12) + FRAME)
    sink.await_readings(2)
    assert [piece.reason for piece in sink.garbage] == ["not-ascii", "bad-length"]


def test_a_device_that_is_missing_at_start_is_told_once_and_found_later(
    cable: Cable, sink: Sink, make: MakePort, monkeypatch: pytest.MonkeyPatch
) -> None:
    tries: list[str] = []

    def counted(url: str, settings: Settings) -> Wire:
        tries.append(url)
        return open_wire(url, settings)

    monkeypatch.setattr("logger.ports.keeper.open_wire", counted)
    port = make(cable.path, reopen_s=(0.02, 0.05))
    await_true(lambda: len(tries) >= 4, "four tries to open")
    sink.await_link("down")
    assert "no such device" in sink.last_why
    assert str(cable.path) in sink.last_why
    cable.plug()
    sink.await_link("down", "up")
    assert port.health().link == "up"


def test_unplugging_is_noticed_at_once_and_what_was_pending_is_kept(
    cable: Cable, sink: Sink, make: MakePort
) -> None:
    cable.plug()
    port = make(cable.path, Exchange(timeout_s=30.0))
    sink.await_link("up")
    cable.send(FRAME + FRAME[:9])
    await_true(lambda: port.health().bytes_in == 29, "29 bytes in")
    cable.unplug()
    took_s = sink.await_link("up", "down")
    assert took_s < 1.0
    assert "unplugged" in sink.last_why
    assert [(piece.raw, piece.reason) for piece in sink.garbage] == [(FRAME[:9], "cut-off")]


def test_a_scale_plugged_in_again_is_back_within_a_second(cable: Cable, sink: Sink, make: MakePort) -> None:
    """However long the waits have grown: the device's name coming back ends a wait."""
    cable.plug()
    make(cable.path, reopen_s=(60.0, 60.0))
    sink.await_link("up")
    cable.unplug()
    sink.await_link("up", "down")
    cable.plug()
    assert sink.await_link("up", "down", "up") < 1.0


def test_a_device_swapped_under_the_same_name_is_followed(cable: Cable, sink: Sink, make: MakePort) -> None:
    cable.plug()
    make(cable.path, reopen_s=(0.02, 0.05))
    sink.await_link("up")
    cable.plug()
    sink.await_link("up", "down", "up")
    cable.send(FRAME)
    sink.await_readings(1)


def test_a_name_that_leads_elsewhere_is_followed_without_a_hang_up(
    tmp_path: Path, sink: Sink, make: MakePort
) -> None:
    path = tmp_path / "scale"
    with Cable(tmp_path / "one") as one, Cable(tmp_path / "two") as two:
        one.plug()
        two.plug()
        path.symlink_to(one.path.readlink())
        make(path, reopen_s=(0.02, 0.05))
        sink.await_link("up")
        (tmp_path / "next").symlink_to(two.path.readlink())
        (tmp_path / "next").replace(path)
        sink.await_link("up", "down", "up")
        two.send(FRAME)
        sink.await_readings(1)


@pytest.mark.parametrize("times", [20, pytest.param(200, marks=pytest.mark.full)])
def test_unplugging_again_and_again_leaks_no_descriptor(
    cable: Cable, sink: Sink, make: MakePort, times: int
) -> None:
    cable.plug()
    make(cable.path, reopen_s=(0.01, 0.02))
    sink.await_link("up")
    before = open_descriptors()
    for turn in range(times):
        seen = len(sink.links)
        cable.unplug()
        await_true(lambda seen=seen: len(sink.links) == seen + 1, "the loss told")
        cable.plug()
        await_true(lambda seen=seen: len(sink.links) == seen + 2, "the link up again")
        cable.send(FRAME)
        sink.await_readings(turn + 1)
    assert open_descriptors() == before
    assert sink.links == ["up", *["down", "up"] * times]


def test_a_port_that_another_program_holds_is_told_as_such(cable: Cable, sink: Sink, make: MakePort) -> None:
    cable.plug()
    with serial.Serial(str(cable.path), exclusive=True):
        make(cable.path, reopen_s=(0.02, 0.05))
        sink.await_link("down")
        assert "another program holds this port" in sink.last_why
    sink.await_link("down", "up")


def test_a_second_reader_that_asks_for_the_lock_is_refused(cable: Cable, sink: Sink, make: MakePort) -> None:
    cable.plug()
    make(cable.path)
    sink.await_link("up")
    with pytest.raises(serial.SerialException, match="exclusively lock"):
        serial.Serial(str(cable.path), exclusive=True)


def test_a_file_that_is_no_device_is_told_as_such(tmp_path: Path, sink: Sink, make: MakePort) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("not a device")
    make(path, reopen_s=(0.02, 0.05))
    sink.await_link("down")
    assert "no serial device" in sink.last_why


def test_polls_keep_their_interval_while_answered(cable: Cable, sink: Sink, make: MakePort) -> None:
    cable.plug()
    with Answerer(cable, b"\nW\r", frame) as scale:
        make(cable.path, exchange("poll", interval_s=0.05, timeout_s=5.0))
        sink.await_readings(10)
    assert scale.asked_s[9] - scale.asked_s[0] > 0.35  # nine intervals, less a late look at the first
    assert [reading.number for reading in sink.readings[:10]] == list(range(1, 11))


def test_a_poll_without_an_answer_is_sent_again_after_the_time_out(
    cable: Cable, sink: Sink, make: MakePort
) -> None:
    cable.plug()
    make(cable.path, exchange("poll", interval_s=0.01, timeout_s=0.3))
    cable.await_request(b"\nW\r")
    assert 0.2 < cable.await_request(b"\nW\r") < 2.0
    assert sink.readings == []


def test_half_an_answer_is_never_completed_by_the_next_one(cable: Cable, sink: Sink, make: MakePort) -> None:
    """1 and 45.678 kg, a time-out apart, are not 145.678 kg."""
    cable.plug()
    line = LineFormat("{number} {unit}", request="?\r")
    make(
        cable.path,
        Exchange(poll=b"?\r", interval_s=0.01, timeout_s=0.5),
        decoder=LineDecoder("tails", line),
    )
    cable.await_request(b"?\r")
    late_s = time.monotonic() + 0.3
    await_true(lambda: time.monotonic() > late_s, "most of the time-out passed")
    cable.send(b"1")
    cable.await_request(b"?\r")
    cable.send(b"45.678 kg\r\n")
    cable.await_request(b"?\r")
    cable.send(b"45.679 kg\r\n")
    sink.await_readings(1)
    assert [piece.reason for piece in sink.garbage] == ["cut-off", "remainder"]
    assert [reading.number for reading in sink.readings] == [45679]


def test_half_a_line_is_never_completed_after_a_silence(cable: Cable, sink: Sink, make: MakePort) -> None:
    cable.plug()
    make(cable.path, Exchange(timeout_s=0.1), decoder=LineDecoder("tails", LineFormat("{number} {unit}")))
    sink.await_link("up")
    cable.send(b"\r\n1")
    late_s = time.monotonic() + 0.3
    await_true(lambda: time.monotonic() > late_s, "the time-out passed")
    cable.send(b"45.678 kg\r\n45.679 kg\r\n")
    sink.await_readings(1)
    assert [piece.reason for piece in sink.garbage] == ["joined-midway", "cut-off", "remainder"]
    assert [reading.number for reading in sink.readings] == [45679]


def test_a_stream_is_started_and_ended_by_its_commands(cable: Cable, sink: Sink, make: MakePort) -> None:
    cable.plug()
    port = make(cable.path, exchange("repeat", timeout_s=5.0))
    cable.await_request(b"\nR\r")
    port.stop()
    cable.await_request(b"\nW\r")
    assert port.health().link == "down"
    assert sink.links == ["up"]


def test_a_stream_that_fell_silent_is_started_again(cable: Cable, make: MakePort) -> None:
    cable.plug()
    make(cable.path, exchange("repeat", timeout_s=0.05))
    cable.await_request(b"\nR\r")
    assert cable.await_request(b"\nR\r") > 0.15


def test_a_dead_instrument_does_not_delay_another(tmp_path: Path, make: MakePort) -> None:
    dead_sink, live_sink = Sink(), Sink()
    with Cable(tmp_path / "dead") as dead, Cable(tmp_path / "live") as live:
        dead.plug()
        live.plug()
        make(dead.path, exchange("poll", timeout_s=5.0), into=dead_sink)
        dead.await_request(b"\nW\r")
        with Answerer(live, b"\nW\r", frame) as scale:
            make(live.path, exchange("poll", interval_s=0.02, timeout_s=5.0), into=live_sink)
            live_sink.await_readings(20)
        assert scale.asked_s[19] - scale.asked_s[0] < 2.0
    assert dead_sink.readings == []


def test_the_noise_of_a_wrong_baud_rate_cant_flood_the_record(
    cable: Cable, sink: Sink, make: MakePort
) -> None:
    cable.plug()
    port = make(cable.path)
    sink.await_link("up")
    noise = bytes(range(0x80, 0x100)) * 8
    for _ in range(40):
        cable.send(noise)
    await_true(lambda: port.health().bytes_in == 40 * len(noise), "all noise in")
    port.stop()
    assert len(sink.garbage) < 40
    assert sum(_bytes_told(piece) for piece in sink.garbage) == 40 * len(noise)


def test_what_was_gathered_in_a_flood_is_told_soon_after(cable: Cable, sink: Sink, make: MakePort) -> None:
    """Station time runs twenty times as fast here, so that the gate's two seconds are a tenth."""
    cable.plug()
    make(cable.path, decoder=SmaDecoder("tails"), now=lambda: 20 * time.monotonic_ns())
    sink.await_link("up")
    cable.send(b"\n?\r" * 30)
    await_true(lambda: sum(map(_bytes_told, sink.garbage)) == 90, "all thirty answers told")
    assert [piece.reason for piece in sink.garbage[:20]] == ["not-understood"] * 20
    assert sink.garbage[-1].reason.startswith("flood-")


def _bytes_told(piece: Garbage) -> int:
    word, _, count = piece.reason.partition("flood-")
    return len(piece.raw) if word else int(count)


def test_stopping_is_quick_and_may_be_repeated(cable: Cable, sink: Sink, make: MakePort) -> None:
    cable.plug()
    port = make(cable.path, Exchange(timeout_s=60.0))
    sink.await_link("up")
    cable.send(FRAME[:5])
    await_true(lambda: port.health().bytes_in == 5, "five bytes in")
    before = open_descriptors()
    begin_s = time.monotonic()
    port.stop()
    port.stop()
    assert time.monotonic() - begin_s < 0.5
    assert open_descriptors() < before
    assert [piece.reason for piece in sink.garbage] == ["cut-off"]


def test_stopping_ends_a_long_wait_for_a_missing_device(tmp_path: Path, sink: Sink, make: MakePort) -> None:
    port = make(tmp_path / "nothing", reopen_s=(60.0, 60.0))
    sink.await_link("down")
    begin_s = time.monotonic()
    port.stop()
    assert time.monotonic() - begin_s < 0.5


def test_a_port_that_is_stopped_while_it_opens_hands_nothing_on(
    cable: Cable,
    sink: Sink,
    make: MakePort,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """A host name may take longer to be found than stop() waits."""
    opening, go_on = threading.Event(), threading.Event()

    def slow(url: str, settings: Settings) -> Wire:
        opening.set()
        go_on.wait(5.0)
        return open_wire(url, settings)

    monkeypatch.setattr("logger.ports.keeper.open_wire", slow)
    before = open_descriptors()
    cable.plug()
    port = make(cable.path)
    opening.wait(5.0)
    port.stop(timeout_s=0.01)
    assert "did not end within" in caplog.text
    go_on.set()
    port.stop()
    assert sink.items == []
    assert open_descriptors() == before + 1  # the cable's own end


def test_a_fault_in_the_program_is_told_and_the_thread_lives_on(
    cable: Cable, sink: Sink, make: MakePort, caplog: pytest.LogCaptureFixture
) -> None:
    class Faulty(SmaDecoder):
        def feed(self, data: bytes, at_ns: int) -> list[Reading | Garbage]:
            if b"bad" in data:
                raise ZeroDivisionError("on purpose")
            return super().feed(data, at_ns)

    cable.plug()
    make(cable.path, decoder=Faulty("tails"), reopen_s=(0.02, 0.05))
    sink.await_link("up")
    cable.send(b"bad")
    sink.await_link("up", "down", "up")
    cable.send(FRAME)
    sink.await_readings(1)
    assert "on purpose" in caplog.text


@pytest.fixture
def server() -> Iterator[socket.socket]:
    with socket.create_server(("127.0.0.1", 0)) as made:
        made.settimeout(5.0)
        yield made


def test_a_scale_behind_a_tcp_converter_is_lost_and_found(
    server: socket.socket, sink: Sink, make: MakePort
) -> None:
    port = make(f"socket://127.0.0.1:{server.getsockname()[1]}", reopen_s=(0.02, 0.05))
    with server.accept()[0] as first:
        first.sendall(FRAME * 300)
        sink.await_readings(300)
    with server.accept()[0] as second:
        sink.await_link("up", "down", "up")
        second.sendall(FRAME)
        sink.await_readings(301)
    assert port.health().bytes_in == 301 * len(FRAME)


def test_a_wire_that_opens_and_breaks_without_a_word_is_left_alone_longer_each_time(
    server: socket.socket, make: MakePort
) -> None:
    make(f"socket://127.0.0.1:{server.getsockname()[1]}", reopen_s=(0.05, 60.0))
    server.accept()[0].close()
    begin_s = time.monotonic()
    for _ in range(3):
        server.accept()[0].close()
    assert time.monotonic() - begin_s > 0.3  # 0.05 + 0.1 + 0.2 s


def test_a_wire_that_delivered_is_opened_again_after_the_first_wait(
    server: socket.socket, sink: Sink, make: MakePort
) -> None:
    make(f"socket://127.0.0.1:{server.getsockname()[1]}", reopen_s=(0.05, 60.0))
    begin_s = time.monotonic()
    for turn in range(6):
        with server.accept()[0] as link:
            link.sendall(FRAME)
            sink.await_readings(turn + 1)
    assert time.monotonic() - begin_s < 1.2  # five first waits; doubled they would be 1.55 s


def test_a_tcp_connection_that_was_reset_leaks_no_descriptor(
    server: socket.socket, sink: Sink, make: MakePort
) -> None:
    make(f"socket://127.0.0.1:{server.getsockname()[1]}", reopen_s=(0.01, 0.02))
    server.accept()[0].close()
    before = None
    for turn in range(10):
        link = server.accept()[0]
        await_true(lambda turn=turn: len(sink.links) == 3 + 2 * turn, "the link up again")
        before = before or open_descriptors()
        link.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
        link.close()
    with server.accept()[0]:
        await_true(lambda: len(sink.links) == 23, "the link up again")
        assert open_descriptors() == before


def test_a_tcp_port_where_nothing_listens_is_told_with_a_remedy(sink: Sink, make: MakePort) -> None:
    with socket.create_server(("127.0.0.1", 0)) as gone:
        number = gone.getsockname()[1]
    make(f"socket://127.0.0.1:{number}", reopen_s=(0.02, 0.05))
    sink.await_link("down")
    assert "nothing listens there" in sink.last_why


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"parity": "X"}, "parity 'X'"),
        ({"data_bits": 9}, "data_bits 9"),
        ({"stop_bits": 3}, "stop_bits 3"),
        ({"baud": 0}, "baud 0"),
        ({"reopen_s": (1.0, 0.5)}, "reopen_s"),
    ],
)
def test_an_impossible_setting_is_refused_when_the_port_is_made(
    sink: Sink, settings: dict[str, object], message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        SerialPort("x", "/dev/x", SmaDecoder("x"), LISTEN, sink.put, time.monotonic_ns, **settings)


@pytest.mark.parametrize("url", ["COM3", "socket://", "socket://host", "http://a:80", "socket://a:99999", ""])
def test_what_is_no_wire_is_refused_when_the_port_is_made(sink: Sink, url: str) -> None:
    with pytest.raises(ValueError, match="is not a wire"):
        SerialPort("x", url, SmaDecoder("x"), LISTEN, sink.put, time.monotonic_ns)


def test_a_port_starts_once(cable: Cable, make: MakePort) -> None:
    port = make(cable.path)
    with pytest.raises(RuntimeError, match="make a new one"):
        port.start()


def test_a_plain_reader_is_kept_out_while_the_port_is_open(cable: Cable, sink: Sink, make: MakePort) -> None:
    """The device is marked exclusive, so that only a superuser could open it as well."""
    import fcntl
    import struct
    import termios

    cable.plug()
    make(cable.path)
    sink.await_link("up")
    fd = os.open(cable.path, os.O_RDWR | os.O_NOCTTY)
    try:
        get_exclusive = 0x80045440  # TIOCGEXCL, which the termios module does not name
        answer = fcntl.ioctl(fd, get_exclusive, struct.pack("i", 0))
        assert struct.unpack("i", answer)[0] != 0
        fcntl.ioctl(fd, termios.TIOCEXCL)
    finally:
        os.close(fd)
