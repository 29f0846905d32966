"""The composition root: the only place that names concrete classes. Starts, supervises, stops."""

from __future__ import annotations

import json
import logging
import os
import secrets
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from zoneinfo import ZoneInfo

from logger import __version__
from logger.board.access import Access
from logger.board.by_mqtt import ActionsByMqtt
from logger.board.server import BoardError, BoardServer
from logger.clock import Clock
from logger.core.bay import Bay
from logger.core.entries import Circumstance, Entry, Finding, Garbage, Reading
from logger.followers.contract import Follower
from logger.journal import lifeboat
from logger.journal.journal import Journal, JournalError, JournalReader, boot_offset, last_moment
from logger.journal.own import checkpoint_key, resumed
from logger.loop import Loop
from logger.observing import Observing, Raised
from logger.ports.bench import WireBench
from logger.ports.broker import Broker
from logger.ports.contract import Port
from logger.settings import BoardSettings, Configuration
from logger.wiring import make_broker, make_followers, make_ports

log = logging.getLogger("tallydeck")

JOURNAL_NAME = "journal.sqlite"
ADDRESS_NAME = "address.json"
TOKEN_NAME = "token"  # noqa: S105  (a file's name)


class StartError(Exception):
    """The daemon can't start; the text says what, where, and what to do."""


@dataclass(frozen=True, slots=True)
class Address:
    """Where a running daemon listens, as its file in the journal's directory tells."""

    url: str
    token: str
    pid: int
    certificate: str = ""  # of the board, where it is served over https


def read_address(directory: Path) -> Address:
    """The address and token of the daemon that keeps this journal; StartError where there is none."""
    try:
        data = json.loads((directory / ADDRESS_NAME).read_text("utf-8"))
        token = (directory / TOKEN_NAME).read_text("utf-8").strip()
        return Address(data["url"], token, int(data["pid"]), str(data.get("certificate", "")))
    except FileNotFoundError:
        raise StartError(
            f'no daemon keeps a journal in {directory}; start one with "tallydeck serve", '
            "or name its configuration with --config"
        ) from None
    except (OSError, ValueError, KeyError) as error:
        raise StartError(f"{directory}: the daemon's address can't be read: {error}") from error


