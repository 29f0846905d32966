"""Finding a stranger behind a plain TCP converter, and behind a serial server."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from logger.ports.ear import Opener, has_settings
from logger.ports.finding import Found, find, plan
from logger.simulator.wires import TcpWire

from .server import SerialServer
from .strangers import BY_NAME

FRAMES = BY_NAME["padded with words"].frames
LAYOUT = "{status:2},{mode:2},{number:9} {unit}"


@contextmanager
def talking(say: Callable[[bytes], object]) -> Iterator[None]:
    """A line every 30 ms until the block ends."""
    end = threading.Event()

    def run() -> None:
        count = 0
        while not end.wait(0.03):
            say(FRAMES(count))
            count += 1

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    try:
        yield
    finally:
        end.set()
        thread.join(5)


def search(url: str) -> Found:
    how = plan(has_settings=has_settings(url), baud=9600, requests=(), listen_s=0.5, learn_s=1.0)
    return find(Opener(url), how, now=time.monotonic)


def test_behind_a_plain_converter_no_setting_is_proposed() -> None:
    wire = TcpWire()
    wire.plug()

    def say(line: bytes) -> None:
        wire.receive()
        wire.send(line)

    with talking(say):
        found = search(wire.url)
    wire.unplug()
    assert found.proposal is not None
    assert found.proposal.settings is None
    assert found.proposal.line is not None
    assert found.proposal.line.layout == LAYOUT


def test_behind_a_serial_server_the_setting_is_proposed() -> None:
    with SerialServer() as server, talking(server.offer):
        found = search(server.url)
    assert found.proposal is not None
    assert found.proposal.settings == (9600, "8N1")
    assert found.proposal.line is not None
    assert found.proposal.line.layout == LAYOUT
