"""A scrape is one moment: however fast frames come, none is missing and none is counted twice."""

from __future__ import annotations

import contextlib
import socket
import sys
import threading
from collections.abc import Iterator
from itertools import count
from pathlib import Path
from typing import Any

import pytest

from logger.app import Daemon
from logger.core.entries import Reading
from logger.settings import load
from tests.app.bays import until
from tests.app.scraping import Scraper, scraping, total

FRAME = b"\n 1G       1.234kg \r"
SPOILED = b"\n 1G       1.2x4kg \r"
SCALES = ("feed", "concentrate", "middlings", "tailings")
SCRAPES = 200


class Torrent:
    """Scales that send frames as fast as they are taken, every fiftieth of them spoiled."""

    def __init__(self) -> None:
        self._end = threading.Event()
        self._servers = {name: socket.create_server(("127.0.0.1", 0)) for name in SCALES}
        self.ports = {name: server.getsockname()[1] for name, server in self._servers.items()}
        self._threads = [threading.Thread(target=self._pour, args=(s,)) for s in self._servers.values()]
        for thread in self._threads:
            thread.start()

    def _pour(self, server: socket.socket) -> None:
        server.settimeout(0.1)
        while not self._end.is_set():
            with contextlib.suppress(OSError), server.accept()[0] as link:
                link.settimeout(0.2)
                while not self._end.wait(0.005):
                    with contextlib.suppress(TimeoutError):
                        link.sendall(FRAME * 15 + SPOILED)

    def close(self) -> None:
        self._end.set()
        for thread in self._threads:
            thread.join(5.0)
        for server in self._servers.values():
            server.close()


@pytest.fixture
def flooded(tmp_path: Path) -> Iterator[Daemon]:
    interval_s = sys.getswitchinterval()
    sys.setswitchinterval(1e-6)  # threads stop each other anywhere, in the middle of a frame's handing on too
    torrent = Torrent()
    wires = "".join(
        f'[instruments.{name}]\nport = "socket://127.0.0.1:{torrent.ports[name]}"\ndialect = "sma"\n'
        'mode = "repeat"\nresolution = "1 g"\nunit = "kg"\n'
        for name in SCALES
    )
    path = tmp_path / "bay.toml"
    path.write_text(
        f'{wires}[stations.table]\nresolution = "1 g"\ntarget = "45 kg/h"\noutlets = {list(SCALES[1:])}\n'
        f'[board]\nport = 0\n[journal]\ndirectory = "{tmp_path / "journal"}"\n'
    )
    daemon = Daemon(load(path))
    daemon.start()
    try:
        yield daemon
    finally:
        daemon.stop()
        torrent.close()
        sys.setswitchinterval(interval_s)


def frames(scraper: Scraper) -> float:
    return total(scraper.figures(), "frames_read_total")


def test_two_hundred_scrapes_amid_a_flood_balance_to_the_frame(flooded: Daemon) -> None:
    """And those figures of which the difference is made are all in the same scrape."""
    with scraping(flooded.directory) as scraper:
        until(lambda: frames(scraper) > 1000, what="a thousand frames")
        before = frames(scraper)
        for _ in range(SCRAPES):
            figures = scraper.figures()
            read = total(figures, "frames_read_total") + total(figures, "frames_rejected_total")
            written = figures['tallydeck_entries_journalled_total{type="reading"}']
            written += total(figures, "garbage_journalled_total")
            written += figures["tallydeck_frames_held"] + figures["tallydeck_frames_lost_total"]
            assert read == written
            assert figures['tallydeck_ledger_difference{ledger="frames"}'] == 0
        assert total(figures, "frames_rejected_total") > 0, (
            "no frame was spoiled, so nothing was proved of them"
        )
        assert frames(scraper) - before > SCRAPES, "there was no flood"


@pytest.mark.parametrize(("fault", "difference"), [("drop", 1), ("double", -1)])
def test_one_frame_lost_or_entered_twice_shows_at_once_and_for_ever(
    flooded: Daemon, fault: str, difference: int
) -> None:
    """The difference of the ledger is a check that can fail."""
    put, numbers = flooded.loop.put, count()

    def spoiled(item: Any) -> None:
        once = isinstance(item, Reading) and next(numbers) == 100
        if not (once and fault == "drop"):
            put(item)
        if once and fault == "double":
            put(item)

    with scraping(flooded.directory) as scraper:
        until(lambda: frames(scraper) > 100, what="a hundred frames")
        assert scraper.difference() == 0
        flooded.loop.put = spoiled  # type: ignore[method-assign]
        until(lambda: next(numbers) > 200, what="the fault")
        for _ in range(20):
            assert scraper.difference() == difference
