"""What went wrong, as RFC 9457 problem details: what, where, and what to do about it."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from http import HTTPStatus
from typing import Any

from pydantic import ValidationError
from starlette.responses import Response

from logger.core.actions import BODY

MEDIA_TYPE = "application/problem+json"


def known_actions() -> list[str]:
    """The names of all actions, in the schema's order."""
    schema = BODY.json_schema()
    return list(schema["discriminator"]["mapping"])


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


def problem(
    status: int,
    detail: str,
    do: str,
    *,
    code: str,
    headers: Mapping[str, str] | None = None,
    **more: Any,
) -> Response:
    """An RFC 9457 answer. ``code`` names the problem for programs, ``do`` is the remedy for people."""
    body = {
        "type": "about:blank",
        "title": HTTPStatus(status).phrase,
        "status": status,
        "detail": detail,
        "code": code,
        "do": do,
        **more,
    }
    return Response(plain_json(body), status, headers=dict(headers or {}), media_type=MEDIA_TYPE)


def invalid(error: ValidationError) -> Response:
    """422: every fault of an action at once, each with its place, message and remedy."""
    faults = [
        {
            "place": _place(fault["loc"]),
            "message": fault["msg"].removeprefix("Value error, "),
            "remedy": _remedy(fault["type"], fault.get("ctx", {}), fault["loc"]),
        }
        for fault in error.errors(include_url=False, include_input=False)
    ]
    return problem(
        422,
        "; ".join(f"{fault['place']}: {fault['message']}" for fault in faults),
        "Put right what is listed under errors and send it again; nothing was changed.",
        code="invalid-action",
        errors=faults,
    )


def fault(place: str, message: str, remedy: str) -> Response:
    """422 with one fault, found before the schema was asked."""
    return problem(
        422,
        f"{place}: {message}",
        remedy,
        code="invalid-action",
        errors=[{"place": place, "message": message, "remedy": remedy}],
    )


def _place(loc: Sequence[int | str]) -> str:
    """The field's path; the schema's own first step is the action's name, which is not a field."""
    rest = loc[1:] if loc and loc[0] in known_actions() else loc
    return ".".join(str(step) for step in rest) or "action"


def _remedy(kind: str, ctx: Mapping[str, Any], loc: Sequence[int | str]) -> str:
    field = str(loc[-1]) if loc else "it"
    if kind in {"union_tag_invalid", "union_tag_not_found"}:
        return 'set "action" to one of: ' + ", ".join(known_actions())
    remedies = {
        "missing": f'give "{field}"',
        "extra_forbidden": f'take "{field}" out, or check how it is spelt',
        "string_type": "give text in quotation marks",
        "string_too_long": f"use at most {ctx.get('max_length')} characters",
        "string_too_short": "give at least one character",
        "string_pattern_mismatch": "use printable characters only",
        "timezone_aware": 'give the time with an offset, like "2030-05-04T14:05:00+02:00" or "…Z"',
        "less_than_equal": f"give at most {ctx.get('le')}",
        "greater_than_equal": f"give at least {ctx.get('ge')}",
        "greater_than": f"give more than {ctx.get('gt')}",
        "finite_number": "give a finite number",
        "literal_error": f"use one of {ctx.get('expected')}",
        "too_long": f"give at most {ctx.get('max_length')} of them",
    }
    if kind.startswith("datetime"):
        return remedies["timezone_aware"]
    if kind.startswith("float"):
        return 'give a number, or a quantity with its unit such as "412.5 kg" or "6 %"'
    return remedies.get(kind, "change it as the message says")