class Daemon:
    """One bay: journal, loop, ports, board. `start`, then `stop`; `serve` does both around signals."""

    def __init__(
        self,
        configuration: Configuration,
        *,
        clock: Clock | None = None,
        told: Callable[[list[Finding]], None] = lambda findings: None,
        heard: Callable[[Circumstance], None] = lambda entry: None,
    ) -> None:
        self.configuration = configuration
        self.directory = configuration.journal_directory
        self.clock = clock or Clock()
        self._told = told
        self._heard = heard
        self.raised = Raised()
        self.ports: list[Port] = []
        self.by_mqtt: ActionsByMqtt | None = None
        self.followers: list[Follower] = []
        self.journal: Journal
        self.loop: Loop
        self.board: BoardServer
        self.bench: WireBench
        self._addressed = False

    @property
    def journal_path(self) -> Path:
        return self.directory / JOURNAL_NAME

    # ------------------------------------------------------------------ start

    def start(self) -> None:
        """Start everything in order: journal, loop, ports, board. StartError, JournalError."""
        self._check()
        try:
            self._open_journal()
            self._start_loop()
            self._start_board()
        except BaseException:
            self.stop()
            raise
        broker = make_broker(self.configuration)
        self.ports = make_ports(self.configuration.instruments, self._put, self.clock.now_ns, broker)
        for port in self.ports:
            port.start()
        self._take_actions(broker)
        self.followers += make_followers(self.configuration, self.loop, self.journal_path, self.clock, broker)
        for follower in self.followers:
            follower.start()

    def _tell(self, findings: list[Finding]) -> None:
        """What has been committed, to who counts and who listens."""
        self.raised.hear(findings)
        self._told(findings)

    def _take_actions(self, broker: Broker | None) -> None:
        told = self.configuration.mqtt
        if broker is None or told is None or not told.actions:
            return
        topics = [each.mqtt.topic for each in self.configuration.instruments if each.mqtt is not None]
        self.by_mqtt = ActionsByMqtt(self.loop, broker, told.topic, topics)
        self.by_mqtt.start()

    def _put(self, item: Reading | Garbage | Circumstance) -> None:
        """The ports' way into the loop; what they say of their wires is told to who listens, too."""
        self.loop.put(item)
        if isinstance(item, Circumstance):
            self._heard(item)

    def _check(self) -> None:
        needed = self.configuration.unwired
        if needed:
            raise StartError(
                f"{self.configuration.path}: nothing reads {', '.join(needed)}; "
                f"give each an [instruments.NAME] table with a port or a topic "
                "(a configuration without them serves for replay only)"
            )

    def _open_journal(self) -> None:
        path, clock = self.journal_path, self.clock
        taken = lifeboat.take_in(path)  # the clock must know the time of what was entered
        clock.keep_offset(boot_offset(path, clock.boot_id))
        clock.not_before(last_moment(path))
        self.journal = Journal.open(path, boot_id=clock.boot_id, offset_ns=clock.offset_ns)
        if self.journal.set_aside is None:
            self.journal.set_aside, self.journal.why_set_aside = taken.set_aside, taken.why_set_aside
        if self.journal.set_aside is not None:
            log.error(
                "the journal was set aside as %s and a new one begun: %s",
                self.journal.set_aside,
                self.journal.why_set_aside,
            )

    def _start_loop(self) -> None:
        configuration = self.configuration
        key = checkpoint_key(configuration.digest)
        seq, bay = self._resume(key)
        self.loop = Loop(
            bay,
            self.journal,
            self.clock,
            checkpoint_key=key,
            version=__version__,
            zone=ZoneInfo(configuration.bay.time_zone),
            health=self._health,
            told=self._tell,
        )
        if self.journal.last_seq > seq:
            self.loop.catch_up(bay, self._past(seq))
        self._say_circumstances()
        self.loop.start()

    def _resume(self, key: str) -> tuple[int, Bay]:
        """The fold as the newest readable checkpoint kept it; a fresh one where there is none."""

        def unusable(error: JournalError) -> None:
            log.warning("a checkpoint can't be used, the past is folded again: %s", error)

        return resumed(self.journal, key, unusable=unusable) or (0, Bay(self.configuration.bay))

    def _past(self, after: int) -> Iterator[Entry]:
        """The journal's entries after a seq, until it has caught up with the loop that writes on."""
        reader = JournalReader(self.journal_path)
        try:
            last = after - 1
            while last < after:
                last = after
                for record in reader.read(after=last, findings=False):
                    after = record.seq
                    yield record  # type: ignore[misc]  # no findings were asked for
        finally:
            reader.close()

    def _say_circumstances(self) -> None:
        now_ns, clock = self.clock.now_ns(), self.clock
        boot = {"boot": clock.boot_id, "offset_ns": clock.offset_ns, "version": __version__}
        self.loop.put(Circumstance(now_ns, "boot", clock.boot_id, boot))
        digest = self.configuration.digest
        self.journal.remember_configuration(digest, self.configuration.text)
        self.loop.put(Circumstance(now_ns, "configuration", digest, {"name": self.configuration.bay.name}))

    def _start_board(self) -> None:
        told = self.configuration.board_token
        token = secrets.token_urlsafe(24) if told is None else told.reveal()
        self._write_private(TOKEN_NAME, token + "\n")
        host, port = self.configuration.board_host, self.configuration.board_port
        where = str(self.directory / TOKEN_NAME)
        held = {each.port: each.name for each in self.configuration.instruments if each.port is not None}
        self.bench = WireBench(held)
        observing = Observing(
            self.loop, self.journal_path, lambda: self.ports, lambda: self.followers, self.raised
        )
        try:
            self.board = BoardServer(
                self.loop,
                host,
                port,
                token,
                version=__version__,
                token_file=where,
                wires=self.bench,
                observer=observing,
                followers=observing,
                access=access_of(self.configuration.board),
            )
            self.board.start()
        except BoardError as error:
            raise StartError(str(error)) from error
        self._addressed = True
        certificate = str(self.configuration.board.certificate_file or "")
        address = {"url": self.board.local_url, "pid": os.getpid(), "certificate": certificate}
        self._write_private(ADDRESS_NAME, json.dumps(address) + "\n")

    def _write_private(self, name: str, text: str) -> None:
        path = self.directory / name
        fresh = path.with_name(f".{name}.new")
        descriptor = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            file.write(text)
        fresh.replace(path)

    def _health(self) -> dict[str, str]:
        return {port.name: port.health().message for port in self.ports}

    # ------------------------------------------------------------------ stop

    def stop(self) -> None:
        """Stop in the order of the data; the board goes last. Safe after a failed start."""
        self._stop_ports()
        for follower in self.followers:
            follower.stop()
        stuck = False
        if hasattr(self, "loop"):
            self.loop.put(Circumstance(self.clock.now_ns(), "stop", "", {}))
            self.loop.stop()
            stuck = self.loop.alive
        if hasattr(self, "board"):
            self.bench.end()
            self.board.stop()
        if stuck:  # its connection may be in the middle of a write; the kernel lets go of the lock
            log.critical("the loop did not end; what it holds in memory is lost, what was committed is safe")
        elif hasattr(self, "journal"):
            self.journal.close()
        if self._addressed:
            self._addressed = False
            try:
                (self.directory / ADDRESS_NAME).unlink(missing_ok=True)
            except OSError as error:
                log.warning("%s stays behind: %s", ADDRESS_NAME, error)

    def _stop_ports(self) -> None:
        """All at once: one that hangs while opening its wire must not keep the others waiting."""
        if self.by_mqtt is not None:
            self.by_mqtt.stop()
        stoppers = [threading.Thread(target=port.stop, name=f"stop {port.name}") for port in self.ports]
        for stopper in stoppers:
            stopper.start()
        for stopper in stoppers:
            stopper.join()


def access_of(told: BoardSettings) -> Access:
    """Who may reach the board, as it needs to know it."""
    operator, guest = told.operator_code, told.guest_code
    return Access(
        told.names,
        None if operator is None else operator.reveal(),
        None if guest is None else guest.reveal(),
        told.guests,
        told.certificate_file,
        told.key_file,
    )


def with_ports(
    configuration: Configuration, urls: dict[str, str], directory: Path, port: int
) -> Configuration:
    """The configuration with its instruments on other wires and its journal elsewhere: for the demo."""
    wired = tuple(replace(each, port=urls.get(each.name, each.port)) for each in configuration.instruments)
    return replace(configuration, instruments=wired, journal_directory=directory, board_port=port)
