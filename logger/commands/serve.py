"""`tallydeck serve`: a daemon around signals, and what its service manager hears of it.

SIGTERM and SIGINT stop cleanly; a second one changes nothing, since what is held is being written. SIGHUP
is ignored: a terminal or a remote session that goes away must not end a record.
"""

from __future__ import annotations

import faulthandler
import logging
import os
import signal
import threading
from collections.abc import Callable, Mapping
from functools import partial
from types import FrameType

from logger.app import Daemon, StartError
from logger.board.probes import WELL
from logger.followers.contract import Follower
from logger.journal.journal import JournalError
from logger.journal.recorder import Recorder
from logger.loop import Loop
from logger.ports.contract import Port
from logger.service.notify import Notifier, watchdog_s
from logger.service.watch import LIMIT_S, Moving, Watch, Worker

log = logging.getLogger("tallydeck")


def run_serve(daemon: Daemon, ready: Callable[[], None], env: Mapping[str, str] | None = None) -> None:
    """Start, watch, and stop at SIGTERM or SIGINT. StartError, JournalError where it can't start or go on."""
    env = os.environ if env is None else env
    enough = threading.Event()
    _listen_to_signals(enough)
    faulthandler.enable()  # a watchdog's SIGABRT then says where every thread stood
    notifier = Notifier.from_environment(env)
    notifier.tell(STATUS="starting")
    try:
        daemon.start()
    except (StartError, JournalError) as error:
        notifier.tell(STATUS=f"can't start: {error}")
        raise
    try:
        ready()
        log.info(
            "recording to %s; the board is at %s",
            daemon.journal_path,
            daemon.board.url,
            extra={"tallydeck": {"kind": "started"}},
        )
        _watch_over(daemon, notifier, watchdog_s(env), enough)
    finally:
        notifier.tell(STOPPING=1, STATUS="stopping: writing what is held")
        log.info("stopping", extra={"tallydeck": {"kind": "stopping"}})
        daemon.stop()


def _watch_over(
    daemon: Daemon, notifier: Notifier, interval_s: float | None, enough: threading.Event
) -> None:
    """Until somebody has had enough: look at every worker, tell the manager. StartError: the loop ended."""
    limit_s = LIMIT_S if interval_s is None else min(LIMIT_S, interval_s / 2)
    workers = workers_of(daemon, limit_s)
    watch = Watch(notifier, interval_s, lambda: workers)
    if not enough.is_set():
        notifier.tell(READY=1)
    while not enough.wait(watch.pause_s):
        watch.turn(status_of(daemon))
        if not daemon.loop.alive:
            raise StartError("the loop ended by itself; see the log, and start again")


def workers_of(daemon: Daemon, limit_s: float = LIMIT_S) -> list[Worker]:
    """Everyone without whom there is no record, no lookout or no board. One line for a new one.

    A port or a follower is well while its thread runs: what its wire or its receiver does, or does not, is an
    alarm of the bay.
    """
    loop, recorder = daemon.loop, daemon.loop.recorder
    return [
        Worker("loop", partial(_loop_trouble, loop, Moving(lambda: loop.progress_ns), limit_s)),
        Worker(
            "journal", partial(_journal_trouble, recorder, Moving(lambda: recorder.counts.commits), limit_s)
        ),
        Worker("board", partial(Moving(daemon.board.beat).stuck, limit_s)),
        *[Worker(f"port {port.name}", partial(_thread_trouble, port)) for port in daemon.ports],
        *[Worker(f"follower {each.name}", partial(_thread_trouble, each)) for each in daemon.followers],
    ]


def _loop_trouble(loop: Loop, turns: Moving, limit_s: float) -> str:
    return turns.stuck(limit_s) if loop.alive else "its thread has ended"


def _journal_trouble(recorder: Recorder, commits: Moving, limit_s: float) -> str:
    """Every second brings an entry, so commits move, or the recorder knows that it fails and holds on."""
    still = commits.stuck(limit_s)
    return "" if recorder.failing else still


def _thread_trouble(of: Port | Follower) -> str:
    return "" if of.alive else "its thread has ended"


def status_of(daemon: Daemon) -> str:
    """One line for `systemctl status`."""
    failing = daemon.loop.recorder.failing
    down = [port.name for port in daemon.ports if port.health().link == "down"]
    record = f"NOT RECORDED: {failing}" if failing else "recording"
    wires = f"link down: {', '.join(down)}" if down else f"{len(daemon.ports)} links"
    behind = [each.name for each in daemon.followers if each.standing().state not in WELL]
    late = f"; behind: {', '.join(behind)}" if behind else ""
    return f"{record}; {wires}{late}; board at {daemon.board.url}"


def _listen_to_signals(enough: threading.Event) -> None:
    def stop(number: int, frame: FrameType | None) -> None:
        if enough.is_set():  # straight to the descriptor: a log may be in the middle of a line
            os.write(2, b"tallydeck: already stopping; what is held is being written\n")
        enough.set()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, stop)
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
