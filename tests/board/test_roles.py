"""The authorisation matrix: every route, by every method, for everybody who may come, over real HTTP."""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterator
from typing import Any, cast

import httpx
import pytest
from starlette.routing import Route

from logger.board import routes
from logger.board.access import Access
from logger.board.roles import LEAST, Role
from logger.board.server import BoardServer
from logger.board.static_files import PAGES
from tests.board.fake_desk import TOKEN, FakeDesk, served
from tests.board.observations import Told
from tests.board.snapshots import calm
from tests.board.test_logins import GUEST, OPERATOR, Browser
from tests.board.test_wires import FakeWires

PARTS: dict[str, Any] = {"wires": FakeWires(), "observer": Told(), "followers": Told()}
"""What a board may have or lack; each brings routes of its own."""
NEEDED = {"desk", "hub", "port", "token", "version", "token_file", "access"}
METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE")
CALLERS = {
    "stranger": Role.ANYONE,
    "wrong token": Role.ANYONE,
    "guest": Role.GUEST,
    "operator": Role.OPERATOR,
    "token": Role.OPERATOR,
}


def all_routes() -> set[tuple[str, str]]:
    """Method and path, as it is written, of all that a board with every part answers."""
    guard = routes.build(FakeDesk(calm()), cast(Any, None), port=1, token=TOKEN, version="0", **PARTS)
    found = set()
    for route in guard._app.routes:
        assert isinstance(route, Route)
        found |= {(method, route.path) for method in route.methods or ()}
    return found - {("HEAD", path) for _, path in found}


ROUTES = sorted(all_routes())


def test_every_part_is_looked_at() -> None:
    """A new part of the board has to stand in PARTS, or its routes would go unseen here."""
    assert set(inspect.signature(routes.build).parameters) == NEEDED | set(PARTS)


def test_every_route_has_its_rule_and_every_rule_its_route() -> None:
    """A route without a rule is nobody's; a rule without a route is a slip of the pen."""
    assert set(ROUTES) == set(LEAST)


def test_nothing_that_acts_is_for_guests() -> None:
    """But to come and go, which changes nothing of the bay."""
    for_all = {("POST", "/api/v1/log-in"), ("POST", "/api/v1/log-out")}
    assert {rule for rule in LEAST if rule[0] == "POST" and LEAST[rule] < Role.OPERATOR} == for_all


def test_nothing_with_figures_is_for_anyone() -> None:
    for path, least in ((path, least) for (_, path), least in LEAST.items() if path not in PAGES):
        if re.search(
            r"metrics|/(state|events|lots|runs|said|alarms|scales|stations|followers|wires)\b", path
        ):
            assert least >= Role.GUEST


@pytest.fixture(scope="module")
def board() -> Iterator[BoardServer]:
    access = Access(operator_code=OPERATOR, guest_code=GUEST)
    with served(FakeDesk(calm()), host="0.0.0.0", access=access, **PARTS) as board:
        yield board


@pytest.fixture(scope="module", params=list(CALLERS))
def caller(request: pytest.FixtureRequest, board: BoardServer) -> Iterator[tuple[Role, httpx.Client]]:
    with Browser(board) as client:
        if "token" in request.param:
            told = TOKEN if request.param == "token" else "not the right token"
            client.headers["Authorization"] = f"Bearer {told}"
        elif request.param != "stranger":
            assert client.log_in({"guest": GUEST, "operator": OPERATOR}[request.param]).status_code == 200
        yield CALLERS[request.param], client


def status(client: httpx.Client, method: str, path: str) -> int:
    path = re.sub(r"\{[^}]*\}", "x", path)
    with client.stream(method, path, headers={"Content-Type": "application/json"}) as answer:
        return answer.status_code


def test_the_matrix(caller: tuple[Role, httpx.Client]) -> None:
    """Whoever has the role gets past the guard, whoever has not is sent away; no other method goes."""
    role, client = caller
    wrong = []
    for path in sorted({path for _, path in ROUTES} - {"/api/v1/log-out", "/api/v1/log-in"}):
        for method in METHODS:
            got = status(client, method, path)
            least = LEAST.get(("GET" if method == "HEAD" else method, path))
            if method not in {"GET", "HEAD", "POST"} or (method, path) == ("HEAD", "/api/v1/events"):
                right = got == 405
            elif least is None:  # not a method of this path
                right = got == (401 if role is Role.ANYONE else 405)
            elif role >= least:
                right = got not in {401, 403, 405}
            else:
                right = got == (401 if role is Role.ANYONE else 403)
            if not right:
                wrong.append((method, path, got))
    assert wrong == []


@pytest.mark.parametrize("path", ["/nowhere", "/api/v1/nothing", "/api/v2/state", "/static/../guard.py"])
def test_what_is_not_there_is_told_to_none_but_guests(path: str, caller: tuple[Role, httpx.Client]) -> None:
    role, client = caller
    assert status(client, "GET", path) == (401 if role is Role.ANYONE else 404)


def test_a_route_without_a_rule_is_nobodys(monkeypatch: pytest.MonkeyPatch, board: BoardServer) -> None:
    monkeypatch.delitem(LEAST, ("GET", "/api/v1/state"))
    answer = httpx.get(
        f"{board.local_url}api/v1/state", headers={"Authorization": f"Bearer {TOKEN}"}, trust_env=False
    )
    assert (answer.status_code, answer.json()["code"]) == (403, "no-rule")
