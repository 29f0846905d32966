"""The follower that speaks at the broker: what the bay looks like, retained, and what happened, as messages.

How things stand goes out after each commit, what happened behind a cursor of its own. Whatever is refused or
lost on the way is sent again; the record waits in the journal and is touched by none of it.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from logger.core.description import Bay
from logger.core.entries import Finding
from logger.core.tagging import Clockwork
from logger.followers.contract import Home, Standing
from logger.followers.mqtt import remembered, states
from logger.followers.mqtt.events import Batch, next_batch, payload_of
from logger.followers.mqtt.post import LONG_S, NEVER, SHORT_S, TOO_LARGE, Answer, Post
from logger.followers.mqtt.remembered import Remembered
from logger.followers.mqtt.shown import CLEARED, Shown
from logger.followers.mqtt.topics import Topics
from logger.followers.progress import Progress
from logger.followers.worker import Trouble, Worker
from logger.journal.cursors import Aside
from logger.journal.errors import JournalError
from logger.journal.reader import JournalReader
from logger.ports.broker import Broker
from logger.ports.session import Message

log = logging.getLogger("tallydeck.followers")

NAME = "broker"
FIGURES_S = 1.0  # figures change all the time; they are sent no more often
KEEP_S = 10.0  # how often the cursor is kept where nothing was sent
TURN_S = 0.05  # what happened may take so long in one turn; then it is looked whether an alarm changed
IDLE_S = 1.0
BLIND_S = 5.0  # until a journal that can't be read is tried again


class Link(NamedTuple):
    """How the connection stands: ``number`` counts what became of it, ``why`` it is not there."""

    number: int = 0
    up: bool = False
    why: str = ""


class BrokerFollower:
    """See `followers.contract.Follower`; also a `ports.broker.Subscriber` that reads nothing.

    ``root``: see `topics.Topics`; ``now_ns``: station time; ``rests_s``: see `post.Post`.
    """

    name = NAME
    topic = ""

    def __init__(  # noqa: PLR0917 - what it is made of
        self,
        root: str,
        bay: Bay,
        home: Home,
        journal: Path,
        now_ns: Callable[[], int],
        broker: Broker,
        *,
        rests_s: tuple[float, float] = (LONG_S, SHORT_S),
    ) -> None:
        self._home, self._journal, self._now_ns, self._broker = home, journal, now_ns, broker
        self._topics = Topics(root, bay)
        self._alarms = states.Alarms(self._topics)
        self._shown = Shown()
        self._remembered = Remembered()
        self._worker = Worker("mqtt out", self._turn)
        self._post = Post(broker, self._worker.wake, rests_s)
        self._trouble = Trouble(NAME, home.put, now_ns)
        self._linking = threading.Lock()
        self._link = Link()
        self._on = 0  # the link that the worker has taken up
        self._reader: JournalReader | None = None
        self._progress = Progress(NAME)
        self._batch: Batch | None = None
        self._clockwork: tuple[Clockwork, ...] | None = None  # None: to be asked for
        self._commits = 0  # counted by the loop's thread
        self._seen = -1  # as many of them as were looked at
        self._live = False  # whether the past is folded, so that there are figures
        self._knows_alarms = False
        self._figures_s = self._kept_s = self._blind_s = self._aged_s = float("-inf")
        self._ages_ns = (0, 0)
        self._counts = dict.fromkeys(("events", "states", "refused", "lost"), 0)
        self._unwatch: Callable[[], None] = lambda: None

    # ------------------------------------------------------------------ from the daemon

    def start(self) -> None:
        with JournalReader(self._journal) as reader:
            self._progress = Progress(NAME, reader.cursor(NAME))
            self._remembered = Remembered(reader.cursor(remembered.NAME)[1])
        self._unwatch = self._home.watch(self._commit)
        self._worker.start()
        self._broker.join(self)

    def stop(self, timeout_s: float = 5.0) -> None:
        self._unwatch()
        self._worker.stop(timeout_s)
        if not self._worker.alive and self._reader is not None:
            self._keep(())
            self._reader.close()
            self._reader = None
        self._broker.leave(self)

    @property
    def alive(self) -> bool:
        return self._worker.alive

    def standing(self) -> Standing:
        ledger = self._progress.ledger()
        live_ns, all_ns = self._ages_ns
        now_ns = self._now_ns()
        return Standing(
            NAME,
            self._broker.url,
            self._state(),
            (now_ns - live_ns) / 1e9 if live_ns else 0.0,
            (now_ns - all_ns) / 1e9 if all_ns else 0.0,
            self._trouble.message,
            ledger,
            self._counts | {"bytes": self._post.bytes},
        )

    def _state(self) -> str:
        if self._trouble.paused:
            return "paused"
        if self._trouble.message:
            return "retrying"
        if not self._link.up:
            return "starting"
        return "behind" if self._progress.behind else "live"

    def again(self, first: int, last: int) -> int:
        new = self._progress.put_back(first, last)
        self._keep(())
        self._worker.wake()
        return new

    def _commit(self) -> None:
        self._commits += 1
        self._worker.wake()

    # ------------------------------------------------------------------ from the broker

    def linked(self, why: str) -> None:
        with self._linking:
            self._link = Link(self._link.number + 1, not why, why)
        self._worker.wake()

    def message(self, message: Message) -> None:
        """It reads nothing."""

    def look(self) -> None:
        """The worker looks by itself."""

    # ------------------------------------------------------------------ its own thread

    def _turn(self) -> float:
        """What is there to do, how things stand first; answers how long to rest."""
        link, now_s = self._link, time.monotonic()
        if link.number != self._on:
            self._take_up(link)
        for answer in self._post.answers():
            self._hear(answer)
        commits = self._commits
        committed, self._seen = commits != self._seen, commits
        if link.up:
            self._show(now_s, committed)
        rest_s = self._tell(now_s, link.up, committed)
        self._judge(link)
        return rest_s

    def _take_up(self, link: Link) -> None:
        """The connection came or went: nothing of what was on its way is known, and all states are due."""
        self._on = link.number
        self._post.begin(link.number)
        self._shown.lost()
        if self._batch is not None:
            self._counts["lost"] += len(self._batch.flying)
            self._batch.lost()
        self._figures_s = float("-inf")
        self._knows_alarms = False
        self._seen = -1

    def _hear(self, answer: Answer) -> None:
        """The broker took a message, or did not."""
        if answer.refused:
            self._counts["refused"] += 1
        if not answer.mark:
            if answer.refused and answer.code not in NEVER:
                self._shown.refused(answer.topic)
            else:
                self._counts["states"] += 1
                if self._shown.taken(answer.topic):
                    self._remembered.cleared(answer.topic)
            return
        batch = self._batch
        if batch is None or answer.mark not in batch.flying:
            return
        if answer.code in NEVER:
            finding = batch.flying.pop(answer.mark)
            batch.put_aside(finding, NEVER[answer.code], answer.topic)
        elif answer.refused:
            batch.back(answer.mark)
        else:
            del batch.flying[answer.mark]
            batch.sent += 1
            self._counts["events"] += 1

    def _judge(self, link: Link) -> None:
        """Say how it stands, to the log and to the bay."""
        refused = self._post.trouble
        if link.why:
            what, _, do = link.why.partition("; ")
            self._trouble.failed(what, do or "see the daemon's log", paused=self._broker.shut_out)
        elif refused is not None:
            what, do, must_act = refused
            self._trouble.failed(what, do, paused=must_act)
        elif link.up:
            self._trouble.well()

    # ------------------------------------------------------------------ how things stand

    def _show(self, now_s: float, committed: bool) -> None:
        if committed:
            self._look(now_s)
        snapshot = None
        for topic, payload in self._shown.due():
            if self._post.held(topic):
                continue
            if snapshot is None:
                snapshot = self._home.snapshot()
            text = states.with_head(payload, snapshot["seq"], snapshot["at"])
            if not self._post.fits(topic, text):  # sent, it would cost the connection (MQTT 5.0, 3.2.2.3.6)
                log.warning("%s: %s is %s; it is left as it is there", NAME, topic, TOO_LARGE)
                self._shown.sent(topic, payload)
                self._shown.taken(topic)
                continue
            if not self._post.send(0, topic, text, retain=True):
                return
            self._shown.sent(topic, payload)

    def _look(self, now_s: float) -> None:
        """What should be there, by the newest snapshot: alarms at once, figures each second."""
        if not self._live:
            self._live = self._home.tagging() is not None
        snapshot = self._home.snapshot()
        if self._live:
            if not self._knows_alarms:
                self._alarms.know(self._home.alarms()["alarms"])
                self._knows_alarms = True
            self._shown.want(self._alarms.states(snapshot))
        self._shown.want(states.record(self._topics, snapshot))
        if self._live and now_s - self._figures_s >= FIGURES_S:
            self._figures_s = now_s
            self._look_at_figures(snapshot)

    def _look_at_figures(self, snapshot: Mapping[str, Any]) -> None:
        """Figures fail alone: a fault in one must not keep an alarm back."""
        try:
            self._shown.want(states.stations(self._topics, snapshot))
        except Exception:
            log.exception("%s: a fault of the program; the figures are not sent now", NAME)
            return
        self._shown.want(dict.fromkeys(self._remembered.gone(self._shown.topics), CLEARED))
        changed = self._remembered.cursor()
        if changed is not None:
            self._home.keep(changed)

    # ------------------------------------------------------------------ what happened

    def _tell(self, now_s: float, up: bool, committed: bool) -> float:
        """Work through the journal; answers how long to rest. It fails alone: alarms go out all the same."""
        if now_s < self._blind_s:
            return IDLE_S
        try:
            if committed:
                self._see(now_s)
            return self._work(now_s + TURN_S) if up else IDLE_S
        except JournalError as error:
            log.warning("%s: what happened can't be told now: %s", NAME, error)
        except Exception:
            log.exception("%s: a fault of the program; what happened is tried again", NAME)
        self._blind_s = now_s + BLIND_S
        if self._reader is not None:
            self._reader.close()
            self._reader = None
        return IDLE_S

    def _see(self, now_s: float) -> None:
        """How far the journal has come, and how old the oldest is that is still to be told."""
        reader = self._reader = self._reader or JournalReader(self._journal)
        self._progress.see(reader.last_seq)
        if now_s - self._aged_s >= 1.0:
            self._aged_s = now_s
            live, old = self._progress.live(1), self._progress.backlog(1)
            live_ns = _at_ns(reader, live)
            self._ages_ns = live_ns, _at_ns(reader, old) or live_ns

    def _work(self, until_s: float) -> float:
        reader = self._reader
        while reader is not None and time.monotonic() < until_s:
            if self._batch is None:
                self._batch = next_batch(self._progress, reader)
                if self._batch is None:
                    self._ages_ns = 0, 0
                    return IDLE_S
                if self._batch.tells_time:
                    self._clockwork = None
            if not self._send(self._batch):
                return IDLE_S  # an answer will wake it
            self._settle(self._batch)
        return 0.0

    def _send(self, batch: Batch) -> bool:
        """Send what there is room for; answers whether the batch is done."""
        while batch.waiting:
            finding = batch.waiting[0]
            topic = self._topics.event(finding.kind)
            if self._post.held(topic):
                break
            payload = self._payload(finding)
            if not self._post.fits(topic, payload):
                batch.put_aside(batch.waiting.popleft(), TOO_LARGE, f"{topic} {payload}")
                continue
            batch.flying[finding.seq] = batch.waiting.popleft()  # before its answer can come
            if not self._post.send(finding.seq, topic, payload, retain=False):
                batch.back(finding.seq)
                break
        return batch.done

    def _payload(self, finding: Finding) -> str:
        if self._clockwork is None:
            tagging = self._home.tagging()
            if tagging is None:  # the past is folded again
                return payload_of(finding, ())
            self._clockwork = tagging.clockwork
        return payload_of(finding, self._clockwork)

    def _settle(self, batch: Batch) -> None:
        self._progress.settle(batch.first, batch.last, batch.read, batch.aside)
        self._batch = None
        if batch.sent or batch.aside or time.monotonic() - self._kept_s >= KEEP_S:
            self._keep(batch.aside)

    def _keep(self, aside: tuple[Aside, ...] | list[Aside]) -> None:
        self._kept_s = time.monotonic()
        self._home.keep(self._progress.cursor()._replace(aside=tuple(aside)))


def _at_ns(reader: JournalReader, found: tuple[int, int] | None) -> int:
    """Station time of the first of these entries; 0 where there is none."""
    if found is None:
        return 0
    first = next(iter(reader.read(found[0] - 1, found[0])), None)
    return 0 if first is None else first.at_ns
