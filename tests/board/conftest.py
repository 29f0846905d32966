"""A board on a real port, and ways to ask it."""

from __future__ import annotations

from collections.abc import Iterator

import httpx
import pytest

from logger.board.server import BoardServer
from tests.board.fake_desk import TOKEN, FakeDesk, served
from tests.board.snapshots import calm


@pytest.fixture(scope="module")
def shared() -> Iterator[tuple[FakeDesk, BoardServer]]:
    """One board for all tests of a file that do not stop it.

    Not for the whole session: a test elsewhere that freezes time would freeze its event loop for good.
    """
    desk = FakeDesk(calm())
    with served(desk) as board:
        yield desk, board


@pytest.fixture
def desk(shared: tuple[FakeDesk, BoardServer]) -> FakeDesk:
    shared[0].reset(calm())
    return shared[0]


@pytest.fixture
def board(shared: tuple[FakeDesk, BoardServer], desk: FakeDesk) -> BoardServer:
    return shared[1]


@pytest.fixture
def own_desk() -> FakeDesk:
    """A desk for a board of the test's own."""
    return FakeDesk(calm())


@pytest.fixture
def ask(board: BoardServer) -> Iterator[httpx.Client]:
    """A client with the token."""
    headers = {"Authorization": f"Bearer {TOKEN}"}
    with httpx.Client(base_url=board.url, headers=headers, trust_env=False, timeout=10) as client:
        yield client


@pytest.fixture
def stranger(board: BoardServer) -> Iterator[httpx.Client]:
    """A client with nothing."""
    with httpx.Client(base_url=board.url, trust_env=False, timeout=10) as client:
        yield client
