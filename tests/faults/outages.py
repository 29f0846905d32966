"""A daemon on a simulated bay, its store and its broker; faults done to them; and what was lost by it."""

from __future__ import annotations

import json
import time
from collections import Counter
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple, Protocol

from logger.board.client import DaemonClient
from logger.journal.journal import JournalReader
from logger.simulator.demo import DemoBay
from tests import outside
from tests.app.bays import OwnProcess, running_bay, write_configuration
from tests.app.fleet import links, numbers_of, with_links
from tests.followers.store.stub import StoreStub
from tests.mosquitto import Mosquitto, Talker
from tests.program import until
from tests.servers import TOKEN, Held, Influx, VictoriaMetrics, running_store

ROOT = "tallydeck/foundry-bay"
CLEAN_START_S = 2.0
"""Readings flow so long before anything is broken, and after it is well again."""


class Server(Protocol):
    """What a fault is done to."""

    def start(self) -> None: ...
    def stop(self) -> None: ...
    def kill(self) -> None: ...
    def freeze(self) -> None: ...
    def thaw(self) -> None: ...


class Result(NamedTuple):
    """What came of a fault. ``again``: points or events that were sent more than once, which is allowed."""

    lost: int
    strange: int
    again: int
    recovery_s: float
    peak_mb: float
    grown_mb: float
    balanced: bool


@dataclass(slots=True)
class Scene:
    """Everything at once; ``store`` is None or one of `tests.servers`, or a `StoreStub`."""

    home: Path
    bay: DemoBay
    configuration: Path
    store: VictoriaMetrics | Influx | StoreStub | None
    broker: Mosquitto | None
    listener: Talker | None
    daemon: OwnProcess | None = None
    client: DaemonClient | None = None

    @property
    def journal(self) -> Path:
        return self.home / "journal" / "journal.sqlite"

    def begin(self) -> None:
        """Start the daemon, for the first time or again."""
        self.daemon = OwnProcess(self.configuration)
        self.client = self.daemon.client()

    def end(self) -> None:
        assert self.daemon is not None
        daemon, self.daemon = self.daemon, None
        assert daemon.terminate() == 0

    def last_seq(self) -> int:
        with JournalReader(self.journal) as reader:
            return reader.last_seq

    def pending(self, upto: int) -> bool:
        """Whether anything up to that entry is still to go out: by the cursor of the store's follower as the
        journal keeps it, and by what the listener at the broker has heard."""
        with JournalReader(self.journal) as reader:
            state = reader.cursor("store")[1]
            others = [] if self.listener is None else reader.others(0, upto)[0]
        if self.store is not None:
            told = json.loads(state or '{"known": 0, "pending": []}')
            if told["known"] < upto or any(first <= upto for first, _ in told["pending"]):
                return True
        return bool(outside.events(others) - self._heard().keys())

    def _heard(self) -> Counter[int]:
        """Events by seq, as often as they came."""
        heard = [] if self.listener is None else list(self.listener.heard)
        return Counter(json.loads(message.payload)["seq"] for message in heard if _event(message.topic))

    def all_delivered(self, timeout_s: float) -> float:
        """Wait until all that is in the journal now is outside; how long it took (s)."""
        upto, began_s = self.last_seq(), time.monotonic()
        until(lambda: not self.pending(upto), f"all up to entry {upto} outside", timeout_s)
        return time.monotonic() - began_s

    @property
    def followers(self) -> list[str]:
        return ["store"] * (self.store is not None) + ["broker"] * (self.broker is not None)

    def alarm(self, name: str) -> str:
        """The state of an alarm, "" where it never was."""
        assert self.client is not None
        return next((a["state"] for a in self.client.alarms()["alarms"] if a["id"] == name), "")

    def run_through(self, fault: Callable[[], None], timeout_s: float = 60.0) -> Result:
        """Let readings flow, break something, let it mend, and compare both sides."""
        assert self.daemon is not None
        assert self.client is not None
        self.all_delivered(30.0)
        time.sleep(CLEAN_START_S)
        before = numbers_of(self.daemon.process.pid)
        fault()
        recovery_s = self.all_delivered(timeout_s)
        time.sleep(CLEAN_START_S)
        cost = numbers_of(self.daemon.process.pid)
        self.end()
        lost, strange, again, balanced = self.compare()
        grown_mb = cost["rss_mb"] - before["rss_mb"]
        return Result(lost, strange, again, recovery_s, cost["peak_mb"], grown_mb, balanced)

    def compare(self) -> tuple[int, int, int, bool]:
        """Lost, strange, sent again, and whether every ledger balances; the daemon has ended. What a follower
        counts as done must be outside; what it does not may be."""
        told = outside.read(self.journal, self.configuration)
        assert told.ledgers.keys() == set(self.followers)
        lost = strange = again = 0
        if self.store is not None:
            surely, at_most = told.held(told.pending["store"]), told.held()
            if isinstance(self.store, VictoriaMetrics):
                surely, at_most = outside.numbers_only(surely), outside.numbers_only(at_most)
            missing, unknown = outside.lost_and_strange(self._held(len(surely)), surely, at_most)
            lost, strange = len(missing), len(unknown)
            again += told.ledgers["store"].again
        if self.listener is not None:
            seqs = self._heard()
            lost += sum(not told.pending["broker"].holds(seq) for seq in told.events - seqs.keys())
            strange += len(seqs.keys() - told.events)
            again += seqs.total() - len(seqs)
        return lost, strange, again, all(ledger.balanced for ledger in told.ledgers.values())

    def _held(self, count: int) -> Held:
        if isinstance(self.store, StoreStub):
            lines = [
                f"{series} {','.join(f'{name}={value}' for name, value in fields.items())} {at_ns}"
                for (series, at_ns), fields in self.store.held.items()
            ]
            return dict(outside.parsed(line) for line in lines)
        assert self.store is not None
        if isinstance(self.store, Influx):
            return self.store.held()
        # what was written last may show some seconds later
        store, end_s = self.store, time.monotonic() + 15.0
        while len(held := store.held()) < count and time.monotonic() < end_s:
            time.sleep(0.5)
        return held


