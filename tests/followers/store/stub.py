"""A store that answers what it is told to, and keeps what it says it has taken.

It speaks the InfluxDB v2 write and delete API over a real socket. A point is one by measurement, tags and
time; what is sent again takes the old one's place, field by field.
"""

from __future__ import annotations

import contextlib
import gzip
import json
import re
import socket
import socketserver
import threading
import time
import urllib.parse
from collections import deque
from collections.abc import Callable
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler
from typing import Any, NamedTuple, TypeAlias

Held: TypeAlias = dict[tuple[str, int], dict[str, str]]
"""(measurement and tags, ns) -> field -> value as it was written."""

HANG, DROP, DROP_AFTER, GARBAGE, NO_TEXT = "hang", "drop", "drop-after", "garbage", "no-text"
"""Never answer; hang up unread; take the points and hang up; answer no HTTP; answer what is no UTF-8."""


class Say(NamedTuple):
    """An answer. ``stored``: whether the points are taken all the same."""

    status: int
    body: str = ""
    headers: tuple[tuple[str, str], ...] = ()
    stored: bool = False


def parsed(line: str) -> tuple[str, dict[str, str], int]:
    """Measurement and tags as written, fields as written, time; ValueError where it is no line."""
    cut = re.match(r"((?:\\.|[^ \\]|\\)+) (.+) (-?[0-9]+)$", line, re.DOTALL)
    if cut is None:
        raise ValueError(f"no line protocol: {line!r}")
    fields = re.findall(r'((?:\\.|[^=,\\])+)=("(?:\\.|[^"\\])*"|[^,]*)(?:,|$)', cut[2])
    if not fields:
        raise ValueError(f"no field: {line!r}")
    return cut[1], dict(fields), int(cut[3])


def tags(series: str) -> dict[str, str]:
    """The tags of a series as written, unescaped; ``""`` is the measurement."""
    first, *rest = re.split(r"(?<!\\),", series)
    pairs = (re.split(r"(?<!\\)=", each, maxsplit=1) for each in rest)
    return {"": first} | {re.sub(r"\\([,= ])", r"\1", k): re.sub(r"\\([,= ])", r"\1", v) for k, v in pairs}


