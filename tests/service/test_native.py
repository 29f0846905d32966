"""The system journal's native protocol, on a real datagram socket, read back as its documents say."""

from __future__ import annotations

import array
import contextlib
import logging
import mmap
import os
import socket
import struct
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.service import native
from logger.service.native import MESSAGE_IDS, NativeHandler, encode, set_up, stream_is_journal


def decode(data: bytes) -> dict[str, str]:
    """The reader's side, from the protocol's description."""
    fields: dict[str, str] = {}
    while data:
        head, _, rest = data.partition(b"\n")
        if b"=" in head:
            name, _, value = head.partition(b"=")
            data = rest
        else:
            name, (size,) = head, struct.unpack("<Q", rest[:8])
            value, end, data = rest[8 : 8 + size], rest[8 + size : 9 + size], rest[9 + size :]
            assert end == b"\n"
        fields[name.decode()] = value.decode()
    return fields


class Journald:
    """A real socket at a path of the test's own."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.listen()

    def listen(self) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(str(self.path))
        self.socket.settimeout(5)

    def restart(self) -> None:
        self.socket.close()
        self.path.unlink()
        self.listen()

    def take(self) -> dict[str, str]:
        data, ancillary, _, _ = self.socket.recvmsg(1 << 20, socket.CMSG_SPACE(4))
        for _, _, given in ancillary:
            (descriptor,) = array.array("i", given[:4])
            with mmap.mmap(descriptor, 0, prot=mmap.PROT_READ, flags=mmap.MAP_PRIVATE) as file:
                data = bytes(file)
            os.close(descriptor)
        return decode(data)

    def waiting(self) -> Iterator[dict[str, str]]:
        """What is in the queue already."""
        self.socket.setblocking(False)
        with contextlib.suppress(BlockingIOError):
            while True:
                yield self.take()
        self.socket.settimeout(5)


@pytest.fixture
def journald(tmp_path: Path) -> Iterator[Journald]:
    listener = Journald(tmp_path / "socket")
    yield listener
    listener.socket.close()


@pytest.fixture
def log(journald: Journald) -> Iterator[logging.Logger]:
    handler = NativeHandler(str(journald.path))
    logger = logging.getLogger("tallydeck.test-native")
    logger.addHandler(handler)
    logger.propagate = False
    logger.setLevel(logging.DEBUG)
    yield logger
    logger.removeHandler(handler)
    handler.close()


def test_a_record_arrives_with_its_fields(log: logging.Logger, journald: Journald) -> None:
    own = {"kind": "alarm-raised", "instrument": "concentrate", "alarm": "table/outlet-slow/concentrate"}
    log.warning("ALARM %s", "slow", extra={"tallydeck": own})
    fields = journald.take()
    assert fields["MESSAGE"] == "ALARM slow"
    assert fields["PRIORITY"] == "4"
    assert fields["SYSLOG_IDENTIFIER"] == "tallydeck"
    assert fields["CODE_FILE"] == __file__
    assert fields["CODE_FUNC"] == "test_a_record_arrives_with_its_fields"
    assert int(fields["CODE_LINE"]) > 0
    assert fields["MESSAGE_ID"] == MESSAGE_IDS["alarm-raised"]
    assert fields["TALLYDECK_INSTRUMENT"] == "concentrate"
    assert fields["TALLYDECK_ALARM"] == "table/outlet-slow/concentrate"


@pytest.mark.parametrize(
    "text", ["two\nlines", "\n", "Überkorn — 60 µm = 粗", "MESSAGE=x\nPRIORITY=0", "", "\udcff"]
)
def test_any_text_comes_back_as_it_was(text: str, log: logging.Logger, journald: Journald) -> None:
    """Line ends, signs beyond ASCII, text that looks like a field; a lone surrogate is escaped."""
    log.info("%s", text, extra={"tallydeck": {"instrument": text}})
    fields = journald.take()
    expected = text.encode("utf-8", "backslashreplace").decode()
    assert fields["MESSAGE"] == expected
    assert fields["TALLYDECK_INSTRUMENT"] == expected
    assert fields["PRIORITY"] == "6"


def test_a_fault_arrives_with_its_traceback(log: logging.Logger, journald: Journald) -> None:
    try:
        raise ValueError("odd")
    except ValueError:
        log.exception("it failed")
    fields = journald.take()
    assert fields["MESSAGE"].startswith("it failed\nTraceback")
    assert fields["MESSAGE"].endswith("ValueError: odd")
    assert fields["PRIORITY"] == "3"


def test_too_much_for_a_datagram_arrives_whole(log: logging.Logger, journald: Journald) -> None:
    """By a sealed memory file, which the journal takes up to hundreds of megabytes."""
    long = "0123456789\n" * 200_000
    log.error("%s", long)
    assert journald.take()["MESSAGE"] == long


def test_where_no_memory_file_can_be_had_it_is_cut_and_said(
    log: logging.Logger, journald: Journald, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> int:
        raise OSError("not here")

    monkeypatch.setattr(native.os, "memfd_create", refuse)
    log.error("%s", "x" * 1_000_000)
    message = journald.take()["MESSAGE"]
    assert len(message) < 10_000
    assert message.startswith("xxx")
    assert "cut: 1000" in message


def test_a_log_that_is_busy_holds_nobody_up_and_the_loss_is_counted(
    log: logging.Logger, journald: Journald
) -> None:
    """Nobody reads: the queue fills, records are let go, and the next that gets through says how many."""
    for number in range(2000):
        log.info("%d", number)
    got = sum(1 for _ in journald.waiting())
    assert 0 < got < 2000
    log.info("again")
    fields = journald.take()
    assert fields["TALLYDECK_MISSED"] == str(2000 - got)
    assert f"{2000 - got} messages before this one were lost" in fields["MESSAGE"]


def test_a_restarted_journal_is_found_again(log: logging.Logger, journald: Journald) -> None:
    log.info("before")
    assert journald.take()["MESSAGE"] == "before"
    journald.restart()
    log.info("after")
    assert journald.take()["MESSAGE"] == "after"


def test_a_field_needs_a_name_the_journal_takes() -> None:
    """Names that begin with an underscore are the journal's own."""
    for name in ("_PID", "lower", "A B", "", "X" * 65, "A=B"):
        with pytest.raises(ValueError, match="field's name"):
            encode({name: "x"})


