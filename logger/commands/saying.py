"""How a command becomes an action: one way for all of them, with the same options everywhere."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, get_type_hints

import typer
from pydantic import BaseModel

from logger.commands.shared import (
    DATA,
    USAGE,
    ConfigOption,
    Here,
    IdOption,
    JsonOption,
    StationOption,
    TimeOption,
    WhoOption,
    ask,
    err,
    fail,
    here,
    print_json,
)
from logger.core.localtime import read_time, say_time, say_times
from logger.core.walltime import rfc3339

TIMES = ("time", "until")
"""Fields that hold a time; on the command line it may be the bay's own, without an offset."""

_COMMON: dict[str, tuple[Any, Any]] = {
    "station": (StationOption, None),
    "time": (TimeOption, None),
    "who": (WhoOption, ""),
    "action_id": (IdOption, ""),
    "config": (ConfigOption, None),
    "as_json": (JsonOption, False),
}


@dataclass(slots=True)
class Say:
    """Says one kind of action to the running daemon, with the options that all commands share."""

    action: str
    config: Path | None
    as_json: bool
    common: dict[str, Any] = field(default_factory=dict)
    _here: Here | None = None

    def __call__(self, **fields: Any) -> dict[str, Any]:
        """Say it. Answers what the daemon answered; a refusal ends the command with its reason."""
        answer = self.other(self.action, **fields, **self.common)
        if self.as_json:
            print_json(answer)
        elif answer.get("repeated"):
            err.print("taken before; nothing was done", markup=False)
        elif not answer.get("recorded", True):
            err.print("taken, but NOT RECORDED yet: the journal can't write", markup=False)
        return answer

    def other(self, action: str, **fields: Any) -> dict[str, Any]:
        """Say an action of another kind on the way; only a refusal is printed."""
        said = {key: value for key, value in fields.items() if value not in (None, "", [])}
        self._date(said)
        answer: dict[str, Any] = asdict(ask(self.config, "submit", {"action": action, **said}))
        if not answer["accepted"]:
            fail(DATA, f"{action} was refused: {say_times(answer['reason'], self.here.zone)}")
        return answer

    @property
    def here(self) -> Here:
        """The bay's clock and unit, asked for once."""
        if self._here is None:
            self._here = here(self.config)
        return self._here

    def _date(self, said: dict[str, Any]) -> None:
        """Give the times that a person typed their offset, and say how they were understood."""
        for name in TIMES:
            if isinstance(said.get(name), str):
                said[name] = self.moment(name, said[name])
        if isinstance(said.get("change"), dict):
            self._date(said["change"])

    def moment(self, name: str, text: str) -> str:
        """RFC 3339 of a time as it was typed."""
        bay = self.here
        try:
            at_ns = read_time(text, bay.zone, bay.now_ns)
        except ValueError as error:
            fail(DATA, f"{name}: {error}")
        moment = rfc3339(at_ns, bay.zone, 9 if at_ns % 10**9 else 0)
        if moment != text:
            err.print(f"{name} is {say_time(at_ns, bay.zone)} ({bay.zone_name})", markup=False)
        return moment


def says(
    app: typer.Typer, name: str, model: type[BaseModel]
) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Register a command that says an action of ``model``.

    The function's first argument is a `Say`; the others are the command's own. Options that all actions
    share (time, who, id, where it applies the station, and where the daemon is) are added to them.
    """
    common = {
        key: value for key, value in _COMMON.items() if key != "station" or "station" in model.model_fields
    }
    action: str = model.model_fields["action"].default

    def register(function: Callable[..., None]) -> Callable[..., None]:
        def command(**given: Any) -> None:
            config, as_json = given.pop("config"), given.pop("as_json")
            shared = {key: given.pop(key) for key in common if key not in {"config", "as_json"}}
            shared["id"] = shared.pop("action_id")
            function(Say(action, config, as_json, shared), **given)

        hints = get_type_hints(function, include_extras=True)
        own = list(inspect.signature(function).parameters.values())[1:]
        parameters = [each.replace(annotation=hints[each.name]) for each in own]
        parameters += [
            inspect.Parameter(key, inspect.Parameter.KEYWORD_ONLY, annotation=kind, default=default)
            for key, (kind, default) in common.items()
        ]
        command.__signature__ = inspect.Signature(  # type: ignore[attr-defined]
            [each.replace(kind=inspect.Parameter.KEYWORD_ONLY) for each in parameters]
        )
        command.__annotations__ = {each.name: each.annotation for each in parameters}
        command.__doc__ = function.__doc__
        app.command(name)(command)
        return function

    return register


def photographs(paths: list[Path] | None) -> list[str]:
    """Absolute paths; a usage error names the first file that is missing."""
    for path in paths or []:
        if not path.is_file():
            fail(USAGE, f"--photo {path}: there is no such file")
    return [str(path.absolute()) for path in paths or []]


def pairs(values: list[str], what: str) -> dict[str, str]:
    """``name=value`` texts as a dict; a usage error names the first that is none."""
    parts = [value.partition("=") for value in values]
    for value, (name, equals, _) in zip(values, parts, strict=True):
        if not (name and equals):
            fail(USAGE, f'{what} written name=value; found "{value}"')
    return {name: value for name, _, value in parts}
