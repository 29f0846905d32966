"""Who may talk to the board: host check, sessions, token, same-origin check, roles; headers on every answer.

Sources: RFC 9110 section 7.4 (misdirected requests), RFC 6750 (bearer tokens), RFC 6265 (cookies),
W3C Fetch Metadata (Sec-Fetch-Site), W3C Content Security Policy level 3.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass

from starlette.applications import Starlette
from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import cookie_parser
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from logger.board.audit import Audit
from logger.board.hosts import Hosts, client_address
from logger.board.problems import problem
from logger.board.roles import LEAST, Role, route_of
from logger.board.sessions import Sessions

PAGE = "board"  # who a session of the page on this computer is
CLIENT = "client"  # who a bearer of the token is

_POLICY = "Content-Security-Policy"  # an answer that is no page of the board's brings its own, stricter one
_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "form-action 'none'; base-uri 'none'; frame-ancestors 'none'; require-trusted-types-for 'script'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), usb=(), serial=()",
}
_STREAM = "/api/v1/events"


@dataclass(frozen=True, slots=True)
class Caller:
    """Who asks. ``key``: of the session, where there is one; ``device``: has logged in here before.

    ``bound``: logged in, so what is done is put down to this name, whatever else it says of itself.
    """

    role: Role
    who: str
    address: str
    key: str = ""
    device: str | None = None
    bound: bool = False


@dataclass(frozen=True, slots=True)
class Door:
    """How people come in. ``here``: the page, on this computer only, opens sessions by itself.

    ``log_in``: by code. ``guests``: whoever reaches the board may read.
    """

    here: bool = True
    log_in: bool = False
    guests: bool = False
    https: bool = False


class Guard:
    """Wraps the whole application; what it lets through carries ``who`` and ``caller`` in its state."""

    def __init__(
        self,
        app: Starlette,
        *,
        port: int,
        hosts: Hosts,
        token: str,
        sessions: Sessions,
        audit: Audit,
        door: Door,
        token_file: str = "",
    ) -> None:
        self._app = app
        self._token = token.encode()
        self._sessions, self._audit, self._hosts, self.door = sessions, audit, hosts, door
        where = f"the file {token_file}" if token_file else "the file named token beside the journal"
        person = "A person: log in at /log-in." if door.log_in else "A person: open the board's page."
        self._remedy = (
            f"{person} A program: send the token, which stands in "
            f'{where}, as the header "Authorization: Bearer TOKEN".'
        )
        # Cookies do not keep ports apart, so the name must; __Host- keeps them from being set by others.
        prefix = "__Host-" if door.https else ""
        self.cookie = f"{prefix}tallydeck_{port}"
        self.device_cookie = f"{self.cookie}_device"

    def give_cookie(self, answer: Response, name: str, value: str, max_age_s: float | None = None) -> None:
        """Without an age it goes when the browser is closed."""
        age = None if max_age_s is None else int(max_age_s)
        answer.set_cookie(
            name, value, age, path="/", httponly=True, samesite="strict", secure=self.door.https
        )

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            if scope["type"] == "websocket":
                await send({"type": "websocket.close", "code": 1008})
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers[name] = value if name != _POLICY else headers.get(_POLICY, value)
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        scope.setdefault("state", {})
        head = scope["method"] == "HEAD"  # GET's own answer; the server leaves its body out
        asked = {**scope, "method": "GET"} if head else scope
        refusal = _wrong_method(scope) if self._for_us(scope) else _wrong_host()
        refusal = refusal or self._refusal(asked)
        scope["state"]["head"] = head
        await (refusal or self._app)(asked, receive, send_with_headers)

    def _for_us(self, scope: Scope) -> bool:
        told = Headers(scope=scope).getlist("host")
        return len(told) == 1 and self._hosts.accept(told[0], scope)

    def _refusal(self, scope: Scope) -> ASGIApp | None:
        """Why this request may not pass, as an answer; None where it may."""
        headers = Headers(scope=scope)
        caller = self._caller(scope, headers)
        if self._foreign(scope, headers):
            if caller.role is Role.ANYONE and not _from_a_page(headers):
                return self._unknown(scope, caller)
            return self._refused(scope, caller, "wrong-origin", _FOREIGN)
        route = route_of(self._app, scope)
        least = Role.GUEST if route is None else LEAST.get((scope["method"], route))
        if least is None:
            return self._refused(scope, caller, "no-rule", _NO_RULE)
        if caller.role < least:
            if caller.role is Role.ANYONE:
                return self._unknown(scope, caller)
            return self._refused(scope, caller, "not-yours", _NOT_YOURS)
        scope["state"] |= {"who": caller.who, "caller": caller}
        return None

    def _refused(self, scope: Scope, caller: Caller, code: str, words: tuple[str, str]) -> ASGIApp:
        self._audit.refused(caller.who, caller.address, code, _asked(scope))
        return problem(403, *words, code=code)

    def _unknown(self, scope: Scope, caller: Caller) -> ASGIApp:
        self._audit.refused("", caller.address, "unknown-caller", _asked(scope))
        return problem(
            401,
            "Neither a session of the board's page nor the right token came with this request.",
            self._remedy,
            code="unknown-caller",
            headers={"WWW-Authenticate": 'Bearer realm="tallydeck"'},
        )

    def _foreign(self, scope: Scope, headers: Headers) -> bool:
        """Whether another site's page sent this (Fetch Metadata first, Origin where a browser lacks it)."""
        origin = headers.get("origin")
        site = headers.get("sec-fetch-site")
        if origin is not None and origin != self._hosts.origin(headers["host"]):
            return True
        if scope["method"] == "POST":
            bearer = headers.get("authorization") is not None
            return not (site == "same-origin" or (site is None and (bearer or origin is not None)))
        navigates = headers.get("sec-fetch-mode") == "navigate"
        return site in {"cross-site", "same-site"} and not navigates

    def _caller(self, scope: Scope, headers: Headers) -> Caller:
        address = client_address(scope)
        scheme, _, given = headers.get("authorization", "").partition(" ")
        if scheme.lower() == "bearer":
            if secrets.compare_digest(given.strip().encode(), self._token):
                return Caller(Role.OPERATOR, CLIENT, address)
            return Caller(Role.ANYONE, "", address)
        cookies = cookie_parser(headers.get("cookie", ""))
        device = cookies.get(self.device_cookie)
        if device is not None and not self._sessions.knows(device):
            device = None
        key = cookies.get(self.cookie, "")
        session = self._sessions.get(key, acts=scope["method"] == "POST") if key else None
        if session is None:
            role = Role.GUEST if self.door.guests else Role.ANYONE
            return Caller(role, f"guest@{address}" if self.door.guests else "", address, device=device)
        if session.here:
            return Caller(session.role, PAGE, address, key)
        return Caller(session.role, f"{session.name}@{address}", address, key, device, bound=True)


