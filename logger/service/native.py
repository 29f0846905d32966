"""Log records in the system journal's own form, so that `journalctl` can be asked by field.

The protocol is the journal's native one (documented with systemd as "Native Journal Protocol"): a datagram
of ``KEY=value`` lines to its socket; a value with line ends in it is sent as ``KEY``, a line end, its length
as 64 bits little-endian, the value. What is too large for a datagram goes as a sealed memory file, of which
the descriptor is sent. Priorities are those of syslog (RFC 5424 section 6.2.1).
"""

from __future__ import annotations

import fcntl
import logging
import os
import re
import socket
import struct
import sys
from collections.abc import Mapping
from typing import Any

SOCKET = "/run/systemd/journal/socket"
IDENTIFIER = "tallydeck"
_CUT_BYTES = 16 * 1024
_NAME = re.compile(r"[A-Z0-9][A-Z0-9_]{0,63}")
_PRIORITIES = ((logging.CRITICAL, 2), (logging.ERROR, 3), (logging.WARNING, 4), (logging.INFO, 6))
_DEBUG = 7

MESSAGE_IDS = {
    "started": "3aa54231feed40cc85fcd5af0f63ff3f",
    "stopping": "6f6b7c2a00d341028a72d4d05d3bd02c",
    "alarm-raised": "402741fb905c4840a866695a93a571e1",
    "alarm-changed": "11893db97e7946bfa2dd9d9afb82cc26",
    "run-opened": "fb9685ce99034c66aa7c3da268b9f54b",
    "run-closed": "5e53d92bd63e42d3871afb639bdd0809",
    "action-refused": "567c4772cb7641049bb858dd45553a1a",
    "link-up": "8acc82bb317641729b99dab5e8d41812",
    "link-down": "7731aaa442e642bd8143447802090b8a",
    "not-recorded": "c9210e132cdb4978bbbd7fe6fb3c8dc6",
    "recorded-again": "23c1b70f01924badaad77b192c6efdc2",
    "journal-set-aside": "0c84c4aecaf5416888d5f54dd5d43274",
    "rescued": "a85f23e9075e4fb9ae7f3525eacdbede",
    "rescue-entered": "37293b69b5094c5289ff502b88088fb0",
    "worker-stuck": "c38ee554f32148eab18a7ae350528534",
}
"""Kind of an important message -> its fixed id: ``journalctl MESSAGE_ID=…`` finds them all. Never reused."""


def stream_is_journal(env: Mapping[str, str], descriptor: int = 2) -> bool:
    """Whether that descriptor is the journal's stream: ``JOURNAL_STREAM`` names its device and inode.

    The variable alone is not enough: a program started by a service inherits it with another stderr.
    """
    told = env.get("JOURNAL_STREAM", "")
    try:
        state = os.fstat(descriptor)
    except OSError:
        return False
    return told == f"{state.st_dev}:{state.st_ino}"


def encode(fields: Mapping[str, str]) -> bytes:
    """Fields as the journal reads them. ValueError for a name it would not take."""
    parts = []
    for name, text in fields.items():
        if not _NAME.fullmatch(name):
            raise ValueError(f"{name!r} is no field's name; use capitals, digits and _, 64 at most")
        value = text.encode("utf-8", "backslashreplace")
        if b"\n" in value:
            parts.append(name.encode() + b"\n" + struct.pack("<Q", len(value)) + value + b"\n")
        else:
            parts.append(name.encode() + b"=" + value + b"\n")
    return b"".join(parts)


