"""A desk without a daemon: a snapshot that tests set, and actions that are checked and noted down."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from logger.balance.document import Scale, WeighUp
from logger.board.desk import Answer
from logger.board.server import BoardServer
from logger.core.actions import BODY, body_json
from logger.journal.journal import JournalError

TOKEN = "a-token-for-tests-only-0123456789"


class FakeDesk:
    """Snapshots change by `show`; `beat` makes one a quarter second, as the fold's ticks would."""

    def __init__(self, snapshot: Mapping[str, Any]) -> None:
        self._wakes: list[Callable[[], None]] = []
        self._lock = threading.Lock()
        self.reset(snapshot)

    def reset(self, snapshot: Mapping[str, Any]) -> None:
        """As new, but for those who watch."""
        with self._lock:
            self._snapshot = dict(snapshot)
        self.submitted: list[tuple[dict[str, Any], str]] = []
        self.answer: Answer | Exception = Answer(True, seq=7)
        self.on_submit: Callable[[dict[str, Any]], None] = lambda action: None
        self.on_snapshot: Callable[[], None] = lambda: None
        self.runs_list: list[dict[str, Any]] = []
        self.lots_list: list[dict[str, Any]] = []
        self.said_list: list[dict[str, Any]] = []
        self.weigh_ups: dict[str, Any] = {}
        self.records: dict[str, dict[str, Any]] = {}
        self.scales_known: dict[str, Scale] = {}
        self.alarms_list: dict[str, Any] = {"at": "", "raised_in_run": {}, "alarms": []}
        self.journal_path = Path("no-journal.sqlite")
        self.strips_known: dict[str, dict[str, Any]] | None = None

    def waiting(self) -> bool:
        """Whether a weight is waited for."""
        return bool(self._snapshot.get("weighing"))

    def snapshot(self) -> Mapping[str, Any]:
        self.on_snapshot()
        return self._snapshot

    def watch(self, wake: Callable[[], None]) -> Callable[[], None]:
        self._wakes.append(wake)
        return lambda: self._wakes.remove(wake)

    @property
    def watched(self) -> int:
        return len(self._wakes)

    def show(self, **changed: Any) -> None:
        """A new snapshot with these parts changed and the next seq."""
        with self._lock:
            self._snapshot = {**self._snapshot, **changed, "seq": self._snapshot["seq"] + 1}
        for wake in list(self._wakes):
            wake()

    @contextmanager
    def beat(self) -> Iterator[None]:
        """New snapshots all the time, from another thread."""
        ended = threading.Event()

        def run() -> None:
            while not ended.wait(0.25):
                self.show()

        thread = threading.Thread(target=run)
        thread.start()
        try:
            yield
        finally:
            ended.set()
            thread.join()

    def submit(self, action: Mapping[str, Any], who: str, timeout_s: float = 5.0) -> Answer:
        body = body_json(BODY.validate_python(dict(action)))
        self.submitted.append((body, who))
        if isinstance(self.answer, Exception):
            raise self.answer
        self.on_submit(body)
        return self.answer

    def lots(self) -> list[dict[str, Any]]:
        return self.lots_list

    def runs(self) -> list[dict[str, Any]]:
        return self.runs_list

    def said(self) -> list[dict[str, Any]]:
        return self.said_list

    def alarms(self) -> dict[str, Any]:
        return self.alarms_list

    def weigh_up(self, run: str) -> WeighUp | None:
        return self._weigh_up(run)

    def lot_weigh_up(self, lot: str) -> WeighUp | None:
        return self._weigh_up(lot)

    def _weigh_up(self, name: str) -> WeighUp | None:
        if isinstance(self.weigh_ups.get(name), Exception):
            raise self.weigh_ups[name]
        return self.weigh_ups.get(name)

    def scales(self) -> dict[str, Scale]:
        return self.scales_known

    def strips(self, station: str, minutes: int = 10) -> dict[str, Any] | None:
        """By default any station but one has strips, and they are empty."""
        if self.strips_known is not None:
            return self.strips_known.get(station)
        return None if station == "none" else {"station": station, "minutes": minutes}

    def run_record(self, run: str) -> dict[str, Any] | None:
        if run == "unreadable":
            raise JournalError("the disk answers with an error", "io")
        return self.records.get(run)

    def tally(self, run: str) -> dict[str, Any] | None:
        return {"run": run} if any(known["run"] == run for known in self.runs_list) else None


@contextmanager
def served(desk: FakeDesk, port: int = 0, host: str = "127.0.0.1", **more: Any) -> Iterator[BoardServer]:
    """A started board on a real port."""
    board = BoardServer(desk, host, port, TOKEN, version="0.0-test", **more)
    board.start()
    try:
        yield board
    finally:
        assert board.stop(10.0), "the board's thread did not end"
