"""What the daemon knows of itself, gathered from its parts: for `/metrics`, `/readyz` and the followers' API.

A scrape is one moment. While every port is held from handing on, its counts are read and a question is put
into the loop's inbox; the loop answers it after all that was handed on before and nothing that came later. So
frames read, written, held and lost belong together to the piece, however fast readings come.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, NamedTuple

from logger import __version__
from logger.board.follower_routes import Again, FollowerRefused
from logger.board.observed import FollowerSeen, Instrument, Observed, Written
from logger.core.entries import Finding, Garbage, Reading
from logger.core.tagging import Run
from logger.core.walltime import rfc3339
from logger.followers.contract import Follower, Standing
from logger.journal.journal import JournalError, JournalReader
from logger.journal.recorder import COMMIT_BOUNDS_S
from logger.journal.room import beside, free_bytes
from logger.loop import Loop
from logger.ports.contract import Port, PortHealth

PATIENCE_S = 5.0
MARGIN_NS = 10**9
"""Ports stamp before the loop numbers: an entry may stand a little before or after its time."""


class Raised:
    """Counts the alarms raised since the start, by kind. Thread-safe."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._by_kind: dict[str, int] = {}

    def hear(self, findings: Iterable[Finding]) -> None:
        """Of what has been committed."""
        for finding in findings:
            if finding.kind == "alarm" and finding.data.get("state") == "raised":
                kind = str(finding.data.get("kind", ""))
                with self._lock:
                    self._by_kind[kind] = self._by_kind.get(kind, 0) + 1

    def by_kind(self) -> dict[str, int]:
        with self._lock:
            return dict(self._by_kind)


class _Inside(NamedTuple):
    """What only the loop's thread may look at."""

    written: Written
    live: bool
    alarms: dict[tuple[str, str], int] | None


