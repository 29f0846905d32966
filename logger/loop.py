"""The one loop: owns all state and every write.

Ports and people put things in; the loop numbers them, applies them in memory, and commits entries and
findings together: at once when an alarm changes or a person said something, else every 250 ms. Only
after the commit does anybody hear of it. If the journal can't write, folding goes on, what is held is
kept in memory and tried again each second, and the snapshot says *not recorded*.

A restart whose checkpoint does not match records at once and folds the past behind (`catch_up`); until
that is done entries are committed without being folded, and no alarm sounds about the past.
"""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from datetime import UTC, tzinfo
from functools import partial
from pathlib import Path
from typing import Any, Protocol, TypeAlias, TypeVar

from logger.board.desk import Answer
from logger.clock import stopwatch_ns
from logger.core.actions import BODY
from logger.core.bay import Bay
from logger.core.books import Refused
from logger.core.entries import Action, Circumstance, Entry, Finding, Garbage, Reading, Tick
from logger.core.picture import picture
from logger.core.tagging import Tagging, tagging
from logger.core.walltime import rfc3339
from logger.journal.checkpoint import freeze
from logger.journal.cursors import Cursor
from logger.journal.journal import Journal, JournalError
from logger.journal.recorder import Recorder
from logger.questions import Questions

log = logging.getLogger("tallydeck.loop")

NS = 10**9
COMMIT_NS = 250_000_000
RETRY_NS = NS
CHECKPOINT_NS = 60 * NS
CLOCK_STEP_NS = 500_000_000
QUIET = frozenset({"recognised", "tally", "rates"})
"""Findings that need not be told at once."""
UNTOLD = frozenset({"alarm", "recognised", "tally", "rates", "refused", "repeated"})
"""Findings that an answer to an action does not carry."""


class Times(Protocol):
    """What the loop needs of a clock; `logger.clock.Clock` is one."""

    boot_id: str

    def now_ns(self) -> int:
        """Station time."""

    def step_ns(self) -> int:
        """How far the wall clock has moved away from station time."""

    def trusted(self) -> bool:
        """Whether the wall clock may be believed as a date."""


@dataclass(slots=True)
class Said:
    """An action on its way through the loop."""

    body: Any
    who: str
    done: threading.Event = field(default_factory=threading.Event)
    answer: Answer | None = None


@dataclass(frozen=True, slots=True)
class Call:
    """Something to be done in the loop's thread."""

    work: Callable[[], None]


T = TypeVar("T")
Item: TypeAlias = Reading | Garbage | Circumstance | Said | Call