def test_the_ids_are_128_bits_and_each_its_own() -> None:
    assert len(set(MESSAGE_IDS.values())) == len(MESSAGE_IDS)
    assert all(len(bytes.fromhex(each)) == 16 for each in MESSAGE_IDS.values())


def test_the_stream_is_known_by_device_and_inode(tmp_path: Path) -> None:
    """An inherited JOURNAL_STREAM with another stderr means nothing."""
    with (tmp_path / "stream").open("w") as file:
        state = os.fstat(file.fileno())
        told = {"JOURNAL_STREAM": f"{state.st_dev}:{state.st_ino}"}
        assert stream_is_journal(told, file.fileno())
        assert not stream_is_journal({"JOURNAL_STREAM": f"{state.st_dev}:{state.st_ino + 1}"}, file.fileno())
        assert not stream_is_journal({}, file.fileno())
    assert not stream_is_journal(told, 9999)


@pytest.fixture
def bare_root() -> Iterator[logging.Logger]:
    root = logging.getLogger()
    before, level = root.handlers[:], root.level
    yield root
    for handler in root.handlers[:]:
        if handler not in before:
            root.removeHandler(handler)
            handler.close()
    root.setLevel(level)


def own_stderr() -> dict[str, str]:
    state = os.fstat(2)
    return {"JOURNAL_STREAM": f"{state.st_dev}:{state.st_ino}"}


def test_set_up_speaks_natively_where_stderr_is_the_journal(
    bare_root: logging.Logger, journald: Journald
) -> None:
    set_up(logging.INFO, own_stderr(), str(journald.path))
    logging.getLogger("tallydeck.x").info("hello")
    assert journald.take()["TALLYDECK_LOGGER"] == "tallydeck.x"


@pytest.mark.parametrize("env", [{}, own_stderr()])
def test_set_up_writes_plain_lines_where_there_is_no_journal(
    env: dict[str, str], bare_root: logging.Logger, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No such variable; or the variable, but no socket."""
    set_up(logging.INFO, env, str(tmp_path / "no-socket"))
    logging.getLogger("tallydeck.x").warning("hello")
    assert capsys.readouterr().err.endswith("WARNING tallydeck.x: hello\n")
