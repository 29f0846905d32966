"""One key to go on: keys of a terminal without waiting for Enter, lines where an answer is typed."""

from __future__ import annotations

import os
import select
import sys
import termios
import tty
from collections.abc import Callable
from types import TracebackType
from typing import NamedTuple, Protocol

KEYS = {"\r": "go", "\n": "go", " ": "go", "s": "skip", "S": "skip", "q": "quit", "Q": "quit"}
_WORDS = {"s": "skip", "q": "quit"}
_ERASE = "\x7f\x08"


class Stroke(NamedTuple):
    """A key ("go", "skip", "quit") or, with ``key`` empty, an answer."""

    key: str
    text: str = ""


class Keys(Protocol):
    def poll(self, asking: str, wait_s: float) -> list[Stroke]:
        """What was struck, after at most ``wait_s``. ``asking`` is the kind of answer wanted, or ""."""


class Typed:
    """Characters to strokes. An answer is a line, but for "yes-no", which is a single key."""

    def __init__(self, echo: Callable[[str], None]) -> None:
        self._echo = echo
        self._line = ""

    def feed(self, text: str, asking: str) -> list[Stroke]:
        strokes = []
        for char in text:
            stroke = self._typed(char, asking) if asking else self._struck(char)
            if stroke is not None:
                strokes.append(stroke)
        return strokes

    def _struck(self, char: str) -> Stroke | None:
        self._line = ""
        return Stroke(KEYS[char]) if char in KEYS else None

    def _typed(self, char: str, asking: str) -> Stroke | None:
        if char in "\r\n":
            line, self._line = self._line.strip(), ""
            self._echo("\n")
            return Stroke(_WORDS[line.lower()]) if line.lower() in _WORDS else Stroke("", line)
        if asking == "yes-no" and char.lower() in "ynsq" and not self._line:
            self._echo(f"{char}\n")
            return Stroke(_WORDS[char.lower()]) if char.lower() in _WORDS else Stroke("", char)
        if char in _ERASE:
            if self._line:
                self._line = self._line[:-1]
                self._echo("\b \b")
        elif char.isprintable() and len(self._line) < 40:
            self._line += char
            self._echo(char)
        return None


class Terminal:
    """The keys of the terminal on stdin, as a context: its settings are put back on leaving."""

    def __init__(self) -> None:
        self._fd = sys.stdin.fileno()
        self._typed = Typed(self._echo)
        self._before: list[object] = []
        self._open = True

    def __enter__(self) -> Terminal:
        self._before = termios.tcgetattr(self._fd)
        tty.setcbreak(self._fd)  # Ctrl-C stays a signal
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        termios.tcsetattr(self._fd, termios.TCSADRAIN, self._before)  # type: ignore[arg-type]

    def poll(self, asking: str, wait_s: float) -> list[Stroke]:
        """See `Keys`. A terminal that went away counts as "quit"."""
        if not select.select([self._fd], [], [], wait_s)[0]:
            return []
        try:
            data = os.read(self._fd, 256)
        except OSError:
            data = b""
        return self._typed.feed(data.decode("utf-8", "replace"), asking) if data else [Stroke("quit")]

    @staticmethod
    def _echo(text: str) -> None:
        sys.stderr.write(text)
        sys.stderr.flush()


class Nobody:
    """No terminal: nothing is ever struck."""

    def __init__(self, pause: Callable[[float], object]) -> None:
        self._pause = pause

    def poll(self, asking: str, wait_s: float) -> list[Stroke]:
        self._pause(wait_s)
        return []
