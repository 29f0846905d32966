"""One write to the store, and what its answer means.

By the InfluxDB v2 write API, with the library's own retries off: what was not written waits in the journal,
and the follower decides when to try again. No exception leaves this module, and no message holds the token.

What each answer means (RFC 9110 section 15; InfluxDB v2 API, POST /api/v2/write):

    204                             written
    400, 422                        `BAD`: some line of these can't be taken; half of them may be
    413                             `LARGE`: too much at once
    401, 403, 404, 405, 3xx, 2xx    `PAUSED`: of no use to try again before somebody did something
    429, 503                        `LATER`, not before its Retry-After (RFC 9110 section 10.2.3)
    any other, or none              `AWAY`
"""

from __future__ import annotations

import contextlib
import json
import re
import socket
import time
from collections.abc import Callable
from email.utils import parsedate_to_datetime
from math import isfinite
from typing import Any, NamedTuple, TypeAlias

from logger.settings.secret import MASK
from logger.settings.values import StoreSettings

TIMEOUT_S = 5.0
LONGEST_LATER_S = 600.0
"""A store that asks for more patience is asked again after this."""
LATER_S = 5.0
"""Where it asks for patience and does not say how much."""
NO_SIGN = 3
"""So many writes in a row, each on a connection of its own, tell of a store that keeps none."""

BAD, LARGE, PAUSED, LATER, AWAY = "bad", "too large", "paused", "later", "away"
_MEANS = {
    400: BAD,
    422: BAD,
    413: LARGE,
    401: PAUSED,
    403: PAUSED,
    404: PAUSED,
    405: PAUSED,
    429: LATER,
    503: LATER,
}


class Written(NamedTuple):
    """The store said that it has them. ``size`` in bytes, before they were packed."""

    size: int
    took_s: float
    reconnected: bool
    """A new connection had to be made, and the store had not said that it would end the old one: it may have
    been started anew, and have forgotten what it had not yet put on its disk."""


class Refused(NamedTuple):
    """It did not. ``kind`` is one of the module's; ``what`` happened and where, what to ``do``.

    ``said``: the store's own words; ``retry_s``: not before; ``status``: of HTTP, 0 without an answer.
    """

    kind: str
    what: str
    do: str
    said: str = ""
    retry_s: float = 0.0
    status: int = 0

    @property
    def refuses_deletes(self) -> bool:
        """Of a delete: this store can't, or does not let us."""
        return self.kind in (BAD, LARGE, PAUSED) or self.status == 501


Outcome: TypeAlias = Written | Refused


