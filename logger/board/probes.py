"""GET /livez and /readyz, also under /api/v1: for whoever looks after the service. Open to all.

Alive is a board that answers. Ready is a daemon that records and watches: its loop turns, the journal can be
written, live figures are at hand. A follower that is behind costs nothing of that, so it is only listed.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from functools import partial
from typing import Any, TypeAlias

from fastapi import FastAPI
from starlette.responses import Response

from logger.board.desk import Desk
from logger.board.follower_routes import Followers
from logger.board.hub import Hub
from logger.board.problems import json_response, problem

InThread: TypeAlias = Callable[[Callable[[], Response]], Awaitable[Response]]
STALE_S = 5.0  # a snapshot older than this means the recording loop no longer turns
WELL = frozenset({"live", "starting"})


def add_probe_routes(
    app: FastAPI, desk: Desk, hub: Hub, followers: Followers | None, in_thread: InThread
) -> None:
    """Add both to an application that is guarded already."""

    @app.get("/livez")
    @app.get("/api/v1/livez")
    async def livez() -> Response:
        return json_response({"alive": True})

    @app.get("/readyz")
    @app.get("/api/v1/readyz")
    async def readyz() -> Response:
        age_s = round(hub.age_s(), 3)
        return await in_thread(partial(_ready, age_s, desk, followers))


def _ready(age_s: float, desk: Desk, followers: Followers | None) -> Response:
    recording = desk.snapshot().get("recording", {})
    standings = [] if followers is None else followers.standings()
    told: dict[str, Any] = {
        "age_s": age_s,
        "followers": {each["name"]: each["state"] for each in standings},
        "behind": [each["name"] for each in standings if each["state"] not in WELL],
    }
    if age_s > STALE_S:
        return problem(
            503,
            f"The newest figures are {age_s:.0f} s old: the recording loop does not turn.",
            "Look at the daemon's log and restart the daemon; the journal keeps what was committed.",
            code="stale",
            **told,
        )
    if recording.get("state") != "recorded":
        return problem(
            503,
            f"The journal can't be written: {recording.get('message') or 'nothing was written yet'}.",
            "Do what the message says; what comes meanwhile is held in memory.",
            code="not-recorded",
            **told,
        )
    if recording.get("message"):
        return problem(
            503,
            f"It records, but no alarm comes: {recording['message']}.",
            "Where the past is folded again, wait; else look at the daemon's log.",
            code="not-watching",
            **told,
        )
    return json_response({"ready": True, **told})
