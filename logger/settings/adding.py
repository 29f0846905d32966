"""A proposed instrument as text for a configuration, and how it is added to a file.

What is there stays to the byte: the text is put behind it, the whole is read as the daemon would, and only
then the file is replaced in one step. So no copy of the old one is kept. A new file gets a station too,
so that it can be served at once.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import tempfile
import tomllib
from collections.abc import Mapping
from pathlib import Path

from logger.core.guess.proposal import Proposal
from logger.settings.load import loads
from logger.settings.problems import Problem, SettingsError

_BARE = re.compile(r"[A-Za-z0-9_-]+")
HEAD = '# Made by tallydeck wire find. What it could not tell is marked "?": look at it.\n\n'


class AddError(Exception):
    """The instrument can't be added; nothing was changed. The message says why and what to do."""


def instrument_toml(name: str, port: str, found: Proposal) -> str:
    """The instrument's table, commented. AddError where the proposal can't be written yet."""
    trouble = why_not(found)
    if trouble:
        raise AddError(trouble)
    lines = [f"[instruments.{_key(name)}]", f"port = {_text(port)}", f"dialect = {_text(found.dialect)}"]
    lines.append(f"mode = {_text(found.mode)}")
    if found.mode == "poll" and found.interval_s is not None:
        lines.append(f"interval = {_text(_time(found.interval_s))}")
    if found.timeout_s is not None:
        lines.append(f"timeout = {_text(_time(found.timeout_s))}            # it answers slowly")
    if found.mode != "poll" and found.interval_s is not None:
        lines.append(f"# it sends every {_time(found.interval_s)}; the daemon learns that by itself")
    if found.settings is not None:
        lines += [f"baud = {found.settings[0]}", f"format = {_text(found.settings[1])}"]
    step = _text(f"{found.resolution} {found.unit}")
    lines.append(f"resolution = {step}    # ? a guess; compare with d on the plate")
    if found.quantity != "mass":
        lines.append('quantity = "flow"')
    else:
        lines.append('# capacity = "30 kg"          # ? the most it can weigh: Max on the plate')
        lines.append('zero_tracking = "unknown"     # ? see its menu; "on" swallows a trickle of product')
        lines.append(_shows(found))
    lines.append(f"unit = {_text(found.unit or '')}                   # another unit on the wire is an alarm")
    lines += [f"# {_plain(reason)}" for reason in found.reasons]
    lines += [f"# ? {_plain(question)}" for question in found.questions]
    return "\n".join([*lines, *_line_table(name, found)]) + "\n"


def why_not(found: Proposal) -> str:
    """Why a proposal can't be written into a configuration; "" where it can."""
    if found.trouble:
        return found.trouble
    if found.unit is None:
        return "the lines tell no unit; look at the display and give it with --unit, e.g. --unit kg"
    if not found.request.isascii():
        return "the request holds bytes beyond ASCII, which the configuration cannot hold"
    return ""


def _shows(found: Proposal) -> str:
    if found.shows:
        return f"shows = {_text(found.shows)}"
    return '# shows = "gross"             # ? gross or net: its lines do not say'


def _line_table(name: str, found: Proposal) -> list[str]:
    if found.line is None:
        return []
    line = found.line
    lines = ["", f"[instruments.{_key(name)}.line]", f"# e.g. {_plain(ascii(found.example)[1:])}"]
    lines.append(f"layout = {_text(line.layout)}")
    if line.words:
        pairs = ", ".join(f"{_key(word)} = {_text(means)}" for word, means in line.words.items())
        lines.append(f"words = {{ {pairs} }}")
    lines.append(f"end = {_text(line.end)}")
    if line.decimal != ".":
        lines.append(f"decimal = {_text(line.decimal)}")
    if found.mode == "poll":
        lines.append(f"request = {_text(line.request)}")
    return lines


def _station_toml(name: str, found: Proposal) -> str:
    """The least station that uses the instrument."""
    head = "\n# A station so that this file can be served at once; name your own outlets.\n[stations.table]\n"
    if found.quantity != "mass":
        return f'{head}outlets = ["concentrate"]\n\n[stations.table.water.{_key(name)}]\n'
    return (
        f"{head}outlets = [{_text(name)}]\n\n[stations.table.container]\n"
        "# ? drains: basket, holed pail; brim-full: stands full of water; retains: keeps all its water\n"
        'kind = "unknown"\n'
    )


def add_instrument(
    path: Path, name: str, port: str, found: Proposal, env: Mapping[str, str] | None = None
) -> str:
    """Add the instrument to a configuration, which is made where it is missing; gives the text added.

    AddError, and nothing changed, where a table of the name stands there, where the proposal is not
    complete, or where the whole would have a fault that it has not now. OSError where it can't be written.
    """
    text = instrument_toml(name, port, found)
    target = path.resolve()
    try:
        old = target.read_bytes()
    except FileNotFoundError:
        old = b""
    if not old.strip():
        text = HEAD + text + _station_toml(name, found)
    before = _decoded(path, old)
    _refuse_double(path, before, name)
    line_end = "\r\n" if "\r\n" in before else "\n"
    lead = "" if not before else "\n" if before.endswith("\n") else "\n\n"
    added = (lead + text).replace("\n", line_end)
    fresh = _faults(before + added, path, env) - (_faults(before, path, env) if before.strip() else set())
    if fresh:
        told = "\n".join(sorted(fresh))
        raise AddError(f"{path} was not changed, as with the instrument it would be wrong:\n{told}")
    _replace(target, old, old + added.encode("utf-8"))
    return added


def _decoded(path: Path, old: bytes) -> str:
    try:
        return old.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise AddError(f"{path} is not UTF-8 text; save it again as UTF-8") from error


def _refuse_double(path: Path, before: str, name: str) -> None:
    try:
        there = tomllib.loads(before).get("instruments", {})
    except tomllib.TOMLDecodeError as error:
        raise AddError(f"{path} is not TOML, so nothing is added: {error}") from error
    if isinstance(there, dict) and name in there:
        raise AddError(f'{path} has an instrument "{name}" already; choose another name with --name')


def _faults(text: str, path: Path, env: Mapping[str, str] | None) -> set[str]:
    try:
        loads(text, str(path), env)
    except SettingsError as error:
        return {str(Problem(p.place, None, p.found, p.allowed, p.remedy)) for p in error.problems}
    return set()


def _replace(target: Path, old: bytes, new: bytes) -> None:
    """In one step, and only where nobody changed the file meanwhile."""
    there = target.exists()
    handle, fresh = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(new)
            file.flush()
            os.fsync(file.fileno())
        if there:
            shutil.copymode(target, fresh)
        else:
            Path(fresh).chmod(0o644)
        if (target.read_bytes() if there else b"") != old:
            raise AddError(f"{target} was changed meanwhile; nothing was added, try again")
        os.replace(fresh, target)  # noqa: PTH105 - a plain name
    except BaseException:
        Path(fresh).unlink(missing_ok=True)
        raise


def _key(name: str) -> str:
    return name if _BARE.fullmatch(name) else _text(name)


def _text(value: str) -> str:
    return json.dumps(value, ensure_ascii=value.isascii()).replace("\x7f", "\\u007f")


def _plain(text: str) -> str:
    """Text as a comment may hold it: no control characters."""
    return "".join(char if char.isprintable() else f"\\x{ord(char):02x}" for char in text)


def _time(seconds: float) -> str:
    return f"{round(seconds * 1000)} ms" if seconds < 1 else f"{seconds:g} s"
