"""What is wrong with a configuration, said so that the person can put it right."""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypeAlias

Path: TypeAlias = tuple[str | int, ...]
"""Where a value stands: keys, and numbers (from 0) inside lists."""

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_SHOWN = 60  # characters of a value that a message repeats


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong. ``place`` is the key path ("": the whole file), ``line`` from 1 (None: not known)."""

    place: str
    line: int | None
    found: str
    allowed: str
    remedy: str

    def __str__(self) -> str:
        place = f"{self.place}: " if self.place else ""
        parts = [f"found {self.found}"]
        if self.allowed:
            parts.append(f"allowed: {self.allowed}")
        if self.remedy:
            parts.append(self.remedy)
        return place + "; ".join(parts)


class SettingsError(Exception):
    """A configuration cannot be used. ``problems`` holds every fault that was found, in the file's order."""

    def __init__(self, name: str, problems: Iterable[Problem]) -> None:
        self.name = name
        self.problems = tuple(problems)
        super().__init__(name, self.problems)

    def __str__(self) -> str:
        return "\n".join(
            f"{self.name}:{p.line}: {p}" if p.line is not None else f"{self.name}: {p}" for p in self.problems
        )


def dotted(path: Path) -> str:
    """A key path as TOML writes it, list places in brackets and counted from 1: ``bay.shifts[2]``."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
            continue
        key = part if _BARE_KEY.fullmatch(part) else json.dumps(part, ensure_ascii=False)
        text += f".{key}" if text else key
    return text


def show(value: object) -> str:
    """A value as a message repeats it: short, on one line."""
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and abs(value) >= 10**_SHOWN:
        return "a very large number"
    text = json.dumps(value, ensure_ascii=False) if isinstance(value, str) else str(value)
    text = "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in text)
    return text if len(text) <= _SHOWN else text[: _SHOWN - 1] + "…"


def say_mass(mass_kg: float) -> str:
    """A mass that the file does not itself write at that place."""
    return f"{mass_kg * 1000:.9g} g" if mass_kg < 1 else f"{mass_kg:.9g} kg"


def one_of(words: Iterable[str]) -> str:
    """``"a", "b" or "c"``."""
    quoted = [f'"{word}"' for word in words]
    if len(quoted) < 2:
        return "".join(quoted)
    return f"{', '.join(quoted[:-1])} or {quoted[-1]}"


def near(word: str, known: Iterable[str]) -> str | None:
    """The known word that the person most likely meant; None where nothing is near."""
    by_lower = {k.lower(): k for k in known}
    # Hyphen and underscore are the commonest slip of all, so they count as equal.
    plain = {k.replace("-", "_"): original for k, original in by_lower.items()}
    best = difflib.get_close_matches(word[:80].lower().replace("-", "_"), list(plain), n=1, cutoff=0.7)
    return plain[best[0]] if best else None


def did_you_mean(word: str, known: Iterable[str], otherwise: str) -> str:
    """The remedy for a word that is not known."""
    guess = near(word, known)
    return otherwise if guess is None else f'did you mean "{guess}"?'