class StoreWriter:
    """Use it from one thread at a time. The library comes in with the first one made."""

    def __init__(
        self,
        settings: StoreSettings,
        *,
        timeout_s: float = TIMEOUT_S,
        now_s: Callable[[], float] = time.monotonic,
        wall_s: Callable[[], float] = time.time,
    ) -> None:
        from influxdb_client.client.influxdb_client import InfluxDBClient
        from influxdb_client.client.write_api import SYNCHRONOUS

        self._settings = settings
        self._now_s, self._wall_s = now_s, wall_s
        self._where = f"{settings.url}, bucket {settings.bucket}"
        self._token = "" if settings.token is None else settings.token.reveal()
        told = {} if settings.ca_file is None else {"ssl_ca_cert": str(settings.ca_file)}
        make: Any = InfluxDBClient  # its types say less than it takes
        timeout_ms = int(timeout_s * 1000)
        self._client: Any = make(
            settings.url, self._token or None, org=settings.org, timeout=timeout_ms, enable_gzip=True, **told
        )
        self._write: Any = self._client.write_api(write_options=SYNCHRONOUS)
        self._delete: Any = self._client.delete_api()
        self._link: socket.socket | None = None
        self._fresh = False
        self._fresh_in_row = 0
        self._announced = True  # that the connection ends; before the first there is none to lose
        self._watch_connections()

    def close(self) -> None:
        self._client.close()

    def interrupt(self) -> None:
        """End the request in hand, from another thread: it then fails as if the store had hung up."""
        link = self._link
        if link is not None:
            with contextlib.suppress(OSError):
                link.shutdown(socket.SHUT_RDWR)

    def _watch_connections(self) -> None:
        """Let the library's pools say when they make a connection: they keep no count of it."""

        def connect(connection: Any) -> None:
            super(type(connection), connection).connect()  # type: ignore[misc]  # made below
            self._link, self._fresh = connection.sock, True

        manager: Any = self._client.api_client.rest_client.pool_manager
        pools = {}
        for scheme, pool in manager.pool_classes_by_scheme.items():
            watched = type(pool.ConnectionCls.__name__, (pool.ConnectionCls,), {"connect": connect})
            pools[scheme] = type(pool.__name__, (pool,), {"ConnectionCls": watched})
        manager.pool_classes_by_scheme = pools

    def write(self, text: str) -> Outcome:
        """Write lines of line protocol, nanoseconds; one request."""
        body = text.encode()

        def send() -> None:
            self._write.write(self._settings.bucket, self._settings.org, body, write_precision="ns")

        return self._tried(send, len(body))

    def delete(self, start: str, stop: str, predicate: str) -> Outcome:
        """Delete the points that fit, from start to stop (RFC 3339, both included)."""

        def send() -> None:
            self._delete.delete(start, stop, predicate, self._settings.bucket, self._settings.org)

        return self._tried(send, 0)

    def _tried(self, send: Callable[[], None], size: int) -> Outcome:
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        begin_s = self._now_s()
        try:
            send()
            answer = self._client.api_client.last_response
        except ApiException as error:
            self._noticed(getattr(error.response, "urllib3_response", None))
            return self._refused(error) if error.status else self._away(error.reason)
        except (HTTPError, OSError, ValueError) as error:  # a ValueError: an answer that is no text
            self._announced = True
            return self._away(_cause(error))
        if answer.status != 204:
            self._noticed(answer.urllib3_response)
            return Refused(
                PAUSED,
                f"what is at {self._where} is no store: it answers {answer.status} where a store answers 204",
                "correct url at [store]",
                self._masked(_words(answer.data)),
                status=answer.status,
            )
        return Written(size, self._now_s() - begin_s, self._noticed(answer.urllib3_response))

    def _noticed(self, response: Any) -> bool:
        """Keep an eye on the connections; whether this answer came on one that was made unexpectedly."""
        fresh, self._fresh = self._fresh, False
        self._fresh_in_row = self._fresh_in_row + 1 if fresh else 0
        sign = fresh and not self._announced and self._fresh_in_row < NO_SIGN
        headers = {} if response is None else response.headers
        old = getattr(response, "version", 11) == 10
        self._announced = old or "close" in headers.get("Connection", "").lower()
        return sign

    def _away(self, reason: object) -> Refused:
        what = f"the store does not answer at {self._where}: {self._masked(reason)}"
        return Refused(
            AWAY, what, "see that it runs and can be reached; what is not sent waits in the journal"
        )

    def _refused(self, error: Any) -> Refused:
        status, said = int(error.status), self._masked(_words(error.body))
        kind = PAUSED if 300 <= status < 400 else _MEANS.get(status, AWAY)
        headers = error.headers or {}
        retry_s = self._retry_s(headers.get("Retry-After", "")) if kind == LATER else 0.0
        what = f"the store at {self._where} answers {status}" + (f" ({said})" if said else "")
        return Refused(kind, what, _remedy(status, kind), said, retry_s, status)

    def _retry_s(self, told: str) -> float:
        """Seconds, or the date of HTTP; by its own clock where the store tells no better."""
        told = told.strip()
        try:
            seconds = (
                float(told) if told.isdigit() else parsedate_to_datetime(told).timestamp() - self._wall_s()
            )
        except (ValueError, TypeError, OverflowError):
            seconds = LATER_S
        return min(max(seconds, 0.5), LONGEST_LATER_S) if isfinite(seconds) else LATER_S

    def _masked(self, text: object) -> str:
        shown = str(text)
        return shown.replace(self._token, MASK) if self._token else shown


_REMEDIES = {
    401: "give a token at [store] that may write to that bucket, and delete from it",
    403: "give a token at [store] that may write to that bucket, and delete from it",
    404: "make the bucket in the store, or correct url, org and bucket at [store]",
    BAD: "what it can't take is set aside; list it with: tallydeck follower aside store",
    LARGE: "what it can't take is set aside; list it with: tallydeck follower aside store",
    LATER: "it asks for patience; if that lasts, see what it is short of",
    PAUSED: "correct url at [store]",
    AWAY: "see its own log; what is not sent waits in the journal",
}


def _remedy(status: int, kind: str) -> str:
    return _REMEDIES.get(status) or _REMEDIES[kind]


def _words(body: object) -> str:
    """What the store says of it: the message of its JSON, or its text; short and printable."""
    text = body.decode("utf-8", "replace") if isinstance(body, bytes) else str(body or "")
    try:
        told = json.loads(text)
        if isinstance(told, dict):
            text = str(told.get("message") or told.get("error") or text)
    except ValueError:
        pass
    text = _MARKUP.sub(" ", text[:2000])
    shown = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return shown if len(shown) <= 300 else shown[:299] + "…"


_FROM = re.compile(r"^\S*(Pool|Connection)(\(.*?\)| object at [^:]*): ")
_MARKUP = re.compile(r"<(script|style).*?</\1>|<[^>]*>", re.DOTALL)


def _cause(error: BaseException) -> str:
    """The innermost reason, without the addresses of Python objects that the library prints."""
    reason = getattr(error, "reason", None)
    while isinstance(reason, BaseException):
        error, reason = reason, getattr(reason, "reason", None)
    return _FROM.sub("", str(error)) or type(error).__name__