class Loop(Questions):
    """Implements `board.desk.Desk`."""

    def __init__(
        self,
        bay: Bay,
        journal: Journal,
        clock: Times,
        *,
        checkpoint_key: str = "",
        version: str = "",
        zone: tzinfo = UTC,
        health: Callable[[], Mapping[str, str]] = dict,
        told: Callable[[list[Finding]], None] = lambda findings: None,
    ) -> None:
        self.bay = bay
        self.recorder = Recorder(journal)
        self._clock = clock
        self._key = checkpoint_key
        self._version = version
        self._zone = zone
        self._health = health
        self._told = told
        self._untold: list[Finding] = []
        self._inbox: queue.SimpleQueue[Item] = queue.SimpleQueue()
        self._at_ns = 0
        self._waiting: list[Said] = []
        self._urgent = False
        self._broken = ""
        self._behind = False
        self._later: list[Said] = []
        self._stopwatch = stopwatch_ns
        self._due_ns = 0
        self._checked_ns = 0
        self._frozen_ns = 0
        self._step_ns = 0
        self._trusted = False
        self._watchers: dict[int, Callable[[], None]] = {}
        self._watcher = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="loop", daemon=True)
        self._snapshot: Mapping[str, Any] = {}
        self._ready = threading.Event()
        self.progress_ns = 0  # by the stopwatch, the last full turn; a watchdog reads it

    # ------------------------------------------------------------------ from other threads

    def put(self, item: Reading | Garbage | Circumstance) -> None:
        """Hand an item in. Thread-safe; never blocks."""
        self._inbox.put(item)

    @property
    def journal_path(self) -> Path:
        return self.recorder.journal.path

    def keep(self, cursor: Cursor) -> None:
        """Keep how far a follower has come, with the next commit. Thread-safe; never blocks."""
        self._inbox.put(Call(partial(self.recorder.keep, cursor)))

    def tagging(self) -> Tagging | None:
        """What tags a reading, as it stands now; None while the past is folded again behind."""
        return self._ask(lambda: None if self._behind else tagging(self.bay))

    def soon(self, look: Callable[[], T]) -> Future[T]:
        """Have something looked up in the loop's thread, after all that was put before. Never blocks.

        What ``look`` raises is the answer's: a question must never end the record.
        """
        found: Future[T] = Future()

        def work() -> None:
            try:
                found.set_result(look())
            except Exception as error:  # noqa: BLE001 - handed on to the asker
                found.set_exception(error)

        self._inbox.put(Call(work))
        return found

    @property
    def folding(self) -> bool:
        """Whether the past is folded again behind: `bay` is not to be looked at then."""
        return self._behind

    @property
    def broken(self) -> str:
        """Why there are no live figures; "" while there are."""
        return self._broken

    @property
    def waiting(self) -> int:
        """How many items wait to be taken."""
        return self._inbox.qsize()

    def start(self) -> None:
        self._thread.start()

    def stop(self, timeout_s: float = 10.0) -> None:
        """Take what is in the inbox, commit, keep a checkpoint, end. Safe to call twice."""
        self._stop.set()
        self._inbox.put(Call(lambda: None))
        if self._thread.is_alive():
            self._thread.join(timeout_s)

    @property
    def alive(self) -> bool:
        """Whether its thread runs."""
        return self._thread.is_alive()

    def snapshot(self) -> Mapping[str, Any]:
        self._ready.wait(5.0)
        return self._snapshot

    def watch(self, wake: Callable[[], None]) -> Callable[[], None]:
        self._watcher += 1
        number = self._watcher
        self._watchers[number] = wake

        def end() -> None:
            self._watchers.pop(number, None)

        return end

    def submit(self, action: Mapping[str, Any], who: str, timeout_s: float = 5.0) -> Answer:
        body = BODY.validate_python(dict(action))
        said = Said(body, body.who or who)
        self._inbox.put(said)
        if not said.done.wait(timeout_s):
            return Answer(
                False, "the daemon did not answer in time; look whether it was done", recorded=False
            )
        assert said.answer is not None  # noqa: S101  (set before done)
        return said.answer

    def _ask(self, look: Callable[[], T], timeout_s: float = 5.0) -> T:
        """Let the loop's thread look something up, so that nobody sees half a change.

        What ``look`` raises is raised here: a question must never end the record.
        """

        def written() -> T:
            if self.recorder.held and not self.recorder.failing:
                self._commit()
            return look()

        try:
            return self.soon(written).result(timeout_s)
        except TimeoutError:
            raise TimeoutError("the loop did not answer within 5 s; it may be stopping") from None

    def catch_up(self, bay: Bay, entries: Iterator[Entry]) -> threading.Thread:
        """Record at once and fold the past behind: call before `start`.

        ``entries`` are the journal's up to its present end, for ``bay`` to be folded with.
        """
        self._behind = True

        def fold() -> None:
            try:
                for entry in entries:
                    if self._stop.is_set():
                        return
                    bay.apply(entry)
            except Exception as error:
                log.exception("the past can't be folded; recording goes on without live figures")
                self._broken = f"the past can't be folded: {error!r}"
            else:
                self._inbox.put(Call(lambda: self._adopt(bay)))

        thread = threading.Thread(target=fold, name="catch-up", daemon=True)
        thread.start()
        return thread

    # ------------------------------------------------------------------ the loop's own thread

    def _run(self) -> None:
        while not self._stop.is_set():
            self._turn(self._next_items())
        while not self._inbox.empty():
            self._turn([self._inbox.get()])
        self._commit()
        if self.recorder.held:  # a removed or damaged file is put right by the second try
            self._commit()
        self.recorder.rescue()
        self._keep_checkpoint()

    def _next_items(self) -> list[Item]:
        """Wait for something, at most a commit's interval; take all that is there, within reason."""
        items: list[Item] = []
        try:
            items.append(self._inbox.get(timeout=0.1 if self.recorder.held else 0.25))
            while len(items) < 5000:
                items.append(self._inbox.get_nowait())
        except queue.Empty:
            pass
        return items

    def _turn(self, items: list[Item]) -> None:
        """One turn, in order: gather, apply, watch the clock, commit, tell."""
        for item in items:
            self._take(item)
        now_ns = self._clock.now_ns()
        if now_ns - self._checked_ns >= NS:
            self._each_second(now_ns)
        if self._stopwatch() >= self._due_ns or (self._urgent and not self.recorder.failing):
            self._commit()
        elif self._urgent:  # the journal can't write now: it goes out at once, marked not recorded
            self._urgent = False
            self._tell()
        self.progress_ns = self._stopwatch()

    def _take(self, item: Item) -> None:
        if isinstance(item, Call):
            item.work()
        elif isinstance(item, Said):
            self._hear(item)
        else:
            self._enter(item)

    def _enter(self, item: Entry) -> list[Finding]:
        """Number an entry, apply it, hold it and its findings for the next commit."""
        self._at_ns = max(self._at_ns, item.at_ns)
        found = self._apply(self.recorder.hold(item))
        for finding in found:
            self._untold.append(self.recorder.hold(finding))
            if finding.kind not in QUIET:
                self._urgent = True
        return found

    def _apply(self, entry: Entry) -> list[Finding]:
        """Fold an entry. A fault in the fold stops the live figures, loudly, but never the record."""
        if self._behind or self._broken:
            return []
        try:
            return self.bay.apply(entry)
        except Exception as error:
            log.exception("the fold failed at entry %d; recording goes on without live figures", entry.seq)
            self._broken = f"live figures stopped at entry {entry.seq}: {error!r}; restart to fold again"
            return []

    def _hear(self, said: Said) -> None:
        if self._behind:
            self._later.append(said)
            return
        try:
            earlier = self.bay.books.taken(said.body.id, said.body)
        except Refused:
            earlier = None  # the fold refuses it, and says why
        if earlier is not None:
            said.answer = Answer(True, "this action was taken before", earlier, repeated=True)
            said.done.set()
            return
        action = Action(max(self._clock.now_ns(), self._at_ns), said.body, said.body.id, said.who)
        found = self._enter(action)
        refused = [f.data["reason"] for f in found if f.kind == "refused"]
        told = [f for f in found if f.cause == self.bay.seq and f.kind not in UNTOLD]
        data = {f.kind: f.data for f in told}
        seq = self.bay.seq
        said.answer = Answer(not refused, "; ".join(refused), seq, data=data)
        self._waiting.append(said)
        self._urgent = True

    def _adopt(self, bay: Bay) -> None:
        """The past is folded; take up what was recorded meanwhile, and go on folding live."""
        self._commit()
        for record in self.recorder.journal.read(after=bay.seq, findings=False):
            bay.apply(record)  # type: ignore[arg-type]  # no findings were asked for
        for held in self.recorder.held:  # only where the journal can't write now
            if not isinstance(held, Finding):
                bay.apply(held)
        self.bay = bay
        self._behind = False
        log.info("the past is folded again up to entry %d; alarms are live", bay.seq)
        later, self._later = self._later, []
        for said in later:
            self._hear(said)

    def _each_second(self, now_ns: int) -> None:
        self._checked_ns = now_ns
        step_ns = self._clock.step_ns()
        moved = abs(step_ns - self._step_ns) > CLOCK_STEP_NS
        if moved or (not self._trusted and self._clock.trusted()):
            if moved:
                log.warning("the wall clock moved; it is now %+.1f s from station time", step_ns / NS)
            self._step_ns, self._trusted = step_ns, self._trusted or self._clock.trusted()
            data = {"boot": self._clock.boot_id, "step_ns": step_ns, "trusted": self._trusted}
            self._enter(Circumstance(now_ns, "clock", "", data))
        if now_ns - self._at_ns >= NS:
            self._enter(Tick(now_ns))
        if self._stopwatch() - self._frozen_ns >= CHECKPOINT_NS:
            self._frozen_ns = self._stopwatch()
            self._keep_checkpoint()

    def _commit(self) -> None:
        """Make what is held durable, then tell. On failure hold on, and try again in a second."""
        self._urgent = False
        for state, message, do in self.recorder.write():
            data = {"state": state, "message": message} | ({"do": do} if do else {})
            self._enter(Circumstance(max(self._clock.now_ns(), self._at_ns), "journal", "", data))
        if self.recorder.held and not self.recorder.failing:
            self.recorder.write()
        self._urgent = False
        self._due_ns = self._stopwatch() + (RETRY_NS if self.recorder.failing else COMMIT_NS)
        self._tell()

    def _tell(self) -> None:
        """Publish: a new snapshot for the board, an answer for whoever waits, findings for who listens."""
        failing = self.recorder.failing
        self._snapshot = self._picture(failing)
        self._ready.set()
        for said in self._waiting:
            if said.answer is not None and failing:
                said.answer = replace(said.answer, recorded=False)
            said.done.set()
        self._waiting = []
        untold, self._untold = self._untold, []
        calls: list[Callable[[], None]] = [partial(self._told, untold), *self._watchers.values()]
        for call in calls:
            try:
                call()
            except Exception:
                log.exception("somebody who listens failed; the record is not touched by it")

    def _picture(self, failing: str) -> Mapping[str, Any]:
        recording = {
            "state": "not-recorded" if failing else "recorded",
            "held": len(self.recorder.held) if failing else 0,
            "message": failing or self._broken or ("folding the past again" if self._behind else ""),
        }
        try:
            made = picture(self.bay, recording, self._health(), self._version, self._zone)
        except Exception as error:
            log.exception("no picture of the bay could be made; recording goes on")
            made = dict(self._snapshot) | {
                "recording": recording | {"message": f"no live figures: {error!r}"}
            }
        head = {"seq": self.recorder.seq, "at": rfc3339(max(self._at_ns, 0))}
        return made | head | {"wall_step_s": round(self._step_ns / NS, 1)}

    def _keep_checkpoint(self) -> None:
        if self._behind or self._broken or self.recorder.held or not self._key or self.bay.seq == 0:
            return
        try:
            self.recorder.journal.save_checkpoint(self.bay.seq, self._key, freeze(self.bay))
        except JournalError as error:
            log.error("no checkpoint was kept: %s", error)
