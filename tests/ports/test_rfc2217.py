"""Serial servers by RFC 2217: against pyserial's own server half on a pty, and the talk alone."""

from __future__ import annotations

import socket
import threading
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st
from serial import rfc2217 as wire

from logger.core.decode.sma import exchange
from logger.ports.rfc2217 import ComPort

from .cable import FRAME, MakePort, Sink, await_true, open_descriptors
from .server import SerialServer

OPTION = wire.IAC + wire.SB + wire.COM_PORT_OPTION
SOON = (0.01, 0.02)


def test_a_scale_behind_a_serial_server_is_read_and_its_line_set(sink: Sink, make: MakePort) -> None:
    with SerialServer() as server:
        port = make(server.url, baud=4800, data_bits=7, parity="E", stop_bits=2, rts=False)
        sink.await_link("up")
        device = server.device
        assert (device.baudrate, device.bytesize, device.parity, device.stopbits) == (4800, 7, "E", 2)
        assert device.lines == {"dtr": True, "rts": False}
        server.send(FRAME * 300)
        sink.await_readings(300)
        assert sink.garbage == []
        assert port.health().bytes_in == 300 * len(FRAME)


def test_requests_reach_the_instrument_behind_a_server(make: MakePort) -> None:
    with SerialServer() as server:
        make(server.url, exchange("poll", interval_s=0.01, timeout_s=0.05))
        server.await_request(b"\nW\r")
        server.await_request(b"\nW\r")


def test_a_byte_of_all_ones_passes_both_ways(sink: Sink, make: MakePort) -> None:
    """Telnet writes it twice."""
    with SerialServer() as server:
        port = make(server.url, exchange("poll", interval_s=60.0, timeout_s=60.0))
        server.await_request(b"\nW\r")
        server.send(b"\xff\xff\xffa\xff")
        await_true(lambda: port.health().bytes_in == 5, "five bytes in")
        port.stop()
        assert b"".join(piece.raw for piece in sink.garbage) == b"\xff\xff\xffa\xff"


def test_a_speed_that_the_server_refuses_is_told_with_what_it_keeps(sink: Sink, make: MakePort) -> None:
    with SerialServer(refused_baud=115200) as server:
        make(server.url, baud=115200, reopen_s=SOON)
        sink.await_link("down")
        assert "refuses the speed asked for (115200 baud) and stays at 9600 baud" in sink.last_why
        assert "the server's own settings" in sink.last_why


def test_a_wrong_speed_at_the_instrument_is_noise_that_cant_flood_the_record(
    sink: Sink, make: MakePort
) -> None:
    with SerialServer() as server:
        port = make(server.url)
        sink.await_link("up")
        noise = bytes(range(0x80, 0x100)) * 40
        server.send(noise)
        await_true(lambda: port.health().bytes_in == len(noise), "all noise in")
        port.stop()
        assert sink.readings == []
        assert 0 < len(sink.garbage) <= 22  # a burst of twenty, and what was gathered


def test_a_plain_tcp_port_is_no_serial_server(sink: Sink, make: MakePort) -> None:
    """It takes the telnet bytes and never answers them."""
    with socket.create_server(("127.0.0.1", 0)) as plain:
        make(f"rfc2217://127.0.0.1:{plain.getsockname()[1]}", reopen_s=(60.0, 60.0))
        sink.await_link("down")
        assert "no answer in the way of RFC 2217" in sink.last_why
        assert "socket://" in sink.last_why


def test_a_server_that_is_off_is_told_and_found_later(sink: Sink, make: MakePort) -> None:
    with socket.create_server(("127.0.0.1", 0)) as gone:
        number = gone.getsockname()[1]
    make(f"rfc2217://127.0.0.1:{number}", reopen_s=SOON)
    sink.await_link("down")
    assert "nothing listens there" in sink.last_why


def test_a_second_reader_of_a_servers_port_is_turned_away_and_waits(sink: Sink, make: MakePort) -> None:
    second = Sink()
    with SerialServer() as server:
        make(server.url)
        sink.await_link("up")
        make(server.url, into=second, reopen_s=SOON)
        second.await_link("down")
        await_true(lambda: server.turned_away >= 3, "tried again")
        server.send(FRAME)
        sink.await_readings(1)
        assert "second program" in second.last_why
        assert second.links == ["down"]


