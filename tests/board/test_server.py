"""The board's thread: it starts, says why it cannot, and stops."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from pathlib import Path
from typing import Any

import httpx
import pytest

from logger.board.access import Access
from logger.board.server import BoardError, BoardServer
from tests.board.fake_desk import TOKEN, FakeDesk, served
from tests.board.snapshots import calm


def test_start_returns_when_it_answers(board: BoardServer) -> None:
    """Right after start the page is served at the address it names."""
    assert httpx.get(board.url, trust_env=False).status_code == 200


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.7", "::"])
def test_others_are_let_in_only_by_code(host: str, own_desk: FakeDesk) -> None:
    """A host that others can reach is refused where no code is set, with a way out."""
    with pytest.raises(BoardError, match=r"not a loopback address.*operator_code"):
        BoardServer(own_desk, host, 0, TOKEN, version="0")
    BoardServer(own_desk, host, 0, TOKEN, version="0", access=Access(operator_code="4711"))
    BoardServer(own_desk, host, 0, TOKEN, version="0", access=Access(guests=True))


@pytest.mark.parametrize("host", ["bay.example", "127.0.0.1.example", ""])
def test_a_host_is_an_address(host: str, own_desk: FakeDesk) -> None:
    with pytest.raises(BoardError, match="no address"):
        BoardServer(own_desk, host, 0, TOKEN, version="0", access=Access(operator_code="4711"))


def test_a_certificate_that_is_none_is_refused(own_desk: FakeDesk, tmp_path: Path) -> None:
    """Before anything listens."""
    file = tmp_path / "board.pem"
    file.write_text("nothing")
    with pytest.raises(BoardError, match=r"board\.pem"):
        BoardServer(own_desk, "127.0.0.1", 0, TOKEN, version="0", access=Access(certificate_file=file))


@pytest.mark.parametrize("token", ["", "short"])
def test_a_guessable_token_is_refused(token: str, own_desk: FakeDesk) -> None:
    with pytest.raises(BoardError, match="token"):
        BoardServer(own_desk, "127.0.0.1", 0, token, version="0")


def test_a_taken_port_is_named(own_desk: FakeDesk) -> None:
    """The error names the port and what to do, and leaves no thread behind."""
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        board = BoardServer(own_desk, "127.0.0.1", port, TOKEN, version="0")
        with pytest.raises(BoardError, match=rf"port {port} .*another port"):
            board.start()
        assert board.stop()


def test_a_board_starts_once(board: BoardServer) -> None:
    with pytest.raises(BoardError, match="twice"):
        board.start()


def test_stop_ends_streams_promptly(own_desk: FakeDesk) -> None:
    """A viewer does not hold the daemon up: the stream ends and the thread is gone within two seconds."""
    with served(own_desk) as board:
        url = f"{board.url}api/v1/events"
        with (
            httpx.Client(trust_env=False) as client,
            client.stream("GET", url, headers={"Authorization": f"Bearer {TOKEN}"}) as stream,
        ):
            lines = stream.iter_lines()
            assert next(lines) == "id: 100"
            began = time.monotonic()
            assert board.stop(5.0)
            assert time.monotonic() - began < 2.0
            rest = list(lines)
            assert all("data" in line or "event" in line or line == "" for line in rest)
    assert own_desk.watched == 0


def test_a_blocked_action_does_not_hold_the_stop_up(own_desk: FakeDesk) -> None:
    """The recording loop hangs in an action: the board ends all the same, within its time."""
    entered, release = threading.Event(), threading.Event()

    def hang(action: dict[str, Any]) -> None:
        entered.set()
        release.wait(20)

    own_desk.on_submit = hang
    board = BoardServer(own_desk, "127.0.0.1", 0, TOKEN, version="0")
    board.start()

    def post() -> None:
        with contextlib.suppress(httpx.HTTPError):
            httpx.post(
                f"{board.url}api/v1/actions",
                json={"action": "end-run"},
                headers={"Authorization": f"Bearer {TOKEN}"},
                trust_env=False,
            )

    poster = threading.Thread(target=post)
    poster.start()
    try:
        assert entered.wait(5)
        assert board.stop(5.0)
    finally:
        release.set()
        poster.join()


def test_no_snapshots_ends_the_board(own_desk: FakeDesk, caplog: pytest.LogCaptureFixture) -> None:
    """Rather no page than one that shows old figures for ever; the log says why."""
    with served(own_desk) as board:
        own_desk.reset({"seq": 1, "alarms": 7})
        own_desk.show()
        assert board._thread is not None
        board._thread.join(5)
        assert not board._thread.is_alive()
    assert "no more snapshots" in caplog.text


def test_the_port_is_free_again(own_desk: FakeDesk) -> None:
    """A restart takes the same port at once."""
    with served(own_desk) as first:
        port = int(first.url.rsplit(":", 1)[1].strip("/"))
        httpx.get(first.url, trust_env=False)
    with served(FakeDesk(calm()), port) as second:
        assert second.url == first.url
        assert httpx.get(second.url, trust_env=False).status_code == 200
