"""The command line's client: figures and answers come through, errors say what, where and what to do."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from logger.board.client import ClientError, DaemonClient
from logger.board.desk import Answer
from logger.board.server import BoardServer
from tests.board.fake_desk import TOKEN, FakeDesk


@pytest.fixture
def client(board: BoardServer) -> DaemonClient:
    return DaemonClient(board.url, TOKEN)


@contextmanager
def someone_else(answer: bytes) -> Iterator[str]:
    """A listener that is no daemon: it sends these bytes to whoever calls (none: it stays silent)."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        ended = threading.Event()

        def serve() -> None:
            connection, _ = listener.accept()
            with connection:
                connection.recv(4096)
                if answer:
                    connection.sendall(answer)
                else:
                    ended.wait(10)

        thread = threading.Thread(target=serve)
        thread.start()
        yield f"http://127.0.0.1:{listener.getsockname()[1]}"
        ended.set()
        thread.join()


def test_reads(client: DaemonClient, desk: FakeDesk) -> None:
    desk.lots_list, desk.runs_list = [{"lot": "L"}], [{"run": "L/1"}]
    assert client.state() == desk.snapshot()
    assert client.lots() == [{"lot": "L"}]
    assert client.runs() == [{"run": "L/1"}]
    assert client.tally("L/1") == {"run": "L/1"}


def test_an_action_gets_an_id(client: DaemonClient, desk: FakeDesk) -> None:
    """Sent twice by mistake it is taken once; a given id is kept."""
    assert client.submit({"action": "end-run"}) == desk.answer
    client.submit({"action": "end-run", "id": "mine"})
    assert len(desk.submitted[0][0]["id"]) >= 32
    assert desk.submitted[1][0]["id"] == "mine"


def test_a_refusal_is_an_answer(client: DaemonClient, desk: FakeDesk) -> None:
    desk.answer = Answer(False, "no run is open")
    assert client.submit({"action": "end-run"}) == desk.answer


def test_faults_come_through(client: DaemonClient) -> None:
    with pytest.raises(ClientError) as caught:
        client.submit({"action": "open-lot"})
    assert caught.value.status == 422
    assert caught.value.errors[0]["place"] == "lot"
    assert caught.value.errors[0]["remedy"] == 'give "lot"'


def test_a_refused_token_points_to_its_file(board: BoardServer) -> None:
    with pytest.raises(ClientError, match="token file") as caught:
        DaemonClient(board.url, "wrong").state()
    assert caught.value.status == 401


def test_no_such_run(client: DaemonClient) -> None:
    with pytest.raises(ClientError, match=r"no run named 'L/9'") as caught:
        client.tally("L/9")
    assert caught.value.status == 404


def test_no_daemon() -> None:
    """A port on which nothing listens: what, where, what to do."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    with pytest.raises(ClientError) as caught:
        DaemonClient(f"http://127.0.0.1:{port}", TOKEN).state()
    assert "No daemon answers" in caught.value.what
    assert str(port) in caught.value.where
    assert "Start it" in caught.value.do
    assert caught.value.status == 0


def test_a_daemon_that_stays_silent() -> None:
    with (
        someone_else(b"") as url,
        pytest.raises(ClientError, match=r"no answer within 0.2 s.*look at the state"),
    ):
        DaemonClient(url, TOKEN, timeout_s=0.2).submit({"action": "end-run"})


@pytest.mark.parametrize(
    "answer",
    [
        b"SSH-2.0-something\r\n",
        b"HTTP/1.1 200 OK\r\nContent-Length: 5\r\nConnection: close\r\n\r\nhello",
        b"HTTP/1.1 500 Oh\r\nContent-Length: 5\r\nConnection: close\r\n\r\nhello",
        b"HTTP/1.1 200 OK\r\nContent-Length: 50\r\nConnection: close\r\n\r\n{",
        b"HTTP/1.1 404 Oh\r\nContent-Length: 2\r\nConnection: close\r\n\r\n[]",
    ],
)
def test_another_program_on_the_port(answer: bytes) -> None:
    with someone_else(answer) as url, pytest.raises(ClientError, match="the port is the daemon's"):
        DaemonClient(url, TOKEN).state()


@pytest.mark.parametrize("address", ["ftp://127.0.0.1:1", "file:///etc/passwd", "127.0.0.1:80", ""])
def test_an_address_that_is_none(address: str) -> None:
    with pytest.raises(ClientError, match="http://"):
        DaemonClient(address, TOKEN).state()


def test_a_broken_daemon_is_told(client: DaemonClient, desk: FakeDesk) -> None:
    desk.answer = RuntimeError("inside")
    with pytest.raises(ClientError, match="daemon's log") as caught:
        client.submit({"action": "end-run"})
    assert caught.value.status == 500
