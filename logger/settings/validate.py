"""From TOML text to a `Document`, gathering every fault on the way.

A fault does not hide the next one: what is wrong is taken out and the rest is checked on, and a fault
that only follows from one already told is left unsaid.
"""

from __future__ import annotations

import copy
import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from logger.settings.document import Document
from logger.settings.places import Places, locate
from logger.settings.problems import Path, Problem, SettingsError, did_you_mean, dotted, near, show
from logger.settings.secret import MASK, SHORTEST, is_reference

SECRET_KEYS: frozenset[Path] = frozenset(
    {
        ("board", "token"),
        ("board", "operator_code"),
        ("board", "guest_code"),
        ("mqtt", "password"),
        ("store", "token"),
    }
)

_KINDS = {
    "string_type": ("text in quotes", 'put it in double quotes, e.g. "bronze"'),
    "string_unicode": ("plain text", "write the text again by hand"),
    "int_type": ("a whole number", "write it without quotes and without a point, e.g. 8787"),
    "bool_type": ("true or false", "write it without quotes"),
    "list_type": ("a list", 'write it like ["one", "two"]'),
    "dict_type": ("a table", "give it a heading of its own in square brackets"),
    "model_type": ("a table", "give it a heading of its own in square brackets"),
}
_AT = re.compile(r" ?\(at (?:line (\d+), column (\d+)|end of document)\)$")
_UNQUOTED = re.compile(r"\s*[\w.-]+\s*=\s*[+-]?\d[\d.]*\s*[A-Za-z%]")


@dataclass(slots=True)
class Faults:
    """The problems found so far, and what they make unsure."""

    raw: dict[str, Any] = field(default_factory=dict)
    places: Places = field(default_factory=Places)
    spoiled: set[Path] = field(default_factory=set)
    problems: list[Problem] = field(default_factory=list)
    secrets: tuple[str, ...] = ()  # texts of the file that no message repeats

    def add(self, path: Path, found: str, allowed: str, remedy: str, *needs: Path) -> None:
        """Tell a fault at ``path``, unless it or what the judgement rests on (``needs``) is told already."""
        if any(spoiled == p[: len(spoiled)] for p in (path, *needs) for spoiled in self.spoiled):
            return
        for secret in self.secrets:
            found = found.replace(secret, MASK)
        problem = Problem(dotted(path), self.places.line(path), found, allowed, remedy)
        if problem not in self.problems:
            self.problems.append(problem)

    def written(self, path: Path) -> str:
        """What the file says there, as the person wrote it."""
        value: Any = self.raw
        for part in path:
            value = value.get(part) if isinstance(value, dict) else None
        return show(value)

    def raise_if_any(self, name: str) -> None:
        if self.problems:
            raise SettingsError(name, sorted(self.problems, key=lambda p: p.line or 0))


