"""Weigh-ups over the API: the document that follows from the books, and what it gives.

GET /api/v1/runs/RUN/weigh-up and /api/v1/lots/LOT/weigh-up answer the document (it can be kept in a file,
changed and balanced there); /api/v1/scales the check weights of every scale. It is all computed in threads.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from datetime import datetime
from functools import partial
from typing import TYPE_CHECKING, Any, TypeAlias

from fastapi import FastAPI
from starlette.responses import Response

from logger.board.desk import Desk
from logger.board.problems import json_response, problem

if TYPE_CHECKING:
    from logger.balance.document import WeighUp

InThread: TypeAlias = Callable[[Callable[[], Response]], Awaitable[Response]]
Asked: TypeAlias = "Callable[[str], WeighUp | None]"
_KINDS = {"run": ("run", "/api/v1/runs"), "lot": ("lot with a run", "/api/v1/lots")}


def add_weigh_up_routes(app: FastAPI, desk: Desk, in_thread: InThread) -> None:
    """Add them to the board's application. They stand before routes that take any path of a run."""

    @app.get("/api/v1/runs/{run:path}/weigh-up")
    async def run_weigh_up(run: str) -> Response:
        return await in_thread(partial(_answer, "run", run, desk.weigh_up, _document))

    @app.get("/api/v1/lots/{lot:path}/weigh-up")
    async def lot_weigh_up(lot: str) -> Response:
        return await in_thread(partial(_answer, "lot", lot, desk.lot_weigh_up, _document))

    @app.get("/api/v1/scales")
    async def scales() -> Response:
        return await in_thread(partial(_scales, desk))


def _scales(desk: Desk) -> Response:
    """Every scale with its checks and their verdicts. Blocks: call in a thread."""
    from logger.balance.scale_log import scale_json

    state = desk.snapshot()
    now, unit = datetime.fromisoformat(state["at"]), str(state["units"])
    return json_response([scale_json(name, scale, now, unit) for name, scale in desk.scales().items()])


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
    what, where = _KINDS[kind]
    return problem(
        404,
        f"There is no {what} named {name!r}.",
        f"Look at {where} for those there are.",
        code=f"no-such-{kind}",
    )
