"""Weigh-ups over the API: the document that follows from the books, and what it gives.

GET /api/v1/runs/RUN/weigh-up and /api/v1/lots/LOT/weigh-up answer the document (it can be kept in a file,
changed and balanced there), ``balance`` in its place the balance that follows from it (``?method=linear``,
``monte-carlo`` with ``&draws=…``; ``auto`` if left out), and /api/v1/scales the check weights of every scale.
All of it is looked up in threads; one balance at a time is computed in a process of its own.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from datetime import datetime
from functools import partial
from typing import TYPE_CHECKING, Any, TypeAlias

from fastapi import FastAPI, Request
from starlette.responses import Response

from logger.board.balancing import balance
from logger.board.desk import Desk
from logger.board.problems import json_response, problem

if TYPE_CHECKING:
    from logger.balance.document import WeighUp

InThread: TypeAlias = Callable[[Callable[[], Response]], Awaitable[Response]]
Asked: TypeAlias = "Callable[[str], WeighUp | None]"
METHODS = ("auto", "linear", "monte-carlo")
LEAST_DRAWS, DRAWS, MOST_DRAWS = 1_000, 50_000, 500_000
_LINEAR = "Ask for ?method=linear, or fetch the weigh-up and balance it elsewhere: tallydeck balance FILE."
_KINDS = {"run": ("run", "/api/v1/runs"), "lot": ("lot with a run", "/api/v1/lots")}


def add_weigh_up_routes(app: FastAPI, desk: Desk, in_thread: InThread, in_long_thread: InThread) -> None:
    """Add them to the board's application. ``in_long_thread``: for what may take seconds.

    They stand before routes that take any path of a run.
    """

    @app.get("/api/v1/runs/{run:path}/weigh-up")
    async def run_weigh_up(run: str) -> Response:
        return await in_thread(partial(_answer, "run", run, desk.weigh_up, _document))

    @app.get("/api/v1/lots/{lot:path}/weigh-up")
    async def lot_weigh_up(lot: str) -> Response:
        return await in_thread(partial(_answer, "lot", lot, desk.lot_weigh_up, _document))

    @app.get("/api/v1/runs/{run:path}/balance")
    async def run_balance(run: str, request: Request) -> Response:
        asked = partial(_balanced, request.query_params)
        return await in_long_thread(partial(_answer, "run", run, desk.weigh_up, asked))

    @app.get("/api/v1/lots/{lot:path}/balance")
    async def lot_balance(lot: str, request: Request) -> Response:
        asked = partial(_balanced, request.query_params)
        return await in_long_thread(partial(_answer, "lot", lot, desk.lot_weigh_up, asked))

    @app.get("/api/v1/scales")
    async def scales() -> Response:
        return await in_thread(partial(_scales, desk))


def _scales(desk: Desk) -> Response:
    """Every scale with its checks and their verdicts. Blocks: call in a thread."""
    from logger.balance.scale_log import scale_json

    state = desk.snapshot()
    now, unit = datetime.fromisoformat(state["at"]), str(state["units"])
    return json_response([scale_json(name, scale, now, unit) for name, scale in desk.scales().items()])


def _balanced(asked: Mapping[str, str], made: WeighUp) -> dict[str, Any]:
    """The balance of a weigh-up, by the method and with the number of draws that the query asks for."""
    from logger.balance.faults import WeighUpError

    method, draws = asked.get("method", METHODS[0]), asked.get("draws", str(DRAWS))
    if method not in METHODS:
        raise _AskedWrongly("method", method, ", ".join(METHODS))
    if not draws.isdecimal() or not LEAST_DRAWS <= int(draws) <= MOST_DRAWS:
        raise _AskedWrongly("draws", draws, f"{LEAST_DRAWS} to {MOST_DRAWS}")
    found = balance(_document(made), method, int(draws))
    if found.result is None:
        raise WeighUpError(found.faults)
    return found.result


class _AskedWrongly(Exception):
    """A query that can't be answered: which field, what was found, what is allowed."""

    def __init__(self, field: str, found: str, allowed: str) -> None:
        super().__init__(f"{field}: found {found[:60]!r}; allowed: {allowed}")


def _document(weigh_up: WeighUp) -> dict[str, Any]:
    return weigh_up.model_dump(mode="json", exclude_defaults=True)


def _answer(kind: str, name: str, asked: Asked, tell: Callable[[WeighUp], Any]) -> Response:
    """Look the weigh-up up, and tell of it what is wanted; or the problem. Blocks: call in a thread."""
    from logger.balance.faults import WeighUpError  # brings numpy: only once it is needed

    try:
        found = asked(name)
        if found is not None:
            return json_response(tell(found))
    except WeighUpError as error:
        return problem(
            409,
            "The weigh-up does not fit together: " + "; ".join(error.faults),
            "Correct what was said (GET /api/v1/said lists it, amend changes it), or fetch the weigh-up as a "
            "document and put it right there.",
            code="no-weigh-up",
            faults=list(error.faults),
        )
    except _AskedWrongly as error:
        return problem(422, str(error), "Ask again with what is allowed.", code="invalid-query")
    except TimeoutError as error:
        return problem(504, f"It took too long: {error}.", _LINEAR, code="too-long")
    except RuntimeError as error:
        return problem(500, f"{error}.", _LINEAR, code="failed")
    what, where = _KINDS[kind]
    return problem(
        404,
        f"There is no {what} named {name!r}.",
        f"Look at {where} for those there are.",
        code=f"no-such-{kind}",
    )
