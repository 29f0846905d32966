"""`tallydeck alarm`: every alarm there could be, its state and why, and what a person does with one."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from logger.commands.saying import Say, says
from logger.commands.shared import DATA, ConfigOption, Here, JsonOption, ask, err, fail, here, print_json
from logger.commands.show import table
from logger.core import actions

alarm_app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Alarms: list them all, acknowledge, shelve, take out of service, reset.",
)
AlarmArgument = Annotated[
    str, typer.Argument(help="The alarm's id, as `tallydeck alarm list --all` shows it.")
]
WhyOption = Annotated[str, typer.Option(help="The reason.")]


@alarm_app.command("list")
def list_alarms(
    everything: Annotated[bool, typer.Option("--all", help="Also those that are normal.")] = False,
    station: Annotated[str | None, typer.Option("--station", "-s", help="Only those of a station.")] = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """List alarms: state, since when, why it is quiet, how often it was raised in this run."""
    listed = ask(config, "alarms")
    alarms = listed["alarms"]
    if station is not None:
        alarms = [each for each in alarms if each["station"] == station]
        if not alarms:
            known = sorted({each["station"] for each in listed["alarms"] if each["station"]})
            fail(DATA, f'there is no alarm of a station "{station}"; there is {", ".join(known) or "none"}')
    normal = sum(each["state"] == "normal" for each in alarms)
    shown = alarms if everything else [each for each in alarms if each["state"] != "normal"]
    if as_json:
        print_json(listed | {"alarms": shown})
        return
    bay = here(config)
    columns = {
        "id": "alarm",
        "state": "state",
        "since": f"since ({bay.zone_name})",
        "raised": "raised in run",
    }
    if shown:
        table("alarms", [_row(each, bay) for each in shown], columns | {"remarks": ""})
    if not everything:
        err.print(f"{normal} of {len(alarms)} alarms are normal; --all lists them too", markup=False)


def _row(alarm: dict[str, Any], bay: Here) -> dict[str, Any]:
    more = "+" if alarm["raised_in_run_or_more"] else ""
    return {
        "id": alarm["id"],
        "state": alarm["state"],
        "since": bay.clock(alarm["state_since"]),
        "raised": f"{alarm['raised_in_run']}{more}" if alarm["raised_in_run"] else "",
        "remarks": "; ".join(remarks(alarm, bay)),
    }


def remarks(alarm: dict[str, Any], bay: Here) -> list[str]:
    """Why an alarm is as it is, and what is odd about it."""
    told = []
    if alarm["suppressed_by"]:
        told.append(f"quiet by design: {alarm['suppressed_by']}")
    if alarm["shelved_until"]:
        told.append(f"until {bay.clock(alarm['shelved_until'])}")
    if alarm["why"]:
        told.append(" ".join(alarm["why"].split()))
    if alarm["who"]:
        told.append(f"by {alarm['who']}")
    if alarm["state"] == "latched":
        told.append(f"stays until it is reset: {alarm['latches']}")
    if alarm["stale"]:
        told.append("stale: it has stood for more than a day")
    if alarm["chattered"]:
        told.append(f"chattered: three times within a minute, last at {bay.clock(alarm['chattered'])}")
    return told


def acknowledge(
    say: Say, alarm: Annotated[str, typer.Argument(help='The alarm\'s id, or "all".')] = "all"
) -> None:
    """Say that an alarm has been seen."""
    say(alarm=alarm)


def shelve(
    say: Say,
    alarm: AlarmArgument,
    minutes: Annotated[float, typer.Option(help="For how long; a day at most.")] = 15.0,
    why: WhyOption = "",
) -> None:
    """Silence an alarm for a limited time; it comes back by itself."""
    say(alarm=alarm, minutes=minutes, why=why)


says(alarm_app, "ack", actions.Acknowledge)(acknowledge)
says(alarm_app, "shelve", actions.Shelve)(shelve)


@says(alarm_app, "unshelve", actions.Unshelve)
def unshelve(say: Say, alarm: AlarmArgument) -> None:
    """End the silence of a shelved alarm before its time."""
    say(alarm=alarm)


@says(alarm_app, "out-of-service", actions.TakeOutOfService)
def out_of_service(
    say: Say,
    alarm: AlarmArgument,
    why: Annotated[str, typer.Option(help="The reason: whoever finds it silent must know.")],
) -> None:
    """Silence an alarm until it is returned to service. It need never have been raised."""
    say(alarm=alarm, why=why)


@says(alarm_app, "in-service", actions.ReturnToService)
def in_service(say: Say, alarm: AlarmArgument) -> None:
    """Let an alarm that was taken out of service speak again."""
    say(alarm=alarm)


@says(alarm_app, "reset", actions.ResetAlarm)
def reset(
    say: Say, alarm: AlarmArgument, why: Annotated[str, typer.Option(help="What was done.")] = ""
) -> None:
    """Let go of a latched alarm: what it did was put right."""
    say(alarm=alarm, why=why)