class StoreStub:
    """``answers`` are used up one a request; behind them ``always``, else it behaves: 204, 400 on a line of
    ``poison``, 413 above ``most_lines``. ``seen`` counts requests, ``lines`` the lines that were taken."""

    def __init__(self, *, keep: bool = True, can_delete: bool = True) -> None:
        self.answers: deque[Say | str] = deque()
        self.always: Say | str | None = None
        self.poison: Callable[[str], bool] = lambda line: False
        self.most_lines = 10**9
        self.delay_s = 0.0
        self.token = ""
        self.close_each = False  # keeps no connection, and says nothing of it
        self.can_delete = can_delete
        self.keep = keep  # False: only counts
        self.held: Held = {}
        self.seen = self.lines = self.connections = 0
        self.batches: list[int] = []
        self.deletes: list[dict[str, str]] = []
        self.headers: dict[str, str] = {}
        self.path = ""
        self.took: Callable[[list[str]], None] = lambda lines: None
        self._lock = threading.Lock()
        self._closing = threading.Event()
        self._links: set[socket.socket] = set()
        self._server: socketserver.ThreadingTCPServer | None = None
        self.port = 0

    # ------------------------------------------------------------------ as a server

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def __enter__(self) -> StoreStub:
        self.start()
        return self

    def __exit__(self, *error: object) -> None:
        self.stop()

    def start(self) -> None:
        """Listen, on the same port as before."""
        stub = self

        class Handler(_Handler):
            store = stub

        class Server(socketserver.ThreadingTCPServer):
            allow_reuse_address = True
            daemon_threads = True
            request_queue_size = 32

            def handle_error(self, request: Any, client_address: Any) -> None:
                pass

        self._closing.clear()
        self._server = Server(("127.0.0.1", self.port), Handler)
        self.port = self._server.server_address[1]
        threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True).start()

    def stop(self) -> None:
        """Refuse connections and end those that are."""
        if self._server is None:
            return
        self._closing.set()
        self._server.shutdown()
        self._server.server_close()
        self._server = None
        for link in list(self._links):
            with contextlib.suppress(OSError):
                link.shutdown(socket.SHUT_RDWR)

    # ------------------------------------------------------------------ as a store

    def written(self, body: str, handler: _Handler) -> None:
        self.seen += 1
        if self.delay_s:
            time.sleep(self.delay_s)
        answer: Say | str | None = self.always
        with self._lock:
            if self.answers:
                answer = self.answers.popleft()
        lines = [line for line in body.split("\n") if line]
        if answer is None:
            answer = self._behave(lines)
        if answer == DROP_AFTER or (isinstance(answer, Say) and answer.stored):
            self._take(lines)
        if isinstance(answer, Say):
            handler.say(answer)
        else:
            handler.misbehave(answer, self._closing)

    def _behave(self, lines: list[str]) -> Say:
        if self.token and self.headers.get("Authorization") != f"Token {self.token}":
            return Say(401, '{"code":"unauthorized","message":"unauthorized access"}')
        if len(lines) > self.most_lines:
            return Say(413, '{"message":"too large"}')
        bad = next((line for line in lines if self.poison(line)), None)
        if bad is not None:
            return Say(400, json.dumps({"code": "invalid", "message": f"unable to parse '{bad[:80]}'"}))
        return Say(204, stored=True)

    def _take(self, lines: list[str]) -> None:
        with self._lock:
            self.lines += len(lines)
            self.batches.append(len(lines))
            if self.keep:
                for line in lines:
                    series, fields, at_ns = parsed(line)
                    self.held.setdefault((series, at_ns), {}).update(fields)
            self.took(lines)

    def deleted(self, body: str, handler: _Handler) -> None:
        self.seen += 1
        if not self.can_delete:
            handler.say(Say(404, "404 page not found"))
            return
        with self._lock:
            answer = self.answers.popleft() if self.answers else self.always
            if answer is None or answer == DROP_AFTER:
                asked = json.loads(body)
                self.deletes.append(asked)
                wanted = {
                    "" if name == "_measurement" else name: re.sub(r"\\(.)", r"\1", value)
                    for name, value in re.findall(r'(\w+)="((?:[^"\\]|\\.)*)"', asked["predicate"])
                }
                start, stop = _ns(asked["start"]), _ns(asked["stop"])
                for key in [k for k in self.held if start <= k[1] <= stop]:
                    have = tags(key[0])
                    if all(have.get(name) == value for name, value in wanted.items()):
                        del self.held[key]
        if answer is None:
            answer = Say(204)
        if isinstance(answer, Say):
            handler.say(answer)
        else:
            handler.misbehave(answer, self._closing)


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    store: StoreStub

    def setup(self) -> None:
        super().setup()
        self.store.connections += 1
        self.store._links.add(self.request)

    def finish(self) -> None:
        with contextlib.suppress(OSError):
            super().finish()
        self.store._links.discard(self.request)

    def handle(self) -> None:
        with contextlib.suppress(OSError):
            super().handle()

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
        if self.headers.get("Content-Encoding") == "gzip":
            body = gzip.decompress(body)
        self.store.headers, self.store.path = dict(self.headers), self.path
        call = (
            self.store.deleted
            if urllib.parse.urlsplit(self.path).path == "/api/v2/delete"
            else self.store.written
        )
        call(body.decode(), self)

    def say(self, answer: Say) -> None:
        body = answer.body.encode()
        self.send_response(answer.status)
        for name, value in answer.headers:
            self.send_header(name, value)
        if answer.status != 204:
            self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)
        if self.store.close_each:
            self.close_connection = True

    def misbehave(self, how: str, closing: threading.Event) -> None:
        self.close_connection = True
        if how == HANG:
            closing.wait(20.0)
        elif how == GARBAGE:
            self.wfile.write(b"\x00\xffwhat?\r\n\r\n")
        elif how == NO_TEXT:
            self.wfile.write(b"HTTP/1.1 500 No\r\nContent-Length: 2\r\n\r\n\xff\xfe")

    def log_message(self, format: str, *args: object) -> None:
        pass


def _ns(text: str) -> int:
    """Exact ns of an RFC 3339 time in UTC."""
    head, _, rest = text.rstrip("Z").partition(".")
    seconds = int(datetime.fromisoformat(head).replace(tzinfo=UTC).timestamp())
    return seconds * 10**9 + int(rest.ljust(9, "0") or 0)
