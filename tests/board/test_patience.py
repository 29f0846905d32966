"""Connections that never finish asking, on real sockets: the board goes on answering everybody else."""

from __future__ import annotations

import contextlib
import resource
import socket
import threading
import time
from collections.abc import Iterator

import httpx
import pytest

from logger.board.patience import HEAD_S, PatientProtocol
from logger.board.server import BoardServer
from tests.board.fake_desk import TOKEN, FakeDesk, served
from tests.board.snapshots import calm

TOGETHER = 300


def connect(board: BoardServer, sent: bytes = b"") -> socket.socket:
    host, port = board.url.removeprefix("http://").strip("/").split(":")
    link = socket.create_connection((host, int(port)), timeout=5)
    link.sendall(sent)
    return link


def closed_within(link: socket.socket, seconds: float) -> bool:
    """Whether the board ends that connection by then."""
    link.settimeout(seconds)
    try:
        while link.recv(65536):
            pass
    except ConnectionError:
        return True
    except TimeoutError:
        return False
    return True


class Viewer:
    """Reads the stream in a thread of its own and counts its events."""

    def __init__(self, board: BoardServer) -> None:
        self.events = 0
        self.fault = ""
        self._enough = threading.Event()
        self._url = f"{board.url}api/v1/events"
        self._thread = threading.Thread(target=self._watch)
        self._thread.start()

    def _watch(self) -> None:
        headers = {"Authorization": f"Bearer {TOKEN}"}
        try:
            with httpx.stream("GET", self._url, headers=headers, trust_env=False, timeout=10) as stream:
                for line in stream.iter_lines():
                    self.events += line.startswith("event:")
                    if self._enough.is_set():
                        return
        except httpx.HTTPError as error:
            self.fault = repr(error)

    def more(self, timeout_s: float = 5.0) -> bool:
        """Whether another event comes."""
        before, end = self.events, time.monotonic() + timeout_s
        while self.events == before and time.monotonic() < end and not self.fault:
            time.sleep(0.02)
        return self.events > before

    def leave(self) -> None:
        self._enough.set()
        self._thread.join(10)


@pytest.fixture
def watched(own_desk: FakeDesk) -> Iterator[tuple[BoardServer, Viewer]]:
    """A board with a live viewer."""
    with served(own_desk) as board, own_desk.beat():
        viewer = Viewer(board)
        assert viewer.more()
        yield board, viewer
        viewer.leave()


@pytest.fixture
def many_files() -> Iterator[None]:
    """Room for both ends of the connections."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (max(soft, min(hard, 4096)), hard))
    yield
    resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


@pytest.mark.usefixtures("many_files")
@pytest.mark.parametrize(
    "sent", [b"", b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: "], ids=["silent", "half-a-head"]
)
def test_many_half_open_connections_block_nobody(watched: tuple[BoardServer, Viewer], sent: bytes) -> None:
    """More than the server has room for: the board answers within 2 s at once, and the viewer stays."""
    board, viewer = watched
    with contextlib.ExitStack() as held:
        for _ in range(TOGETHER):
            held.enter_context(connect(board, sent))
        begun = time.monotonic()
        assert httpx.get(board.url, trust_env=False, timeout=5).status_code == 200
        assert time.monotonic() - begun < 2.0
        assert viewer.more()
    assert viewer.fault == ""


def test_the_time_for_a_head_ends(own_desk: FakeDesk, monkeypatch: pytest.MonkeyPatch) -> None:
    """Silence, half a head, half a second head, a body nobody wants; more bytes do not give more time."""
    monkeypatch.setattr(PatientProtocol, "head_s", 0.5)
    with served(own_desk) as board:
        host = board.url.removeprefix("http://").strip("/").encode()
        whole = b"GET /api/v1/livez HTTP/1.1\r\nHost: " + host + b"\r\n"
        for sent in (b"", b"GET", whole):
            with connect(board, sent) as link:
                assert closed_within(link, 3.0), sent
        for first, then in ((whole + b"\r\n", b"GET / HT"), (whole + b"Content-Length: 9\r\n\r\n", b"x")):
            with connect(board, first) as link:
                assert link.recv(15) == b"HTTP/1.1 200 OK"
                link.sendall(then)
                assert closed_within(link, 3.0), then
        with connect(board) as link:
            assert drips_until_closed(link) < 2.0


def drips_until_closed(link: socket.socket) -> float:
    """Send a byte every 50 ms; how long that goes well, s."""
    begun = time.monotonic()
    with contextlib.suppress(ConnectionError):
        for byte in b"GET /" + b"x" * 95:
            link.sendall(bytes([byte]))
            time.sleep(0.05)
    return time.monotonic() - begun


def test_a_viewer_outlasts_the_time_for_a_head(own_desk: FakeDesk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(PatientProtocol, "head_s", 0.3)
    with served(own_desk) as board, own_desk.beat():
        viewer = Viewer(board)
        end = time.monotonic() + 1.5
        while time.monotonic() < end:
            assert viewer.more()
        viewer.leave()
        assert viewer.fault == ""


def test_a_client_that_asks_in_pieces_within_the_time_is_answered(own_desk: FakeDesk) -> None:
    with served(own_desk) as board:
        host = board.url.removeprefix("http://").strip("/").encode()
        with connect(board) as link:
            for piece in (b"GET /api/v1/livez HT", b"TP/1.1\r\nHost: ", host, b"\r\n\r", b"\n"):
                link.sendall(piece)
                time.sleep(0.02)
            assert link.recv(15) == b"HTTP/1.1 200 OK"


@pytest.mark.full
@pytest.mark.usefixtures("many_files")
def test_half_open_connections_are_all_gone_after_the_time(watched: tuple[BoardServer, Viewer]) -> None:
    """With the real time-out: every one is closed, and the board answers within 2 s."""
    board, viewer = watched
    with contextlib.ExitStack() as held:
        links = [held.enter_context(connect(board)) for _ in range(TOGETHER)]
        assert all(closed_within(link, HEAD_S + 2.0) for link in links)
        begun = time.monotonic()
        assert httpx.get(board.url, trust_env=False, timeout=5).status_code == 200
        assert time.monotonic() - begun < 2.0
        assert viewer.more()


def test_the_board_without_patience_is_blocked(own_desk: FakeDesk, monkeypatch: pytest.MonkeyPatch) -> None:
    """The tests above can fail: without the cap, the server refuses everybody."""
    monkeypatch.setattr(PatientProtocol, "most_waiting", 10_000)
    with served(FakeDesk(calm())) as board, contextlib.ExitStack() as held:
        for _ in range(TOGETHER):
            held.enter_context(connect(board))
        assert httpx.get(board.url, trust_env=False, timeout=5).status_code == 503
