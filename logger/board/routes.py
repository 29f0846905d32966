"""The page and the HTTP API under /api/v1. Reads never change anything; POST /actions is the one door in."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from functools import partial
from typing import Any, TypeVar

import anyio
import anyio.to_thread
from fastapi import FastAPI, Request
from sse_starlette import EventSourceResponse
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from logger.board.access import HERE, Access
from logger.board.audit import Audit
from logger.board.codes import Codes
from logger.board.desk import Desk
from logger.board.door import MOST_BODY, hear, too_long
from logger.board.follower_routes import Followers, add_follower_routes
from logger.board.guard import PAGE, Caller, Door, Guard
from logger.board.hosts import Hosts
from logger.board.hub import Hub, TooManyViewersError
from logger.board.logins import Give, Porter, add_log_in_routes
from logger.board.metrics import add_metrics_route
from logger.board.observed import Observer
from logger.board.probes import add_probe_routes
from logger.board.problems import json_response, problem, problem_response
from logger.board.report_routes import add_report_routes
from logger.board.roles import Role
from logger.board.run_routes import add_run_routes
from logger.board.sessions import Sessions
from logger.board.static_files import PAGES, StaticFile, read_all
from logger.board.throttle import Throttle
from logger.board.weigh_ups import add_weigh_up_routes
from logger.board.wires import Wires, add_wire_routes
from logger.core.actions.schema import schema
from logger.core.strips import MOST_MINUTES

BODY_TIMEOUT_S = 10.0
T = TypeVar("T")


class BodyError(Exception):
    """The body cannot be taken; the answer says why."""

    def __init__(self, answer: Response) -> None:
        super().__init__()
        self.answer = answer


def build(
    desk: Desk,
    hub: Hub,
    *,
    port: int,
    token: str,
    version: str,
    token_file: str = "",
    wires: Wires | None = None,
    observer: Observer | None = None,
    followers: Followers | None = None,
    access: Access = HERE,
) -> Guard:
    """The whole application: routes inside, guard around them."""
    app = FastAPI(title="Tallydeck", version=version, docs_url=None, redoc_url=None, openapi_url=None)
    sessions, audit = Sessions(), Audit()
    guard = Guard(
        app,
        port=port,
        hosts=Hosts(port, access.names, https=access.https),
        token=token,
        sessions=sessions,
        audit=audit,
        door=Door(not access.for_network, access.log_in, access.guests, access.https),
        token_file=token_file,
    )
    porter = Porter(Codes(access.operator_code, access.guest_code), sessions, Throttle(), audit)
    give = _page_routes(app, read_all(), sessions, guard)
    add_log_in_routes(app, guard, porter, give=give, body=_body_or_answer, in_thread=_threads(1))
    add_weigh_up_routes(app, desk, _threads(2), _threads(1))
    add_run_routes(app, desk, _threads(2))
    add_report_routes(app, desk, _threads(1))
    _read_routes(app, desk, hub, sessions)
    _action_route(app, desk, audit)
    if wires is not None:
        add_wire_routes(app, wires, _body_or_answer, _threads(4))
    add_probe_routes(app, desk, hub, followers, _threads(2))
    if observer is not None:
        add_metrics_route(app, observer, _threads(1))
    if followers is not None:
        add_follower_routes(app, followers, _body_or_answer, _threads(2))
    app.add_exception_handler(HTTPException, _http_error)
    app.add_exception_handler(Exception, _unexpected)
    return guard


def _page_routes(app: FastAPI, pages: dict[str, StaticFile], sessions: Sessions, guard: Guard) -> Give:
    def give(request: Request, name: str) -> Response:
        page = pages.get(name)
        if page is None:
            raise HTTPException(404)
        headers = {"ETag": page.etag, "Cache-Control": "no-cache"}
        if request.headers.get("if-none-match") == page.etag:
            return Response(status_code=304, headers=headers)
        return Response(page.body, headers=headers, media_type=page.media_type)

    async def page(request: Request) -> Response:
        caller: Caller = request.scope["state"]["caller"]
        if not guard.door.here and caller.role is Role.ANYONE:
            return RedirectResponse("/log-in", 303)
        answer = give(request, PAGES[request.url.path])
        answer.headers["Cache-Control"] = "no-store"
        looks_only = request.scope["state"].get("head", False)  # a monitor's: it keeps no cookie
        if guard.door.here and caller.who != PAGE and not looks_only:
            guard.give_cookie(answer, guard.cookie, sessions.open())
        return answer

    for path in PAGES:
        app.add_api_route(path, page)

    @app.get("/static/{name}")
    async def static(request: Request, name: str) -> Response:
        return give(request, name)

    return give


def _read_routes(app: FastAPI, desk: Desk, hub: Hub, sessions: Sessions) -> None:
    in_thread = _threads(4)

    @app.get("/api/v1/state")
    async def state() -> Response:
        return json_response(desk.snapshot())

    @app.get("/api/v1/events")
    async def events(request: Request) -> Response:
        caller: Caller = request.scope["state"]["caller"]

        def still() -> bool:
            return not caller.key or sessions.get(caller.key) is not None

        try:
            stream = hub.join(request.headers.get("last-event-id", ""), still)
        except TooManyViewersError:
            return problem(
                503,
                "As many viewers as the board allows are watching.",
                "Close a page that nobody looks at, then try again.",
                code="too-many-viewers",
                headers={"Retry-After": "5"},
            )
        return EventSourceResponse(
            stream, ping=15, send_timeout=30, headers={"X-Accel-Buffering": "no", "Cache-Control": "no-store"}
        )

    @app.get("/api/v1/lots")
    async def lots() -> Response:
        return json_response(await in_thread(desk.lots))

    @app.get("/api/v1/runs")
    async def runs() -> Response:
        return json_response(await in_thread(desk.runs))

    @app.get("/api/v1/said")
    async def said() -> Response:
        return json_response(await in_thread(desk.said))

    @app.get("/api/v1/alarms")
    async def alarms() -> Response:
        return json_response(await in_thread(desk.alarms))

    @app.get("/api/v1/stations/{station:path}/strips")
    async def strips(request: Request, station: str) -> Response:
        told = request.query_params.get("minutes", "10")
        if not (told.isascii() and told.isdecimal() and len(told) <= 4) or not 1 <= int(told) <= MOST_MINUTES:
            return problem(
                422,
                f"minutes is {told[:20]!r}.",
                f"Ask for 1 to {MOST_MINUTES} minutes.",
                code="bad-minutes",
            )
        found = await in_thread(partial(desk.strips, station, int(told)))
        if found is None:
            return problem(
                404,
                f"There is no station named {station!r}.",
                "Look at /api/v1/state for the stations there are.",
                code="no-such-station",
            )
        return json_response(found)

    @app.get("/api/v1/runs/{run:path}/tally")
    async def tally(run: str) -> Response:
        found = await in_thread(partial(desk.tally, run))
        if found is None:
            return problem(
                404,
                f"There is no run named {run!r}.",
                "Look at /api/v1/runs for the runs there are.",
                code="no-such-run",
            )
        return json_response(found)


def _action_route(app: FastAPI, desk: Desk, audit: Audit) -> None:
    in_thread = _threads(8)
    described = schema()

    @app.get("/api/v1/actions/schema")
    async def actions_schema() -> Response:
        return json_response(described)

    @app.post("/api/v1/actions")
    async def actions(request: Request) -> Response:
        try:
            body = await _body(request)
        except BodyError as error:
            return error.answer
        caller: Caller = request.scope["state"]["caller"]
        heard = await in_thread(partial(hear, desk, body, caller.who, bound=caller.bound))
        audit.acted(caller.who, caller.address, heard)
        return json_response(heard.body) if heard.status == 200 else problem_response(heard.body)


async def _body(request: Request) -> bytes:
    """The body, bounded in size and time. Raises BodyError."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/json":
        raise BodyError(
            problem(
                415, "An action is JSON.", 'Send it as "Content-Type: application/json".', code="not-json"
            )
        )
    body = bytearray()
    try:
        async with asyncio.timeout(BODY_TIMEOUT_S):
            async for chunk in request.stream():
                body += chunk
                if len(body) > MOST_BODY:
                    raise BodyError(problem_response(too_long().body, {"Connection": "close"}))
    except TimeoutError:
        raise BodyError(
            problem(
                408,
                "The body did not arrive in time.",
                "Send it again.",
                code="slow",
                headers={"Connection": "close"},
            )
        ) from None
    return bytes(body)


async def _body_or_answer(request: Request) -> bytes | Response:
    try:
        return await _body(request)
    except BodyError as error:
        return error.answer


def _threads(most: int) -> Callable[[Callable[[], T]], Any]:
    """A way to run what blocks, at most so many at a time, so that one door cannot close another."""
    limiter: list[anyio.CapacityLimiter] = []

    async def run(work: Callable[[], T]) -> T:
        if not limiter:  # a limiter belongs to the event loop it is made in
            limiter.append(anyio.CapacityLimiter(most))
        return await anyio.to_thread.run_sync(work, limiter=limiter[0], abandon_on_cancel=True)

    return run


async def _http_error(request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 500
    return problem(
        status,
        f"{request.method} {request.url.path} is not served here.",
        "Look at the list of addresses in the manual.",
        code="not-served",
    )


async def _unexpected(request: Request, error: Exception) -> Response:
    return problem(
        500,
        f"{request.method} {request.url.path} failed inside the daemon.",
        "The daemon's log says more; recording goes on.",
        code="failed",
        headers={"Connection": "close"},  # the server drops the connection after a fault; say so first
    )
