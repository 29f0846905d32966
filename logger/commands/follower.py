"""`tallydeck follower`: what takes the record to store and broker, how it stands, and sending again."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from logger.commands.shared import (
    DATA,
    USAGE,
    ConfigOption,
    Here,
    JsonOption,
    ask,
    err,
    fail,
    here,
    out,
    print_json,
)
from logger.commands.show import table
from logger.core.localtime import read_time, say_time
from logger.core.walltime import rfc3339

follower_app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="What takes the record to the store and the broker: how it stands, what was set aside, send again.",
)

NameArgument = Annotated[str, typer.Argument(metavar="NAME", help='Which one: "store" or "broker".')]


@follower_app.command("list")
def follower_list(config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """List them: how far each is behind, what it delivered and set aside, and its last trouble."""
    followers = ask(config, "followers")
    if as_json:
        print_json(followers)
        return
    if not followers:
        err.print(
            "nothing takes the record elsewhere; [store] and [mqtt] in the configuration do", markup=False
        )
        return
    rows = [
        {
            "name": each["name"],
            "state": each["state"],
            "lag": span(each["lag_s"]),
            "backlog": span(each["backlog_s"]),
            "delivered": each["ledger"]["delivered"],
            "pending": each["ledger"]["pending"],
            "aside": each["ledger"]["aside"],
            "message": each["message"],
        }
        for each in followers
    ]
    heads = {"name": "name", "state": "state", "lag": "lag", "backlog": "backlog", "delivered": "delivered"}
    table("followers", rows, heads | {"pending": "to send", "aside": "set aside", "message": "last trouble"})


@follower_app.command("aside")
def follower_aside(
    name: NameArgument,
    limit: Annotated[int, typer.Option(help="So many at most, the newest.", min=1, max=10_000)] = 100,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """List what was set aside, the newest first: points that its receiver will never take, and why."""
    points = ask(config, "follower_aside", name, limit)
    if as_json:
        print_json(points)
    elif not points:
        err.print(f"the {name} took everything", markup=False)
    else:
        bay = here(config)
        for each in points:
            each["at"] = bay.clock(each["at"])
        heads = {"seq": "entry", "at": f"time ({bay.zone_name})", "reason": "why", "text": "as it was sent"}
        table("points", points, heads)


@follower_app.command("again")
def follower_again(
    name: NameArgument,
    run: Annotated[str | None, typer.Option("--run", help="All of this run.")] = None,
    lot: Annotated[str | None, typer.Option("--lot", "-l", help="All runs of this lot.")] = None,
    from_: Annotated[
        str | None, typer.Option("--from", metavar="TIME", help="From then on: 06:10, by the bay's clock.")
    ] = None,
    to: Annotated[str | None, typer.Option("--to", metavar="TIME", help="Until then.")] = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Send a part of the record again: after the store lost it, say. What is there already does no harm.

    Name a run, a lot, or both --from and --to.
    """
    stretch = (from_ is not None) + (to is not None)
    if (run is not None) + (lot is not None) + (stretch > 0) != 1 or stretch == 1:
        fail(USAGE, "say what to send again: --run RUN, or --lot LOT, or both --from TIME and --to TIME")
    what = {"run": run} if run is not None else {"lot": lot}
    if from_ is not None and to is not None:
        bay = here(config)
        what = {"from": _moment("from", from_, bay), "to": _moment("to", to, bay)}
    count = ask(config, "send_again", name, what)
    if as_json:
        print_json({"follower": name, "put_back": count})
    else:
        out.print(str(count), markup=False)
        err.print(
            f"entries are sent to the {name} again; tallydeck follower list shows how far", markup=False
        )


def _moment(option: str, text: str, bay: Here) -> str:
    """RFC 3339 of a time as it was typed; says how it was understood."""
    try:
        at_ns = read_time(text, bay.zone, bay.now_ns)
    except ValueError as error:
        fail(DATA, f"{option}: {error}")
    moment = rfc3339(at_ns, bay.zone, 9 if at_ns % 10**9 else 0)
    if moment != text:
        err.print(f"{option} is {say_time(at_ns, bay.zone)} ({bay.zone_name})", markup=False)
    return moment


def span(seconds: Any) -> str:
    """A length of time as people read it: 0.4 s, 12 min, 5.2 h, 3.1 d; empty where it is not known."""
    if seconds is None:
        return ""
    for unit, size in (("d", 86400.0), ("h", 3600.0), ("min", 60.0)):
        if seconds >= 2 * size:
            return f"{seconds / size:.1f} {unit}"
    return f"{seconds:.1f} s"
