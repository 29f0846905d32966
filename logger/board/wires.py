"""Commissioning over the API: GET /api/v1/wires, POST /api/v1/wires/listen and /api/v1/wires/find.

What they do blocks for seconds, so it runs in threads of its own, and the bench behind it does one at a
time. A search sends nothing unless it is told ``"silent": false``.
"""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable
from functools import partial
from typing import Annotated, Any, Protocol, TypeVar

from fastapi import FastAPI, Request
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator
from starlette.responses import Response

from logger.board.problems import json_response, problem, wrong_body
from logger.ports.bench import WireRefused

T = TypeVar("T")
InThread = Callable[[Callable[[], T]], Awaitable[T]]
ReadBody = Callable[[Request], Awaitable[bytes | Response]]
"""A request's body, or what to answer where it can't be taken."""

STATUS = {
    "held": 409,
    "busy": 409,
    "no-wire": 422,
    "wrong-setting": 422,
    "no-port": 503,
    "not-found-in-time": 504,
}
MOST_ASKED = 8


class Wires(Protocol):
    """What the board needs for it; see `ports.bench.WireBench`. All of them raise WireRefused."""

    def list(self) -> list[dict[str, Any]]: ...

    def listen(self, port: str, baud: int, framing: str, seconds: float, send: bytes) -> dict[str, Any]: ...

    def find(
        self,
        port: str,
        *,
        silent: bool,
        ask: tuple[bytes, ...],
        baud: int | None,
        framing: str | None,
        seconds: float,
        name: str,
        unit: str | None,
    ) -> dict[str, Any]: ...


class _Body(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)
    port: str = Field(min_length=2, max_length=500)


class ListenBody(_Body):
    """``send``: characters up to U+00FF, one byte each."""

    baud: int = Field(default=9600, ge=50, le=4_000_000)
    format: str = Field(default="8N1", max_length=5)
    seconds: float = Field(default=5.0, gt=0, le=30)
    send: str = Field(default="", max_length=64)


class FindBody(_Body):
    """``seconds`` bounds the whole search; ``ask`` are the only requests sent, where there are any;
    otherwise nothing is, unless ``silent`` is false."""

    silent: bool | None = None
    ask: list[Annotated[str, Field(min_length=1, max_length=32)]] = Field(default=[], max_length=MOST_ASKED)
    baud: int | None = Field(default=None, ge=50, le=4_000_000)
    format: str | None = Field(default=None, max_length=5)
    seconds: float = Field(default=60.0, ge=5, le=180)
    name: str = Field(default="scale", min_length=1, max_length=40, pattern=r"^\w(?:[\w-]*\w)?$")
    unit: str | None = Field(default=None, max_length=8)

    @model_validator(mode="after")
    def _silent_or_ask(self) -> FindBody:
        if self.silent and self.ask:
            raise ValueError("silent sends nothing, so ask can't come with it")
        return self


def add_wire_routes(app: FastAPI, wires: Wires, body: ReadBody, in_thread: InThread[Any]) -> None:
    """The three routes, on an application that is guarded already."""

    @app.get("/api/v1/wires")
    async def wire_list() -> Response:
        return json_response(await in_thread(wires.list))

    @app.post("/api/v1/wires/listen")
    async def wire_listen(request: Request) -> Response:
        def work(said: Any) -> Any:
            return wires.listen(said.port, said.baud, said.format, said.seconds, said.send.encode("latin-1"))

        return await _answer(await body(request), ListenBody, work, in_thread)

    @app.post("/api/v1/wires/find")
    async def wire_find(request: Request) -> Response:
        def work(said: Any) -> Any:
            ask = tuple(text.encode("latin-1") for text in said.ask)
            return wires.find(
                said.port,
                silent=not ask if said.silent is None else said.silent,
                ask=ask,
                baud=said.baud,
                framing=said.format,
                seconds=said.seconds,
                name=said.name,
                unit=said.unit,
            )

        return await _answer(await body(request), FindBody, work, in_thread)


async def _answer(
    raw: bytes | Response, model: type[BaseModel], work: Callable[[Any], Any], in_thread: InThread[Any]
) -> Response:
    """Check the body, do the work in a thread, say what came of it."""
    if isinstance(raw, Response):
        return raw
    try:
        said = model.model_validate(json.loads(raw.decode("utf-8")))
    except ValidationError as error:
        return wrong_body(error)
    except (ValueError, RecursionError) as error:
        return problem(422, f"This is not JSON: {error}", "Send one JSON object.", code="invalid-request")
    try:
        return json_response(await in_thread(partial(work, said)))
    except UnicodeEncodeError:
        return problem(
            422,
            "Only characters up to U+00FF can be sent.",
            "Write bytes as \\u00XX.",
            code="invalid-request",
        )
    except WireRefused as refusal:
        return problem(STATUS[refusal.code], refusal.detail, refusal.do, code=refusal.code, **refusal.more)
