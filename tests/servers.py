"""Real time-series stores for tests, started from the files of `deploy/store`. Left out where not installed.

All speak the InfluxDB v2 write API at `url`. What they hold is read back in one shape, `Held`.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import shlex
import shutil
import threading
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, NamedTuple, TypeAlias

import pytest

from tests.program import Manageable, Program, filled, free_port, listens, until

STORE = Path(__file__).parent.parent / "deploy" / "store"
PLACES = "/usr/sbin:/usr/local/sbin:/usr/bin:/usr/local/bin"


def _found(name: str) -> str | None:
    return shutil.which(name) or shutil.which(name, path=PLACES)


VICTORIA, INFLUXD, NGINX = _found("victoria-metrics"), _found("influxd"), _found("nginx")
needs_victoria = pytest.mark.skipif(VICTORIA is None, reason="victoria-metrics is not installed")
needs_influx = pytest.mark.skipif(
    INFLUXD is None or NGINX is None, reason="influxd or nginx is not installed"
)

TOKEN = "a-token-of-the-tests"


class Key(NamedTuple):
    """What makes a point one: sent again it takes the old one's place. ``tags`` sorted; ns of wall time."""

    measurement: str
    tags: tuple[tuple[str, str], ...]
    at_ns: int


Held: TypeAlias = dict[Key, dict[str, Any]]
"""Points by key, each with its fields that are there."""


def ask(url: str, data: bytes | None = None, timeout_s: float = 30.0, **headers: str) -> bytes:
    request = urllib.request.Request(url, data, headers)
    with urllib.request.urlopen(request, timeout=timeout_s) as answer:
        return answer.read()


class VictoriaMetrics(Program):
    """Numbers only (a boolean is 1 or 0, a string is lost or 0), times to the millisecond."""

    def __init__(self, home: Path) -> None:
        assert VICTORIA is not None
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.bucket = "tallydeck"
        text = filled(
            STORE / "victoria-metrics.default",
            {
                "/var/lib/victoria-metrics": f"{home}/victoria",
                "127.0.0.1:8428": f"127.0.0.1:{self.port}",
            },
        )
        found = re.search(r'^ARGS="(.*)"$', text, re.MULTILINE)
        assert found is not None, "no ARGS"
        command = [VICTORIA, *shlex.split(found[1])]
        super().__init__("victoria-metrics", command, home / "victoria.log", self._healthy)

    def _healthy(self) -> bool:
        with contextlib.suppress(OSError):
            return ask(f"{self.url}/health") == b"OK"
        return False

    def held(self, **tags: str) -> Held:
        """All points with these tags, as far as the store shows them by now."""
        ask(f"{self.url}/internal/force_flush")
        match = "{" + ",".join(f"{name}={json.dumps(value)}" for name, value in tags.items()) + "}"
        if not tags:
            match = '{__name__!=""}'
        far = urllib.parse.urlencode({"match[]": match, "start": 0, "end": int(time.time()) + 10**8})
        held: Held = {}
        for line in ask(f"{self.url}/api/v1/export?{far}").splitlines():
            series = json.loads(line)
            labels = series["metric"]
            measurement, _, field = labels.pop("__name__").partition("_")
            labels.pop("db", None)
            of = tuple(sorted(labels.items()))
            for at_ms, value in zip(series["timestamps"], series["values"], strict=True):
                held.setdefault(Key(measurement, of, at_ms * 1_000_000), {})[field] = value
        return held


class Influx(Manageable):
    """A real InfluxDB engine behind a real nginx; ``engine`` and ``door`` may be stopped one by one."""

    def __init__(self, home: Path, token: str = TOKEN, buckets: tuple[str, ...] = ("tallydeck",)) -> None:
        assert INFLUXD is not None
        assert NGINX is not None
        self.buckets, self.bucket, self.token = buckets, buckets[0], token
        self.port, self._engine_port, spare = free_port(), free_port(), free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.engine_url = f"http://127.0.0.1:{self._engine_port}"
        config = home / "influxdb.conf"
        config.write_text(
            filled(
                STORE / "influxdb.conf",
                {
                    "/var/lib/influxdb": f"{home}/influxdb",
                    "127.0.0.1:8086": f"127.0.0.1:{self._engine_port}",
                    "127.0.0.1:8088": f"127.0.0.1:{spare}",
                },
            )
        )
        self.engine = Program(
            "influxd", [INFLUXD, "-config", str(config)], home / "influxd.log", self._engine_answers
        )
        self.door = Program(
            "nginx",
            [NGINX, "-p", str(home), "-e", str(home / "nginx-error.log"), "-c", str(self._site(home))],
            home / "nginx.log",
            lambda: listens(self.port),
        )

    def _site(self, home: Path) -> Path:
        (home / "store-tokens").write_text(
            "".join(f'"Token {self.token}|{bucket}" 1;\n' for bucket in self.buckets)
        )
        site = filled(
            STORE / "nginx-influx.conf",
            {
                "include /etc/tallydeck/store-tokens": f"include {home}/store-tokens",
                "127.0.0.1:8087": f"127.0.0.1:{self.port}",
                "127.0.0.1:8086": f"127.0.0.1:{self._engine_port}",
            },
        )
        user = "user root;\n" if os.geteuid() == 0 else ""
        folders = "".join(
            f"{kind}_temp_path {home}/nginx-{kind};\n"
            for kind in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
        )
        config = home / "nginx.conf"
        config.write_text(
            f"{user}daemon off;\nmaster_process off;\npid {home}/nginx.pid;\nevents {{}}\n"
            f"http {{\naccess_log off;\n{folders}{site}}}\n"
        )
        return config

    def start(self) -> None:
        if not self.engine.running:
            self.engine.start()
        for bucket in self.buckets:
            self.query(f'CREATE DATABASE "{bucket}"')
        if not self.door.running:
            self.door.start()

    def stop(self) -> None:
        self.door.stop()
        self.engine.stop()

    def kill(self) -> None:
        self.door.kill()
        self.engine.kill()

    def freeze(self) -> None:
        self.door.freeze()
        self.engine.freeze()

    def thaw(self) -> None:
        self.engine.thaw()
        self.door.thaw()

    def _engine_answers(self) -> bool:
        with contextlib.suppress(OSError):
            ask(f"{self.engine_url}/ping")
            return True
        return False

    def query(self, text: str, bucket: str | None = None) -> list[dict[str, Any]]:
        """The series that answer a query in InfluxQL; times in ns."""
        asked = {"q": text, "db": bucket or self.bucket, "epoch": "ns"}
        told = json.loads(ask(f"{self.engine_url}/query", urllib.parse.urlencode(asked).encode(), 120.0))
        for result in told["results"]:
            assert "error" not in result, f"{text}: {result['error']}"
        return [series for result in told["results"] for series in result.get("series", [])]

    def held(self, bucket: str | None = None, **tags: str) -> Held:
        """All points with these tags."""
        where = " AND ".join(f"\"{name}\" = '{value}'" for name, value in tags.items())
        held: Held = {}
        for (measurement,) in (
            row for found in self.query("SHOW MEASUREMENTS", bucket) for row in found["values"]
        ):
            found = self.query(
                f'SELECT * FROM "{measurement}"{" WHERE " + where if where else ""} GROUP BY *', bucket
            )
            for series in found:
                of = tuple(sorted((name, value) for name, value in series["tags"].items() if value))
                for at_ns, *values in series["values"]:
                    fields = dict(zip(series["columns"][1:], values, strict=True))
                    held[Key(measurement, of, at_ns)] = {k: v for k, v in fields.items() if v is not None}
        return held


