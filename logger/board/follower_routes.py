"""What takes the record elsewhere, over the API: how it stands, what it set aside, and sending again.

GET /api/v1/followers, GET /api/v1/followers/NAME/aside (newest first, ``?limit=…``), and
POST /api/v1/followers/NAME/again with ``{"run": …}``, ``{"lot": …}`` or ``{"from": TIME, "to": TIME}``.
"""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable
from functools import partial
from typing import Any, Protocol, TypeAlias

from fastapi import FastAPI, Request
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator
from starlette.responses import Response

from logger.board.problems import json_response, problem
from logger.core.walltime import parse_rfc3339

InThread: TypeAlias = Callable[[Callable[[], Any]], Awaitable[Any]]
ReadBody: TypeAlias = Callable[[Request], Awaitable[bytes | Response]]
ASIDE, MOST_ASIDE = 100, 10_000


class FollowerRefused(Exception):
    """What is asked for can't be done: why, and what to do. ``status`` is HTTP's."""

    def __init__(self, status: int, code: str, detail: str, do: str) -> None:
        super().__init__(detail)
        self.status, self.code, self.detail, self.do = status, code, detail, do


class Again(BaseModel):
    """What is to be sent again: a run, all runs of a lot, or a stretch of time (both ends told)."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    run: str | None = Field(default=None, min_length=1, max_length=200)
    lot: str | None = Field(default=None, min_length=1, max_length=200)
    start: str | None = Field(default=None, alias="from", max_length=40)
    end: str | None = Field(default=None, alias="to", max_length=40)

    @model_validator(mode="after")
    def _one_of_them(self) -> Again:
        stretch = (self.start is not None) + (self.end is not None)
        if (self.run is not None) + (self.lot is not None) + (stretch > 0) != 1 or stretch == 1:
            raise ValueError("give a run, or a lot, or both from and to")
        return self

    def stretch_ns(self) -> tuple[int, int]:
        """From and to in ns of station time; ValueError where one is no time, or they stand the wrong way."""
        from_ns, to_ns = parse_rfc3339(self.start or ""), parse_rfc3339(self.end or "")
        if to_ns < from_ns:
            raise ValueError("to is before from")
        return from_ns, to_ns


class Followers(Protocol):
    """What the board needs of them. All of it blocks: call in a thread. FollowerRefused."""

    def standings(self) -> list[dict[str, Any]]:
        """How each one stands, as plain JSON."""

    def aside(self, name: str, limit: int) -> list[dict[str, Any]]:
        """What it set aside, the newest first."""

    def again(self, name: str, what: Again) -> int:
        """Have that sent again; how many entries were put back."""


def add_follower_routes(app: FastAPI, followers: Followers, body: ReadBody, in_thread: InThread) -> None:
    """The three routes, on an application that is guarded already."""

    @app.get("/api/v1/followers")
    async def standings() -> Response:
        return json_response(await in_thread(followers.standings))

    @app.get("/api/v1/followers/{name}/aside")
    async def aside(name: str, request: Request) -> Response:
        asked = request.query_params.get("limit", str(ASIDE))
        if not (asked.isascii() and asked.isdecimal() and 1 <= int(asked[:9]) <= MOST_ASIDE):
            return problem(
                422,
                f"limit: found {asked[:60]!r}; allowed: 1 to {MOST_ASIDE}",
                "Ask again with what is allowed.",
                code="invalid-query",
            )
        return await _answer(in_thread, partial(followers.aside, name, int(asked)))

    @app.post("/api/v1/followers/{name}/again")
    async def again(name: str, request: Request) -> Response:
        raw = await body(request)
        if isinstance(raw, Response):
            return raw
        try:
            what = Again.model_validate(json.loads(raw.decode("utf-8")))
            if what.start is not None:
                what.stretch_ns()
        except ValidationError as error:
            listed = error.errors(include_url=False, include_input=False)
            words = [f"{'.'.join(map(str, each['loc'])) or 'body'}: {each['msg']}" for each in listed]
            return _wrong("; ".join(words))
        except (ValueError, RecursionError) as error:
            return _wrong(f"{error}")
        return await _answer(in_thread, partial(_put_back, followers, name, what))


def _put_back(followers: Followers, name: str, what: Again) -> dict[str, Any]:
    return {"follower": name, "put_back": followers.again(name, what)}


async def _answer(in_thread: InThread, work: Callable[[], Any]) -> Response:
    try:
        return json_response(await in_thread(work))
    except FollowerRefused as refused:
        return problem(refused.status, f"{refused.detail}.", refused.do, code=refused.code)
    except TimeoutError as error:
        return problem(503, f"{error}.", "Try again; if it stays so, look at /readyz.", code="no-answer")


def _wrong(detail: str) -> Response:
    return problem(
        422,
        detail,
        'Send one JSON object like {"run": "run-3"} or {"from": "2026-03-02T06:10:00Z", '
        '"to": "2026-03-02T07:30:00Z"}.',
        code="invalid-request",
    )
