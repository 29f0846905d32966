"""The daemon seen from another process on the same machine: what the command line talks through."""

from __future__ import annotations

import json
import ssl
import uuid
from collections.abc import Mapping
from dataclasses import fields
from http.client import HTTPException
from typing import Any
from urllib.error import HTTPError, URLError
from urllib.parse import quote
from urllib.request import BaseHandler, HTTPSHandler, ProxyHandler, Request, build_opener

from logger.board.desk import Answer

MOST_ANSWER = 64 * 1024 * 1024


class ClientError(Exception):
    """What went wrong, where, and what to do. ``status`` is the HTTP status, 0 where none came.

    ``errors`` lists the faults of an action, each with ``place``, ``message`` and ``remedy``.
    """

    def __init__(
        self, what: str, where: str, do: str, *, status: int = 0, errors: list[dict[str, str]] | None = None
    ) -> None:
        super().__init__(f"{what} (at {where}). {do}")
        self.what, self.where, self.do = what, where, do
        self.status = status
        self.errors = errors or []


class DaemonClient:
    """Reads and acts through a running daemon's HTTP API. No proxy, no redirect.

    ``certificate``: the board's own, as PEM, where it is served over https; nothing else is believed then.
    """

    def __init__(self, base_url: str, token: str, *, timeout_s: float = 10.0, certificate: str = "") -> None:
        self._base = base_url.rstrip("/")
        self._token = token
        self._timeout_s = timeout_s
        handlers: list[BaseHandler] = [ProxyHandler({})]
        if base_url.startswith("https://"):
            handlers.append(HTTPSHandler(context=_only(certificate)))
        self._opener = build_opener(*handlers)

    def state(self) -> dict[str, Any]:
        """The newest snapshot."""
        return dict(self._ask("/api/v1/state"))

    def lots(self) -> list[dict[str, Any]]:
        """All lots, newest first."""
        return list(self._ask("/api/v1/lots"))

    def runs(self) -> list[dict[str, Any]]:
        """All runs, newest first."""
        return list(self._ask("/api/v1/runs"))

    def said(self) -> list[dict[str, Any]]:
        """What was said and can be corrected, newest first, with its history."""
        return list(self._ask("/api/v1/said"))

    def alarms(self) -> dict[str, Any]:
        """Every alarm there could be, its state and what is counted of it."""
        return dict(self._ask("/api/v1/alarms"))

    def tally(self, run: str) -> dict[str, Any]:
        """The tally of a run; ClientError with status 404 where there is no such run."""
        return dict(self._ask(f"/api/v1/runs/{quote(run, safe='')}/tally"))

    def weigh_up(self, run: str) -> dict[str, Any]:
        """The weigh-up of a run as a document; ClientError, 404 where there is no such run."""
        return dict(self._ask(f"/api/v1/runs/{quote(run, safe='')}/weigh-up"))

    def lot_weigh_up(self, lot: str) -> dict[str, Any]:
        """The weigh-up of a lot over all its runs; ClientError, 404 where there is no such lot or no run."""
        return dict(self._ask(f"/api/v1/lots/{quote(lot, safe='')}/weigh-up"))

    def balance(self, run: str, method: str = "auto") -> dict[str, Any]:
        """The balance of a run, as `balance.result.Result.to_json` has it; ClientError as `weigh_up`."""
        return dict(self._ask(f"/api/v1/runs/{quote(run, safe='')}/balance?method={quote(method)}"))

    def lot_balance(self, lot: str, method: str = "auto") -> dict[str, Any]:
        """The balance of a lot over all its runs; ClientError as `lot_weigh_up`."""
        return dict(self._ask(f"/api/v1/lots/{quote(lot, safe='')}/balance?method={quote(method)}"))

    def scales(self) -> list[dict[str, Any]]:
        """Every scale with its plate, its check weights and their verdicts, its drift and its warnings."""
        return list(self._ask("/api/v1/scales"))

    def followers(self) -> list[dict[str, Any]]:
        """Everything that takes the record elsewhere, and how it stands."""
        return list(self._ask("/api/v1/followers"))

    def follower_aside(self, name: str, limit: int = 100) -> list[dict[str, Any]]:
        """What a follower set aside, newest first; ClientError, 404 where there is no such follower."""
        return list(self._ask(f"/api/v1/followers/{quote(name, safe='')}/aside?limit={limit}"))

    def send_again(self, name: str, what: Mapping[str, Any]) -> int:
        """Have a run, a lot or a stretch (``from``, ``to``) sent again; how many entries were put back.

        ClientError: 404 where there is no such follower, run or lot, 422 where a time is none.
        """
        return int(self._ask(f"/api/v1/followers/{quote(name, safe='')}/again", what)["put_back"])

    def submit(self, action: Mapping[str, Any]) -> Answer:
        """Have an action entered. A refusal is an Answer too (``accepted`` False).

        An action without an id is given one, so that it may be sent again without being taken twice.
        Raises ClientError where it does not fit its schema (``errors``) or no answer came.
        """
        body = {**action, "id": action.get("id") or str(uuid.uuid4())}
        try:
            return _answer(self._ask("/api/v1/actions", body))
        except _RefusedError as refusal:
            return refusal.answer

    def _ask(self, path: str, body: Mapping[str, Any] | None = None) -> Any:
        where = self._base + path
        if not self._base.startswith(("http://", "https://")):
            raise ClientError(
                f"{self._base!r} is no address of a daemon", where, "It begins with http:// or https://."
            )
        request = Request(where, headers={"Authorization": f"Bearer {self._token}"})  # noqa: S310 - checked
        if body is not None:
            request.data = json.dumps(body).encode()
            request.add_header("Content-Type", "application/json")
        try:
            with self._opener.open(request, timeout=self._timeout_s) as answer:
                return json.loads(answer.read(MOST_ANSWER))
        except HTTPError as error:
            with error:
                raise _from_problem(error, where) from None
        except TimeoutError:
            raise _silent(where, self._timeout_s) from None
        except URLError as error:
            if isinstance(error.reason, TimeoutError):
                raise _silent(where, self._timeout_s) from None
            raise ClientError(
                f"No daemon answers: {error.reason}", where, "Start it, or check the address and port."
            ) from None
        except (OSError, HTTPException, ValueError) as error:
            raise ClientError(
                f"The answer broke off or is not the daemon's: {error}",
                where,
                "Check that the port is the daemon's, and look at its log.",
            ) from None


