"""The board as the daemon sees it: a thread that is started and stopped. asyncio stays in here."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import ssl
import threading
from collections.abc import Iterator
from typing import Any

import uvicorn

from logger.board.access import HERE, Access, is_every, is_loopback, numeric
from logger.board.desk import Desk
from logger.board.follower_routes import Followers
from logger.board.hub import Hub
from logger.board.observed import Observer
from logger.board.patience import PatientProtocol
from logger.board.routes import build
from logger.board.wires import Wires

log = logging.getLogger(__name__)
START_TIMEOUT_S = 10.0
HANDSHAKE_S = 10.0


class BoardError(Exception):
    """The board cannot be served; the message says why and what to do."""


class _Server(uvicorn.Server):
    """Says when it listens, and leaves the process's signals to the daemon."""

    def __init__(self, config: uvicorn.Config, ready: threading.Event) -> None:
        super().__init__(config)
        self._ready = ready

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        self._ready.set()

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


class _Loop(asyncio.SelectorEventLoop):
    """Does not wait a minute, as asyncio would, for a connection that never begins to encrypt."""

    async def create_server(self, *args: Any, **more: Any) -> asyncio.Server:
        if more.get("ssl") is not None:
            more.setdefault("ssl_handshake_timeout", HANDSHAKE_S)
        return await super().create_server(*args, **more)


