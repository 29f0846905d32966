"""Weighing something by hand: say it, wait for the stable weight, print what was taken."""

from __future__ import annotations

import time
from typing import Annotated, Any

import typer

from logger.commands.saying import Say
from logger.commands.shared import DATA, ask, err, fail, out, print_json
from logger.core.books.evidence import CHECK

EVERY_S = 0.3
INTERRUPTED = 130  # as a shell says it: 128 and the signal's number

WEIGHTS = {
    "gross": "the container {0}",
    "tare": "the empty container {0}",
    "pan": "the empty {0}",
    "pan_wet": "{0} with the wet sample",
    "pan_dry": "{0} with the dried sample",
    "shown": "the {0}",
}
"""What can be weighed -> what is to be put on the scale, by the container's name."""

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
    what = next((name for name in WEIGHTS if fields.get(name) == "weigh"), None)
    scale = fields.get("scale")
    answer = say.other(action, **fields)
    if answer.get("repeated"):
        err.print("taken before; nothing was done", markup=False)
    elif what is not None and scale is not None and wait:
        answer["data"] = answer["data"] | {"weighed": _wait(say, fields, what, answer["seq"])}
    if say.as_json:
        print_json(answer)


def _wait(say: Say, fields: dict[str, Any], what: str, entry: int) -> dict[str, Any]:
    name, scale = fields.get("container", CHECK), fields["scale"]
    thing = WEIGHTS[what].format(name)
    err.print(f"put {thing} on {scale}; waiting for a stable weight", markup=False)
    try:
        while any(each["entry"] == entry for each in ask(say.config, "state")["weighing"]):
            time.sleep(EVERY_S)
    except KeyboardInterrupt:
        say.other("cancel-weighing", scale=scale, who=fields.get("who"))
        err.print(f"nothing is weighed on {scale} now", markup=False)
        raise typer.Exit(INTERRUPTED) from None
    found = _found(say, entry, name, what)
    if found is None:
        fail(DATA, f"nothing was taken on {scale}: it was cancelled, waited for too long, or makes no sense")
    if not say.as_json:
        out.print(
            f"{name} {what.replace('_', ' ')} {say.here.mass(found['kg'])} {say.here.unit}", markup=False
        )
    return {"container": name, what + "_kg": found["kg"], "scale": scale}


def _found(say: Say, entry: int, container: str, what: str) -> dict[str, Any] | None:
    """The weight that an entry was given; None where there is none."""
    said = next((each for each in ask(say.config, "said") if each["entry"] == entry), None)
    if said is None or said["state"] == "withdrawn":
        return None
    mine = [each for each in said["found"] if (each.get("container"), each.get("what")) == (container, what)]
    return mine[-1] if mine and mine[-1]["fact"] == "weighed" else None