def _only(certificate: str) -> ssl.SSLContext:
    """Believes this certificate by whatever name it is reached, and no other. ClientError."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False  # this very certificate says more than a name in one
    context.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
    try:
        context.load_verify_locations(certificate)
    except (OSError, ValueError) as error:
        raise ClientError(
            f"The board's certificate can't be read: {error}",
            certificate or "no file",
            "Look at certificate_file at [board].",
        ) from None
    return context


class _RefusedError(Exception):
    def __init__(self, answer: Answer) -> None:
        super().__init__(answer.reason)
        self.answer = answer


def _silent(where: str, timeout_s: float) -> ClientError:
    return ClientError(
        f"The daemon took the call but gave no answer within {timeout_s:g} s",
        where,
        "It may still have been done; look at the state before sending it again.",
    )


def _answer(given: Mapping[str, Any]) -> Answer:
    known = {field.name for field in fields(Answer)}
    return Answer(**{name: value for name, value in given.items() if name in known})


def _from_problem(error: HTTPError, where: str) -> Exception:
    try:
        told = json.loads(error.read(MOST_ANSWER))
    except (OSError, HTTPException, ValueError):
        told = None
    if not isinstance(told, dict) or "detail" not in told:
        return ClientError(
            f"An answer came (status {error.code}) that is not the daemon's",
            where,
            "Check that the port is the daemon's.",
            status=error.code,
        )
    if error.code == 409 and isinstance(told.get("answer"), dict):
        return _RefusedError(_answer(told["answer"]))
    do = str(told.get("do", ""))
    if error.code == 401:
        do = "Read the token file again: the daemon makes a new token when the file is missing."
    return ClientError(str(told["detail"]), where, do, status=error.code, errors=told.get("errors"))