def read(text: str, name: str) -> tuple[Document, Faults]:
    """The document, as far as it can be read, and the faults found. SettingsError where it is no TOML."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(name, [_not_toml(text, str(error))]) from None
    except (ValueError, RecursionError):
        problem = Problem(
            "", None, "a number with thousands of digits, or lists nested too deep", "", "take it out"
        )
        raise SettingsError(name, [problem]) from None
    faults = Faults(raw, locate(text), secrets=tuple(_secrets(raw)))
    return _validated(copy.deepcopy(raw), faults), faults


def _secrets(raw: dict[str, Any]) -> Iterator[str]:
    for path in SECRET_KEYS:
        value: Any = raw
        for part in path:
            value = value.get(part) if isinstance(value, dict) else None
        if isinstance(value, str) and len(value) >= SHORTEST and not is_reference(value):
            yield value


def _not_toml(text: str, message: str) -> Problem:
    """What the TOML reader said, in our words where we know the slip; never the text itself (secrets)."""
    at = _AT.search(message)
    line = int(at.group(1)) if at and at.group(1) else text.count("\n") + 1
    column = f" (column {at.group(2)})" if at and at.group(2) else ""
    said = _AT.sub("", message)
    lines = text.split("\n")
    if line <= len(lines) and _UNQUOTED.match(lines[line - 1]):
        remedy = 'put quantities and text in double quotes, e.g. resolution = "5 g"'
    elif "overwrite" in said or "twice" in said or "mutate" in said:
        said, remedy = "a key or a heading that stands in the file twice", "keep one of the two, or join them"
    else:
        remedy = "look at this line and the one before it for a missing quote, bracket or equals sign"
    return Problem("", line, f"a text that is not TOML{column}: {said}", "", remedy)


def _validated(data: dict[str, Any], faults: Faults) -> Document:
    for _ in range(3):  # the second pass succeeds; the third is for a surprise in the library
        try:
            return Document.model_validate(data)
        except ValidationError as error:
            for detail in error.errors(include_url=False):
                _tell(detail, faults)
            for detail in error.errors(include_url=False):
                path = _in_data(detail["loc"], data)
                faults.spoiled.add(path)
                _take_out(path, data)
    return Document()


def _tell(detail: ErrorDetails, faults: Faults) -> None:
    path = tuple(detail["loc"])
    context = detail.get("ctx", {})
    found, kind = show(detail["input"]), detail["type"]
    if kind == "settings":
        found, allowed, remedy = context["found"], context["allowed"], context["remedy"]
    elif kind == "extra_forbidden":
        known = _keys_at(path[:-1])
        word = str(path[-1])
        found = f"a key that is not known, {show(word)}"
        allowed, remedy = (
            ", ".join(known),
            did_you_mean(word, known, "take it out, or see the commented examples"),
        )
        faults.add(path, found, allowed, remedy)
        guess = near(word, known)
        if guess is not None and faults.written((*path[:-1], guess)) == show(None):
            faults.spoiled.add((*path[:-1], guess))  # so it is not called missing as well
        return
    elif kind == "literal_error":
        allowed = context["expected"].replace("'", '"')
        words = re.findall(r'"([^"]+)"', allowed)
        otherwise = "use one of these" if words else "use one of these, without quotes"
        remedy = (
            did_you_mean(detail["input"], words, otherwise) if isinstance(detail["input"], str) else otherwise
        )
    elif kind in ("greater_than_equal", "less_than_equal"):
        allowed, remedy = "0 to 65535", "use a port that is free, e.g. 8787"
        if path[0] == "mqtt":
            allowed, remedy = "1 to 65535", "see the broker's own settings; most use 1883, or 8883 with TLS"
        elif path[0] == "store":
            allowed, remedy = "1 or more", "leave it out: 100000 are a good limit"
    else:
        allowed, remedy = _KINDS.get(kind, (detail["msg"], "see the commented examples"))
    if any(path == secret[: len(path)] for secret in SECRET_KEYS) and kind != "extra_forbidden":
        found = "a value that is not shown"
    faults.add(path, found, allowed, remedy)


def _keys_at(path: Path) -> list[str]:
    """The keys that the table at a path may have."""
    kind: Any = Document
    for part in path:
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            kind = _table_in(kind.model_fields[str(part)].annotation)
        else:  # dict[str, Table]
            kind = _table_in(get_args(kind)[1])
    if not (isinstance(kind, type) and issubclass(kind, BaseModel)):
        return []
    return [field.alias or name for name, field in kind.model_fields.items()]


def _table_in(annotation: Any) -> Any:
    """The table, or the tables by name, in an annotation such as ``FeedTable | None``."""
    if get_origin(annotation) is dict or isinstance(annotation, type):
        return annotation
    return next((a for a in get_args(annotation) if a is not type(None)), annotation)


def _in_data(loc: tuple[str | int, ...], data: dict[str, Any]) -> Path:
    """The part of an error's location that the data have, up to a list and not into it."""
    path: Path = ()
    here: Any = data
    for part in loc:
        if not isinstance(here, dict) or part not in here:
            break
        path, here = (*path, part), here[part]
    return path


def _take_out(path: Path, data: dict[str, Any]) -> None:
    here: Any = data
    for part in path[:-1]:
        here = here.get(part)
        if not isinstance(here, dict):
            return  # something around it was taken out before
    if path:
        here.pop(path[-1], None)
