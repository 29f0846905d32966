"""What the record holds of a run, over the API."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from functools import partial
from typing import Any

from fastapi import FastAPI
from starlette.responses import Response

from logger.board.desk import Desk
from logger.board.problems import json_response, problem
from logger.board.report_routes import no_such_run
from logger.journal.journal import JournalError


def add_run_routes(
    app: FastAPI, desk: Desk, in_thread: Callable[[Callable[[], Any]], Awaitable[Any]]
) -> None:
    """``GET /api/v1/runs/RUN/record``; ``in_thread`` bounds how many are answered at once."""

    @app.get("/api/v1/runs/{run:path}/record")
    async def record(run: str) -> Response:
        try:
            found = await in_thread(partial(desk.run_record, run))
        except JournalError as error:
            return problem(
                503,
                f"The record can't be read now: {error.what}.",
                "Try again; if it stays, look at the daemon's log. Recording goes on.",
                code="record-unreadable",
            )
        if found is None:
            return no_such_run(run)
        return json_response(found)
