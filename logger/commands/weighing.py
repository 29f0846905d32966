"""Weighing something by hand: say it, wait for the stable weight, print what was taken."""

from __future__ import annotations

import time
from typing import Annotated, Any

import typer

from logger.commands.saying import Say
from logger.commands.shared import DATA, ask, err, fail, out, print_json

EVERY_S = 0.3
INTERRUPTED = 130  # as a shell says it: 128 and the signal's number

GrossOption = Annotated[
    str | None, typer.Option(metavar="MASS|weigh", help='Full, e.g. "12.3 kg"; or weigh.')
]
TareOption = Annotated[str | None, typer.Option(metavar="MASS|weigh", help='Empty, e.g. "1.2 kg"; or weigh.')]
ScaleOption = Annotated[str | None, typer.Option(metavar="NAME", help="The instrument that weighs it.")]
WaitOption = Annotated[
    bool, typer.Option("--wait/--no-wait", help="Wait until it is weighed; Ctrl-C says not to weigh it.")
]


def weigh(say: Say, action: str, fields: dict[str, Any], *, wait: bool) -> None:
    """Say a weighing and, where something is to be weighed, wait for it and print the weight."""
    what = next((name for name in ("gross", "tare") if fields.get(name) == "weigh"), None)
    scale = fields.get("scale")
    answer = say.other(action, **fields)
    if answer.get("repeated"):
        err.print("taken before; nothing was done", markup=False)
    elif what is not None and scale is not None and wait:
        answer["data"] = answer["data"] | {"weighed": _wait(say, fields, what, scale)}
    if say.as_json:
        print_json(answer)


def _wait(say: Say, fields: dict[str, Any], what: str, scale: str) -> dict[str, Any]:
    name = fields["container"]
    empty = "the empty" if what == "tare" else "the"
    err.print(f"put {empty} container {name} on {scale}; waiting for a stable weight", markup=False)
    try:
        while any(each["scale"] == scale for each in ask(say.config, "state").get("weighing", [])):
            time.sleep(EVERY_S)
    except KeyboardInterrupt:
        say.other("cancel-weighing", scale=scale, who=fields.get("who"))
        err.print(f"nothing is weighed on {scale} now", markup=False)
        raise typer.Exit(INTERRUPTED) from None
    kg = _weight(say, fields, what)
    if kg is None:
        fail(DATA, f"the weighing on {scale} was cancelled; nothing was taken")
    if not say.as_json:
        out.print(f"{name} {what} {say.here.mass(kg)} {say.here.unit}", markup=False)
    return {"container": name, what + "_kg": kg, "scale": scale}


def _weight(say: Say, fields: dict[str, Any], what: str) -> float | None:
    """What the books hold now of this container."""
    if "lot" in fields:
        lots = [each for each in ask(say.config, "lots") if each["lot"] == fields["lot"]]
        listed = lots[0].get("containers", []) if lots else []
    else:
        runs = [each for each in ask(say.config, "runs") if fields.get("run") in (None, each["run"])]
        held = [each for run in runs for each in run.get("products", {}).get(fields["outlet"], [])]
        listed = held
    for each in listed:
        if each["container"] == fields["container"] and each.get(what + "_kg") is not None:
            return float(each[what + "_kg"])
    return None
