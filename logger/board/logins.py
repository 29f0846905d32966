"""Logging in and out: the page with its keys, POST /api/v1/log-in and /api/v1/log-out, GET /api/v1/me."""

from __future__ import annotations

import json
import math
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, TypeAlias, TypeVar

from fastapi import FastAPI, Request
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from starlette.responses import RedirectResponse, Response

from logger.board.audit import Audit
from logger.board.codes import MOST_TYPED, Codes
from logger.board.problems import json_response, problem, wrong_body
from logger.board.roles import Role
from logger.board.sessions import SEE_AGE_S, Sessions
from logger.board.throttle import Throttle

if TYPE_CHECKING:
    from logger.board.guard import Caller, Guard

InThread: TypeAlias = Callable[[Callable[[], Any]], Awaitable[Any]]
ReadBody: TypeAlias = Callable[[Request], Awaitable[bytes | Response]]
Give: TypeAlias = Callable[[Request, str], Response]
"""Answers with one of the page's own files."""
T = TypeVar("T", bound=BaseModel)
ROLE_NAMES = {Role.ANYONE: "nobody", Role.GUEST: "guest", Role.OPERATOR: "operator"}


class LogIn(BaseModel):
    """``name``: who it is, as the record shall have it; left out, the role."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)
    code: str = Field(min_length=1, max_length=MOST_TYPED)
    name: str = Field(default="", max_length=40, pattern=r"^[^\x00-\x1f\x7f-\x9f\u2028\u2029@]*$")


class LogOut(BaseModel):
    """``everywhere``: all sessions of everybody end, and every device is a stranger again."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)
    everywhere: bool = False


@dataclass(frozen=True, slots=True)
class Porter:
    """What a log-in needs: who knows the codes, keeps the sessions, slows tries down and writes it up."""

    codes: Codes
    sessions: Sessions
    throttle: Throttle
    audit: Audit


def add_log_in_routes(
    app: FastAPI, guard: Guard, porter: Porter, *, give: Give, body: ReadBody, in_thread: InThread
) -> None:
    """Add them to a guarded application. ``in_thread``: one at a time, since each try takes 16 MiB."""

    @app.get("/log-in")
    async def log_in_page(request: Request) -> Response:
        return give(request, "login.html") if guard.door.log_in else RedirectResponse("/", 303)

    @app.get("/api/v1/me")
    async def me(request: Request) -> Response:
        caller: Caller = request.scope["state"]["caller"]
        return json_response(_me(guard, caller))

    @app.post("/api/v1/log-in")
    async def log_in(request: Request) -> Response:
        if not guard.door.log_in:
            return _no_log_in()
        said = await _read(request, body, LogIn)
        if isinstance(said, Response):
            return said
        return await _log_in(request.scope["state"]["caller"], said, guard, porter, in_thread)

    @app.post("/api/v1/log-out")
    async def log_out(request: Request) -> Response:
        said = await _read(request, body, LogOut)
        if isinstance(said, Response):
            return said
        caller: Caller = request.scope["state"]["caller"]
        if said.everywhere and caller.role < Role.OPERATOR:
            return problem(403, "Only operators end all sessions.", "Log in as operator.", code="not-yours")
        return _log_out(caller, said, guard, porter)


def _me(guard: Guard, caller: Caller) -> dict[str, Any]:
    return {
        "who": caller.who,
        "role": ROLE_NAMES[caller.role],
        "may_act": caller.role >= Role.OPERATOR,
        "logged_in": caller.bound,
        "log_in": guard.door.log_in,
        "https": guard.door.https,
    }


async def _log_in(caller: Caller, said: LogIn, guard: Guard, porter: Porter, in_thread: InThread) -> Response:
    throttle, audit = porter.throttle, porter.audit
    if (wait_s := throttle.wait_s(caller.address, caller.device)) > 0:
        audit.too_fast(caller.address)
        return _wait(429, "A wrong code was typed too often.", wait_s, "too-fast")
    throttle.wrong(caller.address, caller.device)
    role = await in_thread(partial(porter.codes.role_of, said.code))
    if role is None:
        wait_s = throttle.wait_s(caller.address, caller.device)
        audit.wrong_code(caller.address, wait_s)
        return _wait(401, "This code is not right.", wait_s, "wrong-code")
    throttle.right(caller.address, caller.device, clean=role is Role.OPERATOR)
    if caller.key:
        porter.sessions.close(caller.key)
    name = said.name.strip() or ROLE_NAMES[role]
    who = f"{name}@{caller.address}"
    audit.logged_in(who, ROLE_NAMES[role], caller.address)
    answer = json_response({"who": who, "role": ROLE_NAMES[role], "may_act": role >= Role.OPERATOR})
    guard.give_cookie(answer, guard.cookie, porter.sessions.open(role, name, here=False), SEE_AGE_S)
    guard.give_cookie(answer, guard.device_cookie, porter.sessions.know(caller.device), SEE_AGE_S)
    return answer


def _log_out(caller: Caller, said: LogOut, guard: Guard, porter: Porter) -> Response:
    ended = 0
    if said.everywhere:
        ended = porter.sessions.close_all()
    elif caller.key:
        porter.sessions.close(caller.key)
        ended = 1
    if ended:
        porter.audit.logged_out(caller.who, caller.address, ended)
    answer = json_response({"ended": ended})
    answer.delete_cookie(guard.cookie, path="/", secure=guard.door.https, httponly=True, samesite="strict")
    return answer


async def _read(request: Request, body: ReadBody, model: type[T]) -> T | Response:
    raw = await body(request)
    if isinstance(raw, Response):
        return raw
    try:
        return model.model_validate(json.loads(raw.decode("utf-8")))
    except ValidationError as error:
        return wrong_body(error)
    except (ValueError, RecursionError) as error:
        return problem(422, f"This is not JSON: {error}", "Send one JSON object.", code="invalid-request")


def _wait(status: int, detail: str, wait_s: float, code: str) -> Response:
    """A try that came to nothing, and how long the next one has to wait."""
    seconds = math.ceil(wait_s)
    do = f"Wait {seconds} s, then type it again." if seconds else "Type it again."
    headers = {"Retry-After": str(seconds)} if seconds else {}
    if status == 401:
        headers["WWW-Authenticate"] = 'Bearer realm="tallydeck"'
    return problem(status, detail, do, code=code, headers=headers, wait_s=seconds)


def _no_log_in() -> Response:
    return problem(
        404,
        "There is no log-in on this board: it is served on this computer only.",
        "Open the board's page.",
        code="no-log-in",
    )