class WithDelete(Manageable):
    """A proxy before an `Influx` that takes ``POST /api/v2/delete`` too, and deletes in the real engine.

    It translates the v2 predicate (``a="x" AND b="y"``) into the engine's own DELETE. ``deletes`` keeps
    what was asked. All else goes on to nginx as it came.
    """

    def __init__(self, influx: Influx) -> None:
        self.influx, self.token, self.bucket = influx, influx.token, influx.bucket
        self.deletes: list[dict[str, str]] = []
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self._server: ThreadingHTTPServer | None = None

    def start(self) -> None:
        proxy = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
                status, answer = proxy._post(self.path, body, dict(self.headers))
                self.send_response(status)
                self.send_header("Content-Length", str(len(answer)))
                self.end_headers()
                self.wfile.write(answer)

            def log_message(self, format: str, *args: object) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", self.port), Handler)
        self._server.daemon_threads = True
        threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True).start()

    def kill(self) -> None:
        if self._server is not None:
            self._server.shutdown()
            self._server.server_close()
            self._server = None

    def held(self, bucket: str | None = None, **tags: str) -> Held:
        return self.influx.held(bucket, **tags)

    def _post(self, path: str, body: bytes, headers: dict[str, str]) -> tuple[int, bytes]:
        parts = urllib.parse.urlsplit(path)
        try:
            if parts.path != "/api/v2/delete":
                return 204, ask(self.influx.url + path, body, **headers)
            if headers.get("Authorization") != f"Token {self.token}":
                return 401, b'{"code":"unauthorized","message":"unauthorized access"}'
            asked = json.loads(body)
            bucket = urllib.parse.parse_qs(parts.query)["bucket"][0]
            self.influx.query(delete_in_influxql(asked), bucket)
            self.deletes.append(asked)
            return 204, b""
        except urllib.error.HTTPError as error:
            with error:
                return error.code, error.read()
        except OSError:
            return 502, b""


def delete_in_influxql(asked: dict[str, str]) -> str:
    """A v2 delete as a DELETE of InfluxQL; both ends of the time belong to it."""
    where, measurement = [], ""
    for name, value in re.findall(r'(\w+)\s*=\s*"((?:[^"\\]|\\.)*)"', asked["predicate"]):
        plain = re.sub(r"\\(.)", r"\1", value)
        if name == "_measurement":
            measurement = plain
        else:
            where.append(
                f"\"{name}\" = '{plain.replace(chr(92), chr(92) * 2).replace(chr(39), chr(92) + chr(39))}'"
            )
    where += [f"time >= '{asked['start']}'", f"time <= '{asked['stop']}'"]
    source = f' FROM "{measurement}"' if measurement else ""
    return f"DELETE{source} WHERE {' AND '.join(where)}"


def until_held(
    store: VictoriaMetrics | Influx | WithDelete, count: int, timeout_s: float = 20.0, **tags: str
) -> Held:
    """What the store holds once these are so many points; a new series may take some seconds to show."""
    newest: Held = {}

    def all_there() -> bool:
        newest.clear()
        newest.update(store.held(**tags))
        return len(newest) >= count

    until(all_there, f"{count} points in the store", timeout_s)
    return newest


STORES = [
    pytest.param("victoria", marks=needs_victoria),
    pytest.param("influx", marks=needs_influx),
    pytest.param("with-delete", marks=needs_influx),
]


@contextlib.contextmanager
def running_store(kind: str, home: Path) -> Iterator[VictoriaMetrics | Influx | WithDelete]:
    """One of `STORES`."""
    home.mkdir(parents=True, exist_ok=True)
    if kind == "victoria":
        with VictoriaMetrics(home) as victoria:
            yield victoria
        return
    with Influx(home) as influx:
        if kind == "influx":
            yield influx
            return
        with WithDelete(influx) as proxy:
            yield proxy
