"""Where in a TOML text each key stands, which the standard library's reader does not tell.

Only for text that the standard reader has already accepted: so the scanner finds keys and value ends
and checks nothing. A recursive descent over one position; `locate` is the whole interface.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from dataclasses import dataclass, field

from logger.settings.problems import Path

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_MULTI_BASIC = re.compile(r'"""(?:[^"\\]|\\.|"(?!""))*"{3,5}', re.DOTALL)
_MULTI_LITERAL = re.compile(r"'''(?:[^']|'(?!''))*'{3,5}", re.DOTALL)
_BASIC = re.compile(r'"(?:[^"\\]|\\.)*"')
_LITERAL = re.compile(r"'[^']*'")
_SCALAR = re.compile(r"[^,\]}\r\n#]+")
_ESCAPE = re.compile(r"\\(?:u([0-9A-Fa-f]{4})|U([0-9A-Fa-f]{8})|(.))")
_ESCAPED = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r"}


@dataclass(slots=True)
class Places:
    """Key path -> line of its key (from 1), and -> span of its value in the text."""

    lines: dict[Path, int] = field(default_factory=dict)
    spans: dict[Path, tuple[int, int]] = field(default_factory=dict)

    def line(self, path: Path) -> int | None:
        """The line of the path, or of the nearest table around it that the file has."""
        for end in range(len(path), 0, -1):
            if path[:end] in self.lines:
                return self.lines[path[:end]]
        return None


def locate(text: str) -> Places:
    """The places in a text; none where the scanner meets what it does not know (no line is told then)."""
    try:
        return _Scanner(text).run()
    except (IndexError, RecursionError):
        return Places()


class _Scanner:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.places = Places()
        self.starts = [0] + [i + 1 for i, c in enumerate(text) if c == "\n"]
        self.array_lengths: dict[Path, int] = {}  # of [[tables]]

    def run(self) -> Places:
        table: Path = ()
        while True:
            self.skip(_BLANK)
            if self.at >= len(self.text):
                return self.places
            if self.text[self.at] == "[":
                table = self.header()
            else:
                self.pair(table)

    def skip(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self.text, self.at)
        if match is None:
            raise IndexError(self.at)
        self.at = match.end()
        return match.group()

    def note(self, path: Path) -> None:
        self.places.lines.setdefault(path, bisect_right(self.starts, self.at))

    def header(self) -> Path:
        array = self.text.startswith("[[", self.at)
        self.at += 2 if array else 1
        keys = self.keys()
        path: Path = ()
        for key in keys[:-1] if array else keys:
            path = self.resolve((*path, key))
            self.note(path)
        if array:
            path = (*path, keys[-1])
            self.note(path)
            number = self.array_lengths.get(path, 0)
            self.array_lengths[path] = number + 1
            path = (*path, number)
            self.note(path)
        self.at += 2 if array else 1
        return path

    def resolve(self, path: Path) -> Path:
        """A name of [[tables]] in a header means the last of them."""
        return (*path, self.array_lengths[path] - 1) if path in self.array_lengths else path

    def keys(self) -> list[str]:
        found = []
        while True:
            self.skip(_SPACE)
            found.append(self.key())
            self.skip(_SPACE)
            if not self.text.startswith(".", self.at):
                return found
            self.at += 1

    def key(self) -> str:
        start = self.text[self.at]
        if start == "'":
            return self.skip(_LITERAL)[1:-1]
        if start == '"':
            return _ESCAPE.sub(_unescape, self.skip(_BASIC)[1:-1])
        return self.skip(_BARE)

    def pair(self, table: Path) -> None:
        start = self.at
        path = table
        for key in self.keys():
            path = (*path, key)
            end, self.at = self.at, start
            self.note(path)
            self.at = end
        self.at += 1  # the equals sign
        self.skip(_SPACE)
        self.value(path)

    def value(self, path: Path) -> None:
        start = self.at
        self.note(path)
        match self.text[self.at]:
            case "[":
                self.array(path)
            case "{":
                self.inline(path)
            case '"':
                self.skip(_MULTI_BASIC if self.text.startswith('"""', self.at) else _BASIC)
            case "'":
                self.skip(_MULTI_LITERAL if self.text.startswith("'''", self.at) else _LITERAL)
            case _:
                self.skip(_SCALAR)
        self.places.spans[path] = (start, self.at)

    def array(self, path: Path) -> None:
        self.at += 1
        number = 0
        while True:
            self.skip(_BLANK)
            if self.text[self.at] == "]":
                break
            if self.text[self.at] == ",":
                self.at += 1
                continue
            self.value((*path, number))
            number += 1
        self.at += 1

    def inline(self, path: Path) -> None:
        self.at += 1
        while True:
            self.skip(_BLANK)
            if self.text[self.at] == "}":
                break
            if self.text[self.at] == ",":
                self.at += 1
                continue
            self.pair(path)
        self.at += 1


def _unescape(match: re.Match[str]) -> str:
    code = match.group(1) or match.group(2)
    if code:
        return chr(int(code, 16))
    return _ESCAPED.get(match.group(3), match.group(3))