def test_what_arrived_before_the_cut_is_not_lost(sink: Sink, make: MakePort) -> None:
    with SerialServer() as server:
        make(server.url, reopen_s=SOON)
        sink.await_link("up")
        server.send(FRAME * 100)
        sink.await_readings(1)
        await_true(lambda: not server.device.in_waiting, "all of it on its way")
        server.drop()
        sink.await_link("up", "down", "up")
        assert len(sink.readings) == 100


@pytest.mark.parametrize("times", [10, pytest.param(200, marks=pytest.mark.full)])
def test_a_server_lost_again_and_again_leaks_no_descriptor_and_no_thread(
    sink: Sink, make: MakePort, times: int
) -> None:
    with SerialServer() as server:
        make(server.url, reopen_s=SOON)
        sink.await_link("up")
        before = open_descriptors()
        threads = threading.active_count()
        for turn in range(times):
            server.drop()
            await_true(lambda turn=turn: len(sink.links) == 3 + 2 * turn, "the link up again")
            server.send(FRAME)
            sink.await_readings(turn + 1)
        assert open_descriptors() == before
        assert threading.active_count() == threads
        assert sink.links == ["up", *["down", "up"] * times]


def test_stopping_is_quick_while_a_server_is_asked(sink: Sink, make: MakePort) -> None:
    before = open_descriptors()
    with socket.create_server(("127.0.0.1", 0)) as mute:
        port = make(f"rfc2217://127.0.0.1:{mute.getsockname()[1]}")
        with mute.accept()[0] as link:
            link.recv(64)
            begin_s = time.monotonic()
            port.stop()
            assert time.monotonic() - begin_s < 0.5
    assert sink.items == []
    assert open_descriptors() == before


def flood(link: socket.socket) -> None:
    """Print without end, until the far end has gone."""
    while True:
        link.sendall(b"9" * 4096)


def test_a_flood_before_the_line_is_set_ends_with_the_time_that_it_has(sink: Sink, make: MakePort) -> None:
    with socket.create_server(("127.0.0.1", 0)) as chatty:
        port = make(f"rfc2217://127.0.0.1:{chatty.getsockname()[1]}", reopen_s=(60.0, 60.0))
        link = chatty.accept()[0]
        with link, pytest.raises(OSError, match=r"reset|[Bb]roken"):
            flood(link)
        sink.await_link("down")
        assert port.health().bytes_in == 0


# ---------------------------------------------------------------- the talk alone


def com_port(baud: int = 9600) -> ComPort:
    return ComPort(baud, 8, "N", 1)


def confirmed(name: bytes, value: bytes) -> bytes:
    return OPTION + name + value + wire.IAC + wire.SE


ALL = (
    wire.IAC
    + wire.DO
    + wire.COM_PORT_OPTION
    + confirmed(wire.SERVER_SET_BAUDRATE, b"\0\0\x25\x80")
    + confirmed(wire.SERVER_SET_DATASIZE, b"\x08")
    + confirmed(wire.SERVER_SET_PARITY, b"\x01")
    + confirmed(wire.SERVER_SET_STOPSIZE, b"\x01")
    + confirmed(wire.SERVER_PURGE_DATA, b"\x01")
)


def test_the_settings_are_asked_for_once_in_the_bytes_of_the_standard() -> None:
    """RFC 2217: SET-BAUDRATE 1, -DATASIZE 2, -PARITY 3 (NONE 1), -STOPSIZE 4, -CONTROL 5, PURGE-DATA 12."""
    talk = com_port()
    assert talk.hello().startswith(b"\xff\xfb")
    given, answer = talk.feed(wire.IAC + wire.DO + wire.COM_PORT_OPTION)
    assert given == b""
    parts = answer.split(b"\xff\xf0")
    begin = b"\xff\xfa\x2c"
    assert parts == [
        begin + b"\x01\0\0\x25\x80",
        begin + b"\x02\x08",
        begin + b"\x03\x01",
        begin + b"\x04\x01",
        begin + b"\x05\x01",  # no flow control
        begin + b"\x05\x08",  # DTR on
        begin + b"\x05\x0b",  # RTS on
        begin + b"\x0c\x01",  # what the server has received
        b"",
    ]
    again = talk.feed(wire.IAC + wire.DO + wire.COM_PORT_OPTION)
    assert b"\xfa" not in again[1]


