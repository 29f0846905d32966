"""What went wrong, as RFC 9457 problem details: what, where, and what to do about it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

from pydantic import ValidationError
from starlette.responses import Response

from logger.core.actions.faults import faults

MEDIA_TYPE = "application/problem+json"


def plain_json(value: Any) -> str:
    """JSON in ASCII; a number that JSON cannot say (NaN, infinity) becomes null."""
    try:
        return json.dumps(value, allow_nan=False, separators=(",", ":"))
    except ValueError:
        return json.dumps(_finite(value), allow_nan=False, separators=(",", ":"))


def _finite(value: Any) -> Any:
    if isinstance(value, float):
        return value if value - value == 0.0 else None
    if isinstance(value, Mapping):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(item) for item in value]
    return value


def json_response(value: Any, status: int = 200) -> Response:
    """A JSON answer that never fails on a figure that is not finite."""
    return Response(plain_json(value), status, media_type="application/json")


def details(status: int, detail: str, do: str, *, code: str, **more: Any) -> dict[str, Any]:
    """RFC 9457 problem details. ``code`` names the problem for programs, ``do`` is the remedy for people."""
    return {
        "type": "about:blank",
        "title": HTTPStatus(status).phrase,
        "status": status,
        "detail": detail,
        "code": code,
        "do": do,
        **more,
    }


def problem_response(body: Mapping[str, Any], headers: Mapping[str, str] | None = None) -> Response:
    """Problem details as an answer of HTTP."""
    return Response(plain_json(body), body["status"], headers=dict(headers or {}), media_type=MEDIA_TYPE)


def problem(
    status: int,
    detail: str,
    do: str,
    *,
    code: str,
    headers: Mapping[str, str] | None = None,
    **more: Any,
) -> Response:
    """`details` as an answer of HTTP."""
    return problem_response(details(status, detail, do, code=code, **more), headers)


def invalid(error: ValidationError) -> dict[str, Any]:
    """422: every fault of an action at once, each with its place, message and remedy."""
    listed = faults(error)
    return details(
        422,
        "; ".join(f"{fault['place']}: {fault['message']}" for fault in listed),
        "Put right what is listed under errors and send it again; nothing was changed.",
        code="invalid-action",
        errors=listed,
    )


def fault(place: str, message: str, remedy: str) -> dict[str, Any]:
    """422 with one fault, found before the schema was asked."""
    return details(
        422,
        f"{place}: {message}",
        remedy,
        code="invalid-action",
        errors=[{"place": place, "message": message, "remedy": remedy}],
    )


def wrong_body(error: ValidationError) -> Response:
    """422: a body that is JSON, and not what is asked for. Nothing that was sent is repeated."""
    words = "; ".join(
        f"{'.'.join(map(str, each['loc'])) or 'body'}: {each['msg']}"
        for each in error.errors(include_url=False, include_input=False)
    )
    return problem(422, words, "Put that right and send it again.", code="invalid-request")