class BoardServer:
    """Serves the page and the API, in a thread of its own.

    ``port`` 0 takes a free one. ``token`` is the bearer token for clients that are no browser, who are told
    that it lies in ``token_file``. A snapshot
    is expected at least once a second (the fold ticks); after five the page calls its figures old.
    Raises BoardError for a host that others can reach while ``access`` does not say who may do what, for a
    certificate that can't be used, or an empty token. Start once.
    """

    def __init__(
        self,
        desk: Desk,
        host: str,
        port: int,
        token: str,
        *,
        version: str,
        token_file: str = "",
        most_viewers: int = 64,
        wires: Wires | None = None,
        observer: Observer | None = None,
        followers: Followers | None = None,
        access: Access = HERE,
    ) -> None:
        self._address = _address(host, access)
        self._access, self._tls = access, _tls(access)
        if len(token) < 16:
            raise BoardError(
                "board: the token is shorter than 16 characters, so it could be guessed; "
                "let the daemon make one (delete the token file and start again)"
            )
        self._desk, self._host, self._port = desk, host, port
        self._wires, self._observer, self._followers = wires, observer, followers
        self._token, self._version, self._most = token, version, most_viewers
        self._token_file = token_file
        self._ready = threading.Event()
        self._thread: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._server: _Server | None = None
        self._hub: Hub | None = None
        self._asked = False
        self._beats = 0

    @property
    def url(self) -> str:
        """Where the page is, by the name people use; the port is the real one once started."""
        name = next(iter(self._access.names), None)
        return self.local_url if name is None or is_loopback(self._host) else self._url(name)

    @property
    def local_url(self) -> str:
        """Where programs on this computer reach it."""
        if is_every(self._host):
            return self._url("::1" if ":" in self._address else "127.0.0.1")
        return self._url(self._host)

    def _url(self, host: str) -> str:
        name = f"[{host}]" if host.count(":") > 1 else host
        port = "" if ":" in name.rpartition("]")[2] else f":{self._port}"
        return f"{'https' if self._access.https else 'http'}://{name}{port}/"

    def start(self) -> None:
        """Return once the board answers. Raises BoardError where the port is taken."""
        if self._thread is not None:
            raise BoardError("board: started twice; make a new BoardServer to serve again")
        listener = self._bind()
        self._port = listener.getsockname()[1]
        self._thread = threading.Thread(target=self._run, args=(listener,), name="board", daemon=True)
        self._thread.start()
        self._ready.wait(START_TIMEOUT_S)
        if self._server is None or not self._server.started:
            self.stop(1.0)
            raise BoardError(f"board: the server on {self.url} did not come up; the log says why")

    def beat(self) -> int:
        """How often its event loop has answered this question so far; each call asks once more.

        A number that stands still over a while tells that the board hangs or has ended.
        """
        if self._loop is not None and not self._asked:
            self._asked = True
            with contextlib.suppress(RuntimeError):  # it has ended, and answers no more
                self._loop.call_soon_threadsafe(self._answer_beat)
        return self._beats

    def _answer_beat(self) -> None:
        self._asked = False
        self._beats += 1

    def stop(self, timeout_s: float = 5.0) -> bool:
        """End every stream and the thread. False where the thread did not end in time."""
        thread, loop, server, hub = self._thread, self._loop, self._server, self._hub
        if thread is None or loop is None or server is None or hub is None or not thread.is_alive():
            return True

        def end() -> None:
            hub.close()
            server.should_exit = True

        with contextlib.suppress(RuntimeError):  # the loop may end by itself meanwhile
            loop.call_soon_threadsafe(end)
        thread.join(timeout_s)
        if thread.is_alive():
            server.force_exit = True
            thread.join(1.0)
        return not thread.is_alive()

    def _bind(self) -> socket.socket:
        family = socket.AF_INET6 if ":" in self._address else socket.AF_INET
        listener = socket.socket(family, socket.SOCK_STREAM)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if self._address == "::":  # IPv4 as well
            listener.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 0)
        try:
            listener.bind((self._address, self._port))
            listener.listen(128)
        except OSError as error:
            listener.close()
            raise BoardError(
                f"board: cannot listen on {self._host} port {self._port} ({error.strerror}); "
                "stop the program that uses it, or give the board another port in the configuration"
            ) from None
        return listener

    def _run(self, listener: socket.socket) -> None:
        try:
            with asyncio.Runner(loop_factory=_Loop) as runner:
                runner.run(self._serve(listener))
        except Exception:
            log.exception("board: the server ended by a fault; recording goes on")
        finally:
            listener.close()
            self._ready.set()

    async def _serve(self, listener: socket.socket) -> None:
        self._loop = asyncio.get_running_loop()
        self._hub = hub = Hub(self._desk, self._loop, most=self._most)
        app = build(
            self._desk,
            hub,
            port=self._port,
            token=self._token,
            version=self._version,
            token_file=self._token_file,
            wires=self._wires,
            observer=self._observer,
            followers=self._followers,
            access=self._access,
        )
        config = uvicorn.Config(
            app,
            http=PatientProtocol,
            ws="none",
            lifespan="off",
            log_config=None,
            log_level="warning",
            access_log=False,
            server_header=False,
            proxy_headers=False,
            limit_concurrency=256,
            timeout_graceful_shutdown=3,
        )
        config.load()
        config.ssl = self._tls
        self._server = _Server(config, self._ready)
        unwatch = self._desk.watch(hub.wake)
        pump = asyncio.create_task(hub.pump())
        pump.add_done_callback(self._pump_ended)
        try:
            await self._server.serve(sockets=[listener])
        finally:
            unwatch()
            hub.close()
            pump.cancel()

    def _pump_ended(self, pump: asyncio.Task[None]) -> None:
        """A dead pump would show old figures for ever: end the board loudly instead."""
        if not pump.cancelled() and pump.exception() is not None:
            log.error("board: no more snapshots", exc_info=pump.exception())
            if self._server is not None:
                self._server.should_exit = True


def _address(host: str, access: Access) -> str:
    """The numeric address of ``host``, where it may be served."""
    address = numeric(host)
    if address is None:
        raise BoardError(
            f"board: {host!r} is no address; give one of this computer's, 0.0.0.0 for all of them, or "
            "127.0.0.1 for this computer only"
        )
    if not is_loopback(address) and not access.for_network:
        raise BoardError(
            f"board: {host!r} is not a loopback address, so others could reach the board, and no code is set "
            "to log in with; set operator_code at [board], or guests = true for a board that anybody may read"
        )
    return address


def _tls(access: Access) -> ssl.SSLContext | None:
    if access.certificate_file is None:
        return None
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(access.certificate_file, access.key_file, password=lambda: "")
    except (OSError, ValueError) as error:  # SSLError is an OSError
        raise BoardError(f"board: {access.certificate_file} and its key can't be used: {error}") from None
    return context