class Observing:
    """Implements `board.observed.Observer` and `board.follower_routes.Followers`."""

    def __init__(
        self,
        loop: Loop,
        journal: Path,
        ports: Callable[[], Sequence[Port]],
        followers: Callable[[], Sequence[Follower]],
        raised: Raised,
    ) -> None:
        self._loop, self._journal = loop, journal
        self._ports, self._followers, self._raised = ports, followers, raised

    # ------------------------------------------------------------------ a scrape

    def observe(self) -> Observed:
        """See `board.observed.Observer`."""
        inbox = self._loop.waiting
        healths, answer = self._cut()
        try:
            inside = answer.result(PATIENCE_S)
        except TimeoutError:
            raise TimeoutError(f"the loop did not answer within {PATIENCE_S:g} s") from None
        return Observed(
            version=__version__,
            instruments=tuple(_instrument(each) for each in healths),
            written=inside.written,
            inbox=inbox,
            live=inside.live,
            followers=tuple(_seen(each.standing()) for each in self._followers()),
            alarms=inside.alarms,
            raised=self._raised.by_kind(),
            journal_bytes=_size(self._journal),
            wal_bytes=_size(beside(self._journal, "-wal")) or 0,
            free_bytes=_free(self._journal.parent),
        )

    def _cut(self) -> tuple[list[PortHealth], Future[_Inside]]:
        """Read the ports' counts and put the question to the loop, in between two frames of each port."""
        ports = self._ports()
        handings = {id(port.handing): port.handing for port in ports}
        with ExitStack() as held:
            for handing in handings.values():
                held.enter_context(handing)
            return [port.health() for port in ports], self._loop.soon(self._look)

    def _look(self) -> _Inside:
        loop = self._loop
        recorder, counts = loop.recorder, loop.recorder.counts
        written = Written(
            readings=counts.readings,
            garbage=dict(counts.garbage),
            others=dict(counts.others),
            held=len(recorder.held),
            held_frames=sum(isinstance(record, Reading | Garbage) for record in recorder.held),
            lost=counts.lost,
            lost_frames=counts.lost_frames,
            bounds_s=COMMIT_BOUNDS_S,
            commits=tuple(counts.took),
            commits_s=counts.took_s,
            newest_seq=recorder.journal.last_seq,
            failing=bool(recorder.failing),
        )
        if loop.folding:
            return _Inside(written, False, None)
        alarms: dict[tuple[str, str], int] = {}
        for alarm in loop.bay.alarms.all():
            key = alarm.judged.kind, str(alarm.state)
            alarms[key] = alarms.get(key, 0) + 1
        return _Inside(written, not loop.broken, alarms)

    # ------------------------------------------------------------------ followers

    def standings(self) -> list[dict[str, Any]]:
        """See `board.follower_routes.Followers`."""
        return [_standing_json(each.standing()) for each in self._followers()]

    def aside(self, name: str, limit: int) -> list[dict[str, Any]]:
        """See `board.follower_routes.Followers`."""
        self._follower(name)
        with self._reading() as reader:
            return [
                {"seq": each.seq, "at": rfc3339(each.at_ns), "reason": each.reason, "text": each.text}
                for each in reader.aside(name, limit)
            ]

    def again(self, name: str, what: Again) -> int:
        """See `board.follower_routes.Followers`."""
        follower = self._follower(name)
        stretches = self._stretches(what)
        with self._reading() as reader:
            last = reader.last_seq
            ranges = [
                (
                    reader.first_seq_at(from_ns - MARGIN_NS),
                    last if to_ns is None else reader.first_seq_at(to_ns + MARGIN_NS) - 1,
                )
                for from_ns, to_ns in stretches
            ]
            return sum(follower.again(first, end) for first, end in ranges if first <= end)

    def _follower(self, name: str) -> Follower:
        found = {each.name: each for each in self._followers()}
        if name not in found:
            there = ", ".join(found) or "none; [store] and [mqtt] in the configuration make one each"
            raise FollowerRefused(
                404, "no-such-follower", f"There is no follower named {name[:60]!r}", f"There are: {there}."
            )
        return found[name]

    def _stretches(self, what: Again) -> list[tuple[int, int | None]]:
        """From and to in station time; None: to the end."""
        if what.start is not None:
            return [what.stretch_ns()]
        tagging = self._loop.tagging()
        if tagging is None:
            raise FollowerRefused(
                503, "not-yet", "The past is folded again, so runs are not known yet", "Try again later."
            )
        runs: Mapping[str, Run] = tagging.runs
        if what.run is not None:
            chosen = [runs[what.run]] if what.run in runs else []
            missing = f"There is no run named {what.run!r}", "/api/v1/runs for the runs there are."
        else:
            chosen = [run for run in runs.values() if run[1] == what.lot]
            missing = f"There is no run of a lot named {what.lot!r}", "/api/v1/lots and /api/v1/runs."
        if not chosen:
            code = "no-such-run" if what.run is not None else "no-such-lot"
            raise FollowerRefused(404, code, missing[0], f"Look at {missing[1]}")
        return [(start_ns, end_ns) for _, _, start_ns, end_ns in chosen]

    @contextmanager
    def _reading(self) -> Iterator[JournalReader]:
        """A reader for one answer; its trouble, and a follower's with the journal, is a refusal."""
        try:
            with JournalReader(self._journal, limit_s=PATIENCE_S) as reader:
                yield reader
        except JournalError as error:
            raise FollowerRefused(503, "journal", error.what, f"{error.do or 'Try again'}.") from error


def _instrument(health: PortHealth) -> Instrument:
    return Instrument(health.name, health.link == "up", health.bytes_in, health.frames, health.rejected)


def _seen(standing: Standing) -> FollowerSeen:
    ledger = standing.ledger
    return FollowerSeen(
        standing.name,
        standing.state,
        standing.lag_s,
        standing.behind_s,
        *ledger,
        counts=dict(standing.counts),
    )


def _standing_json(standing: Standing) -> dict[str, Any]:
    return {
        "name": standing.name,
        "url": standing.url,
        "state": standing.state,
        "lag_s": round(standing.lag_s, 3),
        "backlog_s": round(standing.behind_s, 3),
        "message": standing.message,
        "ledger": standing.ledger._asdict(),
        "counts": dict(standing.counts),
    }


def _size(path: Path) -> int | None:
    try:
        return path.stat().st_size
    except OSError:
        return None


def _free(folder: Path) -> int | None:
    try:
        return free_bytes(folder)
    except OSError:
        return None
