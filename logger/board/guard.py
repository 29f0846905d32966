"""Who may talk to the board: host check, sessions and token, same-origin check, headers on every answer.

Sources: RFC 9110 section 7.4 (misdirected requests), RFC 6750 (bearer tokens), RFC 6265 (cookies),
W3C Fetch Metadata (Sec-Fetch-Site), W3C Content Security Policy level 3.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable
from http.cookies import CookieError, SimpleCookie

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from logger.board.problems import problem

PAGE = "board"  # who a session of the page is
CLIENT = "client"  # who a bearer of the token is
SESSION_IDLE_S = 2 * 3600.0
SESSION_AGE_S = 24 * 3600.0
MOST_SESSIONS = 256

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
PAGES = {"/": "board.html", "/lots": "lots.html", "/run": "run.html", "/instruments": "instruments.html"}
"""The pages a person opens, and the files they are made of."""
_OPEN = {*PAGES, "/livez", "/readyz", "/api/v1/livez", "/api/v1/readyz"}
_STREAM = "/api/v1/events"


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


def _from_a_page(headers: Headers) -> bool:
    """Whether a browser sent this for some page; a program of its own says neither."""
    return "origin" in headers or "sec-fetch-site" in headers


class Sessions:
    """Sessions of the page: 256 random bits each, an idle and an absolute time-out, a bounded number."""

    def __init__(self, now: Callable[[], float] = time.monotonic) -> None:
        self._now = now
        self._open: dict[str, tuple[float, float]] = {}  # key -> (opened, last used)

    def open(self) -> str:
        """A new session's key; where there are too many, the one longest unused ends."""
        now = self._now()
        self._open = {key: times for key, times in self._open.items() if self._alive(times, now)}
        while len(self._open) >= MOST_SESSIONS:
            del self._open[min(self._open, key=lambda key: self._open[key][1])]
        key = secrets.token_urlsafe(32)
        self._open[key] = (now, now)
        return key

    def holds(self, key: str) -> bool:
        """Whether the session is open; to ask counts as use."""
        times = self._open.get(key)
        now = self._now()
        if times is None or not self._alive(times, now):
            self._open.pop(key, None)
            return False
        self._open[key] = (times[0], now)
        return True

    @staticmethod
    def _alive(times: tuple[float, float], now: float) -> bool:
        return now - times[0] < SESSION_AGE_S and now - times[1] < SESSION_IDLE_S


class Guard:
    """Wraps the whole application; what it lets through carries ``scope["state"]["who"]``."""

    def __init__(
        self, app: ASGIApp, *, port: int, token: str, sessions: Sessions, token_file: str = ""
    ) -> None:
        names = ["127.0.0.1", "localhost", "[::1]"]
        self._app = app
        self._token = token.encode()
        self._sessions = sessions
        where = f"the file {token_file}" if token_file else "the file named token beside the journal"
        self._remedy = (
            "A person: open the board's page. A program: send the token, which stands in "
            f'{where}, as the header "Authorization: Bearer TOKEN".'
        )
        self._hosts = {f"{name}:{port}" for name in names} | (set(names) if port == 80 else set())
        self._origins = {f"http://{host}" for host in self._hosts}
        self.cookie = f"tallydeck_{port}"  # cookies do not keep ports apart; the name must

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            if scope["type"] == "websocket":
                await send({"type": "websocket.close", "code": 1008})
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers[name] = value
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        refusal = self._refusal(scope)
        if refusal is None and scope["method"] == "HEAD":  # GET's own answer; the server leaves its body out
            scope = {**scope, "method": "GET", "state": {**scope["state"], "head": True}}
        await (refusal or self._app)(scope, receive, send_with_headers)

    def _refusal(self, scope: Scope) -> ASGIApp | None:
        """Why this request may not pass, as an answer; None where it may."""
        headers = Headers(scope=scope)
        if headers.getlist("host") not in [[host] for host in self._hosts]:
            return problem(
                421,
                "This request names a host that is not this board.",
                "Open the board by the address the daemon prints when it starts.",
                code="wrong-host",
            )
        if (wrong := _wrong_method(scope)) is not None:
            return wrong
        who = self._who(headers)
        if self._foreign(scope, headers):
            if who is None and not _from_a_page(headers):
                return self._unknown()
            return problem(
                403,
                "This request comes from another site's page.",
                "Use the board's own page, or a client with the token.",
                code="wrong-origin",
            )
        path = scope["path"]
        if who is None and path not in _OPEN and not path.startswith("/static/"):
            return self._unknown()
        scope.setdefault("state", {})["who"] = who
        return None

    def _unknown(self) -> ASGIApp:
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
        if origin is not None and origin not in self._origins:
            return True
        if scope["method"] == "POST":
            bearer = headers.get("authorization") is not None
            return not (site == "same-origin" or (site is None and (bearer or origin is not None)))
        navigates = headers.get("sec-fetch-mode") == "navigate"
        return site in {"cross-site", "same-site"} and not navigates

    def _who(self, headers: Headers) -> str | None:
        scheme, _, given = headers.get("authorization", "").partition(" ")
        if scheme.lower() == "bearer":
            right = secrets.compare_digest(given.strip().encode(), self._token)
            return CLIENT if right else None
        try:
            morsel = SimpleCookie(headers.get("cookie", "")).get(self.cookie)
        except CookieError:
            return None
        return PAGE if morsel is not None and self._sessions.holds(morsel.value) else None
