"""What a person is told about a wire, and how its lines are set."""

from __future__ import annotations

import errno
import os
import socket
import termios
from pathlib import Path

import pytest
import serial

from logger.ports.wire import Settings, Wire, WireError, check_url, explain, open_wire

from .cable import Cable


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (OSError(errno.EACCES, "x"), "add the program's user to the group"),
        (OSError(errno.EBUSY, "x"), "another program holds this port"),
        (serial.SerialException(errno.EAGAIN, "x"), "another program holds this port"),
        (termios.error(errno.EIO, "x"), "unplugged"),
        (termios.error(errno.ENOTTY, "x"), "no serial device"),
        (socket.gaierror(socket.EAI_NONAME, "x"), "host name is not known"),
        (TimeoutError("timed out"), "no answer in time"),
        (TypeError("no fileno"), "no fileno; check the cable"),
    ],
)
def test_each_trouble_names_the_wire_and_a_remedy(error: BaseException, words: str) -> None:
    text = explain(error, "/dev/x")
    assert text.startswith("/dev/x: ")
    assert words in text


def test_a_host_and_port_are_found_in_a_url() -> None:
    assert check_url("socket://[::1]:4001") == ("::1", 4001)
    assert check_url("socket://feed.lan:4001/") == ("feed.lan", 4001)
    assert check_url("rfc2217://192.168.1.20:4002") == ("192.168.1.20", 4002)
    assert check_url("/dev/ttyS0") is None


@pytest.mark.parametrize(("dtr", "rts"), [(False, True), (True, False), (None, None)])
def test_dtr_and_rts_are_set_while_opening(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, dtr: bool | None, rts: bool | None
) -> None:
    """Not told, they are raised, as any program does; a pty has no such lines, so pyserial is watched."""
    seen: dict[str, bool] = {}
    monkeypatch.setattr(serial.Serial, "_update_dtr_state", lambda port: seen.update(dtr=port.dtr))
    monkeypatch.setattr(serial.Serial, "_update_rts_state", lambda port: seen.update(rts=port.rts))
    with Cable(tmp_path / "scale") as cable:
        cable.plug()
        open_wire(str(cable.path), Settings(dtr=dtr, rts=rts)).close()
    assert seen == {"dtr": dtr is not False, "rts": rts is not False}


def test_line_settings_reach_the_device(tmp_path: Path) -> None:
    with Cable(tmp_path / "scale") as cable:
        cable.plug()
        wire = open_wire(str(cable.path), Settings(baud=4800, data_bits=7, parity="E", stop_bits=2))
        flags = termios.tcgetattr(wire.fd)
        wire.close()
    assert flags[4:6] == [termios.B4800, termios.B4800]
    assert flags[2] & termios.CSTOPB


def test_a_far_end_that_takes_no_more_bytes_is_not_waited_for() -> None:
    near, far = socket.socketpair()
    near.setblocking(False)
    wire = Wire(near, "socket://far:1")
    with pytest.raises(WireError, match="takes no more bytes"):
        wire.write(b"x" * 10_000_000)
    wire.close()
    far.close()


def test_a_wire_may_be_closed_after_its_descriptor_was_lost(tmp_path: Path) -> None:
    with Cable(tmp_path / "scale") as cable:
        cable.plug()
        wire = open_wire(str(cable.path), Settings())
        cable.unplug()
        with pytest.raises(WireError, match="unplugged"):
            wire.read()
        wire.close()
        wire.close()
    with pytest.raises(OSError, match="Bad file descriptor"):
        os.fstat(wire.fd)