def _event(topic: str) -> bool:
    return topic.startswith(f"{ROOT}/event/")


def set_aside(at: Scene, never: Callable[[str], bool]) -> int:
    """How many points are kept as set aside; they must be the very lines that are never taken."""
    with JournalReader(at.journal) as reader:
        aside = reader.aside("store", 100_000)
    assert all(never(each.text) and each.reason for each in aside)
    assert len({each.text for each in aside}) == len(aside)
    return len(aside)


class scene:  # noqa: N801  (used as `with scene(...)`)
    """``store``: one of `tests.servers.STORES`, ``stub`` or "". The bay runs at ``speed`` times life."""

    def __init__(
        self, home: Path, *, store: str = "", broker: bool = False, speed: float = 5.0, **more: Any
    ) -> None:
        self._home, self._store, self._broker, self._speed, self._more = home, store, broker, speed, more
        self._stack = ExitStack()

    def __enter__(self) -> Scene:
        with ExitStack() as stack:
            made = self._made(stack)
            made.begin()
            stack.callback(lambda: made.daemon and made.daemon.kill())
            assert made.client is not None
            client = made.client
            until(lambda: not client.state()["recording"]["message"], "live figures", 30.0)
            for action in ({"action": "open-lot", "lot": "L-1"}, {"action": "start-run", "lot": "L-1"}):
                assert client.submit(action).accepted
            self._stack = stack.pop_all()
            return made

    def __exit__(self, *error: object) -> None:
        self._stack.close()

    def _made(self, stack: ExitStack) -> Scene:
        home = self._home
        bay = stack.enter_context(running_bay(home, speed=self._speed))
        (home / "token").write_text(self._more.get("token", TOKEN))
        store: VictoriaMetrics | Influx | StoreStub | None = None
        if self._store == "stub":
            store = stack.enter_context(StoreStub())
        elif self._store:
            real = stack.enter_context(running_store(self._store, home))
            assert isinstance(real, (VictoriaMetrics, Influx))
            store = real
        broker = listener = None
        if self._broker:
            lines = self._more.get("lines", "allow_anonymous true")
            broker = stack.enter_context(Mosquitto(home, lines))
            user = self._more.get("listener")
            listener = stack.enter_context(Talker(broker.port, "#", user=user))
            listener.hasty()
        text = links(
            store="" if store is None else store.url,
            token=str(home / "token"),
            broker=0 if broker is None else broker.port,
            more=self._more.get("more", ""),
        )
        configuration = with_links(write_configuration(bay, home), text)
        return Scene(home, bay, configuration, store, broker, listener)


# ---------------------------------------------------------------------- faults


def killed(server: Server, seconds: float) -> Callable[[], None]:
    """SIGKILL while readings flow; it is away for so long."""

    def fault() -> None:
        server.kill()
        time.sleep(seconds)
        server.start()

    return fault


def stopped(server: Server, seconds: float) -> Callable[[], None]:
    """A clean end; its port refuses for so long."""

    def fault() -> None:
        server.stop()
        time.sleep(seconds)
        server.start()

    return fault


def frozen(server: Server, seconds: float) -> Callable[[], None]:
    """SIGSTOP: it takes connections and answers nothing."""

    def fault() -> None:
        server.freeze()
        time.sleep(seconds)
        server.thaw()

    return fault


def killed_often(server: Server, times: int) -> Callable[[], None]:
    """SIGKILL again and again, also in the midst of making up for the last one."""

    def fault() -> None:
        for _ in range(times):
            server.kill()
            time.sleep(0.3)
            server.start()
            time.sleep(1.2)

    return fault
