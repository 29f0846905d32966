"""`tallydeck said`: what was said, with the numbers by which it can be corrected."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from logger.commands.shared import DATA, ConfigOption, JsonOption, ask, fail, here, print_json
from logger.commands.show import table
from logger.core.walltime import parse_rfc3339

_HEAD = frozenset({"action", "time", "id", "who"})


def said(
    run: Annotated[str | None, typer.Option(help="Only what belongs to this run or its lot.")] = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """List what was said, newest first, with its entry numbers; amend and withdraw take them."""
    listed = ask(config, "said")
    if run is not None:
        runs = {each["run"]: each for each in ask(config, "runs")}
        if run not in runs:
            fail(DATA, f'there is no run "{run}"; there is {", ".join(runs) or "none yet"}')
        listed = [each for each in listed if belongs(each, runs[run])]
    if as_json:
        print_json(listed)
        return
    bay = here(config)
    rows = [
        {
            "entry": each["entry"],
            "time": bay.clock(each["time"]),
            "who": each.get("who", ""),
            "action": each["action"],
            "what": summary(each),
            "state": _state(each),
        }
        for each in listed
    ]
    columns = {"entry": "entry", "time": f"time ({bay.zone_name})", "who": "who", "action": "action"}
    table("words", rows, columns | {"what": "what", "state": "state"})


def belongs(each: dict[str, Any], run: dict[str, Any]) -> bool:
    """Whether something said is about a run: names it or its lot, or was said of its station meanwhile."""
    body = each["body"]
    if each["entry"] in (run.get("entry"), run.get("end_entry")) or each["entry"] in _of_samples(run):
        return True
    if body.get("run") is not None:
        return bool(body["run"] == run["run"])
    if body.get("mark") is not None:
        return any(mark["mark"] == body["mark"] for mark in run.get("marks", []))
    if body.get("lot") is not None:
        return bool(body["lot"] == run["lot"])
    if body.get("station") not in (None, run["station"]):
        return False
    at_ns = parse_rfc3339(each["time"])
    ended = run["end"] is not None and at_ns > parse_rfc3339(run["end"])
    return at_ns >= parse_rfc3339(run["start"]) and not ended


def _of_samples(run: dict[str, Any]) -> set[int]:
    """The entries of a run's samples, of their results and of its moistures, whenever they were said."""
    samples = run.get("samples", [])
    found = [each for sample in samples for kind in ("results", "moistures") for each in sample.get(kind, [])]
    return {each["entry"] for each in (*samples, *found, *run.get("moistures", [])) if "entry" in each}


def summary(each: dict[str, Any]) -> str:
    """The fields of an action on one line, without its head and what was left out."""
    parts = [each["name"]] if each.get("name") else []
    for key, value in each["body"].items():
        if key not in _HEAD and value not in (None, "", [], {}):
            parts.append(f"{key}={_plain(value)}")
    parts += [
        f"({each['what']} {each['kg']:.6g} kg)" for each in each.get("found", []) if each["fact"] == "weighed"
    ]
    parts += [f"(of {each['of']})" for each in each.get("found", []) if each["fact"] == "sample"][-1:]
    return " ".join(parts)


def _plain(value: Any) -> str:
    if isinstance(value, dict):
        return (
            "{" + ", ".join(f"{key}: {_plain(item)}" for key, item in value.items() if item is not None) + "}"
        )
    if isinstance(value, list):
        return "[" + ", ".join(map(_plain, value)) + "]"
    return f"{value:.6g}" if isinstance(value, float) else " ".join(str(value).split())


def _state(each: dict[str, Any]) -> str:
    """``stands``, or what changed it: ``amended by 47: the drum was wet``."""
    if each["state"] == "stands" or not each.get("history"):
        return str(each["state"])
    last = each["history"][-1]
    by = f" by {last['entry']}" if last.get("entry") else ""
    return f"{each['state']}{by}" + (f": {last['why']}" if last.get("why") else "")
