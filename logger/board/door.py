"""The one door in, however an action comes: text in, the action taken or refused, the answer's words out."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, replace
from typing import Any

from pydantic import ValidationError

from logger.board.desk import Desk
from logger.board.problems import details, fault, invalid

MOST_BODY = 64 * 1024
MOST_NAME = 80  # of who says it, as the schema of actions has it


@dataclass(frozen=True, slots=True)
class Heard:
    """What became of it: an HTTP status, and plain JSON (an answer, or RFC 9457 problem details).

    ``action``: its kind, where it was read so far.
    """

    status: int
    body: dict[str, Any]
    action: str = ""


def hear(desk: Desk, text: bytes, who: str, *, bound: bool = False) -> Heard:
    """Read an action's JSON, have it taken, and say what became of it. Blocks: call in a thread.

    ``bound``: ``who`` has logged in, so that it stays beside the name an action carries itself.
    """
    try:
        action = json.loads(text.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        return _problem(fault("body", f"this is not JSON: {error}", "send one JSON object"))
    if not isinstance(action, dict):
        return _problem(fault("body", "an action is a JSON object", 'send {"action": …}'))
    if bound and isinstance(said := action.get("who"), str) and len(said) <= MOST_NAME:
        del action["who"]
        who = f"{said} ({who})" if said.strip() else who
    return replace(_submit(desk, action, who), action=str(action.get("action", ""))[:40])


def _submit(desk: Desk, action: dict[str, Any], who: str) -> Heard:
    try:
        answer = desk.submit(action, who)
    except ValidationError as error:
        return _problem(invalid(error))
    except TimeoutError:
        return _problem(
            details(
                504,
                "The recording loop did not answer in time; the action may still be taken.",
                "Send it again with the same id: it is never taken twice.",
                code="no-answer-in-time",
            )
        )
    if not answer.accepted:
        return _problem(
            details(
                409,
                answer.reason or "The action was refused.",
                "Nothing was changed; put right what the reason says and send it again.",
                code="refused",
                answer=asdict(answer),
            )
        )
    return Heard(200, asdict(answer))


def too_long() -> Heard:
    """The answer to more than `MOST_BODY` bytes."""
    return _problem(
        details(
            413,
            f"The body is longer than {MOST_BODY} bytes.",
            "Send a shorter action; a note holds 2000 characters.",
            code="too-long",
        )
    )


def _problem(body: dict[str, Any]) -> Heard:
    return Heard(body["status"], body)