def fields_of(record: logging.LogRecord, message: str) -> dict[str, str]:
    """A record's fields; ``extra={"tallydeck": {...}}`` becomes ``TALLYDECK_…``, ``kind`` a MESSAGE_ID."""
    priority = next((number for level, number in _PRIORITIES if record.levelno >= level), _DEBUG)
    fields = {
        "MESSAGE": message,
        "PRIORITY": str(priority),
        "SYSLOG_IDENTIFIER": IDENTIFIER,
        "CODE_FILE": record.pathname,
        "CODE_LINE": str(record.lineno),
        "CODE_FUNC": record.funcName or "",
        "TALLYDECK_LOGGER": record.name,
        "TALLYDECK_THREAD": record.threadName or "",
    }
    own: Mapping[str, Any] = getattr(record, "tallydeck", {})
    for name, value in own.items():
        fields[f"TALLYDECK_{name.upper()}"] = str(value)
    if (told := MESSAGE_IDS.get(str(own.get("kind", "")))) is not None:
        fields["MESSAGE_ID"] = told
    return fields


class NativeHandler(logging.Handler):
    """Sends records to the journal's socket, without ever waiting for it.

    What it can't take now (its queue is full) is counted, and the count told with the next that it takes.
    OSError where there is no such socket.
    """

    def __init__(self, address: str = SOCKET) -> None:
        super().__init__()
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
        self._address = address
        self._missed = 0
        try:
            self._socket.setblocking(False)
            self._socket.connect(address)
        except OSError:
            self._socket.close()
            raise

    def emit(self, record: logging.LogRecord) -> None:
        try:
            fields = fields_of(record, self.format(record))
            if self._missed:
                fields["TALLYDECK_MISSED"] = str(self._missed)
                fields["MESSAGE"] += f" ({self._missed} messages before this one were lost: the log was busy)"
            self._deliver(fields)
            self._missed = 0
        except OSError:
            self._missed += 1
        except Exception:  # noqa: BLE001 - a record that can't be formatted, as logging's own handlers do
            self.handleError(record)

    def _deliver(self, fields: dict[str, str]) -> None:
        data = encode(fields)
        try:
            self._send(data)
        except OSError as error:
            if isinstance(error, BlockingIOError) or len(data) <= _CUT_BYTES:
                raise
            try:
                self._send_file(data)
            except OSError:
                self._send(encode(_cut(fields, len(data))))

    def _send(self, data: bytes) -> None:
        try:
            self._socket.send(data)
        except (ConnectionError, FileNotFoundError):  # the journal was restarted: it has another socket now
            self._socket.connect(self._address)
            self._socket.send(data)

    def _send_file(self, data: bytes) -> None:
        """Too large for a datagram: a memory file that nobody can change any more, by its descriptor."""
        descriptor = os.memfd_create("tallydeck-log", os.MFD_CLOEXEC | os.MFD_ALLOW_SEALING)
        try:
            with os.fdopen(descriptor, "wb", closefd=False) as file:
                file.write(data)
            seals = fcntl.F_SEAL_SHRINK | fcntl.F_SEAL_GROW | fcntl.F_SEAL_WRITE | fcntl.F_SEAL_SEAL
            fcntl.fcntl(descriptor, fcntl.F_ADD_SEALS, seals)
            socket.send_fds(self._socket, [b""], [descriptor])
        finally:
            os.close(descriptor)

    def close(self) -> None:
        self._socket.close()
        super().close()


def _cut(fields: Mapping[str, str], size: int) -> dict[str, str]:
    """The same with long values shortened; the message says so."""
    most = _CUT_BYTES // 16  # of a field; there are about a dozen
    short = {name: value[:most] for name, value in fields.items()}
    short["MESSAGE"] = (
        f"{fields['MESSAGE'][: _CUT_BYTES // 8]} … (cut: {size} bytes were too many for the log)"
    )
    return short


def set_up(level: int, env: Mapping[str, str], address: str = SOCKET) -> None:
    """Log to the system journal where stderr is its stream, else as plain lines on stderr."""
    handler: logging.Handler | None = None
    if stream_is_journal(env):
        try:
            handler = NativeHandler(address)
        except OSError:
            pass  # its plain lines reach the journal as well, through stderr
    if handler is None:
        handler = logging.StreamHandler(sys.stderr)
        handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(name)s: %(message)s"))
    root = logging.getLogger()
    root.addHandler(handler)
    root.setLevel(level)
