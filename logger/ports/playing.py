"""A recording played back as a port: a pty on which it comes again, and recorded requests are answered.

What came by itself comes at its times. Where something was sent while recording, each recorded request is
answered, when it comes again, with what came after it then; after the last answer to a request its first
one is next. While nobody has the port open the recording waits, so that nothing of it is lost; it begins
a moment after an opening, as opening drops what is there.
"""

from __future__ import annotations

import os
import select
import time
import tty
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from logger.ports.tape import Piece

SETTLE_S = 0.15
GLANCE_S = 0.02
MOST_HEARD = 4096


@dataclass(slots=True)
class _Answers:
    """What followed a request, each time it was sent; ``turn`` counts how often it was answered."""

    times: list[list[Piece]]
    turn: int = 0

    def next(self) -> list[Piece]:
        answer = self.times[self.turn % len(self.times)]
        self.turn += 1
        return answer


def _sort(pieces: Sequence[Piece]) -> tuple[list[Piece], dict[bytes, _Answers]]:
    """(what came before anything was sent, request -> its answers with times from the request on)."""
    alone: list[Piece] = []
    answers: dict[bytes, _Answers] = {}
    into, since_ns = alone, 0
    for piece in pieces:
        if piece.out:
            into, since_ns = [], piece.t_ns
            answers.setdefault(piece.data, _Answers([])).times.append(into)
        else:
            into.append(Piece(piece.t_ns - since_ns, piece.data))
    return alone, answers


class Player:
    """Plays on a pty of its own. ``path`` is where to open it. ``speed``: times as fast as recorded.
    ``at``: a symbolic link of a fixed name; FileExistsError where something else stands there."""

    def __init__(
        self, pieces: Sequence[Piece], *, speed: float = 1.0, loop: bool = False, at: Path | None = None
    ) -> None:
        self._alone, self._answers = _sort(pieces)
        self._speed, self._loop = speed, loop
        self._due: list[tuple[float, bytes]] = []
        self._heard = b""
        self._link = at
        self._fd, slave = os.openpty()
        tty.setraw(slave)
        self._device = os.ttyname(slave)
        os.close(slave)
        os.set_blocking(self._fd, False)
        if at is not None:
            try:
                self._place(at)
            except BaseException:
                os.close(self._fd)
                raise
        self.path = str(at or self._device)

    def _place(self, at: Path) -> None:
        if at.is_symlink():
            at.unlink()
        at.symlink_to(self._device)

    def close(self) -> None:
        """Hang up and take the link away; safe to call twice."""
        if self._fd < 0:
            return
        os.close(self._fd)
        self._fd = -1
        if self._link is not None and self._link.is_symlink() and str(self._link.readlink()) == self._device:
            self._link.unlink()

    def play(self, stopped: Callable[[], bool]) -> None:
        """Until the recording has come to its end and what was sent is read, or until stopped. A recording
        with requests has no end: it answers as long as it is asked."""
        while not stopped():
            if not self._await_opening(stopped):
                return
            if self._alone and not self._run(stopped):
                continue
            if self._answers:
                self._serve(stopped, until_s=None)
            elif not self._loop:
                return

    def _await_opening(self, stopped: Callable[[], bool]) -> bool:
        """Wait until somebody has the port open and has had time to drop what was there."""
        while self._nobody():
            if stopped():
                return False
            time.sleep(GLANCE_S)
        time.sleep(SETTLE_S)
        return True

    def _nobody(self) -> bool:
        poll = select.poll()
        poll.register(self._fd, 0)
        return any(flags & select.POLLHUP for _, flags in poll.poll(0))

    def _run(self, stopped: Callable[[], bool]) -> bool:
        """What came by itself, each piece at its time; True at its end."""
        at_ns = 0
        for piece in self._alone:
            wait_s = (piece.t_ns - at_ns) / 1e9 / self._speed
            at_ns = piece.t_ns
            if not self._serve(stopped, until_s=time.monotonic() + wait_s):
                return False
            if not self._write(piece.data, stopped):
                return False
        return True

    def _serve(self, stopped: Callable[[], bool], until_s: float | None) -> bool:
        """Answer until a time. False where it was stopped; a port that was closed is waited for."""
        while not stopped():
            if self._nobody():
                late_s = time.monotonic()
                if not self._await_opening(stopped):
                    return False
                until_s = None if until_s is None else until_s + time.monotonic() - late_s
            now_s = time.monotonic()
            self._listen(now_s)
            while self._due and self._due[0][0] <= now_s:
                if not self._write(self._due.pop(0)[1], stopped):
                    return False
            if until_s is not None and now_s >= until_s and not self._due:
                return True
            soon_s = min([GLANCE_S, *(at - now_s for at, _ in self._due[:1])])
            if until_s is not None:
                soon_s = min(soon_s, until_s - now_s)
            select.select([self._fd], [], [], max(0.0005, soon_s))
        return False

    def _listen(self, now_s: float) -> None:
        """Take what is sent, and note the answers to requests in it."""
        try:
            self._heard = (self._heard + os.read(self._fd, MOST_HEARD))[-MOST_HEARD:]
        except OSError:  # nothing there, or nobody
            return
        while True:
            places = [(self._heard.find(request), -len(request), request) for request in self._answers]
            found = min((place for place in places if place[0] >= 0), default=None)
            if found is None:
                return
            request = found[2]
            self._heard = self._heard[found[0] + len(request) :]
            for piece in self._answers[request].next():
                self._due.append((now_s + piece.t_ns / 1e9 / self._speed, piece.data))

    def _write(self, data: bytes, stopped: Callable[[], bool]) -> bool:
        """Every byte, however slowly it is read; False where stopped before."""
        while data:
            if stopped():
                return False
            if self._nobody() and not self._await_opening(stopped):
                return False
            _, ready, _ = select.select([], [self._fd], [], GLANCE_S)
            try:
                data = data[os.write(self._fd, data) :] if ready else data
            except OSError:  # full, or closed in this moment
                time.sleep(GLANCE_S)
        return True