@given(st.lists(st.integers(1, 60), max_size=12))
def test_the_talk_is_the_same_however_it_is_cut(cuts: list[int]) -> None:
    talk, given_bytes, rest = com_port(), b"", ALL + b"data\xff\xffdata"
    for size in [*cuts, len(rest)]:
        given_bytes += talk.feed(rest[:size])[0]
        rest = rest[size:]
    assert talk.agreed
    assert given_bytes == b"data\xffdata"


@given(st.binary(max_size=300), st.lists(st.integers(1, 40), max_size=8))
def test_whatever_a_server_sends_is_taken_without_a_fault_and_held_in_bounds(
    data: bytes, cuts: list[int]
) -> None:
    talk, rest = com_port(), data
    for size in [*cuts, len(rest)]:
        talk.feed(rest[:size])
        rest = rest[size:]
    assert len(talk._held) <= 64


def test_a_command_without_an_end_is_given_up() -> None:
    talk = com_port()
    talk.feed(OPTION + b"x" * 200)
    assert "not RFC 2217" in talk.refused


def test_a_server_that_wont_set_a_line_or_pass_eight_bits_is_refused() -> None:
    for command, word in (
        (wire.DONT + wire.COM_PORT_OPTION, "refuses RFC 2217"),
        (wire.WONT + wire.BINARY, "all eight bits"),
    ):
        talk = com_port()
        talk.hello()
        talk.feed(wire.IAC + command)
        assert word in talk.refused
        assert not talk.agreed


def test_an_option_that_is_not_known_is_refused_and_none_is_answered_for_ever() -> None:
    talk = com_port()
    talk.hello()
    assert talk.feed(wire.IAC + wire.DO + b"\x18")[1] == wire.IAC + wire.WONT + b"\x18"
    assert talk.feed(wire.IAC + wire.WILL + wire.ECHO)[1] == wire.IAC + wire.DONT + wire.ECHO
    assert talk.feed(wire.IAC + wire.DO + wire.BINARY)[1] == b""
    assert talk.feed(wire.IAC + wire.WILL + wire.BINARY)[1] == b""
    assert talk.feed(wire.IAC + wire.DONT + wire.SGA)[1] == wire.IAC + wire.WONT + wire.SGA
    assert talk.feed(wire.IAC + wire.DONT + wire.SGA)[1] == b""


def test_a_server_that_leaves_settings_unconfirmed_is_told_by_their_names() -> None:
    talk = com_port()
    talk.feed(wire.IAC + wire.DO + wire.COM_PORT_OPTION + confirmed(wire.SERVER_SET_PARITY, b"\x01"))
    assert talk.missing == "no word on speed, data bits, stop bits"


def test_a_refused_parity_is_told_by_its_letter() -> None:
    talk = ComPort(9600, 7, "E", 1)
    talk.feed(wire.IAC + wire.DO + wire.COM_PORT_OPTION + confirmed(wire.SERVER_SET_PARITY, b"\x01"))
    assert "the parity asked for (E) and stays at N" in talk.refused


def test_a_speed_with_a_byte_of_all_ones_is_written_twice() -> None:
    """0x0000FF00 baud is none that a device has, but the bytes must not end the command."""
    answer = com_port(0xFF00).feed(wire.IAC + wire.DO + wire.COM_PORT_OPTION)[1]
    assert b"\x01\0\0\xff\xff\0\xff\xf0" in answer


def test_a_plain_tcp_port_needs_no_agreement(sink: Sink, make: MakePort) -> None:
    with socket.create_server(("127.0.0.1", 0)) as plain:
        make(f"socket://127.0.0.1:{plain.getsockname()[1]}")
        with plain.accept()[0] as link:
            sink.await_link("up")
            link.sendall(FRAME)
            sink.await_readings(1)