_FOREIGN = (
    "This request comes from another site's page.",
    "Use the board's own page, or a client with the token.",
)
_NO_RULE = (
    "Nobody is allowed this: it has no rule who may do it.",
    "This is a fault of the program; tell whoever looks after it.",
)
_NOT_YOURS = ("Guests look on; this is for operators.", "Log in with the operator's code at /log-in.")


def _asked(scope: Scope) -> str:
    return f"{scope['method']} {scope['path'][:100]!r}"


def _from_a_page(headers: Headers) -> bool:
    """Whether a browser sent this for some page; a program of its own says neither."""
    return "origin" in headers or "sec-fetch-site" in headers


def _wrong_host() -> ASGIApp:
    return problem(
        421,
        "This request names a host that is not this board.",
        "Open the board by the address the daemon prints when it starts, "
        'or add the name to names at [board], e.g. names = ["bay.local"].',
        code="wrong-host",
    )


def _wrong_method(scope: Scope) -> ASGIApp | None:
    method = scope["method"]
    if method == "HEAD" and scope["path"] == _STREAM:
        return problem(
            405,
            "A stream has no end, so its head is not given alone.",
            "GET it, or ask for /api/v1/livez to see whether the board answers.",
            code="wrong-method",
            headers={"Allow": "GET"},
        )
    if method in {"GET", "HEAD", "POST"}:
        return None
    return problem(
        405,
        f"{method} is not done here.",
        "Use GET to read and POST /api/v1/actions to act.",
        code="wrong-method",
        headers={"Allow": "GET, HEAD, POST"},
    )
