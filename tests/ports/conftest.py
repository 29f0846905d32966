"""What the tests of the ports share."""

from __future__ import annotations

import time
from collections.abc import Iterator

import pytest

from logger.core.decode.contract import Exchange
from logger.core.decode.sma import SmaDecoder
from logger.ports.serial import SerialPort

from .cable import LISTEN, MakePort, Sink


@pytest.fixture
def sink() -> Sink:
    return Sink()


@pytest.fixture
def make(sink: Sink) -> Iterator[MakePort]:
    """Make and start a port that listens for SMA frames and puts into the sink; all end with the test."""
    ports: list[SerialPort] = []

    def start(url: object, talk: Exchange = LISTEN, into: Sink = sink, **settings: object) -> SerialPort:
        settings.setdefault("decoder", SmaDecoder("tails"))
        settings.setdefault("now", time.monotonic_ns)
        port = SerialPort("tails scale", str(url), exchange=talk, put=into.put, **settings)
        port.start()
        ports.append(port)
        return port

    yield start
    for port in ports:
        port.stop()
